"""Goal: a recall and a supplier's part in a lot can be asked at a terminal, and nothing is recorded by asking.

Method: the story of a bad bale (recall_story) in databases of both engines, with the commands run in this process.
"""

from __future__ import annotations

import csv
import io
import json

import pytest
from line_steps import at, load, made, opening, vessel
from plant_fixture import Plant
from recall_story import ask, flake, forward
from typer.testing import CliRunner, Result
from whole_database import everything_in

from service.cli import app
from service.settings import DATABASE_URL_VARIABLE


def run(plant: Plant, *arguments: str) -> Result:
    return CliRunner().invoke(app, arguments, env={DATABASE_URL_VARIABLE: plant.database.url})


def test_three_forms_say_the_same_and_nothing_is_recorded(plant: Plant) -> None:
    story = forward(plant)
    before, answer = everything_in(plant.database), ask(plant, f"lot={story.bale}")
    as_json = run(plant, "recall", "--lot", story.bale, "--format", "json")
    assert json.loads(as_json.stdout) == answer
    as_csv = run(plant, "recall", "--lot", story.bale, "--format", "csv")
    written = list(csv.DictReader(io.StringIO(as_csv.stdout, newline="")))
    assert [row["code"] for row in written if row["row"] != "vessel"] == [row["lot"] for row in answer["lots"]]
    sheet = run(plant, "recall", "--lot", story.bale).stdout
    assert f"lot {story.bale}: 6 lots may contain some of it, 2 of them here." in sheet
    assert "Complete 34210.000 kg, of which expected 358.699 kg." in sheet
    assert "SILO-1 was never proven empty since 2026-03-08 00:00 UTC" in sheet
    assert all(row["lot"] in sheet for row in answer["lots"])
    assert everything_in(plant.database) == before


def test_a_vessel_is_named_by_its_code_and_its_time(plant: Plant) -> None:
    story = forward(plant)
    result = run(plant, "recall", "--vessel", "SILO-1", "--from", at(5), "--to", at(6), "--format", "json")
    assert json.loads(result.stdout)["source"]["lots"] == [story.drawn]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "exactly one of"),
        (("--lot", "7F3K9QX2MA"), "check character"),
        (("--supplier", "NOBODY"), "list the partners"),
        (("--delivery", "12"), "no delivery 12"),
        (("--vessel", "SILO-X", "--from", at(1), "--to", at(2)), "no vessel 'SILO-X'"),
        (("--vessel", "SILO-1"), "from and to"),
        (("--vessel", "SILO-1", "--from", at(2), "--to", at(1)), "backwards"),
        (("--vessel", "SILO-1", "--from", "yesterday", "--to", at(1)), "--from 'yesterday' is no moment"),
        (("--lot", "7F3K9QX2MA", "--supplier", "NOBODY"), "lot and partner"),
    ],
)
def test_what_cannot_be_asked_is_refused_in_words(plant: Plant, arguments: tuple[str, ...], words: str) -> None:
    vessel(plant, "SILO-1")
    result = run(plant, "recall", *arguments)
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.startswith("Error: ")
    assert words in result.stderr


def test_how_much_of_a_supplier_is_in_a_lot(plant: Plant) -> None:
    for code, name in (("REED", "Reed Bank"), ("IDLE", "Idle Yard")):
        plant.post("/v1/partners", {"code": code, "name": name, "is_supplier": True, "country": "PT"})
    bad = load(plant, "REED", 1_000)
    lot = made(plant, "wash", {bad: None, load(plant, "Bright Quay", 3_000): None}, flake("3900"))
    answer = json.loads(run(plant, "trace", lot, "--supplier", "REED", "--format", "json").stdout)
    assert (answer["share"], answer["lots_that_may_be_in_it"]) == ("0.250000000000", [bad])
    assert (
        "expected share of Reed Bank: 0.250000000000 of its dry mass."
        in run(plant, "trace", lot, "--supplier", "REED").stdout
    )
    none = json.loads(run(plant, "trace", lot, "--supplier", "IDLE", "--format", "json").stdout)
    assert (none["share"], none["lots_that_may_be_in_it"]) == ("0.000000000000", [])
    old = opening(plant, "flake", "FLAKE", "10")
    assert run(plant, "trace", old, "--supplier", "NOBODY").exit_code == 1
    assert "two questions" in run(plant, "trace", lot, "--supplier", "REED", "--down").stderr
