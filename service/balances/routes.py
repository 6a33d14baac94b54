"""HTTP of balances."""

from datetime import datetime
from typing import Annotated, NamedTuple

from fastapi import Depends, Path, Query, Request, Response
from sqlmodel import Session

from service.balances.queries import balance_versions, detailed_balance_out, interim_balance
from service.balances.reconciliation_sheet import reconciliation_csv
from service.balances.record import close_run, judge_again
from service.balances.schemas import CloseIn, DetailedBalanceOut, InterimBalanceOut, RebalanceIn
from service.balances.schemas_reconciliation import PlantReconciliationOut
from service.balances.sheet import balances_csv
from service.journal.read import Knowledge
from service.lots.queries import get_process
from service.plant.queries import get_site
from service.plant.tables import Site
from service.web import Id, Known, Moment, Read, Write, router

routes = router("balances")
CSV_TYPE = "text/csv"
AsOf = Annotated[
    Moment | None, Query(description="Count only what had happened by this moment (RFC 3339); now if left out.")
]


@routes.post("/runs/{run_id}/close", status_code=201, response_model=DetailedBalanceOut)
def post_close(run_id: int, body: CloseIn, write: Write) -> Response:
    """Close a run; the answer is its balance with the verdict in a sentence."""
    return write(lambda entry: close_run(entry, run_id, body))


@routes.get("/runs/{run_id}/balances")
def get_balances(run_id: int, session: Read, known: Known) -> list[DetailedBalanceOut]:
    """Every version of a run's balance that was known, oldest first; the last one stands."""
    process = get_process(session, run_id, known)
    return [detailed_balance_out(session, row) for row in balance_versions(session, process.id, known)]


@routes.post("/runs/{run_id}/balances", status_code=201, response_model=DetailedBalanceOut)
def post_balance(run_id: int, body: RebalanceIn, write: Write) -> Response:
    """Judge a closed run again after a setting or a tare it rests on was changed: a new version with its reason."""
    return write(lambda entry: judge_again(entry, run_id, body))


@routes.get(
    "/runs/{run_id}/balances.csv",
    response_class=Response,
    responses={200: {"description": "One row per figure.", "content": {CSV_TYPE: {}}}},
)
def get_balances_csv(run_id: int, session: Read, known: Known) -> Response:
    """The same figures as a table for a spreadsheet, every version that was known."""
    process = get_process(session, run_id, known)
    text = balances_csv([detailed_balance_out(session, row) for row in balance_versions(session, process.id, known)])
    headers = {"Content-Disposition": f'attachment; filename="balances-{run_id}.csv"'}
    return Response(text, media_type=CSV_TYPE, headers=headers)


@routes.get("/runs/{run_id}/balance")
def get_interim_balance(
    run_id: int, session: Read, known: Known, request: Request, as_of: AsOf = None
) -> InterimBalanceOut:
    """What the balance would be of what had happened by a moment, of an open run too; nothing is recorded."""
    return interim_balance(session, run_id, as_of or request.app.state.writer.clock(), known)


class Asked(NamedTuple):
    """What a reconciliation is asked about."""

    session: Session
    site: Site
    from_at: datetime
    to_at: datetime
    known: Knowledge | None
    now: datetime


def _asked(
    request: Request,
    session: Read,
    known: Known,
    site_id: Annotated[Id, Path()],
    from_at: Annotated[Moment, Query(alias="from", description="RFC 3339.")],
    to_at: Annotated[Moment, Query(alias="to", description="RFC 3339; not included.")],
) -> Asked:
    site = get_site(session, site_id, known)
    return Asked(session, site, from_at, to_at, known, request.app.state.writer.clock())


AskedFor = Annotated[Asked, Depends(_asked)]

# The two routes below import the solver where they ask it: it takes half a second and tens of megabytes to load, and
# the weighbridge needs none of it.


@routes.get("/sites/{site_id}/reconciliation")
def get_reconciliation(asked: AskedFor) -> PlantReconciliationOut:
    """What a site read in a period, brought into balance: tested as a whole, with ranked suspects. Changes nothing."""
    from service.balances.reconcile import reconcile_period

    return reconcile_period(*asked)


@routes.get(
    "/sites/{site_id}/reconciliation.csv",
    response_class=Response,
    responses={200: {"description": "One row per stream.", "content": {CSV_TYPE: {}}}},
)
def get_reconciliation_csv(asked: AskedFor) -> Response:
    """The streams of the same answer as a table for a spreadsheet."""
    from service.balances.reconcile import reconcile_period

    headers = {"Content-Disposition": f'attachment; filename="reconciliation-{asked.site.id}.csv"'}
    return Response(reconciliation_csv(reconcile_period(*asked)), media_type=CSV_TYPE, headers=headers)
