"""What all commands share: opening the database, refusing in words, and saying how far a long job is."""

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import NoReturn

import psycopg
import typer
from sqlalchemy import inspect, make_url
from sqlalchemy.exc import DBAPIError

from service.backup import sqlite_file
from service.db import Database
from service.errors import DomainError
from service.settings import DATABASE_URL_VARIABLE, Settings


def fail(message: str, remedy: str) -> NoReturn:
    typer.echo(f"Error: {message}\n{remedy}", err=True)
    raise typer.Exit(1)


@contextmanager
def refusals_as_text() -> Iterator[None]:
    """Turn what can go wrong into a sentence and a remedy."""
    try:
        yield
    except DomainError as error:
        fail(" ".join((error.detail, *(finding.detail for finding in error.findings))), error.remedy)
    except (DBAPIError, sqlite3.Error, psycopg.Error) as error:
        reason = str(error.orig if isinstance(error, DBAPIError) else error).strip()
        fail(f"The database cannot be used: {reason}.", f"Check {DATABASE_URL_VARIABLE}, disk and rights.")
    except OSError as error:
        fail(f"{error}.", "Check the path, the rights and the space left.")


@contextmanager
def opened_database() -> Iterator[Database]:
    """The database that the environment names; the one place where a command opens it."""
    url = Settings.from_environment().database_url
    file = sqlite_file(url)
    remedy = f"Run 'bale-to-pellet migrate' to create it, or let {DATABASE_URL_VARIABLE} name yours."
    if file is not None and not file.is_file():
        fail(f"There is no database at {file}.", remedy)
    with refusals_as_text():
        database = Database(url)
        try:
            if not inspect(database.engine).has_table("journal"):
                fail(f"{shown(url)} holds no tables yet.", remedy)
            yield database
        finally:
            database.close()


def shown(url: str) -> str:
    """A database URL without its password."""
    return make_url(url).render_as_string(hide_password=True)


def show_progress(done: int, total: int, noun: str = "journal entries") -> None:
    """How far a long job is, for a person at a terminal."""
    if sys.stderr.isatty():
        typer.echo(f"\r{done:,} of {total:,} {noun}", err=True, nl=done == total)


def moment_of(text: str, option: str = "--known-at") -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        fail(f"{option} {text!r} is no moment.", "Give date, time and offset, such as 2026-09-09T12:00+02:00.")
    return moment
