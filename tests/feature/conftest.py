"""Every feature test runs on both engines: `plant` depends on the parametrised `database_url`."""

from collections.abc import Iterator

import pytest
from plant_fixture import Plant

from service.db import Database


@pytest.fixture
def plant(database_url: str) -> Iterator[Plant]:
    database = Database(database_url)
    yield Plant(database)
    database.close()
