"""Addresses of the floor pages."""

from typing import Annotated

from fastapi import Query, Response
from fastapi.responses import RedirectResponse

from service.balances.record import close_run
from service.labels.read import code_in
from service.lots.statuses import Category, LotKind, Step
from service.pages.desk import AtDesk, PathId, page_router
from service.pages.floor.board import board_page
from service.pages.floor.entries import (
    CHARGE_NAMES,
    DRAW_NAMES,
    LOSS_NAMES,
    OUT_NAMES,
    charge_in,
    close_in,
    draw_in,
    fed_words,
    feed_names,
    feeds_in,
    losses_in,
    made_words,
    outputs_in,
    proven_empty_in,
    run_in,
)
from service.pages.floor.line_page import NAMES as LINE_NAMES
from service.pages.floor.line_page import WITHDRAW, correction_in, line_page, place_of
from service.pages.floor.run_page import own_run, run_page
from service.pages.floor.run_view import Done
from service.pages.floor.vessel_page import own_vessel, vessel_page
from service.pages.forms import Submission, Submitted
from service.pages.frame import PAGE_HEADERS
from service.runs.queries import usual_outputs
from service.runs.record import book_run_losses, correct_line, discharge_run, feed_run, record_run
from service.vessels.record import charge_vessel, draw_from_vessel, record_proven_empty

routes = page_router()
Word = Annotated[str, Query(max_length=20)]
Number = Annotated[int, Query(ge=0, lt=2**53)]


@routes.get("/floor")
def get_floor(desk: AtDesk) -> Response:
    """What is going on."""
    return board_page(desk)


@routes.post("/floor/wash-batches")
def post_wash_batch(sent: Submitted) -> Response:
    """Start a wash batch."""
    return _start(sent, "wash", Step.WASH)


@routes.post("/floor/runs")
def post_run(sent: Submitted) -> Response:
    """Start a run of the step that was chosen."""
    return _start(sent, "start", sent.posted.one("step"))


def _start(sent: Submission, name: str, step: str) -> Response:
    return sent.run(
        name,
        read=lambda typed: run_in(typed, sent.desk, step),
        verb=record_run,
        to=lambda run: f"/floor/runs/{run.id}?said=started",
        again=lambda form: board_page(sent.desk, form),
        names={"/started_at": "started"},
    )


@routes.get("/floor/wash-batches")
@routes.get("/floor/runs")
def get_forms_of_floor() -> Response:
    """The address of a form, opened as a page."""
    return _see("/floor")


@routes.get("/floor/runs/{run_id}")
def get_run(
    desk: AtDesk,
    run_id: PathId,
    fed: Number = 0,
    twice: Number = 0,
    made: Number = 0,
    pieces: Number = 1,
    said: Word = "",
    all: Word = "",
    late: Word = "",
    code: Word = "",
) -> Response:
    """A run: what goes in, what comes out, its balance. A scanned lot stands in the form to be fed."""
    return run_page(
        desk,
        run_id,
        done=Done(fed, twice, made, pieces, said),
        everything=all == "yes",
        late=late == "yes",
        scanned=code_in(code) or "",
    )


@routes.post("/floor/runs/{run_id}/feeds")
def post_feeds(sent: Submitted, run_id: PathId) -> Response:
    """Feed lots into a run."""
    own_run(sent.desk, run_id)
    return sent.run(
        "feed",
        read=lambda typed: feeds_in(typed, sent.desk.now),
        verb=lambda entry, body: feed_run(entry, run_id, body),
        to=lambda _: f"/floor/runs/{run_id}?{fed_words(sent.posted)}",
        again=lambda form: run_page(sent.desk, run_id, form),
        names=feed_names(sent.posted.one("amount")),
    )


@routes.post("/floor/runs/{run_id}/bags")
def post_bag(sent: Submitted, run_id: PathId) -> Response:
    """Fill a bag or several alike, or top one up."""
    return _take_out(sent, "bag", run_id, Category.PRODUCT)


@routes.post("/floor/runs/{run_id}/by-products")
def post_by_product(sent: Submitted, run_id: PathId) -> Response:
    """Book a container of a by-product."""
    return _take_out(sent, "side", run_id, Category.BY_PRODUCT, LotKind.BY_PRODUCT)


def _take_out(sent: Submission, name: str, run_id: int, category: Category, kind: LotKind | None = None) -> Response:
    usual = usual_outputs(sent.desk.session, own_run(sent.desk, run_id))
    return sent.run(
        name,
        read=lambda typed: outputs_in(typed, sent.desk, usual, category, kind),
        verb=lambda entry, body: discharge_run(entry, run_id, body),
        to=lambda run: f"/floor/runs/{run_id}?{made_words(run, sent.posted)}",
        again=lambda form: run_page(sent.desk, run_id, form),
        names=OUT_NAMES,
    )


@routes.post("/floor/runs/{run_id}/losses")
def post_loss(sent: Submitted, run_id: PathId) -> Response:
    """Book what left without becoming a lot."""
    own_run(sent.desk, run_id)
    return sent.run(
        "loss",
        read=lambda typed: losses_in(typed, sent.desk.now),
        verb=lambda entry, body: book_run_losses(entry, run_id, body),
        to=lambda _: f"/floor/runs/{run_id}?said=lost",
        again=lambda form: run_page(sent.desk, run_id, form),
        names=LOSS_NAMES,
    )


@routes.post("/floor/runs/{run_id}/end")
def post_end(sent: Submitted, run_id: PathId) -> Response:
    """End a run; its balance stands on the page that follows."""
    own_run(sent.desk, run_id)
    return sent.run(
        "end",
        read=lambda typed: close_in(typed, sent.desk.now),
        verb=lambda entry, body: close_run(entry, run_id, body),
        to=lambda _: f"/floor/runs/{run_id}?said=ended",
        again=lambda form: run_page(sent.desk, run_id, form),
        names={"/start_at": "ended", "/end_at": "ended", "/ended_at": "ended"},
    )


@routes.get("/floor/runs/{run_id}/feeds")
@routes.get("/floor/runs/{run_id}/bags")
@routes.get("/floor/runs/{run_id}/by-products")
@routes.get("/floor/runs/{run_id}/losses")
@routes.get("/floor/runs/{run_id}/end")
def get_forms_of_run(run_id: PathId) -> Response:
    """The address of a form, opened as a page."""
    return _see(f"/floor/runs/{run_id}")


@routes.get("/floor/lines/{line_id}")
def get_line(desk: AtDesk, line_id: PathId) -> Response:
    """One line, to be put right."""
    return line_page(desk, line_id)


@routes.post("/floor/lines/{line_id}")
def post_line(sent: Submitted, line_id: PathId) -> Response:
    """Correct or withdraw a line; every earlier version stays on record."""
    _, place = place_of(sent.desk, line_id)
    said = "withdrawn" if sent.posted.one("way") == WITHDRAW else "corrected"
    return sent.run(
        "correction",
        read=correction_in,
        verb=lambda entry, body: correct_line(entry, line_id, body),
        to=lambda _: f"{place.path}?said={said}",
        again=lambda form: line_page(sent.desk, line_id, form),
        names=LINE_NAMES,
    )


@routes.get("/floor/vessels/{vessel_id}")
def get_vessel(desk: AtDesk, vessel_id: PathId, drawn: Word = "", said: Word = "", all: Word = "") -> Response:
    """A vessel and what stands in it."""
    return vessel_page(desk, vessel_id, drawn=drawn, said=said, everything=all == "yes")


@routes.post("/floor/vessels/{vessel_id}/charges")
def post_charge(sent: Submitted, vessel_id: PathId) -> Response:
    """Put a lot into a vessel."""
    own_vessel(sent.desk, vessel_id)
    return sent.run(
        "charge",
        read=lambda typed: charge_in(typed, sent.desk.now),
        verb=lambda entry, body: charge_vessel(entry, vessel_id, body),
        to=lambda _: f"/floor/vessels/{vessel_id}?said=charged",
        again=lambda form: vessel_page(sent.desk, vessel_id, form),
        names=CHARGE_NAMES,
    )


@routes.post("/floor/vessels/{vessel_id}/draws")
def post_draw(sent: Submitted, vessel_id: PathId) -> Response:
    """Draw a new lot out of a vessel."""
    own_vessel(sent.desk, vessel_id)
    return sent.run(
        "draw",
        read=lambda typed: draw_in(typed, sent.desk.now),
        verb=lambda entry, body: draw_from_vessel(entry, vessel_id, body),
        to=lambda vessel: f"/floor/vessels/{vessel_id}?drawn={vessel.drawn_lot}",
        again=lambda form: vessel_page(sent.desk, vessel_id, form),
        names=DRAW_NAMES,
    )


@routes.post("/floor/vessels/{vessel_id}/proven-empty")
def post_proven_empty(sent: Submitted, vessel_id: PathId) -> Response:
    """Record that a vessel was emptied and inspected."""
    own_vessel(sent.desk, vessel_id)
    return sent.run(
        "empty",
        read=lambda typed: proven_empty_in(typed, sent.desk.now),
        verb=lambda entry, body: record_proven_empty(entry, vessel_id, body),
        to=lambda _: f"/floor/vessels/{vessel_id}?said=emptied",
        again=lambda form: vessel_page(sent.desk, vessel_id, form),
        names={"/start_at": "at", "/at": "at"},
    )


@routes.get("/floor/vessels/{vessel_id}/charges")
@routes.get("/floor/vessels/{vessel_id}/draws")
@routes.get("/floor/vessels/{vessel_id}/proven-empty")
def get_forms_of_vessel(vessel_id: PathId) -> Response:
    """The address of a form, opened as a page."""
    return _see(f"/floor/vessels/{vessel_id}")


def _see(path: str) -> Response:
    return RedirectResponse(path, 303, PAGE_HEADERS)
