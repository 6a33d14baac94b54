"""Verbs on a ticket as a whole: opening it, and reversing it."""

from sqlmodel import Session

from service.errors import Conflict, Finding, Findings, Unacceptable
from service.journal.entry import Entry
from service.journal.tables import site_of
from service.lots.queries import lines_of_lots, takes
from service.lots.record import withdraw_origin_masses
from service.partners.lookups import look_up_material, look_up_partner
from service.partners.queries import find_contract, find_contract_code
from service.partners.record import unmapped_supplier
from service.partners.tables import Contract, Partner
from service.plant.queries import get_by_code
from service.plant.tables import Material, Site
from service.weighbridge.answer import delivery_out
from service.weighbridge.held import refuse_to_reverse_out_of_a_hold
from service.weighbridge.moments import refuse_future
from service.weighbridge.queries import contents_of, get_live_delivery
from service.weighbridge.record_rejection import withdraw_returns
from service.weighbridge.record_weighing import own_reading
from service.weighbridge.scale import look_up_scale, store_reading
from service.weighbridge.schemas import DeliveryIn, ReasonIn
from service.weighbridge.schemas_out import DeliveryOut
from service.weighbridge.statuses import Decision, DeductionKind, DeliveryForm, Purpose, WeighingKind
from service.weighbridge.tables import Deduction, Delivery


def record_delivery(entry: Entry, body: DeliveryIn) -> DeliveryOut:
    """Open a ticket, with the first weighing if the truck stands on the scale already.

    A supplier nobody knows is taken on in the same entry: his delivery is accepted, and blocked for
    payment and food use until he is mapped.

    Raises
    ------
    NotFound : unknown site.
    Unacceptable : unknown partner, material or scale, all named at once; a contract that does not fit; a
        reading beyond the scale's range.
    Conflict : the weighing's ticket number was used before.
    """
    site = get_by_code(entry.session, Site, body.site)
    entry.open(site.site_no, "delivery_opened", body.arrived_at)
    refuse_future(
        entry,
        ("/arrived_at", body.arrived_at),
        ("/gross/weighed_at", None if body.gross is None else body.gross.weighed_at),
    )
    findings = Findings()
    material = look_up_material(findings, entry.session, body.material, "/material")
    known_supplier = look_up_partner(findings, entry.session, body.supplier, "/supplier")
    carrier = look_up_partner(findings, entry.session, body.carrier, "/carrier")
    owner = look_up_partner(findings, entry.session, body.owner, "/owner")
    if body.gross is not None:
        look_up_scale(findings, entry, body.gross.instrument, "/gross/instrument")
    findings.refuse_if_any(code="unknown-code", detail="The ticket names something that is not registered.")
    assert material is not None
    supplier = known_supplier or unmapped_supplier(entry, body.supplier_name or "")
    contract = fitting_contract(entry.session, body.contract, supplier, material, body)
    delivery = entry.add(
        Delivery(
            id=entry.new_id("delivery"),
            ticket_no=f"T{entry.next_number('ticket'):06d}",
            supplier_id=supplier.id,
            carrier_id=None if carrier is None else carrier.id,
            owner_id=None if owner is None else owner.id,
            material_id=material.id,
            contract_id=None if contract is None else contract.id,
            form=body.form,
            arrived_at=body.arrived_at,
            plate_id=None if body.plate is None else entry.text(body.plate),
            driver_id=None if body.driver is None else entry.text(body.driver),
            note_no=body.note_no,
            note_mass_g=body.note_mass_kg,
            note_count=body.note_count,
            order_no=body.order_no,
            origin_country=body.origin_country,
            nonfood_status=body.nonfood_status,
            nonfood_ppm=body.nonfood_fraction,
            decision=Decision.ACCEPTED,
        )
    )
    add_contract_ties(entry, delivery, contract, body.note_count)
    if body.gross is not None:
        store_reading(entry, own_reading(WeighingKind.GROSS, body.gross), delivery_id=delivery.id, pointer="/gross")
    return delivery_out(entry.session, delivery)


def fitting_contract(
    session: Session, code: str | None, supplier: Partner, material: Material, ticket: DeliveryIn | Delivery
) -> Contract | None:
    """The contract named, or the one in force for supplier, material and day of arrival; None if there is none.

    Raises
    ------
    Unacceptable : the named one is unknown, or is another supplier's, another material's, or not in force.
    """
    arrived_at = ticket.arrived_at
    if code is None:
        return find_contract(session, supplier.id, material.id, arrived_at)
    contract = find_contract_code(session, code)
    if contract is None:
        fault = f"there is no contract {code!r}"
    elif contract.partner_id != supplier.id:
        fault = f"contract {code} is not one of {supplier.code}"
    elif contract.material_id != material.id:
        fault = f"contract {code} is not about {material.code}"
    elif arrived_at < contract.valid_from or (contract.valid_to is not None and arrived_at >= contract.valid_to):
        fault = f"contract {code} is not in force on the day of arrival"
    else:
        return contract
    remedy = "Leave contract out to have it found by supplier, material and day, or name a fitting one."
    raise Unacceptable(
        "contract-does-not-fit",
        f"{fault[0].upper()}{fault[1:]}.",
        remedy,
        (Finding("/contract", fault, remedy),),
    )


def add_contract_ties(entry: Entry, delivery: Delivery, contract: Contract | None, pieces: int | None) -> None:
    """Deduct the contract's mass per tie for each bale noted; without a count or a term there is nothing to deduct."""
    if delivery.form is not DeliveryForm.BALES or contract is None or contract.tie_g == 0 or not pieces:
        return
    entry.add(
        Deduction(
            id=entry.new_id("deduction"),
            delivery_id=delivery.id,
            purpose=Purpose.PHYSICAL,
            kind=DeductionKind.TIE,
            pieces=pieces,
            per_piece_g=contract.tie_g,
        )
    )


def reverse_delivery(entry: Entry, delivery_id: int, body: ReasonIn) -> DeliveryOut:
    """Take a ticket back: a void version of it, and its lots lose their mass. Everything stays readable.

    Bales that were sent back count as never having come; their return is withdrawn with the ticket.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : it was reversed before, or some of it was used; each used lot is listed with its runs.
    OnHold : a hold lies on it, its supplier or one of its lots.
    """
    entry.open(site_of(delivery_id), "delivery_reversed")
    delivery = get_live_delivery(entry.session, delivery_id)
    lots = contents_of(entry.session, delivery).lots
    lot_ids = [lot.id for lot in lots]
    refuse_to_reverse_out_of_a_hold(entry.session, delivery, lot_ids)
    withdraw_returns(entry, lot_ids, body.reason)
    lines = lines_of_lots(entry.session, lot_ids)
    remedy = "Correct the ticket instead, or cancel the runs that used these lots first."
    findings = []
    for lot in lots:
        runs = sorted({line.process_id for line in lines.get(lot.id, []) if takes(line)})
        if runs:
            numbers = ", ".join(str(run) for run in runs)
            findings.append(Finding("", f"lot {lot.code} was used in run {numbers}", remedy))
    if findings:
        raise Conflict(
            "delivery-in-use",
            f"{len(findings)} of {len(lots)} lots of ticket {delivery.ticket_no} were used.",
            remedy,
            tuple(findings),
        )
    withdraw_origin_masses(entry, lot_ids, reason=body.reason)
    reversed_delivery: Delivery = entry.void(delivery, body.reason)
    return delivery_out(entry.session, reversed_delivery)
