"""Levels of vessels: recorded as read, shown as mass with its doubt beside the book.

A level corrects nothing: it is worth less than the lines are. A vessel whose book and level part by more than the
doubt of the level has a line that is missing or booked to another vessel.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from sqlmodel import Session, col

from service.core.level import (
    DensityRange,
    content_by_level,
    content_by_load_cells,
    content_by_volume,
)
from service.core.measured import Cause, CauseKind, Contribution, Measured
from service.core.quantities import dry_kg_text, parse_kg
from service.core.vessel_book import Charge, Draw, book_of
from service.counts.schemas import LevelCorrectionIn, LevelIn, LevelOut
from service.counts.statuses import LevelHow
from service.counts.tables import LevelReading
from service.errors import Findings, NotFound
from service.journal.entry import Entry
from service.journal.read import Knowledge, current, current_by_id, find_current
from service.journal.tables import site_of
from service.lineage.flows import microseconds
from service.lineage.graph import LotGraph
from service.lots.lines import CLOCK_SKEW
from service.lots.tables import Process
from service.plant.in_force import SettingsInForce
from service.plant.period_settings import PeriodSettings
from service.plant.queries import find_by_code
from service.plant.statuses import SettingKey, VesselKind
from service.plant.tables import Material
from service.runs.record import refuse
from service.vessels.queries import get_vessel, periods_of

SHOWN = 3  # causes of doubt that a reader is told
LEVELS_MAX = 500  # of the latest readings
KEYS = (SettingKey.MOISTURE_U, SettingKey.GUESSED_MOISTURE_U, SettingKey.LEVEL_HALF_WIDTH)
WORDS = {
    CauseKind.LEVEL: "the level reading itself",
    CauseKind.DENSITY: "how densely the material lies",
    CauseKind.MOISTURE: "moisture",
}


def record_level(entry: Entry, vessel_id: int, level: LevelIn) -> LevelOut:
    """Record how full a vessel was.

    Raises
    ------
    Unacceptable : it was not in use then, it is a line, or no density is stated for the material.
    """
    vessel = get_vessel(entry.session, vessel_id)
    entry.open(site_of(vessel_id), "level_read", level.read_at)
    findings = Findings()
    material = find_by_code(entry.session, Material, level.material)
    if material is None:
        findings.add("/material", f"there is no material {level.material!r}", "Register it first.")
    if level.read_at > entry.now + CLOCK_SKEW:
        findings.add("/read_at", f"{level.read_at.isoformat()} lies in the future", "Give when it was read.")
    if vessel.kind is VesselKind.WASH_LINE:
        findings.add("", f"{vessel.code} is a line as a whole, and has no level", "Read the level of a vessel.")
    elif _period_at(periods_of(entry.session, vessel_id), level.read_at) is None:
        findings.add("/read_at", f"{vessel.code} was not in use then", "Check the time.")
    how = _how(level)
    if material is not None and how is not LevelHow.LOAD_CELLS:
        _density(PeriodSettings(entry.session), findings, material, level.read_at)
    refuse(findings, "level-refused", "The level cannot be as given; nothing was recorded.")
    assert material is not None
    row = LevelReading(
        id=entry.new_id("level_reading"),
        equipment_id=vessel_id,
        how=how,
        level_ppm=level.level_fraction,
        volume_l=None if level.volume_m3 is None else parse_kg(level.volume_m3),
        mass_g=level.mass_kg,
        material_id=material.id,
        moisture_ppm=level.moisture_fraction,
    )
    return level_out(entry.session, entry.add(row))


def withdraw_level(entry: Entry, vessel_id: int, level_id: int, body: LevelCorrectionIn) -> LevelOut:
    """Withdraw a reading; what was read instead is recorded anew."""
    entry.open(site_of(vessel_id), "level_withdrawn")
    row = find_current(entry.session, LevelReading, level_id)
    if row is None or row.equipment_id != vessel_id:
        raise NotFound("level-not-found", f"Vessel {vessel_id} has no level {level_id}.", "List its levels first.")
    return level_out(entry.session, entry.void(row, body.reason))


def levels_of(
    session: Session, vessel_id: int, known: Knowledge | None = None, limit: int = LEVELS_MAX
) -> list[LevelOut]:
    """The latest levels of a vessel that stand, oldest first; at most `limit` of them."""
    get_vessel(session, vessel_id, known)
    query = current(LevelReading, known).where(col(LevelReading.equipment_id) == vessel_id)
    latest = query.order_by(col(LevelReading.effective_at).desc(), col(LevelReading.id).desc()).limit(limit)
    rows = list(session.execute(latest).scalars())
    beside = Beside(session, vessel_id, rows, known)
    return [beside.out(row) for row in reversed(rows)]


def level_out(session: Session, row: LevelReading, known: Knowledge | None = None) -> LevelOut:
    """A level as mass beside the book of its moment."""
    return Beside(session, row.equipment_id, [row], known).out(row)


class Beside:
    """What levels of a vessel are shown beside: settings, materials and books, read once however many levels they are.

    Parameters
    ----------
    rows : the levels that will be asked for.
    """

    def __init__(
        self, session: Session, vessel_id: int, rows: Sequence[LevelReading], known: Knowledge | None = None
    ) -> None:
        self._vessel = get_vessel(session, vessel_id, known)
        self._materials = current_by_id(session, Material, [row.material_id for row in rows], known)
        self._periods = periods_of(session, vessel_id, known)
        self._dated = PeriodSettings(session, known)
        self._stated = SettingsInForce(session, KEYS, known)
        self._graph = LotGraph(session, known)
        self._ledgers: dict[int, tuple[Sequence[Charge], Sequence[Draw]]] = {}

    def out(self, row: LevelReading) -> LevelOut:
        """A level as mass beside the book of its moment."""
        measured = self.measured(row)
        book_ug = self.book_at(row.effective_at)
        is_given = row.moisture_ppm is not None
        return LevelOut(
            id=row.id,
            version=row.version,
            vessel=self._vessel.code,
            read_at=row.effective_at,
            how=row.how,
            material=self._materials[row.material_id].code,
            content_dry_kg=dry_kg_text(measured.value_ug),
            u95_kg=dry_kg_text(round(measured.expanded_ug)),
            doubt=[
                _doubt_words(one, is_given=is_given)
                for one in measured.contributions()[:SHOWN]
                if round(one.share * 100)
            ],
            book_dry_kg=dry_kg_text(book_ug),
            difference_kg=dry_kg_text(book_ug - measured.value_ug),
            is_beyond_doubt=abs(book_ug - measured.value_ug) > measured.expanded_ug,
            is_withdrawn=row.void,
        )

    def measured(self, row: LevelReading) -> Measured:
        """The dry mass a reading stands for, with its doubt by cause."""
        at, material = row.effective_at, self._materials[row.material_id]
        moisture_ppm, cause = row.moisture_ppm, Cause(CauseKind.MOISTURE, f"reading {row.id}")
        key = SettingKey.MOISTURE_U
        if moisture_ppm is None:
            moisture_ppm = self._dated.default_moisture_ppm(material, at)
            key, cause = SettingKey.GUESSED_MOISTURE_U, Cause(CauseKind.MOISTURE, f"default of {material.code}")
        doubt = {cause: self._fraction(key, (material.code, material.form.value, ""), at)}
        half_width = self._fraction(SettingKey.LEVEL_HALF_WIDTH, (self._vessel.code, row.how.value, ""), at)
        name, capacity_g = f"reading {row.id}", self._vessel.capacity_g
        if row.how is LevelHow.LOAD_CELLS:
            return content_by_load_cells(name, row.mass_g or 0, capacity_g, half_width, moisture_ppm, doubt)
        density = _density(self._dated, Findings(), material, at) or DensityRange(1, 99_999)
        more: tuple[int, Mapping[Cause, float]] = (moisture_ppm, doubt)
        if row.how is LevelHow.VOLUME:
            return content_by_volume(name, row.volume_l or 0, capacity_g, half_width, density, *more)
        return content_by_level(name, capacity_g, row.level_ppm or 0, half_width, density, *more)

    def _fraction(self, key: SettingKey, scopes: Sequence[str], at: datetime) -> float:
        """What is stated; where nothing is, anything may be true."""
        stated = self._stated.find(key, scopes, at)
        return 1.0 if stated is None else stated.fraction

    def book_at(self, at: datetime) -> int:
        """Charged less drawn since the vessel was last proven empty, micrograms dry; below zero if more was drawn."""
        period_id = _period_at(self._periods, at)
        if period_id is None:
            return 0
        if period_id not in self._ledgers:
            self._ledgers[period_id] = self._graph.ledger_of(self._graph.flow_of(period_id))
        charges, draws = self._ledgers[period_id]
        book = book_of(charges, draws, until=microseconds(at))
        return book[-1].content_ug - sum(entry.missing_ug for entry in book)


def _doubt_words(one: Contribution, *, is_given: bool) -> str:
    words = WORDS[one.kind]
    if one.kind is CauseKind.MOISTURE:
        words += " as it was given" if is_given else ", which was not measured"
    return f"{words}: {round(one.share * 100)} % of it"


def _how(level: LevelIn) -> LevelHow:
    if level.level_fraction is not None:
        return LevelHow.LEVEL
    return LevelHow.VOLUME if level.volume_m3 is not None else LevelHow.LOAD_CELLS


def _period_at(periods: Iterable[Process], at: datetime) -> int | None:
    for period in periods:
        if period.started_at <= at and (period.ended_at is None or at < period.ended_at):
            return period.id
    return None


def _density(settings: PeriodSettings, findings: Findings, material: Material, at: datetime) -> DensityRange | None:
    stated = settings.text(SettingKey.BULK_DENSITY, (material.code, material.form.value), at)
    if stated is None:
        remedy = f"Set bulk_density_kg_m3 for {material.code}, or read load cells. The book stands meanwhile."
        findings.add("/material", f"no bulk density of {material.code} was in force then", remedy)
        return None
    return DensityRange.parse(stated[0])
