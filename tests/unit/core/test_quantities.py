"""Goal: a mass, fraction or share read, held and printed is the same value; anything doubtful is refused.

Method: literal tables; the expected numbers of the acceptance scenarios were recomputed with fractions.
"""

from decimal import Decimal

import pytest

from service.core.quantities import (
    MASS_LIMIT_G,
    NoDenominator,
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
    require_fraction_ppm,
    share_text,
)


@pytest.mark.parametrize(
    ("value", "mass_g"),
    [
        ("24368.000", 24_368_000),
        ("24368", 24_368_000),
        ("0.5", 500),
        ("0.005", 5),
        ("-12.25", -12_250),
        ("+3", 3_000),
        ("-0", 0),
        ("000123", 123_000),
        (24_368, 24_368_000),
        (-1, -1_000),
        (0, 0),
        (Decimal("523.5"), 523_500),
        (Decimal("-0.000"), 0),
        ("1000000000", MASS_LIMIT_G),
        ("-1000000000.000", -MASS_LIMIT_G),
    ],
)
def test_kilograms_are_read_exactly(value: str | int | Decimal, mass_g: int) -> None:
    assert parse_kg(value) == mass_g


@pytest.mark.parametrize(
    "value",
    [
        "",
        " 24368",
        "24368 ",
        "24368\n",
        "24,368",
        "24368,5",
        "24 368",
        "24368 kg",
        "1e3",
        "1E+3",
        "0x10",
        "1_000",
        "NaN",
        "inf",
        "-Infinity",
        ".5",
        "5.",
        "--5",
        "0.0005",
        "1.0000",
        "١٢",
        "1000000000.001",
        pytest.param("9" * 5_000, id="5000 nines"),
        10**9 + 1,
        pytest.param(10**5_000, id="10**5000"),
        True,
        1.5,
        None,
        Decimal("1E+3"),
        Decimal("1E-4"),
        Decimal("1E+999999"),
        Decimal("NaN"),
        Decimal("sNaN"),
        Decimal("Infinity"),
        Decimal("0.0001"),
    ],
)
def test_what_is_no_mass_is_refused_with_the_value_and_the_remedy(value: object) -> None:
    with pytest.raises(NotAMass, match=r"expected .* got ") as refusal:
        parse_kg(value)  # type: ignore[arg-type]
    assert len(str(refusal.value)) < 250


def test_a_refusal_names_what_was_typed_and_how_it_should_look() -> None:
    with pytest.raises(NotAMass, match=r"such as 24368\.500, got '24,368'"):
        parse_kg("24,368")
    with pytest.raises(NotAMass, match=r"at most 1000000000 kg, got '24368000000'.*kilograms\?"):
        parse_kg("24368000000")


@pytest.mark.parametrize(
    ("mass_g", "text"),
    [(24_368_000, "24368.000"), (0, "0.000"), (-5, "-0.005"), (-1_234_567, "-1234.567"), (5, "0.005")],
)
def test_mass_text_has_three_decimals(mass_g: int, text: str) -> None:
    assert kg_text(mass_g) == text


@pytest.mark.parametrize(
    ("value", "ppm"),
    [
        ("0", 0),
        ("1", 10**6),
        ("1.000000", 10**6),
        ("0.052", 52_000),
        ("0.000001", 1),
        (0, 0),
        (1, 10**6),
        (Decimal("0.045"), 45_000),
    ],
)
def test_fractions_are_read_exactly(value: str | int | Decimal, ppm: int) -> None:
    assert parse_fraction(value) == ppm


@pytest.mark.parametrize(
    "value",
    [
        "5.2",
        "1.000001",
        "-0.1",
        "-0",
        "0.0000001",
        "5 %",
        "1e-3",
        "",
        2,
        -1,
        0.05,
        False,
        None,
        Decimal("1E-7"),
        Decimal("NaN"),
        Decimal("1.0000000"),
    ],
)
def test_what_is_no_fraction_is_refused_with_the_value_and_the_remedy(value: object) -> None:
    with pytest.raises(NotAFraction, match=r"from 0 to 1 .* such as 0\.052 for 5\.2 %, got "):
        parse_fraction(value)  # type: ignore[arg-type]


@pytest.mark.parametrize("ppm", [-1, 10**6 + 1])
def test_ppm_outside_0_to_1_is_refused(ppm: int) -> None:
    with pytest.raises(NotAFraction, match=f"got {ppm} ppm"):
        require_fraction_ppm(ppm)
    with pytest.raises(NotAFraction, match=f"got {ppm} ppm"):
        dry_ug(1, ppm)


def test_fraction_and_share_texts_keep_every_digit() -> None:
    assert fraction_text(52_000) == "0.052000"
    assert fraction_text(10**6) == "1.000000"
    assert share_text(10**12) == "1.000000000000"
    assert share_text(1) == "0.000000000001"
    assert share_text(-1) == "-0.000000000001"


def test_acceptance_scenario_p02_dry_mass() -> None:
    # P02: 24,368.0 kg wet at 5.2 % -> 23,100.9 kg dry; recomputed with fractions: 23 100.864.
    amount_ug = dry_ug(24_368_000, 52_000)
    assert amount_ug == 23_100_864_000_000
    assert dry_kg_text(amount_ug) == "23100.864"
    assert abs(dry_kg_exact(amount_ug) - Decimal("23100.9")) <= Decimal("0.1")


@pytest.mark.parametrize(
    ("amount_ug", "text", "exact"),
    [
        (1, "0.000", "0.000000001"),
        (499_999, "0.000", "0.000499999"),
        (500_000, "0.001", "0.000500000"),
        (-500_000, "-0.001", "-0.000500000"),
        (-499_999, "0.000", "-0.000499999"),
        (10**18, "1000000000.000", "1000000000.000000000"),
    ],
)
def test_dry_mass_text_rounds_half_up_and_the_exact_form_does_not(amount_ug: int, text: str, exact: str) -> None:
    assert dry_kg_text(amount_ug) == text
    assert str(dry_kg_exact(amount_ug)) == str(Decimal(exact))


@pytest.mark.parametrize(
    ("numerator", "denominator", "decimals", "cut"),
    [
        # P13: 94.54 -> 94.5; P20: 95.04 -> 95.0; 29.96 -> 29.9 (trade rule: cut down, never rounded up).
        (9454, 10_000, 1, "94.5"),
        (9504, 10_000, 1, "95.0"),
        (2996, 10_000, 1, "29.9"),
        (9999, 10_000, 0, "99"),
        (-2996, 10_000, 1, "-29.9"),
        (2996, -10_000, 1, "-29.9"),
        (-2996, -10_000, 1, "29.9"),
        (-1, 10_000, 1, "0.0"),
        (1, 3, 4, "33.3333"),
    ],
)
def test_claim_percentages_are_cut_toward_zero(numerator: int, denominator: int, decimals: int, cut: str) -> None:
    assert str(percent_cut_down(numerator, denominator, decimals)) == cut


@pytest.mark.parametrize(
    ("numerator", "denominator", "decimals", "rounded"),
    [
        # P20: 14,000 kg at 100 % + 9,200 kg at 87.5 % of 23,200 kg -> 95.04 %
        (14_000 * 1000 + 9_200 * 875, 23_200 * 1000, 2, "95.04"),
        (8_900, 16_350, 2, "54.43"),  # P06
        (7_450, 16_350, 2, "45.57"),  # P06
        (12_345, 1_000_000, 2, "1.23"),
        (12_350, 1_000_000, 2, "1.24"),
        (-12_350, 1_000_000, 2, "-1.24"),
        (12_350, -1_000_000, 2, "-1.24"),
        (-1, 10**9, 2, "0.00"),
        (2, 3, 0, "67"),
    ],
)
def test_other_percentages_round_half_up(numerator: int, denominator: int, decimals: int, rounded: str) -> None:
    assert str(percent_half_up(numerator, denominator, decimals)) == rounded


def test_a_percentage_of_nothing_is_refused() -> None:
    with pytest.raises(NoDenominator, match="5 cannot be stated as a percentage of 0"):
        percent_half_up(5, 0)
    with pytest.raises(NoDenominator, match="5 cannot be stated as a percentage of 0"):
        percent_cut_down(5, 0)
    with pytest.raises(NoDenominator, match="5 cannot be divided by 0"):
        divide_half_up(5, 0)
