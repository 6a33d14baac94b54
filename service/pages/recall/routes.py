"""Addresses of the recall pages: what is bad, the list, a recall that was started and the search for it."""

from urllib.parse import urlencode

from fastapi import Request, Response

from service.pages.desk import AtDesk, PathId, page_router
from service.pages.forms import Submitted, Typed
from service.pages.recall.asking import ask_page, find_page
from service.pages.recall.listing import list_page
from service.pages.recall.search import (
    VESSEL_NAMES,
    finding_form,
    found_in,
    found_names,
    own_recall,
    recall_page,
    vessel_found_in,
)
from service.recall.record import close_recall, correct_finding, record_found, start_recall
from service.recall.schemas import FindingCorrectionIn, RecallCloseIn, RecallIn
from service.recall.sources import source_named

routes = page_router()
SOURCE_FIELDS = ("lot", "delivery_id", "partner", "vessel_id", "from", "to", "suspect_discharge")


@routes.get("/recall")
def get_recall_start(desk: AtDesk) -> Response:
    """What is bad, and the recalls there were."""
    return ask_page(desk)


@routes.get("/recall/find")
def get_find(desk: AtDesk, request: Request) -> Response:
    """From what a person typed to the list of it."""
    return find_page(desk, tuple(request.query_params.multi_items()))


@routes.get("/recall/list")
def get_list(desk: AtDesk, request: Request) -> Response:
    """Everything that may contain some of a source, and where it stands."""
    given = {name: value for name, value in request.query_params.items() if name in SOURCE_FIELDS}
    return list_page(desk, source_named(desk.session, _exact(given)))


def _exact(given: dict[str, str]) -> dict[str, object]:
    """Fields of an address with their kinds, as the interface takes them."""
    return {
        name: int(value) if name.endswith("_id") and value.isascii() and value.isdecimal() else
        value == "true" if name == "suspect_discharge" else value
        for name, value in given.items()
    }  # fmt: skip


@routes.post("/recall/start")
def post_start(sent: Submitted) -> Response:
    """Start a recall: hold all of it, or try out how fast it is found."""
    given = {name: sent.posted.one(name) for name in SOURCE_FIELDS if sent.posted.one(name)}
    source = source_named(sent.desk.session, _exact(given))

    def recall_in(typed: Typed) -> RecallIn:
        more = {"cause": typed.text("cause"), "is_mock": typed.text("kind") == "mock"}
        return typed.body(RecallIn, _exact(given) | more)

    return sent.run(
        "start",
        read=recall_in,
        verb=start_recall,
        to=lambda out: f"/recall/{out.id}",
        again=lambda form: list_page(sent.desk, source, form),
    )


@routes.get("/recall/{recall_id}")
def get_recall_page(desk: AtDesk, recall_id: PathId, place: str = "") -> Response:
    """A recall: its clock, its list, and what of it was found."""
    return recall_page(desk, recall_id, place=place[:64])


@routes.post("/recall/{recall_id}/found")
def post_found(sent: Submitted, recall_id: PathId) -> Response:
    """Record lots that were found, and stay at the same place for the next ones."""
    own_recall(sent.desk, recall_id)
    place = sent.posted.one("place").strip()
    return sent.run(
        "found",
        read=found_in,
        verb=lambda entry, body: record_found(entry, recall_id, body),
        to=lambda _out: f"/recall/{recall_id}?{urlencode({'place': place})}",
        again=lambda form: recall_page(sent.desk, recall_id, form),
        names=found_names(),
    )


@routes.post("/recall/{recall_id}/vessel")
def post_vessel(sent: Submitted, recall_id: PathId) -> Response:
    """Record that the content of a vessel was seen."""
    own_recall(sent.desk, recall_id)
    return sent.run(
        "vessel",
        read=vessel_found_in,
        verb=lambda entry, body: record_found(entry, recall_id, body),
        to=lambda _out: f"/recall/{recall_id}",
        again=lambda form: recall_page(sent.desk, recall_id, form),
        names=VESSEL_NAMES,
    )


@routes.post("/recall/{recall_id}/found/{finding_id}/withdraw")
def post_withdraw(sent: Submitted, recall_id: PathId, finding_id: PathId) -> Response:
    """Withdraw something that was not found after all; it stays on record."""
    own_recall(sent.desk, recall_id)
    return sent.run(
        finding_form(finding_id),
        read=lambda typed: typed.body(FindingCorrectionIn, {"reason": typed.text("reason"), "withdraw": True}),
        verb=lambda entry, body: correct_finding(entry, recall_id, finding_id, body),
        to=lambda _out: f"/recall/{recall_id}",
        again=lambda form: recall_page(sent.desk, recall_id, form),
    )


@routes.post("/recall/{recall_id}/close")
def post_close(sent: Submitted, recall_id: PathId) -> Response:
    """End the search and stop its clock."""
    own_recall(sent.desk, recall_id)
    return sent.run(
        "close",
        read=lambda typed: typed.body(RecallCloseIn, {"note": typed.text("note")}),
        verb=lambda entry, body: close_recall(entry, recall_id, body),
        to=lambda _out: f"/recall/{recall_id}",
        again=lambda form: recall_page(sent.desk, recall_id, form),
    )
