"""The dated settings that say how a site's periods are cut and how closely they have to close.

A shift pattern or a tolerance that holds from some day on rules the periods that begin from then on; earlier ones keep
theirs. A database that was begun before a key or one of its scopes existed has no setting of it: then the program's own
default holds, unless a setting of the same key and scope ended.
"""

from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from typing import NamedTuple

from sqlmodel import Session, col

from service.core.local_periods import AuditYearStart, LocalCalendar, PeriodKind, ShiftPattern, UnknownZone, zone_named
from service.core.quantities import parse_fraction
from service.errors import Unacceptable
from service.journal.read import Knowledge, current
from service.plant.defaults import COMMON_PRACTICE, DEFAULT_SETTINGS
from service.plant.statuses import SettingKey
from service.plant.tables import Material, Setting, Site

KEYS = (
    SettingKey.PERIOD_TOLERANCE,
    SettingKey.BALANCE_TOLERANCE,
    SettingKey.SHIFT_STARTS,
    SettingKey.AUDIT_YEAR_START,
    SettingKey.DEFAULT_MOISTURE,
    SettingKey.BULK_DENSITY,
)
SITE = "site"
_DEFAULTS = {(key, scope): value for key, scope, value in DEFAULT_SETTINGS}


class Tolerated(NamedTuple):
    """How much may be unexplained, and who says so."""

    ppm: int
    scope: str
    source: str


class PeriodSettings:
    """Settings read once for a question about periods of a site."""

    def __init__(self, session: Session, known: Knowledge | None = None) -> None:
        rows = session.execute(current(Setting, known).where(col(Setting.key).in_(KEYS))).scalars()
        self._rows: dict[tuple[SettingKey, str], list[Setting]] = {}
        for row in rows:
            self._rows.setdefault((row.key, row.scope), []).append(row)

    def text(self, key: SettingKey, scopes: Sequence[str], at: datetime) -> tuple[str, str, str] | None:
        """Value, scope and source in force for the first of `scopes` that has any; None if there is none."""
        for scope in scopes:
            rows = self._rows.get((key, scope), ())
            for row in rows:
                if row.valid_from <= at and (row.valid_to is None or at < row.valid_to):
                    return row.value, scope, row.source
            has_ended = any(row.valid_to is not None and row.valid_to <= at for row in rows)
            if (key, scope) in _DEFAULTS and not has_ended:
                return _DEFAULTS[key, scope], scope, COMMON_PRACTICE
        return None

    def calendar(self, site: Site) -> LocalCalendar:
        """The periods of a site.

        Raises
        ------
        Unacceptable : the site's zone is none of the time zone database.
        """
        try:
            zone = zone_named(site.zone)
        except UnknownZone as fault:
            raise Unacceptable(
                "zone-unknown",
                f"Periods of {site.code} cannot be cut: {fault}.",
                "State the site's IANA time zone, such as Europe/Berlin. Balances of runs stand as they are.",
            ) from fault

        def at(day: date) -> datetime:
            return datetime.combine(day, time(), zone).astimezone(UTC)

        def pattern(day: date) -> ShiftPattern:
            found = self.text(SettingKey.SHIFT_STARTS, (site.code, ""), at(day))
            return ShiftPattern.parse(found[0] if found else _DEFAULTS[SettingKey.SHIFT_STARTS, ""])

        def year_start(day: date) -> AuditYearStart:
            found = self.text(SettingKey.AUDIT_YEAR_START, (site.code, ""), at(day))
            return AuditYearStart.parse(found[0] if found else _DEFAULTS[SettingKey.AUDIT_YEAR_START, ""])

        return LocalCalendar(zone, pattern, year_start)

    def tolerance(self, step: str, kind: PeriodKind, at: datetime) -> Tolerated:
        """What may be unexplained of a step or the site: stated for the kind of period, else as for a single run."""
        found = self.text(SettingKey.PERIOD_TOLERANCE, (f"{step}/{kind.value}", step), at)
        if found is None and step != SITE:
            found = self.text(SettingKey.BALANCE_TOLERANCE, (step, ""), at)
        if found is None:
            return Tolerated(0, "", "no tolerance was in force, so nothing is tolerated")
        return Tolerated(parse_fraction(found[0]), found[1], found[2])

    def default_moisture_ppm(self, material: Material | None, at: datetime) -> int:
        """The moisture assumed of a lot of which none was measured, in ppm of the wet mass."""
        scopes = ("",) if material is None else (material.code, material.form.value, "")
        found = self.text(SettingKey.DEFAULT_MOISTURE, scopes, at)
        return parse_fraction(found[0]) if found else 0
