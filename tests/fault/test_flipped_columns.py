"""Goal: whatever is changed in the tables behind the journal's back, `verify` finds it and names the place.

Method: fill every table, check that verification finds nothing, remove the database's own guards, and then
flip one value in each column of each table in turn, verify, and put it back. The same for rows deleted,
inserted and exchanged, and for a tail of the journal cut off. The last tests show what verification cannot
find, so that nobody relies on it for that.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from one_row_each import SITE_NO, FullDatabase, fill
from plant_fixture import Plant
from sqlalchemy import Table, delete, insert, select, text, update
from tampering import (
    FAR,
    another_value,
    overwrite,
    remove_guards,
    row_at,
    table_of,
    tables,
    this_row,
    unguarded,
)

from service.core import merkle
from service.db import Database
from service.journal.entry import CHECKPOINT_EVERY, leaf_body, rows_hash
from service.journal.faults import Fault
from service.journal.tables import (
    SITE_STEP,
    Checkpoint,
    JournalEntry,
    JournalHead,
    fact_tables,
)
from service.plant.tables import Material
from service.verify import examine, verify_database

FIRST = SITE_NO * SITE_STEP
LINEAGE = {"derivation", "reach", "source_member", "source_share", "vessel_reach", "vessel_standing"}
BESIDE_FACTS = {"attachment", "journal", "journal_head", "checkpoint", "lot_stock", "private_text"} | LINEAGE
# A key column of these says which row it is, so a flip shows as one row missing and one too many.
NAMED_BY_COLUMN = {"attachment", "journal", "journal_head", "checkpoint", "lot_stock"} | LINEAGE


@pytest.fixture
def full(plant: Plant) -> FullDatabase:
    filled = fill(plant.writer)
    assert verify_database(plant.database) == ()
    remove_guards(plant.database)
    return filled


def names(faults: tuple[Fault, ...]) -> set[str]:
    return {table for fault in faults for table in fault.tables}


def target(database: Database, full: FullDatabase, table: Table) -> dict[str, Any]:
    """The row whose columns are flipped: the one that `fill` stored, or one of the same site's log."""
    if table.name in full.seqs:
        return row_at(database, table, table.c.seq == full.seqs[table.name])
    if table.name == "identity":
        return row_at(database, table, table.c.kind == "process")
    if table.name == "journal":
        return row_at(database, table, table.c.seq == FIRST + 20)
    if "log_no" in table.c:
        return row_at(database, table, table.c.log_no == SITE_NO)
    if table.name == "attachment" or table.name in LINEAGE:
        return row_at(database, table)
    key = "lot_id" if table.name == "lot_stock" else "id"
    return row_at(database, table, table.c[key] == full.ids["lot" if key == "lot_id" else "text"])


def test_every_table_is_covered(plant: Plant, full: FullDatabase):
    facts = {table.name for table in fact_tables()}
    assert facts - {"identity"} == set(full.seqs)
    assert {table.name for table in tables()} == facts | BESIDE_FACTS


@pytest.mark.slow
def test_a_flip_in_any_column_of_any_table_is_found_and_named(plant: Plant, full: FullDatabase):
    database, flips, missed = plant.database, 0, []
    for table in tables():
        row = target(database, full, table)
        for column in table.columns:
            before = row[column.key]
            changed = overwrite(database, table, row, **{column.key: another_value(column, before)})
            faults = verify_database(database)
            if not is_named(faults, table, column.key):
                missed.append(f"{table.name}.{column.key}: {[str(fault) for fault in faults]}")
            overwrite(database, table, changed, **{column.key: before})
            flips += 1
    assert missed == []
    assert flips == sum(len(table.columns) for table in tables()) > 250
    assert verify_database(database) == ()


def is_named(faults: tuple[Fault, ...], table: Table, column: str) -> bool:
    """Whether one fault names exactly this table, and the column where verification can know it."""
    if table.name == "private_text":  # a text and its digest disagree; which of the two was changed is open
        return any(table.name in fault.tables for fault in faults)
    knows_column = table.name in NAMED_BY_COLUMN and not table.c[column].primary_key
    return any(fault.tables == (table.name,) and (fault.column == column or not knows_column) for fault in faults)


def test_a_deleted_row_of_any_table_is_found(plant: Plant, full: FullDatabase):
    database, missed = plant.database, []
    for table in tables():
        row = target(database, full, table)
        with unguarded(database) as connection:
            connection.execute(delete(table).where(this_row(table, row)))
        faults = verify_database(database)
        if table.name == "vessel_standing":  # what is missing is begun further back; it says nothing wrong
            assert faults == ()
            put_back(database, table, row)
            continue
        # Of an entry's only row nothing is left to name the table by, so the entry is named: its number and kind.
        entry = f"of entry {row['seq']} " if "seq" in row else "seq="
        if not any(table.name in fault.tables or entry in fault.key for fault in faults):
            missed.append(f"{table.name}: {[str(fault) for fault in faults]}")
        put_back(database, table, row)
    assert missed == []
    assert verify_database(database) == ()


def put_back(database: Database, table: Table, row: dict[str, Any]) -> None:
    with unguarded(database) as connection:
        connection.execute(insert(table).values(row))


def test_an_inserted_row_of_any_table_is_found_and_named(plant: Plant, full: FullDatabase):
    database, missed = plant.database, []
    for table in tables():
        row = target(database, full, table)
        *_, key = table.primary_key.columns
        added = row | {key.key: another_value(key, row[key.key])}
        if table.name == "lot":
            added["code"] = "ZZZZZZZZZZ"
        if table.name == "paper":
            added["issue_no"] = 2
        put_back(database, table, added)
        faults = verify_database(database)
        if not any(table.name in fault.tables for fault in faults):
            missed.append(f"{table.name}: {[str(fault) for fault in faults]}")
        with unguarded(database) as connection:
            connection.execute(delete(table).where(this_row(table, added)))
    assert missed == []
    assert verify_database(database) == ()


def test_a_row_at_a_position_without_entry_is_named(plant: Plant, full: FullDatabase):
    table = table_of(Material)
    row = target(plant.database, full, table)
    put_back(plant.database, table, row | {"id": row["id"] + FAR, "seq": FIRST + FAR})
    faults = verify_database(plant.database)
    assert any(
        fault.tables == ("material",) and fault.column == "seq" and fault.recomputed == "no such entry"
        for fault in faults
    )


@pytest.mark.parametrize("column", ["name", "seq"])
def test_exchanged_values_of_two_rows_are_found_at_both_entries(plant: Plant, full: FullDatabase, column: str):
    database, table = plant.database, table_of(Material)
    first = row_at(database, table, table.c.code == "FLAKE")
    second = row_at(database, table, table.c.code == "VIRGIN")
    overwrite(database, table, first, **{column: second[column]})
    overwrite(database, table, second, **{column: first[column]})
    faults = verify_database(database)
    for row in (first, second):
        assert any(f"of entry {row['seq']} " in fault.key for fault in faults)


# The end of the journal -----------------------------------------------------------------------------


def cut_tail(database: Database, log_no: int, size: int) -> None:
    """Drop a log's entries from `size` on, with their rows; the head stays."""
    first, behind = log_no * SITE_STEP + size, (log_no + 1) * SITE_STEP
    with unguarded(database) as connection:
        for table in (*fact_tables(), table_of(JournalEntry)):
            connection.execute(delete(table).where(table.c.seq >= first, table.c.seq < behind))


def adjust_head(database: Database, log_no: int) -> None:
    """Make the head agree with the entries that are left, as somebody who knows the format would."""
    entries, head = table_of(JournalEntry), table_of(JournalHead)
    with unguarded(database) as connection:
        query = select(entries.c.leaf_hash, entries.c.recorded_at).where(entries.c.log_no == log_no)
        left = connection.execute(query.order_by(entries.c.seq)).all()
        tree = merkle.CompactRange()
        for entry in left:
            tree.append(bytes.fromhex(entry.leaf_hash))
        values = {
            "size": tree.size,
            "frontier": tree.to_bytes(),
            "root": tree.root().hex(),
            "last_recorded_at": left[-1].recorded_at,
        }
        connection.execute(update(head).where(head.c.log_no == log_no).values(values))


def test_a_dropped_last_entry_is_found(plant: Plant, full: FullDatabase):
    size = row_at(plant.database, table_of(JournalHead), text("log_no = 0"))["size"]
    last = size - 1
    with unguarded(plant.database) as connection:
        connection.execute(delete(table_of(JournalEntry)).where(table_of(JournalEntry).c.seq == last))
    faults = verify_database(plant.database)
    assert {"size", "root", "frontier"} <= {fault.column for fault in faults if fault.tables == ("journal_head",)}
    assert any(fault.column == "seq" and fault.recorded == f"journal entry {last}" for fault in faults)


def test_a_missing_entry_in_the_middle_is_found(plant: Plant, full: FullDatabase):
    with unguarded(plant.database) as connection:
        connection.execute(delete(table_of(JournalEntry)).where(table_of(JournalEntry).c.seq == FIRST + 10))
    faults = verify_database(plant.database)
    assert any(f.tables == ("journal",) and f.recomputed == "1 missing before it" for f in faults)


def test_a_cut_tail_with_an_untouched_head_is_found(plant: Plant, full: FullDatabase):
    cut_tail(plant.database, SITE_NO, CHECKPOINT_EVERY)
    assert "journal_head" in names(verify_database(plant.database))


def test_a_cut_tail_with_an_adjusted_head_is_found_when_a_checkpoint_lies_behind_the_cut(
    plant: Plant, full: FullDatabase
):
    cut_tail(plant.database, SITE_NO, CHECKPOINT_EVERY - 1)
    adjust_head(plant.database, SITE_NO)
    faults = verify_database(plant.database)
    assert names(faults) == {"checkpoint"}
    assert f"a log of only {CHECKPOINT_EVERY - 1} entries" in str(faults[0])


def test_a_cut_tail_is_found_when_an_answer_was_sent_for_it(plant: Plant, full: FullDatabase):
    material = {
        "code": "LATE", "name": "Late", "form": "flake", "polymer": "PET", "colour": "clear",
        "waste_class": "post_consumer", "food_candidate": True,
    }  # fmt: skip
    plant.post("/v1/materials", material)
    size = row_at(plant.database, table_of(JournalHead), text("log_no = 0"))["size"]
    cut_tail(plant.database, 0, size - 1)
    adjust_head(plant.database, 0)
    faults = verify_database(plant.database)
    assert [(fault.tables, fault.key) for fault in faults] == [(("journal",), f"seq={size - 1}")]


def test_a_rewritten_entry_needs_the_checkpoint_rewritten_too(plant: Plant, full: FullDatabase):
    """Whoever recomputes row hash, body, leaf and head still leaves the checkpoint behind."""
    rewrite_material(plant.database, full)
    assert names(verify_database(plant.database)) == {"checkpoint"}


def rewrite_material(database: Database, full: FullDatabase) -> None:
    table, entries = table_of(Material), table_of(JournalEntry)
    row = overwrite(database, table, target(database, full, table), name="Something else")
    entry = row_at(database, entries, entries.c.seq == row["seq"])
    forged = JournalEntry(**entry | {"rows_hash": rows_hash([(table.name, row)])})
    forged.body = leaf_body(forged)
    leaf = merkle.leaf_hash(forged.body).hex()
    overwrite(database, entries, entry, rows_hash=forged.rows_hash, body=forged.body, leaf_hash=leaf)
    adjust_head(database, SITE_NO)


# What verification cannot find, and what does ------------------------------------------------------


def recomputed_root(database: Database, log_no: int) -> str:
    return next(root for log, _, root in examine(database).roots if log == log_no)


def checkpoint_rewritten(database: Database, full: FullDatabase) -> None:
    rewrite_material(database, full)
    checkpoints, entries = table_of(Checkpoint), table_of(JournalEntry)
    with unguarded(database) as connection:
        query = select(entries.c.leaf_hash).where(entries.c.log_no == SITE_NO).order_by(entries.c.seq)
        leaves = [bytes.fromhex(leaf) for leaf in connection.execute(query.limit(CHECKPOINT_EVERY)).scalars()]
        values = {"root": merkle.root(leaves).hex()}
        connection.execute(update(checkpoints).where(checkpoints.c.log_no == SITE_NO).values(values))


def tail_cut_behind_the_checkpoint(database: Database, _full: FullDatabase) -> None:
    cut_tail(database, SITE_NO, CHECKPOINT_EVERY)
    adjust_head(database, SITE_NO)


@pytest.mark.parametrize("forge", [checkpoint_rewritten, tail_cut_behind_the_checkpoint])
def test_only_a_root_kept_outside_shows_a_consistent_forgery(
    plant: Plant, full: FullDatabase, forge: Callable[[Database, FullDatabase], None]
):
    kept_outside = recomputed_root(plant.database, SITE_NO)
    forge(plant.database, full)
    assert verify_database(plant.database) == ()
    assert recomputed_root(plant.database, SITE_NO) != kept_outside
