"""Shift, day, week, month and audit year of a plant, by its own clock, as half-open intervals in UTC.

A day begins at local midnight and a shift at the time on the plant's clock, so the night in which the clock is put
forward or back has 7 or 9 hours, and the mass that passes in it is that of 7 or 9 hours. Not here: which pattern was
in force when (dated settings of the plant), and what happened in a period.

Invariant: the parts of a period follow one another without gap or overlap, so what they hold adds up to the whole.

Source : IANA time zone database through `zoneinfo`; weeks begin on Monday (ISO 8601, from memory).
"""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from itertools import pairwise
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

__all__ = [
    "AuditYearStart",
    "BadPattern",
    "LocalCalendar",
    "Period",
    "PeriodKind",
    "ShiftPattern",
    "UnknownZone",
    "zone_named",
]

_STARTS = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")
_MONTH_DAY = re.compile(r"(0[1-9]|1[0-2])-(0[1-9]|1\d|2[0-8])")


class UnknownZone(ValueError):
    """The time zone database knows no zone of that name."""


class BadPattern(ValueError):
    """A shift pattern or the beginning of an audit year that cannot be read."""


class PeriodKind(StrEnum):
    """What is closed; `span` is any other interval, by its two ends."""

    SHIFT = "shift"
    DAY = "day"
    WEEK = "week"
    MONTH = "month"
    AUDIT_YEAR = "audit_year"
    SPAN = "span"


@dataclass(frozen=True, slots=True)
class Period:
    """A half-open interval; `start_at` and `end_at` are aware and in UTC, `label` names it by the plant's calendar."""

    kind: PeriodKind
    start_at: datetime
    end_at: datetime
    label: str

    @property
    def hours(self) -> float:
        """How long it lasts on a clock that is never put forward or back."""
        return (self.end_at - self.start_at) / timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class ShiftPattern:
    """When shifts begin on the plant's clock, in the order of the day; the last one runs into the next morning.

    Examples
    --------
    >>> ShiftPattern.parse("06:00,14:00,22:00").text
    '06:00,14:00,22:00'
    """

    starts: tuple[time, ...]

    @staticmethod
    def parse(text: str) -> "ShiftPattern":
        """Read 'HH:MM,HH:MM,...'.

        Raises
        ------
        BadPattern : a time that is none, two at once, or none at all.
        """
        found = [_STARTS.fullmatch(part.strip()) for part in text.split(",")]
        starts = [time(int(match[1]), int(match[2])) for match in found if match is not None]
        if len(starts) != len(found) or starts != sorted(set(starts)):
            raise BadPattern(f"expected when each shift begins, in order, such as 06:00,14:00,22:00, got {text!r}")
        return ShiftPattern(tuple(starts))

    @property
    def text(self) -> str:
        return ",".join(f"{start:%H:%M}" for start in self.starts)


@dataclass(frozen=True, slots=True)
class AuditYearStart:
    """The day on which an audit year begins; the 29th of February is none.

    Examples
    --------
    >>> AuditYearStart.parse("07-01")
    AuditYearStart(month=7, day=1)
    """

    month: int
    day: int

    @staticmethod
    def parse(text: str) -> "AuditYearStart":
        """Read 'MM-DD'.

        Raises
        ------
        BadPattern : no such day, or one that not every year and month has.
        """
        match = _MONTH_DAY.fullmatch(text.strip())
        if match is None:
            raise BadPattern(f"expected the day on which the audit year begins as MM-DD up to the 28th, got {text!r}")
        return AuditYearStart(int(match[1]), int(match[2]))

    @property
    def text(self) -> str:
        return f"{self.month:02d}-{self.day:02d}"


def zone_named(name: str) -> ZoneInfo:
    """A zone of the time zone database.

    Raises
    ------
    UnknownZone : there is none of that name.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as fault:
        raise UnknownZone(f"the time zone database knows no zone {name!r}") from fault


@dataclass(frozen=True)
class LocalCalendar:
    """The periods of one plant.

    Parameters
    ----------
    zone : of the plant.
    pattern_on : the shift pattern in force on a local day; it rules the shifts that begin on that day.
    year_start_on : the beginning of the audit year as it was set on a local day.
    """

    zone: ZoneInfo
    pattern_on: Callable[[date], ShiftPattern]
    year_start_on: Callable[[date], AuditYearStart]

    def instant(self, day: date, at: time = time()) -> datetime:
        """A time on the plant's clock, in UTC.

        A time that the clock shows twice is taken as the first one; one that it leaves out becomes the moment at
        which it is put forward, so that no shift begins before the one it follows.
        """
        naive = datetime.combine(day, at)
        found = naive.replace(tzinfo=self.zone).astimezone(UTC)
        if found.astimezone(self.zone).replace(tzinfo=None) == naive:
            return found
        # The offsets on both sides of the gap: the gap begins where the clock would read `naive` on neither.
        before = naive.replace(tzinfo=self.zone, fold=0).utcoffset()
        after = naive.replace(tzinfo=self.zone, fold=1).utcoffset()
        assert before is not None, "zones of the database have offsets"
        assert after is not None, "zones of the database have offsets"
        late, early = naive - before, naive - after
        low, high = sorted((late.replace(tzinfo=UTC), early.replace(tzinfo=UTC)))
        while high - low > timedelta(seconds=1):
            middle = low + (high - low) / 2
            if middle.astimezone(self.zone).utcoffset() == before:
                low = middle
            else:
                high = middle
        return high.replace(microsecond=0)

    def day_of(self, moment: datetime) -> date:
        """The local day a moment lies in."""
        return moment.astimezone(self.zone).date()

    def at(self, kind: PeriodKind, moment: datetime) -> Period:
        """The period of a kind that holds a moment.

        Raises
        ------
        ValueError : a span is given by its two ends, not by a moment.
        """
        if kind is PeriodKind.SHIFT:
            day = self.day_of(moment)
            for earlier in (0, 1, 2):
                for period in reversed(self._shifts_of(day - timedelta(days=earlier))):
                    if period.start_at <= moment < period.end_at:
                        return period
            raise AssertionError("shifts follow one another without a gap")
        day = self._first_day(kind, self.day_of(moment))
        return self._of_days(kind, day)

    def span(self, start_at: datetime, end_at: datetime) -> Period:
        """Any other interval."""
        first, last = start_at.astimezone(self.zone), end_at.astimezone(self.zone)
        label = f"{first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}"
        return Period(PeriodKind.SPAN, start_at.astimezone(UTC), end_at.astimezone(UTC), label)

    def parts(self, whole: Period, kind: PeriodKind) -> list[Period]:
        """The periods of a kind that a longer one is made of; what sticks out at either end is cut off."""
        found = []
        moment = whole.start_at
        while moment < whole.end_at:
            period = self.at(kind, moment)
            start_at, end_at = max(period.start_at, whole.start_at), min(period.end_at, whole.end_at)
            found.append(Period(kind, start_at, end_at, period.label))
            moment = end_at
        return found

    def _shifts_of(self, day: date) -> Sequence[Period]:
        """The shifts that begin on a local day; where the clock leaves one out whole, it is none."""
        starts = list(self._starts_from(day))
        return [
            Period(PeriodKind.SHIFT, start_at, end_at, f"{day.isoformat()} {start:%H:%M}")
            for (start_at, start), (end_at, _) in pairwise(starts)
            if start is not None and start_at < end_at
        ]

    def _starts_from(self, day: date) -> Iterator[tuple[datetime, time | None]]:
        for start in self.pattern_on(day).starts:
            yield self.instant(day, start), start
        following = day + timedelta(days=1)
        yield self.instant(following, self.pattern_on(following).starts[0]), None

    def _first_day(self, kind: PeriodKind, day: date) -> date:
        match kind:
            case PeriodKind.DAY:
                return day
            case PeriodKind.WEEK:
                return day - timedelta(days=day.weekday())
            case PeriodKind.MONTH:
                return day.replace(day=1)
            case PeriodKind.AUDIT_YEAR:
                start = self.year_start_on(day)
                begins = date(day.year, start.month, start.day)
                return begins if begins <= day else date(day.year - 1, start.month, start.day)
        raise ValueError(f"{kind} has no days of its own: give its two ends")

    def _of_days(self, kind: PeriodKind, first: date) -> Period:
        match kind:
            case PeriodKind.WEEK:
                last, label = first + timedelta(days=7), f"{first:%G-W%V}"
            case PeriodKind.MONTH:
                last, label = (first + timedelta(days=31)).replace(day=1), f"{first:%Y-%m}"
            case PeriodKind.AUDIT_YEAR:
                last = first.replace(year=first.year + 1)
                label = f"{first:%Y}" if (first.month, first.day) == (1, 1) else f"{first:%Y-%m-%d} to {last:%Y-%m-%d}"
            case _:
                last, label = first + timedelta(days=1), first.isoformat()
        return Period(kind, self.instant(first), self.instant(last), label)
