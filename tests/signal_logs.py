"""Logs and parameters for tests of signals.

Limits and rules are invented, after illustrative ones of the trade (common practice, no source): bed temperature at
least 205, gaps up to 5 minutes bridged, melt outside for more than 2 minutes.
"""

from service.core.signal_series import judge
from service.core.signals import CriticalParameter, SignalSeries

MINUTE = 60_000
BED = CriticalParameter("bed temperature", "degrees C", 205.0, None, MINUTE, 5 * MINUTE)
VACUUM = CriticalParameter("vacuum", "mbar", None, 10.0, MINUTE, 5 * MINUTE)
MELT = CriticalParameter("melt temperature", "degrees C", 270.0, 295.0, MINUTE, 5 * MINUTE, minimum_ms=2 * MINUTE)


def log(values, start=0, step=MINUTE):
    """One sample each minute; None where none was logged."""
    kept = [(start + place * step, value) for place, value in enumerate(values) if value is not None]
    return SignalSeries.of([time for time, _ in kept], [value for _, value in kept])


def judged(values, parameter=BED, minutes=None):
    return judge(log(values), parameter, 0, MINUTE * (len(values) if minutes is None else minutes))


def kinds(judgement):
    return [finding.kind for finding in judgement.findings]


def figures(judgement):
    """The statistics, where there are any."""
    assert judgement.statistics is not None
    return judgement.statistics
