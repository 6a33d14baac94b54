"""The demo week, loaded once per engine and session by the command that a new user runs.

Tests that use it ask and leave it as it was; `tests/feature/conftest.py` hands out the two fixtures.
"""

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import psycopg
import pytest
from fastapi.testclient import TestClient
from psycopg import sql
from sqlalchemy import func, select
from sqlalchemy.engine import URL
from sqlmodel import col
from typer.testing import CliRunner, Result

from service.app import create_app, make_writer
from service.cli import app, register_installation
from service.db import Database
from service.demo.load import Loaded, load_demo
from service.journal.tables import JournalHead
from service.settings import DATABASE_URL_VARIABLE, PUBLIC_URL_VARIABLE, Settings

ENGINES = ("sqlite", "postgresql")
PUBLIC_URL = "https://trace.example.com"
PELLET_LOTS = tuple(f"$p{number}.drawn_lot" for number in range(1, 7))


@dataclass
class Demo:
    """The loaded demo: what the command printed, and the answers of its events by name."""

    url: str
    database: Database
    printed: Result
    loaded: Loaded
    _answers: dict[str, Any] = field(default_factory=dict, repr=False)

    def code(self, reference: str) -> str:
        return str(self.loaded.answers.found(reference))

    def number(self, reference: str) -> int:
        return int(self.loaded.answers.found(reference))

    @cached_property
    def client(self) -> TestClient:
        return TestClient(create_app(Settings(self.url, PUBLIC_URL), make_writer(self.database)))

    def get(self, path: str) -> Any:
        """Ask once: nothing changes the loaded demo."""
        if path not in self._answers:
            response = self.client.get(path)
            assert response.status_code == 200, response.text
            self._answers[path] = response.json()
        return self._answers[path]

    def run(self, *arguments: str) -> Result:
        env = {DATABASE_URL_VARIABLE: self.url, PUBLIC_URL_VARIABLE: PUBLIC_URL}
        return CliRunner().invoke(app, arguments, env=env)

    def delivery(self, name: str) -> Any:
        return self.get(f"/v1/deliveries/{self.number(f'${name}.id')}")

    def deliveries(self) -> dict[str, Any]:
        """All deliveries as they stand, by their name in the events."""
        names = [f"t{number}" for number in range(1, 13)] + ["l1", "v1", "a1"]
        return {name: self.delivery(name) for name in names}

    def balances(self, name: str) -> list[Any]:
        balances: list[Any] = self.get(f"/v1/runs/{self.number(f'${name}.id')}/balances")
        return balances

    def journal_size(self) -> int:
        with self.database.read() as session:
            return int(session.execute(select(func.sum(col(JournalHead.size)))).scalar_one())


@contextmanager
def loaded_demo(url: str) -> Iterator[Demo]:
    """Load the demo into a database that has no tables yet."""
    printed = CliRunner().invoke(app, ["demo", "--load-only"], env={DATABASE_URL_VARIABLE: url})
    assert printed.exit_code == 0, printed.output
    database = Database(url)
    try:
        yield Demo(url, database, printed, load_demo(database, register_installation))
    finally:
        database.close()


@pytest.fixture(scope="session")
def demo_on_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    with loaded_demo(f"sqlite:///{tmp_path_factory.mktemp('demo') / 'demo.sqlite3'}") as demo:
        yield demo


@pytest.fixture(scope="session")
def demo_on_postgresql(postgresql_server: URL) -> Iterator[Demo]:
    name = f"bale_to_pellet_demo_{uuid.uuid4().hex}"
    _administer(postgresql_server, "CREATE DATABASE {} TEMPLATE template0", name)
    with loaded_demo(postgresql_server.set(database=name).render_as_string(hide_password=False)) as demo:
        yield demo
    _administer(postgresql_server, "DROP DATABASE {} WITH (FORCE)", name)


def _administer(server: URL, statement: str, name: str) -> None:
    url = server.set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(sql.SQL(statement).format(sql.Identifier(name)))
