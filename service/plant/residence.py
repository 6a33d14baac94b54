"""Residence data and stops of a vessel or a line, as stated for their times."""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime

from sqlmodel import Session, col

from service.journal.one_of import one_of
from service.journal.read import Knowledge, current
from service.plant.statuses import VesselEventKind
from service.plant.tables import EquipmentEvent, Residence


def residences_of(session: Session, equipment_id: int, known: Knowledge | None = None) -> list[Residence]:
    """All statements about one vessel or line, by the time from which they hold."""
    return residences_of_all(session, [equipment_id], known)[equipment_id]


def residences_of_all(
    session: Session, equipment_ids: Collection[int], known: Knowledge | None = None
) -> dict[int, list[Residence]]:
    """The same of several vessels and lines, in one statement."""
    query = current(Residence, known).where(one_of(col(Residence.equipment_id), "wanted"))
    query = query.order_by(col(Residence.valid_from), col(Residence.id))
    found: dict[int, list[Residence]] = {equipment_id: [] for equipment_id in equipment_ids}
    for row in session.execute(query, {"wanted": list(equipment_ids)}).scalars():
        found[row.equipment_id].append(row)
    return found


def stops_of(session: Session, equipment_id: int, known: Knowledge | None = None) -> Sequence[EquipmentEvent]:
    """The times at which a vessel or line stood still with material inside, oldest first."""
    query = current(EquipmentEvent, known).where(
        col(EquipmentEvent.equipment_id) == equipment_id, col(EquipmentEvent.kind) == VesselEventKind.STOP
    )
    return session.execute(query.order_by(col(EquipmentEvent.at), col(EquipmentEvent.id))).scalars().all()


def in_force(statements: Iterable[Residence], at: datetime) -> Residence | None:
    """The statement that holds at a moment; validity is half-open and never overlaps, so there is one at most."""
    for row in statements:
        if row.valid_from <= at and (row.valid_to is None or at < row.valid_to):
            return row
    return None


def holds_throughout(statement: Residence, start_at: datetime, end_at: datetime | None) -> bool:
    """Whether one statement holds for the whole of a line: at an instant, or from its start to before its end."""
    return statement.valid_from <= start_at and (
        statement.valid_to is None or (end_at <= statement.valid_to if end_at else start_at < statement.valid_to)
    )
