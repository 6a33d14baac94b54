"""What routes need of HTTP: the `Write` and `Read` dependencies, exact JSON, and the schema types.

A write route is one line: ``return write(lambda entry: record_x(entry, body))``. `Write` knows the actor
and the idempotency key of the request; the answer it returns has been committed.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.routing import APIRoute
from pydantic import (
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    WithJsonSchema,
)
from sqlmodel import Session

from service.access.queries import actor_behind
from service.core.quantities import kg_text, parse_fraction, parse_kg
from service.db import utc_text
from service.errors import BadRequest, Finding
from service.journal.read import Knowledge, known_at
from service.unit_of_work import Sender, Verb, Writer, request_hash

KEY_HEADER = "Idempotency-Key"


class ExactRequest(Request):
    """Reads JSON without binary floats: ``24.1`` is 24.1, and NaN or a repeated key is refused."""

    async def json(self) -> Any:
        return json.loads(
            await self.body(),
            parse_float=Decimal,
            parse_constant=_refuse_constant,
            object_pairs_hook=_refuse_repeated_keys,
        )


def _refuse_constant(word: str) -> Any:
    raise json.JSONDecodeError(f"{word} is not a number", word, 0)


def _refuse_repeated_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        keys = [key for key, _ in pairs]
        repeated = next(key for key in keys if keys.count(key) > 1)
        raise json.JSONDecodeError(f"the field {repeated!r} stands twice", repeated, 0)
    return found


class ExactRoute(APIRoute):
    def get_route_handler(self) -> Callable[[Request], Any]:
        handler = super().get_route_handler()

        async def exact(request: Request) -> Response:
            return await handler(ExactRequest(request.scope, request.receive))

        return exact


def router(tag: str) -> APIRouter:
    """A router for one feature whose routes read JSON exactly."""
    return APIRouter(prefix="/v1", tags=[tag], route_class=ExactRoute)


@dataclass(frozen=True)
class WriteRequest:
    """The writing half of one request; calling it runs a verb and gives the committed answer."""

    writer: Writer
    sender: Sender

    def __call__(self, verb: Verb, *, status: int = 201, location: Callable[[Any], str] | None = None) -> Response:
        answer = self.writer.answer(self.sender, verb, status=status, location=location)
        headers = dict(answer.headers) | ({"Idempotency-Replayed": "true"} if answer.replayed else {})
        return Response(answer.body, answer.status, headers, media_type="application/json")


async def _body_bytes(request: Request) -> bytes:
    return await request.body()


def _write_request(request: Request, body: Annotated[bytes, Depends(_body_bytes)]) -> WriteRequest:
    writer: Writer = request.app.state.writer
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    with writer.database.read() as session:
        actor_id = actor_behind(session, token.strip() if scheme.lower() == "bearer" else None, writer.clock())
    key = request.headers.get(KEY_HEADER, "").strip().strip('"')
    if not 1 <= len(key) <= 128:
        raise BadRequest(
            "idempotency-key-missing",
            f"This request writes and needs the header {KEY_HEADER} (1 to 128 characters).",
            "Send a new random key with each new request and the same key with each repetition.",
            (Finding("", f"header {KEY_HEADER}: {key[:40]!r}", "Send for instance a UUID."),),
        )
    route = f"{request.method} {request.url.path}"
    return WriteRequest(
        writer,
        Sender(
            actor_id,
            key,
            route,
            request_hash(request.method, request.url.path, body),
            request.state.request_id,
        ),
    )


def _read_session(request: Request) -> Iterator[Session]:
    with request.app.state.writer.database.read() as session:
        yield session


Write = Annotated[WriteRequest, Depends(_write_request)]
Read = Annotated[Session, Depends(_read_session)]


def _knowledge(
    session: Read,
    known_at_time: Annotated[
        AwareDatetime | None,
        Query(alias="known_at", description="Answer as it was known at this moment (RFC 3339); now if left out."),
    ] = None,
) -> Knowledge | None:
    return None if known_at_time is None else known_at(session, known_at_time)


Known = Annotated[Knowledge | None, Depends(_knowledge)]


class Body(BaseModel):
    """Base of everything that comes in: unknown fields are refused, text is trimmed."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


class Out(BaseModel):
    """Base of everything that goes out: every field is always there."""

    model_config = ConfigDict(extra="forbid")


def _grams(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, str | int | Decimal):
        raise ValueError("give kilograms as a decimal string such as '24440.000', or as a number")
    return parse_kg(value)


def _ppm(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, str | int | Decimal):
        raise ValueError("give a fraction between 0 and 1 as a decimal string such as '0.052', or as a number")
    return parse_fraction(value)


def _positive(grams: int) -> int:
    if grams <= 0:
        raise ValueError(f"a mass must be above zero, not {kg_text(grams)} kg")
    return grams


def _ordinary(grams: int) -> int:
    if grams > LARGEST_MASS_G:
        raise ValueError(f"{kg_text(grams)} kg is more than any truck, lot or vessel here can hold")
    return grams


LARGEST_MASS_G = 10**9  # a thousand tonnes: above any silo of the trade, far below what a column holds
KG_SCHEMA = WithJsonSchema(
    {"type": "string", "pattern": r"^\d{1,7}(\.\d{1,3})?$", "description": "Mass in kg, at most 3 decimals."}
)
FRACTION_SCHEMA = WithJsonSchema(
    {
        "type": "string",
        "pattern": r"^(0(\.\d{1,6})?|1(\.0{1,6})?)$",
        "description": "Fraction 0..1, at most 6 decimals.",
    }
)
# In the model the field is named in kg, as it travels; its value is grams, as it is stored.
KgIn = Annotated[int, BeforeValidator(_ordinary), BeforeValidator(_positive), BeforeValidator(_grams), KG_SCHEMA]
FractionIn = Annotated[int, BeforeValidator(_ppm), FRACTION_SCHEMA]
Moment = Annotated[
    AwareDatetime, Field(description="RFC 3339 time with offset."), PlainSerializer(utc_text, return_type=str)
]
Code = Annotated[str, Field(pattern=r"^[A-Z0-9][A-Z0-9._-]{0,31}$", description="Upper-case code.")]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Reason = Annotated[str, Field(min_length=3, max_length=400, description="Why; a person will read it.")]
LotCode = Annotated[str, Field(min_length=10, max_length=16, description="The ten characters under the QR code.")]
