"""Goal: what is stored about lineage follows every kind of write, goes no further than it must, and stays askable.

Method: small plants on each engine, one kind of write each; what is stored afterwards is compared with a walk over the
lines, and with literal sets and shares where they can be written down. Vessels are worked out a few lines at a time.
"""

from datetime import datetime
from fractions import Fraction
from random import Random
from typing import Any

import pytest
from gate import stamp
from line_steps import at, charge, close, discharge, draw, feed, load, opening, out, shares, start, trace, vessel
from plant_fixture import Plant
from sqlalchemy import func, select
from sqlmodel import col
from stored_lineage import Told, told_by_walking, told_in_advance
from time_steps import REPORT, residence

from service.balances.queries import Claimable
from service.journal.read import Knowledge, known_now
from service.lineage import derive_vessel, descent, extent
from service.lineage.flows import microseconds
from service.lineage.graph import LotGraph
from service.lineage.stored import Derived, derived_lots
from service.lineage.tables import Derivation, VesselStanding
from service.lineage.tracer import shares_onward
from service.lots.queries import get_lot
from service.lots.tables import Line


@pytest.fixture(autouse=True)
def _short_stretches(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(derive_vessel, "LINES_AT_A_TIME", 3)
    monkeypatch.setattr(derive_vessel, "NEWEST_KEPT", 2)
    monkeypatch.setattr(derive_vessel, "KEPT_EVERY", 3)


@pytest.fixture
def never_walked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every answer is told as worked out in advance and by ranges, however short the history is."""
    monkeypatch.setattr(extent, "WALKED_MAX", 0)
    monkeypatch.setattr(extent, "LISTED_MAX", -1)
    monkeypatch.setattr(descent, "WALKED_MAX", -1)  # not even one


def stored(plant: Plant, code: str, counted: set[str] | None = None) -> Told:
    """What is stored of a lot, after it was compared with its lines."""
    with plant.database.read() as session:
        found = told_in_advance(session, code)
        walked = told_by_walking(LotGraph(session), session, code, counted or set(), Claimable(session))
    assert found is not None
    assert walked is not None
    assert found.differs_from(walked) == []
    return found


def newest_line(plant: Plant) -> int:
    with plant.database.read() as session:
        found: int = session.execute(select(func.max(col(Line.id)))).scalar_one()
        return found


def correct(plant: Plant, line: int, **change: Any) -> None:
    plant.post(f"/v1/lines/{line}/corrections", {"reason": "the sheet says otherwise"} | change)


def flake(kg: str, hour: float = 3, **more: Any) -> dict[str, Any]:
    return out("flake", "FLAKE", "product", "accepts", kg, hour=hour) | more


# How far a write goes --------------------------------------------------------------------------------


def known_from(plant: Plant, codes: list[str]) -> dict[str, int]:
    """From which journal position on what is stored of each lot holds."""
    with plant.database.read() as session:
        query = select(col(Derivation.known_from)).where(col(Derivation.known_to).is_(None))
        ids = {code: get_lot(session, code).id for code in codes}
        return {code: session.execute(query.where(col(Derivation.lot_id) == ids[code])).scalar_one() for code in ids}


def line_of_silos(plant: Plant, cycles: int) -> tuple[list[int], list[list[str]], list[int]]:
    """Each cycle a run's lot of 500 kg goes into silo A, 400 kg of it into silo B, and all of that out again.

    In the fifth cycle silo A is drawn to nothing. Gives the runs, the three lots of each cycle, and the silos.
    """
    silos = [vessel(plant, "A"), vessel(plant, "B")]
    runs, lots = [], []
    for cycle in range(1, cycles + 1):
        runs.append(start(plant, "flake_sorting", cycle))
        feed(plant, runs[-1], opening(plant, "flake", "FLAKE", "500"), start_at=at(cycle))
        [made] = discharge(plant, runs[-1], flake("500", cycle + 0.1))
        charge(plant, silos[0], made, cycle + 0.2)
        # Five times 500 kg less four times 400 kg.
        kg = "900" if cycle == 5 else "400"
        first = draw(plant, silos[0], kg, cycle + 0.3)
        charge(plant, silos[1], first, cycle + 0.4)
        lots.append([made, first, draw(plant, silos[1], kg, cycle + 0.5)])
    return runs, lots, silos


def test_a_late_feed_changes_what_it_reaches_and_no_other_lot(plant: Plant) -> None:
    runs, lots, silos = line_of_silos(plant, 7)
    everything = [lot for cycle in lots for lot in cycle]
    rework = start(plant, "flake_sorting", 1)
    feed(plant, rework, opening(plant, "flake", "FLAKE", "500"), start_at=at(1))
    [made] = discharge(plant, rework, flake("500", 1.1))
    at_first = known_from(plant, everything)
    # The origin lots of one feed share their fate: one more of them changes who they are, and no lot.
    feed(plant, runs[2], opening(plant, "flake", "FLAKE", "500"), start_at=at(3))
    before = known_from(plant, everything)
    assert before == at_first
    assert len(stored(plant, lots[2][0]).shares) == 2
    feed(plant, runs[2], made, start_at=at(3))
    after = known_from(plant, everything)
    changed = {lot for lot in everything if before[lot] != after[lot]}
    # The lot of the third cycle, and what left the silos until nothing of it stood there any more.
    assert changed == {lots[2][0], *(lot for cycle in lots[2:5] for lot in cycle[1:])}
    charge(plant, silos[0], opening(plant, "flake", "FLAKE", "50"), 6.25)
    last = known_from(plant, everything)
    assert {lot for lot in everything if after[lot] != last[lot]} == {lot for cycle in lots[5:] for lot in cycle[1:]}
    for lot in everything:
        stored(plant, lot)


def as_stored_now(
    plant: Plant, lots: list[list[str]], known: Knowledge | None = None
) -> tuple[Knowledge, dict[int, Derived]]:
    """What is stored of lots, now or as it was known; and what is known now."""
    with plant.database.read() as session:
        ids = [get_lot(session, code).id for cycle in lots for code in cycle]
        return known_now(session), derived_lots(session, ids, known)


def test_what_was_known_before_a_correction_is_still_there(plant: Plant) -> None:
    runs, lots, _ = line_of_silos(plant, 5)
    late, rework = opening(plant, "flake", "FLAKE", "500"), start(plant, "flake_sorting", 1)
    feed(plant, rework, late, start_at=at(1))
    [made] = discharge(plant, rework, flake("500", 1.1))
    before_at, earlier = stamp(plant), trace(plant, lots[2][2])
    known, stored_before = as_stored_now(plant, lots)
    feed(plant, runs[2], made, start_at=at(3))
    fed = newest_line(plant)
    assert shares(plant, lots[2][2])[late] > 0.2
    assert as_stored_now(plant, lots)[1] != stored_before
    assert as_stored_now(plant, lots, known)[1] == stored_before
    then = plant.get(f"/v1/lots/{lots[2][2]}/trace?known_at={before_at}")
    assert (then["shares"], then["may_contain"]) == (earlier["shares"], earlier["may_contain"])
    before_withdrawal = stamp(plant)
    amended = trace(plant, lots[2][2])
    correct(plant, fed, withdraw=True)
    again = trace(plant, lots[2][2])
    assert (again["shares"], again["may_contain"]) == (earlier["shares"], earlier["may_contain"])
    assert plant.get(f"/v1/lots/{lots[2][2]}/trace?known_at={before_withdrawal}")["shares"] == amended["shares"]
    assert as_stored_now(plant, lots)[1] == as_stored_now(plant, lots, known)[1] == stored_before
    stored(plant, lots[2][2])


# Vessels ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("regime", "stated", "is_proven"),
    [
        ("well_mixed", {}, False),
        ("first_in_first_out", {}, True),
        ("plug_flow", {"spread_fraction": "0.15"}, False),
        ("plug_flow", {"spread_fraction": "0.15"}, True),
        ("tanks_in_series", {"tanks": 4}, True),
    ],
)
def test_lines_that_run_beside_each_other_booked_in_any_order(
    plant: Plant, regime: str, stated: dict[str, Any], is_proven: bool
) -> None:
    tower = vessel(plant, "TOWER", capacity_kg="1500")
    whole_day = opening(plant, "flake", "FLAKE", "900")
    lines: list[tuple[str, str, float, float]] = [(whole_day, "900", 1, 9)]
    lines += [(opening(plant, "flake", "FLAKE", "200"), "200", hour, hour + 1.5) for hour in (1, 2, 4, 4.5, 6)]
    # More than was there in the end: 1,900 kg against 2,000.
    lines += [("", "400", hour, hour + 1.3) for hour in (2, 3, 4, 6.2)] + [("", "400", 8, 8)]
    Random(5).shuffle(lines)
    drawn: list[str] = []
    for place, (lot, kg, begin, end) in enumerate(lines):
        span = {"start_at": at(begin)} | ({"end_at": at(end)} if end > begin else {})
        if lot:
            body = {"lot": lot, "amount": "mass", "mass_kg": kg}
            plant.post(f"/v1/vessels/{tower}/charges", body | span)
        else:
            body = {"kind": "flake", "material": "FLAKE", "mass_kg": kg, "moisture_fraction": "0"}
            drawn.append(str(plant.post(f"/v1/vessels/{tower}/draws", body | span)["drawn_lot"]))
        if place == 5:
            report: dict[str, Any] = {"report_sha256": REPORT} if is_proven else {}
            residence(plant, tower, regime, **stated, **report, valid_from=at(2.5))
        for code in drawn:
            stored(plant, code)
    assert len(drawn) == 5
    with plant.database.read() as session:
        begun, ended = (microseconds_at(hour) for hour in (1, 9))
        within = select(func.count()).where(col(VesselStanding.at_us) > begun, col(VesselStanding.at_us) < ended)
        assert session.execute(within).scalar_one() > 0, "some standing is stored while a charge runs"


def microseconds_at(hour: float) -> int:
    return microseconds(datetime.fromisoformat(at(hour)))


def test_a_report_stated_late_narrows_and_an_overdrawn_book_widens_again(plant: Plant, never_walked: None) -> None:
    silo = vessel(plant, "SILO-1", "first_in_first_out")
    early, late = (opening(plant, "flake", "FLAKE", "500") for _ in range(2))
    charge(plant, silo, early, 1)
    first = draw(plant, silo, "500", 2)
    charge(plant, silo, late, 3)
    second = draw(plant, silo, "500", 4)
    assert stored(plant, second).may_contain == {early, late}
    residence(plant, silo, "first_in_first_out", report_sha256=REPORT)
    assert (stored(plant, first).may_contain, stored(plant, second).may_contain) == ({early}, {late})
    plant.post("/v1/holds", {"lot": early, "cause": "smell"})
    assert [bool(plant.get(f"/v1/lots/{lot}")["holds"]) for lot in (first, second)] == [True, False]
    assert trace(plant, second)["may_contain"] == [late]
    # Ten kilograms more than there was: from then on the order of the charges says nothing.
    overdrawn = draw(plant, silo, "10", 2.5)
    assert stored(plant, overdrawn).unattributed == {overdrawn}
    assert stored(plant, second).may_contain == {early, late}
    assert plant.get(f"/v1/lots/{second}")["holds"] != []


# Lots made by several lines, and by none any more ------------------------------------------------------


def test_a_bag_filled_by_two_runs_loses_what_is_withdrawn(plant: Plant) -> None:
    runs, fed = [], []
    for hour in (1, 2):
        runs.append(start(plant, "flake_sorting", hour))
        fed.append(opening(plant, "flake", "FLAKE", "300"))
        feed(plant, runs[-1], fed[-1], start_at=at(hour))
    [lot] = discharge(plant, runs[0], flake("100"))
    discharge(plant, runs[1], flake("300", 4, into_lot=lot))
    topped = newest_line(plant)
    assert stored(plant, lot).shares == {fed[0]: Fraction(1, 4), fed[1]: Fraction(3, 4)}
    correct(plant, topped, mass_kg="100")
    assert stored(plant, lot).shares == {fed[0]: Fraction(1, 2), fed[1]: Fraction(1, 2)}
    correct(plant, topped, withdraw=True)
    assert (stored(plant, lot).shares, stored(plant, lot).may_contain) == ({fed[0]: Fraction(1)}, {fed[0]})


def test_a_lot_out_of_a_silo_filled_up_by_a_run(plant: Plant) -> None:
    silo, run = vessel(plant, "SILO-1"), start(plant, "flake_sorting", 1)
    fed = [opening(plant, "flake", "FLAKE", "300") for _ in range(4)]
    charge(plant, silo, fed[0], 1)
    lot = draw(plant, silo, "100", 2)
    feed(plant, run, fed[1], start_at=at(1.5))
    charge(plant, silo, fed[2], 5)  # after it was drawn: never in it
    discharge(plant, run, flake("100", 3, into_lot=lot))
    topped = newest_line(plant)
    half = Fraction(1, 2)
    assert (stored(plant, lot).shares, stored(plant, lot).may_contain) == ({fed[0]: half, fed[1]: half}, set(fed[:2]))
    feed(plant, run, fed[3], start_at=at(1.6))
    assert stored(plant, lot).shares == {fed[0]: half, fed[1]: half / 2, fed[3]: half / 2}
    charge(plant, silo, opening(plant, "flake", "FLAKE", "100"), 1.5)
    assert stored(plant, lot).shares[fed[0]] == Fraction(3, 8)
    correct(plant, topped, withdraw=True)
    assert stored(plant, lot).shares[fed[0]] == Fraction(3, 4)


def test_a_withdrawn_draw_leaves_nothing_stored(plant: Plant) -> None:
    silo = vessel(plant, "SILO-1")
    fed = opening(plant, "flake", "FLAKE", "300")
    charge(plant, silo, fed, 1)
    lot = draw(plant, silo, "100", 2)
    drawn = newest_line(plant)
    correct(plant, drawn, withdraw=True)
    with plant.database.read() as session:
        assert told_in_advance(session, lot) is None
    assert plant.get(f"/v1/lots/{fed}/descendants")["affected"] == []


def test_a_gain_withholds_claims_until_its_balance_changes(plant: Plant) -> None:
    bale = load(plant, "Sorting plant", 1000)
    run = start(plant, "flake_sorting")
    feed(plant, run, bale)
    [lot] = discharge(plant, run, flake("1250"))
    made = newest_line(plant)
    silo = vessel(plant, "SILO-1")
    charge(plant, silo, lot, 4)
    charge(plant, silo, opening(plant, "flake", "FLAKE", "1250"), 4.5)
    drawn = draw(plant, silo, "500", 5)
    assert stored(plant, drawn, {bale}).claimable == Fraction(1, 2)
    assert close(plant, run)["not_claimable_kg"] == "250.000"
    found = stored(plant, drawn, {bale})
    assert (found.recycled, found.claimable) == (Fraction(1, 2), Fraction(2, 5))
    correct(plant, made, mass_kg="1000")
    found = stored(plant, drawn, {bale})
    assert found.recycled == found.claimable == Fraction(1000 * 10**12 // 2250, 10**12)


# Wide answers ----------------------------------------------------------------------------------------


def beside_a_silo(plant: Plant) -> tuple[str, str, str]:
    """A run that is fed out of a silo and with one small bale: the bale, what was in the silo, and the lot made."""
    silo, run = vessel(plant, "SILO-1"), start(plant, "flake_sorting", 3)
    heel = opening(plant, "flake", "FLAKE", "2400")
    charge(plant, silo, heel, 1)
    feed(plant, run, draw(plant, silo, "2400", 2), start_at=at(4))
    crumb = opening(plant, "flake", "FLAKE", "0.001")  # less than the cut-off in all of 2,400 kg
    feed(plant, run, crumb, start_at=at(4))
    [lot] = discharge(plant, run, flake("2400", 5))
    return crumb, heel, lot


def test_a_wide_answer_names_what_came_through_no_vessel(plant: Plant, never_walked: None) -> None:
    crumb, heel, lot = beside_a_silo(plant)
    wide = trace(plant, lot)
    assert [row["bale"] for row in wide["shares"]] == [heel]
    assert [one for one in wide["may_contain"] if isinstance(one, str)] == [crumb]
    assert [one["vessel"] for one in wide["may_contain"] if not isinstance(one, str)] == ["SILO-1"]
    [why] = wide["why_wide"]
    assert "SILO-1 was never proven empty since it was taken into use on 2026-03-08" in why
    assert set(plant.get(f"/v1/lots/{lot}/trace?expand=true")["may_contain"]) == {heel, crumb}
    down = plant.get(f"/v1/lots/{crumb}/descendants")
    assert [(row["lot"], float(row["share"])) for row in down["affected"]] == [(lot, 0)]
    assert down["also_from"] == []


def test_bounds_hold_what_is_expected_where_mass_was_gained(plant: Plant) -> None:
    run = start(plant, "flake_sorting", 1)
    bale, other = opening(plant, "flake", "FLAKE", "500"), opening(plant, "flake", "FLAKE", "1000")
    feed(plant, run, bale, start_at=at(1))
    [gained] = discharge(plant, run, flake("1000", 2))
    mixed = start(plant, "flake_sorting", 3)
    feed(plant, mixed, gained, start_at=at(3))
    feed(plant, mixed, other, start_at=at(3))
    [lot] = discharge(plant, mixed, flake("2000", 4))
    found = {
        row["bale"]: [float(row[key]) for key in ("min_share", "share", "max_share")] for row in rows_of(plant, lot)
    }
    # No more than 500 of 2,000 kg were there of the one, so no less than 1,500 should be the other.
    assert found == {bale: [0.25, 0.5, 0.5], other: [0.5, 0.5, 0.5]}
    only = rows_of(plant, gained)
    assert [(row["min_share"], row["share"], row["max_share"]) for row in only] == [
        ("0.500000000000", "1.000000000000", "1.000000000000")
    ]


def rows_of(plant: Plant, lot: str) -> Any:
    return trace(plant, lot)["shares"]


@pytest.mark.parametrize("regime", ["well_mixed", "first_in_first_out"])
def test_shares_onward_of_lots_one_of_which_is_in_the_other(plant: Plant, never_walked: None, regime: str) -> None:
    silo, run = vessel(plant, "SILO-1", regime), start(plant, "flake_sorting", 1)
    feed(plant, run, opening(plant, "flake", "FLAKE", "900"), start_at=at(1))
    inner, outer = discharge(plant, run, flake("300", 1.1), flake("600", 1.1))
    for hour, lot in ((2, opening(plant, "flake", "FLAKE", "600")), (3, inner), (4, outer)):
        charge(plant, silo, lot, hour)
    drawn = [draw(plant, silo, "750", hour) for hour in (5, 6)]
    mixed = start(plant, "flake_sorting", 7)
    feed(plant, mixed, drawn[0], start_at=at(7))
    [last] = discharge(plant, mixed, flake("750", 8))
    with plant.database.read() as session:
        ids = [get_lot(session, code).id for code in (inner, drawn[0])]
        onward = shares_onward(session, ids)
        # 300 of 1,500 kg mixed, or 150 of each 750 in their order. What went through both counts once.
        expected_e12 = {get_lot(session, drawn[1]).id: 2 * 10**11, get_lot(session, last).id: 10**12}
        assert onward == pytest.approx(expected_e12, abs=1)
    told = {row["lot"]: float(row["share"]) for row in plant.get(f"/v1/lots/{outer}/descendants")["affected"]}
    expected = {drawn[0]: 0.4, drawn[1]: 0.4, last: 0.4} if regime == "well_mixed" else {drawn[1]: 0.8}
    assert told == pytest.approx(expected, abs=1e-11)


def test_a_charge_that_goes_on_after_the_vessel_stood_empty_is_followed_to_its_end(plant: Plant) -> None:
    """A lot drawn early is charged again over hours, into a vessel drawn beyond its content meanwhile."""
    silo = vessel(plant, "SILO-1")
    first, late = opening(plant, "flake", "FLAKE", "100"), opening(plant, "flake", "FLAKE", "100")
    charge(plant, silo, first, 1)
    reworked = draw(plant, silo, "100", 2)
    body = {"lot": reworked, "amount": "whole", "start_at": at(3), "end_at": at(7)}
    plant.post(f"/v1/vessels/{silo}/charges", body)
    for hour in (4, 5):
        draw(plant, silo, "200", hour)
    drawn = draw(plant, silo, "20", 6)
    charge(plant, silo, late, 1.5)
    assert stored(plant, drawn).shares == {first: Fraction(1, 2), late: Fraction(1, 2)}


def test_residence_data_withdrawn_leave_a_draw_to_the_report_that_held_before(plant: Plant) -> None:
    proof = {"proof_sha256": REPORT, "proof_from": at(0)}
    silo = vessel(plant, "SILO-1", "first_in_first_out", **proof)
    fed = [opening(plant, "flake", "FLAKE", "100") for _ in range(5)]
    stated = residence(plant, silo, "first_in_first_out", valid_from=at(7))
    for hour, charged in enumerate(fed):
        charge(plant, silo, charged, 0.5 + hour)
    body = {"kind": "flake", "material": "FLAKE", "mass_kg": "300", "moisture_fraction": "0"}
    lot = str(plant.post(f"/v1/vessels/{silo}/draws", body | {"start_at": at(5), "end_at": at(8)})["drawn_lot"])
    for begun in (5.5, 6, 6.3, 6.6):
        draw(plant, silo, "1", begun)
    assert stored(plant, lot).may_contain == set(fed)
    path = f"/v1/vessels/{silo}/residence/{stated['id']}/corrections"
    plant.post(path, {"reason": "of another silo", "withdraw": True})
    # 304 kg left, in their order, and the vessel's own report counts again for all of the draw.
    assert stored(plant, lot).may_contain == set(fed[:4])
