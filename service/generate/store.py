"""Rows of many tables, collected and inserted in bulk.

References are not checked while loading where the database lets us leave that out (`verify` checks them); tables go
in the order in which they refer to each other, so that loading also works where it does not.
"""

import sqlite3
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

import psycopg
from sqlalchemy import make_url
from sqlmodel import SQLModel

ROWS_PER_FLUSH = 50_000
Values = dict[str, Any]


class BulkStore:
    """Inserts rows into one database that nobody else writes to meanwhile.

    Parameters
    ----------
    url : of a migrated database.
    """

    def __init__(self, url: str) -> None:
        self._waiting: dict[str, list[Values]] = defaultdict(list)
        self._count = 0
        self.rows_stored: dict[str, int] = defaultdict(int)
        self._columns = {table.name: [column.key for column in table.columns] for table in _in_order()}
        self._sqlite: sqlite3.Connection | None = None
        self._postgres: psycopg.Connection[Any] | None = None
        if url.startswith("sqlite"):
            self._sqlite = sqlite3.connect(str(make_url(url).database))
            for pragma in ("synchronous=OFF", "foreign_keys=OFF", "cache_size=-100000"):
                self._sqlite.execute(f"PRAGMA {pragma}")
        else:
            self._postgres = psycopg.connect(url.replace("+psycopg", ""))
            self._postgres.execute("SET synchronous_commit = off")
            _leave_references_unchecked(self._postgres)

    def add(self, table: str, values: Values) -> None:
        """Collect a row; a column that is not named stays empty."""
        self._waiting[table].append(values)
        self._count += 1

    @property
    def is_full(self) -> bool:
        return self._count >= ROWS_PER_FLUSH

    def flush(self) -> None:
        """Insert what was collected, and commit."""
        for table, columns in self._columns.items():
            rows = self._waiting.get(table)
            if rows:
                self._insert(table, columns, [tuple(map(row.get, columns)) for row in rows])
                self.rows_stored[table] += len(rows)
        (self._sqlite or self._connection()).commit()
        self._waiting.clear()
        self._count = 0

    def _insert(self, table: str, columns: Sequence[str], tuples: Sequence[tuple[Any, ...]]) -> None:
        names = ", ".join(columns)
        if self._sqlite is not None:
            marks = ", ".join("?" * len(columns))
            self._sqlite.executemany(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuples)
            return
        with self._connection().cursor().copy(f"COPY {table} ({names}) FROM STDIN".encode()) as copy:
            for values in tuples:
                copy.write_row(values)

    def _connection(self) -> psycopg.Connection[Any]:
        assert self._postgres is not None
        return self._postgres

    def close(self) -> None:
        """Flush and leave the files as a service in use would find them."""
        self.flush()
        if self._postgres is not None:
            self._postgres.autocommit = True
            self._postgres.execute("VACUUM ANALYZE")  # what autovacuum would have done on the way
            self._postgres.close()
        if self._sqlite is not None:
            self._sqlite.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._sqlite.close()


def _in_order() -> list[Any]:
    """All tables, each after those it refers to."""
    return list(SQLModel.metadata.sorted_tables)


def _leave_references_unchecked(connection: psycopg.Connection[Any]) -> None:
    """Only a superuser may; for anybody else loading takes longer, since each reference is looked up."""
    try:
        with connection.transaction():
            connection.execute("SET session_replication_role = replica")
    except psycopg.errors.InsufficientPrivilege:
        return
