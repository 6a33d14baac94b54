"""The mass-flow picture of a lot: bands from its sources into it, and from it to where it went.

One SVG without script or style of its own; the style sheet gives every class its colour. All places are
whole tenths of a unit, cut from the integers that the table beneath shows: nothing is rounded to percents.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import cycle
from xml.sax.saxutils import escape

from service.labels.lettering import clean, cut_to_width, reads_right_to_left, width_em

BANDS_MAX = 14
"""More bands than these are not told apart: the largest are drawn, the others as one."""

COLOURS = ("f1", "f2", "f3", "f4", "f5")
"""Classes of the bands in turn: neighbours differ; the name beside the band, not its colour, says what it is."""

_WIDTH = 1100
_BAR_WIDTH = 24
_BAR_HEIGHT = 320
_COLUMN, _COLUMN_ALONE = 370, 500  # room for texts with bands on both sides, and with sources only
_TEXT_GAP = 8
_SLOT_MIN = 22  # a line of text and the air around it
_SLOT_GAP = 4
_HEAD = 52
_LETTERS = 15
_LOT_LETTERS = 17
_HAIRLINE_TENTHS = 10  # what is there is seen, however small


class NothingToDraw(ValueError):
    """No mass comes from any source."""


@dataclass(frozen=True)
class FlowIn:
    """One source, one destination, or the lot itself.

    Parameters
    ----------
    label : its name; shown cut where it is long.
    mass_text : its mass as people read it, with the unit.
    weight : what its height is proportional to, in one unit for the whole picture, such as micrograms dry.
    is_rest : whether it is what nothing explains or what is left over: hatched, and last.
    """

    label: str
    mass_text: str
    weight: int
    is_rest: bool = False

    def __post_init__(self) -> None:
        if self.weight < 0:
            raise ValueError(f"weight: expected 0 or more for {self.label!r}, got {self.weight}: draw no negative mass")


@dataclass(frozen=True)
class FlowOut:
    """One band as it is drawn, for the table beneath.

    Parameters
    ----------
    members : what it stands for: one, or all that are too small to be drawn alone.
    css_class : colour of the band.
    """

    label: str
    mass_text: str
    weight: int
    css_class: str
    members: tuple[FlowIn, ...]

    @property
    def is_rest(self) -> bool:
        return self.members[0].is_rest


@dataclass(frozen=True)
class FlowPicture:
    """The picture and the exact figures it was drawn from, from top to bottom."""

    svg: str
    sources: tuple[FlowOut, ...]
    destinations: tuple[FlowOut, ...]


def flow_picture(
    lot: FlowIn,
    sources: Sequence[FlowIn],
    destinations: Sequence[FlowIn] = (),
    *,
    weight_text: Callable[[int], str],
    picture_id: str = "flow",
) -> FlowPicture:
    """Draw the flow of a lot.

    Parameters
    ----------
    lot : the middle bar; the heights are to the scale of the largest of it, its sources and its destinations.
    sources, destinations : in any order; drawn largest first. Without destinations the lot stands at the right.
    weight_text : a weight as `mass_text` would say it, for the sum of what is drawn as one.
    picture_id : begins the ids in the picture, a plain word; a page with two pictures gives each its own.

    Raises
    ------
    NothingToDraw
        If all sources together weigh nothing.
    """
    if not any(source.weight for source in sources):
        raise NothingToDraw(f"expected a source of {lot.label!r} with a mass, got none: say so in words instead")
    left, right = _bands(sources, weight_text), _bands(destinations, weight_text)
    scale = max(lot.weight, sum(band.weight for band in left), sum(band.weight for band in right))
    columns = _Columns(left, scale), _Columns(right, scale)
    height = max(_HEAD + _BAR_HEIGHT, *(column.bottom for column in columns))
    words = " ".join((f"{lot.label}, {lot.mass_text}.", _said("From", left), _said("To", right))).strip()
    svg = "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" class="flow" width="100%" viewBox="0 0 {_WIDTH} {height}" '
            f'role="img" aria-labelledby="{picture_id}-title" aria-describedby="{picture_id}-desc">',
            f'<title id="{picture_id}-title">Mass flow of {escape(clean(lot.label))}</title>',
            f'<desc id="{picture_id}-desc">{escape(clean(words))}</desc>',
            *_drawn(lot, columns, f"{picture_id}-hatch"),
            "</svg>",
        ]
    )
    return FlowPicture(svg, left, right)


def _bands(flows: Sequence[FlowIn], weight_text: Callable[[int], str]) -> tuple[FlowOut, ...]:
    """Largest first, the smallest as one, what nothing explains last."""
    named = sorted((flow for flow in flows if not flow.is_rest), key=lambda flow: (-flow.weight, flow.label))
    alone = named if len(named) <= BANDS_MAX else named[: BANDS_MAX - 1]
    smaller = tuple(named[len(alone) :])
    colours = cycle(COLOURS)
    bands = [FlowOut(flow.label, flow.mass_text, flow.weight, next(colours), (flow,)) for flow in alone]
    if smaller:
        weight = sum(flow.weight for flow in smaller)
        bands.append(FlowOut(f"{len(smaller)} smaller", weight_text(weight), weight, next(colours), smaller))
    rests = (flow for flow in flows if flow.is_rest)
    return (*bands, *(FlowOut(rest.label, rest.mass_text, rest.weight, "rest", (rest,)) for rest in rests))


def _said(word: str, bands: Sequence[FlowOut]) -> str:
    """The bands of one side in words, for those who do not see them."""
    return f"{word} {'; '.join(f'{band.label}, {band.mass_text}' for band in bands)}." if bands else ""


@dataclass(frozen=True)
class _Place:
    """Where a band lies, in tenths of a unit: thickness, its top at the text and its top at the bar."""

    band: FlowOut
    thickness: int
    text_top: int
    bar_top: int

    @property
    def middle(self) -> int:
        return self.text_top + self.thickness // 2


class _Columns:
    """The bands of one side: their thickness to scale, their slots no lower than a line of text."""

    def __init__(self, bands: Sequence[FlowOut], scale: int) -> None:
        self.places: list[_Place] = []
        slot_top, weight_above = 10 * _HEAD, 0
        for band in bands:
            # Cut from running sums, so that the bands add up to the bar without a gap.
            bar_top = 10 * _HEAD + 10 * _BAR_HEIGHT * weight_above // scale
            weight_above += band.weight
            exact = 10 * _HEAD + 10 * _BAR_HEIGHT * weight_above // scale - bar_top
            thickness = max(exact, _HAIRLINE_TENTHS) if band.weight else 0
            slot = max(10 * _SLOT_MIN, thickness)
            self.places.append(_Place(band, thickness, slot_top + (slot - thickness) // 2, bar_top))
            slot_top += slot + 10 * _SLOT_GAP
        self.bottom = -(-slot_top // 10)


def _drawn(lot: FlowIn, columns: tuple[_Columns, _Columns], hatch_id: str) -> Iterator[str]:
    """Bands, bar and texts."""
    left, right = columns
    bar_left = (_WIDTH - _BAR_WIDTH) // 2 if right.places else _WIDTH - _BAR_WIDTH
    room = _COLUMN if right.places else _COLUMN_ALONE
    if any(place.band.is_rest for column in columns for place in column.places):
        yield (
            f'<pattern id="{hatch_id}" width="8" height="8" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(45)"><path class="hatch" stroke-width="5" d="M2 0V8"/></pattern>'
        )
    sides = (
        (left, 0, room + _TEXT_GAP, bar_left),
        (right, _WIDTH - room, _WIDTH - room - _TEXT_GAP, bar_left + _BAR_WIDTH),
    )
    for column, text_left, text_end, bar_end in sides:
        for place in column.places:
            yield from _band(place, _ribbon(text_end, bar_end, place), hatch_id)
            yield from _texts(place, text_left, room)
    yield f'<rect class="lot" x="{bar_left}" y="{_HEAD}" width="{_BAR_WIDTH}" height="{_BAR_HEIGHT}"/>'
    yield from _lot_texts(lot, is_middle=bool(right.places))


def _band(place: _Place, ribbon: str, hatch_id: str) -> Iterator[str]:
    band = place.band
    if band.weight:
        fill = f' fill="url(#{hatch_id})" stroke-width="1.5"' if band.is_rest else ""
        whole = escape(clean(f"{band.label}, {band.mass_text}"))
        yield f'<path class="{band.css_class}"{fill} d="{ribbon}"><title>{whole}</title></path>'


def _ribbon(text_end: int, bar_end: int, place: _Place) -> str:
    """Path of a band of one thickness from beside its text to the bar."""
    middle = (text_end + bar_end) // 2
    top, end_top = _units(place.text_top), _units(place.bar_top)
    bottom, end_bottom = _units(place.text_top + place.thickness), _units(place.bar_top + place.thickness)
    return (
        f"M{text_end} {top}C{middle} {top} {middle} {end_top} {bar_end} {end_top}V{end_bottom}"
        f"C{middle} {end_bottom} {middle} {bottom} {text_end} {bottom}Z"
    )


def _units(tenths: int) -> str:
    """A place written in units."""
    whole, part = divmod(tenths, 10)
    return f"{whole}.{part}" if part else str(whole)


def _texts(place: _Place, left: int, room: int) -> Iterator[str]:
    """Name and mass beside a band, in a line: the name to the left in what room the mass leaves."""
    band = place.band
    baseline = _units(place.middle + 10 * _LETTERS * 35 // 100)  # capitals are about 0.7 of the size high
    name_room = room - _TEXT_GAP - int(width_em(band.mass_text) * _LETTERS)
    name = cut_to_width(clean(band.label), max(0, name_room) / _LETTERS)
    # A name that is read from the right begins at the right end of its room.
    turn, x = (' direction="rtl"', left + name_room) if reads_right_to_left(name) else ("", left)
    yield f'<text x="{x}" y="{baseline}" font-size="{_LETTERS}"{turn}>{escape(name)}</text>'
    yield (
        f'<text x="{left + room}" y="{baseline}" font-size="{_LETTERS}" text-anchor="end">'
        f"{escape(clean(band.mass_text))}</text>"
    )


def _lot_texts(lot: FlowIn, *, is_middle: bool) -> Iterator[str]:
    """Name and mass of the lot above its bar."""
    name = cut_to_width(clean(lot.label), _WIDTH / _LOT_LETTERS)
    x, anchor = (_WIDTH // 2, "middle") if is_middle else (_WIDTH, "end")
    for text, baseline, letters in ((name, _HEAD - 30, _LOT_LETTERS), (lot.mass_text, _HEAD - 10, _LETTERS)):
        turned = reads_right_to_left(text)
        side = "start" if turned and anchor == "end" else anchor
        turn = ' direction="rtl"' if turned else ""
        yield (
            f'<text x="{x}" y="{baseline}" font-size="{letters}" font-weight="700" text-anchor="{side}"{turn}>'
            f"{escape(clean(text))}</text>"
        )
