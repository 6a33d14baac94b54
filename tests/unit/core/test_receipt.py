"""Goal: bales always add up to their delivery, and each contract pays by its own formula, from one net.

Method: acceptance scenarios with literal numbers (recomputed with fractions), then the refusals.
Tolerance of compared masses 0.1 kg.
"""

import pytest

from service.core.quantities import NotAFraction
from service.core.receipt import (
    NegativeDeduction,
    NetNotPositive,
    NothingToSpreadOver,
    PayableFormula,
    WeighedExceedsTotal,
    allocate_evenly,
    material_net_g,
    payable_additive_g,
    payable_dry_equivalent_g,
    payable_g,
    respread,
)

MATERIAL_G = 24_368_000


def test_acceptance_scenario_p01_material_net() -> None:
    # P01: 39,860 - 15,420 = 24,440 kg; 48 ties x 1.5 kg = 72.0 kg; material 24,368.0 kg.
    assert material_net_g(39_860_000, 15_420_000) == 24_440_000
    assert material_net_g(39_860_000, 15_420_000, [48 * 1_500]) == MATERIAL_G


@pytest.mark.parametrize(
    ("formula", "paid_g", "scenario_g"),
    [
        # Recomputed with fractions: 24368 x 0.968 = 23588.224; 24368 x 0.948 / 0.98 = 23572.3102...
        (PayableFormula.ADDITIVE, 23_588_224, 23_588_200),
        (PayableFormula.DRY_EQUIVALENT, 23_572_310, 23_572_300),
    ],
)
def test_acceptance_scenario_p02_payable(formula: PayableFormula, paid_g: int, scenario_g: int) -> None:
    assert payable_g(formula, MATERIAL_G, 52_000, 20_000) == paid_g
    assert abs(paid_g - scenario_g) <= 100


def test_acceptance_scenario_p03_even_estimate() -> None:
    # P03: 47 bales of 24,368 kg -> 518.468 kg each, the rest on the last, sum to the gram.
    bales_g = allocate_evenly(MATERIAL_G, 47)
    assert len(bales_g) == 47
    assert set(bales_g[:-1]) == {518_468}
    assert bales_g[-1] == 518_472
    assert sum(bales_g) == MATERIAL_G


@pytest.mark.parametrize("position", [0, 20, 46])
def test_acceptance_scenario_p04_one_real_weight(position: int) -> None:
    # P04: one bale 531.0 kg -> the other 46 become 518.196 kg (cut to 518.195, 30 g on the last estimate).
    fixed: list[int | None] = [None] * 47
    fixed[position] = 531_000
    bales_g = respread(MATERIAL_G, fixed)
    assert bales_g[position] == 531_000
    estimated_g = [mass_g for place, mass_g in enumerate(bales_g) if place != position]
    assert set(estimated_g[:-1]) == {518_195}
    assert estimated_g[-1] == 518_195 + 30
    assert all(abs(mass_g - 518_196) <= 100 for mass_g in estimated_g)
    assert sum(bales_g) == MATERIAL_G


def test_acceptance_scenario_p19_container_nets() -> None:
    # P19: 20 octabins gross 1,098 kg, tare pallet 22 + box 26; one bag 1,000 kg net -> 22,000 kg.
    assert 20 * material_net_g(1_098_000, 0, [22_000, 26_000]) + 1_000_000 == 22_000_000
    assert 20 * material_net_g(1_098_000, 0, [26_000]) + 1_000_000 == 22_440_000


@pytest.mark.parametrize("gross_g", [15_420_000, 15_400_000, 15_492_000])
def test_a_net_that_is_not_positive_is_refused(gross_g: int) -> None:
    with pytest.raises(NetNotPositive, match=r"tare 15420\.000 kg less deductions 72\.000 kg.*swapped\?"):
        material_net_g(gross_g, 15_420_000, [72_000])


def test_a_negative_deduction_is_refused() -> None:
    with pytest.raises(NegativeDeduction, match=r"got -1\.500 kg"):
        material_net_g(39_860_000, 15_420_000, [72_000, -1_500])


@pytest.mark.parametrize(("total_g", "pieces"), [(1000, 0), (1000, -1), (0, 1), (2, 3), (-5, 1)])
def test_nothing_to_spread_over(total_g: int, pieces: int) -> None:
    with pytest.raises(NothingToSpreadOver, match=f"over {pieces} pieces"):
        allocate_evenly(total_g, pieces)


def test_weighed_pieces_above_the_total_are_refused_with_both_numbers() -> None:
    with pytest.raises(
        WeighedExceedsTotal,
        match=r"the 2 weighed pieces sum to 1\.100 kg of 1\.000 kg .* -0\.100 kg for the 1 not",
    ):
        respread(1000, [600, None, 500])
    with pytest.raises(WeighedExceedsTotal, match=r"leaves 0\.000 kg for the 1 not weighed"):
        respread(1000, [600, None, 400])
    with pytest.raises(WeighedExceedsTotal, match=r"2 weighed pieces sum to 1\.001 kg of 1\.000 kg"):
        respread(1000, [600, 401])


def test_when_all_are_weighed_the_sum_has_to_meet_the_total() -> None:
    assert respread(1000, [600, 400]) == [600, 400]
    with pytest.raises(NothingToSpreadOver, match=r"0\.990 kg of 1\.000 kg .* the other 0\.010 kg"):
        respread(1000, [600, 390])
    with pytest.raises(NothingToSpreadOver, match="the 0 weighed pieces"):
        respread(1000, [])


@pytest.mark.parametrize("weighed_g", [0, -5_000])
def test_a_weighed_piece_without_mass_is_refused_by_its_place(weighed_g: int) -> None:
    with pytest.raises(NetNotPositive, match="piece 2 is said to weigh"):
        respread(1000, [None, weighed_g, None])


@pytest.mark.parametrize("formula", list(PayableFormula))
@pytest.mark.parametrize("moisture_ppm", [0, 19_999, 20_000])
def test_drier_than_allowed_earns_no_bonus(formula: PayableFormula, moisture_ppm: int) -> None:
    assert payable_g(formula, MATERIAL_G, moisture_ppm, 20_000) == MATERIAL_G


def test_payable_rounds_once_half_up_to_the_gram() -> None:
    assert payable_additive_g(1, 500_000, 0) == 1
    assert payable_additive_g(1, 500_001, 0) == 0
    assert payable_dry_equivalent_g(3, 500_000, 0) == 2
    assert payable_additive_g(1000, 10**6, 0) == 0


@pytest.mark.parametrize("formula", list(PayableFormula))
@pytest.mark.parametrize(("moisture_ppm", "allowance_ppm"), [(-1, 0), (10**6 + 1, 0), (0, -1), (0, 10**6 + 1)])
def test_fractions_outside_0_to_1_are_refused(formula: PayableFormula, moisture_ppm: int, allowance_ppm: int) -> None:
    with pytest.raises(NotAFraction):
        payable_g(formula, MATERIAL_G, moisture_ppm, allowance_ppm)


def test_an_allowance_of_pure_water_is_refused() -> None:
    with pytest.raises(NotAFraction, match="pure water"):
        payable_dry_equivalent_g(MATERIAL_G, 10**6, 10**6)


@pytest.mark.parametrize("formula", list(PayableFormula))
@pytest.mark.parametrize("material_g", [0, -1])
def test_nothing_is_paid_for_nothing(formula: PayableFormula, material_g: int) -> None:
    with pytest.raises(NetNotPositive, match="nothing can be paid"):
        payable_g(formula, material_g, 0, 0)
