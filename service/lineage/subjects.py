"""What a hold or a recall lies on, and which lots that is: a lot, a delivery, a supplier, what a vessel gave out.

Found anew at every question and never copied, so that a draw booked later, or with its true time, is among them.
"""

from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import BigInteger, Select, and_, bindparam, or_, select
from sqlmodel import Session, col

from service.journal.read import Knowledge, current
from service.lots.statuses import Category, Direction, HoldSubject
from service.lots.tables import Hold, Line, Lot, Process
from service.weighbridge.tables import Delivery


@dataclass(frozen=True)
class Subject:
    """A lot, a delivery, a partner or a vessel, by its identity.

    Parameters
    ----------
    from_at, to_at : of a vessel: what was drawn in this time. Without an end: what was drawn ever since, until
        the vessel is proven empty.
    begun_by : periods of the vessel that began later are clean; None where all of them count.
    """

    kind: HoldSubject
    id: int
    from_at: datetime | None = None
    to_at: datetime | None = None
    begun_by: datetime | None = None


def subject_of(hold: Hold) -> Subject:
    """What a hold lies on. Without an end it reaches no period that began after it was placed."""
    begun_by = hold.recorded_at if hold.to_at is None else None
    return Subject(hold.subject_kind, hold.subject_id, hold.from_at, hold.to_at, begun_by)


def lots_of_subject(session: Session, subject: Subject, known: Knowledge | None = None) -> list[int]:
    """The lots a subject is, oldest identity first."""
    if subject.kind is HoldSubject.LOT:
        return [subject.id]
    if subject.kind is HoldSubject.VESSEL:
        return _drawn(session, subject, known)
    rows = session.execute(_lots_of(subject.kind, known), {"subject": subject.id})
    return [int(lot_id) for (lot_id,) in rows]


@lru_cache(maxsize=64)
def _lots_of(kind: HoldSubject, known: Knowledge | None) -> Select[Any]:
    subject = bindparam("subject", type_=BigInteger())
    lots = select(col(Lot.id)).order_by(col(Lot.id))
    if known is not None:
        lots = lots.where(known.covers(col(Lot.seq)))
    if kind is HoldSubject.DELIVERY:
        return lots.where(col(Lot.delivery_id) == subject)
    of_partner = current(Delivery, known).where(col(Delivery.supplier_id) == subject).subquery()
    return lots.where(col(Lot.delivery_id).in_(select(of_partner.c.id)))


def _drawn(session: Session, subject: Subject, known: Knowledge | None) -> list[int]:
    """Lots drawn from a vessel while the time ran: an instant at its start counts, one at its end does not."""
    assert subject.from_at is not None, "a vessel is named with the time from which it is meant"
    periods = current(Process, known).where(col(Process.equipment_id) == subject.id)
    if subject.begun_by is not None:
        periods = periods.where(col(Process.started_at) <= subject.begun_by)
    of_vessel = periods.subquery()
    draws = current(Line, known).where(
        col(Line.process_id).in_(select(of_vessel.c.id)),
        col(Line.direction) == Direction.OUT,
        col(Line.category) != Category.TIES,
        col(Line.lot_id).is_not(None),
        or_(
            col(Line.end_at) > subject.from_at,
            and_(col(Line.end_at).is_(None), col(Line.start_at) >= subject.from_at),
        ),
    )
    if subject.to_at is not None:
        draws = draws.where(col(Line.start_at) < subject.to_at)
    rows = session.execute(draws.with_only_columns(col(Line.lot_id)).distinct().order_by(col(Line.lot_id)))
    return [int(lot_id) for (lot_id,) in rows]
