"""Vessels that material passes in hours: entry windows, excursions, regimes stated for a time, charges of a dryer.

Method: a moving bed charged and drawn evenly, so that every time can be found by hand: hold-up divided by rate, and
the same again by cumulative mass where it stood still. Figures of the acceptance scenarios "reactor window",
"reactor excursion", "mixed silo" and "the same, first in, first out".
"""

from datetime import UTC, datetime
from typing import Any

import pytest
from gate import stamp
from line_steps import charge, draw, opening, shares, trace, vessel
from plant_fixture import START, Plant
from time_steps import REPORT, asked, charge_over, draw_over, hour_of, residence, stop

TEN_PERCENT: dict[str, Any] = {"spread_fraction": "0.1", "hold_up_kg": "30000", "report_sha256": REPORT}


def march(day: int, hour: int) -> str:
    return datetime(2026, 3, day, hour, tzinfo=UTC).isoformat()


def tower(plant: Plant, code: str = "TOWER") -> int:
    return vessel(plant, code, "first_in_first_out", kind="reactor", in_use_from="2026-03-01T00:00:00Z")


def entered(answer: Any, prefix: str = "entered") -> list[str]:
    return [hour_of(answer[f"{prefix}_{end}"]) for end in ("from", "to")]


def passed(plant: Plant, reactor: int) -> tuple[list[str], str]:
    """1,500 kg/h through 30,000 kg of hold-up: 12,000 kg every eight hours from the 7th, 10:00; the lot of the 10th.

    Gives what was charged, in order, and the lot drawn 06:00-14:00.
    """
    plant.clock.moment = START.replace(day=10, hour=20)
    charged = []
    for number in range(10):
        day, hour = divmod(10 + 8 * number, 24)
        end_day, end_hour = divmod(18 + 8 * number, 24)
        charged.append(opening(plant, "pellets", "PELLETS", "12000", found_at=march(7, 0)))
        charge_over(plant, reactor, charged[-1], march(7 + day, hour), march(7 + end_day, end_hour))
    draw_over(plant, reactor, "72000", march(8, 6), march(10, 6))
    return charged, draw_over(plant, reactor, "12000", march(10, 6), march(10, 14))


def test_reactor_window(plant: Plant) -> None:
    reactor = tower(plant)
    residence(plant, reactor, "plug_flow", **TEN_PERCENT, valid_from=march(1, 0))
    charged, lot = passed(plant, reactor)
    window = asked(plant, reactor, "entry-window", march(10, 6), march(10, 14))
    # 33,000 kg before 06:00 and 27,000 kg before 14:00, at 1,500 kg/h: 22 and 18 hours.
    assert entered(window) == entered(window, "expected") == ["03-09 08:00", "03-09 20:00"]
    assert window["worst_case_only"] is False
    assert window["residence"]["report_sha256"] == REPORT
    # Charged 02-10, 10-18 and 18-02 o'clock; the first of them only for its last two hours.
    assert trace(plant, lot)["may_contain"] == charged[5:8]


def test_without_a_report_the_window_is_only_expected(plant: Plant) -> None:
    reactor = tower(plant)
    residence(plant, reactor, "plug_flow", spread_fraction="0.1", valid_from=march(1, 0))
    charged, lot = passed(plant, reactor)
    window = asked(plant, reactor, "entry-window", march(10, 6), march(10, 14))
    assert entered(window) == ["03-07 10:00", "03-10 14:00"]
    assert entered(window, "expected") == ["03-09 08:00", "03-09 20:00"]
    assert window["worst_case_only"] is True
    assert trace(plant, lot)["may_contain"] == charged  # the last went in from 10:00 on, before this lot was full
    assert set(shares(plant, lot)) == set(charged[5:8])


def test_a_vessel_without_residence_data_gives_the_worst_case_and_says_so(plant: Plant) -> None:
    reactor = tower(plant)
    charged, lot = passed(plant, reactor)
    window = asked(plant, reactor, "entry-window", march(10, 6), march(10, 14))
    assert entered(window) == ["03-07 10:00", "03-10 14:00"]
    assert (window["residence"], window["worst_case_only"]) == (None, True)
    assert "only the worst case is given" in window["basis"]
    suspect = asked(plant, reactor, "suspect-discharge", march(9, 6), march(9, 7))
    assert (suspect["suspect_to"], suspect["worst_case_only"]) == (None, True)
    assert lot in suspect["lots"]
    assert "only the worst case is given" in plant.get(f"/v1/vessels/{reactor}")["basis"]
    assert len(trace(plant, lot)["may_contain"]) == len(charged)


def test_a_pause_with_material_inside_adds_to_residence_and_not_to_mass(plant: Plant) -> None:
    reactor = tower(plant)
    residence(plant, reactor, "plug_flow", **TEN_PERCENT, valid_from=march(1, 0))
    plant.clock.moment = START.replace(day=10, hour=20)
    lot = opening(plant, "pellets", "PELLETS", "200000", found_at=march(7, 0))
    for begin, end, kg in (((7, 10), (9, 20), "87000"), ((9, 22), (10, 14), "24000")):
        body = {"lot": lot, "amount": "mass", "mass_kg": kg, "start_at": march(*begin), "end_at": march(*end)}
        plant.post(f"/v1/vessels/{reactor}/charges", body)
    draw_over(plant, reactor, "57000", march(8, 6), march(9, 20))
    draw_over(plant, reactor, "12000", march(9, 22), march(10, 6))
    draw_over(plant, reactor, "12000", march(10, 6), march(10, 14))
    assert stop(plant, reactor, march(9, 20), march(9, 22))["warnings"] == []
    window = asked(plant, reactor, "entry-window", march(10, 6), march(10, 14))
    # The same 33,000 and 27,000 kg, over two hours in which nothing moved.
    assert entered(window) == ["03-09 06:00", "03-09 18:00"]


def may(day: int, hour: int, minute: int = 0) -> str:
    return datetime(2026, 5, day, hour, minute, tzinfo=UTC).isoformat()


def bed_below_limit(plant: Plant, reactor: int) -> list[str]:
    """1,500 kg/h through 30,000 kg; the five lots R1 to R5 of 4 and 5 May."""
    plant.clock.moment = datetime(2026, 5, 5, 22, tzinfo=UTC)
    bed = opening(plant, "pellets", "PELLETS", "87000")
    charge_over(plant, reactor, bed, may(3, 10), may(5, 20))
    ends = [may(4, 6), may(4, 13, 20), may(4, 21), may(5, 6), may(5, 12, 5), may(5, 20)]
    kilograms = ("11000", "11500", "13500", "9125", "11875")
    return [
        draw_over(plant, reactor, kg, begin, end) for kg, begin, end in zip(kilograms, ends[:-1], ends[1:], strict=True)
    ]


def test_reactor_excursion(plant: Plant) -> None:
    reactor = tower(plant)
    residence(plant, reactor, "plug_flow", **TEN_PERCENT, valid_from=march(1, 0))
    drawn = bed_below_limit(plant, reactor)
    suspect = asked(plant, reactor, "suspect-discharge", may(4, 13, 20), may(4, 14, 5))
    # The last of what was inside at 14:05 is out when 33,000 kg more are drawn: 22 hours later.
    assert [hour_of(suspect[f"suspect_{end}"]) for end in ("from", "to")] == ["05-04 13:20", "05-05 12:05"]
    assert suspect["lots"] == drawn[1:4]  # not R1, drawn by 13:20, and not R5, drawn from 12:05 on
    assert suspect["discharged_dry_kg"] == "34125.000"
    assert REPORT in suspect["basis"]


def test_an_excursion_whose_data_end_before_it_is_over_is_open(plant: Plant) -> None:
    reactor = tower(plant)
    residence(plant, reactor, "plug_flow", **TEN_PERCENT, valid_from=march(1, 0), valid_to=may(5, 6))
    drawn = bed_below_limit(plant, reactor)
    suspect = asked(plant, reactor, "suspect-discharge", may(4, 13, 20), may(4, 14, 5))
    assert (suspect["suspect_to"], suspect["worst_case_only"]) == (None, True)
    assert "They end before all of it is out" in suspect["basis"]
    assert suspect["lots"] == drawn[1:]


def test_what_is_still_inside_leaves_the_end_open(plant: Plant) -> None:
    reactor = tower(plant)
    residence(plant, reactor, "plug_flow", **TEN_PERCENT, valid_from=march(1, 0))
    drawn = bed_below_limit(plant, reactor)
    suspect = asked(plant, reactor, "suspect-discharge", may(5, 10), may(5, 11))
    assert (suspect["suspect_to"], suspect["worst_case_only"]) == (None, False)
    assert "still inside" in suspect["basis"]
    assert suspect["lots"] == drawn[3:]


def test_an_overdrawn_book_narrows_nothing(plant: Plant) -> None:
    reactor = tower(plant)
    residence(plant, reactor, "plug_flow", **TEN_PERCENT, valid_from=march(1, 0))
    drawn = bed_below_limit(plant, reactor)
    draw_over(plant, reactor, "99000", may(5, 20), may(5, 21))
    suspect = asked(plant, reactor, "suspect-discharge", may(4, 13, 20), may(4, 14, 5))
    assert (suspect["suspect_to"], suspect["worst_case_only"]) == (None, True)
    assert "overdrawn" in suspect["basis"]
    assert suspect["lots"][:-1] == drawn[1:]


def test_a_proof_of_emptiness_ends_an_excursion_that_nothing_else_bounds(plant: Plant) -> None:
    reactor = tower(plant)
    drawn = bed_below_limit(plant, reactor)
    plant.clock.advance(hours=4)
    note = {"at": may(5, 23), "note": "emptied and inspected"}
    plant.post(f"/v1/vessels/{reactor}/proven-empty", note)
    suspect = asked(plant, reactor, "suspect-discharge", may(4, 13, 20), may(4, 14, 5))
    assert hour_of(suspect["suspect_to"]) == "05-05 23:00"
    assert suspect["lots"] == drawn[1:]


SILO = ("3200", "18000", "12000")


def silo_of_three(plant: Plant, code: str, **stated: Any) -> tuple[list[str], list[str]]:
    """Heel 3,200 F1; +18,000 F2; -10,000; +12,000 F3; -15,000; under residence data if any are given."""
    silo = vessel(plant, code)
    if stated:
        residence(plant, silo, **stated)
    fed = [opening(plant, "flake", "FLAKE", kg) for kg in SILO]
    charge(plant, silo, fed[0], 1)
    charge(plant, silo, fed[1], 2)
    first = draw(plant, silo, "10000", 3)
    charge(plant, silo, fed[2], 4)
    return fed, [first, draw(plant, silo, "15000", 5)]


def percent(plant: Plant, fed: list[str], lot: str) -> list[float]:
    found = shares(plant, lot)
    return [round(found.get(code, 0) * 100, 2) for code in fed]


def test_a_mixed_silo_against_one_that_keeps_the_order(plant: Plant) -> None:
    fed, (first, second) = silo_of_three(plant, "MIXED", regime="well_mixed", report_sha256=REPORT)
    assert [share * 10_000 for share in shares(plant, first).values()] == pytest.approx([8490.6, 1509.4], abs=0.1)
    assert percent(plant, fed, second) == [7.29, 40.99, 51.72]
    assert trace(plant, second)["may_contain"] == fed  # a report on mixing narrows nothing
    fed, (_, second) = silo_of_three(plant, "ORDERED", regime="first_in_first_out")
    assert percent(plant, fed, second) == [0, 74.67, 25.33]  # 11,200 and 3,800 of 15,000 kg
    assert trace(plant, second)["may_contain"] == fed
    fed, (_, second) = silo_of_three(plant, "PROVEN", regime="first_in_first_out", report_sha256=REPORT)
    assert trace(plant, second)["may_contain"] == fed[1:]
    fed, (_, second) = silo_of_three(plant, "ONE-TANK", regime="tanks_in_series", tanks=1)
    assert percent(plant, fed, second) == [7.29, 40.99, 51.72]  # one stirred tank is a mixed vessel
    fed, (_, second) = silo_of_three(plant, "TANKS", regime="tanks_in_series", tanks=3)
    assert percent(plant, fed, second) != [7.29, 40.99, 51.72]


def test_the_regime_is_the_one_in_force_when_it_was_drawn(plant: Plant) -> None:
    silo = vessel(plant, "SILO-1")
    fed = [opening(plant, "flake", "FLAKE", kg) for kg in SILO]
    residence(plant, silo, "first_in_first_out", report_sha256=REPORT, valid_from="2026-03-08T04:30:00Z")
    charge(plant, silo, fed[0], 1)
    charge(plant, silo, fed[1], 2)
    mixed = draw(plant, silo, "10000", 3)
    charge(plant, silo, fed[2], 4)
    ordered = draw(plant, silo, "15000", 5)
    assert percent(plant, fed, mixed) == [15.09, 84.91, 0]
    assert trace(plant, ordered)["may_contain"] == fed[1:]
    before = stamp(plant)
    # Better data from the half hour before the first draw on: the earlier ones are corrected, not overwritten.
    data = plant.get(f"/v1/vessels/{silo}/residence")[0]
    stated = {"regime": "first_in_first_out", "source": "report found", "valid_from": "2026-03-08T02:30:00Z"}
    correction = {"reason": "the report covers the whole day", "stated": stated}
    plant.post(f"/v1/vessels/{silo}/residence/{data['id']}/corrections", correction)
    assert percent(plant, fed, mixed) == [32, 68, 0]
    assert trace(plant, ordered)["may_contain"] == fed  # the new version names no report
    earlier = plant.get(f"/v1/lots/{ordered}/trace?known_at={before}")
    assert earlier["may_contain"] == fed[1:]


def test_a_dryer_that_takes_charges_gives_them_back_in_their_order(plant: Plant) -> None:
    """Common practice, no source: a stirred hot-air pre-dryer takes 2.5 t a charge, first in, first out."""
    dryer = vessel(plant, "DRYER", "first_in_first_out", kind="pre_dryer", capacity_kg="5000")
    residence(plant, dryer, "first_in_first_out", hold_up_kg="2500", report_sha256=REPORT)
    charges = [opening(plant, "flake", "FLAKE", "2500") for _ in range(3)]
    drawn = []
    charge(plant, dryer, charges[0], 1)
    for place, following in enumerate(charges[1:], 2):
        charge(plant, dryer, following, place)
        drawn.append(draw(plant, dryer, "2500", place + 0.5))
    drawn.append(draw(plant, dryer, "2500", 4.5))
    for into, out_of in zip(charges, drawn, strict=True):
        assert shares(plant, out_of) == {into: 1.0}
        assert trace(plant, out_of)["may_contain"] == [into]


def test_a_vessel_says_what_its_book_cannot_have_been(plant: Plant) -> None:
    dryer = vessel(plant, "DRYER", kind="pre_dryer", capacity_kg="2500")
    assert charge(plant, dryer, opening(plant, "flake", "FLAKE", "2500"), 1)["warnings"] == []
    [warning] = charge(plant, dryer, opening(plant, "flake", "FLAKE", "100"), 2)["warnings"]
    assert "2600.000 kg dry stood in DRYER, which holds 2500.000 kg" in warning
    draw(plant, dryer, "2600", 3)
    # Level again: the next charge is within what it holds. What is drawn beyond is accepted, and said.
    assert charge(plant, dryer, opening(plant, "flake", "FLAKE", "1000"), 4)["warnings"] == []
    draw(plant, dryer, "1200", 5)
    warnings = plant.get(f"/v1/vessels/{dryer}")["warnings"]
    assert "200.000 kg dry were drawn from DRYER beyond what was booked in" in warnings[1]


def test_a_vessel_that_is_never_drawn_from_has_no_window(plant: Plant) -> None:
    silo = vessel(plant, "SILO-1", "first_in_first_out")
    charge(plant, silo, opening(plant, "flake", "FLAKE", "1000"), 1)
    window = asked(plant, silo, "entry-window", "2026-03-08T00:00:00Z", "2026-03-09T00:00:00Z")
    assert (window["entered_from"], window["entered_to"], window["expected_from"]) == (None, None, None)
    suspect = asked(plant, silo, "suspect-discharge", "2026-03-08T02:00:00Z", "2026-03-08T03:00:00Z")
    assert (suspect["suspect_to"], suspect["lots"], suspect["discharged_dry_kg"]) == (None, [], "0.000")


def test_a_question_about_an_interval_that_runs_backwards_is_refused(plant: Plant) -> None:
    silo = vessel(plant, "SILO-1")
    for question in ("entry-window", "suspect-discharge"):
        path = f"/v1/vessels/{silo}/{question}?from=2026-03-08T03:00:00Z&to=2026-03-08T02:00:00Z"
        assert plant.get(path, status=422)["code"] == "interval-backwards"
        # Without an offset nobody could tell which of the two hours of a clock change is meant.
        local = f"/v1/vessels/{silo}/{question}?from=2026-10-25T02:30:00&to=2026-10-25T04:00:00Z"
        assert plant.get(local, status=422)["code"] == "invalid-request"
