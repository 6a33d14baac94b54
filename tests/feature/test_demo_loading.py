"""Goal: what can go wrong while a demo is loaded is refused in words, and a broken-off load goes on.

Method: short weeks written for the purpose, or the first events of the real one, on a fresh database.
"""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from plant_fixture import Plant
from sqlalchemy import func, select
from sqlmodel import col

from service.app import create_app
from service.cli import register_installation
from service.db import Database, bundled
from service.demo.answers import Answers
from service.demo.load import FILES, load_demo
from service.demo.operations import OPERATIONS, PERSON
from service.errors import BadRequest, Conflict, NotFound
from service.journal.tables import JournalHead
from service.settings import Settings

EVENTS = 75  # the plant, and the first trucks


@pytest.fixture
def beginning(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the plant and the beginning of the week, in the place of the whole."""
    folder = tmp_path / "seed_data"
    folder.mkdir()
    plant, week = (json.loads((bundled("seed_data") / name).read_text(encoding="utf-8")) for name in FILES)
    week["events"] = week["events"][: EVENTS - len(plant["events"])]
    week["worth_tracing"] = "$t1.bales[0].code"
    for name, content in zip(FILES, (plant, week), strict=True):
        (folder / name).write_text(json.dumps(content), encoding="utf-8")
    monkeypatch.setattr("service.demo.load.bundled", lambda name: tmp_path / name)
    return folder


def with_last_event(folder: Path, **changes: Any) -> None:
    file = folder / "week.json"
    week = json.loads(file.read_text(encoding="utf-8"))
    week["events"][-1] |= changes
    file.write_text(json.dumps(week), encoding="utf-8")


def journal_size(database: Database) -> int:
    with database.read() as session:
        return int(session.execute(select(func.coalesce(func.sum(col(JournalHead.size)), 0))).scalar_one())


@pytest.mark.usefixtures("beginning")
def test_a_load_that_broke_off_goes_on(database_url: str):
    class PowerCut(Exception):
        pass

    def cut(done: int, total: int) -> None:
        if done == 60:
            raise PowerCut

    database = Database(database_url)
    with pytest.raises(PowerCut):
        load_demo(database, register_installation, cut)
    assert journal_size(database) == 61
    resumed = load_demo(database, register_installation)
    assert (resumed.events, resumed.recorded) == (EVENTS, EVENTS - 60)
    assert journal_size(database) == EVENTS + 1
    assert resumed.visitor_key is not None
    again = load_demo(database, register_installation)
    assert (again.recorded, again.visitor_key, again.lot_code) == (0, None, resumed.lot_code)
    assert journal_size(database) == EVENTS + 1
    database.close()


def test_a_database_with_another_plant_is_left_alone(plant: Plant):
    size = journal_size(plant.database)
    with pytest.raises(Conflict, match="MILL"):
        load_demo(plant.database, register_installation)
    assert journal_size(plant.database) == size


STRANGE_SITE = {"site": "NOWHERE", "step": "wash", "started_at": "2026-09-07T08:00+02:00"}
BAD_EVENTS: list[tuple[dict[str, Any], type[Exception], tuple[str, ...]]] = [
    ({"do": "open_delivery", "body": {"site": "X"}}, BadRequest, ("Event 75", "open_delivery", "/material")),
    ({"do": "start_run", "body": STRANGE_SITE}, NotFound, ("Event 75", "NOWHERE")),
    ({"on": "$t99.id"}, BadRequest, ("Event 75", "$t99.id")),
    ({"by": "nobody"}, BadRequest, ("Event 75", "$nobody.id")),
]


@pytest.mark.parametrize(("changes", "fault", "words"), BAD_EVENTS)
def test_a_bad_event_is_named(
    beginning: Path, database_url: str, changes: dict[str, Any], fault: type[Exception], words: tuple[str, ...]
):
    with_last_event(beginning, **changes)
    database = Database(database_url)
    with pytest.raises(fault) as caught:
        load_demo(database, register_installation)
    assert all(word in str(caught.value) for word in words), str(caught.value)
    assert journal_size(database) == EVENTS  # the installation and all events but the last
    database.close()


def test_an_event_that_does_something_unknown_is_refused(beginning: Path, database_url: str):
    with_last_event(beginning, do="invent_mass")
    database = Database(database_url)
    with pytest.raises(BadRequest, match="no operation 'invent_mass'"):
        load_demo(database, register_installation)
    assert journal_size(database) == 0
    database.close()


def test_references_point_into_earlier_answers():
    answers = Answers()
    lines = [
        {"direction": way, "lot": lot}
        for way, lot in (("in", "A"), ("out", "B"), ("out", None), ("out", "B"), ("out", "C"))
    ]
    answers.keep("run", json.dumps({"id": 7, "lines": lines}).encode())
    body = {"lots": ["$run.lots[0]", "$run.lots[1]"], "run": "$run.id", "third": "$run.outs[2].lot", "price": "5 $"}
    assert answers.resolved(body) == {"lots": ["B", "C"], "run": 7, "third": "B", "price": "5 $"}
    for unresolved in ("$run.lots[2]", "$run.nothing", "$other.id", "$run.id.more", "$RUN"):
        with pytest.raises(BadRequest, match=re.escape(unresolved)):
            answers.resolved({"x": unresolved})


def test_every_operation_is_a_route_with_the_same_model():
    paths = create_app(Settings("sqlite://", "http://127.0.0.1:8000")).openapi()["paths"]
    models = {}
    for path, operations in paths.items():
        if "post" in operations:
            content = operations["post"].get("requestBody", {}).get("content", {})
            schema = content.get("application/json", {}).get("schema", {}).get("$ref", "/None")
            models[re.sub(r"\{[a-z_]+\}", "{on}", path, count=1)] = schema.rsplit("/", 1)[1]
    for name, operation in OPERATIONS.items():
        if name != PERSON:  # people are registered on the command line, not over HTTP
            given = "None" if operation.body is None else operation.body.__name__
            assert models[operation.path] == given, name
