"""The verb that corrects a ticket: the next version of it, and of what depends on it."""

from typing import Any

from service.errors import Conflict, Finding, Findings, OnHold
from service.journal.entry import Entry
from service.journal.read import find_current, get_current
from service.journal.tables import site_of
from service.lots.queries import get_lot_fact
from service.lots.statuses import HoldSubject
from service.partners.lookups import look_up_material, look_up_partner
from service.partners.tables import Contract, Partner
from service.plant.tables import Material
from service.weighbridge.answer import delivery_out
from service.weighbridge.held import holds_lying_on
from service.weighbridge.moments import refuse_future
from service.weighbridge.queries import contents_of, get_live_delivery, load_of
from service.weighbridge.record_delivery import add_contract_ties, fitting_contract
from service.weighbridge.schemas import CorrectionIn
from service.weighbridge.schemas_out import DeliveryOut
from service.weighbridge.spread import spread_net
from service.weighbridge.tables import Delivery

# Fields whose column bears another name or unit, or needs a look-up, are dealt with one by one below.
AS_GIVEN = ("note_no", "note_count", "order_no", "origin_country", "nonfood_status", "arrived_at")


def correct_delivery(entry: Entry, delivery_id: int, body: CorrectionIn) -> DeliveryOut:
    """Correct what was recorded of a delivery. Contract and ties follow; the earlier version stays readable.

    A contract is looked for anew when supplier, material or arrival change. Ties that were the old
    contract's follow the new one, and pieces that were the noted count follow a corrected note.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : the delivery was reversed, or would not change.
    Unacceptable : unknown partner or material; a contract that does not fit, or masses that do not work out.
    """
    entry.open(site_of(delivery_id), "delivery_corrected")
    refuse_future(entry, ("/arrived_at", body.arrived_at))
    earlier = get_live_delivery(entry.session, delivery_id)
    changes = _changes(entry, earlier, body)
    if all(getattr(earlier, name) == value for name, value in changes.items()):
        remedy = "Nothing is left to do; check the number if you meant another ticket."
        raise Conflict(
            "nothing-to-correct",
            f"Ticket {earlier.ticket_no} says all this already.",
            remedy,
            (Finding("", "no field differs from what is recorded", remedy),),
        )
    if changes["supplier_id"] != earlier.supplier_id:
        _refuse_to_leave_a_hold(entry, earlier)
    corrected: Delivery = entry.revise(earlier, body.reason, **changes)
    _carry_to_lots(entry, earlier, corrected, body.reason)
    _carry_to_ties(entry, earlier, corrected, body.reason)
    spread_net(entry, corrected, reason=body.reason)
    return delivery_out(entry.session, corrected)


def _refuse_to_leave_a_hold(entry: Entry, delivery: Delivery) -> None:
    """A hold on a supplier reaches his deliveries: giving one to another supplier would lift it there."""
    holds = holds_lying_on(entry.session, {HoldSubject.PARTNER: [delivery.supplier_id]})
    if holds:
        remedy = "Put this delivery itself on hold and have the hold on the supplier lifted, then correct it."
        raise OnHold(
            "supplier-on-hold",
            f"The supplier of ticket {delivery.ticket_no} is on hold; nothing was changed.",
            remedy,
            tuple(Finding("/supplier", f"hold {hold.id} lies on the recorded supplier", remedy) for hold in holds),
        )


def _changes(entry: Entry, earlier: Delivery, body: CorrectionIn) -> dict[str, Any]:
    """Column values of the next version; only fields that stand in the request."""
    session, given = entry.session, body.model_fields_set
    changes: dict[str, Any] = {name: getattr(body, name) for name in AS_GIVEN if name in given}
    if "note_mass_kg" in given:
        changes["note_mass_g"] = body.note_mass_kg
    if "nonfood_status" in given:
        changes["nonfood_ppm"] = body.nonfood_fraction
    findings = Findings()
    for name, code in (("carrier", body.carrier), ("owner", body.owner)):
        if name in given:
            partner = look_up_partner(findings, session, code, f"/{name}")
            changes[f"{name}_id"] = None if partner is None else partner.id
    supplier = look_up_partner(findings, session, body.supplier, "/supplier")
    material = look_up_material(findings, session, body.material, "/material")
    findings.refuse_if_any(code="unknown-code", detail="The correction names something that is not registered.")
    supplier = supplier or get_current(session, Partner, earlier.supplier_id, "partner")
    material = material or get_current(session, Material, earlier.material_id, "material")
    for name, text in (("plate", body.plate), ("driver", body.driver)):
        if name in given:
            changes[f"{name}_id"] = None if text is None else entry.text(text)
    changes |= {"supplier_id": supplier.id, "material_id": material.id}
    if given & {"supplier", "material", "contract", "arrived_at"}:
        moved = earlier.model_copy(update={"arrived_at": body.arrived_at or earlier.arrived_at})
        contract = fitting_contract(session, body.contract, supplier, material, moved)
        changes["contract_id"] = None if contract is None else contract.id
    return changes


def _carry_to_lots(entry: Entry, earlier: Delivery, corrected: Delivery, reason: str) -> None:
    """Lots are made of what the ticket says, and belong to whom the ticket says, unless that changed meanwhile."""
    for lot in contents_of(entry.session, corrected).lots:
        fact = get_lot_fact(entry.session, lot.id)
        changes: dict[str, Any] = {}
        if fact.material_id == earlier.material_id != corrected.material_id:
            changes["material_id"] = corrected.material_id
        if fact.owner_id == earlier.owner_id != corrected.owner_id:
            changes["owner_id"] = corrected.owner_id
        if changes:
            entry.revise(fact, reason, **changes)


def _carry_to_ties(entry: Entry, earlier: Delivery, corrected: Delivery, reason: str) -> None:
    session = entry.session
    old = find_current(session, Contract, earlier.contract_id) if earlier.contract_id else None
    new = find_current(session, Contract, corrected.contract_id) if corrected.contract_id else None
    ties = load_of(session, corrected).ties()
    if ties is None:
        if old is not new or earlier.note_count != corrected.note_count:
            add_contract_ties(entry, corrected, new, corrected.counted or corrected.note_count)
        return
    per_piece_g, pieces = ties.per_piece_g, ties.pieces
    if old is not None and per_piece_g == old.tie_g:
        per_piece_g = 0 if new is None else new.tie_g
    if earlier.note_count is not None and pieces == earlier.note_count:
        pieces = corrected.note_count or 0
    if per_piece_g == 0 or pieces == 0:
        entry.void(ties, reason)
    elif (per_piece_g, pieces) != (ties.per_piece_g, ties.pieces):
        entry.revise(ties, reason, per_piece_g=per_piece_g, pieces=pieces)
