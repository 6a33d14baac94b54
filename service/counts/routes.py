"""HTTP of stock counts and levels."""

from typing import Annotated

from fastapi import Query, Response

from service.counts.levels import LEVELS_MAX, levels_of, record_level, withdraw_level
from service.counts.queries import count_out, counts_out, get_count, list_counts
from service.counts.record import add_to_count, approve_count, record_count, withdraw_count
from service.counts.schemas import (
    CountApprovalIn,
    CountLinesIn,
    CountOut,
    CountWithdrawalIn,
    LevelCorrectionIn,
    LevelIn,
    LevelOut,
    StockCountIn,
)
from service.plant.queries import get_by_code
from service.plant.tables import Site
from service.web import Code, Known, Read, Write, router

routes = router("counts")
COUNTS_MAX = 100


@routes.post("/stock-counts", status_code=201, response_model=CountOut)
def post_count(body: StockCountIn, write: Write) -> Response:
    """Record what was counted; nothing is booked before another person approves it."""
    return write(lambda entry: record_count(entry, body))


@routes.get("/stock-counts")
def get_counts(
    session: Read,
    known: Known,
    site: Annotated[Code, Query()],
    limit: Annotated[int, Query(ge=1, le=COUNTS_MAX)] = COUNTS_MAX,
    offset: Annotated[int, Query(ge=0, le=10**9, description="Leave out so many later ones.")] = 0,
) -> list[CountOut]:
    """The counts of a site that stand, the latest first."""
    rows = list_counts(session, get_by_code(session, Site, site).site_no, known, limit, offset)
    return counts_out(session, rows, known=known)


@routes.get("/stock-counts/{count_id}")
def get_stock_count(count_id: int, session: Read, known: Known) -> CountOut:
    """A count beside what the book says of its moment."""
    return count_out(session, get_count(session, count_id, known), known=known)


@routes.post("/stock-counts/{count_id}/lines", status_code=201, response_model=CountOut)
def post_count_lines(count_id: int, body: CountLinesIn, write: Write) -> Response:
    """Count more lots, or the same ones again."""
    return write(lambda entry: add_to_count(entry, count_id, body))


@routes.post("/stock-counts/{count_id}/approval", status_code=201, response_model=CountOut)
def post_approval(count_id: int, body: CountApprovalIn, write: Write) -> Response:
    """Book the differences of a count; by another person than counted."""
    return write(lambda entry: approve_count(entry, count_id, body))


@routes.post("/stock-counts/{count_id}/withdrawal", status_code=201, response_model=CountOut)
def post_count_withdrawal(count_id: int, body: CountWithdrawalIn, write: Write) -> Response:
    """Withdraw a count with all that its approval booked."""
    return write(lambda entry: withdraw_count(entry, count_id, body))


@routes.post("/vessels/{vessel_id}/levels", status_code=201, response_model=LevelOut)
def post_level(vessel_id: int, body: LevelIn, write: Write) -> Response:
    """Record how full a vessel is; the book is not changed."""
    return write(lambda entry: record_level(entry, vessel_id, body))


@routes.get("/vessels/{vessel_id}/levels")
def get_levels(
    vessel_id: int, session: Read, known: Known, limit: Annotated[int, Query(ge=1, le=LEVELS_MAX)] = LEVELS_MAX
) -> list[LevelOut]:
    """The latest levels of a vessel beside its book, oldest first."""
    return levels_of(session, vessel_id, known, limit)


@routes.post("/vessels/{vessel_id}/levels/{level_id}/withdrawal", status_code=201, response_model=LevelOut)
def post_level_withdrawal(vessel_id: int, level_id: int, body: LevelCorrectionIn, write: Write) -> Response:
    """Withdraw a level that was read wrong."""
    return write(lambda entry: withdraw_level(entry, vessel_id, level_id, body))
