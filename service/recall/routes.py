"""HTTP of recalls."""

from typing import Annotated, Any

from fastapi import Depends, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import ValidationError

from service.recall.answer import recall_out
from service.recall.queries import get_recall, list_recalls, recall_detail
from service.recall.record import close_recall, correct_finding, record_found, start_recall
from service.recall.schemas import (
    FindingCorrectionIn,
    FoundIn,
    RecallAnswerOut,
    RecallCloseIn,
    RecallHeadOut,
    RecallIn,
    RecallOut,
    SourceIn,
)
from service.recall.sheet import recall_csv
from service.web import Id, Known, LotCode, Moment, Read, Write, router

routes = router("recalls")
CSV_TYPE = "text/csv"
CSV: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The same rows, comma-separated (RFC 4180), UTF-8, decimal point.",
        "content": {CSV_TYPE: {"schema": {"type": "string"}}},
    }
}


def _source(
    request: Request,
    lot: Annotated[LotCode | None, Query()] = None,
    delivery_id: Annotated[Id | None, Query()] = None,
    partner: Annotated[str | None, Query(max_length=32, description="Code of a supplier.")] = None,
    vessel_id: Annotated[Id | None, Query(description="A vessel, with from and to.")] = None,
    from_at: Annotated[Moment | None, Query(alias="from", description="Of a vessel: from when.")] = None,
    to_at: Annotated[Moment | None, Query(alias="to", description="Of a vessel: until when, not included.")] = None,
    suspect_discharge: Annotated[
        bool, Query(description="Everything that was inside during the time, not only what was drawn in it.")
    ] = False,
) -> SourceIn:
    """The source of a question, by the very rules that a recall is started by."""
    given = {
        "lot": lot,
        "delivery_id": delivery_id,
        "partner": partner,
        "vessel_id": vessel_id,
        "from": from_at,
        "to": to_at,
        "suspect_discharge": suspect_discharge,
    }
    try:
        return SourceIn.model_validate({name: value for name, value in given.items() if value is not None})
    except ValidationError as error:
        shown = dict(request.query_params)
        raise RequestValidationError(
            [{**fault, "loc": ("query", *fault["loc"]), "input": shown} for fault in error.errors()]
        ) from error


AskedFor = Annotated[SourceIn, Depends(_source)]


@routes.get("/recall")
def get_recall_answer(source: AskedFor, session: Read, known: Known) -> RecallAnswerOut:
    """Everything that may contain some of a lot, a delivery, a supplier or a vessel's time, and where it stands."""
    return recall_out(session, source, known)


@routes.get("/recall.csv", responses=CSV, response_class=Response)
def get_recall_csv(source: AskedFor, session: Read, known: Known) -> Response:
    """The same as a table for a spreadsheet."""
    text = recall_csv(recall_out(session, source, known))
    headers = {"Content-Disposition": 'attachment; filename="recall.csv"'}
    return Response(text.encode(), media_type=f"{CSV_TYPE}; charset=utf-8", headers=headers)


@routes.post("/recalls", status_code=201, response_model=RecallOut)
def post_recall(body: RecallIn, write: Write) -> Response:
    """Start a recall, which holds everything affected in the same act, or a mock recall, which holds nothing."""
    return write(lambda entry: start_recall(entry, body))


@routes.get("/recalls")
def get_recalls(session: Read) -> list[RecallHeadOut]:
    """All recalls and mock recalls, newest first."""
    return list_recalls(session)


@routes.get("/recalls/{recall_id}")
def get_recall_detail(recall_id: int, session: Read) -> RecallOut:
    """A recall: its list as it was known when it began, and how much of it was found."""
    return recall_detail(session, get_recall(session, recall_id))


@routes.post("/recalls/{recall_id}/found", status_code=201, response_model=RecallOut)
def post_found(recall_id: int, body: FoundIn, write: Write) -> Response:
    """Record lots or vessels that were found, by scan or by sight."""
    return write(lambda entry: record_found(entry, recall_id, body))


@routes.post("/recalls/{recall_id}/found/{finding_id}/corrections", status_code=201, response_model=RecallOut)
def post_finding_correction(recall_id: int, finding_id: int, body: FindingCorrectionIn, write: Write) -> Response:
    """Correct or withdraw what was found, as a new version of it."""
    return write(lambda entry: correct_finding(entry, recall_id, finding_id, body))


@routes.post("/recalls/{recall_id}/close", status_code=201, response_model=RecallOut)
def post_recall_close(recall_id: int, body: RecallCloseIn, write: Write) -> Response:
    """End the search and stop its clock; the hold of a real recall stays."""
    return write(lambda entry: close_recall(entry, recall_id, body))
