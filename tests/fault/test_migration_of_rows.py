"""Goal: a change of what a column may hold keeps every row, guard and hash of a database that has been in use.

Method: book a vessel's day, go back to the form before residence data and forward again, which on SQLite makes three
fact tables anew each time; then compare every row, verify, and try what the database must refuse or accept.
"""

import pytest
from alembic import command
from alembic.config import Config
from line_steps import at, charge, close, draw, feed, opening, start, vessel
from plant_fixture import Plant
from sqlalchemy import select, text
from sqlalchemy.exc import DBAPIError
from time_steps import REPORT, residence, stop

from service.balances.derive import derive_if_missing
from service.db import Database, bundled
from service.journal.tables import fact_tables
from service.verify import verify_database

BEFORE_RESIDENCE = "0003"


def moved_to(database: Database, revision: str) -> None:
    config = Config()
    config.set_main_option("script_location", str(bundled("migrations")))
    with database.engine.connect().execution_options(begin_mode="IMMEDIATE") as connection:
        config.attributes["connection"] = connection
        move = command.upgrade if revision == "head" else command.downgrade
        move(config, revision)
    database.engine.dispose()  # what was prepared for the tables of before


def all_rows(database: Database) -> dict[str, list[tuple[object, ...]]]:
    with database.engine.connect() as connection:
        return {
            table.name: [tuple(row) for row in connection.execute(select(table).order_by(*table.primary_key.columns))]
            for table in fact_tables()
        }


def test_a_database_in_use_keeps_every_row_and_guard(plant: Plant) -> None:
    silo = vessel(plant, "SILO-1", "first_in_first_out", proof_sha256=REPORT, proof_from=at(0))
    charge(plant, silo, opening(plant, "flake", "FLAKE", "1000"), 1)
    draw(plant, silo, "1000", 2)
    plant.post(f"/v1/vessels/{silo}/proven-empty", {"at": at(3), "note": "emptied and inspected"})
    before = all_rows(plant.database)
    assert len(before["process"]) > 2
    assert len(before["equipment_event"]) == 1
    moved_to(plant.database, BEFORE_RESIDENCE)
    moved_to(plant.database, "head")
    assert all_rows(plant.database) == before
    assert derive_if_missing(plant.database) == 1  # what was worked out is no fact and was dropped
    assert verify_database(plant.database) == ()
    tower = vessel(plant, "TOWER", kind="preheater")
    residence(plant, tower, "plug_flow", spread_fraction="0.1")
    stop(plant, tower, at(1), at(2))
    for table in ("equipment", "process", "equipment_event", "residence"):
        with plant.database.engine.connect() as connection, pytest.raises(DBAPIError, match="append-only"):
            connection.execute(text(f"UPDATE {table} SET version = version"))
    assert verify_database(plant.database) == ()


def test_a_doubt_that_was_recorded_is_never_dropped(plant: Plant) -> None:
    run = start(plant, "wash")
    feed(plant, run, opening(plant, "loose", "PET-LOOSE", "1000", "0.05"))
    close(plant, run)
    with pytest.raises(RuntimeError, match=r"balance\.u95_ug holds facts"):
        moved_to(plant.database, "0006")
    moved_to(plant.database, "head")  # empty tables of later revisions went before it was refused
    assert verify_database(plant.database) == ()
    for statement, guard in (
        ("UPDATE balance SET u95_ug = u95_ug", "append-only"),
        ("UPDATE setting SET version = version", "append-only"),
        ("UPDATE measurement SET version = version", "append-only"),
    ):
        with plant.database.engine.connect() as connection, pytest.raises(DBAPIError, match=guard):
            connection.execute(text(statement))
    for wrong in (
        "doubt_verdict = 'fine'",
        "coverage_ppm = NULL",
        "u95_ug = -1",
        "doubt_verdict = 'loss_beyond_doubt', u95_ug = 10000000000000",
    ):
        with plant.database.engine.connect() as connection:
            for statement in without_triggers(plant.database, "balance"):
                connection.execute(text(statement))
            with pytest.raises(DBAPIError, match=r"(?i)check"):
                connection.execute(text(f"UPDATE balance SET {wrong}"))


KINDS = {
    "equipment": "UPDATE equipment SET kind = 'castle'",
    "process": "UPDATE process SET mixing = 'stirred by hand'",
    "equipment_event": "UPDATE equipment_event SET kind = 'rest'",
    "a stop without an end": "UPDATE equipment_event SET end_at = NULL",
}


@pytest.mark.parametrize("what", KINDS)
def test_closed_lists_are_closed_after_the_change(plant: Plant, what: str) -> None:
    silo = vessel(plant, "SILO-1")
    stop(plant, silo, at(1), at(2))
    with plant.database.engine.connect() as connection:
        for statement in without_triggers(plant.database, KINDS[what].split()[1]):
            connection.execute(text(statement))
        with pytest.raises(DBAPIError, match=r"(?i)check"):
            connection.execute(text(KINDS[what]))


def without_triggers(database: Database, table: str) -> list[str]:
    """Statements that take the append-only guard off a table, so that the CHECK behind it speaks."""
    if database.is_sqlite:
        return [f"DROP TRIGGER {table}_no_update"]
    return [f"DROP TRIGGER {table}_append_only ON {table}"]
