"""Changing a database behind the back of everything that guards it, as an operator with its password could."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Boolean, Column, Connection, Enum, Table, TypeDecorator, and_, inspect, select, text, update
from sqlmodel import SQLModel

from service.db import Database

FAR = 1_000_003  # added to a number, so that no neighbour has the result


def remove_guards(database: Database) -> None:
    """Drop append-only triggers and CHECK constraints; foreign keys are switched off per connection."""
    with unguarded(database) as connection:
        for statement in [str(row[0]) for row in connection.execute(text(_guards(connection)))]:
            connection.exec_driver_sql(statement)


def _guards(connection: Connection) -> str:
    if connection.dialect.name == "sqlite":
        return "SELECT 'DROP TRIGGER ' || name FROM sqlite_master WHERE type = 'trigger'"
    return (
        "SELECT format('ALTER TABLE %s DROP CONSTRAINT %I', conrelid::regclass, conname) "
        "FROM pg_constraint WHERE contype = 'c' AND connamespace = 'public'::regnamespace"
    )


@contextmanager
def unguarded(database: Database) -> Iterator[Connection]:
    """A transaction without foreign keys, checks and triggers."""
    with database.engine.connect() as connection:
        if database.is_sqlite:
            # A pragma of foreign keys counts only outside a transaction, so past the engine's own BEGIN.
            driver: Any = connection.connection.driver_connection
            driver.execute("PRAGMA foreign_keys=OFF")
            driver.execute("PRAGMA ignore_check_constraints=ON")
        with connection.begin():
            if not database.is_sqlite:
                connection.execute(text("SET LOCAL session_replication_role = replica"))
            yield connection
        if database.is_sqlite:
            driver.execute("PRAGMA foreign_keys=ON")
            driver.execute("PRAGMA ignore_check_constraints=OFF")


def tables() -> list[Table]:
    """Fact and projection tables, and the erasable texts, which a digest in the facts covers."""
    operational = {"idempotency", "credential", "browser_session", "counter"}
    return [table for table in SQLModel.metadata.sorted_tables if table.name not in operational]


def this_row(table: Table, row: dict[str, Any]) -> Any:
    """SQL condition: the primary key of `row`."""
    return and_(*(column == row[column.key] for column in table.primary_key.columns))


def row_at(database: Database, table: Table, *condition: Any) -> dict[str, Any]:
    """The last row that meets a condition."""
    order = [column.desc() for column in table.primary_key.columns]
    with database.engine.connect() as connection:
        found = connection.execute(select(table).where(*condition).order_by(*order).limit(1)).mappings().one()
    return dict(found)


def overwrite(database: Database, table: Table, row: dict[str, Any], **values: Any) -> dict[str, Any]:
    """Change columns of a row in place; the row as it stands now."""
    with unguarded(database) as connection:
        changed = connection.execute(update(table).where(this_row(table, row)).values(values))
    assert changed.rowcount == 1
    return row | values


def another_value(column: Column[Any], value: Any) -> Any:
    """A different value of the same kind, or some value where there was none."""
    kind = column.type
    if isinstance(kind, Boolean):
        return not value
    if isinstance(kind, Enum):  # where a closed list has one member only, a word outside of it
        return next((choice for choice in kind.enums if choice != value), "elsewhere")
    python_type = (kind.impl_instance if isinstance(kind, TypeDecorator) else kind).python_type
    if python_type is int:
        return 1 if value is None else value + FAR
    if python_type is datetime:
        return (value or datetime.fromisoformat("2026-03-02T07:00:00Z")) + timedelta(microseconds=1)
    if python_type is bytes:
        return bytes([value[0] ^ 1]) + value[1:] if value else b"\x01"
    assert python_type is str, f"{column} has a type this test does not know: {kind!r}"
    return (value or "")[:-1] + ("y" if (value or "").endswith("x") else "x")


def table_of(model: Any) -> Table:
    table = inspect(model).local_table
    assert isinstance(table, Table)
    return table
