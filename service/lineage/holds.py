"""Which holds reach a lot. A hold lies on a lot, a delivery or a supplier; everything that may contain some of
it inherits it, found anew at every gate and never copied."""

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import select
from sqlmodel import Session, col

from service.errors import Findings, OnHold
from service.journal.read import current, text_of
from service.lineage.graph import LotGraph
from service.lots.queries import lots_by_id
from service.lots.statuses import Direction, HoldSubject
from service.lots.tables import Hold, Lot
from service.weighbridge.tables import Delivery


@dataclass(frozen=True)
class ReachingHold:
    """A hold that reaches a lot, and the lot of the held ones through which it does."""

    hold: Hold
    cause: str
    source: Lot


def held_lots(session: Session, hold: Hold) -> list[Lot]:
    """The lots a hold lies on directly: the lot, those of the delivery, those of all the supplier's deliveries."""
    query = select(Lot)
    match hold.subject_kind:
        case HoldSubject.LOT:
            query = query.where(col(Lot.id) == hold.subject_id)
        case HoldSubject.DELIVERY:
            query = query.where(col(Lot.delivery_id) == hold.subject_id)
        case HoldSubject.PARTNER:
            of_partner = current(Delivery).where(col(Delivery.supplier_id) == hold.subject_id).subquery()
            query = query.where(col(Lot.delivery_id).in_(select(of_partner.c.id)))
    return list(session.execute(query.order_by(col(Lot.id))).scalars())


def holds_reaching(
    session: Session, lot_ids: Iterable[int], graph: LotGraph | None = None
) -> dict[int, list[ReachingHold]]:
    """All holds that reach each of these lots; lots no hold reaches are left out.

    Walks down from what is held: there are few holds, and a lot may have a long history.
    """
    asked = set(lot_ids)
    reached: dict[int, list[ReachingHold]] = {}
    graph = graph or LotGraph(session)
    graph.preload(asked)
    # A bale was made nowhere here and contains nothing but itself: no walk is needed at the breaker.
    made_here = any(line.direction is Direction.OUT for lot_id in asked for line in graph.lines_of(lot_id))
    for hold in session.execute(current(Hold).order_by(col(Hold.id))).scalars().all():
        cause = text_of(session, hold.cause_id) or "cause erased"
        held = {lot.id: lot for lot in held_lots(session, hold)}
        through = graph.reached_from(held) if made_here else {lot_id: lot_id for lot_id in held}
        for lot_id in sorted(through.keys() & asked):
            reached.setdefault(lot_id, []).append(ReachingHold(hold, cause, held[through[lot_id]]))
    return reached


def refuse_if_held(session: Session, pointers: dict[int, str]) -> None:
    """The gate: nothing that a hold reaches is fed, charged, packed or shipped.

    Parameters
    ----------
    pointers : JSON pointer of each lot in the request, by lot id.

    Raises
    ------
    OnHold : with every hold that reaches any of the lots.
    """
    reached = holds_reaching(session, pointers)
    lots = lots_by_id(session, reached)
    findings = Findings()
    for lot_id, holds in reached.items():
        for reach in holds:
            through = "" if reach.source.id == lot_id else f" through lot {reach.source.code} in it"
            findings.add(
                pointers[lot_id],
                f"lot {lots[lot_id].code} is on hold{through}: {reach.cause} (hold {reach.hold.id})",
                "Do not use it. The hold is lifted by another person than the one who placed it.",
            )
    findings.refuse_if_any(
        OnHold, code="lot-on-hold", detail="A hold reaches what this would use; nothing was recorded."
    )
