"""Continuing a site's log in bulk: real rows, real hashes, no verbs.

The verbs write about a hundred rows a second and ten years are nine million rows, so the synthetic plant is
put straight into the tables. What a row's hash covers is computed by the journal's own functions, so `verify`
accepts the result; references are not checked while loading (`verify` checks those too).
"""

import sqlite3
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import psycopg
from sqlalchemy import make_url, select, update
from sqlmodel import SQLModel, col

from service.core import merkle
from service.db import Database, utc_text
from service.journal.entry import CHECKPOINT_EVERY, leaf_body, rows_hash, text_digest
from service.journal.tables import FORMAT_VERSION, SITE_STEP, Counter, JournalEntry, JournalHead

ROWS_PER_FLUSH = 100_000
SALT = bytes(16)  # nothing here is private
UNHASHED = {"lot_stock", "private_text"}

Values = dict[str, Any]


class BulkStore:
    """Inserts rows of many tables into one database, collected per table."""

    def __init__(self, url: str) -> None:
        self._waiting: dict[str, list[Values]] = defaultdict(list)
        self._count = 0
        self.rows_stored: dict[str, int] = defaultdict(int)
        self._sqlite: sqlite3.Connection | None = None
        self._postgres: psycopg.Connection[Any] | None = None
        if url.startswith("sqlite"):
            self._sqlite = sqlite3.connect(str(make_url(url).database))
            for pragma in ("synchronous=OFF", "foreign_keys=OFF", "cache_size=-400000"):
                self._sqlite.execute(f"PRAGMA {pragma}")
        else:
            self._postgres = psycopg.connect(url.replace("+psycopg", ""))
            # Row triggers off, and with them the check of references; CHECK constraints stay. Needs a superuser.
            self._postgres.execute("SET session_replication_role = replica")
            self._postgres.execute("SET synchronous_commit = off")

    def add(self, table: str, values: Values) -> None:
        self._waiting[table].append(values)
        self._count += 1

    @property
    def is_full(self) -> bool:
        return self._count >= ROWS_PER_FLUSH

    def flush(self) -> None:
        for table, rows in self._waiting.items():
            columns = [column.key for column in SQLModel.metadata.tables[table].columns]
            tuples = [tuple(map(row.get, columns)) for row in rows]
            self._insert(table, columns, tuples)
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

    def close(self, *, analyse: bool) -> None:
        """Flush; `analyse` gathers the planner's statistics (PostgreSQL does that by itself in service)."""
        self.flush()
        if self._postgres is not None:
            self._postgres.autocommit = True
            self._postgres.execute("VACUUM ANALYZE")
            self._postgres.close()
        if self._sqlite is not None:
            if analyse:
                self._sqlite.execute("ANALYZE")
                self._sqlite.commit()
            self._sqlite.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._sqlite.close()


@dataclass
class BulkLog:
    """One site's log; `begin`, any number of rows, `seal`, again and again, then `finish`.

    Moments are given as datetimes in increasing order and kept as the text that is hashed.
    """

    database: Database
    store: BulkStore
    site_no: int
    actor_id: int
    _rows: list[tuple[str, Values]] = field(default_factory=list)
    entries: int = 0

    def __post_init__(self) -> None:
        with self.database.read() as session:
            head = session.execute(select(JournalHead).where(col(JournalHead.log_no) == self.site_no)).scalar_one()
            self._tree = merkle.CompactRange.from_bytes(head.size, head.frontier)
            self._next_number = session.execute(
                select(col(Counter.next_number)).where(
                    col(Counter.site_no) == self.site_no, col(Counter.series) == "identity"
                )
            ).scalar_one()

    def begin(self, kind: str, effective_at: datetime, recorded_at: datetime) -> None:
        self._kind, self._effective_at = kind, utc_text(effective_at)
        self._recorded_at = utc_text(recorded_at)
        self._last_recorded_at = recorded_at
        self.seq = self.site_no * SITE_STEP + self._tree.size

    def new_id(self, kind: str) -> int:
        identity = self.site_no * SITE_STEP + self._next_number
        self._next_number += 1
        self._fact("identity", {"id": identity, "kind": kind})
        return identity

    def add(self, table: str, identity: int, *, version: int = 1, reason: str | None = None, **values: Any) -> int:
        """Store one version of a versioned fact."""
        full: Values = {
            "id": identity,
            "version": version,
            "void": False,
            "reason_id": self.text(reason) if reason else None,
            "effective_at": self._effective_at,
        }
        self._fact(table, full | values)
        return identity

    def add_lot(self, **values: Any) -> None:
        self._fact("lot", values)

    def _fact(self, table: str, values: Values) -> None:
        values |= {"seq": self.seq, "recorded_at": self._recorded_at}
        self._rows.append((table, values))
        self.store.add(table, values)

    def stock(self, lot_id: int, on_hand_g: int) -> None:
        self.store.add("lot_stock", {"lot_id": lot_id, "on_hand_g": on_hand_g, "tolerance_g": 0})

    def text(self, text: str) -> int:
        identity = self.new_id("text")
        self._fact("text_commitment", {"id": identity, "sha256": text_digest(SALT, text)})
        self.store.add("private_text", {"id": identity, "salt": SALT, "text": text})
        return identity

    def seal(self) -> None:
        values: Values = {
            "seq": self.seq,
            "log_no": self.site_no,
            "leaf_index": self._tree.size,
            "kind": self._kind,
            "effective_at": self._effective_at,
            "recorded_at": self._recorded_at,
            "actor_id": self.actor_id,
            "request_id": "bulk",
            "rows_hash": rows_hash(self._rows),
            "format_version": FORMAT_VERSION,
        }
        leaf = JournalEntry(**values, body=b"", leaf_hash="")
        values["body"] = leaf_body(leaf)
        leaf_hash = merkle.leaf_hash(values["body"])
        values["leaf_hash"] = leaf_hash.hex()
        self._tree.append(leaf_hash)
        self.store.add("journal", values)
        if self._tree.size % CHECKPOINT_EVERY == 0:
            self.store.add("checkpoint", self._head() | {"recorded_at": self._recorded_at})
        self._rows = []
        self.entries += 1
        if self.store.is_full:
            self.store.flush()

    def _head(self) -> Values:
        return {"log_no": self.site_no, "size": self._tree.size, "root": self._tree.root().hex()}

    def finish(self) -> None:
        """Bring the site's head and its counter to where the rows are."""
        self.store.flush()
        values = self._head() | {"frontier": self._tree.to_bytes(), "last_recorded_at": self._last_recorded_at}
        at_site = col(Counter.site_no) == self.site_no

        def advance(session: Any) -> None:
            session.execute(update(JournalHead).where(col(JournalHead.log_no) == self.site_no).values(**values))
            session.execute(
                update(Counter).where(at_site, col(Counter.series) == "identity").values(next_number=self._next_number)
            )

        self.database.write(advance)
