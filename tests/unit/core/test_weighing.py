"""Goal: a net mass states how far it may be wrong, and an impossible indication is recognised.

Method: the acceptance scenario, square roots checked by squaring, refusals. The table of limits itself is
tested against its source in tests/published.
"""

from decimal import Decimal, localcontext
from fractions import Fraction

import pytest

from service.core.weighing import (
    AccuracyClass,
    NetWeighing,
    OutsideClass,
    Reading,
    in_service_error_g,
    maximum_permissible_error_g,
    net_expanded_uncertainty_g,
    over_range,
    standard_uncertainty_reading_g,
)

E_G = 20_000
III = AccuracyClass.III


def test_acceptance_scenario_p01_net_and_its_doubt() -> None:
    # P01: gross 39,860 kg, tare 15,420 kg, class III, e = 20 kg -> +-40 kg each, U(k=2) = 65.3 kg.
    gross = Reading(39_860_000, III, E_G)
    tare = Reading(15_420_000, III, E_G)
    assert gross.in_service_error_g == 40_000
    assert tare.in_service_error_g == 40_000
    net = NetWeighing(gross, tare)
    assert net.net_g == 24_440_000
    assert abs(net.expanded_uncertainty_g() - Decimal(65_300)) <= Decimal(100)
    # Recomputed with fractions: U^2 = 4 x (40 000^2 + 40 000^2) / 3 exactly.
    expected_square = Fraction(4 * 2 * 40_000**2, 3)
    assert abs(Fraction(net.expanded_uncertainty_g()) ** 2 - expected_square) < Fraction(1, 10**15)
    assert net_expanded_uncertainty_g(39_860_000, 15_420_000, III, E_G) == net.expanded_uncertainty_g()


def test_one_reading_is_taken_as_rectangular() -> None:
    # 40 kg limit in service -> u = 40 / sqrt(3) = 23.09 kg (project notes on weighing, recomputed).
    u_g = standard_uncertainty_reading_g(III, E_G, 24_000_000)
    assert round(u_g / 1000, 2) == Decimal("23.09")
    assert abs(Fraction(u_g) ** 2 * 3 - 40_000**2) < Fraction(1, 10**15)


def test_gross_and_tare_of_different_limits_combine_by_squares() -> None:
    # 50 t gross (+-60 kg) and 8 t tare (+-20 kg): U = 2 sqrt((60^2 + 20^2) / 3) = 73.03 kg.
    wide = net_expanded_uncertainty_g(50_000_000, 8_000_000, III, E_G)
    assert round(wide / 1000, 2) == Decimal("73.03")
    platform = Reading(8_000_000, III, 2_000_000)
    mixed = NetWeighing(Reading(50_000_000, III, E_G), platform)
    assert mixed.expanded_uncertainty_g() > wide


def test_the_coverage_factor_scales_the_uncertainty() -> None:
    single = net_expanded_uncertainty_g(39_860_000, 15_420_000, III, E_G, 1)
    assert round(single / 1000, 2) == Decimal("32.66")  # gross - tare uncorrelated, recomputed
    triple = net_expanded_uncertainty_g(39_860_000, 15_420_000, III, E_G, Decimal("3.0"))
    assert abs(triple - 3 * single) < Decimal("1e-15")


def test_the_result_does_not_depend_on_the_callers_decimal_context() -> None:
    expected = net_expanded_uncertainty_g(39_860_000, 15_420_000, III, E_G)
    with localcontext() as context:
        context.prec = 3
        assert net_expanded_uncertainty_g(39_860_000, 15_420_000, III, E_G) == expected


def test_an_odd_interval_gives_half_a_gram_exactly() -> None:
    assert maximum_permissible_error_g(III, 5, 100) == Fraction(5, 2)
    assert in_service_error_g(III, 5, 100) == 5


@pytest.mark.parametrize(
    ("load_g", "max_g", "e_g", "text"),
    [
        (-1, None, E_G, "negative load, got -0.001 kg"),
        (60_000_001, 60_000_000, E_G, "60000.001 kg is above the instrument's Max of 60000.000 kg"),
        (200_000_001, None, E_G, "above the last bound of class III"),
        (1, None, 0, "has to be positive, got 0 g"),
        (1, None, -5, "has to be positive, got -5 g"),
    ],
)
def test_no_limit_is_stated_where_the_class_promises_none(load_g: int, max_g: int | None, e_g: int, text: str) -> None:
    with pytest.raises(OutsideClass, match=text):
        maximum_permissible_error_g(III, e_g, load_g, max_g)
    with pytest.raises(OutsideClass, match=text):
        standard_uncertainty_reading_g(III, e_g, load_g, max_g)


def test_a_reading_above_max_gives_no_uncertainty_of_the_net() -> None:
    net = NetWeighing(Reading(61_000_000, III, E_G, 60_000_000), Reading(15_420_000, III, E_G, 60_000_000))
    with pytest.raises(OutsideClass, match="Max"):
        net.expanded_uncertainty_g()


def test_no_indication_above_max_plus_nine_intervals() -> None:
    # OIML R 76-1: no indication above Max + 9 e (from memory).
    assert not over_range(60_000_000, 60_000_000, E_G)
    assert not over_range(60_180_000, 60_000_000, E_G)
    assert over_range(60_180_001, 60_000_000, E_G)
