"""Goal: an answer of success leaves the service only after the commit.

Method: let the commit itself fail on a real POST. No 2xx may come back and nothing may be stored; the same
request with the same key, sent again when the database works, is then a first request and not a repetition.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from plant_fixture import Plant
from sqlalchemy import event, func, select
from sqlalchemy.exc import OperationalError
from tampering import table_of

from service.journal.tables import IdempotencyRecord, JournalEntry
from service.plant.tables import Material
from service.verify import verify_database

MATERIAL = {
    "code": "LATE",
    "name": "Late flake",
    "form": "flake",
    "polymer": "PET",
    "colour": "clear",
    "waste_class": "post_consumer",
    "food_candidate": True,
}


@contextmanager
def failing_commits(plant: Plant) -> Iterator[list[str]]:
    """Every commit that would store something fails, as on a full disk."""
    failed: list[str] = []

    def fail(connection: Any) -> None:
        failed.append("commit")
        raise OperationalError("COMMIT", {}, Exception("disk full"))

    event.listen(plant.database.engine, "commit", fail)
    try:
        yield failed
    finally:
        event.remove(plant.database.engine, "commit", fail)


def counts(plant: Plant) -> list[int]:
    with plant.database.engine.connect() as connection:
        return [
            connection.execute(select(func.count()).select_from(table_of(model))).scalar_one()
            for model in (JournalEntry, Material, IdempotencyRecord)
        ]


def test_a_failed_commit_is_no_success_and_stores_nothing(plant: Plant):
    before = counts(plant)
    with failing_commits(plant) as failed:
        response = plant.request("POST", "/v1/materials", MATERIAL, idempotency_key="late-1")
    assert failed
    assert response.status_code == 500
    assert response.headers["content-type"] == "application/problem+json"
    assert counts(plant) == before

    again = plant.request("POST", "/v1/materials", MATERIAL, idempotency_key="late-1")
    assert again.status_code == 201
    assert "idempotency-replayed" not in again.headers
    assert counts(plant) == [number + 1 for number in before]
    assert verify_database(plant.database) == ()


def test_an_answer_is_in_the_database_when_it_arrives(plant: Plant):
    """Read by another connection than the one that wrote."""
    plant.post("/v1/materials", MATERIAL)
    with plant.database.engine.connect() as connection:
        codes = connection.execute(select(table_of(Material).c.code)).scalars().all()
    assert "LATE" in codes
