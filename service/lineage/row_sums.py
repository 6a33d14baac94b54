"""Comparing millions of rows with what they should be, in little memory: first by sums of hashes, then, where those
differ, row by row.

The hash is that of the interpreter for bytes, keyed anew in every process: rows cannot be chosen so that sums agree.
Sums do not depend on the order of the rows, so neither side is sorted.
"""

import struct
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass

from sqlalchemy import select
from sqlmodel import Session, SQLModel

from service.journal.faults import NOTHING, Report
from service.journal.verify import table_of

Row = tuple[int, ...]
BUCKETS = 4096
KEYS = 2  # columns of a key
LOOKED_AT_ONCE = 64  # buckets whose rows are held in memory
NAMED_MAX = 1_000
ROWS_AT_A_TIME = 10_000


@dataclass(frozen=True)
class Expected:
    """The rows that a table should hold.

    Parameters
    ----------
    columns : the two of the key first, and of these the owner of the row, by which rows are told apart in portions.
    rows : gives all rows, each time it is called.
    left_out : owners nothing can be expected of; what is stored for them is passed over.
    """

    table: type[SQLModel]
    columns: tuple[str, ...]
    rows: Callable[[], Iterable[Row]]
    left_out: Collection[int] = ()


def compare_rows(session: Session, report: Report, expected: Expected) -> None:
    """Report each row that is missing, too many, or says something else; of very many the first ones."""
    wanted = _sums(expected.rows(), len(expected.columns), expected.left_out)
    stored = _sums(_stored(session, expected), len(expected.columns), expected.left_out)
    report.derived_rows += sum(count for count, _ in stored)
    differing = [bucket for bucket in range(BUCKETS) if wanted[bucket] != stored[bucket]]
    named_before = len(report.faults)
    for start in range(0, len(differing), LOOKED_AT_ONCE):
        buckets = frozenset(differing[start : start + LOOKED_AT_ONCE])
        _name_rows(session, report, expected, buckets)
        if len(report.faults) - named_before >= NAMED_MAX:
            table = table_of(expected.table).name
            report.add(table, "more rows", f"at least {NAMED_MAX} differ", "work them out again: bale-to-pellet derive")
            return
    if differing and len(report.faults) == named_before:
        # A value that is no number compares in no portion.
        report.add(table_of(expected.table).name, "some row", "a value that is no whole number", "whole numbers")


def _sums(rows: Iterable[Row], pieces: int, left_out: Collection[int]) -> list[tuple[int, int]]:
    """Number of rows and sum of their hashes, by bucket of their owners."""
    counts, sums = [0] * BUCKETS, [0] * BUCKETS
    pack = struct.Struct(f"<{pieces}q").pack
    for row in rows:
        if row[0] in left_out:
            continue
        try:
            bucket, number = row[0] % BUCKETS, hash(pack(*row))
        except (struct.error, TypeError):  # no number, or none of 64 bits
            bucket, number = 0, hash(repr(row).encode())
        sums[bucket] += number
        counts[bucket] += 1
    return list(zip(counts, sums, strict=True))


def _stored(session: Session, expected: Expected) -> Iterator[Row]:
    columns = table_of(expected.table).c
    query = select(*(columns[name] for name in expected.columns))
    for row in session.execute(query, execution_options={"yield_per": ROWS_AT_A_TIME}):
        yield tuple(row)


def _name_rows(session: Session, report: Report, expected: Expected, buckets: frozenset[int]) -> None:
    def within(rows: Iterable[Row]) -> dict[Row, Row]:
        return {
            row[:KEYS]: row[KEYS:]
            for row in rows
            if isinstance(row[0], int) and row[0] % BUCKETS in buckets and row[0] not in expected.left_out
        }

    wanted, stored = within(expected.rows()), within(_stored(session, expected))
    table = table_of(expected.table)
    names, values = expected.columns[:KEYS], expected.columns[KEYS:]
    for number in sorted(wanted.keys() | stored.keys(), key=repr):
        parts = dict(zip(names, number, strict=True))
        key = " ".join(f"{column.key}={parts[column.key]}" for column in table.primary_key.columns)
        recorded, recomputed = stored.get(number), wanted.get(number)
        if recorded is None or recomputed is None:
            report.add(table.name, key, _shown(values, recorded), _shown(values, recomputed))
            continue
        for column, is_there, should_be in zip(values, recorded, recomputed, strict=True):
            report.compare(table.name, key, column, is_there, should_be)


def _shown(columns: tuple[str, ...], row: Row | None) -> str:
    return NOTHING if row is None else ", ".join(f"{name} {value}" for name, value in zip(columns, row, strict=True))
