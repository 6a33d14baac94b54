"""Remarks and their photos, as they stand or as they were known."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Select, select
from sqlmodel import Session, col

from service.errors import NotFound
from service.journal.read import Knowledge, current
from service.journal.tables import PrivateText
from service.lots.tables import Lot
from service.weighbridge.schemas_out import RemarkOut
from service.weighbridge.tables import Attachment, Remark


def remarks_out(session: Session, delivery_id: int, known: Knowledge | None = None) -> list[RemarkOut]:
    """What was noticed about a delivery and its lots, in the order it was recorded; withdrawn remarks left out."""
    query = current(Remark, known).where(col(Remark.delivery_id) == delivery_id)
    return _in_words(session, query.order_by(col(Remark.id)))


def remark_versions(session: Session, delivery_id: int) -> list[tuple[Remark, RemarkOut]]:
    """Every version of every remark on a delivery, withdrawn ones too, oldest first."""
    query = select(Remark).where(col(Remark.delivery_id) == delivery_id)
    rows = _with_words(session, query.order_by(col(Remark.seq), col(Remark.id)))
    return [(row[0], _remark_out(*row)) for row in rows]


def remark_out(session: Session, remark: Remark) -> RemarkOut:
    """One version of one remark."""
    this = (col(Remark.id) == remark.id, col(Remark.version) == remark.version)
    return _in_words(session, select(Remark).where(*this))[0]


def find_remark(session: Session, delivery_id: int, remark_id: int) -> Remark | None:
    """The newest version of a remark on a delivery, a withdrawn one too."""
    query = select(Remark).where(col(Remark.id) == remark_id, col(Remark.delivery_id) == delivery_id)
    return session.execute(query.order_by(col(Remark.version).desc()).limit(1)).scalar_one_or_none()


def get_remark(session: Session, delivery_id: int, remark_id: int) -> Remark:
    """The same, or a refusal.

    Raises
    ------
    NotFound : the delivery has no such remark.
    """
    found = find_remark(session, delivery_id, remark_id)
    if found is None:
        raise NotFound(
            "remark-not-found",
            f"Delivery {delivery_id} has no remark {remark_id}.",
            "Use an id that GET /v1/deliveries/{delivery_id}/remarks gives.",
        )
    return found


def get_photo(session: Session, delivery_id: int, remark_id: int) -> bytes:
    """The photo of a remark, JPEG; of a withdrawn remark too, for what was shown once stays readable.

    Raises
    ------
    NotFound : no such remark; it has no photo; the photo was erased.
    """
    remark = get_remark(session, delivery_id, remark_id)
    if remark.photo_sha256 is None:
        raise NotFound(
            "photo-not-found", f"Remark {remark_id} came without a photo.", "Record another remark with a photo."
        )
    query = select(col(Attachment.content)).where(col(Attachment.sha256) == remark.photo_sha256)
    content: bytes | None = session.execute(query).scalar_one()
    if content is None:
        raise NotFound(
            "photo-erased",
            f"The photo of remark {remark_id} was erased; that there was one with SHA-256 {remark.photo_sha256} stays.",
            "Nothing brings it back; ask whoever may hold a copy.",
        )
    return content


def _in_words(session: Session, query: Select[Any]) -> list[RemarkOut]:
    return [_remark_out(*row) for row in _with_words(session, query)]


def _with_words(session: Session, query: Select[Any]) -> Sequence[Any]:
    """Each remark with the code of its lot, its note, and whether its photo's bytes are gone; in one query."""
    joined = (
        query.outerjoin(Lot, col(Lot.id) == col(Remark.lot_id))
        .outerjoin(PrivateText, col(PrivateText.id) == col(Remark.note_id))
        .outerjoin(Attachment, col(Attachment.sha256) == col(Remark.photo_sha256))
        .add_columns(col(Lot.code), col(PrivateText.text), col(Attachment.content).is_(None))
    )
    return session.execute(joined).all()


def _remark_out(remark: Remark, lot_code: str | None, note: str | None, has_no_bytes: bool) -> RemarkOut:
    return RemarkOut(
        id=remark.id,
        delivery_id=remark.delivery_id,
        kind=remark.kind,
        lot=lot_code,
        note=note,
        noticed_at=remark.effective_at,
        photo_sha256=remark.photo_sha256,
        photo_is_erased=remark.photo_sha256 is not None and bool(has_no_bytes),
        is_withdrawn=remark.void,
    )
