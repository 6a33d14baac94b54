"""Periods of a plant by its own clock.

Goal: a night in which the clock is changed has 7 or 9 hours, and periods follow one another without a gap.
Method: the literal nights of scenario P15 of the plan; zones of the time zone database with unusual changes (clock put
forward at midnight, half-hour changes); every kind tiled over a year.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.core.local_periods import (
    AuditYearStart,
    BadPattern,
    LocalCalendar,
    PeriodKind,
    ShiftPattern,
    UnknownZone,
    zone_named,
)

THREE = ShiftPattern.parse("06:00,14:00,22:00")


def calendar(zone: str, pattern: ShiftPattern = THREE, year: str = "01-01") -> LocalCalendar:
    return LocalCalendar(zone_named(zone), lambda _day: pattern, lambda _day: AuditYearStart.parse(year))


@pytest.mark.parametrize(
    ("evening", "hours", "kg"),
    [(date(2026, 3, 28), 7, 10_500), (date(2026, 10, 24), 9, 13_500), (date(2026, 6, 10), 8, 12_000)],
)
def test_nights_of_p15(evening: date, hours: int, kg: int) -> None:
    plant = calendar("Europe/Berlin")
    night = plant.at(PeriodKind.SHIFT, datetime.combine(evening, time(23, 30), ZoneInfo("Europe/Berlin")))
    assert (night.label, night.hours) == (f"{evening.isoformat()} 22:00", hours)
    assert night.hours * 1_500 == kg


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/Sao_Paulo", "Australia/Lord_Howe", "Asia/Beirut", "UTC"])
@pytest.mark.parametrize("kind", [kind for kind in PeriodKind if kind is not PeriodKind.SPAN])
def test_periods_follow_one_another(zone: str, kind: PeriodKind) -> None:
    plant = calendar(zone, year="07-01")
    moment = datetime(2017, 6, 30, 12, tzinfo=UTC)
    end = moment + timedelta(days=400)
    previous = plant.at(kind, moment)
    assert previous.start_at <= moment < previous.end_at
    while previous.end_at < end:
        following = plant.at(kind, previous.end_at)
        assert following.start_at == previous.end_at
        assert plant.at(kind, following.end_at - timedelta(microseconds=1)) == following
        previous = following


def test_a_day_begins_when_a_clock_put_forward_at_midnight_shows_one() -> None:
    """Sao Paulo, 15 October 2017: 00:00 became 01:00."""
    day = calendar("America/Sao_Paulo").at(PeriodKind.DAY, datetime(2017, 10, 15, 12, tzinfo=UTC))
    assert (day.start_at, day.hours) == (datetime(2017, 10, 15, 3, tzinfo=UTC), 23)


def test_a_shift_that_begins_in_the_gap_begins_with_its_end() -> None:
    plant = calendar("Europe/Berlin", ShiftPattern.parse("02:30,14:30"))
    early = plant.at(PeriodKind.SHIFT, datetime(2026, 3, 29, 6, tzinfo=UTC))
    assert early.start_at == datetime(2026, 3, 29, 1, tzinfo=UTC)
    late = plant.at(PeriodKind.SHIFT, datetime(2026, 10, 25, 6, tzinfo=UTC))
    assert late.start_at == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def test_a_new_pattern_rules_from_its_day() -> None:
    two = ShiftPattern.parse("06:00,18:00")
    zone = zone_named("Europe/Berlin")
    first_of_may = date(2026, 5, 1)
    plant = LocalCalendar(zone, lambda day: two if day >= first_of_may else THREE, lambda _day: AuditYearStart(1, 1))
    whole = plant.span(datetime(2026, 4, 29, 22, tzinfo=UTC), datetime(2026, 5, 1, 22, tzinfo=UTC))
    labels = [part.label for part in plant.parts(whole, PeriodKind.SHIFT)]
    assert labels == [
        "2026-04-29 22:00", "2026-04-30 06:00", "2026-04-30 14:00", "2026-04-30 22:00",
        "2026-05-01 06:00", "2026-05-01 18:00",
    ]  # fmt: skip
    parts = plant.parts(whole, PeriodKind.SHIFT)
    assert sum(part.hours for part in parts) == whole.hours == 48


def test_labels_of_weeks_months_and_audit_years() -> None:
    plant = calendar("Europe/Berlin", year="07-01")
    moment = datetime(2026, 1, 1, 12, tzinfo=UTC)
    labels = {kind: plant.at(kind, moment).label for kind in PeriodKind if kind is not PeriodKind.SPAN}
    assert labels[PeriodKind.WEEK] == "2026-W01"
    assert labels[PeriodKind.MONTH] == "2026-01"
    assert labels[PeriodKind.AUDIT_YEAR] == "2025-07-01 to 2026-07-01"


@pytest.mark.parametrize("text", ["", "6:00", "06:00,06:00", "14:00,06:00", "24:00", "06:00;14:00"])
def test_a_pattern_that_cannot_be_read_is_refused(text: str) -> None:
    with pytest.raises(BadPattern):
        ShiftPattern.parse(text)


@pytest.mark.parametrize("text", ["02-29", "13-01", "1-1", "2026-01-01"])
def test_a_year_beginning_that_cannot_be_read_is_refused(text: str) -> None:
    with pytest.raises(BadPattern):
        AuditYearStart.parse(text)


@pytest.mark.parametrize("name", ["Europe/Nowhere", "", "../etc", "Europe"])
def test_an_unknown_zone_is_refused(name: str) -> None:
    with pytest.raises(UnknownZone):
        zone_named(name)
