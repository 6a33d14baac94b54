"""One write from start to end: the answer given before under the same key, else verb, follow-up facts,
journal leaf and stored answer, all in one transaction that `db.Database.write` commits."""

import hashlib
import json
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TypeVar

from pydantic import BaseModel
from sqlalchemy import insert, select
from sqlmodel import Session, col

from service.db import Database
from service.errors import DomainError, KeyReused
from service.journal.entry import Entry
from service.journal.tables import IdempotencyRecord

Outcome = TypeVar("Outcome")
Verb = Callable[[Entry], BaseModel]
FollowUp = Callable[[Entry], None]


def system_clock() -> datetime:
    return datetime.now(UTC)


def random_salt() -> bytes:
    return secrets.token_bytes(16)


@dataclass(frozen=True)
class Answer:
    """What goes back to the sender, and is stored to be sent again."""

    status: int
    headers: Mapping[str, str]
    body: bytes
    replayed: bool = False


@dataclass(frozen=True)
class Sender:
    """Who sends a write, under which key, and what exactly was sent."""

    actor_id: int
    key: str
    route: str
    request_hash: str
    request_id: str


@dataclass(frozen=True)
class Writer:
    """Runs verbs.

    Parameters
    ----------
    database : where to.
    follow_ups : run after each verb inside its transaction; they store the facts that follow from it
        (a late moisture makes new balance versions of the runs that used it).
    clock, salt : replaceable so that a test can repeat a write byte for byte.
    """

    database: Database
    follow_ups: Sequence[FollowUp] = ()
    clock: Callable[[], datetime] = system_clock
    salt: Callable[[], bytes] = field(default=random_salt)

    def run(self, actor_id: int, verb: Callable[[Entry], Outcome], *, request_id: str = "local") -> Outcome:
        """Run one verb without an idempotency key: the command line and the demo enter here."""
        return self.database.write(lambda session: self._sealed(self._entry(session, actor_id, request_id), verb))

    def given_before(self, sender: Sender) -> Answer | None:
        """The answer this very request got before, or None; for those who must judge it only once.

        Raises
        ------
        KeyReused : the key was used for another request.
        """
        with self.database.read() as session:
            return _answer_given_before(session, sender)

    def answer(
        self,
        sender: Sender,
        verb: Verb,
        *,
        status: int = 201,
        location: Callable[[BaseModel], str] | None = None,
    ) -> Answer:
        """Run one verb once per idempotency key; the same request again gets the same bytes again.

        Raises
        ------
        KeyReused : the key was used for another request.
        """

        def once(session: Session) -> Answer:
            given = _answer_given_before(session, sender)
            if given is not None:
                return given
            entry = self._entry(session, sender.actor_id, sender.request_id)
            model = self._sealed(entry, verb)
            headers = {"Location": location(model)} if location is not None else {}
            body = model.model_dump_json().encode()
            session.execute(
                insert(IdempotencyRecord).values(
                    actor_id=sender.actor_id,
                    key=sender.key,
                    route=sender.route,
                    request_hash=sender.request_hash,
                    status=status,
                    headers=json.dumps(headers),
                    body=body,
                    seq=entry.seq,
                    stored_at=entry.recorded_at,
                )
            )
            return Answer(status, headers, body)

        try:
            return self.database.write(once)
        except DomainError:
            # Two copies of one request at the same time: the later one waits for the log, and its verb then
            # refuses what the earlier one has just done. The answer of the earlier one is the answer.
            given = self.given_before(sender)
            if given is None:
                raise
            return given

    def _entry(self, session: Session, actor_id: int, request_id: str) -> Entry:
        return Entry(session, actor_id, self.clock(), request_id, self.salt)

    def _sealed(self, entry: Entry, verb: Callable[[Entry], Outcome]) -> Outcome:
        outcome = verb(entry)
        for follow_up in self.follow_ups:
            follow_up(entry)
        entry.seal()
        return outcome


def _answer_given_before(session: Session, sender: Sender) -> Answer | None:
    stored = session.execute(
        select(IdempotencyRecord).where(
            col(IdempotencyRecord.actor_id) == sender.actor_id, col(IdempotencyRecord.key) == sender.key
        )
    ).scalar_one_or_none()
    if stored is None:
        return None
    if (stored.route, stored.request_hash) != (sender.route, sender.request_hash):
        raise KeyReused(
            "idempotency-key-reused",
            f"The key {sender.key!r} was used before for another request; nothing was changed.",
            "Use a new key for a new request; send the very same bytes to repeat one.",
        )
    return Answer(stored.status, json.loads(stored.headers), stored.body, replayed=True)


def request_hash(method: str, path: str, body: bytes) -> str:
    """What makes two requests the same: method, path and the bytes of the body."""
    return hashlib.sha256(b"\n".join((method.encode(), path.encode(), body))).hexdigest()
