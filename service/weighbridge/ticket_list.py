"""The list of tickets: which ones, in which order, and one line about each."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, exists, or_, select
from sqlalchemy.orm import aliased
from sqlmodel import Session, col

from service.core.plates import plain_plate
from service.core.quantities import kg_text
from service.journal.read import Knowledge, current
from service.journal.tables import SITE_STEP, PrivateText, VersionedFact
from service.partners.queries import names_of, partners_by_id
from service.plant.tables import Material
from service.weighbridge.answer_masses import kg_or_none
from service.weighbridge.masses import Load, Pair, is_open, physical_pair
from service.weighbridge.queries import loads_as_weighed
from service.weighbridge.schemas_out import DeliveryPage, DeliverySummary
from service.weighbridge.statuses import Decision, Purpose, WeighingKind, WeighingOrigin
from service.weighbridge.tables import Delivery, Weighing, WeighingChoice

TICKETS_LOOKED_AT = 3_000
"""Newest tickets among which a plate or a supplier is looked for: fifteen months of two hundred trucks."""


def list_deliveries(
    session: Session,
    known: Knowledge | None = None,
    *,
    site_no: int | None = None,
    ticket_no: str | None = None,
    open_only: bool = False,
    arrived_from: datetime | None = None,
    arrived_to: datetime | None = None,
    plate: str | None = None,
    include_reversed: bool = False,
    newest_first: bool = False,
    after: int = 0,
    limit: int = 50,
) -> Sequence[Delivery]:
    """A page of tickets in the order they were opened, or the other way round.

    Parameters
    ----------
    arrived_from, arrived_to : half-open; a ticket at `arrived_to` is outside.
    plate : in any spelling; looked for among the newest `TICKETS_LOOKED_AT` tickets only.
    open_only : waiting for a weighing; a reversed ticket waits for nothing.
    after : id of the last ticket of the page before; 0 for the first page.
    """
    query = _tickets(known, include_reversed and not open_only).where(*_of_site(site_no))
    if after:
        query = query.where(col(Delivery.id) < after if newest_first else col(Delivery.id) > after)
    if ticket_no is not None:
        query = query.where(col(Delivery.ticket_no) == ticket_no)
    if arrived_from is not None:
        query = query.where(col(Delivery.arrived_at) >= arrived_from)
    if arrived_to is not None:
        query = query.where(col(Delivery.arrived_at) < arrived_to)
    if open_only:
        query = query.where(_is_open(known))
    if plate is not None:
        query = query.where(col(Delivery.id).in_(tickets_with_plate(session, plate, site_no, known, include_reversed)))
    order = col(Delivery.id).desc() if newest_first else col(Delivery.id)
    return session.execute(query.order_by(order).limit(limit)).scalars().all()


def tickets_with_plate(
    session: Session,
    plate: str,
    site_no: int | None = None,
    known: Knowledge | None = None,
    include_reversed: bool = False,
) -> list[int]:
    """Ids of the newest tickets whose plate is this one in whatever spelling, newest first.

    An erased plate is nobody's. Compared here and not in SQL, whose upper case depends on the engine.
    """
    wanted = plain_plate(plate)
    if not wanted:
        return []
    query = (
        _tickets(known, include_reversed)
        .outerjoin(PrivateText, col(PrivateText.id) == col(Delivery.plate_id))
        .where(*_of_site(site_no))
        .order_by(col(Delivery.id).desc())
        .limit(TICKETS_LOOKED_AT)
        .with_only_columns(col(Delivery.id), col(PrivateText.text))
    )
    return [row[0] for row in session.execute(query) if row[1] is not None and plain_plate(row[1]) == wanted]


def recent_suppliers(session: Session, site_no: int, limit: int = 30) -> list[tuple[str, str | None]]:
    """Code and name of those who delivered to a site last, the latest first; None where a name has been erased.

    Looks at the newest `TICKETS_LOOKED_AT` tickets.
    """
    newest = (
        current(Delivery)
        .where(*_of_site(site_no))
        .order_by(col(Delivery.id).desc())
        .limit(TICKETS_LOOKED_AT)
        .with_only_columns(col(Delivery.supplier_id))
    )
    latest_first = list(dict.fromkeys(session.execute(newest).scalars()))[:limit]
    partners = partners_by_id(session, latest_first)
    names = names_of(session, partners.values())
    return [(partners[supplier_id].code, names[supplier_id]) for supplier_id in latest_first]


def _tickets(known: Knowledge | None, include_reversed: bool) -> Select[Any]:
    """The newest known version of each ticket."""
    if not include_reversed:
        return current(Delivery, known)
    later = aliased(Delivery)
    superseded = and_(col(later.id) == col(Delivery.id), col(later.version) > col(Delivery.version))
    if known is None:
        return select(Delivery).where(~exists(select(1).where(superseded)))
    superseded = and_(superseded, known.covers(col(later.seq)))
    return select(Delivery).where(~exists(select(1).where(superseded)), known.covers(col(Delivery.seq)))


def _of_site(site_no: int | None) -> tuple[ColumnElement[bool], ...]:
    if site_no is None:
        return ()
    return (col(Delivery.id) >= site_no * SITE_STEP, col(Delivery.id) < (site_no + 1) * SITE_STEP)


def _is_open(known: Knowledge | None) -> ColumnElement[bool]:
    """SQL of `masses.is_open`: no pair for physics, neither chosen nor from our own scale, and not sent away."""

    def weighed(kind: WeighingKind) -> ColumnElement[bool]:
        return _exists(
            Weighing,
            known,
            and_(
                col(Weighing.delivery_id) == col(Delivery.id),
                col(Weighing.kind) == kind,
                col(Weighing.origin) == WeighingOrigin.OWN,
            ),
        )

    chosen = _exists(
        WeighingChoice,
        known,
        and_(
            col(WeighingChoice.delivery_id) == col(Delivery.id),
            col(WeighingChoice.purpose) == Purpose.PHYSICAL,
        ),
    )
    # In this order, because nearly every ticket has both weighings of our own and no choice.
    has_pair = or_(and_(weighed(WeighingKind.TARE), weighed(WeighingKind.GROSS)), chosen)
    return and_(~has_pair, col(Delivery.decision) != Decision.REJECTED)


def _exists(table: type[VersionedFact], known: Knowledge | None, condition: ColumnElement[bool]) -> ColumnElement[bool]:
    return exists(current(table, known).where(condition).correlate(Delivery).with_only_columns(col(table.id)))


def page_out(
    session: Session, deliveries: Sequence[Delivery], limit: int, known: Knowledge | None = None
) -> DeliveryPage:
    """One page of tickets; the number of queries does not grow with the page."""
    partners = partners_by_id(session, (delivery.supplier_id for delivery in deliveries), known)
    wanted = {delivery.material_id for delivery in deliveries}
    rows = session.execute(current(Material, known).where(col(Material.id).in_(wanted))).scalars()
    materials = {row.id: row.code for row in rows}
    plates = _texts(session, [delivery.plate_id for delivery in deliveries if delivery.plate_id is not None])
    summaries = []
    for load in loads_as_weighed(session, deliveries, known):
        delivery, pair = load.delivery, physical_pair(load)
        supplier = partners[delivery.supplier_id]
        summaries.append(
            DeliverySummary(
                id=delivery.id,
                ticket_no=delivery.ticket_no,
                is_reversed=delivery.void,
                plate=plates.get(delivery.plate_id or 0),
                supplier=supplier.code,
                supplier_is_mapped=supplier.is_mapped,
                material=materials[delivery.material_id],
                form=delivery.form,
                arrived_at=delivery.arrived_at,
                note_no=delivery.note_no,
                note_count=delivery.note_count,
                counted=delivery.counted,
                decision=delivery.decision,
                is_open=is_open(load) and not delivery.void,
                gross_kg=kg_or_none(_gross_g(load, pair)),
                net_kg=None if pair is None else kg_text(pair.net_g),
            )
        )
    is_full = len(summaries) == limit
    return DeliveryPage(deliveries=summaries, next_after=summaries[-1].id if is_full else None)


def _texts(session: Session, text_ids: Sequence[int]) -> dict[int, str | None]:
    """Private texts by id; None where one has been erased."""
    query = select(col(PrivateText.id), col(PrivateText.text)).where(col(PrivateText.id).in_(text_ids))
    return {row[0]: row[1] for row in session.execute(query)}


def _gross_g(load: Load, pair: Pair | None) -> int | None:
    """The gross reading that counts, or, while the tare is missing, our latest one."""
    if pair is not None:
        return pair.gross.mass_g
    ours = [
        weighing
        for weighing in load.weighings
        if weighing.kind is WeighingKind.GROSS and weighing.origin is WeighingOrigin.OWN
    ]
    return max(ours, key=lambda row: (row.weighed_at, row.id)).mass_g if ours else None
