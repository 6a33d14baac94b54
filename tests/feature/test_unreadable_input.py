"""Goal: what is broken below the level of fields is refused cleanly too: bodies, addresses, queries.

Method: as in `test_bad_input`: status, code, and a database in which nothing at all has changed.
"""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from body_fields import DOCUMENT
from gate import at
from plant_fixture import KEY, Plant
from problem_shape import problem_of
from refused import Gate, opening

from service.examples import load_examples, values_in_path

PATH = "/v1/opening-lots"
GOOD = json.dumps(opening()).encode()
DEEP = 10_000
TEN_MEGABYTES = 10_000_000


@pytest.fixture
def gate(plant: Plant) -> Gate:
    return Gate(plant)


UNREADABLE = {
    "cut short": GOOD[:-1],
    "more behind it": GOOD + b"}",
    "single quotes": b"{'site': 'MILL'}",
    "a comment": b'{"site": "MILL" /* here */}',
    "a comma at the end": b'{"site": "MILL",}',
    "no JSON at all": b"site=MILL",
    "bytes that are not UTF-8": b'{"site": "\xff\xfe"}',
    "a raw line break in text": b'{"site": "MI\nLL"}',
    "a key twice": GOOD[:-1] + b', "mass_kg": "2"}',
    "a key twice, deeper": b'{"feeds": [{"lot": "A", "lot": "B"}]}',
    "an integer of 5,000 digits": b'{"mass_kg": 1' + b"0" * 5_000 + b"}",
    "an exponent of seven digits": b'{"mass_kg": 1e9999999}',
    "an exponent of twenty digits": b'{"mass_kg": 1e99999999999999999999}',
    "lists nested deeply": b"[" * DEEP + b"]" * DEEP,
    "objects nested deeply": b'{"a":' * DEEP + b"1" + b"}" * DEEP,
    "nested deeply and not closed": b"[" * DEEP,
}


def test_bodies_that_are_no_json(gate: Gate) -> None:
    for name, body in UNREADABLE.items():
        problem = gate.refuses(PATH, body, 400, "unreadable-json", "")
        assert problem["errors"][0]["detail"].startswith("not valid JSON at character "), name


def test_what_is_wrong_with_the_json_is_said(gate: Gate) -> None:
    def detail(name: str) -> str:
        return str(gate.refuses(PATH, UNREADABLE[name], 400, "unreadable-json")["errors"][0]["detail"])

    assert "'mass_kg' stands twice" in detail("a key twice")
    assert "nested too deeply" in detail("objects nested deeply")
    assert "too many digits" in detail("an integer of 5,000 digits")
    assert "1e9999999" in detail("an exponent of seven digits")
    assert "UTF-8" in detail("bytes that are not UTF-8")


def test_bodies_that_are_no_object(gate: Gate) -> None:
    for body in (b"", b"[]", b"null", b"5", b'"MILL"', b"true", b"[" + GOOD + b"]"):
        problem = gate.refuses(PATH, body, 422, "invalid-request", "")
        assert "JSON object" in problem["remedy"]


def test_a_field_that_is_nested_deeply_but_readable(gate: Gate) -> None:
    for depth in (50, 400, 450, 490, 900):
        spoilt = GOOD[:-1] + b', "more": ' + b'{"a":[' * depth + b"]}" * depth + b"}"
        response = gate.plant.request("POST", PATH, spoilt)
        # How deep Python reads differs between its versions; either refusal will do, a crash will not.
        expected = (422, "invalid-request") if response.status_code == 422 else (400, "unreadable-json")
        problem = problem_of(response, *expected)
        assert len(problem["errors"][0]["detail"]) < 300
        gate.is_unchanged()


def test_a_body_that_is_not_said_to_be_json(gate: Gate) -> None:
    headers = {"Authorization": f"Bearer {KEY}", "Idempotency-Key": "text", "Content-Type": "text/plain"}
    response = gate.plant.client.post(PATH, content=GOOD, headers=headers)
    assert "Content-Type: application/json" in problem_of(response, 422, "invalid-request")["remedy"]
    gate.is_unchanged()


def chunks(size: int) -> Iterator[bytes]:
    yield GOOD[:-1]
    for _ in range(size // 50_000):
        yield b" " * 50_000
    yield GOOD[-1:]


def test_ten_megabytes_declared_and_in_chunks(gate: Gate) -> None:
    gate.refuses(PATH, GOOD[:-1] + b" " * TEN_MEGABYTES + GOOD[-1:], 413, "body-too-large")
    headers = {"Authorization": f"Bearer {KEY}", "Idempotency-Key": "chunks", "Content-Type": "application/json"}
    response = gate.plant.client.post(PATH, content=chunks(TEN_MEGABYTES), headers=headers)
    assert response.request.headers["transfer-encoding"] == "chunked"
    problem_of(response, 413, "body-too-large")
    gate.is_unchanged()
    # The guard stops what is too large and nothing else: half a megabyte in chunks is read whole.
    assert gate.plant.client.post(PATH, content=chunks(500_000), headers=headers).status_code == 201


def addresses() -> list[tuple[str, str, Any]]:
    """Method, path template and an accepted body of every operation with a number in its address."""
    found = {}
    for named in load_examples():
        method, path = named.example.operation.split(" ")
        if "_id}" in path and named.example.response.status < 300:
            found[named.example.operation] = (method, path, named.example.request.body)
    return list(found.values())


def test_every_number_in_an_address_is_tried() -> None:
    templates = {path for path in DOCUMENT["paths"] if "_id}" in path}
    assert {path for _, path, _ in addresses()} == templates


BAD_NUMBERS = ("-1", "0", str(2**53), str(2**63), str(2**70), "9" * 5_000, "abc", "1.5", "%00")


def query_of(template: str) -> str:
    """What an address needs besides, so that its numbers are all there is to refuse."""
    asked = (
        "/entry-window",
        "/suspect-discharge",
        "/balance",
        "/balance.csv",
        "/reconciliation",
        "/reconciliation.csv",
    )
    is_window = template.endswith(asked)
    return "?from=2026-03-09T06:00:00Z&to=2026-03-09T07:00:00Z" if is_window else ""


def test_numbers_in_addresses(gate: Gate) -> None:
    for method, template, body in addresses():
        names = list(values_in_path(template, template))
        for number in BAD_NUMBERS:
            path = template.format(**dict.fromkeys(names, number)) + query_of(template)
            response = gate.plant.request(method.upper(), path, body)
            assert response.status_code in (404, 422), (path[:80], response.text)
            problem = problem_of(response, response.status_code, response.json()["code"])
            if response.status_code == 422:
                assert {finding["pointer"] for finding in problem["errors"]} == {f"/{name}" for name in names}
            else:
                assert problem["code"].endswith("-not-found")
                assert number in problem["detail"]
    gate.is_unchanged()


def test_descendants_of_a_delivery_that_nobody_knows(gate: Gate) -> None:
    problem_of(gate.plant.client.get("/v1/deliveries/77/descendants"), 404, "delivery-not-found")


def test_lot_codes_in_addresses(gate: Gate) -> None:
    for code in ("0", "-1", "SITE", "7F3K9QX2M", "7F3K9QX2MA", "%2e%2e", "%00", "%F0%9F", "x" * 5_000):
        for rest in ("", "/trace", "/descendants", "/record", "/records/1", "/label.svg", "/label.png"):
            response = gate.plant.client.get(f"/v1/lots/{code}{rest}")
            assert response.status_code in (404, 422), response.text
            assert problem_of(response, response.status_code, response.json()["code"])["remedy"]


BAD_QUERIES: dict[str, tuple[str, ...]] = {
    "/v1/runs?limit=0": ("/limit",),
    "/v1/runs?limit=-1": ("/limit",),
    "/v1/runs?limit=201": ("/limit",),
    "/v1/runs?limit=many&after=-1&step=dance": ("/after", "/limit", "/step"),
    f"/v1/runs?after={2**70}": ("/after",),
    f"/v1/runs?limit={2**70}&after={'9' * 5_000}": ("/after", "/limit"),
    "/v1/deliveries?limit=0&after=-1&open=perhaps": ("/after", "/limit", "/open"),
    "/v1/deliveries?limit=201": ("/limit",),
    f"/v1/deliveries?after={2**70}": ("/after",),
    "/v1/deliveries?ticket_no=%00": ("/ticket_no",),
    "/v1/deliveries?arrived_from=2026-03-09&arrived_to=noon": ("/arrived_from", "/arrived_to"),
    "/v1/deliveries?newest_first=perhaps&include_reversed=2": ("/include_reversed", "/newest_first"),
    "/v1/deliveries?site=MI%00LL": ("/site",),
    "/v1/settings?known_at=2026-03-09T05:00:00": ("/known_at",),
    "/v1/settings?known_at=1773021600": ("/known_at",),
    "/v1/settings?known_at=yesterday": ("/known_at",),
    "/v1/partners?known_at=9999-12-31T23:59:59-14:00": ("/known_at",),
}


def test_queries(gate: Gate) -> None:
    for query, pointers in BAD_QUERIES.items():
        problem = problem_of(gate.plant.client.get(query), 422, "invalid-request")
        assert sorted(finding["pointer"] for finding in problem["errors"]) == list(pointers), query


def test_a_site_in_a_query_that_nobody_knows(gate: Gate) -> None:
    assert "'NO'" in problem_of(gate.plant.client.get("/v1/deliveries?site=NO"), 404, "site-not-found")["detail"]


def test_an_issue_that_was_never_made(gate: Gate) -> None:
    lot = f"/v1/lots/{gate.lot}/records"
    for issue, status in ((1, 404), (0, 404), (2**40, 404), (2**70, 422), ("one", 422)):
        response = gate.plant.client.get(f"{lot}/{issue}")
        assert response.status_code == status, response.text
        problem_of(response, status, response.json()["code"])


def test_a_refused_key_may_be_used_again(gate: Gate) -> None:
    headers = {"idempotency_key": "tried twice"}
    problem_of(gate.plant.request("POST", PATH, opening(found_at=at(9)), **headers), 422, "opening-lot-refused")
    assert gate.plant.request("POST", PATH, opening(), **headers).status_code == 201
