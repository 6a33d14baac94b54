"""The verb that sends bales back, before or after they were unloaded."""

from datetime import timedelta

from service.errors import Conflict, Finding, Findings, Unacceptable
from service.journal.entry import Entry
from service.journal.tables import site_of
from service.lots.moisture import moisture_for_lots
from service.lots.queries import get_lot, get_process, lines_of_lots, origin_masses, takes
from service.lots.record import withdraw_origin_masses
from service.lots.statuses import Amount, Category, Direction, MassBasis, Step
from service.lots.stock import settle_stock
from service.lots.tables import Line, Lot, LotMass, Process
from service.plant.statuses import Mixing
from service.weighbridge.answer import delivery_out
from service.weighbridge.masses import is_open
from service.weighbridge.moments import refuse_future
from service.weighbridge.queries import Contents, contents_of, get_working_delivery, load_of
from service.weighbridge.schemas import RejectionIn
from service.weighbridge.schemas_out import DeliveryOut
from service.weighbridge.spread import spread_net
from service.weighbridge.statuses import Decision
from service.weighbridge.tables import Delivery


def reject_bales(entry: Entry, delivery_id: int, body: RejectionIn) -> DeliveryOut:
    """Send lots of a delivery back to the supplier.

    Rejected before the tare weighing, they stayed on the truck: the net never contained them, so they
    carry no mass and their ties are not deducted. Rejected later, they were part of the net: a return
    takes their whole mass out again, and it is not paid for.

    Raises
    ------
    NotFound : unknown delivery or code.
    Conflict : the delivery was reversed or rejected before; a lot was used.
    Unacceptable : a lot of another delivery, or named twice; a load on the truck that has a net.
    """
    entry.open(site_of(delivery_id), "load_rejected", body.rejected_at)
    refuse_future(entry, ("/rejected_at", body.rejected_at))
    delivery = get_working_delivery(entry.session, delivery_id)
    contents = contents_of(entry.session, delivery)
    lots = contents.staying if body.whole_load else _named(entry, delivery, contents, body)
    _refuse_used(entry, lots)
    is_all = body.whole_load or len(lots) == len(contents.staying)
    if body.on_truck_at_tare:
        _leave_on_truck(entry, delivery, lots, is_all, body)
    else:
        _send_back(entry, delivery, lots)
    decision = Decision.REJECTED if is_all else Decision.PART_REJECTED
    delivery = entry.revise(delivery, body.reason, decision=decision)
    spread_net(entry, delivery, reason=body.reason, pointer="/bales")
    return delivery_out(entry.session, delivery)


def _named(entry: Entry, delivery: Delivery, contents: Contents, body: RejectionIn) -> list[Lot]:
    findings = Findings()
    named: list[Lot] = []
    for position, code in enumerate(body.bales):
        lot = get_lot(entry.session, code)
        pointer = f"/bales/{position}"
        if lot.delivery_id != delivery.id:
            findings.add(pointer, f"{lot.code} is no lot of ticket {delivery.ticket_no}", "Check the code on the tag.")
        elif any(lot.id == other.id for other in named):
            findings.add(pointer, f"{lot.code} is named twice", "Name each bale once.")
        elif lot.id in contents.left_on_truck or lot.id in contents.sent_back:
            findings.add(pointer, f"{lot.code} was rejected before", "Leave it out.")
        named.append(lot)
    findings.refuse_if_any(code="bales-not-rejectable", detail="Some of these bales cannot be rejected.")
    return named


def _refuse_used(entry: Entry, lots: list[Lot]) -> None:
    lines = lines_of_lots(entry.session, [lot.id for lot in lots])
    findings = Findings()
    for lot in lots:
        runs = sorted({line.process_id for line in lines.get(lot.id, []) if takes(line)})
        if runs:
            numbers = ", ".join(str(run) for run in runs)
            findings.add("/bales", f"lot {lot.code} was used in run {numbers}", "Leave it out; it is in the plant.")
    findings.refuse_if_any(Conflict, code="lot-in-use", detail="What was used cannot go back.")


def _leave_on_truck(entry: Entry, delivery: Delivery, lots: list[Lot], is_all: bool, body: RejectionIn) -> None:
    load = load_of(entry.session, delivery)
    if is_all and not is_open(load):
        remedy = "Set on_truck_at_tare to false if the load was taken off, or correct the tare weighing first."
        raise Unacceptable(
            "load-has-net",
            f"Ticket {delivery.ticket_no} has a net, so the whole load cannot have stayed on the truck.",
            remedy,
            (Finding("/on_truck_at_tare", "true, but gross and tare differ", remedy),),
        )
    ids = [lot.id for lot in lots]
    with_mass = origin_masses(entry.session, ids)
    withdraw_origin_masses(entry, ids, reason=body.reason, pointer="/bales")
    # A bale that never had a mass gets a withdrawn one: this is what says that it is not to have any.
    for lot in lots:
        if lot.id not in with_mass:
            entry.add(
                LotMass(
                    id=lot.id,
                    void=True,
                    material_g=0,
                    tie_g=0,
                    basis=MassBasis.ALLOCATED,
                    reason_id=entry.text(body.reason),
                )
            )
    ties = load.ties()
    if ties is None or not lots:
        return
    if ties.pieces > len(lots):
        entry.revise(ties, body.reason, pieces=ties.pieces - len(lots))
    else:
        entry.void(ties, body.reason)


def _send_back(entry: Entry, delivery: Delivery, lots: list[Lot]) -> None:
    """Book the return: one process whose lines take the whole mass of each lot at one instant."""
    if not lots:
        remedy = "Register the load first, so that what goes back has a code; or set on_truck_at_tare."
        raise Unacceptable(
            "nothing-to-send-back",
            f"No lot of ticket {delivery.ticket_no} is there to be sent back.",
            remedy,
            (Finding("/on_truck_at_tare", "false, but nothing was taken off the truck", remedy),),
        )
    process = entry.add(
        Process(
            id=entry.new_id("process"),
            step=Step.RETURN_TO_SUPPLIER,
            started_at=entry.effective_at,
            ended_at=entry.effective_at + timedelta(microseconds=1),
            mixing=Mixing.RUN_MIXED,
            is_closed=True,
        )
    )
    moisture = moisture_for_lots(entry, lots, entry.effective_at)
    entry.add_all(
        [
            Line(
                id=identity,
                process_id=process.id,
                lot_id=lot.id,
                direction=Direction.IN,
                category=Category.FEED,
                stream="returned to supplier",
                amount=Amount.WHOLE,
                moisture_id=moisture[lot.id],
                start_at=entry.effective_at,
            )
            for identity, lot in zip(entry.new_ids("line", len(lots)), lots, strict=True)
        ]
    )
    settle_stock(entry, [lot.id for lot in lots], "/bales")


def withdraw_returns(entry: Entry, lot_ids: list[int], reason: str) -> None:
    """Withdraw the returns of lots whose delivery is being reversed: what never came was never sent back."""
    taking = [line for lines in lines_of_lots(entry.session, lot_ids).values() for line in lines if takes(line)]
    processes: dict[int, Process] = {}
    for line in taking:
        process = get_process(entry.session, line.process_id)
        if process.step is Step.RETURN_TO_SUPPLIER:
            entry.void(line, reason)
            processes[process.id] = process
    for process in processes.values():
        entry.void(process, reason)
