"""The book of one vessel: its dated lines cut into steps, and the steps run forward into positions.

Here: charges and draws, and where each of them lies in the cumulative mass the vessel ever took in. Not
here: what that means for the origin of a draw (`vessel_ledger`).

Invariants: a line's slices sum to its mass exactly; the content is never below zero, and what is drawn
beyond it is not repaid by later charges; the order in which lines are given does not matter.
"""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from service.core.apportion import apportion

__all__ = [
    "BadLine",
    "Charge",
    "Draw",
    "Entry",
    "Passage",
    "Start",
    "book_of",
    "divide_among_charges",
    "layers_within",
    "passages_of",
]

# A step during which the content changes is passed in so many pieces at most: one for each 16th of it.
PIECES = 16


class BadLine(ValueError):
    """A charge or draw that cannot be booked: negative mass, end before start, or a key used twice."""


@dataclass(frozen=True, slots=True)
class _Line:
    """Dry mass crossing the wall of the vessel during `[start, end)`, or at the instant `start == end`.

    Parameters
    ----------
    key : int, unique among the charges or among the draws of one vessel
    start, end : int, microseconds since 1970-01-01T00:00Z
    dry_ug : int, micrograms of dry mass, >= 0

    Raises
    ------
    BadLine
        If the mass is negative or the interval runs backward.
    """

    key: int
    start: int
    end: int
    dry_ug: int

    def __post_init__(self) -> None:
        if self.dry_ug < 0:
            raise BadLine(
                f"dry_ug of {self._kind} {self.key} is {self.dry_ug}: a mass is not negative, book a draw as a draw"
            )
        if self.end < self.start:
            raise BadLine(f"{self._kind} {self.key} ends at {self.end}, before its start {self.start}: correct one")

    @property
    def _kind(self) -> str:
        return type(self).__name__.lower()


@dataclass(frozen=True, slots=True)
class Charge(_Line):
    """Dry mass put into the vessel; see `_Line` for units and refusals."""


@dataclass(frozen=True, slots=True)
class Draw(_Line):
    """Dry mass taken out of the vessel; see `_Line` for units and refusals."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One step of the book: an instant, or a slice of time within which no line begins or ends.

    Positions count, in micrograms, all mass ever charged; a range of them is a layer of the vessel. The
    range `[out_from, out_to)` is what the draws of the step took, `[out_from, charged_to)` what they could
    take from.

    Parameters
    ----------
    charged, drawn : (key, micrograms dry) of the lines running in this step, by key
    charged_from, charged_to : position before and after the charges
    out_from, out_to : position before and after the draws
    start, end : microseconds since 1970-01-01T00:00Z, equal for an instant
    """

    charged: tuple[tuple[int, int], ...]
    drawn: tuple[tuple[int, int], ...]
    charged_from: int
    charged_to: int
    out_from: int
    out_to: int
    start: int
    end: int

    @property
    def is_slice(self) -> bool:
        """Whether the lines run side by side for a time; in an instant, charges come before draws."""
        return self.end > self.start

    @property
    def heel_ug(self) -> int:
        """What stood in the vessel before the step, micrograms dry."""
        return self.charged_from - self.out_from

    @property
    def content_ug(self) -> int:
        """What stands in the vessel after the step, micrograms dry."""
        return self.charged_to - self.out_to

    @property
    def taken_ug(self) -> int:
        """Mass the draws found in the vessel, micrograms dry."""
        return self.out_to - self.out_from

    @property
    def missing_ug(self) -> int:
        """Mass drawn beyond the content, micrograms dry; positive means the book is wrong somewhere."""
        return sum(mass for _, mass in self.drawn) - self.taken_ug


@dataclass(frozen=True, slots=True)
class Passage:
    """A part of a step during which the content hardly changes; positions at its beginning and its end."""

    charged_from: int
    charged_to: int
    out_from: int
    out_to: int

    @property
    def taken_ug(self) -> int:
        return self.out_to - self.out_from

    @property
    def heel_ug(self) -> int:
        return self.charged_from - self.out_from

    @property
    def content_ug(self) -> int:
        return self.charged_to - self.out_to


class Start(NamedTuple):
    """Where a book goes on: everything up to the instant `at`, that instant included, is booked already.

    Parameters
    ----------
    at : int, microseconds
    charged_to, out_to : positions then, as in `Entry`
    """

    at: int
    charged_to: int
    out_to: int


def book_of(
    charges: Sequence[Charge], draws: Sequence[Draw], *, until: int | None = None, since: Start | None = None
) -> list[Entry]:
    """Run the lines of a vessel forward in time, never below zero; an instant's charges can be drawn in it.

    Parameters
    ----------
    charges, draws : all lines of the vessel since it was last proven empty, in any order
    until : int, microseconds; running lines are cut there and only what had passed is booked, the instant
        itself included; None books everything
    since : go on from there; then `charges` and `draws` are those that move mass after it, and those that
        were running are given whole

    Raises
    ------
    BadLine
        If a key occurs twice among the charges or among the draws.
    """
    moments = {time for line in (*charges, *draws) for time in (line.start, line.end)}
    if until is not None:
        moments.add(until)
    if since is not None:
        moments = {since.at, *(moment for moment in moments if moment > since.at)}
    ordered = sorted(moments)
    place_of = {moment: place for place, moment in enumerate(ordered)}
    charged = _steps_of(charges, ordered, place_of, is_rounded_up=True)
    drawn = _steps_of(draws, ordered, place_of, is_rounded_up=False)
    # After the last moment there is no slice.
    kept = max(2 * len(ordered) - 1, 0) if until is None else 2 * place_of[until] + 1
    entries = []
    position_in, position_out = (0, 0) if since is None else (since.charged_to, since.out_to)
    for place, (ins, outs) in enumerate(zip(charged[:kept], drawn[:kept], strict=True)):
        charged_to = position_in + sum(mass for _, mass in ins)
        out_to = min(position_out + sum(mass for _, mass in outs), charged_to)
        start, end = ordered[place // 2], ordered[(place + 1) // 2]
        entries.append(Entry(tuple(ins), tuple(outs), position_in, charged_to, position_out, out_to, start, end))
        position_in, position_out = charged_to, out_to
    return entries


def layers_within(book: Sequence[Entry], out_from: int, out_to: int) -> list[tuple[Entry, int]]:
    """Steps whose charges lie in a range of positions, each with the micrograms of the overlap (> 0)."""
    layers = []
    for entry in book[bisect_right(book, out_from, key=lambda entry: entry.charged_to) :]:
        if entry.charged_from >= out_to:
            break
        overlap_ug = min(out_to, entry.charged_to) - max(out_from, entry.charged_from)
        if overlap_ug > 0:
            layers.append((entry, overlap_ug))
    return layers


def passages_of(entry: Entry, *, is_whole: bool = False) -> list[Passage]:
    """What the draws of a step took, in order of leaving, in pieces of nearly constant content.

    In an instant all charges are in before anything leaves. A slice that is drawn to nothing counts as drawn
    evenly.

    Parameters
    ----------
    is_whole : leave it in one piece, whatever the content does
    """
    if entry.taken_ug == 0:
        return []
    charged_from = entry.charged_from if entry.is_slice else entry.charged_to
    before_ug, after_ug = charged_from - entry.out_from, entry.content_ug
    count = 1
    if not is_whole and before_ug != after_ug:
        count = -(-PIECES * abs(before_ug - after_ug) // max(before_ug, after_ug))
    bounds = [
        (
            charged_from + (entry.charged_to - charged_from) * piece // count,
            entry.out_from + entry.taken_ug * piece // count,
        )
        for piece in range(count + 1)
    ]
    return [
        Passage(charged_from, charged_to, out_from, out_to)
        for (charged_from, out_from), (charged_to, out_to) in pairwise(bounds)
        if out_to > out_from
    ]


def divide_among_charges(weight: int, entry: Entry, *, into: dict[int, int]) -> None:
    """Add a weight to the charges of one step, by mass."""
    for (key, _), part in zip(entry.charged, apportion(weight, [mass for _, mass in entry.charged]), strict=True):
        into[key] = into.get(key, 0) + part


def _steps_of(
    lines: Sequence[_Line], moments: Sequence[int], place_of: Mapping[int, int], *, is_rounded_up: bool
) -> list[list[tuple[int, int]]]:
    """Cut lines at every moment: step 2i is the instant `moments[i]`, step 2i + 1 the slice that follows.

    So an interval that ends at an instant is over by then, and one that starts at it comes after.
    """
    steps: list[list[tuple[int, int]]] = [[] for _ in range(2 * len(moments))]
    seen: set[int] = set()
    for line in sorted(lines, key=lambda line: line.key):
        if line.key in seen:
            kind = type(line).__name__.lower()
            raise BadLine(f"two {kind} lines have the key {line.key}: give each its own")
        seen.add(line.key)
        if line.start == line.end:
            steps[2 * place_of[line.start]].append((line.key, line.dry_ug))
            continue
        # A line that was running where the book goes on had passed in part.
        begin = max(line.start, moments[0])
        passed_ug = _passed_by(line, begin, is_rounded_up) if begin > line.start else 0
        for place in range(place_of[begin], place_of[line.end]):
            by_now_ug = _passed_by(line, moments[place + 1], is_rounded_up)
            steps[2 * place + 1].append((line.key, by_now_ug - passed_ug))
            passed_ug = by_now_ug
    return steps


def _passed_by(line: _Line, moment: int, is_rounded_up: bool) -> int:
    """What has passed of an interval by a moment within it, micrograms dry.

    What is rounded is all that has passed so far: the last slice gets the rest, and one more cut elsewhere
    leaves the masses at the other boundaries as they were. Charges round up and draws down, so that a
    microgram of rounding never looks like mass drawn from an empty vessel.
    """
    passed_ug, rest = divmod(line.dry_ug * (moment - line.start), line.end - line.start)
    return passed_ug + (is_rounded_up and rest > 0)
