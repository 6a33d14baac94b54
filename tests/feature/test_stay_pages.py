"""Goal: the page of a vessel says how long material stays, who says so, and what follows where nobody does.

Method: facts go in over the interface, the pages are read over HTTP on both engines.
"""

from typing import Any

import pytest
from line_steps import at, charge, opening, vessel
from page_client import PageClient
from plant_fixture import Plant
from time_steps import REPORT, residence, stop


@pytest.fixture
def person(plant: Plant) -> PageClient:
    return PageClient(plant)


def test_a_vessel_without_residence_data_says_what_follows(plant: Plant, person: PageClient) -> None:
    silo = vessel(plant, "SILO-1", "first_in_first_out")
    page = person.get(f"/floor/vessels/{silo}")
    assert "No residence data. What may be in a draw is the worst case" in page.text
    assert "first in, first out, not proven" in page.text


def test_a_vessel_shows_its_residence_data_and_stops(plant: Plant, person: PageClient) -> None:
    tower = vessel(plant, "TOWER", kind="reactor")
    charge(plant, tower, opening(plant, "flake", "FLAKE", "1000"), 1)
    times = {"residence_min_s": 64_800, "residence_mean_s": 72_000, "residence_max_s": 79_200}
    figures: dict[str, Any] = {"spread_fraction": "0.1", "hold_up_kg": "30000", "report_sha256": REPORT}
    residence(plant, tower, "plug_flow", **times, **figures, source="tracer test <b>green</b>")
    stop(plant, tower, at(2), at(3.5))
    page = person.get(f"/floor/vessels/{tower}")
    for words in (
        "Regime plug flow",
        "In force from 2026-03-08 00:00 on",
        "Stays 18 h to 22 h, usually 20 h",
        "Spread of the hold-up 10 % to either side",
        "Hold-up, dry 30000 kg",
        "Who says so tracer test <b>green</b>",
        f"Report sha256 {REPORT[:16]}",
        "2026-03-08 02:00–03:30: no compressed air",
    ):
        assert words in page.text, page.text
    assert "<b>green" not in page.html
    assert "Its content counts as" not in page.text


def test_a_line_offers_nothing_that_only_a_vessel_takes(plant: Plant, person: PageClient) -> None:
    line = vessel(plant, "WASH-1", kind="wash_line")
    residence(plant, line, "tanks_in_series", tanks=3, residence_min_s=1_500, residence_max_s=3_330)
    page = person.get(f"/floor/vessels/{line}")
    assert "its runs feed and discharge it" in page.text
    assert "Stays 25 min to 55 min 30 s" in page.text
    assert "Regime stirred tanks in series, 3 of them" in page.text
    assert "Report none: what may be in it is not narrowed" in page.text
    assert not any(form.action.startswith("/floor/vessels/") for form in page.forms)
    assert "a line: see its runs" in person.get("/floor").text
