"""Recalls that are started: one act holds everything, also what is made later; a mock one is timed and searched.

Method: the story of a bad bale (recall_story) over HTTP, with a clock that is moved by hand.
"""

from __future__ import annotations

from typing import Any

import pytest
from line_steps import DAY, at, charge, close, discharge, draw, feed, load, made, opening, start, vessel
from plant_fixture import SECOND_KEY, Plant
from recall_story import CAUSE, Story, ask, flake, forward, pellets, rows, window
from whole_database import everything_in

from service.lots.queries import get_lot, lines_of_lots
from service.verify import verify_database


def begin(plant: Plant, **source: Any) -> Any:
    return plant.post("/v1/recalls", {"cause": CAUSE} | source)


def is_held(plant: Plant, lot: str) -> bool:
    return bool(plant.get(f"/v1/lots/{lot}")["holds"])


# Holds ----------------------------------------------------------------------------------------------


def test_one_act_holds_all_of_it_and_the_list_says_so(plant: Plant) -> None:
    story = forward(plant)
    assert not any(row["on_hold"] for row in ask(plant, f"lot={story.bale}")["lots"])
    recall = begin(plant, lot=story.bale)
    assert recall["hold_id"] is not None
    for answer in (recall["affected"], ask(plant, f"lot={story.bale}")):
        assert all(row["on_hold"] for row in [*answer["lots"], *answer["vessels"]])
    gate = start(plant, "shipping", 8)
    for lot in (story.pl1, story.pl2):
        refused = feed(plant, gate, lot, start_at=at(9), status=409)
        assert (refused["code"], CAUSE in refused["errors"][0]["detail"]) == ("lot-on-hold", True)
    assert verify_database(plant.database) == ()


def test_what_is_made_afterwards_is_held_too(plant: Plant) -> None:
    story = forward(plant)
    extruding = start(plant, "extrusion", 8)
    feed(plant, extruding, story.pl2, start_at=at(8))
    begin(plant, lot=story.bale)
    [later] = discharge(plant, extruding, pellets("21000", hour=9))
    from_silo = draw(plant, story.silo, "500", 9)
    assert is_held(plant, later)
    assert is_held(plant, from_silo)
    assert charge(plant, vessel(plant, "SILO-9"), from_silo, 10, status=409)["code"] == "lot-on-hold"
    assert {later, from_silo} <= set(rows(ask(plant, f"lot={story.bale}")))


def test_a_mock_recall_holds_nothing(plant: Plant) -> None:
    story = forward(plant)
    recall = begin(plant, lot=story.bale, is_mock=True)
    assert (recall["is_mock"], recall["hold_id"]) == (True, None)
    assert not is_held(plant, story.pl1)
    feed(plant, start(plant, "shipping", 8), story.pl1, start_at=at(9))


def test_lifting_is_for_another_person_and_frees_all_of_it(plant: Plant) -> None:
    story = forward(plant)
    hold_id = begin(plant, lot=story.bale)["hold_id"]
    assert plant.post(f"/v1/holds/{hold_id}/lift", {"reason": "was another bale"}, status=409)["code"] == "four-eyes"
    plant.post(f"/v1/holds/{hold_id}/lift", {"reason": "was another bale"}, key=SECOND_KEY)
    assert not any(row["on_hold"] for row in ask(plant, f"lot={story.bale}")["lots"])


@pytest.mark.parametrize("subject", ["delivery_id", "partner"])
def test_a_delivery_or_a_supplier_is_held_with_all_its_lots(plant: Plant, subject: str) -> None:
    bad, other = load(plant, "Reed Bank", 1_000), load(plant, "Bright Quay", 1_000)
    delivery_id = plant.get(f"/v1/lots/{bad}")["delivery_id"]
    partner = plant.get(f"/v1/deliveries/{delivery_id}")["supplier"]
    begin(plant, **{subject: {"delivery_id": delivery_id, "partner": partner}[subject]})
    assert (is_held(plant, bad), is_held(plant, other)) == (True, False)
    assert verify_database(plant.database) == ()


# What a vessel gave out ------------------------------------------------------------------------------


def drawn_all_day(plant: Plant) -> tuple[int, list[str]]:
    """A silo, and what was drawn from it at 2, 3, 4 and 5 hours."""
    silo = vessel(plant, "SILO-7")
    charge(plant, silo, opening(plant, "flake", "FLAKE", "5000"), 1)
    return silo, [draw(plant, silo, "500", hour) for hour in (2, 3, 4, 5)]


def test_what_a_vessel_gave_out_in_a_time_is_held_and_no_more(plant: Plant) -> None:
    silo, (two, three, four, five) = drawn_all_day(plant)
    made_of_it = made(plant, "extrusion", {three: None}, pellets("500"), 6)
    recall = begin(plant, vessel_id=silo, **{"from": at(3), "to": at(5)})
    assert recall["affected"]["source"]["lots"] == [three, four]
    assert [is_held(plant, lot) for lot in (two, three, four, five, made_of_it)] == [False, True, True, False, True]
    assert verify_database(plant.database) == ()


def test_a_draw_booked_late_into_the_time_is_held_with_the_others(plant: Plant) -> None:
    silo, _ = drawn_all_day(plant)
    begin(plant, vessel_id=silo, **{"from": at(3), "to": at(5)})
    late, outside = draw(plant, silo, "100", 4.5), draw(plant, silo, "100", 5.5)
    assert (is_held(plant, late), is_held(plant, outside)) == (True, False)
    assert late in ask(plant, f"vessel_id={silo}&{window(3, 5)}")["source"]["lots"]


def test_a_held_draw_cannot_be_moved_out_of_the_time(plant: Plant) -> None:
    silo, (_, three, _, _) = drawn_all_day(plant)
    begin(plant, vessel_id=silo, **{"from": at(3), "to": at(5)})
    with plant.database.read() as session:
        lot = get_lot(session, three)
        [line] = lines_of_lots(session, [lot.id])[lot.id]
    body = {"reason": "was earlier", "start_at": at(2.5)}
    assert plant.post(f"/v1/lines/{line.id}/corrections", body, status=409)["code"] == "lot-on-hold"
    assert is_held(plant, three)


# Mock recall: clock and search -----------------------------------------------------------------------


def mock(plant: Plant) -> tuple[Story, int]:
    story = forward(plant)
    return story, int(begin(plant, lot=story.bale, is_mock=True)["id"])


def found(plant: Plant, recall: int, *things: dict[str, Any], status: int = 201, **more: Any) -> Any:
    one = [{"how": "scanned", "place": "Hall 2"} | thing for thing in things]
    return plant.post(f"/v1/recalls/{recall}/found", {"found": one}, status=status, **more)


def test_the_clock_runs_from_start_to_close_and_the_share_found_is_cut_down(plant: Plant) -> None:
    story, recall = mock(plant)
    plant.clock.advance(minutes=10)
    first = found(plant, recall, {"lot": story.pl1})
    # 11,000 of 11,000 + 21,210 + 2,000 in the silo = 32.154 %, cut down.
    assert (first["search"]["wanted_kg"], first["search"]["percent_found"]) == ("34210.000", "32.1")
    plant.clock.advance(minutes=20)
    second = found(plant, recall, {"vessel_id": story.silo, "how": "seen"}, key=SECOND_KEY)
    assert second["search"]["percent_found"] == "38.0"  # 13,000 / 34,210 = 38.001 %
    [by_first, by_second] = second["search"]["found"]
    assert (by_first["lot"], by_first["place"], by_first["how"], by_first["found_by"]) == (
        story.pl1, "Hall 2", "scanned", "first",
    )  # fmt: skip
    assert (by_second["vessel"], by_second["mass_kg"], by_second["found_by"]) == ("SILO-1", "2000.000", "second")
    plant.clock.advance(minutes=12)
    closed = plant.post(f"/v1/recalls/{recall}/close", {"note": "shift ended"})
    assert (closed["seconds_taken"], closed["closing_note"]) == (42 * 60, "shift ended")
    [missing] = closed["search"]["missing"]
    assert (missing["lot"], missing["missing_kg"]) == (story.pl2, "21210.000")
    assert plant.get(f"/v1/recalls/{recall}") == closed
    assert verify_database(plant.database) == ()


def test_the_list_is_that_of_the_start_whatever_happens_meanwhile(plant: Plant) -> None:
    story, recall = mock(plant)
    at_start = plant.get(f"/v1/recalls/{recall}")["affected"]
    plant.clock.advance(minutes=5)
    gate = start(plant, "shipping", 8)
    feed(plant, gate, story.pl1, start_at=at(9))
    close(plant, gate)
    assert plant.get(f"/v1/recalls/{recall}")["affected"] == at_start
    assert ask(plant, f"lot={story.bale}")["totals"]["shipped_kg"] == "11000.000"


def test_part_of_a_lot_counts_as_part_and_more_than_the_book_counts_once(plant: Plant) -> None:
    story, recall = mock(plant)
    seen = ({"lot": story.pl1, "mass_kg": "12000"}, {"lot": story.pl2, "mass_kg": "1210"})
    search = found(plant, recall, *seen)["search"]
    assert (search["found_kg"], search["percent_found"]) == ("12210.000", "35.6")  # 35.691 %
    missing = {row["lot"] or row["vessel"]: row["missing_kg"] for row in search["missing"]}
    assert missing == {story.pl2: "20000.000", "SILO-1": "2000.000"}


def test_what_is_not_on_the_list_is_recorded_and_does_not_count(plant: Plant) -> None:
    _, recall = mock(plant)
    other = opening(plant, "flake", "FLAKE", "700")
    search = found(plant, recall, {"lot": other})["search"]
    assert (search["found"][0]["is_wanted"], search["found"][0]["mass_kg"]) == (False, "700.000")
    assert search["percent_found"] == "0.0"


def test_a_finding_is_corrected_and_withdrawn_as_new_versions(plant: Plant) -> None:
    story, recall = mock(plant)
    number = found(plant, recall, {"lot": story.pl1})["search"]["found"][0]["id"]
    path = f"/v1/recalls/{recall}/found/{number}/corrections"
    corrected = plant.post(path, {"reason": "one bag was missing", "mass_kg": "10000"}, key=SECOND_KEY)
    [finding] = corrected["search"]["found"]
    assert (finding["mass_kg"], finding["place"], finding["found_by"]) == ("10000.000", "Hall 2", "first")
    assert finding["correction"] == "one bag was missing"
    assert plant.post(path, {"reason": "another lot", "withdraw": True})["search"]["found"] == []
    assert found(plant, recall, {"lot": story.pl1})["search"]["percent_found"] == "32.1"
    assert verify_database(plant.database) == ()


def test_what_cannot_have_been_found_is_refused_all_at_once(plant: Plant) -> None:
    story, recall = mock(plant)
    found(plant, recall, {"lot": story.pl1})
    before = everything_in(plant.database)
    refused = found(
        plant, recall,
        {"lot": story.pl1}, {"lot": story.pl2}, {"lot": story.pl2}, {"lot": story.fl1}, {"lot": "7F3K9QX2MA"},
        {"vessel_id": 1099511627999},
        status=422,
    )  # fmt: skip
    faults = {fault["pointer"]: fault["detail"] for fault in refused["errors"]}
    assert set(faults) == {"/found/0/lot", "/found/2/lot", "/found/3/mass_kg", "/found/4/lot", "/found/5/vessel_id"}
    assert "found before: 11000.000 kg at Hall 2" in faults["/found/0/lot"]
    assert "nothing of lot" in faults["/found/3/mass_kg"]
    assert everything_in(plant.database) == before


def test_a_search_that_ended_takes_nothing_more(plant: Plant) -> None:
    story, recall = mock(plant)
    number = found(plant, recall, {"lot": story.pl1})["search"]["found"][0]["id"]
    plant.post(f"/v1/recalls/{recall}/close", {"note": "all places looked at"})
    assert found(plant, recall, {"lot": story.pl2}, status=409)["code"] == "recall-closed"
    again = plant.post(f"/v1/recalls/{recall}/close", {"note": "once more"}, status=409)
    assert (again["code"], "Start another one" in again["remedy"]) == ("recall-closed", True)
    correction = {"reason": "too late", "withdraw": True}
    plant.post(f"/v1/recalls/{recall}/found/{number}/corrections", correction, status=409)


def test_closing_a_real_recall_lifts_nothing(plant: Plant) -> None:
    story = forward(plant)
    recall = begin(plant, lot=story.bale)["id"]
    plant.post(f"/v1/recalls/{recall}/close", {"note": "all of it is in quarantine"})
    assert is_held(plant, story.pl1)


def test_unknown_recalls_and_findings_say_where_to_look(plant: Plant) -> None:
    story, recall = mock(plant)
    bale_id = plant.get(f"/v1/lots/{story.bale}")["id"]
    for number in (1099511627999, bale_id):
        assert plant.get(f"/v1/recalls/{number}", status=404)["remedy"]
        assert plant.post(f"/v1/recalls/{number}/close", {"note": "none of mine"}, status=404)["remedy"]
    body = {"reason": "wrong", "withdraw": True}
    other = int(begin(plant, lot=story.fl2, is_mock=True)["id"])
    number = found(plant, other, {"lot": story.pl2})["search"]["found"][0]["id"]
    problem = plant.post(f"/v1/recalls/{recall}/found/{number}/corrections", body, status=404)
    assert problem["code"] == "finding-not-found"


def test_recalls_are_listed_newest_first_and_per_source(plant: Plant) -> None:
    story, first = mock(plant)
    plant.clock.advance(minutes=1)
    second = begin(plant, vessel_id=story.silo, **{"from": at(5), "to": at(6)})["id"]
    heads = plant.get("/v1/recalls")
    assert [head["id"] for head in heads] == [second, first]
    assert heads[1]["source"] == f"lot {story.bale}"
    assert [(head["is_mock"], head["closed_at"]) for head in heads] == [(False, None), (True, None)]


def test_sent_twice_under_one_key_it_starts_once(plant: Plant) -> None:
    story = forward(plant)
    body = {"lot": story.bale, "cause": CAUSE}
    first = plant.post("/v1/recalls", body, idempotency_key="one")
    assert plant.post("/v1/recalls", body, idempotency_key="one") == first
    assert len(plant.get("/v1/recalls")) == 1


def test_flake_that_no_bad_bale_went_into_stays_free(plant: Plant) -> None:
    story = forward(plant)
    clean = made(plant, "wash", {load(plant, "Bright Quay", 1_000): None}, flake("990"))
    begin(plant, lot=story.bale)
    assert not is_held(plant, clean)


# Everything that was inside a vessel ------------------------------------------------------------------


def test_what_was_inside_during_an_excursion_is_held_until_the_vessel_is_proven_empty(plant: Plant) -> None:
    silo, (two, three, four, five) = drawn_all_day(plant)
    excursion = {"vessel_id": silo, "from": at(3), "to": at(3.5), "suspect_discharge": True}
    listed = ask(plant, f"vessel_id={silo}&{window(3, 3.5)}&suspect_discharge=true")
    assert listed["source"]["lots"] == [three, four, five]
    assert listed["source"]["drawn_to"] is None  # it mixes, so some of it may be in there still
    recall = begin(plant, **excursion)
    assert recall["affected"]["source"]["lots"] == [three, four, five]
    later = draw(plant, silo, "500", 5.2)
    assert [is_held(plant, lot) for lot in (two, three, four, five, later)] == [False, True, True, True, True]
    plant.clock.advance(hours=1)
    emptied = plant.clock().isoformat()
    plant.post(f"/v1/vessels/{silo}/proven-empty", {"at": emptied, "note": "emptied, swept and inspected"})
    plant.clock.advance(hours=3)
    hour = (plant.clock() - DAY).total_seconds() / 3600
    charge(plant, silo, opening(plant, "flake", "FLAKE", "900"), hour - 2)
    assert not is_held(plant, draw(plant, silo, "300", hour - 1))
    assert verify_database(plant.database) == ()


def test_a_proven_plug_flow_gives_an_excursion_an_end(plant: Plant) -> None:
    tower = vessel(plant, "TOWER-1", "first_in_first_out", proof_sha256="ab" * 32, proof_from=at(0))
    charge(plant, tower, opening(plant, "flake", "FLAKE", "1000"), 1)
    charge(plant, tower, opening(plant, "flake", "FLAKE", "2000"), 2.2)
    before, during, after = (draw(plant, tower, "500", hour) for hour in (1.5, 2, 3))
    recall = begin(plant, vessel_id=tower, **{"from": at(1.7), "to": at(2.1), "suspect_discharge": True})
    source = recall["affected"]["source"]
    # 500 kg of the first charge stood in it then, and they left with the draw at 2 hours.
    assert source["lots"] == [during]
    assert source["drawn_to"] is not None
    assert [is_held(plant, lot) for lot in (before, during, after)] == [False, True, False]


def test_a_vessel_that_is_held_until_empty_says_so(plant: Plant) -> None:
    silo = vessel(plant, "SILO-8")
    lot = opening(plant, "flake", "FLAKE", "2000")
    charge(plant, silo, lot, 1)
    assert [row["on_hold"] for row in ask(plant, f"lot={lot}")["vessels"]] == [False]
    begin(plant, vessel_id=silo, **{"from": at(2), "to": at(3), "suspect_discharge": True})
    assert [row["on_hold"] for row in ask(plant, f"lot={lot}")["vessels"]] == [True]
