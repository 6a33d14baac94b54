"""Forms: reading what a person typed, running a verb once, and showing the form again with everything in it.

A form carries a key that was made with the page. Sent twice (a double click, a reload, the back button) it
is recorded once and answers the same; sent again with other content it is refused, and says so.
"""

import hashlib
import json
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Annotated, Any, TypeVar
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel, ValidationError
from sqlalchemy import select
from sqlmodel import col

from service.core.quantities import fraction_text, kg_text
from service.core.typed import (
    AmbiguousLocalTime,
    Unreadable,
    parse_local_time,
    parse_typed_count,
    parse_typed_kg,
    parse_typed_percent,
)
from service.errors import BadRequest, DomainError, Finding, KeyReused
from service.journal.entry import Entry
from service.journal.tables import IdempotencyRecord
from service.pages.desk import Desk, Fields, NeedsLogIn, find_desk
from service.pages.frame import PAGE_HEADERS
from service.problems import finding_of, status_of
from service.unit_of_work import Sender
from service.web import KEY_PATTERN, Body, Read

KEY_FIELD = "form_key"
WHICH = "_which"  # behind the name of a time: the first or the second, in the night the clock goes back
FIELDS_MAX = 5_000  # a truck of 2,000 bales with a box beside each
Given = TypeVar("Given", bound=Body)
Parsed = TypeVar("Parsed")


def new_key() -> str:
    return secrets.token_urlsafe(16)


@dataclass(frozen=True)
class Form:
    """One form of a page, as it is shown: what stands in its fields and what is wrong with them.

    Parameters
    ----------
    name : which of the page's forms this is.
    key : makes sending it twice the same as sending it once.
    values : by field name; several for a field that may stand several times.
    faults : by field name; what belongs to no field stands under ''.
    status : of the page that shows it.
    """

    name: str
    key: str
    values: Mapping[str, Sequence[str]] = field(default_factory=dict)
    faults: Mapping[str, Sequence[str]] = field(default_factory=dict)
    status: int = 200

    @staticmethod
    def fresh(name: str, **values: str | None) -> "Form":
        """An empty form with what is known beforehand filled in."""
        return Form(name, new_key(), {field: (value,) for field, value in values.items() if value})

    def value(self, name: str, otherwise: str = "") -> str:
        return self.values[name][0] if self.values.get(name) else otherwise

    def holds(self, name: str, value: str) -> bool:
        """Whether a box or choice is set."""
        return value in self.values.get(name, ())

    def fault(self, name: str) -> str:
        return " ".join(self.faults.get(name, ()))

    @property
    def is_refused(self) -> bool:
        return bool(self.faults)


def recorded_under(desk: Desk, key: str) -> str | None:
    """The page a form led to that was sent under this key before; None if it was never recorded."""
    stored = desk.session.execute(
        select(col(IdempotencyRecord.headers)).where(
            col(IdempotencyRecord.actor_id) == desk.actor_id, col(IdempotencyRecord.key) == f"form-{key}"
        )
    ).scalar_one_or_none()
    location: str | None = None if stored is None else json.loads(stored).get("Location")
    return location


def form_of(name: str, shown: Form | None, **values: str | None) -> Form:
    """The form `name` of a page: the one being shown again if it is that one, else a fresh one."""
    return shown if shown is not None and shown.name == name else Form.fresh(name, **values)


@dataclass(frozen=True)
class Upload:
    """A file that came with a form."""

    name: str
    content: bytes


@dataclass(frozen=True)
class Posted:
    """A form as it was sent."""

    fields: Fields
    uploads: Mapping[str, Upload] = field(default_factory=dict)

    def all(self, name: str) -> list[str]:
        return [value for given, value in self.fields if given == name]

    def one(self, name: str) -> str:
        return next(iter(self.all(name)), "")

    def digest(self, path: str) -> str:
        """What makes two posts the same: the address, every field, every file."""
        files = [[name, hashlib.sha256(upload.content).hexdigest()] for name, upload in sorted(self.uploads.items())]
        return hashlib.sha256(json.dumps([path, self.fields, files]).encode()).hexdigest()


async def posted_form(request: Request) -> Posted:
    """Read a form, with or without files.

    Raises
    ------
    BadRequest : it cannot be read.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    try:
        if kind == "multipart/form-data":
            async with request.form(max_files=8, max_fields=FIELDS_MAX, max_part_size=2**20) as parts:
                fields, uploads = [], {}
                for name, value in parts.multi_items():
                    if isinstance(value, str):
                        fields.append((name, value))
                    elif (content := await value.read()) or value.filename:
                        uploads[name] = Upload(value.filename or "", content)
            return Posted(tuple(fields), uploads)
        text = (await request.body()).decode(errors="replace")
        return Posted(tuple(parse_qsl(text, keep_blank_values=True, max_num_fields=FIELDS_MAX)))
    except DomainError:
        raise
    except Exception as failure:  # the parser's own errors, and Starlette's 400 for them
        raise BadRequest(
            "unreadable-form", "This form cannot be read; nothing was changed.", "Load the page again."
        ) from failure


PostedIn = Annotated[Posted, Depends(posted_form)]


class Typed:
    """Reads the fields of one form and remembers what cannot be read.

    Every reader gives None for an empty field, so that a body can be built first and judged as a whole.
    """

    def __init__(self, posted: Posted, zone: ZoneInfo, names: Mapping[str, str]) -> None:
        self.posted = posted
        self._zone = zone
        self._names = names
        self.faults: dict[str, list[str]] = {}

    def text(self, name: str) -> str | None:
        return self.posted.one(name).strip() or None

    def all(self, name: str) -> list[str]:
        """Every non-empty value of a field that may stand several times."""
        return [value.strip() for value in self.posted.all(name) if value.strip()]

    def is_set(self, name: str) -> bool:
        """Whether a box is ticked."""
        return bool(self.posted.one(name))

    def kg(self, name: str) -> str | None:
        """A mass, with decimal comma or point, as the decimal string a body takes."""
        grams = self.read(name, parse_typed_kg)
        return None if grams is None else kg_text(grams)

    def percent(self, name: str) -> str | None:
        """A percentage, as the fraction a body takes."""
        ppm = self.read(name, parse_typed_percent)
        return None if ppm is None else fraction_text(ppm)

    def count(self, name: str) -> int | None:
        return self.read(name, parse_typed_count)

    def moment(self, name: str) -> datetime | None:
        """A wall-clock time of the plant; asks which one where the clock showed it twice.

        The field of a browser has no place for the answer, so it stands in a field of its own (`macros.html`).
        """
        which = self.text(f"{name}{WHICH}")
        hint = f" ({which})" if which in ("first", "second") else ""
        try:
            return self.read(name, lambda text: parse_local_time(f"{text}{hint}", self._zone))
        except AmbiguousLocalTime as fault:
            self.blame(f"{name}{WHICH}", sentence(str(fault)))
            return None

    def read(self, name: str, parse: Callable[[str], Parsed]) -> Parsed | None:
        """A field by any parser of `core.typed`; what it refuses becomes the fault of the field."""
        text = self.text(name)
        if text is None:
            return None
        try:
            return parse(text)
        except AmbiguousLocalTime:
            raise
        except Unreadable as fault:
            self.blame(name, sentence(str(fault)))
            return None

    def blame(self, name: str, words: str) -> None:
        self.faults.setdefault(name, []).append(words)

    def body(
        self, model: type[Given], fields: Mapping[str, Any], *, emptied: Mapping[str, None] | None = None
    ) -> Given:
        """The body a verb takes; fields that are None are left out, those `emptied` are sent as null.

        Raises
        ------
        Unfit : with every fault of the form at once.
        """
        given = {name: value for name, value in fields.items() if value is not None}
        given = {name: as_sent(value) for name, value in given.items()} | dict(emptied or {})
        try:
            body = model.model_validate(given)
        except ValidationError as error:
            for fault in error.errors():
                finding = finding_of({**fault, "loc": ("body", *fault["loc"])})
                name = field_of(finding.pointer, self._names)
                if name not in self.faults:  # what could not be read is missing only because of that
                    self.blame(name, self._in_words(name, str(fault["type"]), finding))
            raise Unfit(self.faults) from error
        if self.faults:
            raise Unfit(self.faults)
        return body

    def _in_words(self, name: str, kind: str, finding: Finding) -> str:
        if kind == "missing" or not self.text(name):
            return "Fill this in."
        return sentence(finding.detail)


@dataclass
class Unfit(Exception):
    """A form that cannot become a body; what is wrong, by field."""

    faults: Mapping[str, Sequence[str]]


@dataclass(frozen=True)
class Submission:
    """A form sent by somebody who is logged in."""

    desk: Desk
    posted: Posted
    path: str

    def run(
        self,
        name: str,
        *,
        read: Callable[[Typed], Given],
        verb: Callable[[Entry, Given], BaseModel],
        to: Callable[[Any], str],
        again: Callable[[Form], Response],
        names: Mapping[str, str] | None = None,
    ) -> Response:
        """Record a form once and go on, or show it again with what was typed and what is wrong.

        Parameters
        ----------
        name : of the form on its page.
        read : makes the body of the verb out of the fields.
        verb : what is recorded.
        to : the page to go on to, from what the verb answered.
        again : draws the page with this form, its faults and its status.
        names : which field shows the faults of a JSON pointer; by default the pointer's first part.
        """
        names = names or {}
        typed = Typed(self.posted, self.desk.zone, names)
        try:
            sender = self._sender()
            # Before anything is judged: what the first sending changed must not speak against the second.
            answer = self.desk.writer.given_before(sender)
            if answer is None:
                body = read(typed)
                answer = self.desk.writer.answer(sender, lambda entry: verb(entry, body), status=303, location=to)
            return RedirectResponse(answer.headers["Location"], 303, PAGE_HEADERS | {"Cache-Control": "no-store"})
        except Unfit as unfit:
            return again(self.shown_again(name, unfit.faults, 422))
        except KeyReused:
            # A new key: whoever really means it may send the changed form as a second one.
            words = "This form was sent before with other content, and that was recorded. Nothing was changed now."
            return again(replace(self.shown_again(name, {"": [words]}, 409), key=new_key()))
        except DomainError as error:
            return again(self.shown_again(name, faults_of(error, names), status_of(error)))

    def _sender(self) -> Sender:
        return Sender(
            self.desk.actor_id,
            self._key(),
            f"POST {self.path}",
            self.posted.digest(self.path),
            self.desk.request_id,
        )

    def _key(self) -> str:
        key = self.posted.one(KEY_FIELD)
        if not KEY_PATTERN.fullmatch(f"form-{key}") or not key:
            raise BadRequest(
                "form-without-key", "This form lacks its key; nothing was changed.", "Load the page again."
            )
        return f"form-{key}"

    def shown_again(self, name: str, faults: Mapping[str, Sequence[str]], status: int) -> Form:
        """The form as it was sent, with its faults."""
        values: dict[str, list[str]] = {}
        for given, value in self.posted.fields:
            values.setdefault(given, []).append(value)
        return Form(name, self.posted.one(KEY_FIELD) or new_key(), values, faults, status)


# The form is read first: whoever sends it slowly must not hold a connection to the database meanwhile.
def _submission(request: Request, posted: PostedIn, session: Read) -> Submission:
    desk = find_desk(request, session)
    if desk is None:
        raise NeedsLogIn(request.url.path, posted.fields)
    return Submission(desk, posted, request.url.path)


Submitted = Annotated[Submission, Depends(_submission)]


def faults_of(error: DomainError, names: Mapping[str, str]) -> dict[str, list[str]]:
    """A refusal by the fields it names; what names none stands under ''."""
    faults: dict[str, list[str]] = {}
    for finding in error.findings:
        words = f"{sentence(finding.detail)} {finding.remedy}".strip()
        faults.setdefault(field_of(finding.pointer, names), []).append(words)
    if not faults:
        faults[""] = [f"{sentence(error.detail)} {error.remedy}".strip()]
    return faults


def field_of(pointer: str, names: Mapping[str, str]) -> str:
    """The form field that shows what is wrong at a JSON pointer: the longest one named, else its first part.

    Examples
    --------
    >>> field_of("/gross/mass_kg", {"/gross/mass_kg": "gross_kg"}), field_of("/tags/3", {}), field_of("", {})
    ('gross_kg', 'tags', '')
    """
    parts = pointer.split("/")
    for length in range(len(parts), 1, -1):
        if "/".join(parts[:length]) in names:
            return names["/".join(parts[:length])]
    return parts[1] if len(parts) > 1 else ""


def as_sent(value: Any) -> Any:
    """A value as it would travel in JSON."""
    return value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value


def sentence(words: str) -> str:
    """Words with a capital and a full stop."""
    words = words.strip()
    return f"{words[:1].upper()}{words[1:]}{'' if words.endswith(('.', '!', '?')) else '.'}"
