"""What a plant logs of itself, and what is asked of it: a series of samples, and a parameter with its limits.

Here: the two shapes and what makes them sound. Not here: how a series is judged (``signal_series``), what is odd about
it (``series_findings``), how it is kept (``series_chunk``). Limits and rules are the plant's own, dated and from its
dossier: none is a constant of this code.

Times are milliseconds since 1970-01-01T00:00Z, in the order in which samples arrived; values are binary floats, as
instruments give them: they are readings, no mass.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["BadParameter", "BadSeries", "CriticalParameter", "Direction", "SignalSeries", "joined"]

# The years 1 to 9999. Differences of such times fit 64 bits, and microseconds of them do.
_EARLIEST_MS = -62_135_596_800_000
_LATEST_MS = 253_402_300_800_000


class BadSeries(ValueError):
    """Times and values that are no series of samples."""


class BadParameter(ValueError):
    """Limits or rules that contradict each other."""


class Direction(StrEnum):
    """Which way a parameter may go wrong."""

    MINIMUM = "minimum"  # temperature, residence time, gas flow
    MAXIMUM = "maximum"  # pressure under vacuum, oxygen, throughput
    BOTH = "both"


@dataclass(frozen=True, slots=True, eq=False)
class SignalSeries:
    """Samples of one signal as they arrived; nothing is sorted, dropped or mended.

    Parameters
    ----------
    times_ms : int64, one dimension, milliseconds since the epoch
    values : float64, one each, in the unit of the parameter; not a number where there was none

    Raises
    ------
    BadSeries
        If the arrays are of another type or of different length, or a time lies outside the years 1 to 9999.
    """

    times_ms: NDArray[np.int64]
    values: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.times_ms.dtype != np.int64 or self.values.dtype != np.float64:
            raise BadSeries(f"times are {self.times_ms.dtype}, values {self.values.dtype}: give int64 and float64")
        if self.times_ms.ndim != 1 or self.times_ms.shape != self.values.shape:
            raise BadSeries(f"{self.times_ms.shape} times for {self.values.shape} values: give one value for each time")
        if len(self) and (self.times_ms.min() < _EARLIEST_MS or self.times_ms.max() >= _LATEST_MS):
            raise BadSeries("a time lies outside the years 1 to 9999: give milliseconds since 1970-01-01T00:00Z")

    def __len__(self) -> int:
        return len(self.times_ms)

    @classmethod
    def of(cls, times_ms: Sequence[int], values: Sequence[float | None]) -> "SignalSeries":
        """A series out of plain numbers; a value of None stands for none.

        Raises
        ------
        BadSeries
            If a time is no whole number or a value no number.

        Examples
        --------
        >>> len(SignalSeries.of([0, 60_000], [205.1, 205.3]))
        2
        """
        times = np.asarray(times_ms)
        if times.size and times.dtype.kind != "i":
            raise BadSeries(f"times are {times.dtype}: give whole milliseconds, below 2**63")
        try:
            return cls(times.astype(np.int64), np.asarray(values, dtype=np.float64))
        except (TypeError, ValueError) as error:
            raise BadSeries(f"values are not all numbers: {error}") from error

    def within(self, from_ms: int, to_ms: int) -> "SignalSeries":
        """The samples of a half-open interval, in the order in which they arrived."""
        inside = (self.times_ms >= from_ms) & (self.times_ms < to_ms)
        return self if bool(inside.all()) else SignalSeries(self.times_ms[inside], self.values[inside])


def joined(parts: Iterable[SignalSeries]) -> SignalSeries:
    """One series out of several, such as the days of a run, one after the other as given."""
    listed = list(parts)
    if not listed:
        return SignalSeries(np.empty(0, np.int64), np.empty(0, np.float64))
    return SignalSeries(
        np.concatenate([part.times_ms for part in listed]), np.concatenate([part.values for part in listed])
    )


@dataclass(frozen=True, slots=True)
class CriticalParameter:
    """A parameter the process was shown to clean with, and how its log is read.

    Parameters
    ----------
    least, most : in `unit`; a value equal to a limit keeps it. None where there is no such limit, but not both.
    interval_ms : how often it is logged
    bridge_ms : longest silence from one sample to the next that is bridged; a longer one is a gap. Common practice,
        no source: five minutes
    minimum_ms : outside for so long or less is listed as brief and does no harm ("more than 2 min outside")
    stuck_ms : a value that stays the same for longer is suspected of being no measurement; None asks nothing
    physical_least, physical_most : beyond these no sensor in good order and in the right unit reads

    Raises
    ------
    BadParameter
        If there is no limit, limits cross or lie outside the physical range, or a time is out of its range.
    """

    name: str
    unit: str
    least: float | None
    most: float | None
    interval_ms: int
    bridge_ms: int
    minimum_ms: int = 0
    stuck_ms: int | None = None
    physical_least: float = -math.inf
    physical_most: float = math.inf

    def __post_init__(self) -> None:
        limits = [limit for limit in (self.least, self.most) if limit is not None]
        if not limits:
            raise BadParameter(f"{self.name} has no limit: give a least or a greatest value, or both")
        if not all(math.isfinite(limit) for limit in limits) or limits != sorted(limits):
            raise BadParameter(f"{self.name} from {self.least} to {self.most} {self.unit}: give finite limits in order")
        if not self.physical_least <= limits[0] <= limits[-1] <= self.physical_most:
            raise BadParameter(
                f"{self.name} from {self.least} to {self.most} {self.unit} lies outside the physical range "
                f"{self.physical_least} to {self.physical_most}: check the unit of both"
            )
        if not 0 < self.interval_ms <= self.bridge_ms:
            raise BadParameter(
                f"{self.name} is logged each {self.interval_ms} ms and bridged for {self.bridge_ms} ms: "
                "bridge at least the time between two samples"
            )
        if self.minimum_ms < 0 or (self.stuck_ms is not None and self.stuck_ms <= 0):
            raise BadParameter(f"{self.name} has a negative time: give times from 0 on, or none for a stuck sensor")

    @property
    def direction(self) -> Direction:
        if self.most is None:
            return Direction.MINIMUM
        return Direction.MAXIMUM if self.least is None else Direction.BOTH
