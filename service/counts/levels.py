"""Levels of vessels: recorded as read, shown as mass with its doubt beside the book.

A level corrects nothing: it is worth less than the lines are. A vessel whose book and level part by more than the
doubt of the level has a line that is missing or booked to another vessel.
"""

from collections.abc import Mapping
from datetime import datetime

from sqlmodel import Session, col

from service.core.level import (
    DensityRange,
    content_by_level,
    content_by_load_cells,
    content_by_volume,
)
from service.core.measured import Cause, CauseKind, Measured
from service.core.quantities import PPM, dry_kg_text, parse_kg
from service.core.vessel_book import book_of
from service.counts.schemas import LevelCorrectionIn, LevelIn, LevelOut
from service.counts.statuses import LevelHow
from service.counts.tables import LevelReading
from service.errors import Findings, NotFound
from service.journal.entry import Entry
from service.journal.read import Knowledge, current, find_current, get_current
from service.journal.tables import site_of
from service.lineage.flows import microseconds
from service.lineage.graph import LotGraph
from service.lots.lines import CLOCK_SKEW
from service.plant.in_force import SettingsInForce
from service.plant.period_settings import PeriodSettings
from service.plant.queries import find_by_code
from service.plant.statuses import SettingKey, VesselKind
from service.plant.tables import Equipment, Material
from service.runs.record import refuse
from service.vessels.queries import get_vessel, periods_of

SHOWN = 3  # causes of doubt that a reader is told
WORDS = {
    CauseKind.LEVEL: "the level reading itself",
    CauseKind.DENSITY: "how densely the material lies",
    CauseKind.MOISTURE: "moisture, which was not measured",
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
    elif not _period_at(entry.session, vessel_id, level.read_at):
        findings.add("/read_at", f"{vessel.code} was not in use then", "Check the time.")
    how = _how(level)
    if material is not None and how is not LevelHow.LOAD_CELLS:
        _density(entry.session, findings, material, level.read_at, None)
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


def levels_of(session: Session, vessel_id: int, known: Knowledge | None = None) -> list[LevelOut]:
    """All levels of a vessel that stand, oldest first."""
    get_vessel(session, vessel_id, known)
    query = current(LevelReading, known).where(col(LevelReading.equipment_id) == vessel_id)
    rows = session.execute(query.order_by(col(LevelReading.effective_at), col(LevelReading.id))).scalars()
    return [level_out(session, row, known) for row in rows]


def level_out(session: Session, row: LevelReading, known: Knowledge | None = None) -> LevelOut:
    """A level as mass beside the book of its moment."""
    vessel = get_vessel(session, row.equipment_id, known)
    material = get_current(session, Material, row.material_id, "material", known)
    measured = measured_level(session, row, vessel, material, known)
    book_ug = book_at(session, vessel.id, row.effective_at, known)
    return LevelOut(
        id=row.id,
        version=row.version,
        vessel=vessel.code,
        read_at=row.effective_at,
        how=row.how,
        material=material.code,
        content_dry_kg=dry_kg_text(measured.value_ug),
        u95_kg=dry_kg_text(round(measured.expanded_ug)),
        doubt=[f"{WORDS[one.kind]}: {round(one.share * 100)} % of it" for one in measured.contributions()[:SHOWN]],
        book_dry_kg=dry_kg_text(book_ug),
        difference_kg=dry_kg_text(book_ug - measured.value_ug),
        is_beyond_doubt=abs(book_ug - measured.value_ug) > measured.expanded_ug,
        is_withdrawn=row.void,
    )


def measured_level(
    session: Session, row: LevelReading, vessel: Equipment, material: Material, known: Knowledge | None = None
) -> Measured:
    """The dry mass a reading stands for, with its doubt by cause."""
    settings = PeriodSettings(session, known)
    at = row.effective_at
    moisture_ppm, doubt = row.moisture_ppm, dict[Cause, float]()
    if moisture_ppm is None:
        moisture_ppm = settings.default_moisture_ppm(material, at)
        guessed = SettingsInForce(session, [SettingKey.GUESSED_MOISTURE_U], known)
        stated = guessed.find(SettingKey.GUESSED_MOISTURE_U, (material.code, material.form.value, ""), at)
        doubt = {Cause(CauseKind.MOISTURE, f"default of {material.code}"): 1.0 if stated is None else stated.fraction}
    levels = SettingsInForce(session, [SettingKey.LEVEL_HALF_WIDTH], known)
    stated = levels.find(SettingKey.LEVEL_HALF_WIDTH, (vessel.code, row.how.value, ""), at)
    half_width = 1.0 if stated is None else stated.ppm / PPM
    name = f"reading {row.id}"
    if row.how is LevelHow.LOAD_CELLS:
        return content_by_load_cells(name, row.mass_g or 0, vessel.capacity_g, half_width, moisture_ppm, doubt)
    density = _density(session, Findings(), material, at, known) or DensityRange(1, 99_999)
    more: tuple[int, Mapping[Cause, float]] = (moisture_ppm, doubt)
    if row.how is LevelHow.VOLUME:
        return content_by_volume(name, row.volume_l or 0, vessel.capacity_g, half_width, density, *more)
    return content_by_level(name, vessel.capacity_g, row.level_ppm or 0, half_width, density, *more)


def book_at(session: Session, vessel_id: int, at: datetime, known: Knowledge | None = None) -> int:
    """Charged less drawn since the vessel was last proven empty, micrograms dry; below zero if more was drawn."""
    period_id = _period_at(session, vessel_id, at, known)
    if period_id is None:
        return 0
    graph = LotGraph(session, known)
    charges, draws = graph.ledger_of(graph.flow_of(period_id))
    book = book_of(charges, draws, until=microseconds(at))
    return book[-1].content_ug - sum(entry.missing_ug for entry in book)


def _how(level: LevelIn) -> LevelHow:
    if level.level_fraction is not None:
        return LevelHow.LEVEL
    return LevelHow.VOLUME if level.volume_m3 is not None else LevelHow.LOAD_CELLS


def _period_at(session: Session, vessel_id: int, at: datetime, known: Knowledge | None = None) -> int | None:
    for period in periods_of(session, vessel_id, known):
        if period.started_at <= at and (period.ended_at is None or at < period.ended_at):
            return period.id
    return None


def _density(
    session: Session, findings: Findings, material: Material, at: datetime, known: Knowledge | None
) -> DensityRange | None:
    scopes = (material.code, material.form.value)
    stated = PeriodSettings(session, known).text(SettingKey.BULK_DENSITY, scopes, at)
    if stated is None:
        remedy = f"Set bulk_density_kg_m3 for {material.code}, or read load cells. The book stands meanwhile."
        findings.add("/material", f"no bulk density of {material.code} was in force then", remedy)
        return None
    return DensityRange.parse(stated[0])
