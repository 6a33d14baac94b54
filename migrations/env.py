"""Alembic environment: one connection given by `service.db.migrate`, or a URL for `alembic check`."""

import os

from alembic import context
from sqlmodel import SQLModel

import service.app  # noqa: F401  every table of every feature is imported by the application
from service.db import make_engine, normalised_url


def run(connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=SQLModel.metadata,
        render_as_batch=True,  # SQLite cannot alter a table in place
        compare_type=False,  # the UTC moment is timestamptz here and fixed-width text there
        transaction_per_migration=False,
    )
    with context.begin_transaction():
        context.run_migrations()


given = context.config.attributes.get("connection")
if given is not None:
    run(given)
    given.commit()
else:
    url = normalised_url(os.environ.get("BALE_TO_PELLET_DATABASE_URL", "sqlite:///bale-to-pellet.sqlite3"))
    with make_engine(url).connect() as own:
        run(own)
        own.commit()
