"""Goal: residence data, stops and questions of time that cannot be are refused with status, code, field and remedy.

Method: tables of bad requests against a small plant on each engine; after each one every row of every table is
compared with what was there before (`refused.Gate`).
"""

from typing import Any

import pytest
from gate import at
from plant_fixture import Plant
from refused import Gate
from whole_database import everything_in

INVALID = (422, "invalid-request")
MINUTES = {"residence_min_s": 1500, "residence_mean_s": 2400, "residence_max_s": 3300}


@pytest.fixture
def gate(plant: Plant) -> Gate:
    line = {"site": "MILL", "code": "WASH-1", "name": "Wash", "kind": "wash_line", "capacity_kg": "8000"}
    plant.post("/v1/vessels", line | {"mixing": "first_in_first_out", "in_use_from": at(0)})
    return Gate(plant)


def line_of(gate: Gate) -> int:
    return next(int(row["id"]) for row in gate.plant.get("/v1/vessels") if row["code"] == "WASH-1")


def data(**more: Any) -> dict[str, Any]:
    return {"regime": "well_mixed", "source": "tracer test", "valid_from": at(1)} | more


def stood(start: float, end: float) -> dict[str, Any]:
    return {"start_at": at(start), "end_at": at(end), "note": "no compressed air"}


def test_the_requests_that_the_tables_spoil_are_good(gate: Gate) -> None:
    gate.plant.post(f"/v1/vessels/{gate.vessel}/residence", data())
    gate.plant.post(f"/v1/vessels/{gate.vessel}/stops", stood(1, 2))
    with pytest.raises(AssertionError):
        gate.is_unchanged()


CONTRADICTIONS: tuple[tuple[dict[str, Any], str], ...] = (
    ({"regime": "run_mixed"}, "/regime"),
    ({"regime": "funnel"}, "/regime"),
    ({"tanks": 3}, "/tanks"),
    ({"regime": "plug_flow", "spread_fraction": "0.1", "tanks": 3}, "/tanks"),
    ({"regime": "tanks_in_series"}, "/tanks"),
    ({"regime": "tanks_in_series", "tanks": 0}, "/tanks"),
    ({"regime": "tanks_in_series", "tanks": 51}, "/tanks"),
    ({"regime": "tanks_in_series", "tanks": 2.5}, "/tanks"),
    ({"spread_fraction": "0.1"}, "/spread_fraction"),
    ({"regime": "plug_flow", "spread_fraction": "1.1"}, "/spread_fraction"),
    ({"regime": "plug_flow", "spread_fraction": "-0.1"}, "/spread_fraction"),
    ({"hold_up_kg": "0"}, "/hold_up_kg"),
    ({"hold_up_kg": "-1"}, "/hold_up_kg"),
    ({"residence_min_s": 3600, "residence_max_s": 1800}, "/residence_min_s"),
    ({"residence_min_s": 3600}, "/residence_max_s"),
    ({"residence_max_s": 3600}, "/residence_max_s"),
    ({"residence_min_s": -1, "residence_max_s": 3600}, "/residence_min_s"),
    (MINUTES | {"residence_mean_s": 1499}, "/residence_mean_s"),
    (MINUTES | {"residence_mean_s": 3301}, "/residence_mean_s"),
    ({"residence_mean_s": 60}, "/residence_mean_s"),
    ({"report_sha256": "no digest"}, "/report_sha256"),
    ({"source": ""}, "/source"),
    ({"valid_to": at(1)}, "/valid_to"),
    ({"valid_from": "2026-10-25T02:30:00"}, "/valid_from"),  # twice in that night where clocks go back
)


def test_residence_data_that_contradict_themselves(gate: Gate) -> None:
    for spoiled, pointer in CONTRADICTIONS:
        gate.refuses(f"/v1/vessels/{gate.vessel}/residence", data(**spoiled), *INVALID, pointer)


def test_residence_data_that_do_not_fit_their_vessel(gate: Gate) -> None:
    refused = (422, "residence-refused")
    gate.refuses(f"/v1/vessels/{line_of(gate)}/residence", data(), *refused, "/residence_min_s")
    plug = data(regime="plug_flow")
    gate.refuses(f"/v1/vessels/{gate.vessel}/residence", plug, *refused, "/spread_fraction")
    ended = data(valid_from=at(-9), valid_to=at(0))
    gate.refuses(f"/v1/vessels/{gate.vessel}/residence", ended, *refused, "/valid_to")
    gate.refuses("/v1/vessels/77/residence", data(), 404, "vessel-not-found")


# What stands: from 1 to 2 o'clock, and from 3 o'clock on.
OVERLAPS = ((0, 1.5), (1, 2), (1.2, 1.8), (1.5, 2.5), (0, None), (2.5, 3.5), (3, 4), (3.5, 4), (3, None), (1, None))


def test_residence_data_that_hold_at_the_same_time(gate: Gate) -> None:
    path = f"/v1/vessels/{gate.vessel}/residence"
    gate.plant.post(path, data(valid_to=at(2)))
    gate.plant.post(path, data(valid_from=at(3)))
    gate.before = everything_in(gate.plant.database)
    for begin, end in OVERLAPS:
        body = data(valid_from=at(begin), valid_to=None if end is None else at(end))
        gate.refuses(path, body, 409, "residence-overlaps", "/valid_from")
    gate.plant.post(path, data(valid_from=at(2), valid_to=at(3)))  # between the two


def test_new_data_end_those_that_had_no_end(gate: Gate) -> None:
    path = f"/v1/vessels/{gate.vessel}/residence"
    first = gate.plant.post(path, data())
    gate.plant.post(path, data(valid_from=at(3), regime="first_in_first_out"))
    [ended, going_on] = gate.plant.get(path)
    assert (ended["id"], ended["version"], ended["valid_to"]) == (first["id"], 2, going_on["valid_from"])
    assert going_on["valid_to"] is None


def test_corrections_of_residence_data(gate: Gate) -> None:
    path = f"/v1/vessels/{gate.vessel}/residence"
    first = gate.plant.post(path, data(valid_to=at(2)))["id"]
    second = gate.plant.post(path, data(valid_from=at(2)))["id"]
    gate.before = everything_in(gate.plant.database)
    corrected = f"{path}/{first}/corrections"
    stated = data(valid_to=at(3))
    overlapping = {"reason": "wrong date", "stated": stated}
    gate.refuses(corrected, overlapping, 409, "residence-overlaps", "/valid_from")
    gate.refuses(corrected, {"reason": "nothing said"}, *INVALID, "/withdraw")
    both = {"reason": "both said", "withdraw": True, "stated": stated}
    gate.refuses(corrected, both, *INVALID, "/withdraw")
    gate.refuses(corrected, {"withdraw": True}, *INVALID, "/reason")
    nonsense = {"reason": "wrong", "stated": stated | {"residence_min_s": 2, "residence_max_s": 1}}
    gate.refuses(corrected, nonsense, *INVALID, "/stated/residence_min_s")
    withdrawal = {"reason": "of another vessel", "withdraw": True}
    gate.refuses(f"/v1/vessels/{line_of(gate)}/residence/{first}/corrections", withdrawal, 404, "residence-not-found")
    gate.refuses(f"{path}/{gate.run}/corrections", withdrawal, 404, "residence-not-found")
    gate.plant.post(f"{path}/{second}/corrections", withdrawal)
    gate.before = everything_in(gate.plant.database)
    gate.refuses(f"{path}/{second}/corrections", withdrawal, 409, "residence-withdrawn")


def test_stops_that_cannot_have_been(gate: Gate) -> None:
    path = f"/v1/vessels/{gate.vessel}/stops"
    gate.refuses(path, stood(2, 2), *INVALID, "/end_at")
    gate.refuses(path, stood(2, 1), *INVALID, "/end_at")
    gate.refuses(path, stood(-1, 1), 422, "stop-refused", "/start_at")
    gate.refuses(path, stood(5, 9), 422, "stop-refused", "/end_at")
    gate.refuses(path, stood(1, 2) | {"note": ""}, *INVALID, "/note")
    gate.refuses(path, stood(1, 2) | {"start_at": "2026-03-09T01:00:00"}, *INVALID, "/start_at")
    gate.refuses("/v1/vessels/77/stops", stood(1, 2), 404, "vessel-not-found")
    first = gate.plant.post(path, stood(1, 2))["id"]
    second = gate.plant.post(path, stood(2, 3))["id"]  # half-open: one may follow the other
    gate.before = everything_in(gate.plant.database)
    for begin, end in ((0.5, 1.5), (1, 2), (1.2, 1.4), (0, 4), (2.5, 3.5)):
        gate.refuses(path, stood(begin, end), 409, "stop-overlaps", "/start_at")
    corrected = f"{path}/{first}/corrections"
    gate.refuses(corrected, {"reason": "later", "end_at": at(2.5)}, 409, "stop-overlaps", "/start_at")
    gate.refuses(corrected, {"reason": "later", "end_at": at(0.5)}, 422, "stop-refused", "/end_at")
    gate.refuses(corrected, {"reason": "nothing said"}, *INVALID, "/withdraw")
    gate.refuses(f"{path}/{gate.run}/corrections", {"reason": "other", "withdraw": True}, 404, "stop-not-found")
    gate.plant.post(f"{path}/{second}/corrections", {"reason": "never was", "withdraw": True})
    gate.before = everything_in(gate.plant.database)
    again = {"reason": "never was", "withdraw": True}
    gate.refuses(f"{path}/{second}/corrections", again, 409, "stop-withdrawn")
    assert gate.plant.post(corrected, {"reason": "later", "end_at": at(2.5)})["version"] == 2


def test_a_stop_in_which_mass_is_booked_says_so(gate: Gate) -> None:
    charge = {"lot": gate.lot, "amount": "whole", "start_at": at(1.5)}
    gate.plant.post(f"/v1/vessels/{gate.vessel}/charges", charge)
    stop = gate.plant.post(f"/v1/vessels/{gate.vessel}/stops", stood(1, 2))
    assert stop["warnings"] == ["Mass is booked within the stop (lines: 1): check their times, or the stop's."]


def test_a_draw_before_the_vessel_was_in_use(gate: Gate) -> None:
    draw = {"kind": "flake", "material": "FLAKE", "mass_kg": "10", "start_at": at(-1)}
    gate.refuses(f"/v1/vessels/{gate.vessel}/draws", draw, 404, "vessel-not-in-use")
    nothing = draw | {"start_at": at(1), "mass_kg": "0"}
    gate.refuses(f"/v1/vessels/{gate.vessel}/draws", nothing, *INVALID, "/mass_kg")


def test_a_line_as_a_whole_is_no_vessel(gate: Gate) -> None:
    charge = {"lot": gate.lot, "amount": "whole", "start_at": at(1)}
    draw = {"kind": "flake", "material": "FLAKE", "mass_kg": "10", "start_at": at(1)}
    line = f"/v1/vessels/{line_of(gate)}"
    gate.refuses(f"{line}/charges", charge, 409, "line-has-runs")
    gate.refuses(f"{line}/draws", draw, 409, "line-has-runs")
    gate.refuses(f"{line}/proven-empty", {"at": at(1), "note": "looked in"}, 409, "line-has-runs")


def test_runs_go_over_lines_of_their_own_site(gate: Gate) -> None:
    plant = gate.plant
    run = {"site": "MILL", "step": "wash", "started_at": at(1)}
    gate.refuses("/v1/runs", run | {"equipment": "NO"}, 422, "run-refused", "/equipment")
    gate.refuses("/v1/runs", run | {"equipment": "BAY"}, 422, "run-refused", "/equipment")
    plant.post("/v1/sites", {"code": "OTHER", "name": "Other mill", "zone": "Europe/Lisbon"})
    gate.before = everything_in(gate.plant.database)
    gate.refuses("/v1/runs", run | {"site": "OTHER", "equipment": "WASH-1"}, 422, "run-refused", "/equipment")
    assert plant.post("/v1/runs", run | {"equipment": "WASH-1"})["equipment"] == "WASH-1"
    assert plant.post("/v1/runs", run)["equipment"] is None


def test_figures_of_a_regime_come_with_residence_data_only(gate: Gate) -> None:
    body = {"site": "MILL", "code": "TOWER", "name": "Tower", "kind": "reactor", "capacity_kg": "60000"}
    for mixing in ("plug_flow", "tanks_in_series", "run_mixed"):
        gate.refuses("/v1/vessels", body | {"mixing": mixing, "in_use_from": at(0)}, *INVALID, "/mixing")
