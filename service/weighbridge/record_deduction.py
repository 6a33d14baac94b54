"""Verbs on what is taken off a delivery's net, and on what decides it: the count and the moisture."""

from service.core.quantities import kg_text
from service.errors import Conflict, Finding, Unacceptable
from service.journal.entry import Entry
from service.journal.tables import site_of
from service.lots.moisture import find_moisture, record_moisture
from service.lots.statuses import MeasurementBasis
from service.weighbridge.answer import delivery_out
from service.weighbridge.answer_masses import sent_back_g
from service.weighbridge.masses import Load, payment_basis_g
from service.weighbridge.moments import refuse_future
from service.weighbridge.queries import contents_of, get_live_delivery, get_working_delivery, load_of
from service.weighbridge.schemas import CountIn, DeductionIn, DeliveryMoistureIn, ReasonIn
from service.weighbridge.schemas_out import DeliveryOut
from service.weighbridge.spread import spread_net
from service.weighbridge.statuses import Decision, DeductionKind, Purpose
from service.weighbridge.tables import Deduction, Delivery


def record_deduction(entry: Entry, delivery_id: int, body: DeductionIn) -> DeliveryOut:
    """Take ties, pallets or contaminants off the net, or state an earlier deduction anew.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : it was reversed or rejected.
    Unacceptable : nothing would be left; a replacement without a reason, or of another kind.
    """
    entry.open(site_of(delivery_id), "deduction_recorded")
    delivery = get_working_delivery(entry.session, delivery_id)
    earlier = _replaced(load_of(entry.session, delivery), body)
    if earlier is not None:
        entry.revise(earlier, _reason(body, earlier), pieces=body.pieces, per_piece_g=body.per_piece_kg)
    else:
        is_payment = body.kind is DeductionKind.CONTAMINANT
        entry.add(
            Deduction(
                id=entry.new_id("deduction"),
                delivery_id=delivery.id,
                purpose=Purpose.PAYMENT if is_payment else Purpose.PHYSICAL,
                kind=body.kind,
                pieces=body.pieces,
                per_piece_g=body.per_piece_kg,
                reason_id=None if body.reason is None else entry.text(body.reason),
            )
        )
    if body.kind is DeductionKind.CONTAMINANT and delivery.decision is Decision.ACCEPTED:
        delivery = entry.revise(delivery, "accepted with a deduction for contaminants", decision=Decision.DEDUCTED)
    return _settled(entry, delivery, body.reason or f"deduction for {body.kind}", "/per_piece_kg")


def _replaced(load: Load, body: DeductionIn) -> Deduction | None:
    if body.replaces is None:
        return load.ties() if body.kind is DeductionKind.TIE else None
    found = next((taken for taken in load.deductions if taken.id == body.replaces), None)
    if found is None or found.kind is not body.kind:
        remedy = "Use an id from the delivery's list of deductions, of the same kind."
        fault = f"{body.replaces} is no deduction for {body.kind} of ticket {load.delivery.ticket_no}"
        raise Unacceptable(
            "deduction-not-of-delivery",
            "There is nothing to replace.",
            remedy,
            (Finding("/replaces", fault, remedy),),
        )
    return found


def _reason(body: DeductionIn, earlier: Deduction) -> str:
    if body.reason is not None:
        return body.reason
    stands = f"{earlier.pieces} x {kg_text(earlier.per_piece_g)} kg for {earlier.kind} stand on the ticket"
    remedy = "Give a reason; the earlier figure stays readable."
    raise Unacceptable(
        "reason-missing",
        "Stating a deduction anew needs a reason.",
        remedy,
        (Finding("/reason", stands, remedy),),
    )


def withdraw_deduction(entry: Entry, delivery_id: int, deduction_id: int, body: ReasonIn) -> DeliveryOut:
    """Take a deduction back; it stays readable as withdrawn.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : it was reversed or rejected.
    Unacceptable : the deduction is not one of this delivery.
    """
    entry.open(site_of(delivery_id), "deduction_withdrawn")
    delivery = get_working_delivery(entry.session, delivery_id)
    load = load_of(entry.session, delivery)
    found = next((taken for taken in load.deductions if taken.id == deduction_id), None)
    if found is None:
        raise Unacceptable(
            "deduction-not-of-delivery",
            f"{deduction_id} is no current deduction of ticket {delivery.ticket_no}.",
            "Use an id from the delivery's list of deductions.",
        )
    entry.void(found, body.reason)
    others = [taken for taken in load.deductions if taken is not found and taken.purpose is Purpose.PAYMENT]
    if delivery.decision is Decision.DEDUCTED and not others:
        delivery = entry.revise(delivery, body.reason, decision=Decision.ACCEPTED)
    return _settled(entry, delivery, body.reason, "")


def record_count(entry: Entry, delivery_id: int, body: CountIn) -> DeliveryOut:
    """State what was counted. The ties deducted stay the noted ones until somebody accepts the difference.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : it was reversed or rejected.
    Unacceptable : fewer were counted than bales are registered.
    """
    entry.open(site_of(delivery_id), "bales_counted")
    delivery = get_working_delivery(entry.session, delivery_id)
    contents = contents_of(entry.session, delivery)
    registered = len(contents.lots)
    if body.counted < registered:
        remedy = "A registered bale that is not there is a correction of its own; count again."
        fault = f"{body.counted} counted, {registered} registered with a code"
        raise Unacceptable(
            "count-below-registered",
            "Fewer bales counted than registered.",
            remedy,
            (Finding("/counted", fault, remedy),),
        )
    delivery = entry.revise(delivery, body.reason, counted=body.counted)
    ties = load_of(entry.session, delivery).ties()
    pieces = body.counted - len(contents.left_on_truck)  # what left with the truck left with its wire
    if body.accept and ties is not None and ties.pieces != pieces:
        if pieces:
            entry.revise(ties, body.reason, pieces=pieces)
        else:
            entry.void(ties, body.reason)
    return _settled(entry, delivery, body.reason, "/counted")


def _settled(entry: Entry, delivery: Delivery, reason: str, pointer: str) -> DeliveryOut:
    """Re-spread the net, and refuse deductions that leave nothing to pay for."""
    spread_net(entry, delivery, reason=reason, pointer=pointer)
    back_g = sent_back_g(entry.session, contents_of(entry.session, delivery))
    basis_g = payment_basis_g(load_of(entry.session, delivery), back_g)
    if basis_g is not None and basis_g < 0:
        remedy = "Check pieces and mass per piece."
        fault = f"the deductions exceed the payment net by {kg_text(-basis_g)} kg"
        raise Unacceptable(
            "nothing-left-to-pay",
            "The deductions exceed the load.",
            remedy,
            (Finding(pointer, fault, remedy),),
        )
    return delivery_out(entry.session, delivery)


def record_delivery_moisture(entry: Entry, delivery_id: int, body: DeliveryMoistureIn) -> DeliveryOut:
    """Record the moisture of a delivery: provisional at first, measured when the laboratory reports.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : it was reversed, or a provisional value would follow a measured one.
    """
    entry.open(site_of(delivery_id), "delivery_moisture_recorded", body.taken_at)
    refuse_future(entry, ("/taken_at", body.taken_at), ("/reported_at", body.reported_at))
    delivery = get_live_delivery(entry.session, delivery_id)
    earlier = find_moisture(entry.session, delivery.id)
    if (
        earlier is not None
        and earlier.basis is MeasurementBasis.MEASURED
        and body.basis is MeasurementBasis.PROVISIONAL
    ):
        remedy = "Send the value as measured if it corrects the earlier one."
        raise Conflict(
            "moisture-measured",
            f"A measured moisture of {earlier.value} stands; a provisional one cannot follow it.",
            remedy,
            (Finding("/basis", f"{body.basis} after measured", remedy),),
        )
    record_moisture(
        entry,
        delivery.id,
        fraction_ppm=body.moisture_fraction,
        u_ppm=body.u_moisture_fraction,
        basis=body.basis,
        taken_at=body.taken_at,
        reported_at=body.reported_at,
        method=body.method,
        reason=body.reason,
    )
    return delivery_out(entry.session, delivery)
