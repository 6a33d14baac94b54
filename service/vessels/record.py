"""Verbs of a vessel: register it, charge it, draw from it, record that it was proven empty.

A vessel accepts what is booked, even a draw beyond its book content: what was really there is not known
better by refusing. The missing mass then shows as unattributed in every lot drawn, and blocks food use.
"""

from datetime import datetime

from service.errors import Conflict, Findings, NotFound
from service.journal.entry import Entry
from service.journal.tables import site_of
from service.lineage.gates import check_gate
from service.lots.lines import (
    Discharge,
    Feed,
    Moisture,
    Span,
    book_discharges,
    book_feeds,
    check_feeds,
    check_span,
)
from service.lots.queries import lines_of_process
from service.lots.record import NewLot
from service.lots.statuses import LotOrigin, Step
from service.lots.tables import Process
from service.plant.queries import find_by_code, get_by_code
from service.plant.record import refuse_taken_code
from service.plant.schemas import VesselIn
from service.plant.statuses import VesselEventKind, VesselKind
from service.plant.tables import Equipment, EquipmentEvent, Material, Site
from service.runs.record import lot_in_request, refuse
from service.vessels.queries import get_vessel, periods_of, vessel_out
from service.vessels.schemas import ChargeIn, DrawIn, ProvenEmptyIn, VesselOut


def record_vessel(entry: Entry, vessel: VesselIn) -> VesselOut:
    """Register a vessel; its first period begins with it."""
    site = get_by_code(entry.session, Site, vessel.site)
    entry.open(site.site_no, "vessel_registered", vessel.in_use_from)
    refuse_taken_code(entry.session, Equipment, vessel.code, site.site_no)
    row = entry.add(
        Equipment(
            id=entry.new_id("equipment"),
            code=vessel.code,
            name=vessel.name,
            kind=vessel.kind,
            capacity_g=vessel.capacity_kg,
            mixing=vessel.mixing,
            proof_sha256=vessel.proof_sha256,
            proof_from=vessel.proof_from,
            proof_to=vessel.proof_to,
        )
    )
    _begin_period(entry, row, vessel.in_use_from)
    return vessel_out(entry.session, row)


def charge_vessel(entry: Entry, vessel_id: int, charge: ChargeIn) -> VesselOut:
    """Put a lot into the vessel, on top of what stands there."""
    vessel, period = _open_period(entry, vessel_id, "vessel_charged", charge.start_at)
    findings = Findings()
    lot = lot_in_request(findings, entry, charge.lot, "/lot")
    span = Span(charge.start_at, charge.end_at)
    check_span(findings, entry, period, span, "")
    feeds = []
    if lot is not None:
        moisture = None if charge.moisture_fraction is None else Moisture(charge.moisture_fraction)
        feeds = [Feed(lot, charge.amount, span, "", charge.mass_kg, moisture, stream="charge")]
    check_feeds(findings, entry, feeds)
    refuse(findings, "charge-refused", "The charge cannot be as given; nothing was recorded.")
    check_gate(entry.session, period, feeds)
    [line] = book_feeds(entry, period, feeds)
    return vessel_out(entry.session, vessel, since_charge=line.id, booked_at=charge.start_at)


def draw_from_vessel(entry: Entry, vessel_id: int, draw: DrawIn) -> VesselOut:
    """Draw a new lot from the vessel; what it is made of follows from the vessel's regime."""
    vessel, period = _open_period(entry, vessel_id, "vessel_drawn", draw.start_at)
    findings = Findings()
    span = Span(draw.start_at, draw.end_at)
    check_span(findings, entry, period, span, "")
    material = find_by_code(entry.session, Material, draw.material)
    if material is None:
        findings.add("/material", f"there is no material {draw.material!r}", "Register it first.")
    refuse(findings, "draw-refused", "The draw cannot be as given; nothing was recorded.")
    assert material is not None
    [lot] = book_discharges(
        entry,
        period,
        [
            Discharge(
                new=NewLot(draw.kind, LotOrigin.PROCESS, material.id, draw.start_at),
                into=None,
                mass_g=draw.mass_kg,
                span=span,
                category=draw.category,
                stream="draw",
                pointer="",
                moisture=None if draw.moisture_fraction is None else Moisture(draw.moisture_fraction),
            )
        ],
    )
    return vessel_out(entry.session, vessel, drawn_lot=lot.code, booked_at=draw.start_at)


def record_proven_empty(entry: Entry, vessel_id: int, proof: ProvenEmptyIn) -> VesselOut:
    """End the vessel's period and begin the next: lineage does not reach back across it.

    Raises
    ------
    Conflict : something is booked in or out at or after that moment, so it was not empty then.
    """
    vessel, period = _open_period(entry, vessel_id, "vessel_proven_empty", proof.at)
    findings = Findings()
    check_span(findings, entry, period, Span(proof.at), "")
    refuse(findings, "moment-refused", "The moment cannot be as given; nothing was recorded.")
    later = [line for line in lines_of_process(entry.session, period.id) if (line.end_at or line.start_at) >= proof.at]
    if later or proof.at <= period.started_at:
        raise Conflict(
            "vessel-not-empty-then",
            f"{len(later)} lines lie at or after {proof.at.isoformat()}; the period began {period.started_at}.",
            "Give the moment at which it really was empty, or correct those lines.",
        )
    entry.add(
        EquipmentEvent(
            id=entry.new_id("equipment_event"),
            equipment_id=vessel.id,
            kind=VesselEventKind.PROVEN_EMPTY,
            at=proof.at,
            note=proof.note,
        )
    )
    entry.revise(period, f"proven empty: {proof.note}", ended_at=proof.at)
    _begin_period(entry, vessel, proof.at)
    return vessel_out(entry.session, vessel)


def _begin_period(entry: Entry, vessel: Equipment, at: datetime) -> Process:
    return entry.add(
        Process(
            id=entry.new_id("process"),
            step=Step.VESSEL_PERIOD,
            equipment_id=vessel.id,
            started_at=at,
            mixing=vessel.mixing,
            effective_at=at,
        )
    )


def _open_period(entry: Entry, vessel_id: int, event: str, at: datetime) -> tuple[Equipment, Process]:
    """Take the log's lock, the vessel, and its period at that moment (a late entry may belong to an earlier)."""
    vessel = get_vessel(entry.session, vessel_id)
    entry.open(site_of(vessel_id), event, at)
    if vessel.kind is VesselKind.WASH_LINE:
        raise Conflict(
            "line-has-runs",
            f"{vessel.code} is a line as a whole: its runs feed and discharge it.",
            "Start a run that names it as its equipment, and feed or discharge that.",
        )
    for period in periods_of(entry.session, vessel_id):
        if period.started_at <= at and (period.ended_at is None or at < period.ended_at):
            return vessel, period
    raise NotFound(
        "vessel-not-in-use",
        f"Vessel {vessel.code} was not in use at {at.isoformat()}.",
        "Check the time; a vessel is in use from in_use_from on.",
    )
