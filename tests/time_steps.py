"""Steps in which time decides: residence data, stops, windows, and runs that go over a line."""

from datetime import datetime
from typing import Any

from line_steps import at, opening, out
from plant_fixture import Plant

REPORT = "cd" * 32


def clock(text: str, day: int = 0) -> str:
    """A time of the test day as on the clock of the plant's log, '09:05'; `day` counts days after it."""
    hours, minutes = text.split(":")
    return at(24 * day + int(hours) + int(minutes) / 60)


def hour_of(answered: str) -> str:
    """Day, hour and minute of an answered moment, '03-08 09:05'; the rest must be nought."""
    moment = datetime.fromisoformat(answered)
    assert (moment.second, moment.microsecond) == (0, 0), answered
    return moment.strftime("%m-%d %H:%M")


def residence(plant: Plant, vessel: int, regime: str, *, status: int = 201, **more: Any) -> Any:
    """State residence data from the beginning of the test day on, unless told otherwise."""
    body = {"regime": regime, "source": "tracer test of the works", "valid_from": at(0)}
    return plant.post(f"/v1/vessels/{vessel}/residence", body | more, status=status)


def stop(plant: Plant, vessel: int, start_at: str, end_at: str, *, status: int = 201) -> Any:
    body = {"start_at": start_at, "end_at": end_at, "note": "no compressed air"}
    return plant.post(f"/v1/vessels/{vessel}/stops", body, status=status)


def run_over(plant: Plant, line: str, started_at: str, **more: Any) -> int:
    body = {"site": "MILL", "step": "wash", "equipment": line, "started_at": started_at}
    return int(plant.post("/v1/runs", body | more)["id"])


def fed(plant: Plant, run: int, start_at: str, end_at: str, kg: str = "1000") -> str:
    """Feed a new lot between two times; gives its code."""
    lot = opening(plant, "bale", "PET-BALES", kg)
    feed_lot(plant, run, lot, start_at, end_at)
    return lot


def feed_lot(plant: Plant, run: int, lot: str, start_at: str, end_at: str) -> None:
    feed = {"lot": lot, "amount": "whole", "start_at": start_at, "end_at": end_at}
    plant.post(f"/v1/runs/{run}/feeds", {"feeds": [feed]})


def bag(plant: Plant, run: int, start_at: str, end_at: str, kg: str = "1000", into: str | None = None) -> str:
    """Fill a bag between two times, or go on filling one; gives its code."""
    one = out("flake", "FLAKE", "product", "clear_flake", kg) | {"start_at": start_at, "end_at": end_at}
    if into:
        one["into_lot"] = into
    answer = plant.post(f"/v1/runs/{run}/discharges", {"discharges": [one]})
    lines = [line for line in answer["lines"] if line["direction"] == "out"]
    return into or str(max(lines, key=lambda line: line["id"])["lot"])


def charge_over(plant: Plant, vessel: int, lot: str, start_at: str, end_at: str) -> Any:
    body = {"lot": lot, "amount": "whole", "start_at": start_at, "end_at": end_at}
    return plant.post(f"/v1/vessels/{vessel}/charges", body)


def draw_over(plant: Plant, vessel: int, kg: str, start_at: str, end_at: str) -> str:
    body = {"kind": "pellets", "material": "PELLETS", "mass_kg": kg, "moisture_fraction": "0"}
    answer = plant.post(f"/v1/vessels/{vessel}/draws", body | {"start_at": start_at, "end_at": end_at})
    return str(answer["drawn_lot"])


def asked(plant: Plant, vessel: int, question: str, from_at: str, to_at: str, known_at: str = "") -> Any:
    """The answer to a question of time about a vessel: `entry-window` or `suspect-discharge`."""
    parameters = {"from": from_at, "to": to_at} | ({"known_at": known_at} if known_at else {})
    response = plant.client.get(f"/v1/vessels/{vessel}/{question}", params=parameters)
    assert response.status_code == 200, response.text
    return response.json()
