"""What every test may ask for: a fresh, migrated database on either engine.

Each engine's schema is built once per session through Alembic, by the same `service.db.migrate` that users
run, and copied for each test: a file copy on SQLite, `CREATE DATABASE ... TEMPLATE` on PostgreSQL. A test
that takes `database_url` runs once per engine; its name ends in `[sqlite]` or `[postgresql]`.

The end of the session counts passed tests per engine. On the build server (`CI=true`) the two counts must be
equal and not zero, so that PostgreSQL can never be left out silently.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import psycopg
import pytest
from hypothesis import settings
from plant_fixture import Plant
from postgres_server import NoPostgres, running_postgres
from psycopg import sql
from sqlalchemy.engine import URL, make_url

from service.db import Database, migrate

ENGINES = ("sqlite", "postgresql")
ON_BUILD_SERVER = os.environ.get("CI") == "true"
ENGINE_PROPERTY = "database engine"

# No deadline: the machine may be busy, and a slow example is not a wrong one. On the build server the same
# examples are drawn in every run, so that a failure belongs to the change that caused it.
settings.register_profile("project", deadline=None, derandomize=ON_BUILD_SERVER)
settings.load_profile("project")


# Databases ------------------------------------------------------------------------------------------


@pytest.fixture(params=ENGINES)
def database_url(request: pytest.FixtureRequest) -> str:
    """URL of a migrated database that this test alone uses: empty, or with the master data of `plant`."""
    url: str = request.getfixturevalue(f"{request.param}_url")
    return url


@pytest.fixture
def plant(database_url: str) -> Iterator[Plant]:
    """A small invented plant on that database, reached over HTTP."""
    database = Database(database_url)
    yield Plant(database)
    database.close()


@pytest.fixture
def sqlite_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of a migrated SQLite file in this test's folder."""
    template: Path = request.getfixturevalue(f"sqlite_{template_for(request)}")
    database = tmp_path / "bale_to_pellet.db"
    shutil.copyfile(template, database)
    return f"sqlite:///{database}"


def template_for(request: pytest.FixtureRequest) -> str:
    """Master data are recorded once per session, not once per test that begins with them."""
    return "set_up" if "plant" in request.fixturenames else "template"


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Migrated SQLite file with no write-ahead log beside it, so that copying one file copies everything."""
    template = tmp_path_factory.mktemp("template") / "template.db"
    migrate(f"sqlite:///{template}")
    return in_one_file(template)


@pytest.fixture(scope="session")
def sqlite_set_up(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with the master data of `plant`."""
    template = tmp_path_factory.mktemp("template") / "set_up.db"
    shutil.copyfile(sqlite_template, template)
    set_up(f"sqlite:///{template}")
    return in_one_file(template)


def set_up(url: str) -> None:
    database = Database(url)
    Plant(database)
    database.close()


def in_one_file(template: Path) -> Path:
    connection = sqlite3.connect(template)
    try:
        busy, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    finally:
        connection.close()
    assert busy == 0, "something left a transaction open on the SQLite template"
    return template


@pytest.fixture
def postgresql_url(request: pytest.FixtureRequest, postgresql_server: URL) -> Iterator[str]:
    """URL of a migrated PostgreSQL database, dropped after the test."""
    template: str = request.getfixturevalue(f"postgresql_{template_for(request)}")
    name = _new_database_name()
    _administer(postgresql_server, "CREATE DATABASE {} TEMPLATE {}", name, template)
    yield _url_of(postgresql_server, name)
    # FORCE, because connection pools of the test may still be open.
    _administer(postgresql_server, "DROP DATABASE {} WITH (FORCE)", name)


@pytest.fixture(scope="session")
def postgresql_template(postgresql_server: URL) -> Iterator[str]:
    """Name of the migrated PostgreSQL database that the tests' databases are copied from."""
    with _template(postgresql_server, "template0", migrate) as name:
        yield name


@pytest.fixture(scope="session")
def postgresql_set_up(postgresql_server: URL, postgresql_template: str) -> Iterator[str]:
    """The same with the master data of `plant`."""
    with _template(postgresql_server, postgresql_template, set_up) as name:
        yield name


@contextmanager
def _template(server: URL, origin: str, fill: Callable[[str], None]) -> Iterator[str]:
    name = _new_database_name()
    _administer(server, "CREATE DATABASE {} TEMPLATE {}", name, origin)
    fill(_url_of(server, name))
    # PostgreSQL copies no database that somebody is connected to, and pooled connections may be left.
    _administer(server, "ALTER DATABASE {} WITH ALLOW_CONNECTIONS false", name)
    with psycopg.connect(_psycopg_url(server), autocommit=True) as connection:
        connection.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [name])
    yield name
    _administer(server, "DROP DATABASE {} WITH (FORCE)", name)


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[URL]:
    """URL of the maintenance database of a running server; without one, skip (fail on the build server)."""
    with ExitStack() as stack:
        try:
            url = stack.enter_context(running_postgres())
        except NoPostgres as reason:
            if ON_BUILD_SERVER:
                pytest.fail(str(reason))
            pytest.skip(str(reason))
        yield make_url(url).set(drivername="postgresql+psycopg")


def _new_database_name() -> str:
    return f"bale_to_pellet_test_{uuid.uuid4().hex}"


def _url_of(server: URL, database: str) -> str:
    return server.set(database=database).render_as_string(hide_password=False)


def _psycopg_url(server: URL) -> str:
    return server.set(drivername="postgresql").render_as_string(hide_password=False)


def _administer(server: URL, statement: str, *names: str) -> None:
    """Run one statement on the maintenance database; `{}` stands for each quoted name."""
    with psycopg.connect(_psycopg_url(server), autocommit=True) as connection:
        connection.execute(sql.SQL(statement).format(*map(sql.Identifier, names)))


# Tests per engine -----------------------------------------------------------------------------------


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Note the engine on the test, so that its report carries it, also out of a pytest-xdist worker."""
    callspec = getattr(item, "callspec", None)
    if callspec is not None and "database_url" in callspec.params:
        item.user_properties.append((ENGINE_PROPERTY, callspec.params["database_url"]))


def _passed_per_engine(config: pytest.Config) -> dict[str, int]:
    counts = dict.fromkeys(ENGINES, 0)
    reporter = config.pluginmanager.get_plugin("terminalreporter")
    if reporter is None:
        return counts
    for report in reporter.getreports("passed"):
        if report.when != "call":
            continue
        for name, value in report.user_properties:
            if name == ENGINE_PROPERTY:
                counts[value] += 1
    return counts


def _engines_unequal(config: pytest.Config) -> bool:
    counts = _passed_per_engine(config)
    return counts["sqlite"] != counts["postgresql"] or counts["postgresql"] == 0


def pytest_sessionfinish(session: pytest.Session) -> None:
    """On the build server, turn a session whose engines differ into a failed one."""
    if not ON_BUILD_SERVER or session.config.option.collectonly:
        return
    is_worker = hasattr(session.config, "workerinput")
    if not is_worker and session.exitstatus == pytest.ExitCode.OK and _engines_unequal(session.config):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Print the counts above pytest's closing line."""
    counts = _passed_per_engine(config)
    terminalreporter.write_line(
        f"engine counts: sqlite {counts['sqlite']} passed, postgresql {counts['postgresql']} passed"
    )
    if ON_BUILD_SERVER and _engines_unequal(config):
        terminalreporter.write_line(
            "error: with CI=true both engines must pass the same number of tests, and more than none",
            red=True,
        )
