"""Everything a database holds, as text: equal before and after means that nothing at all was changed."""

import sqlite3

from sqlalchemy import make_url, text

from service.db import Database


def everything_in(database: Database) -> str:
    """All rows of all tables, counters, keys and stored answers among them, in a fixed order."""
    if database.is_sqlite:
        return _dump(str(make_url(database.url).database))
    with database.engine.connect() as connection:
        names = connection.execute(
            text("SELECT quote_ident(tablename) FROM pg_tables WHERE schemaname = 'public' ORDER BY 1")
        ).scalars()
        each = " UNION ALL ".join(f"SELECT '{name}' AS name, {name}::text AS content FROM {name}" for name in names)
        rows = connection.execute(text(f"{each} ORDER BY 1, 2")).all()
    return "\n".join(f"{row.name} {row.content}" for row in rows)


def _dump(file: str) -> str:
    connection = sqlite3.connect(file)
    try:
        return "\n".join(connection.iterdump())
    finally:
        connection.close()
