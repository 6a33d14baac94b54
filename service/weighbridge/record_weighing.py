"""Verbs that weigh: the truck, one of its bales, and the choice which weighings count for what."""

from service.core.quantities import kg_text
from service.errors import Finding, Findings, Unacceptable
from service.journal.entry import Entry
from service.journal.tables import site_of
from service.lots.queries import get_lot
from service.weighbridge.answer import delivery_out
from service.weighbridge.masses import Load, latest_pair
from service.weighbridge.moments import refuse_future
from service.weighbridge.queries import contents_of, get_live_delivery, get_working_delivery, load_of
from service.weighbridge.scale import Reading, store_reading
from service.weighbridge.schemas import ChoiceIn, ScaleReading, WeighingIn
from service.weighbridge.schemas_out import DeliveryOut
from service.weighbridge.spread import spread_net
from service.weighbridge.statuses import WeighingKind, WeighingOrigin
from service.weighbridge.tables import Weighing, WeighingChoice


def own_reading(kind: WeighingKind, given: ScaleReading) -> Reading:
    """A reading of one of our scales, as it came in."""
    return Reading(
        kind,
        given.mass_kg,
        given.weighed_at,
        WeighingOrigin.OWN,
        given.entry,
        given.instrument,
        ticket_no=given.ticket_no,
        frame=given.frame_base64,
    )


def record_weighing(entry: Entry, delivery_id: int, weighing: WeighingIn) -> DeliveryOut:
    """Weigh the truck. The latest own gross and tare give the net until somebody chooses otherwise.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : reversed or rejected delivery; ticket number used before.
    Unacceptable : unknown scale, or beyond its range; tare not below gross; no mass left for some bale.
    """
    entry.open(site_of(delivery_id), "delivery_weighed", weighing.weighed_at)
    refuse_future(entry, ("/weighed_at", weighing.weighed_at))
    delivery = get_working_delivery(entry.session, delivery_id)
    row = store_reading(
        entry,
        Reading(
            weighing.kind,
            weighing.mass_kg,
            weighing.weighed_at,
            weighing.origin,
            weighing.entry,
            weighing.instrument,
            weighing.ticket_series,
            weighing.ticket_no,
            weighing.frame_base64,
        ),
        delivery_id=delivery.id,
    )
    refuse_tare_above_gross(load_of(entry.session, delivery), row.origin, "/mass_kg")
    spread_net(entry, delivery, reason=f"{row.kind} weighing {row.ticket_series} {row.ticket_no}", pointer="/mass_kg")
    return delivery_out(entry.session, delivery)


def refuse_tare_above_gross(load: Load, origin: WeighingOrigin, pointer: str) -> None:
    """The latest two readings of one origin have to leave something.

    Raises
    ------
    Unacceptable : tare is not below gross; both numbers are named.
    """
    pair = latest_pair(load, origin)
    if pair is None or pair.net_g > 0:
        return
    _refuse_pair(pair.gross, pair.tare, pointer)


def _refuse_pair(gross: Weighing, tare: Weighing, pointer: str) -> None:
    remedy = "Check whether gross and tare were swapped, or a digit was mistyped."
    raise Unacceptable(
        "tare-not-below-gross",
        f"Tare {kg_text(tare.mass_g)} kg is not below gross {kg_text(gross.mass_g)} kg.",
        remedy,
        (
            Finding(
                pointer,
                f"tare {kg_text(tare.mass_g)} kg (ticket {tare.ticket_no}) against "
                f"gross {kg_text(gross.mass_g)} kg (ticket {gross.ticket_no})",
                remedy,
            ),
        ),
    )


def record_lot_weighing(entry: Entry, code: str, weighing: ScaleReading) -> DeliveryOut:
    """Weigh one bale on a platform scale; the bales without a real weight share what is left of the net.

    Raises
    ------
    NotFound : unknown lot.
    Conflict : its delivery was reversed or rejected; ticket number used before.
    Unacceptable : the lot came with no delivery or stayed on the truck; the masses do not work out.
    """
    lot = get_lot(entry.session, code)
    entry.open(site_of(lot.id), "lot_weighed", weighing.weighed_at)
    refuse_future(entry, ("/weighed_at", weighing.weighed_at))
    if lot.delivery_id is None:
        remedy = "Correct a produced or opening lot on the line that made it."
        raise Unacceptable(
            "lot-without-delivery",
            f"Lot {lot.code} did not come with a delivery, so no net is spread on it.",
            remedy,
        )
    delivery = get_working_delivery(entry.session, lot.delivery_id)
    if lot.id in contents_of(entry.session, delivery).left_on_truck:
        raise Unacceptable(
            "bale-left-on-truck",
            f"Bale {lot.code} was rejected and stayed on the truck.",
            "Check the code on the tag.",
        )
    row = store_reading(entry, own_reading(WeighingKind.PLATFORM, weighing), lot_id=lot.id)
    spread_net(
        entry,
        delivery,
        reason=f"lot {lot.code} weighed, ticket {row.ticket_series} {row.ticket_no}",
        pointer="/mass_kg",
    )
    return delivery_out(entry.session, delivery)


def record_choice(entry: Entry, delivery_id: int, choice: ChoiceIn) -> DeliveryOut:
    """Say which weighings are valid for physics or for payment; a later choice is the next version.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : it was reversed.
    Unacceptable : a weighing of another truck or of the wrong kind; tare not below gross.
    """
    entry.open(site_of(delivery_id), "weighing_chosen")
    delivery = get_live_delivery(entry.session, delivery_id)
    load = load_of(entry.session, delivery)
    _refuse_foreign_weighings(load, choice)
    earlier = load.choice(choice.purpose)
    if earlier is None:
        entry.add(
            WeighingChoice(
                id=entry.new_id("weighing_choice"),
                delivery_id=delivery.id,
                purpose=choice.purpose,
                gross_id=choice.gross_id,
                tare_id=choice.tare_id,
                agreed_net_g=choice.agreed_net_kg,
                reason_id=entry.text(choice.reason),
            )
        )
    else:
        entry.revise(
            earlier,
            choice.reason,
            gross_id=choice.gross_id,
            tare_id=choice.tare_id,
            agreed_net_g=choice.agreed_net_kg,
            effective_at=entry.effective_at,
        )
    spread_net(entry, delivery, reason=choice.reason, pointer="/gross_id")
    return delivery_out(entry.session, delivery)


def _refuse_foreign_weighings(load: Load, choice: ChoiceIn) -> None:
    if choice.gross_id is None:
        return
    findings = Findings()
    for name, weighing_id, kind in (
        ("gross_id", choice.gross_id, WeighingKind.GROSS),
        ("tare_id", choice.tare_id, WeighingKind.TARE),
    ):
        found = load.weighing(weighing_id)
        if found is None or found.kind is not kind:
            findings.add(
                f"/{name}",
                f"{weighing_id} is no {kind} weighing of ticket {load.delivery.ticket_no}",
                "Use an id from the delivery's list of weighings.",
            )
    findings.refuse_if_any(code="weighing-not-of-delivery", detail="These weighings cannot be chosen.")
    gross, tare = load.weighing(choice.gross_id), load.weighing(choice.tare_id)
    assert gross is not None
    assert tare is not None
    if tare.mass_g >= gross.mass_g:
        _refuse_pair(gross, tare, "/tare_id")
