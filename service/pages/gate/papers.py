"""What the gate prints: the weigh ticket, the bale tags, the receiving note and the rejection note.

Each paper says on its face which version of the ticket it shows; the ticket's number has no gaps.
"""

from typing import Any

from fastapi import Request
from fastapi.responses import Response

from service.errors import Conflict, NotFound
from service.journal.read import text_of, versions
from service.labels.bale_tag import bale_tag_svg
from service.labels.qr import scan_url
from service.pages.desk import AtDesk, Desk, PathId, page_router
from service.pages.frame import PAGE_HEADERS, page
from service.pages.gate import words
from service.pages.gate.own import own_delivery
from service.plant.queries import get_by_code
from service.plant.tables import Material
from service.weighbridge.answer import delivery_out
from service.weighbridge.history import entry_kinds, newest_entry
from service.weighbridge.schemas_out import BaleOut, DeliveryOut
from service.weighbridge.statuses import Decision
from service.weighbridge.tables import Delivery
from service.weighbridge.tags import tags_of

routes = page_router()
COPIES = ("for the driver", "for the plant")


def _paper(desk: Desk, template: str, ticket: DeliveryOut, **more: Any) -> Response:
    return page(
        f"gate/{template}",
        desk=desk,
        place="/gate",
        ticket=ticket,
        material=get_by_code(desk.session, Material, ticket.material),
        printed_at=desk.local(desk.now),
        entry_no=newest_entry(desk.session, ticket.id),
        words=words,
        **more,
    )


@routes.get("/gate/tickets/{delivery_id}/papers/ticket")
def get_weigh_ticket(desk: AtDesk, delivery_id: PathId) -> Response:
    """The weigh ticket, twice, A5 landscape."""
    return _paper(desk, "paper_ticket.html", ticket_of(desk, delivery_id), copies=COPIES)


@routes.get("/gate/tickets/{delivery_id}/papers/receiving-note")
def get_receiving_note(desk: AtDesk, delivery_id: PathId) -> Response:
    """What was received, A4."""
    return _paper(desk, "paper_receiving.html", ticket_of(desk, delivery_id))


@routes.get("/gate/tickets/{delivery_id}/papers/rejection-note")
def get_rejection_note(desk: AtDesk, delivery_id: PathId) -> Response:
    """What goes back and why, A4.

    Raises
    ------
    Conflict : nothing of the load was rejected.
    """
    ticket = ticket_of(desk, delivery_id)
    if ticket.decision not in (Decision.PART_REJECTED, Decision.REJECTED):
        raise Conflict(
            "nothing-rejected",
            f"Nothing of ticket {ticket.ticket_no} was rejected, so there is no rejection note.",
            "Reject bales on the ticket first.",
        )
    stated = versions(desk.session, Delivery, delivery_id)
    kinds = entry_kinds(desk.session, [version.seq for version in stated])
    reasons = [
        (desk.local(version.recorded_at), text_of(desk.session, version.reason_id))
        for version in stated
        if kinds[version.seq] == "load_rejected"
    ]
    return _paper(desk, "paper_rejection.html", ticket, reasons=reasons, rejected=rejected_of(ticket))


def ticket_of(desk: Desk, delivery_id: int) -> DeliveryOut:
    return delivery_out(desk.session, own_delivery(desk, delivery_id))


def rejected_of(ticket: DeliveryOut) -> list[BaleOut]:
    return [bale for bale in ticket.bales if bale.left_on_truck or bale.sent_back]


@routes.get("/gate/tickets/{delivery_id}/papers/tags")
def get_tags(desk: AtDesk, delivery_id: PathId) -> Response:
    """A tag for each bale that stays, 100 mm x 150 mm; each is drawn when the browser asks for it."""
    delivery = own_delivery(desk, delivery_id)
    codes = list(tags_of(desk.session, delivery, desk.zone))
    return page("gate/paper_tags.html", desk=desk, place="/gate", ticket=delivery, codes=codes)


@routes.get("/gate/tickets/{delivery_id}/papers/tags/{code}.svg")
def get_tag(desk: AtDesk, delivery_id: PathId, code: str, request: Request) -> Response:
    """One tag as a picture.

    Raises
    ------
    NotFound : no bale of the ticket that stays has this code.
    """
    tag = tags_of(desk.session, own_delivery(desk, delivery_id), desk.zone).get(code)
    if tag is None:
        raise NotFound("bale-not-found", f"No bale {code[:20]} stays of this ticket.", "Look at the ticket's list.")
    svg = bale_tag_svg(tag, scan_url(request.app.state.settings.public_url, code))
    return Response(svg, media_type="image/svg+xml", headers=PAGE_HEADERS | {"Cache-Control": "no-store"})
