"""Columns of facts as plain values, for answers that read thousands of them.

Building an object for each row costs several times what finding the row does, and so does converting values that
nobody looks at. Which version stands is decided in `read`.
"""

from collections.abc import Hashable, Iterable, Iterator, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, FromClause, Select, select, type_coerce
from sqlalchemy.types import NullType
from sqlmodel import Session

from service.db import UtcDateTime
from service.journal.one_of import one_of
from service.journal.read import Knowledge, chunks, stands
from service.journal.tables import VersionedFact

_MOMENT = UtcDateTime()


def current_values(
    session: Session,
    row: type[VersionedFact],
    names: tuple[str, ...],
    by: str,
    wanted: Iterable[int],
    known: Knowledge | None = None,
    *,
    without: tuple[str, str] | None = None,
    not_in: tuple[str, Sequence[int]] | None = None,
) -> Iterator[Any]:
    """Some columns of the current version of many facts, as tuples of what the database holds, in no order.

    Members of closed lists come as their text; see `moment_of` for moments.

    Parameters
    ----------
    row : table class.
    names : columns, in the order of the tuples.
    by : column looked up in `wanted`.
    known : None for now.
    without : column and value; facts with that value are left out.
    not_in : column and identities; facts with one of these are left out.
    """
    column, unwanted = not_in or ("", ())
    statement = _values_by(row, names, by, without, column if unwanted else "", known)
    bound = {"unwanted": list(unwanted)} if unwanted else {}
    for portion in chunks(wanted):
        yield from session.connection().execute(statement, {"wanted": portion, **bound}).all()


# The sizes of a few states of knowledge come again and again, those of the past hardly ever.
@lru_cache(maxsize=128)
def _values_by(
    row: Hashable,
    names: tuple[str, ...],
    by: str,
    without: tuple[str, str] | None,
    not_in: str,
    known: Knowledge | None,
) -> Select[Any]:
    table = table_of(row)
    conditions = [*stands(table.c, table.alias().c, known), one_of(table.c[by], "wanted")]
    if without is not None:
        column, value = without
        conditions.append(table.c[column] != value)
    if not_in:
        conditions.append(~one_of(table.c[not_in], "unwanted"))
    return select(*as_stored(table, names)).where(*conditions)


def table_of(row: Any) -> FromClause:
    """The table behind a table class."""
    table: FromClause = row.__table__
    return table


def as_stored(table: FromClause, names: Iterable[str]) -> list[ColumnElement[Any]]:
    """Columns of a table to select without converting their values."""
    return [type_coerce(table.c[name], NullType()).label(name) for name in names]


def moment_of(stored: Any) -> datetime:
    """A moment that was read as stored: text on SQLite, a moment of some zone on PostgreSQL."""
    moment = _MOMENT.process_result_value(stored, None)
    assert moment is not None, "asked of a column that is never empty, or after a look"
    return moment
