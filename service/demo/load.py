"""Loads the demo week: reads the events, runs each through the writer at the time it was recorded.

Every event has an idempotency key of its own, so a second load changes nothing and a load that was broken
off goes on where it stopped. The writer's clock stands at each event's time, so the journal reads as if the
week had been recorded live, late entries and all.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator
from sqlalchemy import select
from sqlmodel import col

from service.access.record import FIRST_ACTOR_ID, give_key
from service.access.tables import Credential
from service.app import make_writer
from service.db import Database, bundled
from service.demo.answers import Answers
from service.demo.operations import OPERATIONS, SITE
from service.errors import BadRequest, Conflict, DomainError, Finding
from service.plant.queries import list_current
from service.plant.tables import Site
from service.unit_of_work import Sender, Writer, request_hash, system_clock
from service.web import Moment

FILES = ("plant.json", "week.json")
INSTALLATION = "installation"
VISITOR = "visitor"  # the person whose key a user gets for trying out
Watch = Callable[[int, int], None]


class Event(BaseModel):
    """One thing that somebody recorded.

    Parameters
    ----------
    at : when it was recorded; its body says when it was so.
    by : who recorded it: the name of an event that registered a person.
    do : what, see `operations.OPERATIONS`.
    on : the delivery, run, lot, vessel, hold or line it is about.
    name : under which later events refer to the answer; ``as`` in the file.
    """

    model_config = ConfigDict(extra="forbid")

    at: Moment
    by: str
    do: str
    on: str | None = None
    name: str | None = Field(default=None, alias="as")
    body: dict[str, Any] | None = None

    @field_validator("do")
    @classmethod
    def _known(cls, do: str) -> str:
        if do not in OPERATIONS:
            raise ValueError(f"no operation {do!r}; there are {', '.join(sorted(OPERATIONS))}")
        return do


class Week(BaseModel):
    """A file of seed data. `worth_tracing` is a reference to the lot that the demo shows first."""

    model_config = ConfigDict(extra="forbid")

    note: str = Field(alias="_note")
    worth_tracing: str | None = None
    events: list[Event]


@dataclass(frozen=True)
class Loaded:
    """What a load did.

    Parameters
    ----------
    lot_code : the pellet lot worth tracing.
    answers : of all events, by name.
    recorded : events recorded now; the other `events` had been recorded before.
    visitor_key : a key for trying out, only when it was made now.
    """

    lot_code: str
    answers: Answers
    events: int
    recorded: int
    visitor_key: str | None


@dataclass
class EventClock:
    """Shows the time of the event that is being recorded."""

    moment: datetime

    def __call__(self) -> datetime:
        return self.moment


def load_demo(
    database: Database,
    register_installation: Callable[[Writer], None],
    watch: Watch | None = None,
) -> Loaded:
    """Load the demo into a migrated database.

    Parameters
    ----------
    register_installation : sees to it that actor 1 exists, the author of the first entries.
    watch : told (events done, events in all).

    Raises
    ------
    Conflict : the database holds another plant.
    DomainError : the service refuses an event; the message names it.
    """
    weeks = [read_week(bundled("seed_data") / file) for file in FILES]
    events = [event for week in weeks for event in week.events]
    _refuse_other_plant(database, events)
    clock = EventClock(events[0].at)
    writer = make_writer(database, clock=clock)
    register_installation(writer)
    answers = Answers({INSTALLATION: {"id": FIRST_ACTOR_ID}})
    recorded = 0
    for number, event in enumerate(events, start=1):
        clock.moment = event.at
        recorded += _record(writer, number, event, answers)
        if watch is not None:
            watch(number, len(events))
    reference = next(week.worth_tracing for week in weeks if week.worth_tracing)
    return Loaded(
        lot_code=str(answers.found(reference)),
        answers=answers,
        events=len(events),
        recorded=recorded,
        visitor_key=_key_once(database, int(answers.found(f"${VISITOR}.id"))),
    )


def read_week(file: Path) -> Week:
    """Read a file of events; numbers with a decimal point are read exactly.

    Raises
    ------
    BadRequest : it is no JSON, or an event has a field too many, one too few or an unknown operation.
    """
    try:
        return Week.model_validate(json.loads(file.read_text(encoding="utf-8"), parse_float=Decimal))
    except ValueError as fault:
        detail = f"The demo's file {file.name} cannot be read: {fault}."
        raise BadRequest("seed-data-unreadable", detail, "Correct the seed data.") from fault


def _record(writer: Writer, number: int, event: Event, answers: Answers) -> bool:
    """Record one event, or take the answer it was given before; says whether it was recorded now."""
    try:
        operation = OPERATIONS[event.do]
        on = answers.resolved(event.on)
        body = None if operation.body is None else answers.resolved(event.body)
        route = operation.path.format(on=on)
        sent = b"" if body is None else json.dumps(body, default=str).encode()
        arguments = [on] if operation.is_on_something else []
        if operation.body is not None:
            arguments.append(operation.body.model_validate(body))
        answer = writer.answer(
            Sender(
                actor_id=int(answers.found(f"${event.by}.id")),
                key=f"demo-{number}",
                route=f"POST {route}",
                request_hash=request_hash("POST", route, sent),
                request_id=f"demo-{number}",
            ),
            lambda entry: operation.verb(entry, *arguments),
        )
    except ValidationError as fault:
        findings = tuple(
            Finding("/" + "/".join(map(str, error["loc"])), error["msg"], "Correct the seed data.")
            for error in fault.errors()
        )
        detail = f"Event {number} of the demo ({event.do} at {event.at.isoformat()}) cannot be read."
        raise BadRequest("seed-event-unreadable", detail, "Correct the seed data.", findings) from fault
    except DomainError as refusal:
        refusal.detail = (
            f"Event {number} of the demo ({event.do} at {event.at.isoformat()}) was refused: {refusal.detail}"
        )
        raise
    if event.name is not None:
        answers.keep(event.name, answer.body)
    return not answer.replayed


def _refuse_other_plant(database: Database, events: list[Event]) -> None:
    """The demo is no guest in a database that somebody works with."""
    own = {event.body["code"] for event in events if event.do == SITE and event.body is not None}
    with database.read() as session:
        strangers = sorted(site.code for site in list_current(session, Site) if site.code not in own)
    if strangers:
        raise Conflict(
            "database-in-use",
            f"This database holds the plant {strangers[0]!r}; the demo would mix its invented week into it.",
            "Let BALE_TO_PELLET_DATABASE_URL name a new database for the demo.",
        )


def _key_once(database: Database, actor_id: int) -> str | None:
    """A key for trying out, made once: a key that was printed before is not printed again."""
    with database.read() as session:
        if session.execute(select(Credential).where(col(Credential.actor_id) == actor_id)).first():
            return None
    return database.write(lambda session: give_key(session, actor_id=actor_id, now=system_clock()))
