"""Deliveries and what hangs on them, as they stand or as they were known."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import ColumnElement, select
from sqlmodel import Session, col

from service.errors import Conflict, NotFound
from service.journal.read import Knowledge, current
from service.journal.tables import SITE_STEP
from service.lots.queries import chunks, lots_of_delivery
from service.lots.statuses import Step
from service.lots.tables import Line, Lot, LotMass, Process
from service.weighbridge.masses import Load
from service.weighbridge.statuses import Decision, WeighingKind, WeighingOrigin
from service.weighbridge.tables import Deduction, Delivery, Weighing, WeighingChoice


def find_delivery(session: Session, delivery_id: int, known: Knowledge | None = None) -> Delivery | None:
    """The newest known version, a reversed one too: a ticket never disappears."""
    query = select(Delivery).where(col(Delivery.id) == delivery_id).order_by(col(Delivery.version).desc()).limit(1)
    if known is not None:
        query = query.where(known.covers(col(Delivery.seq)))
    return session.execute(query).scalar_one_or_none()


def get_delivery(session: Session, delivery_id: int, known: Knowledge | None = None) -> Delivery:
    """The same, or a refusal.

    Raises
    ------
    NotFound : no delivery has this number, or it was not known then.
    """
    found = find_delivery(session, delivery_id, known)
    if found is None:
        raise NotFound(
            "delivery-not-found",
            f"There is no delivery {delivery_id}.",
            "Use the id that GET /v1/deliveries gives, not the ticket number.",
        )
    return found


def get_live_delivery(session: Session, delivery_id: int) -> Delivery:
    """A delivery that can still be worked on.

    Raises
    ------
    NotFound : no such delivery.
    Conflict : it was reversed.
    """
    delivery = get_delivery(session, delivery_id)
    if delivery.void:
        raise Conflict(
            "delivery-reversed",
            f"Ticket {delivery.ticket_no} was reversed; nothing can be added to it.",
            "Record the truck as a new delivery.",
        )
    return delivery


def get_working_delivery(session: Session, delivery_id: int) -> Delivery:
    """A delivery that was neither reversed nor sent back as a whole.

    Raises
    ------
    NotFound : no such delivery.
    Conflict : it was reversed, or all of it was rejected.
    """
    delivery = get_live_delivery(session, delivery_id)
    if delivery.decision is Decision.REJECTED:
        raise Conflict(
            "delivery-rejected",
            f"The whole load of ticket {delivery.ticket_no} was rejected; nothing of it comes in.",
            "Reverse the ticket if the rejection was a mistake, and record the truck again.",
        )
    return delivery


def load_of(session: Session, delivery: Delivery, known: Knowledge | None = None) -> Load:
    """A delivery with its current weighings, choices and deductions."""
    return loads_of(session, [delivery], known)[0]


def loads_of(session: Session, deliveries: Sequence[Delivery], known: Knowledge | None = None) -> list[Load]:
    """The same for a page of deliveries, in three queries for all of them."""
    deductions = _by_delivery(session, Deduction, [delivery.id for delivery in deliveries], known)
    return [
        replace(load, deductions=tuple(deductions.get(load.delivery.id, ())))
        for load in loads_as_weighed(session, deliveries, known)
    ]


def loads_as_weighed(session: Session, deliveries: Sequence[Delivery], known: Knowledge | None = None) -> list[Load]:
    """Deliveries with weighings and choices alone: enough for gross, tare and net, not for what is taken off it."""
    ids = [delivery.id for delivery in deliveries]
    weighings = _by_delivery(session, Weighing, ids, known)
    choices = _by_delivery(session, WeighingChoice, ids, known)
    return [
        Load(delivery, tuple(weighings.get(delivery.id, ())), tuple(choices.get(delivery.id, ())), ())
        for delivery in deliveries
    ]


def _by_delivery(
    session: Session, table: type[Any], delivery_ids: Sequence[int], known: Knowledge | None
) -> dict[int, list[Any]]:
    query = current(table, known).where(col(table.delivery_id).in_(delivery_ids)).order_by(col(table.id))
    found: dict[int, list[Any]] = {}
    for row in session.execute(query).scalars():
        found.setdefault(row.delivery_id, []).append(row)
    return found


def all_versions(session: Session, table: type[Any], owner: ColumnElement[bool]) -> Sequence[Any]:
    """Every version of the facts that belong to one owner, withdrawn ones too, oldest first."""
    return session.execute(select(table).where(owner).order_by(col(table.seq), col(table.id))).scalars().all()


def ticket_taken(
    session: Session,
    site_no: int,
    origin: WeighingOrigin,
    series: str,
    ticket_no: str,
    kind: WeighingKind,
) -> Weighing | None:
    """The weighing that has this ticket already.

    One of our scales gives each reading its own number. Other people print gross and tare on one ticket,
    so theirs collide only for the same kind of reading.
    """
    query = current(Weighing).where(
        col(Weighing.id) >= site_no * SITE_STEP,
        col(Weighing.id) < (site_no + 1) * SITE_STEP,
        col(Weighing.ticket_series) == series,
        col(Weighing.ticket_no) == ticket_no,
        col(Weighing.origin) == origin,
    )
    if origin is not WeighingOrigin.OWN:
        query = query.where(col(Weighing.kind) == kind)
    return session.execute(query).scalars().first()


@dataclass(frozen=True)
class Contents:
    """The lots of a delivery, in the order they were registered, and what became of them at the gate.

    Parameters
    ----------
    left_on_truck : rejected before the tare weighing; the net never contained them.
    sent_back : rejected after unloading; part of the net, returned by a process of their own.
    platform : the latest real weighing by lot id.
    """

    lots: tuple[Lot, ...]
    left_on_truck: frozenset[int]
    sent_back: frozenset[int]
    platform: dict[int, Weighing]

    @property
    def carrying(self) -> list[Lot]:
        """The lots among which the material net is spread."""
        return [lot for lot in self.lots if lot.id not in self.left_on_truck]

    @property
    def staying(self) -> list[Lot]:
        """The lots that were not rejected."""
        return [lot for lot in self.carrying if lot.id not in self.sent_back]


def contents_of(session: Session, delivery: Delivery, known: Knowledge | None = None) -> Contents:
    """What a delivery consists of, as known at `known`."""
    lots = lots_of_delivery(session, delivery.id)
    if known is not None:
        sizes = dict(known.sizes)
        lots = [lot for lot in lots if lot.seq % SITE_STEP < sizes.get(lot.seq // SITE_STEP, 0)]
    ids = [lot.id for lot in lots]
    left: set[int] = set()
    sent: set[int] = set()
    platform: dict[int, Weighing] = {}
    for portion in chunks(ids):
        withdrawn = select(col(LotMass.id)).where(col(LotMass.id).in_(portion), col(LotMass.void))
        returned = (
            current(Line, known)
            .join(Process, col(Process.id) == col(Line.process_id))
            .where(col(Line.lot_id).in_(portion), col(Process.step) == Step.RETURN_TO_SUPPLIER)
            .with_only_columns(col(Line.lot_id))
        )
        if known is not None:
            withdrawn = withdrawn.where(known.covers(col(LotMass.seq)))
        if delivery.void:
            # The reversal itself withdrew the masses of all bales; that says nothing about the truck.
            withdrawn = withdrawn.where(col(LotMass.seq) != delivery.seq)
        left |= set(session.execute(withdrawn).scalars())
        sent |= {lot_id for lot_id in session.execute(returned).scalars() if lot_id is not None}
        weighed = current(Weighing, known).where(col(Weighing.lot_id).in_(portion))
        platform |= _latest_by_lot(session.execute(weighed).scalars())
    return Contents(tuple(lots), frozenset(left), frozenset(sent), platform)


def _latest_by_lot(weighings: Iterable[Weighing]) -> dict[int, Weighing]:
    return {
        weighing.lot_id: weighing
        for weighing in sorted(weighings, key=lambda row: (row.weighed_at, row.id))
        if weighing.lot_id is not None
    }
