"""Engines, transactions and column types. The only file that commits.

A write is a function of a `Session` handed to `Database.write`; it may run more than once (after a lost
race or a failed group commit), so it must have no effect outside its session. The answer goes back only
after the commit: an acknowledged write is durable.

SQLite has one writer at a time, so all writes of a process go through one thread: it takes what is
waiting, runs each write in a savepoint of its own inside one immediate transaction, commits once, then
releases the answers. Without that, many connections compete for the lock and the busy handler's back-off
makes the slowest wait for about a second. PostgreSQL runs each write in its own transaction.
"""

import queue
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from datetime import UTC, datetime
from enum import StrEnum
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import (
    Connection,
    DateTime,
    Engine,
    String,
    TypeDecorator,
    create_engine,
    event,
    make_url,
)
from sqlalchemy import Enum as EnumType
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlmodel import Session, SQLModel

from service.errors import StorageBusy

Answer = TypeVar("Answer")

GROUP_SIZE_MAX = 64
ATTEMPTS_MAX = 4
BUSY_TIMEOUT_S = 15.0
KEPT = "kept"  # in a session's `info`: what may be kept in memory of committed facts; a session that writes has none
RETRYABLE_SQLSTATES = {"40001", "40P01"}  # serialization failure, deadlock detected

SQLModel.metadata.naming_convention = {
    "pk": "pk_%(table_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
}


class UtcDateTime(TypeDecorator[datetime]):
    """A moment in UTC: timestamptz on PostgreSQL, fixed-width text on SQLite; naive values refused.

    Fixed width (``2026-03-10T06:00:00.000000Z``) makes text order equal time order.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Any) -> Any:
        return dialect.type_descriptor(String(27) if dialect.name == "sqlite" else DateTime(timezone=True))

    def process_bind_param(self, value: datetime | None, dialect: Any) -> Any:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"{value!r} carries no time zone: give a moment with its offset or Z")
        return utc_text(value) if dialect.name == "sqlite" else value.astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Any) -> datetime | None:
        if value is None:
            return None
        moment = datetime.fromisoformat(value) if isinstance(value, str) else value
        return moment.astimezone(UTC)


def utc_text(moment: datetime) -> str:
    """One spelling of a moment for storage, hashing and answers: microseconds and Z, always 27 characters."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def enum_column(members: type[StrEnum]) -> EnumType:
    """A text column that holds the members' values, with a CHECK constraint (portable, readable in SQL)."""
    return EnumType(
        members,
        values_callable=lambda choices: [member.value for member in choices],
        native_enum=False,
        create_constraint=True,
        name=members.__name__.lower(),
        length=32,
    )


class Database:
    """One database and the two ways to use it: `read` and `write`.

    Parameters
    ----------
    url : SQLAlchemy URL, ``sqlite:///file`` or ``postgresql+psycopg://...`` (``postgresql://`` is accepted).
    """

    def __init__(self, url: str) -> None:
        self.url = normalised_url(url)
        self.engine = make_engine(self.url)
        self.is_sqlite = self.engine.dialect.name == "sqlite"
        self._kept: dict[str, Any] = {}
        event.listen(self.engine, "connect", self._forget)
        self._writer = _GroupedWriter(self.engine) if self.is_sqlite else None

    @contextmanager
    def read(self) -> Iterator[Session]:
        """A session on one consistent snapshot that can store nothing."""
        options = {} if self.is_sqlite else {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
        with self.engine.connect().execution_options(**options) as connection:
            with Session(connection, info={KEPT: self._kept}) as session:
                yield session

    def _forget(self, *_connection: object) -> None:
        # Another server may have taken the place of the one this was read from, with less than the other had told.
        # Who still reads over an old connection keeps what is in the old dictionary.
        self._kept = {}

    def write(self, job: Callable[[Session], Answer]) -> Answer:
        """Run `job` in a transaction, commit, and only then return its answer.

        Raises
        ------
        StorageBusy : another process held the database longer than the busy time-out; nothing was stored.
        """
        for attempt in range(1, ATTEMPTS_MAX + 1):
            try:
                if self._writer is not None:
                    return self._writer.run(job)
                with Session(self.engine, expire_on_commit=False) as session, session.begin():
                    return job(session)
            except (IntegrityError, OperationalError) as failure:
                if attempt == ATTEMPTS_MAX or not _worth_another_try(failure):
                    if _is_lock_timeout(failure):
                        raise StorageBusy(
                            "storage-busy",
                            "Another program held the database too long; nothing was stored.",
                            "Send the same request again with the same idempotency key.",
                        ) from failure
                    raise
                time.sleep(0.01 * 2**attempt)
        raise AssertionError("unreachable: the last attempt returns or raises")

    def close(self) -> None:
        if self._writer is not None:
            self._writer.stop()
        self.engine.dispose()


def _worth_another_try(failure: IntegrityError | OperationalError) -> bool:
    # A unique violation is a lost race between two writers that both read before either wrote (the
    # same idempotency key twice at once): the second try sees the winner's row. A constraint that
    # is really broken fails again at once and is then reported.
    return isinstance(failure, IntegrityError) or getattr(failure.orig, "sqlstate", "") in RETRYABLE_SQLSTATES


def _is_lock_timeout(failure: IntegrityError | OperationalError) -> bool:
    return "locked" in str(failure.orig) or getattr(failure.orig, "sqlstate", "") == "55P03"


class _Waiting:
    def __init__(self, job: Callable[[Session], Any]) -> None:
        self.job = job
        self.answer: Future[Any] = Future()


class _GroupedWriter:
    """The one thread that writes to an SQLite file for this process."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._waiting: queue.SimpleQueue[_Waiting | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._start = threading.Lock()

    def run(self, job: Callable[[Session], Answer]) -> Answer:
        with self._start:
            if self._thread is None:
                self._thread = threading.Thread(target=self._serve, name="sqlite-writer", daemon=True)
                self._thread.start()
        waiting = _Waiting(job)
        self._waiting.put(waiting)
        answer: Answer = waiting.answer.result()
        return answer

    def stop(self) -> None:
        with self._start:
            if self._thread is not None:
                self._waiting.put(None)
                self._thread.join()
                self._thread = None

    def _serve(self) -> None:
        while True:
            first = self._waiting.get()
            if first is None:
                return
            group = [first]
            stopping = False
            while len(group) < GROUP_SIZE_MAX and not self._waiting.empty():
                following = self._waiting.get()
                if following is None:
                    stopping = True
                    break
                group.append(following)
            self._commit(group)
            if stopping:
                return

    def _commit(self, group: list[_Waiting]) -> None:
        try:
            with self._engine.connect().execution_options(begin_mode="IMMEDIATE") as connection:
                with connection.begin():
                    outcomes = [_run_in_savepoint(connection, waiting.job) for waiting in group]
        except BaseException as failure:
            if len(group) == 1:
                group[0].answer.set_exception(failure)
                return
            # One write must not take the others down with it: after a failed group commit each one is
            # run again alone, so that the guilty one gets the error and the rest their answers.
            for waiting in group:
                self._commit([waiting])
            return
        for waiting, outcome in zip(group, outcomes, strict=True):
            if isinstance(outcome, BaseException):
                waiting.answer.set_exception(outcome)
            else:
                waiting.answer.set_result(outcome)


def _run_in_savepoint(connection: Connection, job: Callable[[Session], Any]) -> Any:
    session = Session(connection, join_transaction_mode="create_savepoint", expire_on_commit=False)
    try:
        answer = job(session)
        session.commit()
        return answer
    except BaseException as failure:
        session.rollback()
        return failure
    finally:
        session.close()


def normalised_url(url: str) -> str:
    """Accept the short PostgreSQL spellings and name the driver this project ships with."""
    for short in ("postgresql://", "postgres://"):
        if url.startswith(short):
            return "postgresql+psycopg://" + url.removeprefix(short)
    return url


def make_engine(url: str) -> Engine:
    """An engine with the durability this project promises: WAL and full synchronisation on SQLite."""
    if not url.startswith("sqlite"):
        return create_engine(url, pool_size=10, max_overflow=20, pool_pre_ping=True)
    engine = create_engine(url, connect_args={"timeout": BUSY_TIMEOUT_S, "check_same_thread": False})

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves, see _begin
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # A deferred transaction that reads first and writes later can find the database changed under
        # it and fail or lose; a writer takes the lock at once, a reader never does.
        connection.exec_driver_sql(f"BEGIN {connection.get_execution_options().get('begin_mode', 'DEFERRED')}")

    return engine


def bundled(folder: str) -> Path:
    """A folder that travels with the package: inside the wheel, or beside `service/` in a checkout."""
    inside = Path(str(files("service") / "_bundled" / folder))
    return inside if inside.is_dir() else Path(__file__).resolve().parent.parent / folder


def migrate(url: str) -> None:
    """Bring the database to the newest form, creating it if needed (Alembic, all revisions to head)."""
    from alembic import command
    from alembic.config import Config

    url = normalised_url(url)
    if url.startswith("sqlite"):
        file = make_url(url).database
        if file:
            Path(file).parent.mkdir(parents=True, exist_ok=True)
    config = Config()
    config.set_main_option("script_location", str(bundled("migrations")))
    engine = make_engine(url)
    try:
        with engine.connect().execution_options(begin_mode="IMMEDIATE") as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    finally:
        engine.dispose()


def backup_sqlite(url: str, target: Path) -> None:
    """Copy a running SQLite database consistently into `target` (SQLite's own online backup)."""
    source = make_url(normalised_url(url)).database
    if not source or not url.startswith("sqlite"):
        raise ValueError("online backup here is for SQLite; PostgreSQL has pg_basebackup and pg_dump")
    if target.exists():
        raise ValueError(f"{target} exists already; name a new file, nothing was written")
    with sqlite3.connect(source) as live, sqlite3.connect(target) as copy:
        live.backup(copy)
    live.close()
    copy.close()
