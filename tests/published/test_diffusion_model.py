"""Goal: the diffusion model is right, and says what it does and does not reproduce of the printed figures.

Method: the roots and the series against printed roots, against a solver of the same equation by finite volumes in
time (SciPy, no series), and against the endless layer; then the 24 permitted concentrations of 2024 within 0.02
mg/kg, and the gap to those of 2011. Sources beside the numbers.
"""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.special import erfcx

from service.core.diffusion import (
    PET_COEFFICIENTS,
    REFERENCE_EXPOSURE,
    BadDiffusion,
    CoefficientSet,
    Exposure,
    cross_check,
    diffusion_cm2_per_s,
    modelled_permitted_mg_per_kg,
    released_fraction,
    roots,
)
from service.core.published_criteria import PERMITTED, Edition, Scenario, Surrogate, criterion_of, permitted_of

CRITERIA_SET = PET_COEFFICIENTS[CoefficientSet.CRITERIA]

# cm2/s at 25 degrees C, worked out from the formula apart from this code.
DIFFUSION_25 = {
    Surrogate.TOLUENE: 5.559e-14,
    Surrogate.CHLOROBENZENE: 3.982e-14,
    Surrogate.CHLOROFORM: 3.585e-14,
    Surrogate.METHYL_SALICYLATE: 2.225e-14,
    Surrogate.PHENYLCYCLOHEXANE: 1.991e-14,
    Surrogate.BENZOPHENONE: 1.490e-14,
    Surrogate.LINDANE: 4.218e-15,
    Surrogate.METHYL_STEARATE: 3.889e-15,
}


@pytest.mark.parametrize("surrogate", list(Surrogate))
def test_diffusion_coefficients(surrogate):
    found = diffusion_cm2_per_s(float(surrogate.molar_mass_g_per_mol), 25, CRITERIA_SET)
    assert found == pytest.approx(DIFFUSION_25[surrogate], rel=2e-4)


def test_printed_roots():
    """tan q = -q: Abramowitz and Stegun, Table 4.19 (from memory), to five decimals."""
    assert roots(1.0, 4) == pytest.approx([2.02876, 4.91318, 7.97867, 11.08554], abs=6e-6)


@pytest.mark.parametrize("ratio", [1e-6, 0.01, 1.0, 55.6, 1e6])
def test_roots_solve_their_equation(ratio):
    found = roots(ratio, 50)
    assert np.all((found > (np.arange(50) + 0.5) * math.pi) & (found < (np.arange(50) + 1) * math.pi))
    # In a form without poles; the tangent itself is of no use near them.
    assert np.sin(found) + ratio * found * np.cos(found) == pytest.approx(np.zeros(50), abs=1e-9 * (1 + ratio))


def released_by_solver(fourier, ratio, cells=300):
    """A layer of cells, finer toward the food; mass flows from cell to cell and into the food, which stands first."""
    edges = np.linspace(0, 1, cells + 1) ** 2  # 0 is the side of the food
    widths, centres = np.diff(edges), (edges[:-1] + edges[1:]) / 2
    between = 1 / np.diff(centres)

    def change(_, state):
        in_food, inside = state[0], state[1:]
        at_surface = 0.0 if math.isinf(ratio) else in_food / ratio
        flows = np.zeros(cells + 1)
        flows[0] = (inside[0] - at_surface) / centres[0]
        flows[1:-1] = (inside[1:] - inside[:-1]) * between
        return np.concatenate(([flows[0]], np.diff(flows) / widths))

    start = np.concatenate(([0.0], np.ones(cells)))
    solved = solve_ivp(change, (0, fourier), start, method="LSODA", lband=1, uband=1, rtol=1e-8, atol=1e-11)
    assert solved.success
    assert np.dot(solved.y[1:, -1], widths) + solved.y[0, -1] == pytest.approx(1, abs=1e-6)
    return solved.y[0, -1]


@pytest.mark.parametrize("ratio", [0.5, 55.6, math.inf])
@pytest.mark.parametrize("fourier", [2e-3, 0.05, 0.6])
def test_a_solver_without_series_gives_the_same(fourier, ratio):
    assert released_fraction(fourier, ratio) == pytest.approx(released_by_solver(fourier, ratio), rel=1e-4)


@pytest.mark.parametrize("ratio", [0.01, 0.5, 55.6])
@pytest.mark.parametrize("fourier", [1.0001e-4, 1e-3, 5e-3])
def test_short_times_are_those_of_an_endless_layer(fourier, ratio):
    """Crank 3.3.3 (number from memory): into stirred food of limited volume, before the far side is felt."""
    assert released_fraction(fourier, ratio) == pytest.approx(ratio * (1 - erfcx(math.sqrt(fourier) / ratio)), rel=1e-9)
    assert released_fraction(fourier) == pytest.approx(2 * math.sqrt(fourier / math.pi), rel=1e-9)


@pytest.mark.parametrize("ratio", [0.01, 55.6, math.inf])
def test_both_solutions_meet(ratio):
    assert released_fraction(1e-4 * (1 - 1e-12), ratio) == pytest.approx(released_fraction(1e-4, ratio), rel=1e-9)


def test_ends_of_the_range():
    assert released_fraction(0) == 0 == released_fraction(0, 3.0)
    assert released_fraction(50, 3.0) == pytest.approx(0.75)
    assert released_fraction(50) == pytest.approx(1)
    grows = [released_fraction(fourier, 3.0) for fourier in (1e-6, 1e-4, 1e-2, 1e-1, 1, 10)]
    assert grows == sorted(grows)


def test_permitted_concentrations_of_2024():
    """Table D.1 (second hand): worst gap 0.0147 mg/kg; 20 of 24 alike at two decimals, 19 with printed criteria."""
    alike = alike_printed = 0
    for scenario in Scenario:
        for surrogate in Surrogate:
            check = cross_check(surrogate, Edition.GUIDANCE_2024, scenario)
            assert abs(check.gap_mg_per_kg) < 0.02
            alike += f"{check.modelled_mg_per_kg:.2f}" == f"{check.published_mg_per_kg:.2f}"
            printed = float(criterion_of(Edition.GUIDANCE_2024, scenario, surrogate).value)
            modelled = modelled_permitted_mg_per_kg(printed, float(surrogate.molar_mass_g_per_mol))
            alike_printed += f"{modelled:.2f}" == f"{check.published_mg_per_kg:.2f}"
    assert (alike, alike_printed) == (20, 19)
    worst = cross_check(Surrogate.METHYL_STEARATE, Edition.GUIDANCE_2024, Scenario.ADULT)
    assert worst.gap_mg_per_kg == pytest.approx(0.0147, abs=5e-5)


def test_those_of_2011_are_not_reproduced():
    """Published 1 to 11 % above the model, chloroform 1 % below; 5 of 8 and 2 of 7 alike at two decimals."""
    alike = {Scenario.INFANT: 0, Scenario.TODDLER: 0}
    for (edition, scenario), column in PERMITTED.items():
        if edition is Edition.CRITERIA_2011:
            for surrogate in column:
                check = cross_check(surrogate, edition, scenario)
                alike[scenario] += f"{check.modelled_mg_per_kg:.2f}" == f"{check.published_mg_per_kg:.2f}"
                assert 0.985 < check.published_mg_per_kg / check.modelled_mg_per_kg < 1.115
    assert alike == {Scenario.INFANT: 5, Scenario.TODDLER: 2}
    assert permitted_of(Edition.CRITERIA_2011, Scenario.INFANT, Surrogate.TOLUENE).value != round(
        cross_check(Surrogate.TOLUENE, Edition.CRITERIA_2011, Scenario.INFANT).modelled_mg_per_kg, 2
    )


@pytest.mark.parametrize(("celsius", "expected"), [(24, 0.0418), (26, 0.0365), (40, 0.0149)])
def test_temperature(celsius, expected):
    """Toluene, infants, exact criterion; recomputed by hand."""
    exposure = Exposure(365, celsius, 0.03, 1.375, 600)
    assert modelled_permitted_mg_per_kg(0.0025 / 0.26 * 5, 92.1, exposure) == pytest.approx(expected, abs=5e-5)


def test_form_of_the_model_hardly_matters_at_room_temperature():
    """Endless food, toluene, 0.0481 ug/kg: 0.039024 against 0.039052 with a litre. Denser plastic: 1.8 % less."""
    endless = Exposure(365, 25, 0.03, 1.375, 600, partition=1e-12)
    criterion = 0.0481
    assert modelled_permitted_mg_per_kg(criterion, 92.1, endless) == pytest.approx(0.039024, abs=5e-7)
    assert modelled_permitted_mg_per_kg(criterion, 92.1) == pytest.approx(0.039052, abs=5e-7)
    thin = Exposure(365, 25, 0.02, 1.375, 600, partition=1e-12)
    assert modelled_permitted_mg_per_kg(criterion, 92.1, thin) == pytest.approx(0.039024, abs=5e-7)
    dense = Exposure(365, 25, 0.03, 1.40, 600)
    assert modelled_permitted_mg_per_kg(criterion, 92.1, dense) / 0.039052 == pytest.approx(1.375 / 1.40, abs=1e-4)
    assert REFERENCE_EXPOSURE.volume_ratio == pytest.approx(55.6, abs=0.05)


class TestRefusals:
    @pytest.mark.parametrize(("mass", "celsius"), [(0, 25), (-1, 25), (92, -273.15), (92, math.nan), (math.nan, 25)])
    def test_diffusion(self, mass, celsius):
        with pytest.raises(BadDiffusion):
            diffusion_cm2_per_s(mass, celsius, CRITERIA_SET)

    @pytest.mark.parametrize(("fourier", "ratio"), [(-1, 1), (math.nan, 1), (math.inf, 1), (1, 0), (1, math.nan)])
    def test_released(self, fourier, ratio):
        with pytest.raises(BadDiffusion):
            released_fraction(fourier, ratio)

    def test_nothing_given_off(self):
        with pytest.raises(BadDiffusion, match="gives off nothing"):
            modelled_permitted_mg_per_kg(0.1, 92.1, Exposure(0, 25, 0.03, 1.375, 600))
