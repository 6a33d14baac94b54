"""HTTP of balances."""

from fastapi import Response

from service.balances.queries import balance_out, balance_versions
from service.balances.record import close_run
from service.balances.schemas import BalanceOut, CloseIn
from service.lots.queries import get_process
from service.web import Read, Write, router

routes = router("balances")


@routes.post("/runs/{run_id}/close", status_code=201, response_model=BalanceOut)
def post_close(run_id: int, body: CloseIn, write: Write) -> Response:
    """Close a run; the answer is its balance with the verdict in a sentence."""
    return write(lambda entry: close_run(entry, run_id, body))


@routes.get("/runs/{run_id}/balances")
def get_balances(run_id: int, session: Read) -> list[BalanceOut]:
    """Every version of a run's balance, oldest first; the last one stands."""
    process = get_process(session, run_id)
    return [balance_out(session, row) for row in balance_versions(session, process.id)]
