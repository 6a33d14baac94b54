"""Goal: a run's dry balance says what is missing or too much, and refuses to be flattered by water.

Method: acceptance scenarios P07, P08, P12, P19 with literal numbers (recomputed with fractions; tolerance
0.1 kg and 0.01 percentage point), verdicts exactly at the bound, the sentence word by word, then laws.
"""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.mass_balance import (
    Balance,
    BalanceLine,
    Direction,
    FractionLoss,
    NegativeMass,
    StreamTotal,
    Tolerance,
    Verdict,
    close,
    sentence,
)
from service.core.quantities import NotAFraction, dry_kg_exact, percent_half_up

IN, OUT = Direction.IN, Direction.OUT
THREE_PERCENT = Tolerance(30_000)
ONE_PERCENT = Tolerance(10_000)

# (stream, direction, kg wet, moisture in ppm)
P07_LINES = [
    ("bales", IN, 20_600, 45_000),
    ("clear flake", OUT, 14_210, 7_000),
    ("light blue flake", OUT, 1_180, 7_000),
    ("colour reject", OUT, 640, 8_000),
    ("polyolefin flake", OUT, 1_515, 30_000),
    ("labels", OUT, 610, 80_000),
    ("metal and PVC", OUT, 160, 10_000),
    ("fines", OUT, 395, 20_000),
    ("sludge", OUT, 1_450, 550_000),
    ("wire", OUT, 60, 0),
]
P08_LINES = [("bales", IN, 10_000, 60_000), ("flake", OUT, 9_850, 5_000)]
P12_LINES = [
    ("flake", IN, 21_200, 5_000),
    ("additive", IN, 42, 500),
    ("pellets", OUT, 21_530, 500),
    ("lumps", OUT, 180, 500),
    ("filter cake", OUT, 45, 0),
    ("condensate", OUT, 18, 400_000),
]
P12_REWORK = ("rework", IN, 800, 1_000)


def lines(rows: Sequence[tuple[str, Direction, int, int]]) -> list[BalanceLine]:
    return [BalanceLine(stream, way, kg * 1000, moisture_ppm) for stream, way, kg, moisture_ppm in rows]


def p07(tolerance: Tolerance = THREE_PERCENT) -> Balance:
    return close(lines(P07_LINES), [FractionLoss("effluent", 15_000)], tolerance=tolerance)


def is_near(amount_ug: int, scenario_kg: str) -> bool:
    return abs(dry_kg_exact(amount_ug) - Decimal(scenario_kg)) <= Decimal("0.1")


def test_acceptance_scenario_p07_wash_balance() -> None:
    balance = p07()
    # Exact values recomputed with fractions.
    assert balance.dry_in_ug == 19_673_000_000_000
    assert Fraction(balance.weighed_dry_out_ug, 10**9) == Fraction("19205.9")
    assert Fraction(balance.estimated_dry_out_ug, 10**9) == Fraction(19_673 * 15, 1000)
    assert Fraction(balance.unexplained_ug, 10**9) == Fraction("172.005")
    assert is_near(balance.weighed_dry_out_ug, "19205.9")
    assert is_near(balance.estimated_dry_out_ug, "295.1")
    assert is_near(balance.unexplained_ug, "172.0")
    assert balance.unexplained_percent() == Decimal("0.87")
    assert balance.closure_percent() == Decimal("99.13")
    assert balance.verdict is Verdict.CLOSES
    assert balance.not_claimable_ug == 0


def test_acceptance_scenario_p07_clear_yield_is_read_from_the_streams() -> None:
    balance = p07()
    assert balance.by_stream[0] == (IN, "bales", 19_673_000_000_000)
    clear = next(total for total in balance.by_stream if total.stream == "clear flake")
    assert percent_half_up(clear.dry_ug, balance.dry_in_ug) == Decimal("71.73")
    assert balance.by_stream[-1] == StreamTotal(OUT, "effluent", 295_095_000_000)


def test_acceptance_scenario_p07_a_wet_balance_would_show_another_loss() -> None:
    as_if_dry = [BalanceLine(row.stream, row.direction, row.mass_g, 0) for row in lines(P07_LINES)]
    wet = close(as_if_dry, tolerance=THREE_PERCENT)
    assert is_near(wet.unexplained_ug, "380.0")


def test_acceptance_scenario_p08_hidden_gain() -> None:
    balance = close(lines(P08_LINES), tolerance=THREE_PERCENT)
    assert is_near(balance.dry_in_ug, "9400.0")
    assert is_near(balance.dry_out_ug, "9800.75")
    assert balance.unexplained_ug == -400_750_000_000
    assert balance.not_claimable_ug == 400_750_000_000
    assert balance.closure_percent() == Decimal("104.26")
    assert balance.unexplained_percent() == Decimal("-4.26")
    assert balance.verdict is Verdict.GAIN_ABOVE_TOLERANCE


def test_acceptance_scenario_p12_extrusion() -> None:
    balance = close(lines([*P12_LINES, P12_REWORK]), tolerance=ONE_PERCENT)
    assert is_near(balance.dry_in_ug, "21935.2")
    assert is_near(balance.dry_out_ug, "21754.9")
    assert is_near(balance.unexplained_ug, "180.2")
    assert balance.unexplained_percent() == Decimal("0.82")
    assert balance.verdict is Verdict.CLOSES


def test_acceptance_scenario_p12_rework_not_booked() -> None:
    balance = close(lines(P12_LINES), tolerance=ONE_PERCENT)
    assert is_near(balance.dry_in_ug, "21136.0")
    assert is_near(balance.unexplained_ug, "-619.0")
    assert balance.unexplained_percent() == Decimal("-2.93")
    assert balance.verdict is Verdict.GAIN_ABOVE_TOLERANCE
    assert balance.not_claimable_ug == -balance.unexplained_ug


def test_acceptance_scenario_p19_pallet_tare_forgotten() -> None:
    # Packing at +-0.2 % (common practice, no source). 20 octabins net 1,050 kg; pallet forgotten: 1,072 kg.
    packing = Tolerance(2_000)
    lot = BalanceLine("lot", IN, 22_000_000, 0)
    bag = BalanceLine("bags", OUT, 1_000_000, 0)
    right = close([lot, bag, BalanceLine("octabins", OUT, 20 * 1_050_000, 0)], tolerance=packing)
    wrong = close([lot, bag, BalanceLine("octabins", OUT, 20 * 1_072_000, 0)], tolerance=packing)
    assert (right.verdict, right.unexplained_ug) == (Verdict.CLOSES, 0)
    assert wrong.verdict is Verdict.GAIN_ABOVE_TOLERANCE
    assert is_near(wrong.unexplained_ug, "-440.0")
    assert wrong.closure_percent() == Decimal("102.00")


@pytest.mark.parametrize(
    ("out_g", "verdict", "not_claimable_ug"),
    [
        (970_000, Verdict.CLOSES, 0),
        (969_999, Verdict.LOSS_ABOVE_TOLERANCE, 0),
        (1_030_000, Verdict.CLOSES, 0),
        (1_030_001, Verdict.GAIN_ABOVE_TOLERANCE, 30_001_000_000),
        (1_000_000, Verdict.CLOSES, 0),
    ],
)
def test_the_bound_itself_closes_and_one_gram_beyond_does_not(
    out_g: int, verdict: Verdict, not_claimable_ug: int
) -> None:
    balance = close(
        [BalanceLine("bales", IN, 1_000_000, 0), BalanceLine("flake", OUT, out_g, 0)],
        tolerance=THREE_PERCENT,
    )
    assert balance.verdict is verdict
    assert balance.not_claimable_ug == not_claimable_ug


def test_material_left_in_the_process_is_not_a_loss() -> None:
    rows = [BalanceLine("flake", IN, 1_000_000, 0), BalanceLine("pellets", OUT, 800_000, 0)]
    held_ug = 200_000 * 10**6
    assert close(rows, tolerance=ONE_PERCENT).verdict is Verdict.LOSS_ABOVE_TOLERANCE
    balance = close(rows, stock_change_ug=held_ug, tolerance=ONE_PERCENT)
    assert (balance.verdict, balance.unexplained_ug) == (Verdict.CLOSES, 0)
    assert balance.closure_percent() == Decimal("100.00")


def test_estimated_lines_are_kept_apart_from_weighed_ones() -> None:
    balance = close(
        [
            BalanceLine("bales", IN, 1_000, 0),
            BalanceLine("flake", OUT, 900, 0),
            BalanceLine("sludge", OUT, 60, 500_000, weighed=False),
        ],
        [FractionLoss("effluent", 10_000)],
        tolerance=THREE_PERCENT,
    )
    assert balance.weighed_dry_out_ug == 900 * 10**6
    assert balance.estimated_dry_out_ug == 30 * 10**6 + 10 * 10**6
    assert balance.dry_out_ug == 940 * 10**6


def test_streams_are_summed_in_order_of_first_appearance_and_by_direction() -> None:
    balance = close(
        [
            BalanceLine("rework", IN, 10, 0),
            BalanceLine("flake", IN, 20, 0),
            BalanceLine("rework", OUT, 5, 0),
            BalanceLine("rework", IN, 1, 0),
        ],
        tolerance=THREE_PERCENT,
    )
    assert balance.by_stream == (
        (IN, "rework", 11 * 10**6),
        (IN, "flake", 20 * 10**6),
        (OUT, "rework", 5 * 10**6),
    )


def test_nothing_fed_has_its_own_verdict_and_withholds_all_that_came_out() -> None:
    balance = close([BalanceLine("flake", OUT, 500_000, 0)], tolerance=THREE_PERCENT)
    assert balance.verdict is Verdict.NOTHING_IN
    assert balance.not_claimable_ug == 500_000 * 10**6
    assert balance.unexplained_percent() is None
    assert balance.closure_percent() is None
    assert close([], tolerance=THREE_PERCENT).verdict is Verdict.NOTHING_IN
    assert close([], tolerance=THREE_PERCENT).not_claimable_ug == 0


def test_a_fraction_loss_rounds_half_up_to_the_microgram() -> None:
    assert FractionLoss("effluent", 500_000).dry_ug(1) == 1
    assert FractionLoss("effluent", 499_999).dry_ug(1) == 0


def test_bad_lines_are_refused_when_they_are_made() -> None:
    with pytest.raises(NegativeMass, match=r"flake: expected zero or more, got -0\.001 kg"):
        BalanceLine("flake", OUT, -1, 0)
    with pytest.raises(NotAFraction, match="1000001 ppm"):
        BalanceLine("flake", OUT, 1, 1_000_001)
    with pytest.raises(NotAFraction, match="-1 ppm"):
        FractionLoss("effluent", -1)
    with pytest.raises(NotAFraction, match="1000001 ppm"):
        Tolerance(1_000_001)


def test_sentence_for_a_balance_that_closes() -> None:
    assert sentence(p07()) == (
        "19\u202f673.0 kg dry went in, 19\u202f205.9 kg dry came out weighed and 295.1 kg by estimate: "
        "172.0 kg are missing, 0.87 % of the dry input, within the tolerance of 3 %. The balance closes."
    )


def test_sentence_for_a_loss() -> None:
    assert sentence(p07(Tolerance(5_000))) == (
        "19\u202f673.0 kg dry went in, 19\u202f205.9 kg dry came out weighed and 295.1 kg by estimate: "
        "172.0 kg are missing, 0.87 % of the dry input, above the tolerance of 0.5 %. Look for a by-product "
        "container not weighed, a bag not booked or a default moisture too low."
    )


def test_sentence_for_a_gain() -> None:
    assert sentence(close(lines(P08_LINES), tolerance=THREE_PERCENT)) == (
        "9\u202f400.0 kg dry went in, 9\u202f800.8 kg dry came out weighed: 400.8 kg too much came out, "
        "4.26 % of the dry input, above the tolerance of 3 %. Look for a bale or rework fed without booking, "
        "flake booked too dry or a bag booked twice. "
        "400.8 kg may not be claimed until this is explained."
    )


def test_sentence_when_nothing_was_fed() -> None:
    flake = BalanceLine("flake", OUT, 500_000, 0)
    assert sentence(close([flake], tolerance=THREE_PERCENT)) == (
        "0.0 kg dry went in, 500.0 kg dry came out weighed: 500.0 kg too much came out. Nothing is booked "
        "as fed; book what was fed, then close again. 500.0 kg may not be claimed until this is explained."
    )
    assert sentence(close([], tolerance=THREE_PERCENT)).endswith("then close again.")


@pytest.mark.parametrize(("change_g", "words"), [(200_000, "200.0 kg more"), (-200_000, "200.0 kg less")])
def test_sentence_names_the_change_of_stock(change_g: int, words: str) -> None:
    rows = [BalanceLine("flake", IN, 1_000_000, 0), BalanceLine("pellets", OUT, 1_000_000 - change_g, 0)]
    balance = close(rows, stock_change_ug=change_g * 10**6, tolerance=ONE_PERCENT)
    assert f", {words} stand in the process than before: nothing is missing. The bal" in sentence(balance)


def test_sentence_does_not_call_a_rounded_3_percent_above_3_percent_without_saying_why() -> None:
    rows = [BalanceLine("bales", IN, 1_000_000, 0), BalanceLine("flake", OUT, 969_999, 0)]
    said = sentence(close(rows, tolerance=THREE_PERCENT))
    assert "3.00 % of the dry input, above the tolerance of 3 % (judged on unrounded masses)." in said


LINE = st.builds(
    BalanceLine,
    st.sampled_from(["bales", "flake", "fines", "sludge"]),
    st.sampled_from(Direction),
    st.integers(0, 10**8),
    st.integers(0, 10**6),
    st.booleans(),
)


@given(st.lists(LINE, max_size=12), st.integers(0, 10**6), st.integers(0, 200_000), st.randoms())
def test_the_order_of_lines_is_irrelevant(
    rows: list[BalanceLine], stock_ug: int, tolerance_ppm: int, chance: object
) -> None:
    shuffled = list(rows)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    first = close(rows, stock_change_ug=stock_ug, tolerance=Tolerance(tolerance_ppm))
    second = close(shuffled, stock_change_ug=stock_ug, tolerance=Tolerance(tolerance_ppm))
    assert sorted(first.by_stream) == sorted(second.by_stream)
    assert (first.unexplained_ug, first.verdict) == (second.unexplained_ug, second.verdict)


@given(st.lists(LINE, min_size=1, max_size=12), st.integers(2, 50), st.integers(0, 200_000))
def test_a_run_k_times_as_large_has_k_times_the_difference_and_the_same_verdict(
    rows: list[BalanceLine], factor: int, tolerance_ppm: int
) -> None:
    larger = [BalanceLine(r.stream, r.direction, r.mass_g * factor, r.moisture_ppm, r.weighed) for r in rows]
    one = close(rows, tolerance=Tolerance(tolerance_ppm))
    many = close(larger, tolerance=Tolerance(tolerance_ppm))
    assert many.unexplained_ug == factor * one.unexplained_ug
    assert many.not_claimable_ug == factor * one.not_claimable_ug
    assert many.verdict is one.verdict
    assert many.unexplained_percent() == one.unexplained_percent()


@given(st.lists(LINE, max_size=12), st.integers(0, 300_000), st.integers(0, 200_000))
def test_a_balance_agrees_with_fractions_of_kilograms(
    rows: list[BalanceLine], effluent_ppm: int, tolerance_ppm: int
) -> None:
    # Independent way: fractions of a kilogram and no integer units.
    def dry_kg(way: Direction) -> Fraction:
        return sum(
            (Fraction(r.mass_g, 1000) * (1 - Fraction(r.moisture_ppm, 10**6)) for r in rows if r.direction is way),
            Fraction(0),
        )

    dry_in_kg = dry_kg(IN)
    unexplained_kg = dry_in_kg * (1 - Fraction(effluent_ppm, 10**6)) - dry_kg(OUT)
    balance = close(rows, [FractionLoss("effluent", effluent_ppm)], tolerance=Tolerance(tolerance_ppm))
    assert Fraction(balance.dry_in_ug, 10**9) == dry_in_kg
    assert abs(Fraction(balance.unexplained_ug, 10**9) - unexplained_kg) <= Fraction(1, 2 * 10**9)
    if dry_in_kg and abs(abs(unexplained_kg) - dry_in_kg * Fraction(tolerance_ppm, 10**6)) > Fraction(1, 10**9):
        closes = abs(unexplained_kg) < dry_in_kg * Fraction(tolerance_ppm, 10**6)
        assert (balance.verdict is Verdict.CLOSES) == closes
