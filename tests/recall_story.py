"""A bale found bad after it went through a silo and a mixed run, for the tests of recalls; all masses are dry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from line_steps import at, charge, close, discharge, draw, feed, made, opening, out, start, vessel
from plant_fixture import Plant

CAUSE = "supplier reports a canister of solvent"


def flake(kg: str) -> dict[str, Any]:
    return out("flake", "FLAKE", "product", "clear_flake", kg)


def pellets(kg: str, hour: float = 7) -> dict[str, Any]:
    return out("pellets", "PELLETS", "product", "pellets", kg, hour=hour)


@dataclass
class Story:
    """A bale of 520 kg in a wash of 20,600; FL1 of 9,000 on 4,000 in a silo, 11,000 drawn and made into PL1;
    FL2 of 5,210 with 16,000 others made into PL2."""

    bale: str
    fl1: str
    fl2: str
    drawn: str
    pl1: str
    pl2: str
    silo: int


def forward(plant: Plant) -> Story:
    bale = opening(plant, "bale", "PET-BALES", "520")
    run = start(plant, "wash")
    feed(plant, run, bale)
    feed(plant, run, opening(plant, "loose", "PET-LOOSE", "20080"))
    fl1, fl2 = discharge(plant, run, flake("9000"), flake("5210"))
    close(plant, run)
    silo = vessel(plant, "SILO-1")
    charge(plant, silo, opening(plant, "flake", "FLAKE", "4000"), 1)
    charge(plant, silo, fl1, 4)
    drawn = draw(plant, silo, "11000", 5)
    pl1 = made(plant, "extrusion", {drawn: None}, pellets("11000"), hour=6)
    pl2 = made(plant, "extrusion", {fl2: None, opening(plant, "flake", "FLAKE", "16000"): None}, pellets("21210"), 6)
    return Story(bale, fl1, fl2, drawn, pl1, pl2, silo)


def ask(plant: Plant, query: str, **more: Any) -> Any:
    return plant.get(f"/v1/recall?{query}", **more)


def rows(answer: Any) -> dict[str, Any]:
    return {row["lot"]: row for row in answer["lots"]}


def percent(row: Any) -> float:
    return round(float(row["share"]) * 100, 2)


def window(begin: float, end: float) -> str:
    """The time of a vessel, in hours of the day before, as a query."""
    return f"from={at(begin)}&to={at(end)}".replace("+", "%2B")
