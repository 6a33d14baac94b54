"""How much a lot ever held, who took what, and what is left: one rule, used by every verb.

A lot may never give more than it holds, beyond the stated weighing tolerance, neither now nor at any past
moment (a line booked late counts from when it was so).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from typing import Any, NamedTuple, TypeVar

from sqlalchemy import BigInteger, Select, and_, bindparam, cast, func, select, type_coerce, update
from sqlalchemy.types import NullType
from sqlmodel import Session, col

from service.core.quantities import kg_text, parse_kg
from service.errors import Findings, Unacceptable
from service.journal.entry import Entry
from service.journal.one_of import one_of
from service.journal.read import Knowledge, stands
from service.journal.values import table_of
from service.lots.queries import chunks, lots_by_id, origin_masses, takes
from service.lots.rows import KINDS, LineLike, LineRow, line_rows_of_lots, origin_masses_g
from service.lots.statuses import Category, Direction, LotKind
from service.lots.tables import Line, Lot, LotMass, LotStock
from service.plant.queries import find_setting
from service.plant.statuses import SettingKey

SomeLine = TypeVar("SomeLine", bound=LineLike)
REMEDY = "Check the mass, feed 'rest' instead of a figure, or correct the line that took too much."


@dataclass(frozen=True)
class LotAccount:
    """The mass account of one lot, in grams.

    Parameters
    ----------
    mass_g : all it ever held; None while a bale waits for its truck's tare.
    taken : each consuming line with its mass; `whole` and `rest` resolved.
    """

    lot: Lot
    origin: LotMass | None
    produced: tuple[LineRow, ...]
    taken: tuple[tuple[LineRow, int], ...]
    mass_g: int | None

    @property
    def on_hand_g(self) -> int:
        return (self.mass_g or 0) - sum(mass for _, mass in self.taken)


def accounts_of(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, LotAccount]:
    """The accounts of several lots, as known at `known`."""
    lots = lots_by_id(session, lot_ids)
    lines = line_rows_of_lots(session, lots, known)
    masses = origin_masses(session, lots, known)
    return {lot_id: _account(lot, masses.get(lot_id), lines.get(lot_id, [])) for lot_id, lot in lots.items()}


def _account(lot: Lot, origin: LotMass | None, lines: Sequence[LineRow]) -> LotAccount:
    mass_g = held_g(None if origin is None else origin.material_g, lines)
    produced = tuple(line for line in lines if line.direction is Direction.OUT)
    return LotAccount(lot, origin, produced, tuple(taken_from(mass_g, lines)), mass_g)


def held_g(origin_g: int | None, lines: Iterable[LineLike]) -> int | None:
    """All a lot ever held, in grams: its mass fact, else what the lines that made it brought; None without either."""
    if origin_g is not None:
        return origin_g
    brought = [line.mass_g or 0 for line in lines if line.direction is Direction.OUT]
    return sum(brought) if brought else None


def taken_from(mass_g: int | None, lines: Sequence[SomeLine]) -> list[tuple[SomeLine, int]]:
    """The lines that take from a lot which held `mass_g`, each with its grams."""
    open_g = left_g(mass_g, lines)
    return [(line, open_g if line.mass_g is None else line.mass_g) for line in lines if takes(line)]


def left_g(mass_g: int | None, lines: Iterable[LineLike]) -> int:
    """What the lines that state figures leave of a lot: a line of `whole` or `rest` takes that, in grams."""
    stated_g = 0
    for line in lines:
        if line.mass_g is not None and takes(line):
            stated_g += line.mass_g
    return (mass_g or 0) - stated_g


class HeldAndLeft(NamedTuple):
    """A lot with all it ever held and what is left of it, in grams; terms as in `LotAccount`."""

    id: int
    code: str
    kind: LotKind
    mass_g: int
    on_hand_g: int


def held_and_left(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, HeldAndLeft]:
    """What several lots held and what is left of them, without the lines that say why.

    What is left now was worked out and stored when something of the lot was last booked.
    """
    if known is not None:
        return {
            lot_id: HeldAndLeft(lot_id, one.lot.code, one.lot.kind, one.mass_g or 0, one.on_hand_g)
            for lot_id, one in accounts_of(session, lot_ids, known).items()
        }
    found = {}
    for portion in chunks(lot_ids):
        for lot_id, code, kind, mass_g, on_hand_g in session.connection().execute(_held(), {"wanted": portion}).all():
            found[lot_id] = HeldAndLeft(lot_id, code, KINDS[kind], mass_g, on_hand_g)
    return found


@cache
def _held() -> Select[Any]:
    """`held_g` and `on_hand_g` of many lots, as the database adds them up."""
    lot, stock, mass, line = (table_of(one) for one in (Lot, LotStock, LotMass, Line))
    brought = (
        select(cast(func.sum(line.c.mass_g), BigInteger))
        .where(
            line.c.lot_id == lot.c.id,
            line.c.direction == Direction.OUT,
            line.c.category != Category.TIES,
            *stands(line.c, line.alias().c, None),
        )
        .scalar_subquery()
    )
    weighed = and_(mass.c.id == lot.c.id, *stands(mass.c, mass.alias().c, None))
    both = lot.join(stock, stock.c.lot_id == lot.c.id).outerjoin(mass, weighed)
    kind = type_coerce(lot.c.kind, NullType())
    held = func.coalesce(mass.c.material_g, brought, 0)
    return (
        select(lot.c.id, lot.c.code, kind, held, stock.c.on_hand_g).select_from(both).where(one_of(lot.c.id, "wanted"))
    )


def settle_stock(entry: Entry, lot_ids: Iterable[int], pointer: str | Mapping[int, str] = "") -> None:
    """Bring `lot_stock` of these lots up to date after their facts changed, or refuse the change.

    The site's log is locked by this entry, so no other writer can take from the same lots meanwhile; the
    table's own CHECK is the second line of defence.

    Parameters
    ----------
    pointer : where in the request the lots were named, for all or by lot id.

    Raises
    ------
    Unacceptable : a lot would give more than it holds, at some moment; the message names lot, moment and lines.
    """
    accounts = accounts_of(entry.session, lot_ids)
    tolerance_of = _stated_tolerances(entry.session, accounts)
    findings = Findings()
    for lot_id, account in accounts.items():
        where = pointer if isinstance(pointer, str) else pointer.get(lot_id, "")
        check_account(findings, account, tolerance_of[lot_id], where)
    findings.refuse_if_any(
        Unacceptable,
        code="lot-gives-more-than-it-holds",
        detail="A lot would give more than it holds.",
        remedy=REMEDY,
    )
    if accounts:
        entry.session.connection().execute(
            update(LotStock)
            .where(col(LotStock.lot_id) == bindparam("settled_lot"))
            .values(on_hand_g=bindparam("settled_g")),
            [{"settled_lot": lot_id, "settled_g": account.on_hand_g} for lot_id, account in accounts.items()],
        )


def _stated_tolerances(session: Session, lot_ids: Iterable[int]) -> dict[int, int]:
    """The tolerance stated for each lot when it was registered, in grams."""
    found: dict[int, int] = {}
    for portion in chunks(lot_ids):
        rows = session.execute(
            select(col(LotStock.lot_id), col(LotStock.tolerance_g)).where(col(LotStock.lot_id).in_(portion))
        )
        found |= {row.lot_id: row.tolerance_g for row in rows}
    return found


def check_account(findings: Findings, account: LotAccount, tolerance: int, pointer: str) -> None:
    """Add a finding if the lot gives more than it holds now or at any moment that was."""
    code = account.lot.code
    if account.taken and account.mass_g is None:
        findings.add(
            pointer,
            f"lot {code} has no mass yet: its truck has no tare weighing",
            "Weigh the truck's tare first, or weigh the bale on the platform scale.",
        )
        return
    for line, mass in account.taken:
        if mass <= 0:
            others = ", ".join(f"line {other.id}" for other, _ in account.taken if other.id != line.id)
            findings.add(
                pointer,
                f"nothing of lot {code} ({kg_text(account.mass_g or 0)} kg) is left for line {line.id} of process "
                f"{line.process_id}; {others or 'no other line'} took it: the rest would be {kg_text(mass)} kg",
                REMEDY,
            )
            return
    held = 0
    for moment, change in _movements(account):
        held += change
        if held < -tolerance:
            findings.add(
                pointer,
                f"lot {code} holds {kg_text(account.mass_g or 0)} kg in all; at {moment.isoformat()} it would "
                f"have given {kg_text(-held)} kg more than it held",
                REMEDY,
            )
            return


def on_hand_at(account: LotAccount, moment: datetime, without: frozenset[int] = frozenset()) -> int:
    """What the book says of a lot at a moment, grams wet: mass counts as there from the start of what makes it.

    Parameters
    ----------
    without : lines that are left out, such as those a count booked itself.
    """
    kept = replace(
        account,
        produced=tuple(line for line in account.produced if line.id not in without),
        taken=tuple((line, mass) for line, mass in account.taken if line.id not in without),
    )
    return sum(change for at, change in _movements(kept) if at <= moment)


def _movements(account: LotAccount) -> list[tuple[datetime, int]]:
    """What came and went, in time order, arrivals before departures at the same moment.

    Mass counts as there from the start of what makes it and as gone at the end of what takes it, so that a
    bag may be fed on while it is still being filled; only what is impossible is refused.
    """
    if account.origin is not None:
        arrivals = [(account.lot.born_at, account.origin.material_g)]
    else:
        arrivals = [(line.start_at, line.mass_g or 0) for line in account.produced]
    departures = [(line.end_at or line.start_at, -mass) for line, mass in account.taken]
    return sorted(arrivals + departures, key=lambda movement: (movement[0], -movement[1]))


def tolerance_g(session: Session, kind: LotKind, born_at: datetime) -> int:
    """The weighing tolerance stated for a kind of lot at a moment; zero unless the plant states one."""
    setting = find_setting(session, SettingKey.LOT_TOLERANCE, (kind.value, ""), born_at)
    return 0 if setting is None else parse_kg(setting.value)


def line_masses(session: Session, lines: Sequence[LineLike], known: Knowledge | None = None) -> dict[int, int]:
    """Mass in grams of each line that states one, `whole` and `rest` resolved; estimates are left out."""
    lots = lots_taken_openly(lines)
    open_g = open_masses(line_rows_of_lots(session, lots, known), origin_masses_g(session, lots, known))
    return {
        line.id: open_g[line.lot_id or 0] if line.mass_g is None else line.mass_g
        for line in lines
        if line.mass_g is not None or line.lot_id is not None
    }


def lots_taken_openly(lines: Iterable[LineLike]) -> set[int]:
    """The lots whose account says what these lines took, because the lines state no figure."""
    return {line.lot_id for line in lines if line.mass_g is None and line.lot_id is not None}


def open_masses(lines_of_lot: Mapping[int, Sequence[LineLike]], origin_g: Mapping[int, int | None]) -> dict[int, int]:
    """By lot, what a line of `whole` or `rest` takes of it, in grams, given all its lines and its origin mass."""
    return {lot_id: left_g(held_g(origin_g.get(lot_id), lines), lines) for lot_id, lines in lines_of_lot.items()}


def is_material(line: LineLike) -> bool:
    """Whether a line is part of what products are made of: not ties, not an internal loop."""
    return line.category is not Category.TIES and line.category is not Category.INTERNAL_LOOP
