"""Goal: error limits of scales are those of the published table, for every class and at every bound.

Method: the table row by row: the last load of a band (its bound is inclusive), one gram above it, and the
refusal above the last. Source of the numbers: OIML R 76-1 maximum permissible errors, as printed in UK SI
1995/1907, Schedule 2, paragraph 4, table 3; the first bound of class II is 5 000 e (that print says
20 000 e, a misprint: its second band starts at 5 000 e). Errors in service are double (same schedule).
"""

from fractions import Fraction

import pytest

from service.core.weighing import (
    AccuracyClass,
    OutsideClass,
    in_service_error_g,
    maximum_permissible_error_g,
)

# (class, load in e up to which the limit holds, limit in e)
BANDS = [
    (AccuracyClass.I, 50_000, Fraction(1, 2)),
    (AccuracyClass.I, 200_000, Fraction(1)),
    (AccuracyClass.II, 5_000, Fraction(1, 2)),
    (AccuracyClass.II, 20_000, Fraction(1)),
    (AccuracyClass.II, 100_000, Fraction(3, 2)),
    (AccuracyClass.III, 500, Fraction(1, 2)),
    (AccuracyClass.III, 2_000, Fraction(1)),
    (AccuracyClass.III, 10_000, Fraction(3, 2)),
    (AccuracyClass.IIII, 50, Fraction(1, 2)),
    (AccuracyClass.IIII, 200, Fraction(1)),
    (AccuracyClass.IIII, 1_000, Fraction(3, 2)),
]
LAST_BOUND_E = {AccuracyClass.II: 100_000, AccuracyClass.III: 10_000, AccuracyClass.IIII: 1_000}


@pytest.mark.parametrize("e_g", [1, 500, 20_000])
@pytest.mark.parametrize(("accuracy_class", "bound_e", "limit_e"), BANDS)
def test_a_bound_belongs_to_the_smaller_limit(
    accuracy_class: AccuracyClass, bound_e: int, limit_e: Fraction, e_g: int
) -> None:
    at_bound_g = bound_e * e_g
    assert maximum_permissible_error_g(accuracy_class, e_g, at_bound_g) == limit_e * e_g
    assert in_service_error_g(accuracy_class, e_g, at_bound_g) == 2 * limit_e * e_g
    if bound_e == LAST_BOUND_E.get(accuracy_class):
        with pytest.raises(OutsideClass, match=f"last bound of class {accuracy_class} "):
            maximum_permissible_error_g(accuracy_class, e_g, at_bound_g + 1)
    else:
        above = maximum_permissible_error_g(accuracy_class, e_g, at_bound_g + 1)
        assert above == (limit_e + Fraction(1, 2)) * e_g


@pytest.mark.parametrize("accuracy_class", list(AccuracyClass))
def test_an_empty_scale_has_the_smallest_limit(accuracy_class: AccuracyClass) -> None:
    assert maximum_permissible_error_g(accuracy_class, 20_000, 0) == 10_000


def test_class_one_has_no_last_bound() -> None:
    assert maximum_permissible_error_g(AccuracyClass.I, 1, 10**9) == Fraction(3, 2)


@pytest.mark.parametrize(
    ("load_kg", "limit_kg", "in_service_kg"),
    [
        # Class III, Max 60 t, e = 20 kg (3 000 intervals), recomputed from the table.
        (400, 10, 20),
        (10_000, 10, 20),
        (10_001, 20, 40),
        (15_420, 20, 40),
        (39_860, 20, 40),
        (40_000, 20, 40),
        (40_001, 30, 60),
        (60_000, 30, 60),
    ],
)
def test_weighbridge_of_60_t(load_kg: int, limit_kg: int, in_service_kg: int) -> None:
    bridge = (AccuracyClass.III, 20_000, load_kg * 1000, 60_000_000)
    assert maximum_permissible_error_g(*bridge) == limit_kg * 1000
    assert in_service_error_g(*bridge) == in_service_kg * 1000


@pytest.mark.parametrize(
    ("load_g", "limit_g"),
    [
        # Class III, Max 1 500 kg, e = 0.5 kg, recomputed from the table.
        (250_000, 250),
        (250_001, 500),
        (1_000_000, 500),
        (1_000_001, 750),
        (1_500_000, 750),
    ],
)
def test_bale_platform_of_1500_kg(load_g: int, limit_g: int) -> None:
    assert maximum_permissible_error_g(AccuracyClass.III, 500, load_g, 1_500_000) == limit_g
    with pytest.raises(OutsideClass, match=r"Max of 1500\.000 kg"):
        maximum_permissible_error_g(AccuracyClass.III, 500, 1_500_001, 1_500_000)
