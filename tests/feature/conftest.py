"""Every feature test runs on both engines: `plant` depends on the parametrised `database_url`."""

from collections.abc import Iterator

import pytest
from demo_week import demo_on_postgresql, demo_on_sqlite
from plant_fixture import Plant

from service.db import Database

__all__ = ["demo_on_postgresql", "demo_on_sqlite", "plant"]


@pytest.fixture
def plant(database_url: str) -> Iterator[Plant]:
    database = Database(database_url)
    yield Plant(database)
    database.close()
