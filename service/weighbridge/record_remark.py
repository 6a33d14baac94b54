"""Verbs on what was noticed about a load: a remark, its photo, and taking it back."""

import hashlib

from sqlalchemy import insert, select
from sqlmodel import col

from service.errors import Conflict, Finding, Findings, NotFound, Unacceptable
from service.journal.entry import Entry
from service.journal.tables import site_of
from service.lots.queries import get_lot
from service.lots.tables import Lot
from service.weighbridge.moments import refuse_future
from service.weighbridge.photo import MEDIA_TYPE, PhotoRefused, is_kept_form, stored_photo
from service.weighbridge.queries import get_live_delivery
from service.weighbridge.remarks import get_remark, remark_out
from service.weighbridge.schemas import ReasonIn
from service.weighbridge.schemas_out import RemarkOut
from service.weighbridge.schemas_remark import RemarkIn
from service.weighbridge.tables import Attachment, Delivery, Remark


def with_kept_photo(body: RemarkIn) -> RemarkIn:
    """A remark whose photo has the form in which it is kept; asked before a write, which must not wait for a decoder.

    Raises
    ------
    Unacceptable : it is no photo that can be kept.
    """
    if body.photo_base64 is None:
        return body
    try:
        return body.model_copy(update={"photo_base64": stored_photo(body.photo_base64)})
    except PhotoRefused as refusal:
        raise Unacceptable(
            "photo-refused",
            "The photo cannot be kept; nothing was recorded.",
            refusal.remedy,
            (Finding("/photo_base64", refusal.detail, refusal.remedy),),
        ) from refusal


def record_remark(entry: Entry, delivery_id: int, remark: RemarkIn) -> RemarkOut:
    """Record what was noticed about a load or one lot of it, whatever became of the load since.

    Parameters
    ----------
    remark : its photo as `photo.stored_photo` gives it.

    Raises
    ------
    NotFound : unknown delivery.
    Conflict : it was reversed; the very same photo was erased before.
    Unacceptable : a lot of another delivery, or none at all; a moment in the future.
    """
    entry.open(site_of(delivery_id), "remark_recorded", remark.noticed_at)
    refuse_future(entry, ("/noticed_at", remark.noticed_at))
    delivery = get_live_delivery(entry.session, delivery_id)
    lot = _lot_of(entry, delivery, remark.lot)
    row = entry.add(
        Remark(
            id=entry.new_id("remark"),
            delivery_id=delivery.id,
            lot_id=None if lot is None else lot.id,
            kind=remark.kind,
            note_id=None if remark.note is None else entry.text(remark.note),
            photo_sha256=None if remark.photo_base64 is None else _keep(entry, remark.photo_base64),
        )
    )
    return remark_out(entry.session, row)


def withdraw_remark(entry: Entry, delivery_id: int, remark_id: int, body: ReasonIn) -> RemarkOut:
    """Take a remark back; it and its photo stay readable as withdrawn.

    Raises
    ------
    NotFound : unknown delivery, or no such remark on it.
    Conflict : the delivery was reversed, or the remark withdrawn before.
    """
    entry.open(site_of(delivery_id), "remark_withdrawn")
    delivery = get_live_delivery(entry.session, delivery_id)
    remark = get_remark(entry.session, delivery.id, remark_id)
    if remark.void:
        raise Conflict(
            "remark-withdrawn", f"Remark {remark_id} was withdrawn before.", "Nothing is left to do; check the number."
        )
    return remark_out(entry.session, entry.void(remark, body.reason))


def _lot_of(entry: Entry, delivery: Delivery, code: str | None) -> Lot | None:
    if code is None:
        return None
    findings = Findings()
    lot = None
    try:
        lot = get_lot(entry.session, code)
    except NotFound as unknown:
        findings.add("/lot", unknown.detail, unknown.remedy)
    if lot is not None and lot.delivery_id != delivery.id:
        findings.add(
            "/lot",
            f"{lot.code} is no lot of ticket {delivery.ticket_no}",
            "Check the code on the tag, or leave lot out if it is about the whole load.",
        )
    findings.refuse_if_any(code="lot-not-of-delivery", detail="The remark is about something else than this load.")
    return lot


def _keep(entry: Entry, photo: bytes) -> str:
    """Store a photo once, however many remarks show it; its SHA-256."""
    if not is_kept_form(photo):
        raise AssertionError("a photo goes through `stored_photo` before it is kept: it may say where somebody lives")
    sha256 = hashlib.sha256(photo).hexdigest()
    erased = entry.session.execute(
        select(col(Attachment.content).is_(None)).where(col(Attachment.sha256) == sha256)
    ).scalar_one_or_none()
    if erased:
        remedy = "Take another photo; this one was erased because somebody had a right to that."
        fault = f"the photo with SHA-256 {sha256} was erased"
        raise Conflict(
            "photo-erased", "This very photo was erased before.", remedy, (Finding("/photo_base64", fault, remedy),)
        )
    if erased is None:
        attachment = {
            "sha256": sha256,
            "media_type": MEDIA_TYPE,
            "size_bytes": len(photo),
            "content": photo,
            "stored_at": entry.recorded_at,
        }
        entry.session.execute(insert(Attachment).values(attachment))
    return sha256
