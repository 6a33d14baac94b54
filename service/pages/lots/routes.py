"""Addresses of the pages of a lot: the lot itself, its holds, and what is printed for it."""

from fastapi import Request, Response

from service.lineage.record import lift_hold, place_hold
from service.lineage.schemas import HoldIn, LiftIn
from service.lots.queries import get_lot
from service.pages.desk import AtDesk, PathId, page_router
from service.pages.forms import Submitted
from service.pages.lots.lot_page import lift_form, lot_page
from service.pages.lots.paper import label_page, tag_page

routes = page_router()


@routes.get("/lots/{code}")
def get_lot_page(desk: AtDesk, code: str) -> Response:
    """A lot: what it holds, its state, its sources, the balances behind it."""
    return lot_page(desk, code)


@routes.post("/lots/{code}/hold")
def post_hold(sent: Submitted, code: str) -> Response:
    """Put a lot on hold, and with it everything that may contain some of it."""
    lot = get_lot(sent.desk.session, code)
    return sent.run(
        "hold",
        read=lambda typed: typed.body(HoldIn, {"lot": lot.code, "cause": typed.text("cause")}),
        verb=place_hold,
        to=lambda _out: f"/lots/{lot.code}",
        again=lambda form: lot_page(sent.desk, code, form),
    )


@routes.post("/lots/{code}/holds/{hold_id}/lift")
def post_lift(sent: Submitted, code: str, hold_id: PathId) -> Response:
    """Lift a hold that reaches a lot; not by the person who placed it."""
    lot = get_lot(sent.desk.session, code)
    return sent.run(
        lift_form(hold_id),
        read=lambda typed: typed.body(LiftIn, {"reason": typed.text("reason")}),
        verb=lambda entry, body: lift_hold(entry, hold_id, body),
        to=lambda _out: f"/lots/{lot.code}",
        again=lambda form: lot_page(sent.desk, code, form),
    )


@routes.get("/lots/{code}/label")
def get_label(desk: AtDesk, code: str, request: Request) -> Response:
    """The label of a lot, A6 landscape."""
    return label_page(desk, code, request.app.state.settings.public_url)


@routes.get("/lots/{code}/tag")
def get_tag(desk: AtDesk, code: str, request: Request) -> Response:
    """The tag of one bale, 100 mm x 150 mm."""
    return tag_page(desk, code, request.app.state.settings.public_url)
