"""The list of a recall as a file: the rows of the answer, to RFC 4180, and nothing a spreadsheet would run.

Method: read back with Python's own reader. Source of the dangerous first characters: OWASP, "CSV Injection".
"""

from __future__ import annotations

import csv
import io

import pytest
from line_steps import at, close, feed
from plant_fixture import Plant
from recall_story import Story, ask, forward


def shipped(plant: Plant, note: str) -> tuple[Story, list[dict[str, str]], bytes]:
    """The bad bale's story with 1,000 kg of PL2 shipped under a note; the file's rows and its bytes."""
    story = forward(plant)
    body = {"site": "MILL", "step": "shipping", "started_at": at(8), "note": note}
    gate = plant.post("/v1/runs", body)["id"]
    feed(plant, gate, story.pl2, "1000", start_at=at(9))
    close(plant, gate, hour=10)
    response = plant.client.get(f"/v1/recall.csv?lot={story.bale}")
    assert response.headers["content-type"] == "text/csv; charset=utf-8"
    return story, list(csv.DictReader(io.StringIO(response.content.decode(), newline=""))), response.content


def test_the_file_has_the_rows_of_the_answer(plant: Plant) -> None:
    story, found, content = shipped(plant, "truck 7, gate 2")
    answer = ask(plant, f"lot={story.bale}")
    lots = {row["code"]: row for row in found if row["row"] in ("lot", "source")}
    assert list(lots) == [row["lot"] for row in answer["lots"]]
    for row in answer["lots"]:
        written = lots[row["lot"]]
        assert (written["mass_kg"], written["on_site_kg"], written["shipped_kg"], written["share"]) == (
            row["mass_kg"], row["on_hand_kg"], row["shipped_kg"], row["share"],
        )  # fmt: skip
    assert lots[story.bale]["row"] == "source"
    [gone] = [row for row in found if row["row"] == "departure"]
    assert (gone["code"], gone["mass_kg"], gone["left_at"], gone["note"]) == (
        story.pl2, "1000.000", "2026-03-08T10:00:00.000000Z", "truck 7, gate 2",
    )  # fmt: skip
    [silo] = [row for row in found if row["row"] == "vessel"]
    assert (silo["code"], silo["on_site_kg"]) == ("SILO-1", "2000.000")
    assert content.endswith(b"\r\n")
    assert b"\n" not in content.replace(b"\r\n", b"")


@pytest.mark.parametrize("first", ["=", "+", "-", "@"])
def test_no_cell_is_run_as_a_formula(plant: Plant, first: str) -> None:
    formula = f'{first}HYPERLINK("http://example.invalid","x")'
    _, found, _ = shipped(plant, formula)
    [gone] = [row for row in found if row["row"] == "departure"]
    assert gone["note"] == f"'{formula}"
    assert not any(cell.startswith(("=", "+", "-", "@")) for row in found for cell in row.values())


def test_what_has_commas_quotes_and_breaks_comes_back_as_it_was(plant: Plant) -> None:
    _, found, _ = shipped(plant, 'for "Müller", hall 3\nsecond line')
    [gone] = [row for row in found if row["row"] == "departure"]
    assert gone["note"] == 'for "Müller", hall 3\nsecond line'


def test_a_list_of_nothing_has_its_heads(plant: Plant) -> None:
    plant.post("/v1/partners", {"code": "REED", "name": "Reed Bank", "is_supplier": True, "country": "PT"})
    response = plant.client.get("/v1/recall.csv?partner=REED")
    assert (response.status_code, response.text.count("\r\n")) == (200, 1)
    assert response.text.startswith("row,code,kind")
