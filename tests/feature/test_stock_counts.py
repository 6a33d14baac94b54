"""Stock counts: counted, approved by another person, withdrawn; levels of vessels beside the book.

Goal: a count never edits a quantity, what is missing leaves its lot with a reason, and what is found beyond the book is
unattributed. Method: HTTP on both engines; a small yard of opening lots; figures by hand.
"""

from datetime import timedelta
from typing import Any

import pytest
from line_steps import load
from page_client import PageClient
from plant_fixture import SECOND_KEY, START, Plant
from sqlalchemy import event

from service.counts.record import add_to_count
from service.counts.schemas import CountLinesIn
from service.errors import Conflict
from service.journal.entry import Entry
from service.lots.queries import get_lot, get_lot_fact
from service.verify import verify_database

MORNING = (START + timedelta(hours=1)).isoformat()
NOON = START + timedelta(hours=6)


def opening(plant: Plant, kind: str, material: str, mass_kg: str, moisture: str = "0.01") -> str:
    body = {
        "site": "MILL", "kind": kind, "material": material, "mass_kg": mass_kg,
        "moisture_fraction": moisture, "found_at": START.isoformat(),
    }  # fmt: skip
    code: str = plant.post("/v1/opening-lots", body)["code"]
    return code


def count(plant: Plant, lines: list[dict[str, Any]], *, status: int = 201, at: str = MORNING) -> Any:
    return plant.post("/v1/stock-counts", {"site": "MILL", "counted_at": at, "lines": lines}, status=status)


def approve(plant: Plant, number: int, version: int = 1, *, status: int = 201) -> Any:
    body = {"version": version, "reason": "looked at it"}
    return plant.post(f"/v1/stock-counts/{number}/approval", body, status=status, key=SECOND_KEY)


def statements_of(plant: Plant, path: str) -> int:
    """How many statements an answer takes."""
    asked = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        asked.append(statement)

    event.listen(plant.database.engine, "before_cursor_execute", note)
    try:
        plant.get(path)
    finally:
        event.remove(plant.database.engine, "before_cursor_execute", note)
    return len(asked)


def test_a_count_is_booked_by_another_person_only(plant: Plant) -> None:
    plant.clock.moment = NOON
    less, more, gone, same = (opening(plant, "flake", "FLAKE", "1000") for _ in range(4))
    lines: list[dict[str, Any]] = [
        {"lot": less, "mass_kg": "990"},
        {"lot": more, "mass_kg": "1012.5"},
        {"lot": gone, "is_found": False},
        {"lot": same},
    ]
    counted = count(plant, lines)
    assert [line["difference_kg"] for line in counted["lines"]] == ["10.000", "-12.500", "1000.000", "0.000"]
    assert (counted["missing_kg"], counted["found_beyond_kg"], counted["lots_not_counted"]) == ("1010.000", "12.500", 0)
    address = f"/v1/stock-counts/{counted['id']}"

    # Nothing is booked by counting, and who counted cannot approve.
    assert plant.get(f"/v1/lots/{less}")["on_hand_kg"] == "1000.000"
    refused = plant.post(f"{address}/approval", {"version": 1, "reason": "all right"}, status=422)
    assert refused["code"] == "counter-approves"
    assert plant.get(f"/v1/lots/{less}")["on_hand_kg"] == "1000.000"

    approved = plant.post(f"{address}/approval", {"version": 1, "reason": "looked at twice"}, key=SECOND_KEY)
    assert (approved["counter"], approved["approver"]) == ("first", "second")
    assert [line["difference_kg"] for line in approved["lines"]] == ["10.000", "-12.500", "1000.000", "0.000"]
    on_hand = [plant.get(f"/v1/lots/{lot}")["on_hand_kg"] for lot in (less, more, gone, same)]
    assert on_hand == ["990.000", "1000.000", "0.000", "1000.000"]

    # What is found beyond the book comes from nothing known: all of it is unattributed.
    surplus = approved["lines"][1]["booked_lot"]
    assert plant.get(f"/v1/lots/{surplus}")["on_hand_kg"] == "12.500"
    trace = plant.get(f"/v1/lots/{surplus}/trace")
    assert (trace["shares"], trace["remainder"]) == ([], "1.000000000000")
    again = plant.post(f"{address}/approval", {"version": 2, "reason": "again"}, status=409, key=SECOND_KEY)
    assert again["code"] == "count-approved"
    late = plant.post(f"{address}/lines", {"lines": [{"lot": same, "is_found": False}]}, status=409)
    assert late["code"] == "count-approved"

    assert verify_database(plant.database) == ()

    # Who counted does not undo alone what two booked. Withdrawn, everything is as before.
    alone = plant.post(f"{address}/withdrawal", {"reason": "wrong aisle"}, status=422)
    assert alone["code"] == "counter-withdraws"
    withdrawn = plant.post(f"{address}/withdrawal", {"reason": "wrong aisle"}, key=SECOND_KEY)
    assert withdrawn["is_withdrawn"]
    on_hand = [plant.get(f"/v1/lots/{lot}")["on_hand_kg"] for lot in (less, more, gone, same, surplus)]
    assert on_hand == ["1000.000", "1000.000", "1000.000", "1000.000", "0.000"]
    assert plant.get(address, status=409)["code"] == "count-withdrawn"
    assert verify_database(plant.database) == ()


def test_bad_counts_are_refused_whole(plant: Plant) -> None:
    plant.clock.moment = NOON
    lot = opening(plant, "flake", "FLAKE", "1000")
    before = (START - timedelta(hours=1)).isoformat()
    refused = count(plant, [{"lot": lot}, {"lot": lot, "mass_kg": "1"}], status=422, at=before)
    said = " ".join(one["detail"] for one in refused["errors"])
    assert "after the count" in said
    assert "twice" in said
    late = count(plant, [{"lot": lot}], status=422, at=(NOON + timedelta(days=1)).isoformat())
    assert "future" in late["errors"][0]["detail"]
    assert plant.get("/v1/stock-counts?site=MILL") == []


def test_a_lot_counted_again_replaces_the_first_figure_and_only_by_the_same_person(plant: Plant) -> None:
    plant.clock.moment = NOON
    lot, other = opening(plant, "flake", "FLAKE", "1000"), opening(plant, "flake", "FLAKE", "500")
    address = f"/v1/stock-counts/{count(plant, [{'lot': lot, 'mass_kg': '900'}])['id']}"
    more = {"lines": [{"lot": lot, "mass_kg": "1000"}, {"lot": other, "mass_kg": "499"}]}
    assert plant.post(f"{address}/lines", more, status=409, key=SECOND_KEY)["code"] == "another-counts"
    again = plant.post(f"{address}/lines", more)
    assert [line["difference_kg"] for line in again["lines"]] == ["0.000", "1.000"]
    # Who looked at the first version has not seen the second: he signs what he saw, or looks again.
    stale = plant.post(f"{address}/approval", {"version": 1, "reason": "looked"}, status=409, key=SECOND_KEY)
    assert (stale["code"], again["version"]) == ("count-changed", 2)
    assert plant.get(f"/v1/lots/{other}")["on_hand_kg"] == "500.000"
    plant.post(f"{address}/approval", {"version": 2, "reason": "looked again"}, key=SECOND_KEY)
    assert plant.get(f"/v1/lots/{other}")["on_hand_kg"] == "499.000"


def test_lines_that_wait_for_the_lock_do_not_get_into_an_approved_count(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody approves between what a request reads first and the lock it waits for.

    On SQLite a writer holds the lock before it reads anything: there the approval is over before the lines begin.
    """
    plant.clock.moment = NOON
    lot = opening(plant, "flake", "FLAKE", "1000")
    counted = count(plant, [{"lot": lot, "mass_kg": "900"}])["id"]
    opened = Entry.open

    def approve_it() -> None:
        approval = {"version": 1, "reason": "looked at it"}
        plant.post(f"/v1/stock-counts/{counted}/approval", approval, key=SECOND_KEY)

    def approved_meanwhile(entry: Entry, *given: Any) -> Entry:
        monkeypatch.setattr(Entry, "open", opened)
        approve_it()
        return opened(entry, *given)

    if plant.database.is_sqlite:
        approve_it()
    else:
        monkeypatch.setattr(Entry, "open", approved_meanwhile)
    more = CountLinesIn.model_validate({"lines": [{"lot": lot, "is_found": False}]})
    with pytest.raises(Conflict, match="is approved"):
        plant.writer.run(1, lambda entry: add_to_count(entry, counted, more))
    assert plant.get(f"/v1/lots/{lot}")["on_hand_kg"] == "900.000"


def test_what_was_found_beyond_and_used_since_keeps_the_count(plant: Plant) -> None:
    plant.clock.moment = NOON
    lot = opening(plant, "flake", "FLAKE", "1000")
    counted = count(plant, [{"lot": lot, "mass_kg": "1100"}])
    address = f"/v1/stock-counts/{counted['id']}"
    surplus = approve(plant, counted["id"])["lines"][0]["booked_lot"]
    run = plant.post("/v1/runs", {"site": "MILL", "step": "extrusion", "started_at": MORNING})
    feed = {"lot": surplus, "amount": "rest", "start_at": (START + timedelta(hours=2)).isoformat()}
    plant.post(f"/v1/runs/{run['id']}/feeds", {"feeds": [feed]})
    kept = plant.post(f"{address}/withdrawal", {"reason": "wrong"}, status=422, key=SECOND_KEY)
    assert kept["code"] == "lot-gives-more-than-it-holds"


def test_what_is_found_beyond_a_held_lot_does_not_come_free_of_the_hold(plant: Plant) -> None:
    plant.clock.moment = NOON
    lot = opening(plant, "flake", "FLAKE", "1000")
    counted = count(plant, [{"lot": lot, "mass_kg": "1100"}])["id"]
    hold = plant.post("/v1/holds", {"lot": lot, "cause": "smell"})["id"]
    approval = {"version": 1, "reason": "looked at it"}
    refused = plant.post(f"/v1/stock-counts/{counted}/approval", approval, status=422, key=SECOND_KEY)
    assert (refused["code"], lot in refused["detail"]) == ("more-of-a-held-lot", True)
    plant.post(f"/v1/holds/{hold}/lift", {"reason": "clean"}, key=SECOND_KEY)
    assert approve(plant, counted)["lines"][0]["booked_lot"]


def test_a_level_is_held_against_the_book(plant: Plant) -> None:
    plant.clock.moment = NOON
    lot = opening(plant, "flake", "FLAKE", "20000", "0")
    silo = plant.post(
        "/v1/vessels",
        {"site": "MILL", "code": "SILO", "name": "Silo", "kind": "silo", "capacity_kg": "60000",
         "mixing": "well_mixed", "in_use_from": START.isoformat()},
    )  # fmt: skip
    at = (START + timedelta(hours=2)).isoformat()
    plant.post(f"/v1/vessels/{silo['id']}/charges", {"lot": lot, "amount": "whole", "start_at": at})
    read_at = (START + timedelta(hours=3)).isoformat()
    levels = f"/v1/vessels/{silo['id']}/levels"
    half = {"read_at": read_at, "level_fraction": "0.5", "material": "FLAKE", "moisture_fraction": "0"}
    level = plant.post(levels, half)
    # 5 % of 60 t and 250 to 400 kg/m3, each rectangular, and 0.05 % moisture as flake's that was measured:
    # u = sqrt((3 / sqrt 3)^2 + (30 * 75/325 / sqrt 3)^2 + (30 * 0.0005)^2) t.
    assert level["content_dry_kg"] == "30000.000"
    assert abs(float(level["u95_kg"]) - 2 * (3000**2 / 3 + (30000 * 75 / 325) ** 2 / 3 + 15**2) ** 0.5) < 0.01
    assert (level["book_dry_kg"], level["difference_kg"], level["is_beyond_doubt"]) == ("20000.000", "-10000.000", True)
    taken = statements_of(plant, levels)
    dry = {"read_at": read_at, "material": "FLAKE", "moisture_fraction": "0"}
    cells = plant.post(levels, dry | {"mass_kg": "20100"})
    assert (cells["difference_kg"], cells["is_beyond_doubt"]) == ("-100.000", False)
    volume = plant.post(
        levels, {"read_at": read_at, "volume_m3": "61.5", "material": "FLAKE", "moisture_fraction": "0"}
    )
    assert volume["content_dry_kg"] == "19987.500"
    assert plant.post(levels, half | {"mass_kg": "1"}, status=422)["code"] == "invalid-request"
    no_density = plant.post(levels, half | {"material": "SIDE"}, status=422)
    assert "no bulk density" in no_density["errors"][0]["detail"]
    assert statements_of(plant, levels) == taken
    assert plant.get(f"{levels}?limit=1") == [volume]
    plant.post(f"{levels}/{cells['id']}/withdrawal", {"reason": "typed wrong"})
    assert [one["how"] for one in plant.get(levels)] == ["level", "volume"]


def test_an_earlier_count_is_not_booked_once_a_later_one_is(plant: Plant) -> None:
    """500 kg; at 03:00 and at 05:00 both counts say 480: 20 kg are missing, and not 40."""
    plant.clock.moment = NOON
    lot = opening(plant, "flake", "FLAKE", "500")
    first, second = (
        count(plant, [{"lot": lot, "mass_kg": "480"}], at=(START + timedelta(hours=hour)).isoformat())["id"]
        for hour in (3, 5)
    )
    approve(plant, second)
    refused = approve(plant, first, status=422)
    [finding] = refused["errors"]
    assert (finding["pointer"], str(second) in finding["detail"]) == ("/lines/0", True)
    assert plant.get(f"/v1/lots/{lot}")["on_hand_kg"] == "480.000"
    # As the remedy says: then the earlier one holds, and the later one finds nothing more.
    plant.post(f"/v1/stock-counts/{second}/withdrawal", {"reason": "out of order"}, key=SECOND_KEY)
    approve(plant, first)
    again = count(plant, [{"lot": lot, "mass_kg": "480"}], at=(START + timedelta(hours=5)).isoformat())
    assert approve(plant, again["id"])["missing_kg"] == "0.000"
    assert plant.get(f"/v1/lots/{lot}")["on_hand_kg"] == "480.000"


def test_a_count_says_what_it_booked_and_that_its_data_were_revised(plant: Plant) -> None:
    """480 kg of 500 are counted; then a feed of 20 kg from before the count is booked after all."""
    plant.clock.moment = NOON
    lot, seen = opening(plant, "flake", "FLAKE", "500"), opening(plant, "flake", "FLAKE", "700")
    number = count(plant, [{"lot": lot, "mass_kg": "480"}, {"lot": seen}])["id"]
    assert not approve(plant, number)["rests_on_revised_data"]
    run = plant.post("/v1/runs", {"site": "MILL", "step": "extrusion", "started_at": START.isoformat()})["id"]
    feeds = [{"lot": one, "amount": "mass", "mass_kg": "20", "start_at": START.isoformat()} for one in (lot, seen)]
    plant.post(f"/v1/runs/{run}/feeds", {"feeds": feeds})
    shown = plant.get(f"/v1/stock-counts/{number}")
    assert [(one["book_kg"], one["difference_kg"], one["rests_on_revised_data"]) for one in shown["lines"]] == [
        ("480.000", "20.000", True), ("680.000", "0.000", False),
    ]  # fmt: skip
    assert (shown["missing_kg"], shown["rests_on_revised_data"]) == ("20.000", True)


def test_a_list_of_counts_takes_as_many_statements_however_long_it_is(plant: Plant) -> None:
    plant.clock.moment = NOON
    lots = [opening(plant, "flake", "FLAKE", "500") for _ in range(3)]
    numbers, taken = [], []
    for lot in lots:
        numbers.append(count(plant, [{"lot": lot, "mass_kg": "480"}])["id"])
        approve(plant, numbers[-1])
        taken.append(statements_of(plant, "/v1/stock-counts?site=MILL"))
    assert len(set(taken)) == 1
    listed = plant.get("/v1/stock-counts?site=MILL")
    assert listed == [plant.get(f"/v1/stock-counts/{number}") for number in reversed(numbers)]
    assert plant.get("/v1/stock-counts?site=MILL&limit=1&offset=1") == listed[1:2]


def test_a_lot_that_moved_on_since_is_named_with_the_line_that_took_from_it(plant: Plant) -> None:
    """480 kg of 500 are counted, and 490 are fed by figure before anybody approves."""
    plant.clock.moment = NOON
    other, lot = opening(plant, "flake", "FLAKE", "500"), opening(plant, "flake", "FLAKE", "500")
    number = count(plant, [{"lot": other, "mass_kg": "499"}, {"lot": lot, "mass_kg": "480"}])["id"]
    run = plant.post("/v1/runs", {"site": "MILL", "step": "extrusion", "started_at": MORNING})["id"]
    later = (START + timedelta(hours=2)).isoformat()
    feed = {"lot": lot, "amount": "mass", "mass_kg": "490", "start_at": later}
    [line] = plant.post(f"/v1/runs/{run}/feeds", {"feeds": [feed]})["lines"]
    refused = approve(plant, number, status=422)
    assert [(one["pointer"], one["remedy"]) for one in refused["errors"]] == [
        ("/lines/1", f"Count lot {lot} anew, or correct what took from it since: line {line['id']}."),
    ]
    assert plant.get(f"/v1/lots/{other}")["on_hand_kg"] == "500.000"


def test_what_is_found_beyond_belongs_to_whom_the_lot_belongs(plant: Plant) -> None:
    plant.clock.moment = NOON
    owner = plant.post("/v1/partners", {"code": "OWNER", "name": "Owner of the waste", "is_supplier": True})
    lot = load(plant, "Reed Bank", 3_000, owner=owner["code"])
    number = count(plant, [{"lot": lot, "mass_kg": "3100"}])["id"]
    beyond = approve(plant, number)["lines"][0]["booked_lot"]
    with plant.database.read() as session:
        owners = {get_lot_fact(session, get_lot(session, code).id).owner_id for code in (lot, beyond)}
    assert owners == {owner["id"]}


def test_the_page_approves_the_version_it_shows(plant: Plant) -> None:
    plant.clock.moment = NOON
    lot = opening(plant, "flake", "FLAKE", "500")
    address = f"/counts/{count(plant, [{'lot': lot, 'mass_kg': '480'}])['id']}"
    approver = PageClient(plant, key=SECOND_KEY)
    seen = approver.get(address)
    plant.post(f"/v1/stock-counts/{address.rsplit('/', 1)[1]}/lines", {"lines": [{"lot": lot, "mass_kg": "470"}]})
    refused = approver.fill(seen, "/approve", reason="weighed twice", status=409)
    assert "is at version 2" in refused.text
    assert plant.get(f"/v1/lots/{lot}")["on_hand_kg"] == "500.000"
    assert "Approved and booked" in approver.fill(approver.get(address), "/approve", reason="weighed twice").text
    assert plant.get(f"/v1/lots/{lot}")["on_hand_kg"] == "470.000"
    assert "Withdraw this count" not in PageClient(plant).get(address).text
