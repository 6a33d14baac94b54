"""What is printed for one lot: the label of a lot, the tag of a bale. Each on a page of its paper's size."""

from fastapi import Response
from fastapi.responses import RedirectResponse
from markupsafe import Markup

from service.errors import Conflict, Unacceptable
from service.labels.bale_tag import bale_tag_svg
from service.labels.qr import scan_url
from service.labels.sheet import TagTextTooLong
from service.labels.tag import tag_svg
from service.lots.queries import get_lot
from service.lots.statuses import LotKind
from service.lots.stock import LotAccount
from service.lots.tables import Lot
from service.pages.desk import Desk
from service.pages.frame import PAGE_HEADERS, page
from service.papers.queries import tag_content
from service.weighbridge.queries import get_delivery
from service.weighbridge.tags import tags_of


def has_tag(lot: Lot) -> bool:
    """Whether a lot bears the tag of a bale; one that stood here before records began has no ticket to name."""
    return lot.kind is LotKind.BALE and lot.delivery_id is not None


def paper_of(lot: Lot, account: LotAccount) -> str | None:
    """What can be printed for a lot now: its tag, its label, or nothing while it has no mass."""
    if has_tag(lot):
        return "tag"
    return None if account.mass_g is None else "label"


def label_page(desk: Desk, code: str, public_url: str) -> Response:
    """The label of a lot; a bale that came with a ticket has a tag instead.

    Raises
    ------
    Conflict : the lot has no mass yet, and a label is never printed without.
    """
    lot = get_lot(desk.session, code)
    if has_tag(lot):
        return RedirectResponse(f"/lots/{lot.code}/tag", 303, PAGE_HEADERS)
    content = tag_content(desk.session, lot)
    try:
        return _paper_page(desk, lot, "label", tag_svg(content, scan_url(public_url, lot.code)))
    except TagTextTooLong as fault:
        raise _does_not_fit(fault) from fault


def tag_page(desk: Desk, code: str, public_url: str) -> Response:
    """The tag of one bale, the same as among all tags of its ticket; any other lot has a label."""
    lot = get_lot(desk.session, code)
    if not has_tag(lot):
        return RedirectResponse(f"/lots/{lot.code}/label", 303, PAGE_HEADERS)
    # A bale that went back bears a tag too while it stands in the yard, but nobody prints it again.
    content = tags_of(desk.session, get_delivery(desk.session, lot.delivery_id or 0), desk.zone).get(lot.code)
    if content is None:
        raise Conflict("bale-sent-back", f"Bale {lot.code} was rejected and is not here.", "Look at its ticket.")
    try:
        return _paper_page(desk, lot, "tag", bale_tag_svg(content, scan_url(public_url, lot.code)))
    except TagTextTooLong as fault:
        raise _does_not_fit(fault) from fault


def _paper_page(desk: Desk, lot: Lot, paper: str, svg: str) -> Response:
    return page("lots/paper.html", desk=desk, place="/lots", lot=lot, paper=paper, svg=Markup(svg))


def _does_not_fit(fault: TagTextTooLong) -> Unacceptable:
    return Unacceptable("text-too-long-for-paper", f"It cannot be printed: {fault}.", "Shorten it, then print again.")
