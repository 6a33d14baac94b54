"""What routes need of HTTP: the `Write` and `Read` dependencies, exact JSON, and the schema types.

A write route is one line: ``return write(lambda entry: record_x(entry, body))``. `Write` knows the actor
and the idempotency key of the request; the answer it returns has been committed.
"""

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import Annotated, Any, get_args

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    ValidationInfo,
    WithJsonSchema,
    field_validator,
)
from pydantic_core import PydanticCustomError, to_json
from sqlmodel import Session

from service.access.queries import actor_behind
from service.core.quantities import kg_text, parse_fraction, parse_kg
from service.db import utc_text
from service.errors import BadRequest, Finding
from service.journal.read import Knowledge, known_at
from service.unit_of_work import Sender, Verb, Writer, request_hash

KEY_HEADER = "Idempotency-Key"
KEY_PATTERN = re.compile(r"[\x20-\x7e]{1,128}")  # what an sf-string may hold (RFC 9651 section 3.3.3)
LARGEST_EXPONENT = 99
NO_XML_CHARACTER = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
IDS_END = 2**53  # 8,192 sites x 2**40; every identity is below, and exact in a JSON number


class ExactRequest(Request):
    """Reads JSON without binary floats: ``24.1`` is 24.1, and NaN or a repeated key is refused."""

    async def json(self) -> Any:
        body = await self.body()
        try:
            return json.loads(
                body,
                parse_float=_decimal,
                parse_constant=_refuse_constant,
                object_pairs_hook=_refuse_repeated_keys,
            )
        except json.JSONDecodeError:
            raise
        except RecursionError as failure:
            raise json.JSONDecodeError("lists or objects are nested too deeply", "", 0) from failure
        except UnicodeDecodeError as failure:
            raise json.JSONDecodeError("the bytes are not UTF-8", "", failure.start) from failure
        except ValueError as failure:  # Python reads integers of up to 4,300 digits
            raise json.JSONDecodeError("an integer has too many digits", "", 0) from failure


def _decimal(number: str) -> Decimal:
    # Turning 1E+9999999 into an integer takes seconds, so the exponent is looked at before anybody does.
    # RFC 8259 section 6 lets a reader limit the range of numbers.
    exponent = number.lower().partition("e")[2]
    if exponent and (len(exponent) > 4 or abs(int(exponent)) > LARGEST_EXPONENT):
        raise json.JSONDecodeError(f"{number[:40]} is beyond the numbers read here", number, 0)
    return Decimal(number)


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
        given = self.dependant.path_params + self.dependant.query_params
        numbers = {parameter.alias for parameter in given if parameter.field_info.annotation is int}

        async def exact(request: Request) -> Response:
            _check_address(request, numbers)
            return await handler(ExactRequest(request.scope, request.receive))

        return exact


def _check_address(request: Request, numbers: set[str]) -> None:
    """Refuse what no database column can be compared with: numbers beyond all identities, text with a NUL."""
    faults = []
    for where, values in (("path", request.path_params.items()), ("query", request.query_params.multi_items())):
        for name, text in values:
            digits = str(text).lstrip("+-0")
            if name in numbers and digits.isdecimal() and (len(digits) > 16 or int(digits) >= IDS_END):
                message = f"a number here is below {IDS_END}"
                faults.append({"type": "less_than", "loc": (where, name), "msg": message, "input": text})
            elif (found := NO_XML_CHARACTER.search(str(text))) is not None:
                message = f"the text holds the character U+{ord(found[0]):04X}, which stands in nothing stored"
                faults.append({"type": "unstorable_text", "loc": (where, name), "msg": message, "input": text})
    if faults:
        raise RequestValidationError(faults)


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
    if not KEY_PATTERN.fullmatch(key):
        raise BadRequest(
            "idempotency-key-missing",
            f"This request writes and needs the header {KEY_HEADER} (1 to 128 visible ASCII characters).",
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


class Body(BaseModel):
    """Base of everything that comes in: unknown fields are refused, text is trimmed, a word is no number."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _as_stated(cls, value: Any, info: ValidationInfo) -> Any:
        """Refuse what would be stored as something else than was sent, on every field of every body."""
        annotation = cls.model_fields[info.field_name or ""].annotation
        takes_truth = annotation is bool or bool in get_args(annotation)
        if isinstance(value, bool) != takes_truth and value is not None:
            wanted = "true or false" if takes_truth else "something else than true or false"
            raise ValueError(f"give {wanted} here")
        if isinstance(value, list):
            for place, item in enumerate(value):
                _refuse_unstorable(item, f"/{place}")
        _refuse_unstorable(value)
        return value


def fault_in(field: str, words: str) -> PydanticCustomError:
    """What a rule over several fields of a body has against one of them; raised by model validators."""
    return PydanticCustomError("rule", "{words}", {"words": words, "below": f"/{field}"})


def _refuse_unstorable(value: object, below: str = "") -> None:
    """Refuse text that one engine stores and the other does not, or that no XML label can carry.

    Notes
    -----
    PostgreSQL takes no NUL and no lone surrogate in text. The set is the complement of `Char`, production 2
    of XML 1.0 (fifth edition), so that whatever is stored can stand on a label and in an XML document.
    """
    found = NO_XML_CHARACTER.search(value) if isinstance(value, str) else None
    if found is not None:
        raise PydanticCustomError(
            "unstorable_text",
            "the text holds the character U+{code_point}, which cannot be stored",
            {"code_point": f"{ord(found[0]):04X}", "below": below},
        )


class Out(BaseModel):
    """Base of everything that goes out: every field is always there."""

    model_config = ConfigDict(extra="forbid")


def json_of(answer: Mapping[str, Any], field: str, rows: Iterable[str]) -> bytes:
    """An answer with thousands of rows as JSON, as its model would write it.

    Parameters
    ----------
    answer : its fields in their order.
    field : the one that holds the rows.
    rows : each as JSON.
    """
    names = list(answer)
    place = names.index(field)
    before = to_json({name: answer[name] for name in names[:place]})[:-1]
    after = to_json({name: answer[name] for name in names[place + 1 :]})[1:]
    written = ",".join(rows).encode()
    return b'%b%b"%b":[%b]%b%b' % (
        before,
        b"," if place else b"",
        field.encode(),
        written,
        b"," if place + 1 < len(names) else b"",
        after,
    )


def json_response(body: bytes) -> Response:
    """An answer that is JSON already: declared as a return value it would be checked row by row and written again."""
    return Response(body, media_type="application/json")


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


def _written_out(value: object) -> object:
    """Seconds since 1970 would be taken for a time otherwise: a mistyped year must not become one."""
    if isinstance(value, datetime) or (isinstance(value, str) and DATE_FIRST.match(value)):
        return value
    raise ValueError("give an RFC 3339 time with its offset, such as '2026-03-09T08:00:00+01:00'")


def _of_this_age(moment: datetime) -> datetime:
    if not EARLIEST <= moment < LATEST:
        raise ValueError(f"times run from the year {EARLIEST.year} to before the year {LATEST.year}")
    return moment


DATE_FIRST = re.compile(r"\s*\d{4}-\d\d-\d\d")
EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
Moment = Annotated[
    AwareDatetime,
    BeforeValidator(_written_out),
    AfterValidator(_of_this_age),
    Field(description="RFC 3339 time with offset."),
    PlainSerializer(utc_text, return_type=str),
]
Id = Annotated[int, Field(ge=1, lt=IDS_END, description="Number given when the thing was recorded.")]
Code = Annotated[str, Field(pattern=r"^[A-Z0-9][A-Z0-9._-]{0,31}$", description="Upper-case code.")]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Reason = Annotated[str, Field(min_length=3, max_length=400, description="Why; a person will read it.")]
LotCode = Annotated[str, Field(min_length=10, max_length=16, description="The ten characters under the QR code.")]


# Not a plain function: those wait for a thread, and mostly there is nothing to be looked up.
async def _knowledge(
    session: Read,
    known_at_time: Annotated[
        Moment | None,
        Query(alias="known_at", description="Answer as it was known at this moment (RFC 3339); now if left out."),
    ] = None,
) -> Knowledge | None:
    return None if known_at_time is None else await run_in_threadpool(known_at, session, known_at_time)


Known = Annotated[Knowledge | None, Depends(_knowledge)]
