"""Goal: a truck becomes a ticket with three masses (P01, P02), in the order trucks come, with bad input refused whole.

Method: over HTTP on both engines with a frozen clock. Expected figures are the acceptance scenarios', which
were computed apart from this code; comparing is exact because stored masses are.
"""

import base64
from typing import Any

import pytest
from gate import act, arrive, at, contract, p01, reading, stamp, supplier, ticket, weigh
from plant_fixture import Plant


def test_p01_net_weight_and_its_doubt(plant: Plant):
    masses = p01(plant)["masses"]
    assert masses["net_kg"] == "24440.000"
    assert masses["physical_deductions_kg"] == "72.000"
    assert masses["material_kg"] == "24368.000"
    # 2 x sqrt(40^2/3 + 40^2/3) = 65.3197 kg: in-service limits of +-40 kg each, rectangular (scenario P01).
    assert masses["uncertainty"]["net_expanded_uncertainty_kg"] == "65.320"
    assert masses["uncertainty"]["coverage_factor"] == "2"
    assert "not the span error" in masses["uncertainty"]["covers"]


@pytest.mark.parametrize(("formula", "payable"), [("additive", "23588.224"), ("dry_equivalent", "23572.310")])
def test_p02_three_masses_by_either_formula(plant: Plant, formula: str, payable: str):
    supplier(plant)
    contract(plant, formula)
    delivery = weigh(plant, arrive(plant), "tare", "15420")
    assert delivery["masses"]["payable_kg"] is None
    assert "no moisture" in delivery["masses"]["payable_missing_because"]
    masses = act(
        plant, delivery, "moisture", moisture_fraction="0.052", basis="measured", taken_at=at(5.2), reason="oven"
    )["masses"]
    # P02: dry 23,100.9 in both cases; payable 23,588.2 additive and 23,572.3 dry equivalent.
    assert (masses["material_kg"], masses["dry_kg"]) == ("24368.000", "23100.864")
    assert (masses["payable_kg"], masses["payable_formula"]) == (payable, formula)
    assert masses["payable_is_provisional"] is False


def test_dry_mass_rests_on_the_plants_default_until_something_is_known(plant: Plant):
    masses = p01(plant)["masses"]
    assert (masses["moisture"]["moisture_fraction"], masses["moisture"]["basis"]) == ("0.050000", "default")
    assert masses["dry_kg"] == "23149.600"


def test_late_final_moisture_keeps_the_provisional_readable(plant: Plant):
    delivery = p01(plant)
    given: dict[str, Any] = {"taken_at": at(5.2), "method": "oven", "reason": "laboratory reported"}
    early = act(plant, delivery, "moisture", moisture_fraction="0.03", basis="provisional", **given)
    assert early["masses"]["payable_is_provisional"] is True
    # additive: 24,368 x (1 - 0.01)
    assert early["masses"]["payable_kg"] == "24124.320"
    known = stamp(plant)
    plant.clock.advance(days=3)
    late = act(
        plant, delivery, "moisture", moisture_fraction="0.052", basis="measured", reported_at=plant.clock().isoformat(),
        **given,
    )  # fmt: skip
    assert late["masses"]["payable_kg"] == "23588.224"
    path = f"/v1/deliveries/{delivery['id']}"
    then = plant.get(f"{path}?known_at={known}")
    assert then["masses"] == early["masses"]
    versions = plant.get(f"{path}/versions")["moisture"]
    assert [row["facts"]["basis"] for row in versions] == ["provisional", "measured"]
    assert versions[1]["stamp"]["reason"] == "laboratory reported"
    back = act(plant, delivery, "moisture", moisture_fraction="0.01", basis="provisional", status=409, **given)
    assert back["code"] == "moisture-measured"


def test_p23_same_request_three_times_is_one_delivery(plant: Plant):
    supplier(plant)
    answers = [plant.request("POST", "/v1/deliveries", ticket(), idempotency_key="truck-1") for _ in range(3)]
    assert [answer.status_code for answer in answers] == [201, 201, 201]
    assert len({answer.content for answer in answers}) == 1
    assert answers[2].headers["Idempotency-Replayed"] == "true"
    assert answers[0].headers["Location"] == f"/v1/deliveries/{answers[0].json()['id']}"
    other = plant.request("POST", "/v1/deliveries", ticket(gross=reading("39880")), idempotency_key="truck-1")
    assert (other.status_code, other.json()["code"]) == (409, "idempotency-key-reused")
    page = plant.get("/v1/deliveries")
    assert [row["ticket_no"] for row in page["deliveries"]] == ["T000001"]
    assert plant.get(f"/v1/deliveries/{answers[0].json()['id']}") == answers[0].json()


def test_ticket_numbers_have_no_gap_after_a_refused_request(plant: Plant):
    supplier(plant)
    assert arrive(plant)["ticket_no"] == "T000001"
    # Refused after both numbers were taken: the delivery's, and the scale's.
    assert plant.post("/v1/deliveries", ticket(gross=reading("60181")), status=422)["code"] == "beyond-scale-range"
    assert plant.post("/v1/deliveries", ticket(supplier="EAST"), status=422)["code"] == "unknown-code"
    second = arrive(plant)
    assert second["ticket_no"] == "T000002"
    assert second["weighings"][0]["ticket_no"] == "000002"
    refused = weigh(plant, second, "tare", "39860", status=422)
    assert refused["code"] == "tare-not-below-gross"
    assert weigh(plant, second, "tare", "15420")["weighings"][1]["ticket_no"] == "000003"


def test_tare_not_below_gross_is_refused_with_both_numbers(plant: Plant):
    supplier(plant)
    delivery = arrive(plant)
    refused = weigh(plant, delivery, "tare", "39880", status=422)
    assert "39880.000" in refused["detail"]
    assert "39860.000" in refused["detail"]
    assert refused["errors"][0]["pointer"] == "/mass_kg"
    assert plant.get(f"/v1/deliveries/{delivery['id']}") == delivery


def test_deductions_that_leave_nothing_are_refused(plant: Plant):
    delivery = p01(plant)
    refused = act(plant, delivery, "deductions", kind="pallet", pieces=1000, per_piece_kg="25", status=422)
    assert refused["code"] == "net-not-positive"
    assert refused["errors"][0]["pointer"] == "/per_piece_kg"
    refused = act(plant, delivery, "deductions", kind="contaminant", pieces=1, per_piece_kg="24369", status=422)
    assert refused["code"] == "nothing-left-to-pay"
    assert plant.get(f"/v1/deliveries/{delivery['id']}") == delivery


def test_scale_shows_nothing_above_max_plus_nine_intervals(plant: Plant):
    """OIML R 76-1: no indication above Max + 9 e (clause from memory); 60,000 + 9 x 20 = 60,180 kg."""
    supplier(plant)
    assert arrive(plant, gross=reading("60180"))["weighings"][0]["mass_kg"] == "60180.000"
    refused = plant.post("/v1/deliveries", ticket(gross=reading("60180.001")), status=422)
    assert refused["errors"][0]["pointer"] == "/gross/mass_kg"
    assert "60180.000" in refused["errors"][0]["detail"]


def test_ticket_number_of_a_scale_is_used_once(plant: Plant):
    supplier(plant)
    first = arrive(plant, gross=reading("39860", ticket_no="88", entry="manual"))
    assert first["weighings"][0]["entry"] == "manual"
    refused = plant.post("/v1/deliveries", ticket(gross=reading("39860", ticket_no="88")), status=409)
    assert refused["code"] == "ticket-number-taken"
    assert refused["errors"][0]["pointer"] == "/gross/ticket_no"
    assert str(first["id"]) in refused["detail"]
    assert weigh(plant, first, "tare", "15420", ticket_no="88", status=409)["code"] == "ticket-number-taken"
    assert len(plant.get("/v1/deliveries")["deliveries"]) == 1


def test_scale_passes_over_a_number_that_was_typed_in_ahead(plant: Plant):
    supplier(plant)
    delivery = arrive(plant, gross=reading("39860", ticket_no="000001", entry="manual"))
    assert weigh(plant, delivery, "tare", "15420")["weighings"][1]["ticket_no"] == "000002"


def test_supplier_ticket_may_carry_gross_and_tare_but_each_once(plant: Plant):
    supplier(plant)
    delivery = arrive(plant)
    theirs: dict[str, Any] = {"origin": "supplier", "ticket_no": "55", "ticket_series": "NORTH"}
    weigh(plant, delivery, "gross", "40400", **theirs)
    assert len(weigh(plant, delivery, "tare", "15420", **theirs)["weighings"]) == 3
    assert weigh(plant, delivery, "gross", "40400", status=409, **theirs)["code"] == "ticket-number-taken"


def test_stored_tare_is_marked_and_states_no_uncertainty(plant: Plant):
    supplier(plant)
    delivery = arrive(plant)
    bad = weigh(plant, delivery, "gross", "39860", entry="stored_tare", status=422)
    assert "stored_tare" in bad["errors"][0]["detail"]
    closed = weigh(plant, delivery, "tare", "15420", entry="stored_tare")
    assert closed["weighings"][1]["entry"] == "stored_tare"
    assert closed["masses"]["net_kg"] == "24440.000"
    doubt = closed["masses"]["uncertainty"]
    assert doubt["net_expanded_uncertainty_kg"] is None
    assert "stored tare" in doubt["missing_because"]


def test_frame_of_the_indicator_is_kept_byte_for_byte(plant: Plant):
    supplier(plant)
    frame = base64.b64encode(b"\x02G 39860 kg\r\n\x03").decode()
    delivery = arrive(plant, gross=reading("39860", frame_base64=frame))
    assert delivery["weighings"][0]["frame_base64"] == frame
    refused = plant.post("/v1/deliveries", ticket(gross=reading("39860", frame_base64="not base64!")), status=422)
    assert refused["errors"][0]["pointer"] == "/gross/frame_base64"


def test_latest_own_weighing_counts(plant: Plant):
    delivery = p01(plant)
    again = weigh(plant, delivery, "tare", "15440", weighed_at=at(5.8))
    assert again["masses"]["net_kg"] == "24420.000"
    assert [row["valid_for"] for row in again["weighings"]] == [["physical", "payment"], [], ["physical", "payment"]]


def test_unknown_supplier_is_taken_in_and_blocked_until_mapped(plant: Plant):
    stranger = {"supplier": None, "supplier_name": "Estuary Scrap"}
    delivery = arrive(plant, **stranger)
    assert (delivery["supplier"], delivery["supplier_name"]) == ("P1-000001", "Estuary Scrap")
    assert delivery["supplier_is_mapped"] is False
    assert delivery["blocks"] == ["payment", "food use"]
    assert delivery["decision"] == "accepted"
    # The second truck of the same stranger finds him again.
    assert arrive(plant, **stranger)["supplier"] == "P1-000001"
    [partner] = plant.get("/v1/partners")
    assert (partner["is_mapped"], partner["is_supplier"]) == (False, True)
    closed = weigh(plant, delivery, "tare", "15420")
    assert "not mapped" in closed["masses"]["payable_missing_because"]

    mapped = plant.post(
        f"/v1/partners/{partner['id']}/mapping",
        {"code": "ESTUARY", "country": "PT", "reason": "number came from the office"},
    )
    assert (mapped["version"], mapped["is_mapped"], mapped["name"]) == (2, True, "Estuary Scrap")
    after = plant.get(f"/v1/deliveries/{delivery['id']}")
    assert (after["supplier"], after["blocks"]) == ("ESTUARY", [])
    assert plant.get("/v1/partners")[0]["code"] == "ESTUARY"


def test_supplier_by_code_and_by_name_at_once_is_refused(plant: Plant):
    supplier(plant)
    both = plant.post("/v1/deliveries", ticket(supplier_name="Also a name"), status=422)
    neither = plant.post("/v1/deliveries", ticket(supplier=None), status=422)
    assert "supplier_name" in both["errors"][0]["detail"]
    assert "supplier_name" in neither["errors"][0]["detail"]
    assert plant.get("/v1/deliveries")["deliveries"] == []


def test_all_unknown_codes_of_a_ticket_are_named_at_once(plant: Plant):
    strange = {"supplier": "EAST", "material": "GLASS", "carrier": "NOBODY", "owner": "NOONE"}
    refused = plant.post("/v1/deliveries", ticket(gross=reading("39860", "BALANCE"), **strange), status=422)
    pointers = [fault["pointer"] for fault in refused["errors"]]
    assert pointers == ["/material", "/supplier", "/carrier", "/owner", "/gross/instrument"]
    assert "'EAST'" in refused["errors"][1]["detail"]
    assert plant.get("/v1/deliveries")["deliveries"] == []
    assert plant.post("/v1/deliveries", ticket(site="ELSEWHERE"), status=404)["code"] == "site-not-found"


def test_times_that_have_not_come_are_refused(plant: Plant):
    supplier(plant)
    refused = plant.post("/v1/deliveries", ticket(arrived_at=at(7), gross=reading("39860", hour=7)), status=422)
    assert refused["code"] == "time-in-future"
    assert [fault["pointer"] for fault in refused["errors"]] == ["/arrived_at", "/gross/weighed_at"]


def test_nonfood_fraction_comes_with_who_knows_it(plant: Plant):
    supplier(plant)
    known = arrive(plant, nonfood_status="tested", nonfood_fraction="0.012")
    assert (known["nonfood_status"], known["nonfood_fraction"]) == ("tested", "0.012000")
    for bad in ({"nonfood_status": "stated"}, {"nonfood_fraction": "0.012"}):
        assert "nonfood" in plant.post("/v1/deliveries", ticket(**bad), status=422)["errors"][0]["detail"]


def test_contract_is_found_or_has_to_fit(plant: Plant):
    supplier(plant)
    supplier(plant, "SOUTH")
    code = contract(plant, valid_to="2026-03-09T05:00:00Z")["code"]
    # Half-open: at 05:00 the contract has just ended.
    assert arrive(plant)["contract"] is None
    assert arrive(plant, arrived_at=at(4.9))["contract"] == code
    for bad, word in (
        ({"contract": code}, "not in force"),
        ({"contract": code, "supplier": "SOUTH", "arrived_at": at(4.9)}, "not one of SOUTH"),
        ({"contract": code, "material": "PET-LOOSE", "arrived_at": at(4.9)}, "not about PET-LOOSE"),
        ({"contract": "C9"}, "no contract 'C9'"),
    ):
        refused = plant.post("/v1/deliveries", ticket(**bad), status=422)
        assert word in refused["errors"][0]["detail"]
        assert refused["errors"][0]["pointer"] == "/contract"


def test_private_words_come_back_to_the_gate(plant: Plant):
    supplier(plant)
    delivery = arrive(plant, plate="11-AA-22", driver="A. Person", carrier="NORTH", owner="NORTH", origin_country="PT")
    assert (delivery["plate"], delivery["driver"]) == ("11-AA-22", "A. Person")
    assert (delivery["carrier"], delivery["owner"], delivery["origin_country"]) == ("NORTH", "NORTH", "PT")


def test_open_tickets_and_pages(plant: Plant):
    supplier(plant)
    deliveries = [arrive(plant) for _ in range(5)]
    weigh(plant, deliveries[1], "tare", "15420")
    # The supplier's own two weighings close nothing: they are not ours.
    for kind, kg in (("gross", "40000"), ("tare", "15000")):
        weigh(plant, deliveries[2], kind, kg, origin="supplier", ticket_no="9")
    theirs = plant.get(f"/v1/deliveries/{deliveries[2]['id']}")
    act(
        plant, theirs, "weighing-choice", purpose="physical", gross_id=theirs["weighings"][1]["id"],
        tare_id=theirs["weighings"][2]["id"], reason="our scale was out of order",
    )  # fmt: skip
    act(plant, deliveries[3], "rejections", whole_load=True, on_truck_at_tare=True, reason="fuel canisters")
    open_rows = plant.get("/v1/deliveries?open=true")["deliveries"]
    assert [row["ticket_no"] for row in open_rows] == ["T000001", "T000005"]
    assert all(row["is_open"] for row in open_rows)

    numbers, after = [], 0
    while after is not None:
        page = plant.get(f"/v1/deliveries?limit=2&after={after}")
        numbers += [row["ticket_no"] for row in page["deliveries"]]
        after = page["next_after"]
    assert numbers == [f"T{number:06d}" for number in range(1, 6)]
    [found] = plant.get("/v1/deliveries?ticket_no=T000002&site=MILL")["deliveries"]
    assert (found["net_kg"], found["is_open"]) == ("24440.000", False)
    assert plant.get("/v1/deliveries?limit=201", status=422)["errors"][0]["pointer"].endswith("limit")


def test_unknown_delivery_is_not_found(plant: Plant):
    assert plant.get("/v1/deliveries/4711", status=404)["code"] == "delivery-not-found"
    body = {"kind": "tare", "mass_kg": "15420", "weighed_at": at(5), "instrument": "BRIDGE"}
    assert plant.post("/v1/deliveries/4711/weighings", body, status=404)["code"] == "delivery-not-found"
    assert plant.post(f"/v1/deliveries/{2**60}/weighings", body, status=422)["code"] == "invalid-request"
