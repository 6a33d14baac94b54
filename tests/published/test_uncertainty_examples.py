"""Goal: doubts kept by cause add up as published examples say, and as two independent methods find.

Method: worked examples with their printed results; then the arithmetic of a plant's masses (dry mass, sums over one
scale, differences, losses stated as a fraction) against the `uncertainties` library, which propagates by its own
derivatives, and against a million draws each, which linearises nothing.

Sources: the University of Tartu's example file of a weighing budget (mass 0.3240 g, repeatability 0.00017 g with 15
degrees of freedom, drift +-0.0002 g and reading +-0.00005 g rectangular; printed u 0.000207525 g and 33 effective
degrees of freedom). GUM 5.2.2, ten resistors calibrated against one standard (from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from service.core.measured import Cause, CauseKind, Measured, coverage_factor, dry, estimated, rectangular, total

G, KG = 10**6, 10**9
READING, SPAN, MOISTURE, ESTIMATE = (
    Cause(kind, "one") for kind in (CauseKind.READING, CauseKind.SPAN, CauseKind.MOISTURE, CauseKind.ESTIMATE)
)


def test_weighing_budget() -> None:
    mass = Measured(
        round(0.3240 * G),
        {
            Cause(CauseKind.READING, "repeatability", degrees_of_freedom=15): 0.00017 * G,
            Cause(CauseKind.SPAN, "drift"): rectangular(0.0002 * G),
            Cause(CauseKind.READING, "indication"): rectangular(0.00005 * G),
        },
    )
    assert mass.u_ug / G == pytest.approx(0.000207525, abs=5e-10)
    assert math.floor(mass.effective_degrees_of_freedom) == 33
    assert mass.coverage_factor == pytest.approx(stats.t.ppf((1 + 0.9545) / 2, 33))


def test_ten_resistors_on_one_standard_do_not_average() -> None:
    standard = Cause(CauseKind.SPAN, "standard")
    ten = total(Measured(1_000 * KG, {standard: 0.1 * KG}) for _ in range(10))
    assert ten.u_ug / KG == pytest.approx(1.0)  # not 0.32, the root of ten times 0.1 squared


@pytest.mark.parametrize("degrees", [1, 2, 5, 10, 33, 100])
def test_coverage_factors_are_those_of_student(degrees: int) -> None:
    assert coverage_factor(degrees) == pytest.approx(stats.t.ppf((1 + 0.9545) / 2, degrees))


LOADS_G = (24_368_000, 21_900_000, 23_050_000)
MOISTURES = (0.052, 0.031, 0.044)
U_READING_G, U_SPAN, U_MOISTURE, U_ESTIMATE = 32_660.0, 0.0005, 0.0075, 0.3
EFFLUENT = 0.015


def loads() -> list[Measured]:
    """Three loads on one scale; the last two rest on one moisture sample."""
    samples = [Cause(CauseKind.MOISTURE, name) for name in ("first", "second", "second")]
    return [
        dry(
            mass_g,
            {Cause(CauseKind.READING, str(number)): U_READING_G, SPAN: mass_g * U_SPAN},
            round(moisture * 1_000_000),
            {sample: U_MOISTURE},
        )
        for number, (mass_g, moisture, sample) in enumerate(zip(LOADS_G, MOISTURES, samples, strict=True))
    ]


def plant_formulas(masses_kg, span, moistures, estimate):  # floats, arrays of draws, or numbers with uncertainty
    """The same quantities written as formulas of what is uncertain, without the code under test."""
    dried = [mass * span * (1 - moisture) for mass, moisture in zip(masses_kg, moistures, strict=True)]
    everything = dried[0] + dried[1] + dried[2]
    return {
        "dry mass": dried[0],
        "sum on one scale": everything,
        "difference on one sample": dried[1] - dried[2],
        "loss as a fraction": everything * EFFLUENT * estimate,
        "what is left": everything - everything * EFFLUENT * estimate,
    }


def ours() -> dict[str, Measured]:
    dried = loads()
    everything = total(dried)
    loss = estimated(everything, 15_000, everything.value_ug * 15 // 1000, {ESTIMATE: U_ESTIMATE})
    return {
        "dry mass": dried[0],
        "sum on one scale": everything,
        "difference on one sample": dried[1] - dried[2],
        "loss as a fraction": loss,
        "what is left": everything - loss,
    }


QUANTITIES = list(ours())


@pytest.mark.parametrize("name", QUANTITIES)
def test_propagation_agrees_with_an_independent_library(name: str) -> None:
    first, second = (ufloat(moisture, U_MOISTURE) for moisture in MOISTURES[:2])
    moistures = (first, second, second - MOISTURES[1] + MOISTURES[2])
    masses = [ufloat(mass_g / 1000, U_READING_G / 1000) for mass_g in LOADS_G]
    theirs = plant_formulas(masses, ufloat(1, U_SPAN), moistures, ufloat(1, U_ESTIMATE))[name]
    mine = ours()[name]
    assert mine.value_ug / KG == pytest.approx(theirs.nominal_value, rel=1e-9)
    assert mine.u_ug / KG == pytest.approx(theirs.std_dev, rel=1e-9)


def test_propagation_agrees_with_a_million_draws() -> None:
    draws = 1_000_000
    chance = np.random.default_rng(22)
    masses = [mass_g / 1000 + chance.normal(0, U_READING_G / 1000, draws) for mass_g in LOADS_G]
    first, second = chance.normal(0, U_MOISTURE, (2, draws))
    moistures = [known + error for known, error in zip(MOISTURES, (first, second, second), strict=True)]
    drawn = plant_formulas(
        masses, 1 + chance.normal(0, U_SPAN, draws), moistures, 1 + chance.normal(0, U_ESTIMATE, draws)
    )
    mine = ours()
    for name, sample in drawn.items():
        # A deviation of a million draws is itself known to 0.07 %; five times that.
        assert mine[name].u_ug / KG == pytest.approx(sample.std(), rel=0.0035), name
