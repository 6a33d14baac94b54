"""What the OpenAPI document says beyond the routes: an example of every operation, refusals, keys, headers.

The examples are the files of ``openapi_examples/``: one request with its answer each, in the order of their
names one invented story. The tests replay it on both engines and compare every answer in full.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from pydantic import BaseModel

from service.db import bundled
from service.problems import MEDIA_TYPE, Problem
from service.web import KEY_HEADER, Moment

FOLDER = "openapi_examples"
JSON_TYPE = "application/json"
KEY_REFERENCE = {"$ref": "#/components/parameters/IdempotencyKey"}
BEARER = "bearer"

REFUSALS = {
    "404": "There is no such thing.",
    "422": "A field or a rule refuses this; nothing was changed.",
    "4XX": "Refused; nothing was changed.",
    "5XX": "Our fault; nothing was changed, the same request may be sent again.",
}
REFUSALS_OF_WRITES = REFUSALS | {
    "400": "The request cannot be read, or lacks a header it needs.",
    "401": "No key, or one that is not known.",
    "409": "Collides with what is recorded; nothing was changed.",
    "413": "Too much in one request.",
    "503": "Another program holds the database; nothing was changed.",
}


class ExampleRequest(BaseModel):
    """`path` with its query, as sent; a request without a body has null."""

    path: str
    body: Any = None


class ExampleResponse(BaseModel):
    """Either the JSON body in full, or, for a picture, its first bytes."""

    status: int
    content_type: str = JSON_TYPE
    headers: dict[str, str] = {}
    body: Any = None
    first_bytes_hex: str | None = None


class Example(BaseModel):
    """One request of the story: when it arrives, who sends it, what it is and what it is answered."""

    operation: str
    summary: str
    received_at: Moment
    sender: str = "operator"
    request: ExampleRequest
    response: ExampleResponse


@dataclass(frozen=True)
class NamedExample:
    """An example and the name of its file, which gives its place in the story."""

    name: str
    example: Example


@cache
def load_examples() -> Sequence[NamedExample]:
    """All examples in the order of the story."""
    files = sorted(bundled(FOLDER).glob("*.json"))
    return [NamedExample(file.stem, Example.model_validate_json(file.read_bytes())) for file in files]


def described(document: dict[str, Any]) -> dict[str, Any]:
    """Complete the document that the routes give by themselves; changes it in place and gives it back."""
    components = document["components"]
    for unused in ("HTTPValidationError", "ValidationError"):
        components["schemas"].pop(unused, None)
    problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    components["schemas"] |= problem.pop("$defs") | {"Problem": problem}
    components["securitySchemes"] = {
        BEARER: {"type": "http", "scheme": "bearer", "description": "A key made by `bale-to-pellet keys add`."}
    }
    components["parameters"] = {"IdempotencyKey": _key_parameter()}
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            _describe(operation, method == "post")
            for named in load_examples():
                if named.example.operation == f"{method} {path}":
                    _attach(operation, path, named)
    return document


def _key_parameter() -> dict[str, Any]:
    return {
        "name": KEY_HEADER,
        "in": "header",
        "required": True,
        "description": "New for each new request, the same for each repetition: the first answer comes again, byte "
        "for byte. A structured-field string or the bare characters.",
        "schema": {"type": "string", "pattern": r"^[\x20-\x7e]{1,130}$"},
        "examples": {
            "quoted": {"value": '"0b5cf1f2-2d0e-4b0c-9d0a-6c1f6a1d7a52"'},
            "bare": {"value": "0b5cf1f2-2d0e-4b0c-9d0a-6c1f6a1d7a52"},
        },
    }


def _describe(operation: dict[str, Any], writes: bool) -> None:
    refusals = REFUSALS_OF_WRITES if writes else REFUSALS
    for status, description in sorted(refusals.items()):
        content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
        operation["responses"][status] = {"description": description, "content": content}
    if writes:
        operation["security"] = [{BEARER: []}]
        operation.setdefault("parameters", []).append(KEY_REFERENCE)
        operation["responses"]["201"]["headers"] = {
            "Idempotency-Replayed": {
                "description": "`true` when this answer was given before under the same key.",
                "schema": {"type": "string", "const": "true"},
            }
        }


def _attach(operation: dict[str, Any], template: str, named: NamedExample) -> None:
    """Hang one example on the operation's parameters, body and response."""
    example = named.example
    answer = example.response
    for name, text in values_in_path(template, example.request.path).items():
        parameter = next(given for given in operation["parameters"] if given.get("name") == name)
        value = int(text) if parameter["schema"].get("type") == "integer" else text
        parameter.setdefault("examples", {})[named.name] = {"value": value}
    if example.request.body is not None:
        _add(operation["requestBody"]["content"][JSON_TYPE], named, {"value": example.request.body})
    response = operation["responses"][str(answer.status)]
    for header, text in answer.headers.items():
        response.setdefault("headers", {})[header] = {"schema": {"type": "string"}, "example": text}
    shown: dict[str, Any] = {"value": answer.body}
    if answer.first_bytes_hex is not None:
        shown = {"description": f"Begins with the bytes {answer.first_bytes_hex}."}
    _add(response["content"][answer.content_type], named, shown)


def _add(media: dict[str, Any], named: NamedExample, shown: dict[str, Any]) -> None:
    media.setdefault("examples", {})[named.name] = {"summary": named.example.summary} | shown


def values_in_path(template: str, path: str) -> dict[str, str]:
    """What the places of a path template hold in one path; its query is left out.

    Examples
    --------
    >>> values_in_path("/v1/lots/{code}/records/{issue}", "/v1/lots/7F3K9QX2MA/records/1?known_at=x")
    {'code': '7F3K9QX2MA', 'issue': '1'}
    """
    pattern = re.sub(r"\\{(\w+)\\}", r"(?P<\1>[^/]+)", re.escape(template))
    found = re.fullmatch(pattern, path.partition("?")[0])
    if found is None:
        raise ValueError(f"{path!r} is not of the form {template!r}")
    return found.groupdict()
