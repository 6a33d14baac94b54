"""Goal: `verify` recomputes what the record states, and finds mistakes of the code as well as changed values.

Method: the tree is recomputed a second time here, from the definition in RFC 6962 and with the standard
library's JSON, and compared with what the service stored; one root is pinned, so that the format cannot
change unnoticed. Mistakes of a verb are played by writing wrong rows through the journal: the hashes then
agree, and only the recomputation of what is derived can find them. Changed values are in tests/fault.
"""

import hashlib
import itertools
import json
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

import pytest
from one_row_each import fill
from plant_fixture import START, Plant
from sqlalchemy import delete, event, insert, select, text, update
from tampering import table_of, unguarded

from service.access.record import record_actor
from service.access.statuses import ActorKind
from service.db import Database
from service.journal.entry import Entry
from service.journal.faults import Fault
from service.journal.tables import (
    SITE_STEP,
    Counter,
    Identity,
    JournalEntry,
    JournalHead,
    PrivateText,
    fact_tables,
)
from service.lots.statuses import MassBasis
from service.lots.tables import LotFact, LotMass, LotStock
from service.plant.statuses import Mixing, SettingKey, VesselEventKind
from service.plant.tables import EquipmentEvent, Residence, Setting
from service.unit_of_work import Writer
from service.verify import examine, verify_database

ROOT_OF_THREE_ACTORS = "53212acf3e25332030a8721a63212cde69e999bd05600d203d83d520071595f7"


@pytest.fixture
def full(plant: Plant) -> dict[str, int]:
    """Identities of one thing of every kind, in a database that verifies."""
    ids = fill(plant.writer).ids
    assert verify_database(plant.database) == ()
    return ids


def test_a_plant_as_the_verbs_made_it_agrees(plant: Plant):
    report = examine(plant.database)
    assert report.faults == []
    assert report.entries > 10
    assert report.rows > report.entries
    assert report.texts > 0


def test_progress_ends_at_the_number_of_entries(plant: Plant):
    told: list[tuple[int, int]] = []
    report = examine(plant.database, lambda done, total: told.append((done, total)))
    assert told[-1] == (report.entries, report.entries)


# A second implementation of the format --------------------------------------------------------------


def tree_root(leaves: list[bytes]) -> bytes:
    """MTH of RFC 6962, 2.1: recursive, split at the largest power of two below the size."""
    if not leaves:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return hashlib.sha256(b"\x00" + leaves[0]).digest()
    split = 1 << (len(leaves) - 1).bit_length() - 1
    return hashlib.sha256(b"\x01" + tree_root(leaves[:split]) + tree_root(leaves[split:])).digest()


def spelled(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime):
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return value.hex() if isinstance(value, bytes) else str(value)


def canonical(values: dict[str, Any]) -> bytes:
    """RFC 8785 for flat objects of text: sorted names, no spaces, UTF-8."""
    return json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def without_nulls(row: Any, *left_out: str) -> dict[str, str]:
    return {key: spelled(value) for key, value in row.items() if value is not None and key not in left_out}


def expected_rows_hash(database: Database, seq: int) -> str:
    digests = []
    with database.engine.connect() as connection:
        for table in fact_tables():
            for row in connection.execute(select(table).where(table.c.seq == seq)).mappings():
                covered = canonical({"row": without_nulls(row), "table": table.name})
                digests.append(hashlib.sha256(covered).digest())
    return hashlib.sha256(b"".join(sorted(digests))).hexdigest()


def test_an_independent_computation_gives_the_stored_roots(plant: Plant, full: dict[str, int]):
    entries, heads = table_of(JournalEntry), table_of(JournalHead)
    with plant.database.engine.connect() as connection:
        rows = list(connection.execute(select(entries).order_by(entries.c.seq)).mappings())
        roots = {row.log_no: row.root for row in connection.execute(select(heads))}
    leaves: dict[int, list[bytes]] = {}
    for row in rows:
        assert row["rows_hash"] == expected_rows_hash(plant.database, row["seq"])
        assert row["body"] == canonical(without_nulls(row, "body", "leaf_hash"))
        leaves.setdefault(row["log_no"], []).append(row["body"])
    assert {log_no: tree_root(bodies).hex() for log_no, bodies in leaves.items()} == roots
    assert len(roots) == 2


def test_the_format_has_not_changed(database_url: str):
    """A root once published must be computable for ever; `tree_root` above gives the same one."""
    database = Database(database_url)
    salts = itertools.count()
    writer = Writer(database, clock=lambda: START, salt=lambda: next(salts).to_bytes(16, "big"))
    for name in ("Ana", "Bruno", "Zoë"):
        writer.run(1, partial(record_actor, kind=ActorKind.PERSON, name=name))
    roots = examine(database).roots
    with database.engine.connect() as connection:
        bodies = list(connection.execute(select(table_of(JournalEntry).c.body).order_by(text("seq"))).scalars())
    database.close()
    assert roots == [(0, 3, ROOT_OF_THREE_ACTORS)]
    assert tree_root(bodies).hex() == ROOT_OF_THREE_ACTORS


# Erasing ------------------------------------------------------------------------------------------


def test_an_erased_text_is_no_fault_and_is_counted(plant: Plant):
    private = table_of(PrivateText)
    before = examine(plant.database)
    plant.database.write(lambda session: session.execute(update(private).values(text=None)))
    report = examine(plant.database)
    assert report.faults == []
    assert (before.erased_texts, report.erased_texts) == (0, before.texts)


# Mistakes of the code that the hashes cannot show ----------------------------------------------------


def wrong_rows(plant: Plant, *rows: Any) -> tuple[Fault, ...]:
    """Store rows through the journal as a faulty verb would, and verify."""

    def verb(entry: Entry) -> None:
        entry.open(1, "mistake_made")
        for row in rows:
            entry.add(row)

    plant.writer.run(1, verb)
    faults = verify_database(plant.database)
    assert not any("rows hash" in fault.recorded for fault in faults)
    return faults


def test_a_stock_that_does_not_follow_its_lines_is_named(plant: Plant, full: dict[str, int]):
    stock = table_of(LotStock)
    one_more = update(stock).where(stock.c.lot_id == full["lot"]).values(on_hand_g=stock.c.on_hand_g + 1)
    plant.database.write(lambda session: session.execute(one_more))
    assert [str(fault) for fault in verify_database(plant.database)] == [
        f"lot_stock lot_id={full['lot']}, column on_hand_g: recorded 300001, recomputed 300000"
    ]


def test_a_lot_without_stock_is_named(plant: Plant, full: dict[str, int]):
    stock = table_of(LotStock)
    gone = delete(stock).where(stock.c.lot_id == full["lot"])
    plant.database.write(lambda session: session.execute(gone))
    assert [str(fault) for fault in verify_database(plant.database)] == [
        f"lot_stock lot_id={full['lot']}: recorded nothing, recomputed on_hand_g 300000"
    ]


def test_bales_that_miss_the_material_net_by_a_gram_are_named(plant: Plant, full: dict[str, int]):
    mass = LotMass(
        id=full["lot"], version=2, material_g=499_999, tie_g=1_500, basis=MassBasis.ALLOCATED, reason_id=full["text"]
    )
    stock = table_of(LotStock)
    one_less = update(stock).where(stock.c.lot_id == full["lot"]).values(on_hand_g=299_999)
    plant.database.write(lambda session: session.execute(one_less))
    assert [str(fault) for fault in wrong_rows(plant, mass)] == [
        f"lot_mass of delivery {full['delivery']}: recorded lots of 499999 g in all, recomputed material net 500000 g"
    ]


def test_a_reference_to_the_wrong_kind_of_thing_is_named(plant: Plant, full: dict[str, int]):
    fact = LotFact(id=full["lot"], version=2, material_id=full["partner"], reason_id=full["text"])
    assert [str(fault) for fault in wrong_rows(plant, fact)] == [
        f"lot_fact id={full['lot']} version=2, column material_id: recorded {full['partner']}, "
        "recomputed an identity of kind material"
    ]


def test_an_identity_given_for_nothing_is_named(plant: Plant, full: dict[str, int]):
    unused = SITE_STEP + 900
    plant.database.write(
        lambda session: session.execute(
            update(Counter).where(Counter.series == "identity").values(next_number=901)  # type: ignore[arg-type]
        )
    )
    assert [str(fault) for fault in wrong_rows(plant, Identity(id=unused, kind="lot"))] == [
        f"lot id={unused}: recorded an identity of kind lot, recomputed no row"
    ]


def test_two_settings_in_force_at_once_are_named(plant: Plant, full: dict[str, int]):
    number = SITE_STEP + 900
    setting = Setting(
        id=number, key=SettingKey.BALANCE_TOLERANCE, scope="full", value="0.03", source="mistake",
        valid_from=datetime(2026, 3, 2, 12, 0, tzinfo=UTC),
    )  # fmt: skip
    plant.database.write(
        lambda session: session.execute(
            update(Counter).where(Counter.series == "identity").values(next_number=901)  # type: ignore[arg-type]
        )
    )
    faults = wrong_rows(plant, Identity(id=number, kind="setting"), setting)
    assert [fault.tables for fault in faults] == [("setting",)]
    assert f"while setting {full['setting']} is in force" in faults[0].recorded


@pytest.mark.parametrize("table", ["residence", "equipment_event"])
def test_residence_data_or_stops_at_the_same_time_are_named(plant: Plant, full: dict[str, int], table: str):
    number, noon = SITE_STEP + 900, datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
    row = Residence(
        id=number, equipment_id=full["equipment"], regime=Mixing.WELL_MIXED, source="mistake", valid_from=noon,
    ) if table == "residence" else EquipmentEvent(
        id=number, equipment_id=full["equipment"], kind=VesselEventKind.STOP, at=noon, end_at=noon + timedelta(days=1),
        note="mistake",
    )  # fmt: skip
    plant.database.write(
        lambda session: session.execute(
            update(Counter).where(Counter.series == "identity").values(next_number=901)  # type: ignore[arg-type]
        )
    )
    faults = wrong_rows(plant, Identity(id=number, kind=table), row)
    assert [(fault.tables, fault.recomputed) for fault in faults] == [((table,), "one at a time")]
    assert f"while {table} {full[table]}" in faults[0].recorded


def test_a_counter_behind_an_identity_is_named(plant: Plant):
    """Such a counter would give an identity twice."""
    plant.database.write(
        lambda session: session.execute(
            update(Counter).where(Counter.series == "identity").values(next_number=1)  # type: ignore[arg-type]
        )
    )
    faults = verify_database(plant.database)
    assert {fault.tables for fault in faults} == {("counter",)}
    assert {fault.key for fault in faults} == {"site_no=0 series=identity", "site_no=1 series=identity"}


def test_a_table_that_is_not_checked_is_said_so(plant: Plant):
    with unguarded(plant.database) as connection:
        connection.execute(text("CREATE TABLE side_book (id INTEGER)"))
    assert [fault.tables for fault in verify_database(plant.database)] == [("side_book",)]


def test_a_missing_table_is_named(plant: Plant):
    with unguarded(plant.database) as connection:
        connection.execute(text("DROP TABLE lot_stock"))
    assert [(fault.tables, fault.recorded) for fault in verify_database(plant.database)] == [
        (("lot_stock",), "nothing")
    ]


def test_text_that_is_no_text_any_more_is_named(sqlite_url: str):
    """A byte changed on the disk can leave something that no decoder accepts."""
    database = Database(sqlite_url)
    plant = Plant(database)
    with unguarded(database) as connection:
        connection.exec_driver_sql("DROP TRIGGER material_no_update")
        connection.exec_driver_sql("UPDATE material SET name = CAST(x'46ff' AS TEXT) WHERE code = 'FLAKE'")
    faults = verify_database(plant.database)
    database.close()
    assert faults
    assert all("material" in fault.tables for fault in faults)


def test_verification_looks_at_one_moment_while_others_write(plant: Plant):
    """A write between the reading of the rows and that of the entries would make them disagree."""
    written: list[str] = []

    def write_once(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if "FROM journal ORDER BY" in statement and not written:
            written.append(statement)
            plant.writer.run(1, partial(record_actor, kind=ActorKind.DEVICE, name="meanwhile"))

    before = examine(plant.database).entries
    event.listen(plant.database.engine, "before_cursor_execute", write_once)
    try:
        report = examine(plant.database)
    finally:
        event.remove(plant.database.engine, "before_cursor_execute", write_once)
    assert written
    assert (report.faults, report.entries) == ([], before)
    assert examine(plant.database).entries == before + 1


def test_a_private_text_without_commitment_is_named(plant: Plant, full: dict[str, int]):
    with unguarded(plant.database) as connection:
        connection.execute(insert(table_of(PrivateText)).values(id=SITE_STEP + 900, salt=b"s", text="x"))
    assert [fault.tables for fault in verify_database(plant.database)] == [("private_text",)]
