"""Goal: the database itself refuses to change or delete a fact, whoever asks.

Method: fill every table, then send UPDATE and DELETE (and on PostgreSQL TRUNCATE) of each fact table, the
journal and its checkpoints past the service, and read the rows again.
"""

import pytest
from one_row_each import fill
from plant_fixture import Plant
from sqlalchemy import Table, delete, func, select, text, update
from sqlalchemy.exc import DBAPIError
from tampering import table_of

from service.db import Database
from service.journal.tables import Checkpoint, JournalEntry, fact_tables
from service.verify import verify_database


def guarded_tables() -> list[Table]:
    return [*fact_tables(), table_of(JournalEntry), table_of(Checkpoint)]


def refused(database: Database, statement: object) -> bool:
    """Whether the statement fails with the words of the guard, not for another reason."""
    with database.engine.connect() as connection:
        transaction = connection.begin()
        try:
            connection.execute(statement)  # type: ignore[call-overload]
        except DBAPIError as refusal:
            return "is append-only: record a new version" in str(refusal)
        finally:
            transaction.rollback()
    return False


def test_update_and_delete_of_every_fact_table_are_refused(plant: Plant):
    fill(plant.writer)
    changed = []
    for table in guarded_tables():
        with plant.database.engine.connect() as connection:
            assert connection.execute(select(func.count()).select_from(table)).scalar_one() > 0
        last = list(table.columns)[-1]
        if not refused(plant.database, update(table).values({last.key: last})):
            changed.append(f"UPDATE {table.name}")
        if not refused(plant.database, delete(table)):
            changed.append(f"DELETE {table.name}")
    assert changed == []
    assert verify_database(plant.database) == ()


def test_postgresql_refuses_to_empty_a_fact_table(postgresql_url: str):
    database = Database(postgresql_url)
    kept = [table.name for table in guarded_tables() if refused(database, text(f"TRUNCATE {table.name} CASCADE"))]
    database.close()
    assert kept == [table.name for table in guarded_tables()]


@pytest.mark.parametrize("verb", ["UPDATE", "DELETE"])
def test_sqlite_has_a_guard_per_table_and_verb(sqlite_url: str, verb: str):
    database = Database(sqlite_url)
    with database.engine.connect() as connection:
        query = text("SELECT tbl_name FROM sqlite_master WHERE type = 'trigger' AND sql LIKE :verb")
        guarded = set(connection.execute(query, {"verb": f"%BEFORE {verb} ON%"}).scalars())
    database.close()
    assert guarded == {table.name for table in guarded_tables()}
