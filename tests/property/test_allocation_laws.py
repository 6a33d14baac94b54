"""Laws of spreading a delivery's mass over its pieces, and of paying for it.

* pieces always sum to the total, to the gram; none is without mass;
* estimates are equal except the last, which carries a rest smaller than the number of estimates;
* weighed pieces keep their weight, wherever they stand; a weight equal to its estimate moves nobody by
  more than that rest;
* payable mass is never above the material, falls with moisture, and the dry-equivalent formula never
  pays more than the additive one; both equal the fraction rounded once.
"""

import math
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from service.core.receipt import (
    NothingToSpreadOver,
    PayableFormula,
    WeighedExceedsTotal,
    allocate_evenly,
    payable_additive_g,
    payable_dry_equivalent_g,
    payable_g,
    respread,
)

PIECES = st.integers(1, 120)
MATERIAL_G = st.integers(1, 40_000_000)
PPM = st.integers(0, 10**6)


@given(st.integers(0, 40_000_000), PIECES)
def test_even_pieces_sum_to_the_total(total_g: int, pieces: int) -> None:
    if total_g < pieces:
        try:
            allocate_evenly(total_g, pieces)
        except NothingToSpreadOver:
            return
        raise AssertionError("a piece without mass was accepted")
    spread_g = allocate_evenly(total_g, pieces)
    assert len(spread_g) == pieces
    assert sum(spread_g) == total_g
    assert set(spread_g[:-1]) <= {total_g // pieces}
    assert 0 <= spread_g[-1] - total_g // pieces < pieces
    assert min(spread_g) > 0


@given(st.lists(st.none() | st.integers(1, 1_000_000), min_size=1, max_size=60), st.integers(1, 10**8))
def test_respread_keeps_weights_and_the_total_or_refuses(fixed: list[int | None], total_g: int) -> None:
    weighed_g = sum(weight for weight in fixed if weight is not None)
    estimated = fixed.count(None)
    try:
        spread_g = respread(total_g, fixed)
    except WeighedExceedsTotal:
        assert total_g - weighed_g < estimated or weighed_g > total_g
        return
    except NothingToSpreadOver:
        assert estimated == 0
        assert weighed_g < total_g
        return
    assert sum(spread_g) == total_g
    assert len(spread_g) == len(fixed)
    assert all(weight is None or weight == mass_g for weight, mass_g in zip(fixed, spread_g, strict=True))
    estimates_g = [mass_g for weight, mass_g in zip(fixed, spread_g, strict=True) if weight is None]
    assert estimates_g == (allocate_evenly(total_g - weighed_g, estimated) if estimated else [])


@given(st.integers(1_000, 40_000_000), PIECES)
def test_without_weights_respread_is_the_even_estimate(total_g: int, pieces: int) -> None:
    assert respread(total_g, [None] * pieces) == allocate_evenly(total_g, pieces)


@given(st.integers(1_000, 40_000_000), st.integers(2, 120), st.data())
def test_a_weight_equal_to_its_estimate_moves_the_others_by_less_than_the_rest(
    total_g: int, pieces: int, data: st.DataObject
) -> None:
    before_g = allocate_evenly(total_g, pieces)
    position = data.draw(st.integers(0, pieces - 1))
    fixed: list[int | None] = [None] * pieces
    fixed[position] = before_g[position]
    after_g = respread(total_g, fixed)
    assert all(abs(new - old) < pieces for new, old in zip(after_g, before_g, strict=True))


@given(st.integers(10**7, 40_000_000), st.lists(st.integers(1, 600_000), max_size=12), st.data())
def test_weighing_one_after_the_other_ends_like_weighing_all_at_once(
    total_g: int, weights_g: list[int], data: st.DataObject
) -> None:
    # The estimates never feed back into later ones: only weights and the total decide.
    pieces = len(weights_g) + 3
    places = data.draw(st.permutations(range(pieces)))
    fixed: list[int | None] = [None] * pieces
    latest_g = respread(total_g, fixed)
    for place, weight_g in zip(places, weights_g, strict=False):
        fixed[place] = weight_g
        latest_g = respread(total_g, fixed)
        assert sum(latest_g) == total_g
    at_once: list[int | None] = [None] * pieces
    for place, weight_g in zip(places, weights_g, strict=False):
        at_once[place] = weight_g
    assert latest_g == respread(total_g, at_once)


def half_up(value: Fraction) -> int:
    return math.floor(value + Fraction(1, 2))


@given(MATERIAL_G, PPM, PPM)
def test_additive_payable_equals_the_fraction(material_g: int, moisture_ppm: int, allowance_ppm: int) -> None:
    over = max(Fraction(0), Fraction(moisture_ppm - allowance_ppm, 10**6))
    assert payable_additive_g(material_g, moisture_ppm, allowance_ppm) == half_up(material_g * (1 - over))


@given(MATERIAL_G, PPM, st.integers(0, 10**6 - 1))
def test_dry_equivalent_payable_equals_the_fraction(material_g: int, moisture_ppm: int, allowance_ppm: int) -> None:
    dry = 1 - Fraction(moisture_ppm, 10**6)
    allowed = 1 - Fraction(allowance_ppm, 10**6)
    expected = material_g if dry >= allowed else half_up(material_g * dry / allowed)
    assert payable_dry_equivalent_g(material_g, moisture_ppm, allowance_ppm) == expected


@given(MATERIAL_G, PPM, PPM, st.integers(0, 10**6 - 1))
def test_payable_never_exceeds_the_material_and_falls_with_moisture(
    material_g: int, moisture_ppm: int, other_ppm: int, allowance_ppm: int
) -> None:
    drier_ppm, wetter_ppm = sorted((moisture_ppm, other_ppm))
    for formula in PayableFormula:
        drier_g = payable_g(formula, material_g, drier_ppm, allowance_ppm)
        wetter_g = payable_g(formula, material_g, wetter_ppm, allowance_ppm)
        assert 0 <= wetter_g <= drier_g <= material_g


@given(MATERIAL_G, PPM, st.integers(0, 10**6 - 1))
def test_dry_equivalent_never_pays_more_than_additive(material_g: int, moisture_ppm: int, allowance_ppm: int) -> None:
    assert payable_dry_equivalent_g(material_g, moisture_ppm, allowance_ppm) <= payable_additive_g(
        material_g, moisture_ppm, allowance_ppm
    )
