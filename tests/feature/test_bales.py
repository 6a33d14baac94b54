"""Goal: however bales are counted, tagged, weighed or sent back, they add up to the net, to the gram (P03, P04).

Method: over HTTP on both engines. Every test that changes a mass compares the sum of the bales with the
material net of the ticket; expected masses are the acceptance scenarios' or one division done by hand.
"""

from typing import Any

import pytest
from gate import (
    act,
    arrive,
    at,
    bale_sum_g,
    contract,
    feed,
    grams,
    masses_of,
    p01,
    p03,
    reading,
    stamp,
    supplier,
    wash_run,
    weigh,
)
from plant_fixture import Plant


def add_up(delivery: Any) -> bool:
    return bale_sum_g(delivery) == grams(delivery["masses"]["material_kg"])


def test_p03_count_and_tags(plant: Plant):
    delivery = p03(plant)
    bales = delivery["bales"]
    assert len({bale["code"] for bale in bales}) == 47
    assert [bale["supplier_tag"] for bale in bales[:2]] == ["000123", "000124"]
    assert bales[46]["supplier_tag"] is None
    assert (delivery["note_count"], delivery["counted"], delivery["count_discrepancy"]) == (48, 47, -1)
    # 24,368 kg / 47 = 518.468 (P03); ties of the 48 noted bales stay deducted until somebody accepts 47.
    assert {bale["material_kg"] for bale in bales[:46]} == {"518.468"}
    assert {bale["basis"] for bale in bales} == {"allocated"}
    assert {bale["tie_kg"] for bale in bales} == {"1.500"}
    assert bale_sum_g(delivery) == 24_368_000


def test_same_tag_of_two_suppliers_is_two_bales(plant: Plant):
    delivery = p03(plant)
    other = plant.get("/v1/deliveries?ticket_no=T000001")["deliveries"][0]
    [namesake] = plant.get(f"/v1/deliveries/{other['id']}")["bales"]
    assert namesake["supplier_tag"] == delivery["bales"][0]["supplier_tag"] == "000123"
    assert namesake["code"] != delivery["bales"][0]["code"]


def test_p04_one_real_weight(plant: Plant):
    before = p03(plant)
    known = stamp(plant)
    code = before["bales"][7]["code"]
    after = plant.post(f"/v1/lots/{code}/weighings", reading("531.0", "PLATFORM", 5.9))
    weighed, rest = after["bales"][7], [bale for bale in after["bales"] if bale["code"] != code]
    assert (weighed["material_kg"], weighed["basis"], weighed["platform_kg"]) == ("531.000", "weighed", "531.000")
    # (24,368 - 531) / 46 = 518.1957: cut to the gram, the rest of 30 g on the last bale; P04 says 518.196.
    assert {bale["material_kg"] for bale in rest[:45]} == {"518.195"}
    assert rest[45]["material_kg"] == "518.225"
    assert {bale["basis"] for bale in rest} == {"allocated"}
    assert bale_sum_g(after) == 24_368_000
    then = plant.get(f"/v1/deliveries/{after['id']}?known_at={known}")
    assert then["bales"] == before["bales"]


def test_a_second_weight_of_a_bale_replaces_the_first(plant: Plant):
    code = p03(plant)["bales"][0]["code"]
    plant.post(f"/v1/lots/{code}/weighings", reading("531.0", "PLATFORM", 5.9))
    after = plant.post(f"/v1/lots/{code}/weighings", reading("530.5", "PLATFORM", 5.95))
    assert after["bales"][0]["material_kg"] == "530.500"
    assert add_up(after)


def test_weights_that_leave_nothing_for_the_others_are_refused(plant: Plant):
    delivery = act(plant, p01(plant), "bales", count=2)
    path = f"/v1/lots/{delivery['bales'][0]['code']}/weighings"
    refused = plant.post(path, reading("24368", "BRIDGE", 5.9), status=422)
    assert refused["code"] == "bales-exceed-net"
    assert refused["errors"][0]["pointer"] == "/mass_kg"
    assert plant.post(path, reading("1505", "PLATFORM", 5.9), status=422)["code"] == "beyond-scale-range"
    assert plant.get(f"/v1/deliveries/{delivery['id']}") == delivery


def test_when_every_bale_is_weighed_the_bridge_stays_the_truth_and_the_difference_shows(plant: Plant):
    supplier(plant)
    delivery = weigh(plant, arrive(plant, gross=reading("16500")), "tare", "15500")
    after = act(
        plant, delivery, "bales", count=2, instrument="PLATFORM", weighed_at=at(5.5),
        weighed=[{"index": 0, "mass_kg": "600"}, {"index": 1, "mass_kg": "412"}],
    )  # fmt: skip
    # 1,000 kg net in the proportion 600 : 412.
    assert masses_of(after) == ["592.885", "407.115"]
    assert {bale["basis"] for bale in after["bales"]} == {"allocated"}
    assert after["masses"]["platform_difference_kg"] == "12.000"
    assert add_up(after)


def test_bales_registered_before_the_tare_get_their_mass_with_it(plant: Plant):
    supplier(plant)
    contract(plant)
    waiting = act(
        plant, arrive(plant), "bales", count=48, tags=["A", "B"], instrument="PLATFORM", weighed_at=at(5.2),
        weighed=[{"tag": "B", "mass_kg": "500"}],
    )  # fmt: skip
    assert set(masses_of(waiting)) == {None}
    assert waiting["bales"][1]["platform_kg"] == "500.000"
    delivery = weigh(plant, waiting, "tare", "15420")
    assert delivery["bales"][1]["material_kg"] == "500.000"
    assert bale_sum_g(delivery) == 24_368_000
    # A later, better tare moves every bale that has no weight of its own.
    again = weigh(plant, delivery, "tare", "15520", weighed_at=at(5.9))
    assert again["bales"][1]["material_kg"] == "500.000"
    assert bale_sum_g(again) == 24_268_000


def test_weighed_bale_has_to_be_told_from_the_others(plant: Plant):
    delivery = p01(plant)
    scale = {"instrument": "PLATFORM", "weighed_at": at(5.5)}
    refused = act(
        plant, delivery, "bales", count=3, tags=["X", "X", None], status=422, **scale,
        weighed=[{"tag": "X", "mass_kg": "500"}, {"index": 3, "mass_kg": "500"}, {"tag": "Y", "mass_kg": "500"}],
    )  # fmt: skip
    assert [fault["pointer"] for fault in refused["errors"]] == ["/weighed/0", "/weighed/1", "/weighed/2"]
    twice = [{"tag": "X", "mass_kg": "500"}, {"index": 0, "mass_kg": "500"}]
    refused = act(plant, delivery, "bales", count=2, tags=["X"], status=422, weighed=twice, **scale)
    assert refused["errors"][0]["pointer"] == "/weighed/1"
    too_many = act(plant, delivery, "bales", count=1, tags=["X", "Y"], status=422)
    assert "2 tags are given for 1 bales" in too_many["errors"][0]["detail"]
    assert plant.get(f"/v1/deliveries/{delivery['id']}") == delivery


def test_further_bales_need_a_reason_and_join_the_others(plant: Plant):
    delivery = p03(plant)
    refused = act(plant, delivery, "bales", count=1, status=409)
    assert refused["code"] == "bales-registered"
    more = act(plant, delivery, "bales", count=1, reason="one more behind the pillar")
    assert (len(more["bales"]), more["counted"], more["count_discrepancy"]) == (48, 48, 0)
    assert more["bales"][:47][0]["code"] == delivery["bales"][0]["code"]
    assert bale_sum_g(more) == 24_368_000


def test_ties_follow_the_count_only_when_it_is_accepted(plant: Plant):
    delivery = p03(plant)
    counted = act(plant, delivery, "count", counted=47, reason="counted twice")
    assert counted["deductions"][0]["pieces"] == 48
    accepted = act(plant, delivery, "count", counted=47, accept=True, reason="supplier agrees")
    assert (accepted["deductions"][0]["pieces"], accepted["deductions"][0]["version"]) == (47, 2)
    # 24,440 - 47 x 1.5
    assert accepted["masses"]["material_kg"] == "24369.500"
    assert add_up(accepted)
    below = act(plant, delivery, "count", counted=46, reason="counted again", status=422)
    assert below["code"] == "count-below-registered"


def test_stating_ties_anew_needs_a_reason_and_reaches_each_bale(plant: Plant):
    delivery = p03(plant)
    ties: dict[str, Any] = {"kind": "tie", "pieces": 48, "per_piece_kg": "2"}
    assert act(plant, delivery, "deductions", status=422, **ties)["errors"][0]["pointer"] == "/reason"
    after = act(plant, delivery, "deductions", reason="weighed ten wires", **ties)
    assert after["masses"]["material_kg"] == "24344.000"
    assert {bale["tie_kg"] for bale in after["bales"]} == {"2.000"}
    assert add_up(after)


def test_pallets_add_up_and_can_be_replaced_or_withdrawn(plant: Plant):
    delivery = p03(plant)
    act(plant, delivery, "deductions", kind="pallet", pieces=4, per_piece_kg="22")
    both = act(plant, delivery, "deductions", kind="pallet", pieces=1, per_piece_kg="15")
    assert both["masses"]["material_kg"] == "24265.000"
    first, second = (taken["id"] for taken in both["deductions"] if taken["kind"] == "pallet")
    act(plant, delivery, "deductions", kind="pallet", pieces=3, per_piece_kg="22", replaces=first, reason="miscounted")
    after = act(plant, delivery, f"deductions/{second}/withdrawal", reason="it was a lid")
    assert after["masses"]["material_kg"] == "24302.000"
    assert add_up(after)
    tie: dict[str, Any] = {"kind": "tie", "pieces": 3, "per_piece_kg": "1", "reason": "other kind"}
    wrong = act(plant, delivery, "deductions", replaces=first, status=422, **tie)
    assert wrong["errors"][0]["pointer"] == "/replaces"
    versions = plant.get(f"/v1/deliveries/{delivery['id']}/versions")["deductions"]
    assert [row["stamp"]["is_withdrawn"] for row in versions if row["facts"]["id"] == second] == [False, True]


def test_contaminants_lower_what_is_paid_and_leave_the_bales_alone(plant: Plant):
    delivery = p03(plant)
    act(plant, delivery, "moisture", moisture_fraction="0.052", basis="measured", taken_at=at(5.2), reason="oven")
    after = act(plant, delivery, "deductions", kind="contaminant", pieces=1, per_piece_kg="100")
    assert after["decision"] == "deducted"
    assert masses_of(after) == masses_of(delivery)
    # additive: (24,368 - 100) x (1 - 0.032)
    assert (after["masses"]["payable_kg"], after["masses"]["material_kg"]) == ("23491.424", "24368.000")
    back = act(plant, delivery, f"deductions/{after['deductions'][1]['id']}/withdrawal", reason="not ours")
    assert (back["decision"], back["masses"]["payable_kg"]) == ("accepted", "23588.224")


@pytest.mark.parametrize(
    ("form", "material"), [("loose", "PET-LOOSE"), ("packed", "VIRGIN"), ("packed", "ADDITIVE"), ("packed", "FLAKE")]
)
def test_load_without_bales_is_one_lot_with_the_whole_net(plant: Plant, form: str, material: str):
    supplier(plant)
    delivery = arrive(plant, form=form, material=material, note_count=None)
    assert act(plant, delivery, "bales", count=2, status=422)["code"] == "load-of-another-form"
    waiting = act(plant, delivery, "lot", supplier_tag="LOAD 9")
    assert masses_of(waiting) == [None]
    assert act(plant, delivery, "lot", status=409)["code"] == "load-registered"
    closed = weigh(plant, delivery, "tare", "15420")
    [lot] = closed["bales"]
    # The net of the truck is what was weighed: nothing is estimated, and there is no wire.
    assert (lot["material_kg"], lot["basis"], lot["tie_kg"]) == ("24440.000", "weighed", "0.000")
    weigh(plant, delivery, "tare", "15520", weighed_at=at(5.9))
    assert plant.get(f"/v1/deliveries/{delivery['id']}")["bales"][0]["material_kg"] == "24340.000"


def test_bale_load_cannot_become_one_lot(plant: Plant):
    assert act(plant, p01(plant), "lot", status=422)["code"] == "load-of-another-form"


def test_rejected_before_the_tare_their_mass_was_never_in_the_net(plant: Plant):
    supplier(plant)
    contract(plant)
    waiting = act(plant, arrive(plant), "bales", count=48)
    codes = [bale["code"] for bale in waiting["bales"][:12]]
    rejected = act(plant, waiting, "rejections", bales=codes, on_truck_at_tare=True, reason="PVC sheets")
    assert rejected["decision"] == "part_rejected"
    # 12 bales went out again on the truck, with their wire: 36 x 1.5 kg are deducted.
    closed = weigh(plant, waiting, "tare", "21660")
    assert closed["masses"]["material_kg"] == "18146.000"
    assert [bale["left_on_truck"] for bale in closed["bales"]] == [True] * 12 + [False] * 36
    assert masses_of(closed)[:12] == [None] * 12
    assert closed["bales"][12]["material_kg"] == "504.055"
    assert add_up(closed)
    again = act(plant, waiting, "rejections", bales=codes[:1], on_truck_at_tare=True, reason="twice", status=422)
    assert again["errors"][0]["pointer"] == "/bales/0"
    path = f"/v1/lots/{codes[0]}/weighings"
    assert plant.post(path, reading("500", "PLATFORM", 5.9), status=422)["code"] == "bale-left-on-truck"


def test_bales_found_to_have_stayed_on_the_truck_lose_their_mass(plant: Plant):
    delivery = p03(plant)
    codes = [bale["code"] for bale in delivery["bales"][:7]]
    after = act(plant, delivery, "rejections", bales=codes, on_truck_at_tare=True, reason="never unloaded")
    # 24,440 - (48 - 7) x 1.5, now among 40 bales.
    assert after["masses"]["material_kg"] == "24378.500"
    assert masses_of(after)[:7] == [None] * 7
    assert add_up(after)
    assert plant.get(f"/v1/lots/{codes[0]}")["on_hand_kg"] == "0.000"


def test_rejected_after_unloading_they_are_sent_back_out_of_the_net(plant: Plant):
    delivery = p03(plant)
    act(plant, delivery, "moisture", moisture_fraction="0.052", basis="measured", taken_at=at(5.2), reason="oven")
    codes = [bale["code"] for bale in delivery["bales"][:2]]
    after = act(plant, delivery, "rejections", bales=codes, on_truck_at_tare=False, reason="pesticide bottles")
    assert after["decision"] == "part_rejected"
    assert [bale["sent_back"] for bale in after["bales"][:3]] == [True, True, False]
    # They were part of the truck's net and still are; what is paid is not.
    assert masses_of(after) == masses_of(delivery)
    assert add_up(after)
    assert after["masses"]["sent_back_kg"] == "1036.936"
    # additive: (24,368 - 1,036.936) x (1 - 0.032)
    assert after["masses"]["payable_kg"] == "22584.470"
    assert plant.get(f"/v1/lots/{codes[0]}")["on_hand_kg"] == "0.000"
    refused = feed(plant, wash_run(plant), codes[0], status=422)
    assert codes[0] in refused["errors"][0]["detail"]


def test_sent_back_bales_follow_a_new_weight_of_another(plant: Plant):
    delivery = p03(plant)
    codes = [bale["code"] for bale in delivery["bales"]]
    act(plant, delivery, "rejections", bales=codes[:1], on_truck_at_tare=False, reason="pesticide bottles")
    after = plant.post(f"/v1/lots/{codes[1]}/weighings", reading("531.0", "PLATFORM", 5.9))
    assert after["masses"]["sent_back_kg"] == after["bales"][0]["material_kg"] == "518.195"
    assert plant.get(f"/v1/lots/{codes[0]}")["on_hand_kg"] == "0.000"


def test_whole_load_is_rejected(plant: Plant):
    supplier(plant)
    gone = act(plant, arrive(plant), "rejections", whole_load=True, on_truck_at_tare=True, reason="radiation alarm")
    assert (gone["decision"], gone["is_open"]) == ("rejected", False)
    assert weigh(plant, gone, "tare", "15420", status=409)["code"] == "delivery-rejected"
    assert act(plant, gone, "bales", count=3, status=409)["code"] == "delivery-rejected"
    unloaded = act(plant, weigh(plant, arrive(plant), "tare", "15420"), "bales", count=3)
    on_truck = {"whole_load": True, "on_truck_at_tare": True, "reason": "odour"}
    assert act(plant, unloaded, "rejections", status=422, **on_truck)["code"] == "load-has-net"
    after = act(plant, unloaded, "rejections", whole_load=True, on_truck_at_tare=False, reason="odour")
    assert after["decision"] == "rejected"
    assert all(bale["sent_back"] for bale in after["bales"])
    assert "rejected" in after["masses"]["payable_missing_because"]


def test_what_was_used_cannot_be_rejected(plant: Plant):
    delivery = p03(plant)
    code = delivery["bales"][0]["code"]
    run = wash_run(plant)
    feed(plant, run, code)
    for on_truck in (True, False):
        refused = act(plant, delivery, "rejections", bales=[code], on_truck_at_tare=on_truck, reason="late", status=409)
        assert code in refused["errors"][0]["detail"]
        assert str(run) in refused["errors"][0]["detail"]


def test_fed_bales_follow_a_new_weight_whole_or_keep_what_was_fed(plant: Plant):
    delivery = p03(plant)
    whole, part, weighed = (bale["code"] for bale in delivery["bales"][:3])
    run = wash_run(plant)
    feed(plant, run, whole)
    feed(plant, run, part, amount="mass", mass_kg="310")
    after = plant.post(f"/v1/lots/{weighed}/weighings", reading("531.0", "PLATFORM", 5.9))
    assert add_up(after)
    lines = plant.get(f"/v1/runs/{run}")["lines"]
    masses = {line["lot"]: line["mass_kg"] for line in lines if line["category"] == "feed"}
    assert masses == {whole: "518.195", part: "310.000"}
    assert plant.get(f"/v1/lots/{part}")["on_hand_kg"] == "208.195"


def test_a_spread_that_would_leave_less_than_was_fed_is_refused_naming_the_feed(plant: Plant):
    delivery = p03(plant)
    part = delivery["bales"][0]["code"]
    run = wash_run(plant)
    feed(plant, run, part, amount="mass", mass_kg="500")
    before = plant.get(f"/v1/deliveries/{delivery['id']}")
    # (39,860 - 19,420 - 72) / 47 = 433 kg a bale, less than the 500 that went in.
    refused = weigh(plant, delivery, "tare", "19420", weighed_at=at(5.9), status=422)
    assert refused["code"] == "lot-gives-more-than-it-holds"
    assert part in refused["errors"][0]["detail"]
    assert refused["errors"][0]["pointer"] == "/mass_kg"
    assert plant.get(f"/v1/deliveries/{delivery['id']}") == before
