"""Lots and lines read as plain rows: what walks and accounts look at, thousands at a time.

A table class instance costs several times the row it holds, and none of this is ever written back. What may be
said of a line holds for both forms, so the rules on lines (`queries.takes`, `stock.is_material`) take a `LineLike`.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any, Literal, NamedTuple, Protocol

from sqlalchemy import ColumnElement, Select, and_, select
from sqlmodel import Session, col

from service.journal.one_of import one_of
from service.journal.read import Knowledge, chunks, stands
from service.journal.values import as_stored, current_values, moment_of, table_of
from service.lots.statuses import Amount, Category, Direction, LotKind, LotOrigin
from service.lots.tables import Line, Lot, LotFact, LotMass


class LineLike(Protocol):
    """What decides about a line, whether it is a row of the table class or a plain one."""

    @property
    def id(self) -> int: ...
    @property
    def process_id(self) -> int: ...
    @property
    def lot_id(self) -> int | None: ...
    @property
    def direction(self) -> Direction: ...
    @property
    def category(self) -> Category: ...
    @property
    def amount(self) -> Amount: ...
    @property
    def mass_g(self) -> int | None: ...
    @property
    def moisture_id(self) -> int | None: ...
    @property
    def start_at(self) -> datetime: ...
    @property
    def end_at(self) -> datetime | None: ...


class LineRow(NamedTuple):
    """The current version of a line, as `LineLike`.

    Moments stay as they were read until somebody asks: of the hundreds of lines of a wash hardly anybody does.
    """

    id: int
    process_id: int
    lot_id: int | None
    direction: Direction
    category: Category
    amount: Amount
    mass_g: int | None
    moisture_id: int | None
    stored_start_at: Any
    stored_end_at: Any

    @property
    def start_at(self) -> datetime:
        return moment_of(self.stored_start_at)

    @property
    def end_at(self) -> datetime | None:
        return None if self.stored_end_at is None else moment_of(self.stored_end_at)


LINE_COLUMNS = tuple(name.removeprefix("stored_") for name in LineRow._fields)


class LotRow(NamedTuple):
    """A lot's identity, and whether its history begins here."""

    id: int
    code: str
    kind: LotKind
    origin: LotOrigin
    delivery_id: int | None


class KnownLot(NamedTuple):
    """A lot with what is recorded about it.

    Parameters
    ----------
    origin_g : its mass fact in grams of material; None where its history does not begin here, or no tare was weighed.
    """

    lot: LotRow
    material_id: int | None
    origin_g: int | None


DIRECTIONS = {str(member): member for member in Direction}
CATEGORIES = {str(member): member for member in Category}
AMOUNTS = {str(member): member for member in Amount}
KINDS = {str(member): member for member in LotKind}
ORIGINS = {str(member): member for member in LotOrigin}


def line_rows(
    session: Session,
    by: Literal["lot_id", "process_id"],
    wanted: Iterable[int],
    known: Knowledge | None = None,
    *,
    with_ties: bool = True,
    not_in: Sequence[int] = (),
) -> list[LineRow]:
    """Current lines of lots or of processes, oldest identity first.

    Parameters
    ----------
    with_ties : False leaves wire and straps out: no product is made of them.
    not_in : processes whose lines may be left out, because they are there already.
    """
    rows = current_values(
        session,
        Line,
        LINE_COLUMNS,
        by,
        wanted,
        known,
        without=None if with_ties else ("category", Category.TIES),
        not_in=("process_id", not_in),
    )
    return sorted(map(line_row, rows))


def line_row(stored: Any) -> LineRow:
    """A line from its columns as stored, in the order of `LINE_COLUMNS`."""
    number, process_id, lot_id, direction, category, amount, *rest = stored
    return LineRow(number, process_id, lot_id, DIRECTIONS[direction], CATEGORIES[category], AMOUNTS[amount], *rest)


def line_rows_of_lots(
    session: Session, lot_ids: Iterable[int], known: Knowledge | None = None
) -> dict[int, list[LineRow]]:
    """Current lines by lot, in and out, ties apart, oldest identity first."""
    found: dict[int, list[LineRow]] = {}
    for line in line_rows(session, "lot_id", set(lot_ids), known, with_ties=False):
        assert line.lot_id is not None
        found.setdefault(line.lot_id, []).append(line)
    return found


def origin_masses_g(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, int]:
    """Material mass in grams of lots whose history begins here; lots without one are left out."""
    return dict(current_values(session, LotMass, ("id", "material_g"), "id", set(lot_ids), known))


def lot_rows(session: Session, lot_ids: Iterable[int]) -> dict[int, LotRow]:
    found: dict[int, LotRow] = {}
    for portion in chunks(set(lot_ids)):
        rows = session.connection().execute(_LOTS_BY_ID, {"wanted": portion}).all()
        found |= {stored[0]: _lot_row(stored) for stored in rows}
    return found


def lot_rows_where(session: Session, condition: ColumnElement[bool]) -> list[LotRow]:
    """Lots that meet a condition, oldest identity first."""
    rows = session.execute(_LOTS.where(condition).order_by(col(Lot.id))).all()
    return [_lot_row(stored) for stored in rows]


def known_lots(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, KnownLot]:
    """Lots with material and mass as known, in one reading."""
    found: dict[int, KnownLot] = {}
    for portion in chunks(set(lot_ids)):
        for stored in session.execute(_known_lots(known), {"wanted": portion}).all():
            found[stored[0]] = KnownLot(_lot_row(stored), stored[5], stored[6])
    return found


def _lot_row(stored: Any) -> LotRow:
    return LotRow(stored[0], stored[1], KINDS[stored[2]], ORIGINS[stored[3]], stored[4])


_LOTS = select(*as_stored(table_of(Lot), LotRow._fields))
_LOTS_BY_ID = _LOTS.where(one_of(table_of(Lot).c.id, "wanted"))


@lru_cache(maxsize=32)
def _known_lots(known: Knowledge | None) -> Select[Any]:
    lot, fact, mass = table_of(Lot), table_of(LotFact).alias("fact"), table_of(LotMass).alias("mass")
    both = lot.outerjoin(fact, and_(fact.c.id == lot.c.id, *stands(fact.c, table_of(LotFact).alias().c, known)))
    all_three = both.outerjoin(mass, and_(mass.c.id == lot.c.id, *stands(mass.c, table_of(LotMass).alias().c, known)))
    return _LOTS_BY_ID.add_columns(fact.c.material_id, mass.c.material_g).select_from(all_three)
