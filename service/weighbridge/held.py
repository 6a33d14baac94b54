"""Holds that lie on a delivery, its supplier or its lots: no correction and no reversal may lead out of one."""

from collections.abc import Iterable, Mapping, Sequence

from sqlalchemy import and_, or_
from sqlmodel import Session, col

from service.errors import Finding, OnHold
from service.journal.read import current
from service.lots.statuses import HoldSubject
from service.lots.tables import Hold
from service.weighbridge.tables import Delivery


def holds_lying_on(session: Session, subjects: Mapping[HoldSubject, Iterable[int]]) -> Sequence[Hold]:
    """The open holds placed on any of these, oldest first."""
    on_any = or_(
        *(
            and_(col(Hold.subject_kind) == kind, col(Hold.subject_id).in_(list(identities)))
            for kind, identities in subjects.items()
        )
    )
    return session.execute(current(Hold).where(on_any).order_by(col(Hold.id))).scalars().all()


def refuse_to_reverse_out_of_a_hold(session: Session, delivery: Delivery, lot_ids: Iterable[int]) -> None:
    """A held load whose ticket is reversed could be recorded again, and no hold would reach what came back.

    Raises
    ------
    OnHold : with every hold on the delivery, its supplier or its lots.
    """
    holds = holds_lying_on(
        session,
        {
            HoldSubject.DELIVERY: [delivery.id],
            HoldSubject.PARTNER: [delivery.supplier_id],
            HoldSubject.LOT: lot_ids,
        },
    )
    if not holds:
        return
    remedy = "Send the load back with a rejection, or have another person lift the hold first."
    raise OnHold(
        "delivery-on-hold",
        f"Ticket {delivery.ticket_no} cannot be reversed while a hold lies on it; nothing was changed.",
        remedy,
        tuple(Finding("", f"hold {hold.id} lies on its {hold.subject_kind}", remedy) for hold in holds),
    )
