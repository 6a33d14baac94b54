"""Verbs about stops: a vessel or a line stood still with material inside."""

from datetime import datetime

from sqlmodel import Session

from service.errors import Conflict, Finding, Findings, NotFound
from service.journal.entry import Entry
from service.journal.read import Knowledge, find_current, kind_of
from service.journal.tables import site_of
from service.lineage.gates import guard_lineage
from service.lots.lines import CLOCK_SKEW
from service.plant.residence import stops_of
from service.plant.statuses import VesselEventKind
from service.plant.tables import Equipment, EquipmentEvent
from service.runs.record import refuse
from service.vessels.queries import get_vessel, lots_made_in, moved_within, periods_of
from service.vessels.schemas_residence import StopCorrectionIn, StopIn, StopOut


def record_stop(entry: Entry, vessel_id: int, stop: StopIn) -> StopOut:
    """Record that it stood still with material inside.

    Raises
    ------
    Conflict : another stop is recorded for part of that time.
    OnHold : a hold would no longer reach something that was drawn or discharged.
    """
    vessel = get_vessel(entry.session, vessel_id)
    entry.open(site_of(vessel_id), "stop_recorded", stop.start_at)
    _check_times(entry, vessel, stop.start_at, stop.end_at)
    with guard_lineage(entry.session, lots_made_in(entry.session, vessel_id, stop.start_at)):
        row = entry.add(
            EquipmentEvent(
                id=entry.new_id("equipment_event"),
                equipment_id=vessel_id,
                kind=VesselEventKind.STOP,
                at=stop.start_at,
                end_at=stop.end_at,
                note=stop.note,
            )
        )
    return stop_out(entry.session, row)


def correct_stop(entry: Entry, vessel_id: int, stop_id: int, correction: StopCorrectionIn) -> StopOut:
    """Correct the times of a stop as a new version of it, or withdraw it.

    Raises
    ------
    Conflict : it was withdrawn before, or another stop is recorded for part of that time.
    OnHold : a hold would no longer reach something that was drawn or discharged.
    """
    vessel = get_vessel(entry.session, vessel_id)
    entry.open(site_of(vessel_id), "stop_withdrawn" if correction.withdraw else "stop_corrected", correction.start_at)
    row = find_current(entry.session, EquipmentEvent, stop_id)
    if row is None and kind_of(entry.session, stop_id) == "equipment_event":
        raise Conflict("stop-withdrawn", f"Stop {stop_id} was withdrawn before.", "Record the stop anew.")
    if row is None or row.equipment_id != vessel_id or row.kind is not VesselEventKind.STOP:
        raise NotFound("stop-not-found", f"{vessel.code} has no stop {stop_id}.", "List its stops first.")
    assert row.end_at is not None, "a stop has an end, the table says"
    start_at, end_at = correction.start_at or row.at, correction.end_at or row.end_at
    with guard_lineage(entry.session, lots_made_in(entry.session, vessel_id, min(start_at, row.at))):
        if correction.withdraw:
            return stop_out(entry.session, entry.void(row, correction.reason))
        _check_times(entry, vessel, start_at, end_at, but=row.id)
        changes = {"at": start_at, "end_at": end_at, "effective_at": start_at}
        return stop_out(entry.session, entry.revise(row, correction.reason, **changes))


def _check_times(entry: Entry, vessel: Equipment, start_at: datetime, end_at: datetime, but: int = 0) -> None:
    """A stop lies in the past, after the vessel came into use, and beside every other stop."""
    findings = Findings()
    in_use_from = min(period.started_at for period in periods_of(entry.session, vessel.id))
    if end_at <= start_at:
        findings.add("/end_at", "a stop ends after it began", "Give the time at which it went on.")
    if start_at < in_use_from:
        detail = f"{vessel.code} was not in use before {in_use_from.isoformat()}"
        findings.add("/start_at", detail, "Check the time.")
    if end_at > entry.now + CLOCK_SKEW:
        detail = f"{end_at.isoformat()} lies in the future"
        findings.add("/end_at", detail, "Record a stop when it is over; give the time with its offset.")
    refuse(findings, "stop-refused", "The stop cannot be as given; nothing was recorded.")
    for other in stops_of(entry.session, vessel.id):
        assert other.end_at is not None, "a stop has an end, the table says"
        if other.id != but and other.at < end_at and start_at < other.end_at:
            raise Conflict(
                "stop-overlaps",
                f"Stop {other.id} lasts from {other.at.isoformat()} to {other.end_at.isoformat()}.",
                "Give the times beside it, or correct that stop.",
                (Finding("/start_at", f"overlaps stop {other.id}", "Choose other times."),),
            )


def list_stops(session: Session, vessel_id: int, known: Knowledge | None = None) -> list[StopOut]:
    get_vessel(session, vessel_id, known)
    return [stop_out(session, row, known) for row in stops_of(session, vessel_id, known)]


def stop_out(session: Session, row: EquipmentEvent, known: Knowledge | None = None) -> StopOut:
    """A stop as it leaves, with what speaks against it: a stop moves no mass, yet some is booked."""
    assert row.end_at is not None, "a stop has an end, the table says"
    moved = moved_within(session, row.equipment_id, row.at, row.end_at, known)
    warnings = []
    if moved and not row.void:
        warnings = [f"Mass is booked within the stop (lines: {moved}): check their times, or the stop's."]
    return StopOut(id=row.id, version=row.version, start_at=row.at, end_at=row.end_at, note=row.note, warnings=warnings)
