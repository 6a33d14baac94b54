"""Plug flow with a stated spread: what leaves may be a little older or younger than its turn.

Here: shares and ranges by cumulative mass (see `vessel_book`), so that stops and changing rates need no case
of their own. What leaves at position `x` may have entered anywhere in `[x - s * H, x + s * H]`, `H` being the
content at that moment and `s` the spread; spread 0 is first in, first out. Not here: whether that was proven.

Invariants: weights sum to what was asked for exactly; no charge outside the ranges gets a weight; while the
content is constant, a charge's parts in all draws and in what stands add up to the charge.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.core.apportion import apportion
from service.core.flow_model import PPM
from service.core.vessel_book import Entry, Passage, divide_among_charges, layers_within, passages_of

__all__ = ["plug_contents", "plug_sources", "range_of_content", "range_of_step"]


@dataclass(frozen=True, slots=True)
class _Spread:
    """The positions out of which a range of draws comes: the range, each point of it spread to both sides.

    That is the convolution of two rectangles, a trapezoid. What it puts before the first charge ever is folded
    back behind it, which keeps the charges' masses as they are.

    Parameters
    ----------
    out_from, out_to : positions drawn
    radius_ug : spread to either side, micrograms
    """

    out_from: int
    out_to: int
    radius_ug: int

    @property
    def whole(self) -> int:
        """What `newer_than` counts up to."""
        return (self.out_to - self.out_from) * max(4 * self.radius_ug, 1)

    def newer_than(self, position: int) -> int:
        """Part of the drawn mass that entered after a position, as a count out of `whole`."""
        return self._beyond(position) + self.whole - self._beyond(-position)

    def _beyond(self, position: int) -> int:
        first, last, radius = self.out_from - position, self.out_to - position, self.radius_ug
        if radius == 0:
            return max(last, 0) - max(first, 0)
        return _ramp(last + radius) - _ramp(last - radius) - _ramp(first + radius) + _ramp(first - radius)


def plug_sources(book: Sequence[Entry], asked: Mapping[int, int], spread_ppm: int) -> dict[int, int]:
    """Weights of the charges behind the weights asked of steps: the rectangle of the spread over each draw.

    Where the content changes during a step, the step is passed in pieces, each with the smallest spread in it.

    Parameters
    ----------
    asked : weight by place in the book, of what the draws of the step found in the vessel
    spread_ppm : parts per million of the hold-up, 0..1,000,000
    """
    named: dict[int, int] = {}
    for place, weight in asked.items():
        low, high = range_of_step(book[place], spread_ppm)
        # First in, first out comes out of one piece as it does out of many.
        passages = passages_of(book[place], is_whole=spread_ppm == 0)
        parts = apportion(weight, [passage.taken_ug for passage in passages]) if passages else []
        for passage, part in zip(passages, parts, strict=True):
            _name_passage(book, passage, part, spread_ppm, low, high, named)
    return named


def _name_passage(
    book: Sequence[Entry], passage: Passage, weight: int, spread_ppm: int, low: int, high: int, named: dict[int, int]
) -> None:
    """Divide the weight of one piece of a draw among the layers within its range."""
    radius_ug = spread_ppm * min(passage.heel_ug, passage.content_ug) // PPM
    spread = _Spread(passage.out_from, passage.out_to, radius_ug)
    low, high = max(low, passage.out_from - radius_ug), min(high, passage.out_to + radius_ug)
    left = weight
    for layer, _ in layers_within(book, low, high):
        newer = 0 if layer.charged_to >= high else weight * spread.newer_than(layer.charged_to) // spread.whole
        divide_among_charges(left - newer, layer, into=named)
        left = newer


def plug_contents(book: Sequence[Entry], spread_ppm: int) -> dict[int, int]:
    """Weights of the charges in what stands at the end of the book: what was charged and has not left."""
    low, high = range_of_content(book[-1], spread_ppm)
    left = _Spread(0, book[-1].out_to, spread_ppm * book[-1].content_ug // PPM)
    each = max(4 * left.radius_ug, 1)
    named: dict[int, int] = {}
    for layer, overlap_ug in layers_within(book, low, high):
        newest = min(layer.charged_to, high)
        gone = left.newer_than(newest - overlap_ug) - left.newer_than(newest)
        standing = overlap_ug * each - gone
        if standing:
            divide_among_charges(standing, layer, into=named)
    return named


def range_of_step(entry: Entry, spread_ppm: int) -> tuple[int, int]:
    """Positions at which what the draws of a step took may have entered, from and to."""
    before_ug, after_ug = entry.heel_ug if entry.is_slice else entry.charged_to - entry.out_from, entry.content_ug
    low = min(entry.out_from - _radius(before_ug, spread_ppm), entry.out_to - _radius(after_ug, spread_ppm))
    high = max(entry.out_from + _radius(before_ug, spread_ppm), entry.out_to + _radius(after_ug, spread_ppm))
    return max(low, 0), min(high, entry.charged_to)


def range_of_content(entry: Entry, spread_ppm: int) -> tuple[int, int]:
    """Positions at which what stands after a step may have entered, from and to."""
    return max(entry.out_to - _radius(entry.content_ug, spread_ppm), 0), entry.charged_to


def _radius(content_ug: int, spread_ppm: int) -> int:
    """Spread to either side, rounded up: a range that may contain is rather too wide."""
    return -(-spread_ppm * content_ug // PPM)


def _ramp(value: int) -> int:
    return max(value, 0) ** 2
