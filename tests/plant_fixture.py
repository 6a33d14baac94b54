"""A small invented plant for feature tests: real database, real verbs, real HTTP application, frozen clock.

Nothing here is a stub: master data goes in through the same verbs as in service, and `client` speaks to
the application over ASGI.
"""

import copy
import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from fastapi.testclient import TestClient
from sqlalchemy import func, select
from starlette.datastructures import State

from service.access.record import give_key, record_actor
from service.access.statuses import ActorKind
from service.app import Service, create_app, make_writer
from service.db import Database
from service.journal.tables import PrivateText
from service.plant.record import record_instrument, record_material, record_site
from service.plant.schemas import InstrumentIn, MaterialIn, SiteIn
from service.plant.statuses import MaterialForm, WasteClass
from service.settings import Settings
from service.unit_of_work import Writer

START = datetime(2026, 3, 9, 6, 0, tzinfo=UTC)
KEY = "test-key-of-the-first-actor"
SECOND_KEY = "test-key-of-the-second-actor"


@dataclass
class FrozenClock:
    """Stands still until it is moved."""

    moment: datetime = START

    def __call__(self) -> datetime:
        return self.moment

    def advance(self, **step: float) -> datetime:
        self.moment += timedelta(**step)
        return self.moment


@cache
def first_app(settings: Settings) -> Service:
    """The application without a database: what a request needs of its routes is worked out once, not in each test."""
    return create_app(settings, make_writer(Database("sqlite://")))


def app_on(writer: Writer) -> Service:
    """The application on one database; it shares its routes with those of other tests."""
    settings = Settings("", "https://trace.example.com")
    app = copy.copy(first_app(settings))
    app.middleware_stack = None
    app.state = State({"writer": writer, "settings": settings})
    return app


@dataclass
class Plant:
    """The plant under test: `post` and `get` go over HTTP, `writer` runs verbs directly.

    On an empty database its master data are recorded first; a copy of one where that was done is taken as it is.
    """

    database: Database
    clock: FrozenClock = field(default_factory=FrozenClock)
    _keys: Iterator[int] = field(default_factory=itertools.count)

    def __post_init__(self) -> None:
        with self.database.read() as session:
            texts = session.execute(select(func.count()).select_from(PrivateText)).scalar_one()
        salts = itertools.count(texts)
        self.writer = make_writer(self.database, clock=self.clock, salt=lambda: next(salts).to_bytes(16, "big"))
        self.app = app_on(self.writer)
        self.client = TestClient(self.app, raise_server_exceptions=False)
        if not texts:
            self._set_up()

    def _set_up(self) -> None:
        for name, key in (("first", KEY), ("second", SECOND_KEY)):
            self._take_on(name, key)
        self.run(record_site, SiteIn(code="MILL", name="Mill on the river", zone="Europe/Lisbon"))
        for code, form, waste_class in (
            ("PET-BALES", "bales", "post_consumer"),
            ("PET-LOOSE", "loose", "post_consumer"),
            ("FLAKE", "flake", "post_consumer"),
            ("PELLETS", "pellets", "post_consumer"),
            ("SIDE", "by_product", "post_consumer"),
            ("VIRGIN", "virgin", "none"),
            ("ADDITIVE", "additive", "none"),
        ):
            self.run(
                record_material,
                MaterialIn(
                    code=code,
                    name=code.title(),
                    form=MaterialForm(form),
                    polymer="PET",
                    colour="clear",
                    waste_class=WasteClass(waste_class),
                    food_candidate=form != "by_product",
                ),
            )
        # Class III, Max 60 t, e = 20 kg and a platform of 1.5 t, e = 0.5 kg.
        for code, kind, max_kg, e_kg in (
            ("BRIDGE", "weighbridge", "60000", "20"),
            ("PLATFORM", "platform", "1500", "0.5"),
        ):
            scale = {
                "site": "MILL",
                "code": code,
                "name": code.title(),
                "kind": kind,
                "accuracy_class": "III",
                "max_kg": max_kg,
                "e_kg": e_kg,
            }
            self.run(record_instrument, InstrumentIn.model_validate(scale))

    def _take_on(self, name: str, key: str) -> None:
        """Register a person and give him the key the tests show."""
        actor = self.writer.run(1, lambda entry: record_actor(entry, kind=ActorKind.PERSON, name=name))
        self.database.write(lambda session: give_key(session, actor_id=actor.id, now=self.clock(), key=key))

    def run(self, verb: Any, body: Any, actor_id: int = 1) -> Any:
        return self.writer.run(actor_id, lambda entry: verb(entry, body))

    def request(
        self, method: str, path: str, body: Any = None, *, key: str = KEY, idempotency_key: str | None = None
    ) -> Any:
        headers = {
            "Authorization": f"Bearer {key}",
            "Idempotency-Key": idempotency_key or f"test-{next(self._keys)}",
        }
        if isinstance(body, bytes):
            return self.client.request(
                method, path, content=body, headers=headers | {"Content-Type": "application/json"}
            )
        return self.client.request(method, path, json=body, headers=headers)

    def post(self, path: str, body: Any, *, status: int = 201, **more: Any) -> Any:
        """POST and give back the JSON; the status must be the expected one."""
        response = self.request("POST", path, body, **more)
        assert response.status_code == status, response.text
        return response.json()

    def get(self, path: str, *, status: int = 200) -> Any:
        response = self.client.get(path)
        assert response.status_code == status, response.text
        return response.json()
