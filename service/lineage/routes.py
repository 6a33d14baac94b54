"""HTTP of lineage and holds."""

from typing import Annotated

from fastapi import Query, Response

from service.journal.read import get_current
from service.lineage.down import trace_down_out
from service.lineage.lot_view import lot_out
from service.lineage.record import lift_hold, place_hold
from service.lineage.schemas import HoldIn, HoldOut, LiftIn, LotOut, TraceDownOut, TraceOut
from service.lineage.trace import trace_lot
from service.lineage.trace_out import trace_out
from service.lots.queries import get_lot, lots_of_delivery
from service.web import Known, Read, Write, json_response, router
from service.weighbridge.tables import Delivery

routes = router("lineage")


@routes.post("/holds", status_code=201, response_model=HoldOut)
def post_hold(body: HoldIn, write: Write) -> Response:
    """Put a lot, a delivery or a supplier on hold; everything that may contain some of it inherits the hold."""
    return write(lambda entry: place_hold(entry, body))


@routes.post("/holds/{hold_id}/lift", status_code=201, response_model=HoldOut)
def post_hold_lift(hold_id: int, body: LiftIn, write: Write) -> Response:
    """Lift a hold; not by the person who placed it."""
    return write(lambda entry: lift_hold(entry, hold_id, body))


@routes.get("/lots/{code}")
def get_lot_view(code: str, session: Read, known: Known) -> LotOut:
    """A lot as it stands: what it is, what is left of it, which holds reach it."""
    return lot_out(session, get_lot(session, code, known), known)


@routes.get("/lots/{code}/trace", response_model=TraceOut)
def get_trace(
    code: str,
    session: Read,
    known: Known,
    expand: Annotated[bool, Query(description="List every code, however many there are.")] = False,
) -> Response:
    """What a lot was made from: everything it may contain, and the expected share of each origin lot."""
    trace = trace_lot(session, get_lot(session, code, known), known)
    return json_response(trace_out(session, trace, known, expand=expand).as_json())


@routes.get("/lots/{code}/descendants", response_model=TraceDownOut)
def get_descendants(code: str, session: Read, known: Known) -> Response:
    """Where a lot went: every lot and vessel that may contain some of it."""
    return json_response(trace_down_out(session, [get_lot(session, code, known)], known).as_json())


@routes.get("/deliveries/{delivery_id}/descendants", response_model=TraceDownOut)
def get_delivery_descendants(delivery_id: int, session: Read, known: Known) -> Response:
    """Where a delivery went: every lot and vessel that may contain some of it."""
    get_current(session, Delivery, delivery_id, "delivery", known)
    return json_response(trace_down_out(session, lots_of_delivery(session, delivery_id), known).as_json())
