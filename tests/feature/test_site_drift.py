"""Goal: small losses that no single day gives away are called out by their running sum, at a stated price.

Method: a wash of 1,000 kg a day that loses a little, each from its own lot, own moisture sample and own readings. Each
day is within its tolerance and within its doubt. The figures of the sums are worked out again here.
"""

from fractions import Fraction
from itertools import accumulate
from typing import Any

import pytest
from line_steps import at, close, discharge, feed, opening, out, start
from plant_fixture import Plant

DAYS = 8


def washes(plant: Plant, kg_out: list[str]) -> Any:
    """A wash a day, the last on the day before yesterday; the balance of these days."""
    for place, kg in enumerate(kg_out):
        hour = 24.0 * (place - len(kg_out))
        lot = opening(plant, "loose", "PET-LOOSE", "1000", "0.05", found_at=at(hour + 1))
        run = start(plant, "wash", hour + 2)
        feed(plant, run, lot, start_at=at(hour + 3))
        product = out("flake", "FLAKE", "product", "clear_flake", kg, "0.01", hour + 4)
        discharge(plant, run, product | {"instrument": "PLATFORM"})
        close(plant, run, hour=hour + 5)
    site = next(site for site in plant.get("/v1/sites") if site["code"] == "MILL")
    asked = f"period=span&from={at(-24.0 * len(kg_out))}&to={at(0)}".replace("+", "%2B")
    return plant.get(f"/v1/sites/{site['id']}/balance?{asked}")


def test_what_no_day_gives_away_their_sum_does(plant: Plant) -> None:
    balance = washes(plant, ["940"] * DAYS)
    days = [part["steps"]["wash"] for part in balance["parts"] if "wash" in part["steps"]]
    assert [day["verdict"] for day in days if day["of_dry_kg"] != "0.000000000"] == ["closes"] * DAYS
    assert not any(day["is_beyond_doubt"] for day in days)
    [drift] = [one for one in balance["drift"] if one["step"] == "wash"]
    assert (drift["slack"], drift["decision"], drift["run_length"]) == ("0.50", "5.00", "465")
    assert [alarm["side"] for alarm in drift["alarms"]] == ["loss"]
    # Each day is off by about 1.45 standard uncertainties, so the sixth takes the sum of their surplus above five.
    assert drift["alarms"][0]["part"] == balance["parts"][5]["label"]
    assert balance["parts"][5]["label"] < balance["parts"][-1]["label"]
    assert any(sentence.startswith("Wash drifts towards loss") for sentence in balance["signals"])


def test_the_sums_are_those_of_the_days_own_figures(plant: Plant) -> None:
    """Readings, samples and lots are the days' own; what they share (a span, an unstated habit) is small beside."""
    balance = washes(plant, ["940", "975", "950", "945", "941", "940", "960", "950"])
    [drift] = [one for one in balance["drift"] if one["step"] == "wash"]
    days = [part["steps"]["wash"] for part in balance["parts"]]
    standardised = [
        2 * float(Fraction(day["unexplained_dry_kg"]) / Fraction(day["u95_dry_kg"]))
        for day in days
        if day["of_dry_kg"] != "0.000000000"
    ]
    expected = list(accumulate(standardised, lambda total, z: max(0.0, total + z - 0.5), initial=0.0))[1:]
    assert [float(one) for one in drift["loss"]] == pytest.approx(expected, rel=0.05, abs=0.05)
    assert drift["alarms"] == []
