"""Goal: whatever is refused, wherever, comes back in one shape (RFC 9457) and says what to do.

Method: one request of each family of refusals on each engine, all read by one helper.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from plant_fixture import KEY, Plant
from problem_shape import problem_of

from service.app import create_app
from service.db import Database
from service.settings import Settings
from service.web import Write, router

SITE = {"code": "HILL", "name": "Hill", "zone": "Europe/Lisbon"}
FUTURE = "2030-01-01T00:00:00Z"
BEARER = {"Authorization": f"Bearer {KEY}"}


@pytest.fixture
def plant(database_url: str) -> Iterator[Plant]:
    database = Database(database_url)
    yield Plant(database)
    database.close()


def test_a_field(plant: Plant) -> None:
    body = problem_of(plant.request("POST", "/v1/sites", SITE | {"code": "hill"}), 422, "invalid-request")
    [finding] = body["errors"]
    assert finding["pointer"] == "/code"
    assert "'hill'" in finding["detail"]


def test_nothing_of_that_name_in_the_path(plant: Plant) -> None:
    body = problem_of(plant.client.get("/v1/runs/7"), 404, "run-not-found")
    assert "7" in body["detail"]


def test_nothing_of_that_name_in_a_field(plant: Plant) -> None:
    run = {"site": "NOWHERE", "step": "wash", "started_at": "2026-03-08T01:00:00Z"}
    body = problem_of(plant.request("POST", "/v1/runs", run), 404, "site-not-found")
    assert "'NOWHERE'" in body["detail"]


@pytest.mark.parametrize(
    ("field", "value", "code"),
    [
        ("lot", "0000000000", "lot-not-found"),
        ("delivery_id", 7, "delivery-not-found"),
        ("partner", "NOBODY", "partner-not-found"),
    ],
)
def test_a_hold_on_nothing(plant: Plant, field: str, value: object, code: str) -> None:
    body = problem_of(plant.request("POST", "/v1/holds", {field: value, "cause": "a test"}), 404, code)
    assert str(value) in body["detail"]


def test_a_conflict(plant: Plant) -> None:
    body = problem_of(plant.request("POST", "/v1/sites", SITE | {"code": "MILL"}), 409, "code-taken")
    assert body["errors"][0]["pointer"] == "/code"


def test_a_rule_of_the_plant(plant: Plant) -> None:
    setting = {
        "key": "balance_tolerance_fraction",
        "value": "3",
        "valid_from": "2030-01-01T00:00:00Z",
        "source": "none",
    }
    body = problem_of(plant.request("POST", "/v1/settings", setting), 422, "setting-not-a-fraction")
    assert body["errors"][0]["pointer"] == "/value"


def test_a_key_used_for_another_request(plant: Plant) -> None:
    plant.post("/v1/sites", SITE, idempotency_key="once")
    again = plant.request("POST", "/v1/sites", SITE | {"code": "HILL2"}, idempotency_key="once")
    problem_of(again, 409, "idempotency-key-reused")


def test_a_crash_says_nothing_of_its_cause(plant: Plant, caplog: pytest.LogCaptureFixture) -> None:
    routes = router("crash")

    @routes.post("/crash")
    def post_crash(write: Write) -> None:
        raise RuntimeError("the secret word is marzipan")

    app = create_app(Settings(plant.database.url, "https://trace.example.com"), plant.writer)
    app.include_router(routes)
    plant.client = TestClient(app, raise_server_exceptions=False)
    response = plant.request("POST", "/v1/crash")
    problem_of(response, 500, "internal-failure")
    assert "marzipan" not in response.text
    assert "RuntimeError" not in response.text
    assert "marzipan" in caplog.text
    # The log and the answer are tied by the same number.
    assert response.headers["x-request-id"] in caplog.text


def test_an_unknown_path(plant: Plant) -> None:
    problem_of(plant.client.get("/v1/castles"), 404, "no-such-path")


def test_a_wrong_method(plant: Plant) -> None:
    response = plant.client.delete("/v1/sites")
    problem_of(response, 405, "method-not-allowed")
    assert response.headers["allow"]


def test_broken_json(plant: Plant) -> None:
    body = problem_of(plant.request("POST", "/v1/sites", b'{"code": "HILL",'), 400, "unreadable-json")
    assert "character 16" in body["errors"][0]["detail"]


def test_too_much_in_one_request(plant: Plant) -> None:
    body = problem_of(plant.request("POST", "/v1/sites", b" " * 1_000_001), 413, "body-too-large")
    assert "1,000,000 bytes" in body["remedy"]


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ({}, "no-key"),
        ({"Authorization": "Bearer of-nobody"}, "unknown-key"),
        ({"Authorization": f"Basic {KEY}"}, "no-key"),
    ],
)
def test_not_known_who_you_are(plant: Plant, header: dict[str, str], code: str) -> None:
    response = plant.client.post("/v1/sites", json=SITE, headers=header | {"Idempotency-Key": "k"})
    problem_of(response, 401, code)
    assert response.headers["www-authenticate"] == "Bearer"


@pytest.mark.parametrize("key", [None, "", '""', " ", "x" * 129, "b\xe4le"])
def test_no_idempotency_key(plant: Plant, key: str | None) -> None:
    headers = BEARER if key is None else BEARER | {"Idempotency-Key": key}
    as_bytes = [(name.encode(), value.encode("latin-1")) for name, value in headers.items()]
    response = plant.client.post("/v1/sites", json=SITE, headers=as_bytes)
    problem_of(response, 400, "idempotency-key-missing")


@pytest.mark.parametrize("key", ['"quoted"', "bare", "x" * 128])
def test_either_spelling_of_an_idempotency_key(plant: Plant, key: str) -> None:
    plant.post("/v1/sites", SITE, idempotency_key=key)
    again = plant.request("POST", "/v1/sites", SITE, idempotency_key=key.strip('"'))
    assert again.headers["idempotency-replayed"] == "true"


def test_a_database_that_cannot_be_reached_is_our_fault(tmp_path: Path) -> None:
    settings = Settings(f"sqlite:///{tmp_path}/nothing/here.sqlite3", "https://trace.example.com")
    client = TestClient(create_app(settings), raise_server_exceptions=False)
    problem_of(client.get("/readyz"), 500, "internal-failure")
