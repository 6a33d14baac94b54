"""Every field of every request body, read from the OpenAPI document, so that a new field is tested unasked."""

import copy
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from service.app import create_app
from service.settings import Settings

DOCUMENT: dict[str, Any] = create_app(Settings("sqlite://", "https://trace.example.com")).openapi()
# Texts that take no words of one's own: a time zone, the code of a partner, a number.
NOT_FREE = {"zone", "partner", "value"}


def body_of(operation: str) -> dict[str, Any]:
    """Schema of the body of an operation such as `post /v1/sites`; empty if it has none."""
    method, path = operation.split(" ")
    content = DOCUMENT["paths"][path][method].get("requestBody", {"content": {}})["content"]
    schema: dict[str, Any] = content.get("application/json", {}).get("schema", {})
    return schema


def leaves(schema: dict[str, Any], pointer: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """JSON pointer and schema of every value that holds no further ones; the first item stands for a list."""
    if "$ref" in schema:
        yield from leaves(DOCUMENT["components"]["schemas"][schema["$ref"].rpartition("/")[2]], pointer)
    elif "anyOf" in schema:
        for choice in schema["anyOf"]:
            yield from leaves(choice, pointer)
    elif schema.get("type") == "object":
        for name, part in schema["properties"].items():
            yield from leaves(part, f"{pointer}/{name}")
    elif schema.get("type") == "array":
        yield from leaves(schema["items"], f"{pointer}/0")
    elif schema and schema.get("type") != "null":
        yield pointer, schema


def free_texts(schema: dict[str, Any]) -> Iterator[str]:
    """Pointers of the fields that take any words."""
    for pointer, leaf in leaves(schema):
        bound = {"pattern", "format", "enum", "const", "contentEncoding"} & set(leaf)
        is_lot_code = (leaf.get("minLength"), leaf.get("maxLength")) == (10, 16)
        if leaf["type"] == "string" and not bound and not is_lot_code and pointer.rpartition("/")[2] not in NOT_FREE:
            yield pointer


def with_value(body: Any, pointer: str, value: Any) -> Any:
    """A copy of the body with another value in one place; objects and lists on the way are made if missing."""
    changed: Any = copy.deepcopy(body) or {}
    here: Any = changed
    steps: list[Any] = [int(step) if step.isdigit() else step for step in pointer.split("/")[1:]]
    for step, following in pairwise(steps):
        if isinstance(here, list) and not here:
            here.append(None)
        inside = here[step] if isinstance(here, list) else here.get(step)
        if not inside:
            inside = [] if isinstance(following, int) else {}
            here[step] = inside
        here = inside
    if isinstance(here, list) and not here:
        here.append(value)
    here[steps[-1]] = value
    return changed


def value_at(body: Any, pointer: str) -> Any:
    """What stands at a pointer, or None."""
    here = body
    for step in pointer.split("/")[1:]:
        if isinstance(here, list):
            here = here[int(step)] if int(step) < len(here) else None
        else:
            here = here.get(step) if isinstance(here, dict) else None
    return here
