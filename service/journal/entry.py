"""Writing the journal: one `Entry` per write, from the lock on the site's head to the leaf in its tree.

An entry is opened on a site's log by the verb that knows which site it writes to, collects every fact
row the write stores, and is sealed when the verb is done. Rows go to the database at once, so that
constraints speak where the mistake is made.
"""

import hashlib
import json
import secrets
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import insert, select, update
from sqlmodel import Session, SQLModel, col

from service.core import merkle
from service.db import utc_text
from service.errors import Conflict
from service.journal.tables import (
    FORMAT_VERSION,
    SITE_STEP,
    Checkpoint,
    Counter,
    Fact,
    Identity,
    JournalEntry,
    JournalHead,
    PrivateText,
    TextCommitment,
    VersionedFact,
)

CHECKPOINT_EVERY = 64

# The bytes of RFC 8785 (JCS) for objects whose keys are column names and whose values are texts: there the RFC's
# rules on order and escapes are those of the standard library's encoder, which is six times as fast as the rfc8785
# package. A test holds the two against each other.
_jcs = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode
Row = TypeVar("Row", bound=SQLModel)

Salt = Callable[[], bytes]


@dataclass
class Entry:
    """One write in progress.

    Parameters
    ----------
    session : the transaction; the entry never commits it.
    actor_id : who writes.
    now : the clock's reading, UTC; `recorded_at` is this, or a microsecond after the log's last entry
        when the clock stands still or goes back.
    request_id : ties the entry to the answer's `instance` and to the server's log.
    salt : makes 16 bytes for a private text.
    """

    session: Session
    actor_id: int
    now: datetime
    request_id: str
    salt: Salt = field(default=lambda: secrets.token_bytes(16))
    kind: str = ""
    site_no: int = -1
    seq: int = -1
    effective_at: datetime = field(default=datetime.min.replace(tzinfo=UTC))
    recorded_at: datetime = field(default=datetime.min.replace(tzinfo=UTC))
    booked_on: str | None = None
    reason_id: int | None = None  # why this entry comes late; stands on every row it stores
    rows: list[SQLModel] = field(default_factory=list)
    _reasons: dict[str, int] = field(default_factory=dict)
    _counters: dict[str, int] = field(default_factory=dict)
    _unstored_ids: list[Identity] = field(default_factory=list)
    _frontier: merkle.CompactRange = field(default_factory=merkle.CompactRange)

    def open(self, site_no: int, kind: str, effective_at: datetime | None = None) -> "Entry":
        """Lock the site's log and take the next position; `kind` is a past-tense event name."""
        if self.seq >= 0:
            raise AssertionError("an entry is opened once: one write is one journal entry of one site")
        head = self.session.execute(  # this row lock makes `seq` gapless and the facts of a site serial
            select(JournalHead).where(col(JournalHead.log_no) == site_no).with_for_update()
        ).scalar_one_or_none()
        if head is None:
            self.session.execute(
                insert(JournalHead).values(log_no=site_no, size=0, frontier=b"", root=merkle.root([]).hex())
            )
            size, last, self._frontier = 0, None, merkle.CompactRange()
        else:
            size, last = head.size, head.last_recorded_at
            self._frontier = merkle.CompactRange.from_bytes(size, head.frontier)
            self.session.expunge(head)
        self.site_no, self.kind, self.seq = site_no, kind, site_no * SITE_STEP + size
        self.recorded_at = self.now if last is None else max(self.now, last + timedelta(microseconds=1))
        self.effective_at = effective_at or self.now
        return self

    def new_id(self, kind: str) -> int:
        return self.new_ids(kind, 1)[0]

    def new_ids(self, kind: str, pieces: int) -> list[int]:
        """Register `pieces` new identities of one kind, never given before."""
        first = self.next_number("identity", pieces)
        ids = [self.site_no * SITE_STEP + first + n for n in range(pieces)]
        self._unstored_ids += [Identity(id=new, kind=kind) for new in ids]
        return ids

    def next_number(self, series: str, pieces: int = 1) -> int:
        """The next number of a gapless series of this site; counts back if the transaction fails.

        The entry holds the site's lock, so it reads a counter once and stores it once, when it is sealed.
        """
        if series not in self._counters:
            row = (col(Counter.site_no) == self.site_no) & (col(Counter.series) == series)
            stored = self.session.execute(select(col(Counter.next_number)).where(row)).scalar_one_or_none()
            if stored is None:
                stored = 1
                first = {"site_no": self.site_no, "series": series, "next_number": stored}
                self.session.execute(insert(Counter).values(first))
            self._counters[series] = stored
        taken = self._counters[series]
        self._counters[series] += pieces
        return taken

    def add(self, row: Row) -> Row:
        """Store one fact row now, stamped with this entry's position and time."""
        return self.add_all([row])[0]

    def add_all(self, rows: Sequence[Row]) -> Sequence[Row]:
        """Store rows of one table in one statement."""
        if self._unstored_ids:
            # Everything refers to identities, so they go first; together, for speed.
            unstored, self._unstored_ids = self._unstored_ids, []
            self.add_all(unstored)
        if not rows:
            return rows
        for row in rows:
            if not isinstance(row, Fact):
                raise AssertionError(f"{type(row).__name__} is not a fact")
            row.seq, row.recorded_at = self.seq, self.recorded_at
            if isinstance(row, VersionedFact):
                row.effective_at = row.effective_at or self.effective_at
                row.reason_id = row.reason_id or self.reason_id
        self.session.execute(insert(type(rows[0])), [values_of(row) for row in rows])
        self.rows.extend(rows)
        return rows

    def revise(self, earlier: VersionedFact, reason: str, **changes: Any) -> Any:
        """Store the next version of a fact; the earlier one stays as it is.

        Raises
        ------
        Conflict : the version is not the newest any more (somebody corrected it meanwhile).
        """
        if not reason.strip():
            raise AssertionError("a correction names its reason; the verb checks this first")
        values = values_of(earlier) | {"reason_id": self._reason(reason)}
        following = type(earlier)(**(values | {"version": earlier.version + 1} | changes))
        newest = self.session.execute(
            select(col(type(earlier).version))
            .where(col(type(earlier).id) == earlier.id)
            .order_by(col(type(earlier).version).desc())
            .limit(1)
        ).scalar_one()
        if newest != earlier.version:
            raise Conflict("newer-version", "Somebody corrected this meanwhile.", "Read it again and decide.")
        return self.add(following)

    def void(self, earlier: VersionedFact, reason: str) -> Any:
        """Store a void version: from now on the fact counts as withdrawn, and stays readable."""
        return self.revise(earlier, reason, void=True)

    def _reason(self, reason: str) -> int:
        """One text for one reason, however many facts an entry corrects for it (a re-spread corrects 46 bales)."""
        if reason not in self._reasons:
            self._reasons[reason] = self.text(reason)
        return self._reasons[reason]

    def text(self, text: str) -> int:
        """Store a free or personal text as an erasable row, and its salted digest as a fact."""
        salt = self.salt()
        identity = self.new_id("text")
        self.add(TextCommitment(id=identity, sha256=text_digest(salt, text)))
        self.session.execute(insert(PrivateText).values(id=identity, salt=salt, text=text))
        return identity

    def seal(self) -> None:
        """Append the leaf: hash all rows, store the journal entry, advance the head."""
        if self.seq < 0:
            raise AssertionError("nothing was opened, so nothing can be sealed")
        self.add_all([])
        for series, next_number in self._counters.items():
            row = (col(Counter.site_no) == self.site_no) & (col(Counter.series) == series)
            self.session.execute(update(Counter).where(row).values(next_number=next_number))
        leaf = JournalEntry(
            seq=self.seq,
            log_no=self.site_no,
            leaf_index=self.seq % SITE_STEP,
            kind=self.kind,
            effective_at=self.effective_at,
            recorded_at=self.recorded_at,
            booked_on=self.booked_on,
            actor_id=self.actor_id,
            request_id=self.request_id,
            body=b"",
            rows_hash=rows_hash((type(row).__tablename__, values_of(row)) for row in self.rows),
            leaf_hash="",
            format_version=FORMAT_VERSION,
        )
        leaf.body = leaf_body(leaf)
        leaf_hash = merkle.leaf_hash(leaf.body)
        leaf.leaf_hash = leaf_hash.hex()
        self.session.execute(insert(JournalEntry).values(values_of(leaf)))
        self._frontier.append(leaf_hash)
        root = self._frontier.root().hex()
        self.session.execute(
            update(JournalHead)
            .where(col(JournalHead.log_no) == self.site_no)
            .values(
                size=self._frontier.size,
                frontier=self._frontier.to_bytes(),
                root=root,
                last_recorded_at=self.recorded_at,
            )
        )
        if self._frontier.size % CHECKPOINT_EVERY == 0:
            self.session.execute(
                insert(Checkpoint).values(
                    log_no=self.site_no, size=self._frontier.size, root=root, recorded_at=self.recorded_at
                )
            )


def values_of(row: SQLModel) -> dict[str, Any]:
    """Column values of a row as plain Python."""
    return {name: getattr(row, name) for name in _columns(type(row))}


@cache
def _columns(table: type[SQLModel]) -> tuple[str, ...]:
    return tuple(column.key for column in SQLModel.metadata.tables[str(table.__tablename__)].columns)


def text_digest(salt: bytes, text: str) -> str:
    return hashlib.sha256(salt + text.encode()).hexdigest()


def canonical_value(value: Any) -> str:
    """One spelling per value, the same on both engines and in ten years."""
    match value:
        case bool():
            return "true" if value else "false"
        case datetime():
            return utc_text(value)
        case bytes():
            return value.hex()
        case _:
            return str(value)


def canonical_row(table: Any, values: dict[str, Any]) -> bytes:
    """RFC 8785 (JCS) bytes of one row; NULLs are left out, so a later nullable column changes nothing."""
    columns = {key: canonical_value(value) for key, value in values.items() if value is not None}
    return _jcs({"table": str(table), "row": columns}).encode()


def rows_hash(rows: Iterable[tuple[Any, dict[str, Any]]]) -> str:
    """SHA-256 over the sorted canonical rows of one entry, so that reading order does not matter."""
    digest = hashlib.sha256()
    for row_digest in sorted(hashlib.sha256(canonical_row(*row)).digest() for row in rows):
        digest.update(row_digest)
    return digest.hexdigest()


def leaf_body(leaf: JournalEntry) -> bytes:
    """RFC 8785 bytes that the leaf hash covers: every column of the entry but the body and the hash itself."""
    covered = {
        key: canonical_value(value)
        for key, value in values_of(leaf).items()
        if key not in {"body", "leaf_hash"} and value is not None
    }
    return _jcs(covered).encode()
