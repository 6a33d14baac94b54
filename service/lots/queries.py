"""Lots by code or delivery, and what is recorded about them."""

from collections.abc import Iterable, Sequence

from sqlalchemy import select
from sqlmodel import Session, col

from service.core.codes import NotACode, normalise
from service.errors import NotFound
from service.journal.one_of import one_of
from service.journal.read import Knowledge, current, current_by_id, get_current
from service.journal.read import chunks as chunks
from service.journal.values import current_values
from service.lots.rows import LineLike
from service.lots.statuses import Category, Direction
from service.lots.tables import Line, Lot, LotFact, LotMass, LotStock, Process
from service.plant.tables import Material


def get_lot(session: Session, code: str, known: Knowledge | None = None) -> Lot:
    """The lot under a code as printed, however it was typed.

    Raises
    ------
    NotFound : not a code at all, or no lot stood under it as far as was known.
    """
    remedy = "Check the ten characters under the QR code; O and 0, I and 1 are taken as the same."
    try:
        plain = normalise(code)
    except NotACode as fault:
        raise NotFound("lot-not-found", f"{code!r} is not a lot code: {fault}.", remedy) from fault
    found: Lot | None = session.execute(select(Lot).where(col(Lot.code) == plain)).scalar_one_or_none()
    if found is None or (known is not None and not known.includes(found.seq)):
        raise NotFound("lot-not-found", f"There is no lot {plain}{' known by then' if found else ''}.", remedy)
    return found


def lots_by_id(session: Session, lot_ids: Iterable[int]) -> dict[int, Lot]:
    found: dict[int, Lot] = {}
    for portion in chunks(set(lot_ids)):
        found |= {lot.id: lot for lot in session.execute(_LOTS_BY_ID, {"wanted": portion}).scalars()}
    return found


_LOTS_BY_ID = select(Lot).where(one_of(col(Lot.id), "wanted"))


def lots_of_delivery(session: Session, delivery_id: int) -> list[Lot]:
    """All lots registered from a delivery, in the order they were registered."""
    query = select(Lot).where(col(Lot.delivery_id) == delivery_id).order_by(col(Lot.id))
    return list(session.execute(query).scalars())


def get_lot_fact(session: Session, lot_id: int, known: Knowledge | None = None) -> LotFact:
    return get_current(session, LotFact, lot_id, "lot", known)


def materials_of(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, Material]:
    """The material of each lot."""
    facts = dict(current_values(session, LotFact, ("id", "material_id"), "id", set(lot_ids), known))
    materials = current_by_id(session, Material, facts.values(), known)
    return {lot_id: materials[material_id] for lot_id, material_id in facts.items()}


def origin_masses(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, LotMass]:
    """Current mass facts of lots whose history begins here; lots without one are left out."""
    return current_by_id(session, LotMass, lot_ids, known)


def origin_mass(session: Session, lot_id: int, known: Knowledge | None = None) -> LotMass | None:
    return origin_masses(session, [lot_id], known).get(lot_id)


def on_hand_g(session: Session, lot_id: int) -> int:
    """What is left of a lot now, in grams."""
    held = session.execute(select(col(LotStock.on_hand_g)).where(col(LotStock.lot_id) == lot_id)).scalar_one_or_none()
    return held or 0


def lines_of_lots(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, list[Line]]:
    """Current lines by lot, in and out, oldest identity first."""
    found: dict[int, list[Line]] = {}
    for portion in chunks(set(lot_ids)):
        query = current(Line, known).where(col(Line.lot_id).in_(portion)).order_by(col(Line.id))
        for line in session.execute(query).scalars():
            assert line.lot_id is not None
            found.setdefault(line.lot_id, []).append(line)
    return found


def consuming_lines(session: Session, lot_id: int, known: Knowledge | None = None) -> list[Line]:
    """Lines that take from a lot (its ties apart)."""
    return [line for line in lines_of_lots(session, [lot_id], known).get(lot_id, []) if takes(line)]


def takes(line: LineLike) -> bool:
    """Whether a line takes material from its lot; ties leave on their own line and are no material."""
    return line.direction is Direction.IN and line.category is not Category.TIES


def lines_of_process(session: Session, process_id: int, known: Knowledge | None = None) -> Sequence[Line]:
    query = current(Line, known).where(col(Line.process_id) == process_id).order_by(col(Line.id))
    return session.execute(query).scalars().all()


def get_process(session: Session, process_id: int, known: Knowledge | None = None) -> Process:
    return get_current(session, Process, process_id, "run", known)
