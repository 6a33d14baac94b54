"""Getting a database back from a copy, without ever giving an identity twice.

A copy is older than what was lost: identities given after it was made stand on bales, bags and papers.
The counter of every site therefore jumps far ahead, so that none of them is given again.
"""

import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import make_url

from service.db import migrate, normalised_url
from service.errors import Conflict, Unacceptable

IDENTITIES_SKIPPED = 2**20
"""More than a site registers between two copies: a million bales are fifty months of two hundred trucks."""


SITE_NO_MAX = 8191  # the CHECK on `site.site_no`


@dataclass(frozen=True)
class Restored:
    """What a restore did.

    Parameters
    ----------
    target : the database file.
    series : number series (tickets) that go on where the copy stood, as (site number, name, next number).
    """

    target: Path
    series: tuple[tuple[int, str, int], ...]


def sqlite_file(url: str) -> Path | None:
    """The file of an SQLite URL; None for another engine."""
    parsed = make_url(normalised_url(url))
    return Path(parsed.database) if parsed.get_backend_name() == "sqlite" and parsed.database else None


def restore_sqlite(copy: Path, url: str) -> Restored:
    """Put a copy made by `db.backup_sqlite` in the place of a lost database.

    Raises
    ------
    Conflict : a database, or the log of one, stands at the target; nothing is overwritten.
    Unacceptable : the copy is no database of this project.
    """
    target = sqlite_file(url)
    if target is None:
        raise Unacceptable("not-sqlite", f"{url} is no SQLite file.", "Use pg_restore for PostgreSQL.")
    # A log left over from the lost database would be applied to the restored one and destroy it.
    for existing in (
        target,
        *(target.with_name(target.name + tail) for tail in ("-wal", "-shm", "-journal")),
    ):
        if existing.exists():
            raise Conflict(
                "target-exists",
                f"{existing} exists; nothing was overwritten.",
                f"Stop the service and move {target} and its -wal and -shm files aside together.",
            )
    _require_copy(copy)
    target.parent.mkdir(parents=True, exist_ok=True)
    growing = target.with_name(target.name + ".restoring")
    growing.unlink(missing_ok=True)
    restored = _copy_and_advance(copy, growing, target)
    os.replace(growing, target)
    migrate(url)
    return restored


def _require_copy(copy: Path) -> None:
    remedy = "Name a file that `bale-to-pellet backup` made."
    if not copy.is_file():
        raise Unacceptable("no-copy", f"There is no file {copy}.", remedy)
    try:
        tables = _rows(copy, "SELECT name FROM sqlite_master WHERE type = 'table'")
    except sqlite3.DatabaseError as fault:
        raise Unacceptable("not-a-copy", f"{copy} is not readable as a database: {fault}.", remedy) from fault
    if ("journal",) not in tables or ("counter",) not in tables:
        raise Unacceptable("not-a-copy", f"{copy} holds no journal of this project.", remedy)


def _copy_and_advance(copy: Path, growing: Path, target: Path) -> Restored:
    """Both before the file gets its name: a database that could give an identity twice never stands there."""
    source = sqlite3.connect(f"{copy.absolute().as_uri()}?mode=ro", uri=True)
    fresh = sqlite3.connect(growing)
    try:
        source.backup(fresh)
        fresh.execute("PRAGMA journal_mode=DELETE")  # one file only, so that renaming moves all of it
        with fresh:
            # For every site there can be: one registered after the copy is not in it.
            fresh.executemany(
                "INSERT OR IGNORE INTO counter (site_no, series, next_number) VALUES (?, 'identity', 1)",
                [(site_no,) for site_no in range(SITE_NO_MAX + 1)],
            )
            fresh.execute(
                "UPDATE counter SET next_number = next_number + ? WHERE series = 'identity'",
                (IDENTITIES_SKIPPED,),
            )
        series = fresh.execute(
            "SELECT site_no, series, next_number FROM counter WHERE series <> 'identity' ORDER BY site_no, series"
        ).fetchall()
    finally:
        fresh.close()
        source.close()
    return Restored(target, tuple(series))


def _rows(file: Path, query: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)
    try:
        return connection.execute(query).fetchall()
    finally:
        connection.close()
