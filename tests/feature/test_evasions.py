"""Ways around a hold, a withheld gain or a packing check, each tried as somebody in a hurry would.

Method: first the guarded way is shown to be refused, then a correction that would have the same effect.
"""

from typing import Any

import pytest
from line_steps import at, charge, close, discharge, draw, feed, load, made, opening, out, start, vessel
from plant_fixture import SECOND_KEY, Plant
from sqlalchemy import delete

from service.lineage.derive_all import TABLES
from service.lineage.tables import plain
from service.lots.queries import get_lot, lines_of_lots


def flake(kg: str, category: str = "product") -> dict[str, Any]:
    return out("flake", "FLAKE", category, "clear_flake", kg)


def pellets(kg: str) -> dict[str, Any]:
    return out("pellets", "PELLETS", "product", "pellets", kg, hour=5)


def holds_on(plant: Plant, lot: str) -> int:
    return len(plant.get(f"/v1/lots/{lot}")["holds"])


def correct(plant: Plant, line: int, status: int = 201, **what: Any) -> Any:
    return plant.post(f"/v1/lines/{line}/corrections", {"reason": "wrong lot scanned"} | what, status=status)


@pytest.mark.parametrize("change", [{"withdraw": True}, {"start_at": at(2.5)}])
def test_correcting_a_feed_does_not_lift_a_hold_from_what_was_made(plant: Plant, change: dict[str, Any]) -> None:
    run = start(plant, "wash")
    bad = load(plant, "Reed Bank", 500)
    line = feed(plant, run, bad)["lines"][0]["id"]
    feed(plant, run, load(plant, "Bright Quay", 500))
    [lot] = discharge(plant, run, flake("990"))
    hold = plant.post("/v1/holds", {"lot": bad, "cause": "canister of solvent"})
    assert correct(plant, line, 409, **change)["code"] == "lot-on-hold"
    assert holds_on(plant, lot) == 1
    # A mass that was misread can be corrected: it takes nothing out of the set.
    correct(plant, line, mass_kg="499")
    assert holds_on(plant, lot) == 1
    plant.post(f"/v1/holds/{hold['id']}/lift", {"reason": "canister was empty and new"}, key=SECOND_KEY)
    correct(plant, line, **change)


def test_moving_a_draw_before_a_held_charge_does_not_lift_the_hold(plant: Plant) -> None:
    silo = vessel(plant, "SILO-1")
    charge(plant, silo, opening(plant, "flake", "FLAKE", "1000"), 1)
    bad = opening(plant, "flake", "FLAKE", "500")
    charge(plant, silo, bad, 3)
    lot = draw(plant, silo, "200", 4)
    plant.post("/v1/holds", {"lot": bad, "cause": "smells of solvent"})
    with plant.database.read() as session:
        [line] = [line.id for line in lines_of_lots(session, [get_lot(session, lot).id]).popitem()[1]]
    assert correct(plant, line, 409, start_at=at(2))["code"] == "lot-on-hold"
    assert holds_on(plant, lot) == 1


def test_giving_a_delivery_to_another_supplier_does_not_lift_his_hold(plant: Plant) -> None:
    for code in ("REED", "QUAY"):
        plant.post("/v1/partners", {"code": code, "name": code.title(), "is_supplier": True})
    lot = load(plant, "REED", 500)
    delivery = plant.get(f"/v1/lots/{lot}")["delivery_id"]
    plant.post("/v1/holds", {"partner": "REED", "cause": "declaration withdrawn"})
    change = {"supplier": "QUAY", "reason": "wrong supplier picked"}
    refused = plant.post(f"/v1/deliveries/{delivery}/corrections", change, status=409)
    assert refused["code"] == "supplier-on-hold"
    assert refused["errors"][0]["pointer"] == "/supplier"
    assert holds_on(plant, lot) == 1
    plant.post(f"/v1/deliveries/{delivery}/corrections", {"note_no": "77", "reason": "note number misread"})


def test_booking_the_product_as_by_product_does_not_free_a_withheld_gain(plant: Plant) -> None:
    lot = made(plant, "wash", {load(plant, "Reed Bank", 9_400): None}, flake("9800.75", "by_product"))
    recycled = plant.post(f"/v1/lots/{lot}/records", None)["record"]["recycled"]
    assert recycled["post_consumer_percent"] == "100.0"
    assert recycled["claimable_percent"] == "0.0"


def test_packing_more_than_there_is_is_refused_after_the_run_was_closed_too(plant: Plant) -> None:
    run = start(plant, "packing")
    feed(plant, run, opening(plant, "pellets", "PELLETS", "1000", "0.002"))
    bag = out("container", "PELLETS", "product", "bag", "999", "0.002")
    discharge(plant, run, bag)
    close(plant, run)
    late = {"discharges": [bag], "late_reason": "one more bag stood there"}
    assert plant.post(f"/v1/runs/{run}/discharges", late, status=422)["code"] == "containers-exceed-lot"
    assert len(plant.get(f"/v1/runs/{run}/balances")) == 1


def bale_with_wire(plant: Plant) -> str:
    """One bale of 498.5 kg with 1.5 kg of wire around it."""
    arrival = {
        "site": "MILL",
        "supplier_name": "Reed Bank",
        "material": "PET-BALES",
        "form": "bales",
        "arrived_at": at(0),
        "note_count": 1,
        "gross": {"instrument": "BRIDGE", "mass_kg": "15500", "weighed_at": at(0)},
    }
    delivery = plant.post("/v1/deliveries", arrival)["id"]
    tare = {"kind": "tare", "origin": "own", "instrument": "BRIDGE", "mass_kg": "15000", "weighed_at": at(0.2)}
    plant.post(f"/v1/deliveries/{delivery}/weighings", tare)
    plant.post(f"/v1/deliveries/{delivery}/deductions", {"kind": "tie", "pieces": 1, "per_piece_kg": "1.5"})
    return str(plant.post(f"/v1/deliveries/{delivery}/bales", {"count": 1})["bales"][0]["code"])


def test_the_wire_of_a_bale_goes_with_its_feed_and_is_booked_once(plant: Plant) -> None:
    bale = bale_with_wire(plant)
    wrong, right = start(plant, "wash"), start(plant, "wash")
    lines = feed(plant, wrong, bale)["lines"]
    assert [(line["category"], line["mass_kg"]) for line in lines] == [("feed", "498.500"), ("ties", "1.500")]
    correct(plant, lines[0]["id"], withdraw=True)
    assert plant.get(f"/v1/runs/{wrong}")["lines"] == []
    feed(plant, right, bale, "100")
    both = feed(plant, right, bale, amount="rest")["lines"]
    assert [line["mass_kg"] for line in both if line["category"] == "ties"] == ["1.500"]
    correct(plant, both[0]["id"], withdraw=True)
    left = plant.get(f"/v1/runs/{right}")["lines"]
    assert sorted(line["category"] for line in left) == ["feed", "ties"]


def sorted_with_ejects(plant: Plant, fed: str) -> tuple[int, str]:
    """A sorting run that was fed with a lot, and its ejects, meant to run back into it."""
    run = start(plant, "flake_sorting")
    feed(plant, run, fed)
    ejects, _ = discharge(plant, run, flake("100", "internal_loop"), flake("890"))
    return run, ejects


def test_taking_flake_out_as_internal_loop_does_not_lift_a_hold_from_it(plant: Plant) -> None:
    bad = opening(plant, "flake", "FLAKE", "1000")
    _, ejects = sorted_with_ejects(plant, bad)
    lot = made(plant, "extrusion", {ejects: "50"}, pellets("50"), hour=4)
    hold = plant.post("/v1/holds", {"lot": bad, "cause": "canister of solvent"})
    assert {ejects, lot} <= set(hold["affected_lots"])
    assert holds_on(plant, ejects) == holds_on(plant, lot) == 1
    refused = feed(plant, start(plant, "extrusion"), ejects, amount="rest", start_at=at(4), status=409)
    assert refused["code"] == "lot-on-hold"
    assert lot in {row["lot"] for row in plant.get(f"/v1/lots/{bad}/descendants")["affected"]}


def test_no_circle_is_closed_through_what_was_taken_out_as_internal_loop(plant: Plant) -> None:
    run, ejects = sorted_with_ejects(plant, opening(plant, "flake", "FLAKE", "1000"))
    lot = made(plant, "extrusion", {ejects: None}, pellets("90"), hour=4)
    assert feed(plant, run, lot, start_at=at(6), status=422)["code"] == "lineage-circle"
    assert plant.get(f"/v1/lots/{lot}/trace")["remainder"] == "0.000000000000"


@pytest.mark.parametrize("subject", ["lot", "delivery_id", "partner"])
def test_a_held_load_is_not_recorded_again_as_a_fresh_one(plant: Plant, subject: str) -> None:
    bale = bale_with_wire(plant)
    delivery = plant.get(f"/v1/lots/{bale}")["delivery_id"]
    supplier = plant.get(f"/v1/deliveries/{delivery}")["supplier"]
    named = {"lot": bale, "delivery_id": delivery, "partner": supplier}[subject]
    hold = plant.post("/v1/holds", {subject: named, "cause": "canister of solvent"})["id"]
    reversal = {"reason": "entered twice"}
    refused = plant.post(f"/v1/deliveries/{delivery}/reversal", reversal, status=409)
    assert refused["code"] == "delivery-on-hold"
    assert str(hold) in refused["errors"][0]["detail"]
    assert holds_on(plant, bale) == 1
    plant.post(f"/v1/holds/{hold}/lift", {"reason": "it was the next truck"}, key=SECOND_KEY)
    assert plant.post(f"/v1/deliveries/{delivery}/reversal", reversal)["is_reversed"]


def test_a_lot_of_which_nothing_was_worked_out_is_walked_before_it_is_let_through(plant: Plant) -> None:
    run = start(plant, "wash")
    bad = load(plant, "Reed Bank", 500)
    feed(plant, run, bad)
    [lot] = discharge(plant, run, flake("490"))
    plant.post("/v1/holds", {"lot": bad, "cause": "canister of solvent"})
    plant.database.write(lambda session: [session.execute(delete(plain(table))) for table in TABLES])
    assert holds_on(plant, lot) == 1
    assert feed(plant, start(plant, "extrusion", 3), lot, start_at=at(4), status=409)["code"] == "lot-on-hold"
