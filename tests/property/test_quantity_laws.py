"""Laws of masses, fractions, shares and percentages.

* text -> integer -> text is the identity, in both directions;
* dry mass is additive, never above wet mass, and equals the fraction computed without units;
* a cut-down percentage never exceeds the true one and falls short by less than one step;
* a half-up percentage is within half a step, agrees with ``Decimal`` and is odd (f(-x) = -f(x)).
"""

from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from service.core.quantities import (
    MASS_LIMIT_G,
    NotAFraction,
    NotAMass,
    divide_half_up,
    dry_kg_exact,
    dry_kg_text,
    dry_ug,
    fraction_text,
    kg_text,
    parse_fraction,
    parse_kg,
    percent_cut_down,
    percent_half_up,
    share_text,
)

MASSES_G = st.integers(-MASS_LIMIT_G, MASS_LIMIT_G)
PPM = st.integers(0, 10**6)
NUMERATORS = st.integers(-(10**20), 10**20)
DENOMINATORS = st.integers(-(10**20), 10**20).filter(bool)
DECIMALS = st.integers(0, 6)


@given(MASSES_G)
def test_a_mass_survives_its_text(mass_g: int) -> None:
    assert parse_kg(kg_text(mass_g)) == mass_g
    assert parse_kg(Decimal(kg_text(mass_g))) == mass_g
    assert Fraction(kg_text(mass_g)) == Fraction(mass_g, 1000)


@given(PPM)
def test_a_fraction_survives_its_text(ppm: int) -> None:
    assert parse_fraction(fraction_text(ppm)) == ppm
    assert Fraction(fraction_text(ppm)) == Fraction(ppm, 10**6)


@given(st.integers(0, 10**12))
def test_a_share_survives_its_text(share_e12: int) -> None:
    assert Fraction(share_text(share_e12)) == Fraction(share_e12, 10**12)


@given(st.decimals(allow_nan=True, allow_infinity=True))
def test_any_decimal_is_read_exactly_or_refused(value: Decimal) -> None:
    try:
        mass_g = parse_kg(value)
    except NotAMass:
        return
    assert Fraction(mass_g, 1000) == Fraction(value)


@given(st.text("0123456789.,+-eE _\nNaif%kg٣", max_size=12))
def test_any_text_is_read_exactly_or_refused(text: str) -> None:
    try:
        mass_g: int | None = parse_kg(text)
    except NotAMass:
        mass_g = None
    if mass_g is not None:
        assert Fraction(mass_g, 1000) == Fraction(text)
    try:
        ppm = parse_fraction(text)
    except NotAFraction:
        return
    assert Fraction(ppm, 10**6) == Fraction(text)
    assert mass_g is None or Fraction(mass_g, 1000) == Fraction(ppm, 10**6)


@given(MASSES_G, PPM)
def test_dry_mass_equals_the_fraction(mass_g: int, moisture_ppm: int) -> None:
    expected_kg = Fraction(mass_g, 1000) * (1 - Fraction(moisture_ppm, 10**6))
    amount_ug = dry_ug(mass_g, moisture_ppm)
    assert Fraction(amount_ug, 10**9) == expected_kg
    assert Fraction(dry_kg_exact(amount_ug)) == expected_kg
    assert abs(amount_ug) <= abs(mass_g) * 10**6
    assert abs(amount_ug) < 2**63  # fits the column it may be compared in


@given(st.lists(st.integers(0, 10**9), max_size=8), PPM)
def test_dry_mass_of_parts_adds_up_to_the_dry_mass_of_the_whole(parts_g: list[int], ppm: int) -> None:
    assert sum(dry_ug(part_g, ppm) for part_g in parts_g) == dry_ug(sum(parts_g), ppm)


@given(st.integers(-(10**18), 10**18))
def test_dry_text_agrees_with_decimal_half_up(amount_ug: int) -> None:
    expected = Decimal(amount_ug).scaleb(-9).quantize(Decimal("0.001"), ROUND_HALF_UP)
    assert Decimal(dry_kg_text(amount_ug)) == expected


@given(NUMERATORS, DENOMINATORS)
def test_half_up_division_is_the_nearest_integer_and_odd(numerator: int, denominator: int) -> None:
    quotient = divide_half_up(numerator, denominator)
    error = abs(quotient - Fraction(numerator, denominator))
    assert error <= Fraction(1, 2)
    if error == Fraction(1, 2):
        assert abs(quotient) > abs(Fraction(numerator, denominator))
    assert divide_half_up(-numerator, denominator) == -quotient
    assert divide_half_up(numerator, -denominator) == -quotient


@given(NUMERATORS, DENOMINATORS, DECIMALS)
def test_a_claim_percentage_never_states_more(numerator: int, denominator: int, decimals: int) -> None:
    true_percent = Fraction(100 * numerator, denominator)
    shown = Fraction(percent_cut_down(numerator, denominator, decimals))
    assert abs(shown) <= abs(true_percent)
    assert abs(true_percent) - abs(shown) < Fraction(1, 10**decimals)
    assert shown * true_percent >= 0


@given(NUMERATORS, DENOMINATORS, DECIMALS)
def test_percentages_agree_with_decimal(numerator: int, denominator: int, decimals: int) -> None:
    # 120 digits: a quotient of 20-digit integers that is no tie differs from one well before that.
    step = Decimal(1).scaleb(-decimals)
    with localcontext() as context:
        context.prec = 120
        percent = Decimal(100 * numerator) / Decimal(denominator)
        half_up = percent.quantize(step, ROUND_HALF_UP)
        cut = percent.quantize(step, ROUND_DOWN)
    assert percent_half_up(numerator, denominator, decimals) == half_up
    assert percent_cut_down(numerator, denominator, decimals) == cut
    assert percent_half_up(numerator, denominator, decimals).as_tuple().exponent == -decimals
