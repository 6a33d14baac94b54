"""Recalls over HTTP: the complete list with where it stands, holds in one act, mock recalls with clock and search.

Method: a bale found bad after it went through a silo and a mixed run, with figures recomputed by hand beside each
number; then the same asked about deliveries, suppliers and what a vessel gave out in a time. All masses are dry.
"""

from __future__ import annotations

import pytest
from line_steps import at, charge, close, draw, feed, load, made, opening, out, start, vessel
from plant_fixture import Plant
from recall_story import CAUSE, ask, flake, forward, pellets, percent, rows, window
from whole_database import everything_in

# The list -------------------------------------------------------------------------------------------


def test_whole_lots_are_complete_and_shares_expected(plant: Plant) -> None:
    story = forward(plant)
    answer = ask(plant, f"lot={story.bale}")
    lots = rows(answer)
    assert set(lots) == {story.bale, story.fl1, story.fl2, story.drawn, story.pl1, story.pl2}
    here = {code: row["on_hand_kg"] for code, row in lots.items() if row["on_hand_kg"] != "0.000"}
    assert here == {story.pl1: "11000.000", story.pl2: "21210.000"}
    # 520 / 20,600 = 2.5243 % of the flake; 9,000 / 13,000 of it in the silo, 5,210 / 21,210 of it in PL2.
    assert (percent(lots[story.pl1]), percent(lots[story.pl2])) == (1.75, 0.62)
    assert lots[story.pl1]["expected_kg"] == "192.233"
    [silo] = answer["vessels"]
    assert (silo["vessel"], silo["content_kg"], percent(silo)) == ("SILO-1", "2000.000", 1.75)
    totals = answer["totals"]
    assert (totals["complete_kg"], totals["on_site_kg"], totals["in_vessels_kg"]) == (
        "34210.000", "32210.000", "2000.000",
    )  # fmt: skip
    # (11,000 + 2,000) x 1.74757 % + 21,210 x 0.62006 % = 227.184 + 131.515
    assert totals["expected_kg"] == "358.699"
    assert (totals["lots"], totals["lots_here"], totals["shipped_kg"]) == (6, 2, "0.000")


def test_each_lot_is_on_site_loaded_gone_or_used_up_to_the_gram(plant: Plant) -> None:
    story = forward(plant)
    gate = start(plant, "shipping", 8)
    feed(plant, gate, story.pl2, "1000", start_at=at(9))
    for row in ask(plant, f"lot={story.bale}")["lots"]:
        places = ("on_hand_kg", "loading_kg", "shipped_kg", "returned_kg", "used_up_kg")
        assert sum(float(row[place]) for place in places) == float(row["mass_kg"]), row["lot"]
    assert rows(ask(plant, f"lot={story.bale}"))[story.fl1]["used_up_kg"] == "9000.000"


def test_it_says_why_it_is_wide(plant: Plant) -> None:
    story = forward(plant)
    [wide] = ask(plant, f"lot={story.bale}")["why_wide"]
    assert (wide["vessel"], wide["until"]) == ("SILO-1", None)
    assert "never proven empty since 2026-03-08 00:00 UTC. SILO-1 counts as well mixed" in wide["words"]
    plant.post(f"/v1/vessels/{story.silo}/proven-empty", {"at": at(9), "note": "emptied and inspected"})
    answer = ask(plant, f"lot={story.bale}")
    assert answer["vessels"] == []
    assert "proven empty only afterwards" in answer["why_wide"][0]["words"]


@pytest.mark.parametrize("proof", [{"proof_sha256": "ab" * 32, "proof_from": at(0)}, {}])
def test_a_vessel_with_flow_proof_is_no_reason(plant: Plant, proof: dict[str, str]) -> None:
    silo = vessel(plant, "SILO-1", "first_in_first_out", **proof)
    bad = opening(plant, "flake", "FLAKE", "1000")
    charge(plant, silo, bad, 1)
    charge(plant, silo, opening(plant, "flake", "FLAKE", "1000"), 2)
    first, second = draw(plant, silo, "1000", 3), draw(plant, silo, "1000", 4)
    answer = ask(plant, f"lot={bad}")
    assert set(rows(answer)) == ({bad, first} if proof else {bad, first, second})
    assert len(answer["why_wide"]) == (0 if proof else 1)


def test_asked_as_known_earlier_it_answers_as_then(plant: Plant) -> None:
    story = forward(plant)
    before = ask(plant, f"lot={story.bale}")
    then = plant.clock.advance(hours=1)
    plant.clock.advance(hours=1)
    later = draw(plant, story.silo, "500", 9)
    assert later in rows(ask(plant, f"lot={story.bale}"))
    again = plant.client.get("/v1/recall", params={"lot": story.bale, "known_at": then.isoformat()}).json()
    assert again == before


# A tank truck, containers, and what has gone ---------------------------------------------------------


def test_merged_in_a_tank_truck_split_and_partly_shipped(plant: Plant) -> None:
    bad = load(plant, "Reed Bank", 1_000)
    first = made(plant, "extrusion", {bad: None, load(plant, "Bright Quay", 13_000): None}, pellets("14000"), hour=4)
    second = made(plant, "extrusion", {load(plant, "Bright Quay", 9_200): None}, pellets("9200"), hour=4)
    tank = out("container", "PELLETS", "product", "tank_truck", "23200", hour=8)
    truck = made(plant, "merge", {first: None, second: None}, tank, hour=8)
    split = start(plant, "split", 9)
    feed(plant, split, truck, start_at=at(9))
    big_bags = out("container", "PELLETS", "product", "big_bag", "5800", hour=9) | {"pieces": 4}
    plant.post(f"/v1/runs/{split}/discharges", {"discharges": [big_bags]})
    containers = [row["lot"] for row in ask(plant, f"lot={bad}")["lots"] if row["kind"] == "container"]
    bags = [lot for lot in containers if lot != truck]
    assert len(bags) == 4
    gate = start(plant, "shipping", 10)
    feed(plant, gate, bags[0], start_at=at(10))
    plant.post(f"/v1/runs/{gate}/feeds", {"feeds": [{"lot": bags[1], "amount": "whole", "start_at": at(10)}]})
    loading = ask(plant, f"lot={bad}")["totals"]
    assert (loading["loading_kg"], loading["shipped_kg"], loading["containers_here"]) == ("11600.000", "0.000", 4)
    close(plant, gate, hour=11)
    totals = ask(plant, f"lot={bad}")["totals"]
    assert (totals["on_site_kg"], totals["shipped_kg"]) == ("11600.000", "11600.000")
    assert totals["complete_kg"] == "23200.000"
    assert (totals["containers_here"], totals["containers_gone"]) == (2, 2)
    assert float(totals["expected_kg"]) == pytest.approx(1_000, abs=0.001)  # all 1,000 kg of it are in the four bags
    [gone] = rows(ask(plant, f"lot={bad}"))[bags[0]]["departures"]
    assert (gone["run"], gone["left_at"], gone["mass_kg"]) == (gate, "2026-03-08T11:00:00.000000Z", "5800.000")
    assert any("customer" in words for words in ask(plant, f"lot={bad}")["not_recorded"])
    plant.post("/v1/recalls", {"lot": bad, "cause": CAUSE})
    again = start(plant, "shipping", 12)
    # Nothing of the shipped one is left, so it is refused before anybody asks for its hold.
    assert feed(plant, again, bags[0], status=422, start_at=at(12))["code"] == "feeds-refused"
    assert feed(plant, again, bags[2], status=409, start_at=at(12))["code"] == "lot-on-hold"


# Sources --------------------------------------------------------------------------------------------


def test_a_delivery_and_its_supplier_lead_to_the_same_lots(plant: Plant) -> None:
    plant.post("/v1/partners", {"code": "REED", "name": "Reed Bank", "is_supplier": True, "country": "PT"})
    bad, other = load(plant, "REED", 1_000), load(plant, "Bright Quay", 1_000)
    washed = made(plant, "wash", {bad: None, other: None}, flake("1900"))
    delivery_id = plant.get(f"/v1/lots/{bad}")["delivery_id"]
    for query in (f"delivery_id={delivery_id}", "partner=REED", f"lot={bad}"):
        answer = ask(plant, query)
        assert answer["source"]["lots"] == [bad]
        assert set(rows(answer)) == {bad, washed}
        assert answer["source"]["name"]


def test_a_vessel_in_a_time_is_what_was_drawn_in_it(plant: Plant) -> None:
    silo = vessel(plant, "SILO-7")
    charge(plant, silo, opening(plant, "flake", "FLAKE", "5000"), 1)
    early, inside, late = (draw(plant, silo, "500", hour) for hour in (2, 3, 4))
    answer = ask(plant, f"vessel_id={silo}&{window(3, 4)}")
    assert answer["source"]["lots"] == [inside]  # an instant at the start counts, one at the end does not
    assert {early, late}.isdisjoint(rows(answer))


# Refusals -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ("", 422, ["exactly one of", "none"]),
        ("lot={bale}&partner=REED", 422, ["lot and partner"]),
        ("lot={bale}&delivery_id=7&vessel_id=9", 422, ["lot and delivery_id and vessel_id"]),
        ("lot=7F3K9QX2MA", 404, ["check character", "ten characters under the QR code"]),
        ("delivery_id=1099511627999", 404, ["no delivery 1099511627999", "list them first"]),
        ("partner=NOBODY", 404, ["'NOBODY'", "list the partners"]),
        ("vessel_id=1099511627999&from=2026-03-08T01:00:00Z&to=2026-03-08T02:00:00Z", 404, ["no vessel"]),
        ("vessel_id={silo}", 422, ["from and to"]),
        ("vessel_id={silo}&from=2026-03-08T02:00:00Z", 422, ["from and to"]),
        ("vessel_id={silo}&from=2026-03-08T02:00:00Z&to=2026-03-08T01:00:00Z", 422, ["backwards", "02:00", "01:00"]),
        ("vessel_id={silo}&from=2026-03-08T02:00:00&to=2026-03-08T03:00:00Z", 422, ["/from"]),
        ("lot={bale}&from=2026-03-08T01:00:00Z", 422, ["only a vessel has a time", "lot"]),
        ("lot={bale}&suspect_discharge=true", 422, ["only a vessel discharges"]),
        ("vessel_id=99999999999999999999&from=2026-03-08T01:00:00Z&to=2026-03-08T02:00:00Z", 422, ["/vessel_id"]),
    ],
)
@pytest.mark.parametrize("path", ["/v1/recall", "/v1/recall.csv"])
def test_a_question_that_cannot_be_answered_says_why(
    plant: Plant, path: str, query: str, status: int, words: list[str]
) -> None:
    given = query.format(bale=opening(plant, "bale", "PET-BALES", "520"), silo=vessel(plant, "SILO-1"))
    problem = plant.get(f"{path}?{given}", status=status)
    said = " ".join([problem["detail"], problem["remedy"], *(" ".join(fault.values()) for fault in problem["errors"])])
    assert problem["remedy"]
    for word in words:
        assert word in said


def test_a_recall_that_is_refused_changes_nothing(plant: Plant) -> None:
    bale = opening(plant, "bale", "PET-BALES", "520")
    before = everything_in(plant.database)
    for body, status in (
        ({"lot": bale, "partner": "REED", "cause": CAUSE}, 422),
        ({"lot": bale}, 422),
        ({"partner": "NOBODY", "cause": CAUSE}, 404),
    ):
        plant.post("/v1/recalls", body, status=status)
    assert everything_in(plant.database) == before
