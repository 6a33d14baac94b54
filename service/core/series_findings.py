"""What is odd about a series of samples, each kind named for itself, before anyone judges by it.

Here: the oddities, and the samples that are left to judge by. Nothing is mended in silence: whatever is left out or
put in another order has its finding. Not here: limits and gaps (``signal_series``).

==================  =======================================================  ==================================
finding             what is seen                                             what is done
==================  =======================================================  ==================================
out of order        a sample came late and fills a hole                      put in its place
sent twice          same time, same value                                    counted once
two values          same time, different values                              both are judged, the worse decides
clock moved         a time came back that had been logged, or one sample     judged, but proves nothing there
                    came early and those after it by as much
stuck               the same value for longer than the parameter allows      judged, but proves nothing there
wrong unit          outside the physical range of the parameter              left out: no data
no number           not a number, or infinite                                left out: no data
==================  =======================================================  ==================================

A clock set forward cannot be told from a gap by the times alone, and is one. A clock set back onto the very same
stamps shows as two values.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from service.core.signals import CriticalParameter, SignalSeries

__all__ = ["UNDERMINING", "Examined", "Finding", "FindingKind", "examine", "runs_of"]

Mask = NDArray[np.bool_]
Times = NDArray[np.int64]
Values = NDArray[np.float64]


class FindingKind(StrEnum):
    """Kinds of oddity; the table of the module says what each does."""

    OUT_OF_ORDER = "out of order"
    SENT_TWICE = "sent twice"
    TWO_VALUES = "two values"
    CLOCK_MOVED = "clock moved"
    STUCK = "stuck"
    WRONG_UNIT = "wrong unit"
    NO_NUMBER = "no number"


# Where one of these was found, samples inside the limits prove nothing.
UNDERMINING = frozenset({FindingKind.CLOCK_MOVED, FindingKind.STUCK})


@dataclass(frozen=True, slots=True)
class Finding:
    """One oddity.

    Parameters
    ----------
    from_ms, to_ms : half-open, all it concerns
    samples : how many it concerns
    lowest, highest : of their values; not a number where there was none
    """

    kind: FindingKind
    from_ms: int
    to_ms: int
    samples: int
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True, eq=False)
class Examined:
    """Samples to judge by, in order of time and one for each, and what was found on the way.

    Parameters
    ----------
    lowest, highest : the values; they differ only where there were two
    """

    times_ms: Times
    lowest: Values
    highest: Values
    findings: tuple[Finding, ...]


def examine(series: SignalSeries, parameter: CriticalParameter) -> Examined:
    """Look through a series in the order in which it arrived."""
    times, values = series.times_ms, series.values
    is_finite = np.isfinite(values)
    findings = _runs(FindingKind.NO_NUMBER, ~is_finite, times, values)
    times, values = _kept(times, values, is_finite)
    is_physical = (values >= parameter.physical_least) & (values <= parameter.physical_most)
    findings += _runs(FindingKind.WRONG_UNIT, ~is_physical, times, values)
    times, values = _kept(times, values, is_physical)
    lowest = highest = values
    if np.any(2 * np.diff(times) < parameter.interval_ms):
        findings += _order(times, values, parameter.interval_ms)
        times, lowest, highest, doubles = _once(times, values)
        findings += doubles
    if parameter.stuck_ms is not None:
        findings += _stuck(times, lowest, highest, parameter.stuck_ms, parameter.bridge_ms)
    ordered = tuple(sorted(findings, key=lambda finding: (finding.from_ms, finding.kind)))
    return Examined(times, lowest, highest, ordered)


def runs_of(mask: Mask) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First places and places after the last of the stretches in which a mask holds."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).view(np.int8)))
    return edges[::2], edges[1::2]


def _kept(times: Times, values: Values, mask: Mask) -> tuple[Times, Values]:
    return (times, values) if mask.all() else (times[mask], values[mask])


def _runs(kind: FindingKind, mask: Mask, times: Times, values: Values) -> list[Finding]:
    """One finding for each stretch of samples that arrived one after the other."""
    return [_finding(kind, times[first:end], values[first:end]) for first, end in zip(*runs_of(mask), strict=True)]


def _finding(kind: FindingKind, times: Times, values: Values, samples: int | None = None) -> Finding:
    return Finding(
        kind,
        int(times.min()),
        int(times.max()) + 1,
        len(times) if samples is None else samples,
        float(values.min()),
        float(values.max()),
    )


def _order(times: Times, values: Values, interval_ms: int) -> list[Finding]:
    """Late samples, sorted by whether their time had been logged already when they came."""
    latest = np.maximum.accumulate(times)
    is_late = np.concatenate(([False], times[1:] < latest[:-1]))
    is_newest = np.concatenate(([True], times[1:] > latest[:-1]))
    newest = times[is_newest]
    before = np.searchsorted(newest, times, side="right") - 1
    after = np.minimum(before + 1, len(newest) - 1)
    is_first = before < 0
    before = np.maximum(before, 0)
    is_same_stamp = ~is_first & (newest[before] == times)
    is_logged = ~is_first & (2 * (newest[after] - newest[before]) <= 3 * interval_ms)
    findings = _runs(FindingKind.OUT_OF_ORDER, is_late & ~is_same_stamp & ~is_logged, times, values)
    for first, end in zip(*runs_of(is_late & ~is_same_stamp & is_logged), strict=True):
        moved = _finding(FindingKind.CLOCK_MOVED, times[first:end], values[first:end])
        # From the time the clock went back to until it had caught up, nothing is sure to have been logged once.
        findings.append(
            Finding(moved.kind, moved.from_ms, int(latest[first]) + 1, moved.samples, moved.lowest, moved.highest)
        )
    newest_values = values[is_newest]
    for place in np.flatnonzero(_came_early(np.diff(newest), interval_ms)):
        findings.append(
            _finding(FindingKind.CLOCK_MOVED, newest[place : place + 2], newest_values[place : place + 2], 1)
        )
    return findings


def _came_early(steps: Times, interval_ms: int) -> Mask:
    """Steps shorter than half of the interval between two that make up for nothing.

    A sample put in between two others parts one step in two that sum to it, and a log that is finer than stated has
    short steps throughout; a clock set back leaves a single short one.
    """
    full = np.concatenate(([interval_ms], steps, [interval_ms]))
    # A twentieth of the interval is left to the logger's own unsteadiness.
    least = 21 * interval_ms
    is_short: Mask = 2 * steps < interval_ms
    return is_short & (20 * (steps + full[:-2]) > least) & (20 * (steps + full[2:]) > least)


def _once(times: Times, values: Values) -> tuple[Times, Values, Values, list[Finding]]:
    """Each time once, in order, with the lowest and highest value found for it, and where there was more than one."""
    order = np.argsort(times, kind="stable")  # quick where little is out of order
    times, values = times[order], values[order]
    is_same = np.diff(times) == 0
    shares = np.flatnonzero(np.concatenate((is_same, [False])) | np.concatenate(([False], is_same)))
    values[shares] = values[shares][np.lexsort((values[shares], times[shares]))]
    is_copy = np.concatenate(([False], (np.diff(times) == 0) & (np.diff(values) == 0)))
    firsts = np.flatnonzero(np.concatenate(([True], np.diff(times) > 0)))
    copies = np.add.reduceat(is_copy.astype(np.int64), firsts)
    lowest, highest = np.minimum.reduceat(values, firsts), np.maximum.reduceat(values, firsts)
    times = times[firsts]
    findings = [
        _finding(FindingKind.SENT_TWICE, times[first:end], lowest[first:end], int(copies[first:end].sum()))
        for first, end in zip(*runs_of(copies > 0), strict=True)
    ]
    counts = np.diff(np.concatenate((firsts, [len(values)]))) - copies
    for place in np.flatnonzero(lowest < highest).tolist():
        pair = np.array([lowest[place], highest[place]])
        findings.append(_finding(FindingKind.TWO_VALUES, times[place : place + 1], pair, int(counts[place])))
    return times, lowest, highest, findings


def _stuck(times: Times, lowest: Values, highest: Values, stuck_ms: int, bridge_ms: int) -> list[Finding]:
    is_same = (np.diff(lowest) == 0) & (np.diff(highest) == 0) & (np.diff(times) <= bridge_ms)
    firsts, ends = runs_of(is_same)
    is_long = times[ends] - times[firsts] > stuck_ms
    return [
        _finding(FindingKind.STUCK, times[first : end + 1], lowest[first : end + 1])
        for first, end in zip(firsts[is_long].tolist(), ends[is_long].tolist(), strict=True)
    ]
