"""Verbs that turn a truck into lots: its bales in one action, or one lot for a load without bales."""

from service.errors import Conflict, Finding, Findings, Unacceptable
from service.journal.entry import Entry
from service.journal.read import find_current, get_current
from service.journal.tables import site_of
from service.lots.record import NewLot, register_lots
from service.lots.statuses import LotKind, LotOrigin
from service.lots.tables import Lot
from service.partners.tables import Contract
from service.plant.statuses import MaterialForm
from service.plant.tables import Material
from service.weighbridge.answer import delivery_out
from service.weighbridge.moments import refuse_future
from service.weighbridge.queries import contents_of, get_working_delivery, load_of
from service.weighbridge.record_delivery import add_contract_ties
from service.weighbridge.scale import Reading, store_reading
from service.weighbridge.schemas import BalesIn, LoadLotIn
from service.weighbridge.schemas_out import DeliveryOut
from service.weighbridge.spread import spread_net
from service.weighbridge.statuses import DeliveryForm, WeighingKind
from service.weighbridge.tables import Delivery

KIND_OF_LOAD = {
    MaterialForm.BALES: LotKind.LOOSE,
    MaterialForm.LOOSE: LotKind.LOOSE,
    MaterialForm.FLAKE: LotKind.FLAKE,
    MaterialForm.PELLETS: LotKind.PELLETS,
    MaterialForm.BY_PRODUCT: LotKind.BY_PRODUCT,
    MaterialForm.VIRGIN: LotKind.VIRGIN,
    MaterialForm.ADDITIVE: LotKind.ADDITIVE,
}


def record_bales(entry: Entry, delivery_id: int, body: BalesIn) -> DeliveryOut:
    """Register all bales of a truck: each gets a code of its own, whatever tag it bears or lacks.

    With a net they share it at once; before the tare weighing they wait for it without a mass. Further
    bales found later join the others, with a reason, and the net is spread anew.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : the delivery was reversed or rejected; bales are registered already and no reason is given.
    Unacceptable : not a bale load; weighed bales that cannot be told apart; masses that do not work out.
    """
    entry.open(site_of(delivery_id), "bales_registered")
    refuse_future(entry, ("/weighed_at", body.weighed_at))
    delivery = get_working_delivery(entry.session, delivery_id)
    _refuse_form(delivery, DeliveryForm.BALES)
    before = contents_of(entry.session, delivery).lots
    _refuse_second_time(delivery, len(before), body)
    places = _weighed_places(body)
    tags = [*body.tags, *[None] * (body.count - len(body.tags))]
    lots = _register(entry, delivery, LotKind.BALE, tags)
    for position, place in places.items():
        assert body.weighed_at is not None
        mass_g = body.weighed[position].mass_kg
        reading = Reading(WeighingKind.PLATFORM, mass_g, body.weighed_at, instrument=body.instrument)
        store_reading(entry, reading, lot_id=lots[place].id, pointer=f"/weighed/{position}")
    reason = body.reason or "bales registered at the gate"
    counted = body.counted or len(before) + body.count
    delivery = entry.revise(delivery, reason, counted=counted)
    if load_of(entry.session, delivery).ties() is None and delivery.note_count is None:
        # Nobody noted a count, so what was counted takes its place.
        contract = find_current(entry.session, Contract, delivery.contract_id or 0)
        add_contract_ties(entry, delivery, contract, counted)
    spread_net(entry, delivery, reason=reason, pointer="/weighed" if places else "/count")
    return delivery_out(entry.session, delivery)


def _register(
    entry: Entry, delivery: Delivery, kind: LotKind, tags: list[str | None], note: str | None = None
) -> list[Lot]:
    return register_lots(
        entry,
        [
            NewLot(
                kind,
                LotOrigin.DELIVERY,
                delivery.material_id,
                delivery.arrived_at,
                delivery_id=delivery.id,
                supplier_tag=tag,
                owner_id=delivery.owner_id,
                note=note,
            )
            for tag in tags
        ],
    )


def _refuse_form(delivery: Delivery, *expected: DeliveryForm) -> None:
    if delivery.form in expected:
        return
    word = " or ".join(expected)
    remedy = "Use /bales for a load of bales and /lot for a loose or packed one."
    fault = f"ticket {delivery.ticket_no} is a {delivery.form} load; this is for {word}"
    raise Unacceptable("load-of-another-form", "The load has another form.", remedy, (Finding("", fault, remedy),))


def _refuse_second_time(delivery: Delivery, registered: int, body: BalesIn) -> None:
    if not registered or body.reason is not None:
        return
    remedy = "If further bales were found, say so in reason and give only the further ones."
    raise Conflict(
        "bales-registered",
        f"{registered} bales of ticket {delivery.ticket_no} are registered already.",
        remedy,
        (Finding("/reason", f"missing; {body.count} more bales would join {registered}", remedy),),
    )


def _weighed_places(body: BalesIn) -> dict[int, int]:
    """For each weighed entry the place of its bale in the request, counted from 0."""
    findings = Findings()
    places: dict[int, int] = {}
    for position, weighed in enumerate(body.weighed):
        pointer = f"/weighed/{position}"
        if weighed.index is not None:
            found = [weighed.index] if weighed.index < body.count else []
            name = f"index {weighed.index} of {body.count} bales"
        else:
            found = [place for place, tag in enumerate(body.tags) if tag == weighed.tag]
            name = f"tag {weighed.tag!r}"
        if len(found) != 1:
            fault = "names no bale of this request" if not found else f"stands on {len(found)} bales"
            findings.add(pointer, f"{name} {fault}", "Name the bale by its index, counted from 0.")
        elif found[0] in places.values():
            findings.add(pointer, f"{name} was given a weight before", "Give one weight per bale.")
        else:
            places[position] = found[0]
    findings.refuse_if_any(code="weighed-bale-unclear", detail="A weighed bale cannot be told from the others.")
    return places


def record_load_lot(entry: Entry, delivery_id: int, body: LoadLotIn) -> DeliveryOut:
    """Register a loose or packed load as one lot that carries the whole material net.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : the delivery was reversed or rejected, or its lot is registered already.
    Unacceptable : a load of bales.
    """
    entry.open(site_of(delivery_id), "load_registered")
    delivery = get_working_delivery(entry.session, delivery_id)
    _refuse_form(delivery, DeliveryForm.LOOSE, DeliveryForm.PACKED)
    before = contents_of(entry.session, delivery).lots
    if before:
        remedy = "One load of this form is one lot; use the one that is there."
        raise Conflict(
            "load-registered",
            f"Ticket {delivery.ticket_no} is registered as lot {before[0].code}.",
            remedy,
            (Finding("", f"lot {before[0].code} carries the load", remedy),),
        )
    material = get_current(entry.session, Material, delivery.material_id, "material")
    _register(entry, delivery, KIND_OF_LOAD[material.form], [body.supplier_tag], body.note)
    spread_net(entry, delivery, reason="load registered at the gate")
    return delivery_out(entry.session, delivery)
