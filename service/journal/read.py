"""Reading facts: as they stand, or as they were known at an earlier moment.

The knowledge axis is the journal, not the clock: a moment resolves to one size per site's log, and a
version counts as known if its position lies below that size. Print the sizes with an answer and it can
be asked again.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Select, and_, exists, func, or_, select
from sqlalchemy.orm import aliased
from sqlmodel import Session, col

from service.errors import NotFound
from service.journal.tables import (
    SITE_STEP,
    Identity,
    JournalEntry,
    JournalHead,
    PrivateText,
    VersionedFact,
)

FactRow = TypeVar("FactRow", bound=VersionedFact)


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
    heads = session.execute(select(col(JournalHead.log_no), col(JournalHead.size)).order_by(col(JournalHead.log_no)))
    return Knowledge(tuple((int(log_no), int(size)) for log_no, size in heads.all()) or ((0, 0),))


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
    later = _later_version(row)
    superseded = and_(col(later.id) == col(row.id), col(later.version) > col(row.version), known.covers(later.seq))
    return select(row).where(~exists(select(1).where(superseded)), col(row.void).is_(False), known.covers(col(row.seq)))


# Building an alias or a statement costs more here than running it, so both are built once per table.
@cache
def _later_version(row: Hashable) -> Any:
    table: Any = row
    return aliased(table)


@cache
def _current_now(table: Hashable) -> Select[Any]:
    row: Any = table
    later = _later_version(table)
    superseded = and_(col(later.id) == col(row.id), col(later.version) > col(row.version))
    return select(row).where(~exists(select(1).where(superseded)), col(row.void).is_(False))


def find_current(session: Session, row: type[FactRow], identity: int, known: Knowledge | None = None) -> FactRow | None:
    """The current version of one fact, or None when there is none or it was withdrawn."""
    return session.execute(current(row, known).where(col(row.id) == identity)).scalar_one_or_none()


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


def kind_of(session: Session, identity: int) -> str | None:
    """What kind of thing an identity is, or None if it was never given."""
    return session.execute(select(col(Identity.kind)).where(col(Identity.id) == identity)).scalar_one_or_none()
