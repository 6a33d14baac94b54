"""A continuous line known by its least and greatest residence: which feeds can be in what came out when?

Here: windows of time through a line (a wash line as a whole), in running time: while the line stands, nothing
in it moves, so the time of a stop does not count. Not here: vessels with a book (`vessel_ledger`, `residence`).

Times are microseconds since 1970-01-01T00:00Z; intervals are half-open, two of them touch only if each starts
before the other ends, and an instant is the microsecond that begins with it.

Invariants: shares and the unattributed weight sum to SCALE; a feed with a share is possible.

Source : time windows with written residence times are common practice, no source.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.core.apportion import SCALE, apportion
from service.core.vessel_book import Charge
from service.core.vessel_ledger import DrawSources

__all__ = ["BadWindow", "Stops", "discharge_window", "feed_window", "touches", "window_shares"]


class BadWindow(ValueError):
    """An interval that runs backward, or residence times that no line has."""


@dataclass(frozen=True, slots=True)
class Stops:
    """Intervals in which a line stood, in order and apart from each other; `stops_of` brings any into that form.

    Parameters
    ----------
    starts, ends : microseconds; the last end is None while the line still stands
    running_starts : running time at each start, microseconds
    """

    starts: tuple[int, ...] = ()
    ends: tuple[int | None, ...] = ()
    running_starts: tuple[int, ...] = ()

    @classmethod
    def of(cls, intervals: Iterable[tuple[int, int | None]]) -> "Stops":
        """Stops out of intervals in any order, which may overlap; an end of None means: still standing.

        Raises
        ------
        BadWindow
            If a stop ends before it begins.
        """
        starts: list[int] = []
        ends: list[int | None] = []
        running_starts: list[int] = []
        for start, end in sorted(intervals, key=lambda interval: interval[0]):
            if end is not None and end < start:
                raise BadWindow(f"the stop from {start} ends at {end}, before its start: correct one")
            before = ends[-1] if ends else None
            if ends and (before is None or before >= start):
                ends[-1] = None if before is None or end is None else max(before, end)
                continue
            running_starts.append(start if before is None else running_starts[-1] + start - before)
            starts.append(start)
            ends.append(end)
        return cls(tuple(starts), tuple(ends), tuple(running_starts))

    def running(self, time_us: int) -> int:
        """Running time at a moment: the clock less all time stood until then."""
        place = bisect_right(self.starts, time_us) - 1
        if place < 0:
            return time_us
        end = self.ends[place]
        return self.running_starts[place] + (0 if end is None else max(time_us - end, 0))

    def earliest(self, running_us: int) -> int | None:
        """First moment at which so much running time has passed; None if the line stands before it gets there."""
        return self._moment(bisect_left(self.running_starts, running_us), running_us)

    def latest(self, running_us: int) -> int | None:
        """Last moment at which no more running time has passed; None if the line stands there for good."""
        return self._moment(bisect_right(self.running_starts, running_us), running_us)

    def _moment(self, stops_before: int, running_us: int) -> int | None:
        if stops_before == 0:
            return running_us
        end = self.ends[stops_before - 1]
        return None if end is None else end + running_us - self.running_starts[stops_before - 1]


def touches(start: int, end: int, other_start: int, other_end: int) -> bool:
    """Whether two half-open intervals have a moment in common."""
    return start < max(other_end, other_start + 1) and max(end, start + 1) > other_start


def feed_window(out_from: int, out_to: int, min_us: int, max_us: int, stops: Stops) -> tuple[int, int]:
    """When what came out in an interval had been fed.

    Parameters
    ----------
    out_from, out_to : microseconds, such as the filling of a bag
    min_us, max_us : least and greatest residence, microseconds of running time

    Returns
    -------
    (from, to)
        A stop at either end is inside as a whole: what was fed while the line stood went in with its edge.

    Raises
    ------
    BadWindow
        If the interval runs backward or the residence times are negative or the wrong way round.
    """
    out_end = _end_of(out_from, out_to, min_us, max_us)
    # Open only if the line stands there for good, and there the interval itself is the earlier end.
    first = stops.earliest(stops.running(out_from) - max_us)
    last = stops.latest(stops.running(out_end) - min_us)
    return out_from if first is None else min(first, out_from), out_end if last is None else min(last, out_end)


def discharge_window(in_from: int, in_to: int, min_us: int, max_us: int, stops: Stops) -> tuple[int, int | None] | None:
    """When what was fed in an interval comes out, the other way round from `feed_window`.

    Returns
    -------
    (from, to) or None
        `to` is None, or all of it, if the line stands before the last, or anything, is out.

    Raises
    ------
    BadWindow
        As `feed_window`.
    """
    in_end = _end_of(in_from, in_to, min_us, max_us)
    first = stops.earliest(stops.running(in_from) + min_us)
    return None if first is None else (max(first, in_from), stops.latest(stops.running(in_end) + max_us))


def window_shares(
    feeds: Sequence[Charge], out_from: int, out_to: int, min_us: int, max_us: int, stops: Stops
) -> tuple[DrawSources, frozenset[int]]:
    """Feeds in what came out in an interval: the expected shares, and every feed that may be in it.

    Any residence between the least and the greatest counts alike, in running time; over the interval that
    weighs a moment of feeding by a trapezoid. A feed counts by its mass, evenly over its own time. What came
    out is of what was fed, so a gap in feeding leaves more to the others.

    Parameters
    ----------
    feeds : of the line, in any order; other feeds than those in the window do no harm
    out_from, out_to, min_us, max_us : as for `feed_window`

    Returns
    -------
    (sources, possible)
        All of it unattributed if no mass is on record in the window.

    Raises
    ------
    BadWindow
        As `feed_window`.
    """
    window = feed_window(out_from, out_to, min_us, max_us, stops)
    inside = sorted(
        (feed for feed in feeds if touches(feed.start, feed.end, *window)), key=lambda feed: (feed.start, feed.key)
    )
    possible = frozenset(feed.key for feed in inside)
    first = stops.running(out_from)
    last = max(stops.running(_end_of(out_from, out_to, min_us, max_us)), first + 1)
    # A residence known to the microsecond is no rectangle.
    greatest = max(max_us, min_us + 1)

    def fed_after(running_us: int) -> int:
        """What came out and was fed after a moment, in a measure whose unit cancels."""
        return (
            _ramp(last - min_us - running_us)
            - _ramp(last - greatest - running_us)
            - _ramp(first - min_us - running_us)
            + _ramp(first - greatest - running_us)
        )

    weights = []
    for feed in inside:
        start = stops.running(feed.start)
        end = max(stops.running(feed.end), start + 1)
        weights.append(feed.dry_ug * (fed_after(start) - fed_after(end)) * SCALE // (end - start))
    if not any(weights):
        return DrawSources((), SCALE), possible
    parts = apportion(SCALE, weights)
    shares = sorted((feed.key, part) for feed, part in zip(inside, parts, strict=True) if part)
    return DrawSources(tuple(shares), 0), possible


def _end_of(from_us: int, to_us: int, min_us: int, max_us: int) -> int:
    """End of an interval, checked; an instant is a microsecond long."""
    if to_us < from_us:
        raise BadWindow(f"the interval from {from_us} ends at {to_us}, before its start: correct one")
    if min_us < 0 or max_us < min_us:
        raise BadWindow(f"residence from {min_us} to {max_us} microseconds: state 0 <= least <= greatest")
    return max(to_us, from_us + 1)


def _ramp(value: int) -> int:
    return max(value, 0) ** 2
