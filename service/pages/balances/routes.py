"""Addresses of the balance page and of the pages of stock counts."""

from fastapi import Response

from service.counts.record import add_to_count, approve_count, record_count, withdraw_count
from service.pages.balances.balance_page import balance_page
from service.pages.balances.count_pages import (
    LINES,
    NAMES,
    approval_in,
    count_in,
    count_page,
    counts_page,
    more_in,
    own_count,
    withdrawal_in,
)
from service.pages.desk import AtDesk, PathId, page_router
from service.pages.forms import Submitted

routes = page_router()


@routes.get("/balance")
def get_balance(desk: AtDesk, period: str = "month", day: str = "", step: str = "") -> Response:
    """The balance of the plant over a period."""
    return balance_page(desk, period, day[:16], step[:64])


@routes.get("/counts")
def get_counts(desk: AtDesk) -> Response:
    """Stock counts, and a form to begin one."""
    return counts_page(desk)


@routes.post("/counts")
def post_count(sent: Submitted) -> Response:
    """Begin a count."""
    return sent.run(
        "count",
        read=lambda typed: count_in(typed, sent.desk.site.code),
        verb=record_count,
        to=lambda out: f"/counts/{out.id}",
        again=lambda form: counts_page(sent.desk, form),
        names=NAMES | LINES,
    )


@routes.get("/counts/{count_id}")
def get_count_page(desk: AtDesk, count_id: PathId) -> Response:
    """A count beside the book."""
    return count_page(desk, count_id)


@routes.post("/counts/{count_id}/lines")
def post_lines(sent: Submitted, count_id: PathId) -> Response:
    """Count more lots."""
    own_count(sent.desk, count_id)
    return sent.run(
        "more",
        read=more_in,
        verb=lambda entry, body: add_to_count(entry, count_id, body),
        to=lambda _out: f"/counts/{count_id}",
        again=lambda form: count_page(sent.desk, count_id, form),
        names=NAMES | LINES,
    )


@routes.post("/counts/{count_id}/approve")
def post_approve(sent: Submitted, count_id: PathId) -> Response:
    """Approve a count that somebody else counted."""
    own_count(sent.desk, count_id)
    return sent.run(
        "approve",
        read=approval_in,
        verb=lambda entry, body: approve_count(entry, count_id, body),
        to=lambda _out: f"/counts/{count_id}",
        again=lambda form: count_page(sent.desk, count_id, form),
    )


@routes.post("/counts/{count_id}/withdraw")
def post_withdraw(sent: Submitted, count_id: PathId) -> Response:
    """Withdraw a count with what it booked."""
    own_count(sent.desk, count_id)
    return sent.run(
        "withdraw",
        read=withdrawal_in,
        verb=lambda entry, body: withdraw_count(entry, count_id, body),
        to=lambda _out: "/counts",
        again=lambda form: count_page(sent.desk, count_id, form),
    )
