"""Verbs about how long material stays: state residence data, correct or withdraw them.

They decide what a discharge may contain, so nothing stated here may take a lot out of the reach of a hold.
"""

from typing import Any

from service.errors import Conflict, Finding, Findings, NotFound
from service.journal.entry import Entry
from service.journal.read import find_current, kind_of
from service.journal.tables import site_of
from service.lineage.gates import guard_lineage
from service.plant.residence import residences_of
from service.plant.statuses import Mixing, VesselKind
from service.plant.tables import Equipment, Residence
from service.runs.record import refuse
from service.vessels.queries import get_vessel, lots_made_in, periods_of, residence_out
from service.vessels.schemas_residence import ResidenceCorrectionIn, ResidenceIn, ResidenceOut


def record_residence(entry: Entry, vessel_id: int, stated: ResidenceIn) -> ResidenceOut:
    """State residence data from a date on; open-ended data they follow end there, as a new version of them.

    Raises
    ------
    Conflict : other data hold at the same time.
    OnHold : a hold would no longer reach something that was drawn or discharged.
    """
    vessel = get_vessel(entry.session, vessel_id)
    entry.open(site_of(vessel_id), "residence_stated", stated.valid_from)
    check_statement(entry, vessel, stated)
    with guard_lineage(entry.session, lots_made_in(entry.session, vessel_id, stated.valid_from)):
        for earlier in residences_of(entry.session, vessel_id):
            follows = earlier.valid_to is None and earlier.valid_from < stated.valid_from and stated.valid_to is None
            if follows:
                entry.revise(earlier, f"followed by new data: {stated.source}", valid_to=stated.valid_from)
            else:
                _refuse_overlap(earlier, stated)
        row = Residence(id=entry.new_id("residence"), equipment_id=vessel_id, **_columns(stated))
        return residence_out(entry.add(row))


def correct_residence(
    entry: Entry, vessel_id: int, residence_id: int, correction: ResidenceCorrectionIn
) -> ResidenceOut:
    """State residence data anew as a new version of them, or withdraw them.

    Raises
    ------
    Conflict : they were withdrawn before, or other data hold at the same time.
    OnHold : a hold would no longer reach something that was drawn or discharged.
    """
    vessel = get_vessel(entry.session, vessel_id)
    event = "residence_withdrawn" if correction.withdraw else "residence_corrected"
    entry.open(site_of(vessel_id), event, correction.stated.valid_from if correction.stated else None)
    row = find_current(entry.session, Residence, residence_id)
    if row is None and kind_of(entry.session, residence_id) == "residence":
        raise Conflict("residence-withdrawn", f"Data {residence_id} were withdrawn before.", "State new data.")
    if row is None or row.equipment_id != vessel_id:
        detail = f"{vessel.code} has no residence data {residence_id}."
        raise NotFound("residence-not-found", detail, "List its residence data first.")
    stated = correction.stated
    begin = min(row.valid_from, stated.valid_from) if stated else row.valid_from
    with guard_lineage(entry.session, lots_made_in(entry.session, vessel_id, begin)):
        if stated is None:
            return residence_out(entry.void(row, correction.reason))
        check_statement(entry, vessel, stated)
        for other in residences_of(entry.session, vessel_id):
            if other.id != row.id:
                _refuse_overlap(other, stated)
        return residence_out(entry.revise(row, correction.reason, **_columns(stated)))


def check_statement(entry: Entry, vessel: Equipment, stated: ResidenceIn) -> None:
    """What must hold between the data and what they are stated of."""
    findings = Findings()
    is_line = vessel.kind is VesselKind.WASH_LINE
    if is_line and stated.residence_min_s is None:
        findings.add(
            "/residence_min_s",
            f"{vessel.code} is a line: what goes through it is found by its shortest and longest residence",
            "Give residence_min_s and residence_max_s.",
        )
    if not is_line and stated.regime is Mixing.PLUG_FLOW and stated.spread_fraction is None:
        findings.add(
            "/spread_fraction",
            "plug_flow without a spread would claim more than anybody knows",
            "Give how far the hold-up varies, '0.1' for 10 % to either side.",
        )
    in_use_from = min(period.started_at for period in periods_of(entry.session, vessel.id))
    if stated.valid_to is not None and stated.valid_to <= in_use_from:
        findings.add(
            "/valid_to",
            f"{vessel.code} was not in use before {in_use_from.isoformat()}",
            "Check the dates.",
        )
    refuse(findings, "residence-refused", "The data cannot be as given; nothing was recorded.")


def _refuse_overlap(other: Residence, stated: ResidenceIn) -> None:
    ends_before = other.valid_to is not None and other.valid_to <= stated.valid_from
    begins_after = stated.valid_to is not None and stated.valid_to <= other.valid_from
    if ends_before or begins_after:
        return
    until = f"until {other.valid_to.isoformat()}" if other.valid_to else "with no end"
    raise Conflict(
        "residence-overlaps",
        f"Data {other.id} hold from {other.valid_from.isoformat()} {until}.",
        "Choose a validity beside it, or correct those data.",
        (Finding("/valid_from", f"overlaps residence data {other.id}", "Choose another validity."),),
    )


def _columns(stated: ResidenceIn) -> dict[str, Any]:
    return {
        "regime": stated.regime,
        "tanks": stated.tanks,
        "spread_ppm": stated.spread_fraction,
        "hold_up_g": stated.hold_up_kg,
        "residence_min_s": stated.residence_min_s,
        "residence_mean_s": stated.residence_mean_s,
        "residence_max_s": stated.residence_max_s,
        "report_sha256": stated.report_sha256,
        "source": stated.source,
        "valid_from": stated.valid_from,
        "valid_to": stated.valid_to,
        "effective_at": stated.valid_from,
    }
