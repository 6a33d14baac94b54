"""The story of openapi_examples/ told to a real application: frozen clock, counted salts and request ids.

With these three fixed, every id, code, time and digest of an answer is the same in every run and on both
engines, so that answers can be compared in full.
"""

import itertools
from dataclasses import dataclass

from fastapi.testclient import TestClient
from plant_fixture import FrozenClock

from service.access.record import give_key, record_actor
from service.access.statuses import ActorKind
from service.app import create_app, make_writer
from service.db import Database
from service.examples import JSON_TYPE, Example, ExampleResponse
from service.settings import Settings
from service.unit_of_work import Writer

SENDERS = ("operator", "quality")
KEPT_HEADERS = ("location", "x-record-sha256")
FIRST_BYTES = 24  # of a PNG: its signature and its size in dots; of a JPEG: its signature and version


def key_of(sender: str) -> str:
    return f"story-key-of-{sender}"


@dataclass
class Story:
    """An application on an empty database that knows the two senders and nothing else."""

    database: Database

    def __post_init__(self) -> None:
        self.clock = FrozenClock()
        salts, request_numbers = itertools.count(), itertools.count(1)
        writer = make_writer(self.database, clock=self.clock, salt=lambda: next(salts).to_bytes(16, "big"))
        settings = Settings(self.database.url, "https://trace.example.com")
        app = create_app(settings, writer, request_id=lambda: f"{next(request_numbers):016x}")
        self.client = TestClient(app, raise_server_exceptions=False)
        for sender in SENDERS:
            self._take_on(writer, sender)

    def _take_on(self, writer: Writer, sender: str) -> None:
        actor_id = writer.run(1, lambda entry: record_actor(entry, kind=ActorKind.PERSON, name=sender)).id
        key = key_of(sender)
        self.database.write(lambda session: give_key(session, actor_id=actor_id, now=self.clock(), key=key))

    def send(self, name: str, example: Example) -> ExampleResponse:
        """Send the request of an example at its time; its file name is the idempotency key."""
        self.clock.moment = example.received_at
        method = example.operation.partition(" ")[0].upper()
        headers = {}
        if method == "POST":
            headers = {"Authorization": f"Bearer {key_of(example.sender)}", "Idempotency-Key": name}
        answer = self.client.request(method, example.request.path, json=example.request.body, headers=headers)
        content_type = answer.headers["content-type"].partition(";")[0]
        is_json = content_type == JSON_TYPE or content_type.endswith("+json")
        return ExampleResponse(
            status=answer.status_code,
            content_type=content_type,
            headers={header: answer.headers[header] for header in KEPT_HEADERS if header in answer.headers},
            body=answer.json() if is_json else None,
            first_bytes_hex=None if is_json else answer.content[:FIRST_BYTES].hex(),
        )
