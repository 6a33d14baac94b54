"""Goal: bad input is refused with status, code, field and remedy, all faults at once, and changes nothing.

Method: tables of bad requests against a small plant on each engine. After each one every row of every table,
counters and stored answers among them, is compared with what was there before (`refused.Gate.refuses`).
Bodies that are broken below the level of fields are in `test_unreadable_input`.
"""

from typing import Any

import pytest
from gate import at, reading
from plant_fixture import Plant
from refused import Gate, flake, opening

INVALID = (422, "invalid-request")
UNREADABLE = (400, "unreadable-json")


@pytest.fixture
def gate(plant: Plant) -> Gate:
    return Gate(plant)


def test_the_requests_that_the_tables_spoil_are_good(gate: Gate) -> None:
    gate.plant.post("/v1/opening-lots", opening())
    gate.plant.post(f"/v1/runs/{gate.run}/feeds", gate.feed())
    gate.plant.post(f"/v1/runs/{gate.run}/discharges", flake())
    with pytest.raises(AssertionError):
        gate.is_unchanged()


BAD_MASSES: tuple[Any, ...] = (
    "-1", -1, "-0.001", "0", 0, "0.000", "1000000000", 10**12, 10**400, "1e3", "0x10", "NaN", "Infinity",
    "-Infinity", "", " ", "heavy", "1.2345", 0.1 + 0.2, 1e-7, "1,5", "1 000", "1_000", "１２", True, [], ["5"], {},
)  # fmt: skip


def test_masses(gate: Gate) -> None:
    weighing = {"kind": "tare", "instrument": "BRIDGE", "weighed_at": at(5.5)}
    box = {"code": "BOX", "name": "Box", "u_tare_kg": "1", "valid_from": at(0)}
    for mass in BAD_MASSES:
        gate.refuses("/v1/opening-lots", opening(mass_kg=mass), *INVALID, "/mass_kg")
        gate.refuses(f"/v1/deliveries/{gate.ticket}/weighings", weighing | {"mass_kg": mass}, *INVALID, "/mass_kg")
        gate.refuses("/v1/container-types", box | {"tare_kg": mass}, *INVALID, "/tare_kg")
        amount = gate.feed(amount="mass", mass_kg=mass)
        gate.refuses(f"/v1/runs/{gate.run}/feeds", amount, *INVALID, "/feeds/0/mass_kg")
        gate.refuses(f"/v1/runs/{gate.run}/discharges", flake(mass_kg=mass), *INVALID, "/discharges/0/mass_kg")


def test_constants_that_are_no_json(gate: Gate) -> None:
    for constant in ("NaN", "Infinity", "-Infinity"):
        problem = gate.refuses("/v1/opening-lots", b'{"mass_kg": ' + constant.encode() + b"}", *UNREADABLE)
        assert constant in problem["errors"][0]["detail"]


def test_a_mass_no_scale_can_show(gate: Gate) -> None:
    weighing = {"kind": "tare", "instrument": "BRIDGE", "mass_kg": "60180.001", "weighed_at": at(5.5)}
    # Max 60,000 kg + 9 e of 20 kg
    path = f"/v1/deliveries/{gate.ticket}/weighings"
    problem = gate.refuses(path, weighing, 422, "beyond-scale-range", "/mass_kg")
    assert "60180.000 kg" in problem["errors"][0]["detail"]


BAD_FRACTIONS: tuple[Any, ...] = (
    "-0.1", -0.1, "1.000001", "1.1", 2, "100", "5 %", "NaN", "Infinity", "", "dry", "0.1234567", 0.1 + 0.2, 1e-9,
    10**400, True, [], {},
)  # fmt: skip


def test_moistures_and_other_fractions(gate: Gate) -> None:
    sample = {"basis": "measured", "taken_at": at(4), "reason": "a test"}
    for fraction in BAD_FRACTIONS:
        gate.refuses("/v1/opening-lots", opening(moisture_fraction=fraction), *INVALID, "/moisture_fraction")
        for path in (f"/v1/lots/{gate.lot}/moisture", f"/v1/deliveries/{gate.ticket}/moisture"):
            gate.refuses(path, sample | {"moisture_fraction": fraction}, *INVALID, "/moisture_fraction")
    for fraction in (*BAD_FRACTIONS, "0", 0):
        losses = {"losses": [{"stream": "effluent", "fraction_of_dry_in": fraction, "at": at(2)}]}
        gate.refuses(f"/v1/runs/{gate.run}/losses", losses, *INVALID, "/losses/0/fraction_of_dry_in")


def test_a_tare_that_is_not_below_the_gross(gate: Gate) -> None:
    path = f"/v1/deliveries/{gate.ticket}/weighings"
    for tare in ("39860", "39860.001", "45000"):
        weighing = {"kind": "tare", "instrument": "BRIDGE", "mass_kg": tare, "weighed_at": at(5.5)}
        problem = gate.refuses(path, weighing, 422, "tare-not-below-gross", "/mass_kg")
        assert "39860.000 kg" in problem["errors"][0]["detail"]


def test_a_ticket_number_that_was_used(gate: Gate) -> None:
    again = {"kind": "gross", "instrument": "BRIDGE", "mass_kg": "30000", "weighed_at": at(5.5), "ticket_no": "W1"}
    path = f"/v1/deliveries/{gate.ticket}/weighings"
    gate.refuses(path, again, 409, "ticket-number-taken", "/ticket_no")
    truck = {"site": "MILL", "supplier": "NORTH", "material": "PET-BALES", "form": "bales", "arrived_at": at(5)}
    gross = {"gross": reading("30000", ticket_no="W1")}
    gate.refuses("/v1/deliveries", truck | gross, 409, "ticket-number-taken", "/gross/ticket_no")


def test_codes_that_name_nothing(gate: Gate) -> None:
    truck = {"site": "MILL", "supplier": "NO", "material": "NO", "form": "bales", "arrived_at": at(5), "owner": "NO"}
    pointers = ("/supplier", "/material", "/owner", "/gross/instrument")
    gate.refuses("/v1/deliveries", truck | {"gross": reading("1", "NO")}, 422, "unknown-code", *pointers)
    gate.refuses("/v1/opening-lots", opening(material="NO"), 422, "opening-lot-refused", "/material")
    discharges = f"/v1/runs/{gate.run}/discharges"
    gate.refuses(discharges, flake(material="NO"), 422, "discharges-refused", "/discharges/0/material")
    tare = {"mass_kg": None, "gross_kg": "100", "tares": [{"container_type": "NO", "pieces": 1}]}
    pointer = "/discharges/0/tares/0/container_type"
    gate.refuses(discharges, flake(**tare), 422, "discharges-refused", pointer)
    feeds = f"/v1/runs/{gate.run}/feeds"
    gate.refuses(feeds, gate.feed(lot="0000000000"), 422, "feeds-refused", "/feeds/0/lot")
    gate.refuses(feeds, gate.feed(lot="not-a-code"), 422, "feeds-refused", "/feeds/0/lot")
    charge = {"lot": "0000000000", "amount": "whole", "start_at": at(2)}
    gate.refuses(f"/v1/vessels/{gate.vessel}/charges", charge, 422, "charge-refused", "/lot")


NAMING_NOTHING: tuple[tuple[str, Any, str, str], ...] = (
    ("/v1/opening-lots", opening(site="NO"), "site-not-found", "'NO'"),
    ("/v1/runs", {"site": "NO", "step": "wash", "started_at": at(1)}, "site-not-found", "'NO'"),
    ("/v1/holds", {"lot": "0000000000", "cause": "a test"}, "lot-not-found", "0000000000"),
    ("/v1/holds", {"delivery_id": 77, "cause": "a test"}, "delivery-not-found", "77"),
    ("/v1/holds", {"partner": "NO", "cause": "a test"}, "partner-not-found", "'NO'"),
    ("/v1/holds/77/lift", {"reason": "a test"}, "hold-not-found", "77"),
    ("/v1/runs/77/close", {"ended_at": at(3)}, "run-not-found", "77"),
    ("/v1/lines/77/corrections", {"reason": "a test", "withdraw": True}, "line-not-found", "77"),
    ("/v1/deliveries/77/reversal", {"reason": "a test"}, "delivery-not-found", "77"),
    ("/v1/vessels/77/proven-empty", {"at": at(3), "note": "a test"}, "vessel-not-found", "77"),
    ("/v1/partners/77/mapping", {"code": "X", "reason": "a test"}, "partner-not-found", "77"),
    ("/v1/lots/0000000000/records", None, "lot-not-found", "0000000000"),
)


def test_numbers_and_codes_that_are_not_found(gate: Gate) -> None:
    for path, body, code, named in NAMING_NOTHING:
        assert named in gate.refuses(path, body, 404, code)["detail"]


def test_more_than_a_lot_holds(gate: Gate) -> None:
    feeds = f"/v1/runs/{gate.run}/feeds"
    too_much = gate.feed(amount="mass", mass_kg="1000.001")
    problem = gate.refuses(feeds, too_much, 422, "lot-gives-more-than-it-holds", "/feeds/0/mass_kg")
    assert "0.001 kg more" in problem["errors"][0]["detail"]
    half = gate.feed(amount="mass", mass_kg="500.001")["feeds"]
    gate.refuses(feeds, {"feeds": half * 2}, 422, "lot-gives-more-than-it-holds")
    whole_twice = {"feeds": gate.feed()["feeds"] * 2}
    gate.refuses(feeds, whole_twice, 422, "feeds-refused", "/feeds/0/amount", "/feeds/1/amount")
    gate.refuses(feeds, gate.feed(amount="mass"), 422, "feeds-refused", "/feeds/0/mass_kg")
    charge = {"lot": gate.lot, "amount": "mass", "mass_kg": "1001", "start_at": at(2)}
    gate.refuses(f"/v1/vessels/{gate.vessel}/charges", charge, 422, "lot-gives-more-than-it-holds", "/mass_kg")


BAD_TIMES: tuple[Any, ...] = (
    "2026-03-09T02:00:00", "2026-03-09", "2026-03-09T25:00:00Z", "2026-02-30T02:00:00Z", "yesterday", "", 1773021600,
    1773021600.5, "1773021600", True, [], {}, "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00",
    "1969-12-31T23:59:59Z", "2200-01-01T00:00:00Z", "09.03.2026 02:00",
)  # fmt: skip


def test_times(gate: Gate) -> None:
    for time in BAD_TIMES:
        gate.refuses("/v1/opening-lots", opening(found_at=time), *INVALID, "/found_at")
        gate.refuses("/v1/runs", {"site": "MILL", "step": "wash", "started_at": time}, *INVALID, "/started_at")
        gate.refuses(f"/v1/runs/{gate.run}/feeds", gate.feed(start_at=time), *INVALID, "/feeds/0/start_at")
        truck = {"site": "MILL", "supplier": "NORTH", "material": "PET-BALES", "form": "bales", "arrived_at": time}
        gate.refuses("/v1/deliveries", truck, *INVALID, "/arrived_at")


def test_times_that_have_not_come_yet(gate: Gate) -> None:
    later = at(7)
    gate.refuses("/v1/opening-lots", opening(found_at=later), 422, "opening-lot-refused", "/found_at")
    feeds = f"/v1/runs/{gate.run}/feeds"
    gate.refuses(feeds, gate.feed(start_at=later), 422, "feeds-refused", "/feeds/0/start_at")
    tare = {"kind": "tare", "instrument": "BRIDGE", "mass_kg": "15000", "weighed_at": later}
    path = f"/v1/deliveries/{gate.ticket}/weighings"
    gate.refuses(path, tare, 422, "time-in-future", "/weighed_at")


def test_intervals_that_run_backwards(gate: Gate) -> None:
    backwards = {"valid_from": at(3), "valid_to": at(2)}
    box = {"code": "BOX", "name": "Box", "tare_kg": "1", "u_tare_kg": "1"}
    gate.refuses("/v1/container-types", box | backwards, *INVALID, "/valid_to")
    gate.refuses("/v1/container-types", box | backwards | {"valid_to": at(3)}, *INVALID, "/valid_to")
    setting = {"key": "lot_tolerance_kg", "value": "1", "source": "a test"}
    gate.refuses("/v1/settings", setting | backwards, *INVALID, "/valid_to")
    scale = {"site": "MILL", "code": "S", "name": "S", "kind": "platform", "accuracy_class": "III", "max_kg": "9"}
    calibrated = {"e_kg": "1", "calibrated_from": at(3), "calibrated_to": at(2)}
    gate.refuses("/v1/instruments", scale | calibrated, *INVALID, "/calibrated_to")
    span = {"start_at": at(3), "end_at": at(2)}
    gate.refuses(f"/v1/runs/{gate.run}/feeds", gate.feed(**span), 422, "feeds-refused", "/feeds/0/end_at")
    discharges = f"/v1/runs/{gate.run}/discharges"
    gate.refuses(discharges, flake(**span), 422, "discharges-refused", "/discharges/0/end_at")
    sample = {
        "moisture_fraction": "0.1",
        "basis": "measured",
        "taken_at": at(3),
        "reported_at": at(2),
        "reason": "test",
    }
    gate.refuses(f"/v1/lots/{gate.lot}/moisture", sample, 422, "times-backwards", "/reported_at")
    gate.refuses(f"/v1/deliveries/{gate.ticket}/moisture", sample, *INVALID, "/reported_at")
    before_it_began = {"ended_at": at(0.5)}
    problem = gate.refuses(f"/v1/runs/{gate.run}/close", before_it_began, 422, "close-refused")
    assert problem["errors"]


def test_fields_nobody_knows(gate: Gate) -> None:
    gate.refuses("/v1/opening-lots", opening(mass_lb="2200"), *INVALID, "/mass_lb")
    gate.refuses(f"/v1/runs/{gate.run}/feeds", gate.feed(Lot="x", kg=1), *INVALID, "/feeds/0/Lot", "/feeds/0/kg")
    gate.refuses("/v1/opening-lots", opening(**{"a/b~c": 1}), *INVALID, "/a~1b~0c")  # RFC 6901 section 3


WRONG_TYPES: tuple[tuple[str, Any], ...] = (
    ("site", 5), ("site", ["MILL"]), ("site", {}), ("site", True), ("site", None), ("kind", "brick"), ("kind", 1),
    ("note", 5), ("note", ["x"]), ("material", "flake"), ("material", "F" * 33), ("note", "n" * 401),
)  # fmt: skip


def test_wrong_types_and_lengths(gate: Gate) -> None:
    for name, value in WRONG_TYPES:
        gate.refuses("/v1/opening-lots", opening(**{name: value}), *INVALID, f"/{name}")
    material = {"code": "M", "name": "M", "form": "flake", "polymer": "PET", "colour": "clear", "waste_class": "none"}
    for word in ("yes", 1, "true", 0, None):
        gate.refuses("/v1/materials", material | {"food_candidate": word}, *INVALID, "/food_candidate")
    bad_pieces: tuple[Any, ...] = (True, 1.5, "many", 0, -1, 201, 10**400, [])
    for pieces in bad_pieces:
        gate.refuses(f"/v1/runs/{gate.run}/discharges", flake(pieces=pieces), *INVALID, "/discharges/0/pieces")
    gate.refuses(f"/v1/runs/{gate.run}/feeds", {"feeds": gate.feed()["feeds"][0]}, *INVALID, "/feeds")
    gate.refuses(f"/v1/runs/{gate.run}/feeds", {"feeds": []}, *INVALID, "/feeds")
    gate.refuses(f"/v1/runs/{gate.run}/feeds", {"feeds": [None, 5]}, *INVALID, "/feeds/0", "/feeds/1")
    gate.refuses(f"/v1/runs/{gate.run}/feeds", {"feeds": gate.feed()["feeds"] * 201}, *INVALID, "/feeds")


def test_several_faults_are_named_together(gate: Gate) -> None:
    spoilt = opening(mass_kg="-5", moisture_fraction="1.5", found_at="noon", kind="brick", colour="red")
    del spoilt["site"]
    pointers = ("/mass_kg", "/moisture_fraction", "/found_at", "/kind", "/colour", "/site")
    assert "6 faults" in gate.refuses("/v1/opening-lots", spoilt, *INVALID, *pointers)["detail"]
    body = {"feeds": gate.feed(lot="0000000000", start_at=at(0.2))["feeds"] + gate.feed(end_at=at(1.5))["feeds"]}
    of_feeds = ("/feeds/0/lot", "/feeds/0/start_at", "/feeds/1/end_at")
    gate.refuses(f"/v1/runs/{gate.run}/feeds", body, 422, "feeds-refused", *of_feeds)
    wrong = flake(material="NO", into_lot="0000000000", end_at=at(2))
    of_discharges = ("/discharges/0/material", "/discharges/0/into_lot", "/discharges/0/end_at")
    gate.refuses(f"/v1/runs/{gate.run}/discharges", wrong, 422, "discharges-refused", *of_discharges)
