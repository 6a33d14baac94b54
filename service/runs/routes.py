"""HTTP of runs."""

from typing import Annotated

from fastapi import Query, Response

from service.lots.statuses import Step
from service.runs.queries import get_run_out, list_runs
from service.runs.record import book_run_losses, correct_line, discharge_run, feed_run, record_run
from service.runs.schemas import DischargesIn, FeedsIn, LineCorrectionIn, LossesIn, RunIn, RunOut
from service.web import Known, Read, Write, router

routes = router("runs")


@routes.post("/runs", status_code=201, response_model=RunOut)
def post_run(body: RunIn, write: Write) -> Response:
    """Start a run of any step of the line."""
    return write(lambda entry: record_run(entry, body), location=lambda run: f"/v1/runs/{run.id}")


@routes.get("/runs")
def get_runs(
    session: Read,
    step: Step | None = None,
    after: Annotated[int, Query(ge=0, description="Give runs recorded after this id.")] = 0,
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
) -> list[RunOut]:
    """Runs, oldest first."""
    return list_runs(session, step, after, limit)


@routes.get("/runs/{run_id}")
def get_run(run_id: int, session: Read, known: Known) -> RunOut:
    """A run with all its lines."""
    return get_run_out(session, run_id, known)


@routes.post("/runs/{run_id}/feeds", status_code=201, response_model=RunOut)
def post_feeds(run_id: int, body: FeedsIn, write: Write) -> Response:
    """Feed lots into a run: part of a lot, all of it, or what is left."""
    return write(lambda entry: feed_run(entry, run_id, body))


@routes.post("/runs/{run_id}/discharges", status_code=201, response_model=RunOut)
def post_discharges(run_id: int, body: DischargesIn, write: Write) -> Response:
    """Take lots out of a run: products, by-products, waste that is kept, containers."""
    return write(lambda entry: discharge_run(entry, run_id, body))


@routes.post("/runs/{run_id}/losses", status_code=201, response_model=RunOut)
def post_losses(run_id: int, body: LossesIn, write: Write) -> Response:
    """Book what left a run without becoming a lot: sludge, effluent, volatiles."""
    return write(lambda entry: book_run_losses(entry, run_id, body))


@routes.post("/lines/{line_id}/corrections", status_code=201, response_model=RunOut)
def post_line_correction(line_id: int, body: LineCorrectionIn, write: Write) -> Response:
    """Correct or withdraw one line of a run; balances that used it get a new version."""
    return write(lambda entry: correct_line(entry, line_id, body))
