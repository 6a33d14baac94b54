"""Lines of one vessel period within a stretch of time; a period that goes on for years is never read as a whole."""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import BigInteger, Select, and_, bindparam, false, or_, select
from sqlmodel import Session

from service.core.quantities import dry_ug
from service.core.vessel_book import Charge, Draw
from service.db import UtcDateTime
from service.journal.read import stands
from service.journal.values import as_stored, current_values, table_of
from service.lineage.flows import microseconds, moment_at
from service.lots.moisture import moistures_ppm
from service.lots.rows import LINE_COLUMNS, LineRow, line_row
from service.lots.statuses import Category, Direction
from service.lots.stock import is_material, line_masses
from service.lots.tables import Line


@dataclass(frozen=True)
class LinesAhead:
    """Material lines of a vessel period, read ahead with their dry masses.

    Parameters
    ----------
    charges, draws : as the book of a vessel takes them.
    lines : the same, as recorded, by identity.
    edges : instants at which one of them begins or ends, in order; only those before which all lines were read.
    until_us : up to where that is.
    is_whole : no more lines follow.
    """

    charges: list[Charge]
    draws: list[Draw]
    lines: dict[int, LineRow]
    edges: list[int]
    until_us: int
    is_whole: bool

    def edges_after(self, us: int | None) -> list[int]:
        return self.edges if us is None else self.edges[bisect_right(self.edges, us) :]

    def booked_until(self, after_us: int | None, until_us: int) -> tuple[list[Charge], list[Draw]]:
        """Those with mass moving after one instant and up to another."""
        charges = [charge for charge in self.charges if _moves(charge, after_us, until_us)]
        return charges, [draw for draw in self.draws if _moves(draw, after_us, until_us)]


def _moves(line: Charge | Draw, after_us: int | None, until_us: int) -> bool:
    """An instant moves mass at its moment, an interval from its start to before its end."""
    if line.start == line.end:
        return (after_us is None or line.start > after_us) and line.start <= until_us
    return (after_us is None or line.end > after_us) and line.start < until_us


def read_ahead(session: Session, period_id: int, after_us: int | None, running: Sequence[int], most: int) -> LinesAhead:
    """Read the lines that a book run on from `after_us` books next.

    Parameters
    ----------
    after_us : instants up to then are booked already; None from the beginning.
    running : lines that had begun before and not ended.
    most : read about so many.
    """
    bound: dict[str, Any] = {"period": period_id}
    if after_us is not None:
        bound["after"] = moment_at(after_us)
    while True:
        rows = session.execute(_lines(after_us is not None), bound | {"most": most}).all()
        is_whole = len(rows) < most
        begun = [line for line in map(line_row, rows) if line.id not in running]
        if after_us is not None:
            begun = [line for line in begun if begins_later(line, after_us)]
        lines = [line for line in (*lines_by_id(session, running), *begun) if is_material(line)]
        charges, draws = weighed(session, lines)
        edges = sorted({us for line in (*charges, *draws) for us in (line.start, line.end)})
        until_us = edges[-1] + 1 if edges else 0
        if not is_whole:
            # What begins with the last line read may go on beyond what was read.
            until_us = start_us(line_row(rows[-1]))
            edges = [us for us in edges if us < until_us]
        edges = edges if after_us is None else [us for us in edges if us > after_us]
        if edges or is_whole:
            return LinesAhead(charges, draws, {line.id: line for line in lines}, edges, until_us, is_whole)
        most *= 4


def begins_later(line: LineRow, us: int) -> bool:
    """Whether a line comes after everything that the instant `us` itself holds."""
    start = start_us(line)
    return start > us or (start == us and line.stored_end_at is not None)


def start_us(line: LineRow) -> int:
    return microseconds(line.start_at)


def end_us(line: LineRow) -> int:
    """When a line ends; an instant ends when it begins."""
    return microseconds(line.end_at or line.start_at)


def lines_by_id(session: Session, line_ids: Iterable[int]) -> list[LineRow]:
    """Lines that stand now, ties apart; withdrawn ones are left out."""
    wanted = set(line_ids)
    rows = current_values(session, Line, LINE_COLUMNS, "id", wanted, without=("category", Category.TIES))
    return sorted(map(line_row, rows)) if wanted else []


def lines_since(session: Session, after_us: Mapping[int, int | None], running: Sequence[int]) -> dict[int, LineRow]:
    """The lines of several periods that books run on from an instant each book next, all in one reading.

    Parameters
    ----------
    after_us : by period; None from the beginning.
    running : lines that had begun before and not ended.
    """
    table = table_of(Line)
    of_periods = [
        table.c.process_id == period_id
        if us is None
        else and_(table.c.process_id == period_id, table.c.start_at >= moment_at(us))
        for period_id, us in after_us.items()
    ]
    lines = select(*as_stored(table, LINE_COLUMNS)).where(
        *stands(table.c, table.alias().c, None),
        table.c.lot_id.is_not(None),
        table.c.category != Category.TIES,
        or_(false(), *of_periods),
    )
    found = {line.id: line for line in map(line_row, session.execute(lines).all())}
    kept = {
        line.id: line
        for line in (*found.values(), *lines_by_id(session, running))
        if is_material(line) and (line.id in running or _is_next(line, after_us[line.process_id]))
    }
    return kept


def _is_next(line: LineRow, after_us: int | None) -> bool:
    return after_us is None or begins_later(line, after_us)


def drawn_after(session: Session, period_id: int, moment: datetime) -> set[int]:
    """The lots some of which left a vessel after a moment."""
    rows = session.execute(_drawn_after(), {"period": period_id, "moment": moment})
    return {lot_id for (lot_id,) in rows}


@cache
def _drawn_after() -> Select[Any]:
    table, moment = table_of(Line), bindparam("moment", type_=UtcDateTime())
    return select(table.c.lot_id).where(
        *stands(table.c, table.alias().c, None),
        table.c.process_id == bindparam("period", type_=BigInteger()),
        table.c.direction == Direction.OUT,
        or_(table.c.start_at > moment, table.c.end_at > moment),
    )


@cache
def _lines(is_after: bool) -> Select[Any]:
    table = table_of(Line)
    conditions = [
        *stands(table.c, table.alias().c, None),
        table.c.process_id == bindparam("period", type_=BigInteger()),
        table.c.lot_id.is_not(None),
        table.c.category != Category.TIES,
    ]
    if is_after:
        conditions.append(table.c.start_at >= bindparam("after", type_=UtcDateTime()))
    lines = select(*as_stored(table, LINE_COLUMNS)).where(*conditions)
    return lines.order_by(table.c.start_at, table.c.id).limit(bindparam("most"))


def weighed(session: Session, lines: Sequence[LineRow]) -> tuple[list[Charge], list[Draw]]:
    """Lines with the dry mass known for each now, as the book of a vessel takes them."""
    masses = line_masses(session, lines)
    ppm_of = moistures_ppm(session, {line.moisture_id or 0 for line in lines})
    charges: list[Charge] = []
    draws: list[Draw] = []
    for line in lines:
        place = line.id, start_us(line), end_us(line), dry_ug(masses[line.id], ppm_of[line.moisture_id or 0])
        if line.direction is Direction.IN:
            charges.append(Charge(*place))
        else:
            draws.append(Draw(*place))
    return charges, draws
