"""Lots by code or delivery, and what is recorded about them."""

from collections.abc import Iterable, Sequence
from typing import TypeVar

from sqlalchemy import select
from sqlmodel import Session, col

from service.core.codes import NotACode, normalise
from service.errors import NotFound
from service.journal.read import Knowledge, current, get_current
from service.lots.statuses import Category, Direction
from service.lots.tables import Line, Lot, LotFact, LotMass, LotStock, Process
from service.plant.tables import Material

CHUNK = 5_000  # identities per IN list: well below both engines' limits on bound values
Item = TypeVar("Item")


def chunks(items: Iterable[Item]) -> Iterable[list[Item]]:
    """Items in portions that fit one IN list."""
    everything = list(items)
    for start in range(0, len(everything), CHUNK):
        yield everything[start : start + CHUNK]


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
        rows = session.execute(select(Lot).where(col(Lot.id).in_(portion))).scalars()
        found |= {lot.id: lot for lot in rows}
    return found


def lots_of_delivery(session: Session, delivery_id: int) -> list[Lot]:
    """All lots registered from a delivery, in the order they were registered."""
    query = select(Lot).where(col(Lot.delivery_id) == delivery_id).order_by(col(Lot.id))
    return list(session.execute(query).scalars())


def get_lot_fact(session: Session, lot_id: int, known: Knowledge | None = None) -> LotFact:
    return get_current(session, LotFact, lot_id, "lot", known)


def materials_of(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, Material]:
    """The material of each lot."""
    found: dict[int, Material] = {}
    for portion in chunks(set(lot_ids)):
        facts = session.execute(current(LotFact, known).where(col(LotFact.id).in_(portion))).scalars().all()
        wanted = {fact.material_id for fact in facts}
        rows = session.execute(current(Material, known).where(col(Material.id).in_(wanted))).scalars()
        materials = {material.id: material for material in rows}
        found |= {fact.id: materials[fact.material_id] for fact in facts}
    return found


def origin_masses(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, LotMass]:
    """Current mass facts of lots whose history begins here; lots without one are left out."""
    found: dict[int, LotMass] = {}
    for portion in chunks(set(lot_ids)):
        rows = session.execute(current(LotMass, known).where(col(LotMass.id).in_(portion))).scalars()
        found |= {mass.id: mass for mass in rows}
    return found


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


def takes(line: Line) -> bool:
    """Whether a line takes material from its lot; ties leave on their own line and are no material."""
    return line.direction is Direction.IN and line.category is not Category.TIES


def lines_of_process(session: Session, process_id: int, known: Knowledge | None = None) -> Sequence[Line]:
    query = current(Line, known).where(col(Line.process_id) == process_id).order_by(col(Line.id))
    return session.execute(query).scalars().all()


def get_process(session: Session, process_id: int, known: Knowledge | None = None) -> Process:
    return get_current(session, Process, process_id, "run", known)
