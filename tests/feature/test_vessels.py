"""Vessels over HTTP: mixed, first in first out, proven, emptied (acceptance scenarios P06, P10, P11).

Method: all masses dry, so that the printed kilograms can be compared; figures recomputed with fractions.
"""

import pytest
from line_steps import at, charge, draw, load, opening, shares, trace, vessel
from plant_fixture import Plant

from service.lots.queries import consuming_lines, get_lot

KG = 0.1  # tolerance of the scenarios on compared masses


def filled(plant: Plant, mixing: str, **more: str) -> tuple[list[str], list[str], int]:
    """Heel 3,200 F1; +18,000 F2; -10,000; +12,000 F3; -15,000. Gives (charged, drawn, vessel)."""
    silo = vessel(plant, "SILO-1", mixing, **more)
    fed = [opening(plant, "flake", "FLAKE", kg) for kg in ("3200", "18000", "12000")]
    charge(plant, silo, fed[0], 1)
    charge(plant, silo, fed[1], 2)
    first = draw(plant, silo, "10000", 3)
    charge(plant, silo, fed[2], 4)
    return fed, [first, draw(plant, silo, "15000", 5)], silo


def masses(plant: Plant, lot: str, kg: float) -> dict[str, float]:
    return {code: share * kg for code, share in shares(plant, lot).items()}


def test_p06_loose_loads_in_a_bay_mix(plant: Plant) -> None:
    bay = vessel(plant, "BAY-3")
    first, second = load(plant, "Alpine Glade", 8_900), load(plant, "Bright Quay", 7_460)
    charge(plant, bay, first, 1)
    content = charge(plant, bay, second, 2, kg="7450")
    assert content["content_dry_kg"] == "16350.000"
    by_lot = {row["lot"]: float(row["share"]) * 100 for row in content["content"]}
    assert by_lot == {first: pytest.approx(54.43, abs=0.01), second: pytest.approx(45.57, abs=0.01)}
    drawn = draw(plant, bay, "1000", 3, "loose", "PET-LOOSE")
    assert set(trace(plant, drawn)["may_contain"]) == {first, second}
    by_supplier = {row["supplier"]: float(row["share"]) for row in trace(plant, drawn)["suppliers"]}
    assert by_supplier["Alpine Glade"] == pytest.approx(0.5443, abs=1e-4)


def test_p10_a_mixed_silo_never_forgets(plant: Plant) -> None:
    (f1, f2, f3), (first, second), silo = filled(plant, "well_mixed")
    assert masses(plant, first, 10_000) == pytest.approx({f1: 1509.4, f2: 8490.6}, abs=KG)
    assert masses(plant, second, 15_000) == pytest.approx({f1: 1093.0, f2: 6148.3, f3: 7758.6}, abs=KG)
    left = {row["lot"]: float(row["dry_kg"]) for row in plant.get(f"/v1/vessels/{silo}")["content"]}
    assert left == pytest.approx({f1: 597.5, f2: 3361.1, f3: 4241.4}, abs=KG)
    assert sum(left.values()) == pytest.approx(8_200, abs=1e-9)


def test_p11_first_in_first_out_keeps_the_wide_set_unless_proven(plant: Plant) -> None:
    (f1, f2, f3), (first, second), _ = filled(plant, "first_in_first_out")
    assert masses(plant, first, 10_000) == pytest.approx({f1: 3_200, f2: 6_800}, abs=KG)
    assert masses(plant, second, 15_000) == pytest.approx({f2: 11_200, f3: 3_800}, abs=KG)
    assert set(trace(plant, second)["may_contain"]) == {f1, f2, f3}


@pytest.mark.parametrize(("proof_from", "is_proven"), [(0, True), (4.5, True), (5.5, False)])
def test_p11_a_proof_valid_on_that_date_narrows_the_set(plant: Plant, proof_from: float, is_proven: bool) -> None:
    proof = {"proof_sha256": "ab" * 32, "proof_from": at(proof_from)}
    (f1, f2, f3), (_, second), _ = filled(plant, "first_in_first_out", **proof)
    expected = {f2, f3} if is_proven else {f1, f2, f3}
    assert set(trace(plant, second)["may_contain"]) == expected


def test_proven_empty_ends_the_reach_of_what_stood_there(plant: Plant) -> None:
    _, _, silo = filled(plant, "well_mixed")
    after = opening(plant, "flake", "FLAKE", "1000")
    early = plant.post(f"/v1/vessels/{silo}/proven-empty", {"at": at(4.5), "note": "looked in"}, status=409)
    assert early["code"] == "vessel-not-empty-then"
    plant.post(f"/v1/vessels/{silo}/proven-empty", {"at": at(6), "note": "emptied, swept and inspected"})
    charge(plant, silo, after, 7)
    drawn = draw(plant, silo, "400", 8)
    assert trace(plant, drawn)["may_contain"] == [after]
    assert plant.get(f"/v1/vessels/{silo}")["content_dry_kg"] == "600.000"


def test_a_late_charge_goes_into_the_period_of_its_time(plant: Plant) -> None:
    (f1, f2, f3), (_, second), silo = filled(plant, "well_mixed")
    plant.post(f"/v1/vessels/{silo}/proven-empty", {"at": at(6), "note": "emptied and inspected"})
    late = opening(plant, "flake", "FLAKE", "500")
    charge(plant, silo, late, 4.5)
    assert set(trace(plant, second)["may_contain"]) == {f1, f2, f3, late}


def test_an_overdrawn_vessel_is_recorded_and_says_what_nothing_explains(plant: Plant) -> None:
    silo = vessel(plant, "SILO-2")
    lot = opening(plant, "flake", "FLAKE", "900")
    charge(plant, silo, lot, 1)
    drawn = draw(plant, silo, "1000", 2)
    traced = trace(plant, drawn)
    assert traced["remainder"] == "0.100000000000"
    assert traced["unattributed_lots"] == [drawn]
    assert plant.get(f"/v1/vessels/{silo}")["overdrawn_dry_kg"] == "100.000"


def test_silo_to_silo_and_back_is_legal(plant: Plant) -> None:
    one, two = vessel(plant, "SILO-3"), vessel(plant, "SILO-4")
    lot = opening(plant, "flake", "FLAKE", "1000")
    charge(plant, one, lot, 1)
    there = draw(plant, one, "600", 2)
    charge(plant, two, there, 3)
    back = draw(plant, two, "600", 4)
    charge(plant, one, back, 5)
    last = draw(plant, one, "1000", 6)
    whole = "1.000000000000"
    assert trace(plant, last)["shares"] == [
        {"bale": lot, "kind": "before records began", "share": whole, "min_share": whole, "max_share": whole}
    ]


def test_charging_a_vessel_with_what_was_drawn_from_it_later_is_refused(plant: Plant) -> None:
    silo = vessel(plant, "SILO-5")
    charge(plant, silo, opening(plant, "flake", "FLAKE", "1000"), 1)
    drawn = draw(plant, silo, "600", 3)
    refused = charge(plant, silo, drawn, 2, status=422)
    assert refused["code"] == "lineage-circle"


def test_moving_a_charge_back_in_time_may_not_close_a_circle(plant: Plant) -> None:
    silo = vessel(plant, "SILO-6")
    charge(plant, silo, opening(plant, "flake", "FLAKE", "1000"), 1)
    hours = {"start_at": at(2), "end_at": at(4)}
    body = {"kind": "flake", "material": "FLAKE", "mass_kg": "600", "moisture_fraction": "0"} | hours
    drawn = plant.post(f"/v1/vessels/{silo}/draws", body)["drawn_lot"]
    charge(plant, silo, drawn, 5)
    with plant.database.read() as session:
        line = consuming_lines(session, get_lot(session, drawn).id)[0].id
    plant.post(f"/v1/lines/{line}/corrections", {"reason": "booked an hour early", "start_at": at(4.5)})
    # While it was still being drawn it cannot already have gone back in.
    circle = plant.post(f"/v1/lines/{line}/corrections", {"reason": "wrong", "start_at": at(3)}, status=422)
    assert circle["code"] == "lineage-circle"
    assert drawn in circle["errors"][0]["detail"]
