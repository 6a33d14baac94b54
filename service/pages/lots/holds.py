"""The holds that reach a lot, for people of the plant: why, through what, since when, and who may lift each."""

from collections.abc import Sequence
from functools import cache
from typing import Any

from sqlalchemy import bindparam, select
from sqlmodel import Session, col

from service.access.tables import Actor
from service.journal.read import current, current_by_id
from service.journal.tables import JournalEntry, PrivateText
from service.lineage.holds import ReachingHold
from service.lineage.parties import partner_names
from service.lots.statuses import HoldSubject
from service.lots.tables import Hold
from service.pages.scan import HoldSeen
from service.plant.tables import Equipment
from service.weighbridge.tables import Delivery

ERASED = "(name erased)"


def holds_seen(session: Session, lot_id: int, reaching: Sequence[ReachingHold]) -> list[HoldSeen]:
    """Holds with what a person must know about each."""
    if not reaching:
        return []
    placers = _placers(session, [reach.hold.id for reach in reaching])
    subjects = _subjects(session, [reach.hold for reach in reaching])
    return [
        HoldSeen(
            hold_id=reach.hold.id,
            cause=reach.cause,
            on=None if reach.hold.subject_id == lot_id else subjects.get(reach.hold.id),
            through=None if reach.source.id == lot_id else reach.source.code,
            placed_at=reach.hold.effective_at,
            placed_by_id=placers[reach.hold.id][0],
            placed_by=placers[reach.hold.id][1],
        )
        for reach in reaching
    ]


def _placers(session: Session, hold_ids: Sequence[int]) -> dict[int, tuple[int, str]]:
    """Who placed each hold: the writer of its first version, by the name he bears now."""
    rows = session.execute(_who_placed(), {"holds": hold_ids})
    return {hold_id: (actor_id, name or ERASED) for hold_id, actor_id, name in rows}


# Building a statement costs more than running it.
@cache
def _who_placed() -> Any:
    actor = current(Actor).subquery()
    return (
        select(col(Hold.id), col(JournalEntry.actor_id), col(PrivateText.text))
        .join(JournalEntry, col(JournalEntry.seq) == col(Hold.seq))
        .outerjoin(actor, actor.c.id == col(JournalEntry.actor_id))
        .outerjoin(PrivateText, col(PrivateText.id) == actor.c.name_id)
        .where(col(Hold.id).in_(bindparam("holds", expanding=True)), col(Hold.version) == 1)
    )


def _subjects(session: Session, holds: Sequence[Hold]) -> dict[int, str]:
    """What holds on a delivery, a supplier or a vessel lie on, in words."""
    of_kind = {
        kind: {hold.id: hold.subject_id for hold in holds if hold.subject_kind is kind}
        for kind in (HoldSubject.DELIVERY, HoldSubject.PARTNER, HoldSubject.VESSEL)
    }
    found: dict[int, str] = {}
    if on_deliveries := of_kind[HoldSubject.DELIVERY]:
        deliveries = current_by_id(session, Delivery, on_deliveries.values())
        found |= {
            hold_id: f"the delivery with ticket {deliveries[delivery_id].ticket_no}"
            for hold_id, delivery_id in on_deliveries.items()
            if delivery_id in deliveries
        }
    if on_partners := of_kind[HoldSubject.PARTNER]:
        names = partner_names(session, list(on_partners.values()))
        found |= {
            hold_id: f"all material of {names.get(partner_id, ERASED)}" for hold_id, partner_id in on_partners.items()
        }
    if on_vessels := of_kind[HoldSubject.VESSEL]:
        vessels = current_by_id(session, Equipment, on_vessels.values())
        found |= {hold_id: f"what {vessels[vessel_id].name} gave out" for hold_id, vessel_id in on_vessels.items()}
    return found
