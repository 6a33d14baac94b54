"""Whether a critical parameter kept its limits over an interval, by its log, and what the log cannot say.

A value stands from its sample to the next. A silence up to the bridge is bridged by it; a longer one is a gap: no data
is not good data, so a gap counts as an excursion until someone proves otherwise. Each stretch outside is an excursion,
whatever the mean of the run says.

Here: excursions, gaps, statistics, and one outcome. Not here: what happens to the material inside the equipment
meanwhile (``residence``), and whether a lot may be released: that is for the responsible quality person, who may judge
an excursion harmless with reasons. The limits are the plant's own.

Times are milliseconds since 1970-01-01T00:00Z; intervals are half-open.

Source : Regulation (EC) 2023/2006, Annex B as amended by (EU) 2025/351 (critical limits of each operation are checked
for every batch; read in German). That gaps count, and the bridge: common practice, no source.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from itertools import compress
from operator import not_

import numpy as np
from numpy.typing import NDArray

from service.core.series_findings import UNDERMINING, Examined, Finding, examine, runs_of
from service.core.signals import BadSeries, CriticalParameter, SignalSeries

__all__ = ["Excursion", "Gap", "Judgement", "Outcome", "Side", "Statistics", "judge", "merged"]


class Side(StrEnum):
    """Which limit was passed."""

    BELOW = "below"
    ABOVE = "above"


class Outcome(StrEnum):
    """What the log shows; a worse one hides none of the others, which are all listed."""

    KEPT = "kept"
    NOT_PROVEN = "not proven"  # gaps, or samples that prove nothing
    BROKEN = "broken"  # an excursion


@dataclass(frozen=True, slots=True)
class Excursion:
    """A stretch outside of one limit.

    Parameters
    ----------
    from_ms, to_ms : from the first sample outside to the next one inside; to one logging interval after the last
        sample if a gap follows; from or to the end of the interval judged if nothing lies between
    extreme : the value farthest outside
    first_sample_ms, last_sample_ms : of the samples outside
    is_open : a gap or the end of the interval hides how long it was; it is then never taken for brief
    """

    side: Side
    from_ms: int
    to_ms: int
    extreme: float
    first_sample_ms: int
    last_sample_ms: int
    samples: int
    is_open: bool

    @property
    def duration_ms(self) -> int:
        return self.to_ms - self.from_ms


@dataclass(frozen=True, slots=True)
class Gap:
    """A silence longer than the bridge, from the last sample before (after which nothing is known) to the next."""

    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True)
class Statistics:
    """Figures of the samples that count; they describe and decide nothing.

    Parameters
    ----------
    samples : moments with a value; where there were two, their middle counts for the means
    mean : of the samples; `time_weighted_mean` with each for as long as it stands, gaps left out
    covered_ms : time for which a value stands
    outside_ms : thereof outside a limit, brief stretches included
    """

    samples: int
    minimum: float
    maximum: float
    mean: float
    time_weighted_mean: float
    covered_ms: int
    outside_ms: int


@dataclass(frozen=True, slots=True)
class Judgement:
    """How a parameter kept its limits in an interval.

    Parameters
    ----------
    excursions : those that count; `brief` those the parameter's rule lets pass
    bridged, bridged_ms : silences of one and a half logging intervals or more that were bridged, how many and how long
    statistics : None if no sample counts
    """

    parameter: CriticalParameter
    from_ms: int
    to_ms: int
    excursions: tuple[Excursion, ...]
    brief: tuple[Excursion, ...]
    gaps: tuple[Gap, ...]
    bridged: int
    bridged_ms: int
    findings: tuple[Finding, ...]
    statistics: Statistics | None

    @property
    def undermining(self) -> tuple[Finding, ...]:
        """Findings that leave samples inside the limits without proof."""
        return tuple(finding for finding in self.findings if finding.kind in UNDERMINING)

    @property
    def outcome(self) -> Outcome:
        if self.excursions:
            return Outcome.BROKEN
        return Outcome.NOT_PROVEN if self.gaps or self.undermining else Outcome.KEPT

    @property
    def suspect(self) -> tuple[tuple[int, int], ...]:
        """When the limits were broken or are not proven kept: intervals in order, apart from each other."""
        parts: tuple[Excursion | Gap | Finding, ...] = (*self.excursions, *self.gaps, *self.undermining)
        clipped = ((max(part.from_ms, self.from_ms), min(part.to_ms, self.to_ms)) for part in parts)
        return merged(clipped)


def judge(series: SignalSeries, parameter: CriticalParameter, from_ms: int, to_ms: int) -> Judgement:
    """Judge a parameter over an interval; samples outside of it are left out.

    Parameters
    ----------
    series : as it arrived
    from_ms, to_ms : half-open, such as a run; a silence at either end counts like one between two samples

    Raises
    ------
    BadSeries
        If the interval is empty or runs backward.

    Examples
    --------
    Forty minutes at 190 degrees in eight hours at 215 leave the mean well above 205:

    >>> bed = CriticalParameter("bed temperature", "degrees C", 205, None, 60_000, 300_000)
    >>> values = [190.0 if 100 <= minute < 140 else 215.0 for minute in range(480)]
    >>> judged = judge(SignalSeries.of([60_000 * minute for minute in range(480)], values), bed, 0, 480 * 60_000)
    >>> judged.outcome.value, round(judged.statistics.mean, 1), judged.excursions[0].duration_ms // 60_000
    ('broken', 212.9, 40)
    """
    if to_ms <= from_ms:
        raise BadSeries(f"the interval from {from_ms} to {to_ms} holds no time: give its end after its start")
    found = examine(series.within(from_ms, to_ms), parameter)
    silences = np.diff(np.concatenate(([from_ms], found.times_ms, [to_ms])))
    is_gap = silences > parameter.bridge_ms
    is_bridged = ~is_gap & (2 * silences >= 3 * parameter.interval_ms)
    stands = _standing(silences[1:], is_gap[1:], parameter.interval_ms)
    outside = list(_excursions(found, parameter, from_ms, to_ms, is_gap))
    is_brief = [not each.is_open and each.duration_ms <= parameter.minimum_ms for each in outside]
    return Judgement(
        parameter,
        from_ms,
        to_ms,
        tuple(compress(outside, map(not_, is_brief))),
        tuple(compress(outside, is_brief)),
        tuple(_gaps(found.times_ms, from_ms, to_ms, is_gap)),
        int(is_bridged.sum()),
        int(silences[is_bridged].sum()),
        found.findings,
        _statistics(found, stands, sum(each.duration_ms for each in outside)) if len(found.times_ms) else None,
    )


def merged(intervals: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Half-open intervals in any order, joined where they overlap or touch.

    Examples
    --------
    >>> merged([(5, 7), (0, 2), (2, 3), (6, 6)])
    ((0, 3), (5, 7))
    """
    found: list[tuple[int, int]] = []
    for start, end in sorted(intervals):
        if end <= start:
            continue
        if found and start <= found[-1][1]:
            found[-1] = found[-1][0], max(end, found[-1][1])
        else:
            found.append((start, end))
    return tuple(found)


def _standing(silences: NDArray[np.int64], is_gap: NDArray[np.bool_], interval_ms: int) -> NDArray[np.int64]:
    """How long each value stands: to the next sample, but one logging interval where a gap follows."""
    return np.where(is_gap, np.minimum(silences, interval_ms), silences)


def _gaps(times: NDArray[np.int64], from_ms: int, to_ms: int, is_gap: NDArray[np.bool_]) -> Iterable[Gap]:
    ends = np.concatenate(([from_ms], times, [to_ms]))
    for place in np.flatnonzero(is_gap):
        yield Gap(int(ends[place]), int(ends[place + 1]))


def _excursions(
    found: Examined, parameter: CriticalParameter, from_ms: int, to_ms: int, is_gap: NDArray[np.bool_]
) -> Iterable[Excursion]:
    times = found.times_ms
    for side, values, is_outside in _outside(found, parameter):
        if not is_outside.any():
            continue
        firsts, ends = runs_of(is_outside)
        # A gap in the middle of a stretch parts it: nobody knows what was in between.
        cuts = np.flatnonzero(is_gap[1:-1] & is_outside[:-1] & is_outside[1:]) + 1
        firsts, ends = np.sort(np.concatenate((firsts, cuts))), np.sort(np.concatenate((ends, cuts)))
        extremes = (np.minimum if side is Side.BELOW else np.maximum).reduceat(values, firsts)
        for first, end, extreme in zip(firsts.tolist(), ends.tolist(), extremes.tolist(), strict=True):
            # `reduceat` runs on to the next stretch, over samples inside, which are no extremes.
            last_ms = int(times[end - 1])
            next_ms = int(times[end]) if end < len(times) else to_ms
            yield Excursion(
                side,
                from_ms if first == 0 and not is_gap[0] else int(times[first]),
                min(last_ms + parameter.interval_ms, next_ms) if is_gap[end] else next_ms,
                extreme,
                int(times[first]),
                last_ms,
                end - first,
                bool(is_gap[first] or is_gap[end] or end == len(times)),
            )


def _outside(
    found: Examined, parameter: CriticalParameter
) -> Iterable[tuple[Side, NDArray[np.float64], NDArray[np.bool_]]]:
    """For each limit the values it is judged by, of two the worse, and where they lie outside."""
    if parameter.least is not None:
        yield Side.BELOW, found.lowest, found.lowest < parameter.least
    if parameter.most is not None:
        yield Side.ABOVE, found.highest, found.highest > parameter.most


def _statistics(found: Examined, stands: NDArray[np.int64], outside_ms: int) -> Statistics:
    middle = found.lowest if found.lowest is found.highest else (found.lowest + found.highest) / 2
    covered_ms = int(stands.sum())
    return Statistics(
        len(middle),
        float(found.lowest.min()),
        float(found.highest.max()),
        float(middle.mean()),
        float(np.dot(middle, stands) / covered_ms),
        covered_ms,
        outside_ms,
    )
