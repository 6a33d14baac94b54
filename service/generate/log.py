"""Continuing a site's log in bulk: real rows and real hashes, without the verbs.

What a row's hash covers, an entry's bytes and the tree are computed by the journal's own functions, so `verify`
accepts the result. Moments are kept as the text that is hashed.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

from sqlalchemy import delete, insert, select, update
from sqlmodel import Session, col

from service.core import merkle
from service.db import Database, utc_text
from service.generate.store import BulkStore, Values
from service.journal.entry import CHECKPOINT_EVERY, leaf_body, rows_hash, text_digest
from service.journal.tables import FORMAT_VERSION, SITE_STEP, Counter, JournalEntry, JournalHead

MILLISECOND = timedelta(milliseconds=1)

# The moments of one event stand on many rows.
moment_text = lru_cache(maxsize=4096)(utc_text)


class BulkLog:
    """One site's log: `with log.entry(...)`, any number of rows, again and again, then `finish`.

    Parameters
    ----------
    site_no : a site whose first entries the verbs have written.
    salt : makes 16 bytes for a private text.
    """

    def __init__(self, database: Database, store: BulkStore, site_no: int, salt: Callable[[], bytes]) -> None:
        self._database, self._store, self._salt = database, store, salt
        self.site_no = site_no
        with database.read() as session:
            head = session.execute(select(JournalHead).where(col(JournalHead.log_no) == site_no)).scalar_one()
            self._tree = merkle.CompactRange.from_bytes(head.size, head.frontier)
            self.last_recorded_at = head.last_recorded_at or datetime.min.replace(tzinfo=UTC)
            counters = select(col(Counter.series), col(Counter.next_number)).where(col(Counter.site_no) == site_no)
            self._counters: dict[str, int] = {row.series: row.next_number for row in session.execute(counters)}
        self._rows: list[tuple[str, Values]] = []
        self._reasons: dict[str, int] = {}
        self._seq = -1
        self._recorded_at = self._effective_at = ""

    @contextmanager
    def entry(self, kind: str, effective_at: datetime, recorded_at: datetime, actor_id: int) -> Iterator[None]:
        """One write; it is recorded at that moment, or just after the one before if the clock has not moved on."""
        self.last_recorded_at = max(recorded_at, self.last_recorded_at + MILLISECOND)
        self._effective_at, self._recorded_at = moment_text(effective_at), utc_text(self.last_recorded_at)
        self._seq = self.site_no * SITE_STEP + self._tree.size
        yield
        self._seal(kind, actor_id)

    def new_id(self, kind: str) -> int:
        identity = self.site_no * SITE_STEP + self.next_number("identity")
        self.fact("identity", {"id": identity, "kind": kind})
        return identity

    def next_number(self, series: str) -> int:
        number = self._counters.get(series, 1)
        self._counters[series] = number + 1
        return number

    def fact(self, table: str, values: Values) -> None:
        """Store one row; a column that is not named stays empty."""
        values["seq"], values["recorded_at"] = self._seq, self._recorded_at
        self._rows.append((table, values))
        self._store.add(table, values)

    def version(
        self, table: str, identity: int, values: Values, *, version: int = 1, reason: str = "", void: bool = False
    ) -> int:
        """Store one version of a versioned fact; `effective_at` may be among its values."""
        values |= {"id": identity, "version": version, "void": void}
        values.setdefault("effective_at", self._effective_at)
        if reason:
            values["reason_id"] = self.reason(reason)
        self.fact(table, values)
        return identity

    def text(self, text: str) -> int:
        """A private text and the commitment to it."""
        salt, identity = self._salt(), self.new_id("text")
        self.fact("text_commitment", {"id": identity, "sha256": text_digest(salt, text)})
        self._store.add("private_text", {"id": identity, "salt": salt, "text": text})
        return identity

    def reason(self, reason: str) -> int:
        """One text for one reason, however many facts an entry corrects for it."""
        if reason not in self._reasons:
            self._reasons[reason] = self.text(reason)
        return self._reasons[reason]

    def stock(self, lot_id: int, on_hand_g: int) -> None:
        """What is left of a lot in the end."""
        self._store.add("lot_stock", {"lot_id": lot_id, "on_hand_g": on_hand_g, "tolerance_g": 0})

    def _seal(self, kind: str, actor_id: int) -> None:
        values: Values = {
            "seq": self._seq,
            "log_no": self.site_no,
            "leaf_index": self._tree.size,
            "kind": kind,
            "effective_at": self._effective_at,
            "recorded_at": self._recorded_at,
            "actor_id": actor_id,
            "request_id": "generated",
            "rows_hash": rows_hash(self._rows),
            "format_version": FORMAT_VERSION,
        }
        values["body"] = leaf_body(JournalEntry(**values, body=b"", leaf_hash=""))
        leaf_hash = merkle.leaf_hash(values["body"])
        values["leaf_hash"] = leaf_hash.hex()
        self._tree.append(leaf_hash)
        self._store.add("journal", values)
        if self._tree.size % CHECKPOINT_EVERY == 0:
            self._store.add("checkpoint", self._head() | {"recorded_at": self._recorded_at})
        self._rows, self._reasons = [], {}
        if self._store.is_full:
            self._store.flush()

    def _head(self) -> Values:
        return {"log_no": self.site_no, "size": self._tree.size, "root": self._tree.root().hex()}

    def finish(self) -> str:
        """Bring the site's head and its counters to where the rows are; gives the root."""
        self._store.flush()
        head = self._head()

        def advance(session: Session) -> None:
            session.execute(
                update(JournalHead)
                .where(col(JournalHead.log_no) == self.site_no)
                .values(frontier=self._tree.to_bytes(), last_recorded_at=self.last_recorded_at, **head)
            )
            session.execute(delete(Counter).where(col(Counter.site_no) == self.site_no))
            rows: list[dict[str, Any]] = [
                {"site_no": self.site_no, "series": series, "next_number": number}
                for series, number in self._counters.items()
            ]
            session.execute(insert(Counter), rows)

        self._database.write(advance)
        return str(head["root"])
