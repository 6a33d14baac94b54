"""Reading facts: as they stand, or as they were known at an earlier moment.

The knowledge axis is the journal, not the clock: a moment resolves to one size per site's log, and a
version counts as known if its position lies below that size. Print the sizes with an answer and it can
be asked again.
"""

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache, lru_cache
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Select, and_, bindparam, exists, func, or_, select
from sqlalchemy.orm import aliased
from sqlmodel import Session, col

from service.errors import NotFound
from service.journal.one_of import one_of
from service.journal.tables import (
    SITE_STEP,
    Identity,
    JournalEntry,
    JournalHead,
    PrivateText,
    VersionedFact,
)

FactRow = TypeVar("FactRow", bound=VersionedFact)
Item = TypeVar("Item")
CHUNK = 5_000  # identities per IN list: well below both engines' limits on bound values


@dataclass(frozen=True)
class Knowledge:
    """What was known: the number of entries taken from each site's log, as (log number, size)."""

    sizes: tuple[tuple[int, int], ...]

    def covers(self, seq: Any) -> ColumnElement[bool]:
        """SQL condition: the position lies inside what was known."""
        return or_(*(and_(seq >= log_no * SITE_STEP, seq < log_no * SITE_STEP + size) for log_no, size in self.sizes))

    def includes(self, seq: int) -> bool:
        """Whether an entry at this position had been recorded."""
        return any(log_no * SITE_STEP <= seq < log_no * SITE_STEP + size for log_no, size in self.sizes)


def known_at(session: Session, moment: datetime) -> Knowledge:
    """What had been recorded by `moment`, that instant included."""
    sizes = session.execute(
        select(col(JournalEntry.log_no), func.max(col(JournalEntry.leaf_index)) + 1)
        .where(col(JournalEntry.recorded_at) <= moment)
        .group_by(col(JournalEntry.log_no))
        .order_by(col(JournalEntry.log_no))
    ).all()
    return Knowledge(tuple((int(log_no), int(size)) for log_no, size in sizes) or ((0, 0),))


def known_now(session: Session) -> Knowledge:
    """The sizes of all logs as this session's snapshot sees them."""
    heads = session.connection().execute(_HEADS).all()
    return Knowledge(tuple((int(log_no), int(size)) for log_no, size in heads) or ((0, 0),))


_HEADS = select(col(JournalHead.log_no), col(JournalHead.size)).order_by(col(JournalHead.log_no))


def current(row: type[FactRow], known: Knowledge | None = None) -> Select[FactRow]:
    """Select the newest known, not withdrawn version of each fact of a table.

    Parameters
    ----------
    row : table class.
    known : None for now.
    """
    if known is None:
        now: Select[FactRow] = _current_now(row)
        return now
    return select(row).where(*stands(row, _later_version(row), known))


def stands(row: Any, later: Any, known: Knowledge | None) -> tuple[ColumnElement[bool], ...]:
    """What makes a version the one that stands, on the columns of a table and of an alias of it."""
    superseded = and_(later.id == row.id, later.version > row.version)
    if known is None:
        return ~exists(select(1).where(superseded)), row.void.is_(False)
    superseded = and_(superseded, known.covers(later.seq))
    return ~exists(select(1).where(superseded)), row.void.is_(False), known.covers(row.seq)


# Building an alias or a statement costs more here than running it, so both are built once per table.
@cache
def _later_version(row: Hashable) -> Any:
    table: Any = row
    return aliased(table)


@cache
def _current_now(table: Hashable) -> Select[Any]:
    row: Any = table
    return select(row).where(*stands(row, _later_version(table), None))


def chunks(items: Iterable[Item]) -> Iterator[list[Item]]:
    """Items in portions that fit one IN list."""
    everything = list(items)
    for start in range(0, len(everything), CHUNK):
        yield everything[start : start + CHUNK]


def find_current(session: Session, row: type[FactRow], identity: int, known: Knowledge | None = None) -> FactRow | None:
    """The current version of one fact, or None when there is none or it was withdrawn."""
    return session.execute(_current_one(row, known), {"identity": identity}).scalar_one_or_none()


def current_by_id(
    session: Session, row: type[FactRow], identities: Iterable[int], known: Knowledge | None = None
) -> dict[int, FactRow]:
    """The current versions of several facts by identity; those without one are left out."""
    found: dict[int, FactRow] = {}
    for portion in chunks(set(identities)):
        facts = session.execute(_current_by_id(row, known), {"wanted": portion}).scalars()
        found |= {fact.id: fact for fact in facts}
    return found


# The sizes of a few states of knowledge come again and again, those of the past hardly ever.
@lru_cache(maxsize=128)
def _current_one(table: Hashable, known: Knowledge | None) -> Select[Any]:
    row: Any = table
    return current(row, known).where(row.id == bindparam("identity"))


@lru_cache(maxsize=128)
def _current_by_id(table: Hashable, known: Knowledge | None) -> Select[Any]:
    row: Any = table
    return current(row, known).where(one_of(row.id, "wanted"))


def get_current(
    session: Session, row: type[FactRow], identity: int, noun: str, known: Knowledge | None = None
) -> FactRow:
    """The current version of one fact.

    Raises
    ------
    NotFound : none stands under this number, or it was withdrawn.
    """
    found = find_current(session, row, identity, known)
    if found is None:
        raise NotFound(f"{noun}-not-found", f"There is no {noun} {identity}.", "Check the number; list them first.")
    return found


def versions(session: Session, row: type[FactRow], identity: int) -> Sequence[FactRow]:
    """All versions of a fact, oldest first, withdrawn ones too."""
    return session.execute(select(row).where(col(row.id) == identity).order_by(col(row.version))).scalars().all()


def text_of(session: Session, text_id: int | None) -> str | None:
    """A private text; None when there is none or it has been erased."""
    if text_id is None:
        return None
    text: str | None = session.execute(select(col(PrivateText.text)).where(col(PrivateText.id) == text_id)).scalar_one()
    return text


def texts_of(session: Session, text_ids: Iterable[int]) -> dict[int, str | None]:
    """Several private texts by id; None for one that has been erased."""
    found: dict[int, str | None] = {}
    for portion in chunks(set(text_ids)):
        rows = session.execute(_TEXTS_BY_ID, {"wanted": portion})
        found |= {int(text_id): text for text_id, text in rows}
    return found


_TEXTS_BY_ID = select(col(PrivateText.id), col(PrivateText.text)).where(one_of(col(PrivateText.id), "wanted"))


def kind_of(session: Session, identity: int) -> str | None:
    """What kind of thing an identity is, or None if it was never given."""
    return session.execute(select(col(Identity.kind)).where(col(Identity.id) == identity)).scalar_one_or_none()
