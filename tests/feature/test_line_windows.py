"""Time windows through a line: what is in a bag follows the clock, not the run it was booked on.

Method: the overlapping wash of the acceptance scenarios (residence 25 to 55 minutes; feeds A 08:30-08:55,
B 08:55-09:20, C 09:20-09:50, D 09:50-10:10, E 10:10-10:30; a bag filled 10:00-10:40) is booked over HTTP on
successive runs. By hand: fed between 10:00 - 55 min = 09:05 and 10:40 - 25 min = 10:15, so B, C, D and E.
"""

import random
from functools import partial
from typing import Any

import pytest
from gate import stamp
from line_steps import at, shares, trace, vessel
from plant_fixture import START, Plant
from time_steps import REPORT, asked, bag, clock, fed, feed_lot, hour_of, residence, run_over, stop

MINUTES: dict[str, Any] = {"residence_min_s": 25 * 60, "residence_max_s": 55 * 60}
TIMES = {
    "A": ("08:30", "08:55"),
    "B": ("08:55", "09:20"),
    "C": ("09:20", "09:50"),
    "D": ("09:50", "10:10"),
    "E": ("10:10", "10:30"),
}
# The bag is of run 2. A was booked on run 2 as well, though it had left the line before; E went to run 3.
RUN_OF = {"A": 2, "B": 1, "C": 2, "D": 2, "E": 3}
BEGUN = {1: "08:20", 2: "08:25", 3: "10:05"}
REPORTED: dict[str, Any] = MINUTES | {"report_sha256": REPORT}


def line_of(plant: Plant, code: str = "WASH-1") -> int:
    return vessel(plant, code, "first_in_first_out", kind="wash_line", capacity_kg="8000")


def washed(plant: Plant, code: str = "WASH-1") -> tuple[dict[str, str], str]:
    """The five feeds and the bag; gives lots by letter, and the bag."""
    runs = {number: run_over(plant, code, clock(time)) for number, time in BEGUN.items()}
    lots = {name: fed(plant, runs[RUN_OF[name]], *map(clock, TIMES[name])) for name in TIMES}
    return lots, bag(plant, runs[2], clock("10:00"), clock("10:40"))


def contained(plant: Plant, lots: dict[str, str], lot: str, query: str = "") -> str:
    """Letters of the feeds a lot may contain."""
    found = plant.get(f"/v1/lots/{lot}/trace{query}")["may_contain"]
    return "".join(name for name, code in lots.items() if code in found)


def reaches(plant: Plant, lots: dict[str, str], lot: str) -> str:
    """Letters of the feeds that say of themselves that they may be in a lot."""

    def is_in(code: str) -> bool:
        return lot in {row["lot"] for row in plant.get(f"/v1/lots/{code}/descendants")["affected"]}

    return "".join(name for name, code in lots.items() if is_in(code))


def test_with_a_report_the_window_decides_over_all_runs_of_the_line(plant: Plant) -> None:
    line = line_of(plant)
    residence(plant, line, "plug_flow", **REPORTED)
    lots, filled = washed(plant)
    window = asked(plant, line, "entry-window", clock("10:00"), clock("10:40"))
    assert [hour_of(window[name]) for name in ("entered_from", "entered_to")] == ["03-08 09:05", "03-08 10:15"]
    assert window["worst_case_only"] is False
    assert REPORT in window["basis"]
    assert contained(plant, lots, filled) == "BCDE"
    assert reaches(plant, lots, filled) == "BCDE"
    expected = shares(plant, filled)
    assert set(expected) == {lots[name] for name in "BCDE"}
    assert sum(expected.values()) == pytest.approx(1, abs=1e-11)
    # In the middle of the window every minute counts in full: all of C (30 minutes of feeding) outweighs B's
    # last quarter of an hour at its edge.
    assert expected[lots["C"]] > expected[lots["D"]] > expected[lots["B"]]


def test_without_a_report_the_feeds_of_its_own_run_stay_possible(plant: Plant) -> None:
    line = line_of(plant)
    residence(plant, line, "plug_flow", **MINUTES)
    lots, filled = washed(plant)
    assert contained(plant, lots, filled) == reaches(plant, lots, filled) == "ABCDE"
    assert lots["A"] not in shares(plant, filled)  # expected by the window all the same
    window = asked(plant, line, "entry-window", clock("10:00"), clock("10:40"))
    assert hour_of(window["entered_from"]) == "03-08 08:30"
    assert hour_of(window["expected_from"]) == "03-08 09:05"
    assert window["worst_case_only"] is True
    assert "no report supports them" in window["basis"]


def test_without_residence_data_a_run_mixes_all_it_was_fed(plant: Plant) -> None:
    line = line_of(plant)
    lots, filled = washed(plant)
    assert contained(plant, lots, filled) == reaches(plant, lots, filled) == "ACD"
    window = asked(plant, line, "entry-window", clock("10:00"), clock("10:40"))
    assert (window["residence"], window["expected_from"]) == (None, None)
    assert "only the worst case is given" in window["basis"]


def test_a_report_counts_only_where_it_is_in_force_for_the_whole_filling(plant: Plant) -> None:
    line = line_of(plant)
    residence(plant, line, "plug_flow", **REPORTED, valid_to=clock("10:30"))
    lots, filled = washed(plant)
    assert contained(plant, lots, filled) == reaches(plant, lots, filled) == "ABCDE"


def test_a_stop_with_material_inside_stretches_the_window(plant: Plant) -> None:
    line = line_of(plant)
    residence(plant, line, "plug_flow", **REPORTED)
    lots, filled = washed(plant)
    stopped = stop(plant, line, clock("09:30"), clock("09:50"))
    # 55 minutes of running time before 10:00 are 75 on the clock: from 08:45 on.
    window = asked(plant, line, "entry-window", clock("10:00"), clock("10:40"))
    assert [hour_of(window[name]) for name in ("entered_from", "entered_to")] == ["03-08 08:45", "03-08 10:15"]
    assert contained(plant, lots, filled) == reaches(plant, lots, filled) == "ABCDE"
    withdrawal = {"reason": "that was the other line", "withdraw": True}
    plant.post(f"/v1/vessels/{line}/stops/{stopped['id']}/corrections", withdrawal)
    assert contained(plant, lots, filled) == reaches(plant, lots, filled) == "BCDE"
    assert plant.get(f"/v1/vessels/{line}/stops") == []


def test_data_stated_late_change_the_answer_and_not_what_was_known(plant: Plant) -> None:
    line = line_of(plant)
    lots, filled = washed(plant)
    before = stamp(plant)
    stated = residence(plant, line, "plug_flow", **REPORTED)
    between = stamp(plant)
    assert contained(plant, lots, filled) == "BCDE"
    assert contained(plant, lots, filled, f"?known_at={before}") == "ACD"
    path = f"/v1/vessels/{line}/residence/{stated['id']}/corrections"
    wider: dict[str, Any] = {
        "regime": "plug_flow",
        "source": "second tracer test",
        "valid_from": at(0),
        "report_sha256": "ef" * 32,
    }
    wider |= {"residence_min_s": 25 * 60, "residence_max_s": 80 * 60}
    assert plant.post(path, {"reason": "second test", "stated": wider})["version"] == 2
    assert contained(plant, lots, filled) == reaches(plant, lots, filled) == "ABCDE"
    assert contained(plant, lots, filled, f"?known_at={between}") == "BCDE"
    window = asked(plant, line, "entry-window", clock("10:00"), clock("10:40"), before)
    assert window["residence"] is None
    plant.post(path, {"reason": "of another line", "withdraw": True})
    assert contained(plant, lots, filled) == "ACD"


def test_a_hold_goes_where_the_window_goes(plant: Plant) -> None:
    line = line_of(plant)
    residence(plant, line, "plug_flow", **REPORTED)
    lots, filled = washed(plant)
    plant.post("/v1/holds", {"lot": lots["A"], "cause": "solvent in a bottle"})
    assert plant.get(f"/v1/lots/{filled}")["holds"] == []
    plant.post("/v1/holds", {"lot": lots["B"], "cause": "solvent in a bottle"})
    assert plant.get(f"/v1/lots/{filled}")["holds"][0]["through_lot"] == lots["B"]


def test_no_statement_takes_a_lot_out_of_the_reach_of_a_hold(plant: Plant) -> None:
    line = line_of(plant)
    lots, filled = washed(plant)
    plant.post("/v1/holds", {"lot": lots["A"], "cause": "solvent in a bottle"})
    refused = residence(plant, line, "plug_flow", **REPORTED, status=409)
    assert refused["code"] == "hold-would-be-lifted"
    assert filled in refused["errors"][0]["detail"]
    assert plant.get(f"/v1/lots/{filled}")["holds"] != []
    residence(plant, line, "plug_flow", **MINUTES)  # without a report nothing gets narrower


def test_a_bag_of_two_shifts_topped_up_next_day_and_merged_into_a_truck(plant: Plant) -> None:
    plant.clock.moment = START.replace(hour=23)
    residence(plant, line_of(plant), "plug_flow", **REPORTED)
    early = run_over(plant, "WASH-1", clock("06:00"))
    lots = {"early": fed(plant, early, clock("13:00"), clock("13:30"))}
    lots["before the change"] = fed(plant, early, clock("13:30"), clock("14:00"))
    filled = bag(plant, early, clock("13:50"), clock("14:00"), "300")
    late = run_over(plant, "WASH-1", clock("14:00"))
    lots["never in it"] = fed(plant, late, clock("14:00"), clock("14:30"))
    bag(plant, late, clock("14:00"), clock("14:20"), "300", into=filled)
    # Filled 13:50-14:20: fed 12:55-13:55.
    assert set(trace(plant, filled)["may_contain"]) == {lots["early"], lots["before the change"]}
    next_day = run_over(plant, "WASH-1", clock("06:00", day=1))
    lots["next day"] = fed(plant, next_day, clock("07:00", day=1), clock("07:30", day=1))
    bag(plant, next_day, clock("08:00", day=1), clock("08:10", day=1), "400", into=filled)
    assert set(trace(plant, filled)["may_contain"]) == set(lots.values()) - {lots["never in it"]}
    assert shares(plant, filled)[lots["next day"]] == pytest.approx(0.4, abs=1e-9)  # 400 of 1,000 kg
    other = bag(plant, late, clock("14:50"), clock("15:00"), "500")
    truck = merged(plant, [filled, other])
    assert set(trace(plant, truck)["may_contain"]) == set(lots.values())


def merged(plant: Plant, bags: list[str]) -> str:
    body = {"site": "MILL", "step": "merge", "started_at": clock("09:00", day=1)}
    run = int(plant.post("/v1/runs", body)["id"])
    for one in bags:
        feed_lot(plant, run, one, clock("09:10", day=1), clock("09:20", day=1))
    return bag(plant, run, clock("10:00", day=1), clock("10:20", day=1), "1500")


def test_a_lot_that_comes_out_of_the_line_may_not_go_in_before_it_came_out(plant: Plant) -> None:
    line = line_of(plant)
    residence(plant, line, "plug_flow", **REPORTED)
    first, second = run_over(plant, "WASH-1", clock("08:00")), run_over(plant, "WASH-1", clock("08:00"))
    fed(plant, first, clock("08:30"), clock("09:00"))
    ejects = bag(plant, first, clock("09:30"), clock("10:30"))
    back = {"lot": ejects, "amount": "whole", "start_at": clock("09:40"), "end_at": clock("10:00")}
    refused = plant.post(f"/v1/runs/{second}/feeds", {"feeds": [back]}, status=422)
    assert refused["code"] == "lineage-circle"
    feed_lot(plant, second, ejects, clock("10:40"), clock("10:50"))


def booked(plant: Plant, code: str, seed: int | None) -> list[tuple[list[str], dict[str, float]]]:
    """Book the same facts on a line of its own, shuffled by the seed; what two bags contain, by letter.

    Shares to eleven places: which of two equal feeds gets the last 10^-12 of the rounding follows their numbers.
    """
    line = line_of(plant, code)
    runs = {number: run_over(plant, code, clock(time)) for number, time in BEGUN.items()}
    lots: dict[str, str] = {}

    def feed(name: str) -> None:
        lots[name] = fed(plant, runs[RUN_OF[name]], *map(clock, TIMES[name]))

    def fill(name: str, run: int, *times: str) -> None:
        lots[name] = bag(plant, run, *map(clock, times))

    acts = [partial(feed, name) for name in TIMES]
    acts += [partial(fill, "bag", runs[2], "10:00", "10:40"), partial(fill, "late", runs[3], "10:40", "11:00")]
    acts += [
        partial(residence, plant, line, "plug_flow", **REPORTED, valid_to=clock("10:45")),
        partial(stop, plant, line, clock("09:30"), clock("09:33")),
    ]
    if seed is not None:
        random.Random(seed).shuffle(acts)
    for act in acts:
        act()
    name_of = {lot: name for name, lot in lots.items()}

    def answer(lot: str) -> tuple[list[str], dict[str, float]]:
        contains = sorted(name_of[code] for code in trace(plant, lot)["may_contain"])
        return contains, {name_of[code]: round(share, 11) for code, share in shares(plant, lot).items()}

    return [answer(lots["bag"]), answer(lots["late"])]


def test_facts_in_any_order_give_the_same_answers(plant: Plant) -> None:
    in_order = booked(plant, "WASH-1", None)
    assert in_order[0][0] == ["B", "C", "D", "E"]
    assert booked(plant, "WASH-2", 7) == in_order
    assert booked(plant, "WASH-3", 8) == in_order
