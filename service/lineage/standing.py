"""What stands in a vessel just after one instant: all that its past can still say to its future."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from service.core.mixture import Mixture, from_nowhere, mix
from service.core.vessel_book import Entry
from service.lineage.stored import mixture_of, numbers_of, packed, unpacked


@dataclass
class HalfDrawn:
    """A draw that is still running: what has been drawn so far.

    Parameters
    ----------
    parts : (mixture, micrograms dry).
    charges : that may be in it so far, by line; looked at only where the vessel keeps their order.
    is_order_lost : more had been drawn than was there, so the order of the charges says nothing any more.
    """

    parts: list[tuple[Mixture, int]] = field(default_factory=list)
    charges: set[int] = field(default_factory=set)
    is_order_lost: bool = False

    def add(self, mixture: Mixture, dry_ug: int) -> None:
        if dry_ug:
            self.parts.append((mixture, dry_ug))

    def mixed(self, lot_id: int, cut_off: int) -> Mixture:
        """What the lot is made of; a lot without mass comes from nothing on record."""
        return mix(self.parts, cut_off) if self.parts else from_nowhere(lot_id)


@dataclass(frozen=True)
class Standing:
    """A vessel just after the instant `at_us`, the charges and draws of that instant included.

    Parameters
    ----------
    at_us : microseconds since 1970.
    charged_to, out_to : positions in the vessel's book, see `core.vessel_book`.
    overdrawn_ug : what was drawn by then beyond what was there, micrograms dry.
    content : what the content is made of if the vessel mixes; None if nothing stands there.
    layers : past steps of the book some of whose charges may still leave, oldest first.
    running : lines that began before and end later.
    half_drawn : what the running draws have drawn, by line.
    """

    at_us: int
    charged_to: int
    out_to: int
    overdrawn_ug: int
    content: Mixture | None
    layers: tuple[Entry, ...]
    running: tuple[int, ...]
    half_drawn: Mapping[int, HalfDrawn]

    @property
    def content_ug(self) -> int:
        return self.charged_to - self.out_to


def body_of(standing: Standing, number: int) -> bytes:
    """What is stored of a standing under a number; the number is covered by the checksum."""
    numbers = [
        number,
        standing.charged_to,
        standing.out_to,
        standing.overdrawn_ug,
        int(standing.content is not None),
    ]
    if standing.content is not None:
        numbers += numbers_of(standing.content)
    numbers += [len(standing.running), *standing.running, len(standing.layers)]
    for layer in standing.layers:
        numbers += [layer.start, layer.end, layer.charged_from, layer.charged_to, len(layer.charged)]
        numbers += [number for line in layer.charged for number in line]
    numbers.append(len(standing.half_drawn))
    for line_id, half in sorted(standing.half_drawn.items()):
        numbers += [line_id, int(half.is_order_lost), len(half.charges), *sorted(half.charges), len(half.parts)]
        for mixture, dry_ug in half.parts:
            numbers += [dry_ug, *numbers_of(mixture)]
    return packed(numbers)


def standing_of(at_us: int, body: bytes) -> Standing:
    """What `body_of` wrote.

    Raises
    ------
    DamagedBody : it was changed since.
    """
    left = _Reader(unpacked(body))
    _, charged_to, out_to, overdrawn_ug, has_content = left.take(5)
    content = left.mixture() if has_content else None
    running = tuple(left.take(left.one()))
    layers = tuple(_layer(left) for _ in range(left.one()))
    half_drawn = {}
    for _ in range(left.one()):
        line_id, is_order_lost = left.take(2)
        charges = set(left.take(left.one()))
        parts = []
        for _ in range(left.one()):
            dry_ug = left.one()
            parts.append((left.mixture(), dry_ug))
        half_drawn[line_id] = HalfDrawn(parts, charges, bool(is_order_lost))
    return Standing(at_us, charged_to, out_to, overdrawn_ug, content, layers, running, half_drawn)


class _Reader:
    def __init__(self, numbers: tuple[int, ...]) -> None:
        self._numbers = numbers
        self._place = 0

    def take(self, pieces: int) -> tuple[int, ...]:
        self._place += pieces
        return self._numbers[self._place - pieces : self._place]

    def one(self) -> int:
        return self.take(1)[0]

    def mixture(self) -> Mixture:
        mixture, pieces = mixture_of(self._numbers[self._place :])
        self._place += pieces
        return mixture


def _layer(left: _Reader) -> Entry:
    start, end, charged_from, charged_to, pieces = left.take(5)
    pairs = left.take(2 * pieces)
    charged = tuple(zip(pairs[::2], pairs[1::2], strict=True))
    return Entry(charged, (), charged_from, charged_to, charged_from, charged_from, start, end)


def past_step(step: Entry) -> Entry:
    """A step of the past as far as it still matters: what was charged, and where in the book that lies."""
    return replace(step, drawn=(), out_from=step.charged_from, out_to=step.charged_from)
