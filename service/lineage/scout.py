"""Which processes lie near some lots, asked of the database in one statement instead of one per step.

A guess at what a walk will need: it looks at neither times, proofs, versions nor the state of knowledge, so it may
name too many and, since it stops at `NEAR_MAX`, too few. Whoever uses it reads what it names and then walks.
"""

from collections.abc import Iterable
from functools import cache
from typing import Any

from sqlalchemy import Select, and_, select
from sqlmodel import Session

from service.journal.one_of import one_of
from service.journal.read import chunks
from service.journal.values import table_of
from service.lots.statuses import Category, Direction
from service.lots.tables import Line

NEAR_MAX = 100


def processes_behind(session: Session, lot_ids: Iterable[int]) -> list[int]:
    """Processes that lots came out of, those that made what went into these, and so on; nearest first."""
    return _near(session, lot_ids, Direction.OUT, Direction.IN)


def processes_ahead(session: Session, lot_ids: Iterable[int]) -> list[int]:
    """Processes that lots went into, those that took what came out of these, and so on; nearest first."""
    return _near(session, lot_ids, Direction.IN, Direction.OUT)


def _near(session: Session, lot_ids: Iterable[int], here: Direction, there: Direction) -> list[int]:
    first = next(chunks(lot_ids), [])
    return [process_id for (process_id,) in session.execute(_statement(here, there), {"lots": first}).all()]


@cache
def _statement(here: Direction, there: Direction) -> Select[Any]:
    line, across, onward = (table_of(Line).alias(name) for name in ("line", "across", "onward"))
    start = select(line.c.process_id).where(one_of(line.c.lot_id, "lots"), line.c.direction == here)
    near = start.cte("near", recursive=True)
    following = (
        select(onward.c.process_id)
        .select_from(near)
        .join(
            across,
            and_(
                across.c.process_id == near.c.process_id,
                across.c.direction == there,
                across.c.category != Category.TIES,
            ),
        )
        .join(onward, and_(onward.c.lot_id == across.c.lot_id, onward.c.direction == here))
    )
    reached = near.union(following)
    return select(reached.c.process_id).limit(NEAR_MAX)
