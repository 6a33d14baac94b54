"""Proof of the record: every stored row against its journal entry, every entry against its site's tree.

Nothing of the writer runs here except the format of the bytes (`entry.leaf_body`, `entry.rows_hash`) and
the tree hash. Values are read as the database holds them, without the column types' conversions, so that a
value no column type would accept is reported and not stumbled over.

What this proves and what not: a change made in the tables alone is found. Whoever may write to the database
file could also recompute every hash, head and checkpoint after a change, and the result would agree with
itself; and entries behind the last checkpoint could be cut off together with their rows and the head. Only
a checkpoint that somebody outside holds (a root printed on a lot record that left the plant) contradicts
that, by comparing it with the root of that size here.
"""

import heapq
import json
from collections.abc import Iterator, Sequence
from itertools import groupby
from operator import attrgetter
from typing import Any, NamedTuple

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ColumnElement,
    Label,
    Table,
    cast,
    func,
    inspect,
    select,
    type_coerce,
)
from sqlalchemy.types import NullType
from sqlmodel import Session

from service.core import merkle
from service.journal.entry import (
    CHECKPOINT_EVERY,
    canonical_value,
    leaf_body,
    rows_hash,
    text_digest,
)
from service.journal.faults import Report, shown
from service.journal.tables import (
    FORMAT_VERSION,
    SITE_STEP,
    Checkpoint,
    JournalEntry,
    JournalHead,
    PrivateText,
    TextCommitment,
    fact_tables,
)

ROWS_AT_A_TIME = 1_000
JOURNAL, HEAD, CHECKPOINT = "journal", "journal_head", "checkpoint"


class StoredRow(NamedTuple):
    """A row as the database holds it; `values` in the canonical form that hashes cover."""

    seq: int
    table: str
    key: str
    values: dict[str, Any]


def as_stored(column: ColumnElement[Any]) -> Label[Any]:
    """A column without its type's conversion."""
    return type_coerce(column, NullType()).label(None)


def stored_values(columns: Sequence[Column[Any]], raw: Sequence[Any]) -> dict[str, Any]:
    """Driver values as the canonical form expects them.

    SQLite keeps a moment as the text that was hashed, and a truth value as 0 or 1.
    """
    return {
        column.key: bool(value) if isinstance(column.type, Boolean) and value in (0, 1) else value
        for column, value in zip(columns, raw, strict=True)
    }


def stream(session: Session, table: Table, order: Sequence[Column[Any]]) -> Iterator[dict[str, Any]]:
    """Rows of a table in order, a few at a time, each value as it is stored."""
    columns = list(table.columns)
    query = select(*map(as_stored, columns)).order_by(*order)
    for raw in session.execute(query, execution_options={"yield_per": ROWS_AT_A_TIME}):
        yield stored_values(columns, raw)


def table_of(model: Any) -> Table:
    table = inspect(model).local_table
    assert isinstance(table, Table)
    return table


def key_text(table: Table, values: dict[str, Any]) -> str:
    return " ".join(f"{column.key}={shown(values[column.key])}" for column in table.primary_key.columns)


def verify_journal(session: Session, report: Report) -> None:
    """Check entries, rows, trees, heads, checkpoints and commitments; faults go into `report`.

    The journal and all fact tables are read once, side by side in the order of their positions, so that
    memory holds one entry's rows at a time and not ten years.
    """
    table = table_of(JournalEntry)
    total = session.execute(select(func.count()).select_from(table)).scalar_one()
    groups = _rows_by_position(session, report)
    waiting = next(groups, None)
    log: _Log | None = None
    for values in stream(session, table, [table.c.seq]):
        seq = values["seq"]
        if not isinstance(seq, int):
            report.add(JOURNAL, key_text(table, values), seq, "a journal position", "seq")
            continue
        while waiting is not None and waiting[0] < seq:
            _report_orphans(report, *waiting)
            waiting = next(groups, None)
        rows: list[StoredRow] = []
        if waiting is not None and waiting[0] == seq:
            rows = waiting[1]
            waiting = next(groups, None)
        if log is None or log.log_no != seq // SITE_STEP:
            if log is not None:
                log.finish()
            log = _Log(session, report, seq // SITE_STEP)
        log.append(values)
        _check_rows(report, values, rows)
        report.entries += 1
        if report.entries % ROWS_AT_A_TIME == 0:
            report.watch(report.entries, total)
    if log is not None:
        log.finish()
    while waiting is not None:
        _report_orphans(report, *waiting)
        waiting = next(groups, None)
    report.watch(total, total)
    _report_logs_without_entries(session, report)
    _check_texts(session, report)


def _rows_by_position(session: Session, report: Report) -> Iterator[tuple[int, list[StoredRow]]]:
    merged = heapq.merge(*(_fact_rows(session, table, report) for table in fact_tables()), key=attrgetter("seq"))
    for seq, rows in groupby(merged, key=attrgetter("seq")):
        yield seq, list(rows)


def _fact_rows(session: Session, table: Table, report: Report) -> Iterator[StoredRow]:
    for values in stream(session, table, [table.c.seq]):
        key = key_text(table, values)
        report.rows += 1
        if isinstance(values["seq"], int):
            yield StoredRow(values["seq"], table.name, key, values)
        else:
            report.add(table.name, key, values["seq"], "a journal position", "seq")


def _report_orphans(report: Report, seq: int, rows: list[StoredRow]) -> None:
    for row in rows:
        report.add(row.table, row.key, f"journal entry {seq}", "no such entry", "seq")


def _check_rows(report: Report, entry: dict[str, Any], rows: list[StoredRow]) -> None:
    """The rows that carry an entry's position are the ones it hashed, and carry its time."""
    for row in rows:
        report.compare(row.table, row.key, "recorded_at", row.values["recorded_at"], entry["recorded_at"])
    recomputed = rows_hash((row.table, row.values) for row in rows)
    if recomputed != entry["rows_hash"]:
        # One hash covers all rows of a write: it says that one of them was changed, added or taken
        # away, not which.
        tables = tuple(sorted({row.table for row in rows})) or (JOURNAL,)
        key = f"of entry {entry['seq']} ({shown(entry['kind'])}, {len(rows)} rows)"
        report.add(tables, key, f"rows hash {shown(entry['rows_hash'])}", recomputed)


class _Log:
    """One site's log while its entries are read: grows the tree and compares it with what is stored."""

    def __init__(self, session: Session, report: Report, log_no: int) -> None:
        self.log_no = log_no
        self.report = report
        self.tree = merkle.CompactRange()
        self.last_recorded_at: Any = None
        self.next_index = 0
        heads, points = table_of(JournalHead), table_of(Checkpoint)
        self.heads = _of_log(session, heads, log_no)
        self.checkpoints = {values["size"]: values for values in _of_log(session, points, log_no)}

    def append(self, entry: dict[str, Any]) -> None:
        key, report = f"seq={entry['seq']}", self.report
        index = entry["seq"] % SITE_STEP
        if index != self.next_index:
            missing = range(self.next_index, index)
            report.add(JOURNAL, f"log_no={self.log_no}", f"entry {index}", f"{len(missing)} missing before it")
        self.next_index = index + 1
        _check_body(report, key, entry)
        report.compare(JOURNAL, key, "log_no", entry["log_no"], self.log_no)
        report.compare(JOURNAL, key, "leaf_index", entry["leaf_index"], index)
        last = self.last_recorded_at
        # Compared in their canonical spelling: fixed width, so that text order is time order.
        if last is not None and canonical_value(entry["recorded_at"]) <= canonical_value(last):
            report.add(JOURNAL, key, entry["recorded_at"], f"later than {shown(last)}", "recorded_at")
        self.last_recorded_at = entry["recorded_at"]
        leaf = merkle.leaf_hash(entry["body"] if isinstance(entry["body"], bytes) else b"")
        report.compare(JOURNAL, key, "leaf_hash", entry["leaf_hash"], leaf.hex())
        self.tree.append(leaf)
        self._check_checkpoint()

    def _check_checkpoint(self) -> None:
        size = self.tree.size
        key = f"log_no={self.log_no} size={size}"
        checkpoint = self.checkpoints.pop(size, None)
        if checkpoint is None:
            if size % CHECKPOINT_EVERY == 0:
                self.report.add(CHECKPOINT, key, None, self.tree.root())
            return
        self.report.checkpoints += 1
        self.report.compare(CHECKPOINT, key, "root", checkpoint["root"], self.tree.root().hex())
        self.report.compare(CHECKPOINT, key, "recorded_at", checkpoint["recorded_at"], self.last_recorded_at)
        # Nothing signs checkpoints yet, so a note here was put in by hand.
        self.report.compare(CHECKPOINT, key, "signed_note", checkpoint["signed_note"], None)

    def finish(self) -> None:
        """Compare head and remaining checkpoints after the last entry."""
        key = f"log_no={self.log_no}"
        self.report.roots.append((self.log_no, self.tree.size, self.tree.root().hex()))
        for size, checkpoint in sorted(self.checkpoints.items()):
            recorded = f"size {size} with root {shown(checkpoint['root'])}"
            self.report.add(CHECKPOINT, f"{key} size={size}", recorded, f"a log of only {self.tree.size} entries")
        if not self.heads:
            self.report.add(HEAD, key, None, f"size {self.tree.size}")
            return
        head = self.heads[0]
        for column, recomputed in (
            ("size", self.tree.size),
            ("frontier", self.tree.to_bytes()),
            ("root", self.tree.root().hex()),
            ("last_recorded_at", self.last_recorded_at),
        ):
            self.report.compare(HEAD, key, column, head[column], recomputed)


def _of_log(session: Session, table: Table, log_no: int) -> list[dict[str, Any]]:
    columns = list(table.columns)
    query = select(*map(as_stored, columns))
    return [stored_values(columns, raw) for raw in session.execute(query.where(table.c.log_no == log_no))]


def _check_body(report: Report, key: str, entry: dict[str, Any]) -> None:
    """The bytes that the leaf hash covers say what the entry's columns say."""
    report.compare(JOURNAL, key, "format_version", entry["format_version"], FORMAT_VERSION)
    recomputed = leaf_body(JournalEntry(**entry))
    if entry["body"] == recomputed:
        return
    from_columns: dict[str, str] = json.loads(recomputed)
    try:
        stated: dict[str, str] = dict(json.loads(entry["body"]))
    except (ValueError, TypeError):
        report.add(JOURNAL, key, entry["body"], recomputed, "body")
        return
    differing = sorted(
        column for column in stated.keys() | from_columns.keys() if stated.get(column) != from_columns.get(column)
    )
    for column in differing:
        report.add(JOURNAL, key, f"{shown(stated.get(column))} in the body", from_columns.get(column), column)
    if not differing:
        report.add(JOURNAL, key, "a body that is not in canonical form", "the canonical form", "body")


def _report_logs_without_entries(session: Session, report: Report) -> None:
    """A head or a checkpoint of a log of which no entry is left."""
    entries = table_of(JournalEntry)
    for model in (JournalHead, Checkpoint):
        table = table_of(model)
        first = cast(table.c.log_no, BigInteger) * SITE_STEP
        there = select(1).where(entries.c.seq >= first, entries.c.seq < first + SITE_STEP).exists()
        for log_no, size in session.execute(select(table.c.log_no, table.c.size).where(~there)):
            report.add(table.name, f"log_no={log_no}", f"{size} entries", "no entry at all")


def _check_texts(session: Session, report: Report) -> None:
    """Each private text has the digest its commitment states; an erased one (NULL) cannot be checked."""
    commitment, private = table_of(TextCommitment), table_of(PrivateText)
    query = (
        select(*map(as_stored, (commitment.c.id, commitment.c.sha256, *private.columns)))
        .join_from(commitment, private, private.c.id == commitment.c.id, isouter=True)
        .order_by(commitment.c.id)
    )
    for number, recorded, text_id, salt, text in session.execute(
        query, execution_options={"yield_per": ROWS_AT_A_TIME}
    ):
        report.texts += 1
        if text_id is None:
            report.add("private_text", f"id={number}", "a commitment", "no text row, not even erased")
        elif text is None:
            report.erased_texts += 1
        elif not isinstance(salt, bytes) or text_digest(salt, str(text)) != recorded:
            found = text_digest(bytes(salt), str(text)) if isinstance(salt, bytes) else "no salt"
            report.add(("private_text", "text_commitment"), f"id={number}", recorded, found)
    committed = select(1).where(commitment.c.id == private.c.id).exists()
    for number in session.execute(select(private.c.id).where(~committed)).scalars():
        report.add("private_text", f"id={number}", "a text", "no commitment")
