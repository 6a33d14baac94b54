"""Goal: the doubt of a run's balance is what an independent computation of the same inputs gives.

Method: the acceptance scenarios through HTTP; beside each, the same measurement model written out by hand with the
`uncertainties` library (linear propagation, one variable per cause, so that correlations are in it), and for P07 a
simulation of the full model.
"""

from math import sqrt

import numpy as np
import pytest
from balance_steps import ROOT3, computed, line_scale, p07_unexplained, recorded, truck, wash_p07
from gate import act, arrive, p01, reading, supplier, weigh
from line_steps import at, close, feed, opening, out, start
from plant_fixture import Plant
from uncertainties import UFloat, ufloat

from service.balances.doubt import measured_net_of_deliveries
from service.core.measured import CauseKind, Measured, total

UG = 1e9  # of one kg


def part_u_kg(quantity: Measured, kind: CauseKind) -> float:
    return next((part.u_ug for part in quantity.contributions() if part.kind is kind), 0.0) / UG


def agrees(plant: Plant, run: int, by_hand: UFloat) -> None:
    """U95 and unexplained as recorded, against the model by hand: 1e-9 relative, with k = 2."""
    row = recorded(plant, run)
    assert row.u95_ug is not None
    assert row.u95_ug == pytest.approx(2 * by_hand.std_dev * UG, rel=1e-9)
    assert row.unexplained_ug == pytest.approx(by_hand.nominal_value * UG, rel=1e-9)
    assert row.coverage_ppm == 2_000_000


def test_p01_readings_of_one_truck(plant: Plant) -> None:
    delivery = p01(plant)
    with plant.database.read() as session:
        net = measured_net_of_deliveries(session, [delivery["id"]])[delivery["id"]]
    assert net.value_ug == 24_368 * UG
    assert 2 * part_u_kg(net, CauseKind.READING) == pytest.approx(65.3, abs=0.05)
    # The bridge's span and the listed ties come on top: 60 kg at Max of 60 t; 48 x 1.5 kg, a third either way.
    assert part_u_kg(net, CauseKind.SPAN) == pytest.approx(24_440 * 0.001 / ROOT3, rel=1e-9)
    assert part_u_kg(net, CauseKind.TARE) == pytest.approx(72 * 0.333333 / ROOT3, rel=1e-9)


def test_p07_equals_the_model_by_hand_and_its_simulation(plant: Plant) -> None:
    run = wash_p07(plant)
    answer = close(plant, run)
    assert answer["unexplained_kg"] == "172.005"
    assert (answer["verdict"], answer["doubt_verdict"]) == ("closes", "within_doubt")
    by_hand = p07_unexplained()
    agrees(plant, run, by_hand)
    assert float(answer["u95_kg"]) == pytest.approx(2 * by_hand.std_dev, abs=0.001)
    assert answer["coverage_factor"] == "2"
    # Moisture of the truck dominates, as sampling of bales does in any wash.
    assert answer["detail"]["largest_causes"][0]["cause"].startswith("moisture of ticket ")
    causes = [cause["cause"] for cause in answer["detail"]["largest_causes"]]
    assert {"estimate of effluent", "masses booked out without a scale"} < set(causes)
    shares = [float(part["variance_share"]) for part in answer["detail"]["contributions"]]
    assert sum(shares) == pytest.approx(1, abs=1e-5)
    assert shares == sorted(shares, reverse=True)
    # The full model, limits as rectangles: 400,000 draws of a spread are good to 0.11 %, so 0.5 % is no accident.
    chance = np.random.default_rng(7)

    def drawn(value: float, u: float, rectangular: bool = False) -> np.ndarray:
        if rectangular:
            return chance.uniform(value - u * ROOT3, value + u * ROOT3, 400_000)
        return chance.normal(value, u, 400_000)

    simulated = p07_unexplained(drawn)
    assert simulated.std() == pytest.approx(by_hand.std_dev, rel=0.005)
    assert np.mean(np.abs(simulated - simulated.mean()) <= 2 * by_hand.std_dev) == pytest.approx(0.9545, abs=0.01)


def test_p08_a_gain_beyond_measurement(plant: Plant) -> None:
    run = start(plant, "wash")
    feed(plant, run, opening(plant, "loose", "PET-LOOSE", "10000", "0.06"))
    plant.post(
        f"/v1/runs/{run}/discharges",
        {"discharges": [out("flake", "FLAKE", "product", "clear_flake", "9850", "0.005")]},
    )
    answer = close(plant, run)
    into, outof = ufloat(0, 0.02 / ROOT3), ufloat(0, 0.02 / ROOT3)
    by_hand = 10_000 * (1 + into) * (1 - ufloat(0.06, 0.0075)) - 9_850 * (1 + outof) * (1 - ufloat(0.005, 0.0005))
    agrees(plant, run, by_hand)
    assert answer["verdict"] == "gain_above_tolerance"
    assert answer["doubt_verdict"] == "gain_beyond_doubt"
    assert answer["not_claimable_kg"] == "400.750"  # whatever measurement can tell: only the tolerance decides
    assert any("fed without being scanned" in words for words in answer["detail"]["likely_causes"])
    assert any("clear flake: 104.26 %" in words.lower() for words in answer["detail"]["unusual"])
    assert any(
        words.startswith("Nothing is booked as") and "labels (2 to 4 %)" in words
        for words in answer["detail"]["unusual"]
    )


@pytest.mark.parametrize("with_rework", [True, False])
def test_p12_with_and_without_its_rework(plant: Plant, with_rework: bool) -> None:
    run = start(plant, "extrusion")
    fed = [("flake", "FLAKE", 21_200, 0.005, 0.0005), ("additive", "ADDITIVE", 42, 0.0005, 0.0005)]
    if with_rework:
        fed.append(("rework", "PELLETS", 800, 0.001, 0.000005))
    dry = 0
    for kind, material, kg, moisture, u in fed:
        feed(plant, run, opening(plant, kind, material, str(kg), str(moisture)))
        dry = dry + kg * (1 + ufloat(0, 0.02 / ROOT3)) * (1 - ufloat(moisture, u))
    outs = [
        out("pellets", "PELLETS", "product", "pellets", "21530", "0.0005"),
        out("rework", "PELLETS", "by_product", "lumps", "180", "0.0005"),
    ]
    plant.post(f"/v1/runs/{run}/discharges", {"discharges": outs})
    losses = [
        {"stream": "filter_cake", "category": "waste", "mass_kg": "45", "moisture_fraction": "0", "at": at(4)},
        {"stream": "condensate", "mass_kg": "18", "moisture_fraction": "0.4", "at": at(4)},
    ]
    plant.post(f"/v1/runs/{run}/losses", {"losses": losses})
    answer = close(plant, run)
    unstated = ufloat(0, 0.02 / ROOT3)
    streams = ((21_530, 0.0005, 0.000005), (180, 0.0005, 0.000005), (45, 0, 0.025), (18, 0.4, 0.025))
    for kg, moisture, u in streams:
        dry = dry - kg * (1 + unstated) * (1 - ufloat(moisture, u))
    agrees(plant, run, dry)
    assert float(answer["unexplained_kg"]) == pytest.approx(180.2 if with_rework else -619.0, abs=0.1)
    advice = " ".join(answer["detail"]["likely_causes"])
    assert ("No rework is booked" in advice) is not with_rework


def bales_of(plant: Plant) -> list[str]:
    """The 48 bales of P01, with a measured moisture of 5 %."""
    delivery = p01(plant)
    act(
        plant,
        delivery,
        "moisture",
        moisture_fraction="0.05",
        u_moisture_fraction="0.01",
        basis="measured",
        taken_at="2026-03-09T05:20:00Z",
        reason="bale break",
    )
    return [bale["code"] for bale in act(plant, delivery, "bales", count=48)["bales"]]


def fed_run(plant: Plant, bales: list[str]) -> int:
    run = int(plant.post("/v1/runs", {"site": "MILL", "step": "wash", "started_at": "2026-03-09T05:36:00Z"})["id"])
    feeds = [{"lot": code, "amount": "whole", "start_at": "2026-03-09T05:42:00Z"} for code in bales]
    plant.post(f"/v1/runs/{run}/feeds", {"feeds": feeds})
    return run


def test_bales_of_one_truck_in_two_runs_and_in_one(plant: Plant) -> None:
    bales = bales_of(plant)
    first, second = fed_run(plant, bales[:20]), fed_run(plant, bales[20:])
    one, other = computed(plant, first).doubt, computed(plant, second).doubt
    assert one is not None
    assert other is not None
    # By hand: net, span, ties and moisture shared; each bale off by its own error less the truck's mean.
    gross, tare = ufloat(39_860, 40 / ROOT3), ufloat(15_420, 40 / ROOT3)
    span, wet = ufloat(0, 0.001 / ROOT3), ufloat(0.05, 0.01)
    tie = ufloat(1.5, 1.5 * 0.333333 / ROOT3)
    material = (gross - tare) * (1 + span) - 48 * tie
    own = [ufloat(0, 0.1 * 24_368 / 48) for _ in range(48)]
    unlike = [error - sum(own) / 48 for error in own]

    def dry_in(of: range) -> UFloat:
        return sum((material / 48 + unlike[n]) * (1 - wet) + tie for n in of)

    by_hand = dry_in(range(20)), dry_in(range(20, 48))
    # Masses are whole grams with the rest on the last bale, so shares differ from 1/48 in the seventh digit.
    for doubt, hand in zip((one, other), by_hand, strict=True):
        assert doubt.unexplained.u_ug / UG == pytest.approx(hand.std_dev, rel=1e-6)
    whole = total((one.unexplained, other.unexplained))
    assert whole.u_ug / UG == pytest.approx((by_hand[0] + by_hand[1]).std_dev, rel=1e-6)
    allocated = [
        Measured(0, {cause: u for cause, u in doubt.unexplained.parts.items() if cause.kind is CauseKind.ALLOCATION})
        for doubt in (one, other)
    ]
    assert allocated[0].u_ug / UG == pytest.approx(0.95 * 0.1 * 507.667 * sqrt(20 * 28 / 48), rel=1e-4)
    assert allocated[0].covariance_ug2(allocated[1]) == pytest.approx(-(allocated[0].u_ug ** 2), rel=1e-6)
    assert total(allocated).u_ug < 1e-6 * allocated[0].u_ug
    # A bale on a scale of its own is known by that, and the others share what is left.
    plant.post(
        f"/v1/lots/{bales[0]}/weighings",
        {"instrument": "PLATFORM", "mass_kg": "531", "weighed_at": "2026-03-09T05:40:00Z"},
    )
    again = computed(plant, first).doubt
    assert again is not None
    weighed = [cause for cause in again.unexplained.parts if "lot " + bales[0] in again.doubts.words(cause)]
    assert [cause.kind for cause in weighed] == [CauseKind.READING]
    assert part_u_kg(again.unexplained, CauseKind.ALLOCATION) < part_u_kg(one.unexplained, CauseKind.ALLOCATION)


def test_a_truck_fed_whole_has_no_unlike_bales(plant: Plant) -> None:
    run = fed_run(plant, bales_of(plant))
    doubt = computed(plant, run).doubt
    assert doubt is not None
    kinds = {part.kind for part in doubt.unexplained.contributions()}
    assert kinds == {CauseKind.READING, CauseKind.SPAN, CauseKind.TARE, CauseKind.MOISTURE}
    # Ties come off the net and are fed beside it: what is left of their doubt is the moisture they do not have.
    assert part_u_kg(doubt.unexplained, CauseKind.TARE) == pytest.approx(0.05 * 72 * 0.333333 / ROOT3, rel=1e-6)


def test_a_bag_weighed_once_has_one_reading_on_both_sides(plant: Plant) -> None:
    line_scale(plant)
    for code, tare in (("PALLET", "22"), ("BOX", "26")):
        body = {"code": code, "name": code, "tare_kg": tare, "u_tare_kg": "0.5", "valid_from": at(0)}
        plant.post("/v1/container-types", body)
    wash = start(plant, "wash")
    bag = out("flake", "FLAKE", "product", "clear_flake", "0", "0.007") | {
        "gross_kg": "1098",
        "instrument": "LINE",
        "tares": [{"container_type": "PALLET", "pieces": 1}, {"container_type": "BOX", "pieces": 1}],
    }
    del bag["mass_kg"]
    made = plant.post(f"/v1/runs/{wash}/discharges", {"discharges": [bag]})["lines"][-1]
    assert (made["mass_kg"], made["instrument"]) == ("1050.000", "LINE")
    extrusion = start(plant, "extrusion")
    feed(plant, extrusion, made["lot"], start_at=at(4))
    outgoing, incoming = (computed(plant, run).doubt for run in (wash, extrusion))
    assert outgoing is not None
    assert incoming is not None
    model = (ufloat(1098, 2.5) - ufloat(22, 0.5) - ufloat(26, 0.5) + 1050 * ufloat(0, 0.0003)) * (
        1 - ufloat(0.007, 0.0005)
    )
    assert incoming.unexplained.u_ug / UG == pytest.approx(model.std_dev, rel=1e-9)
    both = total((outgoing.unexplained, incoming.unexplained))
    assert both.value_ug == 0
    assert both.u_ug < 1e-9 * incoming.unexplained.u_ug  # the same bag, the same reading, nothing left in doubt


def test_thirty_trucks_do_not_average_the_span_away(plant: Plant) -> None:
    """30 loads of 24 t, 15 kg per reading, 0.05 % common: random 116.2, systematic 360.0, total 378.3 kg."""
    bridge = next(one for one in plant.get("/v1/instruments") if one["code"] == "BRIDGE")
    certificate = {
        "u_reading_kg": "15",
        "u_span_fraction": "0.0005",
        "calibrated_from": "2026-01-01T00:00:00Z",
        "reason": "certificate 4711",
    }
    plant.post(f"/v1/instruments/{bridge['id']}/certificates", certificate)
    ids = [truck(plant, 24_000, "", hour=n / 2)["id"] for n in range(30)]
    with plant.database.read() as session:
        loads = measured_net_of_deliveries(session, ids)
    together = total(loads.values())
    assert together.value_ug == 30 * 24_000 * UG
    assert part_u_kg(together, CauseKind.READING) == pytest.approx(116.2, abs=0.05)
    assert part_u_kg(together, CauseKind.SPAN) == pytest.approx(360.0, rel=1e-9)
    assert together.u_ug / UG == pytest.approx(378.3, abs=0.05)
    # A scale that was calibrated anew is off anew: 10 loads before and 20 after.
    anew = certificate | {"calibrated_from": at(4.9), "reason": "certificate 4712"}
    plant.post(f"/v1/instruments/{bridge['id']}/certificates", anew)
    with plant.database.read() as session:
        loads = measured_net_of_deliveries(session, ids)
    both = sqrt(10**2 + 20**2) * 12
    assert part_u_kg(total(loads.values()), CauseKind.SPAN) == pytest.approx(both, rel=1e-9)
    # The ticket rests on the same certificate, and on that of its own time: the one that follows ends at six.
    short = {"u_reading_kg": "5", "calibrated_from": at(5), "calibrated_to": at(6), "reason": "weights borrowed"}
    plant.post(f"/v1/instruments/{bridge['id']}/certificates", short)
    told = [plant.get(f"/v1/deliveries/{ids[n]}")["masses"]["uncertainty"] for n in (0, 10, 13)]
    assert [row["net_expanded_uncertainty_kg"] for row in told] == ["42.426", "14.142", None]
    assert "no calibration of scale BRIDGE was valid" in told[2]["missing_because"]


def test_moistures_that_rest_on_one_guess_are_one_cause(plant: Plant) -> None:
    run = start(plant, "wash")
    body = {"site": "MILL", "kind": "loose", "material": "PET-LOOSE", "mass_kg": "1000", "found_at": at(0)}
    for _ in range(2):
        feed(plant, run, plant.post("/v1/opening-lots", body)["code"])
    answer = close(plant, run)
    moisture = next(part for part in answer["detail"]["contributions"] if part["kind"] == "moisture")
    assert float(moisture["u_kg"]) == pytest.approx(2 * 1000 * 0.015, abs=0.001)  # not 21.2
    assert answer["detail"]["largest_causes"][0]["cause"] == "default moisture of loose"
    assert any("are guesses, and may be too low" in words for words in answer["detail"]["likely_causes"])


def test_a_habit_is_one_cause_in_every_run_of_a_step(plant: Plant) -> None:
    """Three runs of a step share how they guess: 3 x the doubt of one, not the root of 3. Another step has its own."""
    line_scale(plant)
    doubts = {}
    for name, step in (("a", "wash"), ("b", "wash"), ("c", "wash"), ("other", "extrusion")):
        run = start(plant, step)
        feed(plant, run, opening(plant, "flake", "FLAKE", "1000"), "1000", instrument="LINE")
        plant.post(f"/v1/runs/{run}/discharges", {"discharges": [out("flake", "FLAKE", "product", "flake", "900")]})
        loss = {"stream": "effluent", "fraction_of_dry_in": "0.015", "at": at(4)}
        plant.post(f"/v1/runs/{run}/losses", {"losses": [loss]})
        found = computed(plant, run).doubt
        assert found is not None
        doubts[name] = found.unexplained
    washes = total([doubts[name] for name in "abc"])
    for kind, alone in ((CauseKind.UNSTATED, 900 * 0.02 / ROOT3), (CauseKind.ESTIMATE, 15 * 0.5 / ROOT3)):
        assert part_u_kg(doubts["a"], kind) == pytest.approx(alone, rel=1e-9)
        assert part_u_kg(washes, kind) == pytest.approx(3 * alone, rel=1e-9)
        both = total([doubts["a"], doubts["other"]])
        assert part_u_kg(both, kind) == pytest.approx(sqrt(2) * alone, rel=1e-9)


def test_a_stored_tare_is_the_same_figure_truck_after_truck(plant: Plant) -> None:
    """Three trucks of one supplier with a stored tare: 3 x the doubt of one; another supplier has his own."""
    for code in ("NORTH", "SOUTH"):
        supplier(plant, code)
    ids = []
    for code in ("NORTH", "NORTH", "NORTH", "SOUTH"):
        delivery = arrive(plant, supplier=code, gross=reading("35600"))
        ids.append(weigh(plant, delivery, "tare", "15000", entry="stored_tare")["id"])
    with plant.database.read() as session:
        loads = measured_net_of_deliveries(session, ids)
    alone = 15_000 * 0.02 / ROOT3
    assert part_u_kg(loads[ids[0]], CauseKind.UNSTATED) == pytest.approx(alone, rel=1e-9)
    same = total([loads[delivery_id] for delivery_id in ids[:3]])
    assert part_u_kg(same, CauseKind.UNSTATED) == pytest.approx(3 * alone, rel=1e-9)
    others = total([loads[ids[0]], loads[ids[3]]])
    assert part_u_kg(others, CauseKind.UNSTATED) == pytest.approx(sqrt(2) * alone, rel=1e-9)
