"""The gate at a glance: trucks that wait for their tare, and the tickets of a day."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from fastapi.responses import RedirectResponse, Response

from service.pages.desk import AtDesk, Desk, page_router
from service.pages.forms import PostedIn
from service.pages.frame import PAGE_HEADERS, page
from service.pages.gate import words
from service.partners.queries import names_of, partners_by_id
from service.web import EARLIEST, LATEST, NO_XML_CHARACTER
from service.weighbridge.schemas_out import DeliverySummary
from service.weighbridge.tables import Delivery
from service.weighbridge.ticket_list import list_deliveries, page_out

routes = page_router()
WAITING_MAX = 50
DAY_MAX = 100
FOUND_MAX = 20
ONE_DAY = timedelta(days=1)


@dataclass(frozen=True)
class TicketLine:
    """A line of a list of tickets; `supplier` is the name, as a clerk knows nobody by a code."""

    ticket: DeliverySummary
    supplier: str


def lines_of(desk: Desk, deliveries: Sequence[Delivery]) -> list[TicketLine]:
    """Lines of a list of tickets, in its order."""
    partners = partners_by_id(desk.session, (delivery.supplier_id for delivery in deliveries))
    names = names_of(desk.session, partners.values())
    tickets = page_out(desk.session, deliveries, len(deliveries) + 1).deliveries
    return [
        TicketLine(ticket, names.get(delivery.supplier_id) or ticket.supplier)
        for ticket, delivery in zip(tickets, deliveries, strict=True)
    ]


@routes.get("/gate")
def get_gate(desk: AtDesk, day: str = "") -> Response:
    """What waits, and what came today and yesterday, or on another day."""
    today = desk.local(desk.now).date()
    asked = _date(day) or today
    days = [asked] if _date(day) else [today, today - ONE_DAY]
    waiting = list_deliveries(
        desk.session, site_no=desk.site.site_no, open_only=True, newest_first=True, limit=WAITING_MAX
    )
    return page(
        "gate/tickets.html",
        desk=desk,
        place="/gate",
        waiting=lines_of(desk, waiting),
        days=[(one, _tickets_of(desk, one)) for one in days],
        day_max=DAY_MAX,
        today=today,
        asked=asked,
        earlier=days[-1] - ONE_DAY,
        later=asked + ONE_DAY if asked < today else None,
        words=words,
    )


def _date(text: str) -> date | None:
    try:
        found = date.fromisoformat(text)
    except ValueError:
        return None
    return found if EARLIEST.year < found.year < LATEST.year else None


def _tickets_of(desk: Desk, day: date) -> list[TicketLine]:
    """Tickets of one calendar day of the plant, which may have 23 or 25 hours, newest first."""
    begin = datetime.combine(day, time(), desk.zone)
    end = datetime.combine(day + ONE_DAY, time(), desk.zone)
    found = list_deliveries(
        desk.session,
        site_no=desk.site.site_no,
        arrived_from=begin,
        arrived_to=end,
        newest_first=True,
        include_reversed=True,
        limit=DAY_MAX,
    )
    return lines_of(desk, found)


@routes.post("/gate/find")
def post_find(posted: PostedIn, desk: AtDesk) -> Response:
    """Find a ticket by its number or by a plate; posted, so that no plate stands in a server's log."""
    typed = NO_XML_CHARACTER.sub("", posted.one("find")).strip()[:100]
    site_no = desk.site.site_no
    found = list(
        list_deliveries(
            desk.session, site_no=site_no, ticket_no=ticket_no_typed(typed), include_reversed=True, limit=FOUND_MAX
        )
    )
    if typed and not found:
        found += list_deliveries(
            desk.session, site_no=site_no, plate=typed, include_reversed=True, newest_first=True, limit=FOUND_MAX
        )
    if len(found) == 1:
        return RedirectResponse(f"/gate/tickets/{found[0].id}", 303, PAGE_HEADERS)
    return page("gate/found.html", desk=desk, place="/gate", typed=typed, found=lines_of(desk, found), words=words)


def ticket_no_typed(typed: str) -> str:
    """A ticket number as printed, from what an angry driver reads out: 'T000012', 't12' or '12'.

    Examples
    --------
    >>> ticket_no_typed("12"), ticket_no_typed("t000012"), ticket_no_typed("AB-12-CD")
    ('T000012', 'T000012', 'AB-12-CD')
    """
    digits = typed.upper().removeprefix("T")
    return f"T{int(digits):06d}" if digits.isascii() and digits.isdecimal() and len(digits) < 12 else typed
