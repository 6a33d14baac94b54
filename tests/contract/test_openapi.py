"""Goal: the OpenAPI document alone is enough to write a client.

Method: an independent validator reads the document; every example is checked against the schema beside it;
what holds for all operations (refusals, keys, idempotency) is looked for on each of them.
"""

from collections.abc import Iterator
from typing import Any

import pytest
from openapi_schema_validator import OAS31Validator
from openapi_spec_validator import OpenAPIV31SpecValidator

from service.app import create_app
from service.settings import Settings

PROBLEM = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
DOCUMENT: dict[str, Any] = create_app(Settings("sqlite://", "https://trace.example.com")).openapi()


def operations() -> list[tuple[str, str, dict[str, Any]]]:
    return [(method, path, what) for path, found in DOCUMENT["paths"].items() for method, what in found.items()]


def each(*methods: str) -> pytest.MarkDecorator:
    """One test per operation, or per operation of these methods."""
    chosen = [one for one in operations() if not methods or one[0] in methods]
    return pytest.mark.parametrize(
        ("method", "path", "operation"), chosen, ids=[f"{method} {path}" for method, path, _ in chosen]
    )


def parameters(operation: dict[str, Any]) -> list[dict[str, Any]]:
    """Parameters of an operation, references followed."""
    found = []
    for given in operation.get("parameters", []):
        name = given.get("$ref", "").removeprefix("#/components/parameters/")
        found.append(DOCUMENT["components"]["parameters"][name] if name else given)
    return found


def faults(schema: dict[str, Any], value: Any) -> list[str]:
    """What the schema has against a value."""
    validator = OAS31Validator(schema | {"components": DOCUMENT["components"]})
    return [f"{fault.json_path}: {fault.message}" for fault in validator.iter_errors(value)]


def test_the_document_is_valid_openapi_31() -> None:
    assert DOCUMENT["openapi"].startswith("3.1")
    assert [str(fault) for fault in OpenAPIV31SpecValidator(DOCUMENT).iter_errors()] == []


def references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        yield from ([value["$ref"]] if isinstance(value.get("$ref"), str) else [])
        for item in value.values():
            yield from references(item)
    elif isinstance(value, list):
        for item in value:
            yield from references(item)


def test_every_reference_leads_somewhere() -> None:
    targets = set(references(DOCUMENT))
    assert targets
    for target in targets:
        here: Any = DOCUMENT
        for step in target.removeprefix("#/").split("/"):
            assert step in here, target
            here = here[step]


def test_the_checker_of_examples_sees_faults() -> None:
    problem = {"$ref": "#/components/schemas/Problem"}
    assert any("'remedy' is a required property" in fault for fault in faults(problem, {"type": "x"}))


@each()
def test_it_says_what_it_does(method: str, path: str, operation: dict[str, Any]) -> None:
    assert operation["description"].endswith(".")


@each("post")
def test_bodies_have_examples_that_fit(method: str, path: str, operation: dict[str, Any]) -> None:
    if "requestBody" not in operation:
        assert path == "/v1/lots/{code}/records"  # issuing a record needs no words
        return
    media = operation["requestBody"]["content"]["application/json"]
    accepted = operation["responses"]["201"]["content"]["application/json"]["examples"]
    fitting = [media["examples"][name]["value"] for name in accepted]
    assert fitting
    assert [fault for value in fitting for fault in faults(media["schema"], value)] == []


@each()
def test_answers_have_examples_that_fit(method: str, path: str, operation: dict[str, Any]) -> None:
    success = operation["responses"]["201" if method == "post" else "200"]
    [(media_type, media)] = success["content"].items()
    assert media["examples"]
    if media_type.startswith(("image/", "text/csv")):
        assert all("Begins with the bytes" in example["description"] for example in media["examples"].values())
        return
    for example in media["examples"].values():
        assert faults(media["schema"], example["value"]) == []


@each()
def test_refusals_are_problem_details(method: str, path: str, operation: dict[str, Any]) -> None:
    refusals = {status: found for status, found in operation["responses"].items() if status[0] in "45"}
    assert {"404", "422", "4XX", "5XX"} <= set(refusals)
    for found in refusals.values():
        [(media_type, media)] = found["content"].items()
        assert {media_type: {"schema": media["schema"]}} == PROBLEM
        for example in media.get("examples", {}).values():
            assert faults(media["schema"], example["value"]) == []


@each("post")
def test_writes_need_a_key_of_both_kinds(method: str, path: str, operation: dict[str, Any]) -> None:
    [key] = [found for found in parameters(operation) if found["name"] == "Idempotency-Key"]
    assert (key["in"], key["required"]) == ("header", True)
    assert [faults(key["schema"], example["value"]) for example in key["examples"].values()] == [[], []]
    assert faults(key["schema"], "") != []
    [scheme] = operation["security"]
    assert DOCUMENT["components"]["securitySchemes"][next(iter(scheme))]["scheme"] == "bearer"
    assert {"400", "401", "409", "413", "503"} <= set(operation["responses"])


@each("get")
def test_reads_need_none(method: str, path: str, operation: dict[str, Any]) -> None:
    assert "security" not in operation
    assert all(found["in"] in ("path", "query") for found in parameters(operation))


@each()
def test_places_in_paths_have_examples(method: str, path: str, operation: dict[str, Any]) -> None:
    places = [found for found in parameters(operation) if found["in"] == "path"]
    assert len(places) == path.count("{")
    for place in places:
        assert place["examples"]
        first = next(iter(place["examples"].values()))
        assert faults(place["schema"], first["value"]) == []


def test_nothing_is_left_of_the_frameworks_own_error() -> None:
    assert not {"HTTPValidationError", "ValidationError"} & set(DOCUMENT["components"]["schemas"])


def test_only_reads_and_posts_exist() -> None:
    assert {method for method, _, _ in operations()} == {"get", "post"}
