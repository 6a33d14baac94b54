"""How much of a contaminant a bottle gives off: the diffusion model behind the permitted concentrations.

    D          = 10**4 cm2/s x exp(A - 0.1351 M**(2/3) + 0.003 M - 10454 / T),  A = A' - tau / T
    released   = a / (1 + a) x (1 - sum of 2 a (1 + a) / (1 + a + a2 q2) x exp(-q2 D t / L2)),
                 tan q = -a q,  a = V_food / (K V_plastic)
    permitted  = criterion / (density x thickness x area x released fraction)

The plastic is an even layer, sealed on its outside, that gives off into stirred food. The estimate of D is meant to
be too high, so the migration is rather overstated.

Here: that model, as a second opinion on printed figures. Not here: the printed figures, which alone decide
(``published_criteria``): this set of inputs gives 20 of the 24 of 2024 to the last digit, the others to within 0.015
mg/kg, and does not reproduce those of 2011, which are up to 11 % higher (one is 1 % lower). Nothing here decides
whether a material may touch food.

Figures are binary floats: an estimate of diffusion, no mass.

Source : Crank, The Mathematics of Diffusion, 2nd ed., 4.3.5 (limited volume) and 4.3.2; section numbers from memory.
The estimate of D: the practical guideline of the Joint Research Centre on migration modelling, text not read in full;
formula and figures second hand from two public programs.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from service.core.published_criteria import (
    Edition,
    Scenario,
    Standing,
    Surrogate,
    exact_criterion_ug_per_kg,
    permitted_of,
)

__all__ = [
    "PET_COEFFICIENTS",
    "REFERENCE_EXPOSURE",
    "BadDiffusion",
    "CoefficientSet",
    "Coefficients",
    "CrossCheck",
    "Exposure",
    "cross_check",
    "diffusion_cm2_per_s",
    "modelled_permitted_mg_per_kg",
    "released_fraction",
    "roots",
]

_KELVIN = 273.15
_SECONDS_PER_DAY = 86_400
# Below this Fourier number the layer is as good as endless: what is wrong by that is below exp(-10 000).
_SHORT = 1e-4
# Terms whose exponent is beyond this are nothing beside one.
_NEGLIGIBLE = 40.0


class BadDiffusion(ValueError):
    """A temperature, size or time that no article has."""


class CoefficientSet(StrEnum):
    """Which published set the estimate of D rests on; editions disagree, so the set is named with every figure."""

    CRITERIA = "European criteria for recycled PET"
    GUIDELINE_GLASSY = "migration guideline, PET below its glass transition"
    GUIDELINE_RUBBERY = "migration guideline, PET above its glass transition"
    WORST_CASE = "public program, worst case"
    BEST_CASE = "public program, best case"


@dataclass(frozen=True, slots=True)
class Coefficients:
    """Coefficients of the estimate for one polymer in one state.

    Parameters
    ----------
    a_prime : dimensionless
    tau_k : kelvin
    """

    a_prime: float
    tau_k: float
    standing: Standing
    source: str


_PROGRAM = "a public program; original not read"
_GUIDELINE = "JRC practical guideline, tables as in a public program; text not read in full"

PET_COEFFICIENTS = {
    CoefficientSet.CRITERIA: Coefficients(
        3.1, 1577, Standing.SECOND_HAND, "EFSA Journal 2024;22(7):e8879, as transcribed in a public script"
    ),
    CoefficientSet.GUIDELINE_GLASSY: Coefficients(3.1, 1577, Standing.SECOND_HAND, _GUIDELINE),
    CoefficientSet.GUIDELINE_RUBBERY: Coefficients(6.4, 1577, Standing.SECOND_HAND, _GUIDELINE),
    CoefficientSet.WORST_CASE: Coefficients(6.35, 1577, Standing.SECOND_HAND, _PROGRAM),
    CoefficientSet.BEST_CASE: Coefficients(2.2, 1577, Standing.SECOND_HAND, _PROGRAM),
}


@dataclass(frozen=True, slots=True)
class Exposure:
    """An article with its food and how long they stay together.

    Parameters
    ----------
    density_g_per_cm3, thickness_cm : of the plastic
    area_cm2_per_kg : contact area per kg of food
    food_g_per_cm3 : density of the food, which gives its volume; infinite food is not depleted by anything
    partition : concentration in the plastic over that in the food at rest, 1 for good solubility in the food
    """

    days: float
    celsius: float
    thickness_cm: float
    density_g_per_cm3: float
    area_cm2_per_kg: float
    food_g_per_cm3: float = 1.0
    partition: float = 1.0

    @property
    def plastic_kg_per_kg(self) -> float:
        """Plastic per kg of food."""
        return self.density_g_per_cm3 * self.thickness_cm * self.area_cm2_per_kg / 1_000

    @property
    def volume_ratio(self) -> float:
        """a: volume of the food over that of the plastic, over the partition coefficient."""
        return 1_000 / self.food_g_per_cm3 / (self.thickness_cm * self.area_cm2_per_kg) / self.partition


# A bottle of one litre, one year at room temperature. Source: as the coefficients of the criteria.
REFERENCE_EXPOSURE = Exposure(days=365, celsius=25, thickness_cm=0.03, density_g_per_cm3=1.375, area_cm2_per_kg=600)


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """A printed permitted concentration beside the one the model gives, mg/kg."""

    published_mg_per_kg: float
    modelled_mg_per_kg: float

    @property
    def gap_mg_per_kg(self) -> float:
        """How far the model lies above what is printed."""
        return self.modelled_mg_per_kg - self.published_mg_per_kg


def diffusion_cm2_per_s(molar_mass_g_per_mol: float, celsius: float, coefficients: Coefficients) -> float:
    """Estimated diffusion coefficient of a substance in the polymer, cm2/s; meant to be too high.

    Raises
    ------
    BadDiffusion
        If the molar mass is not above zero or the temperature not above absolute zero.

    Examples
    --------
    >>> f"{diffusion_cm2_per_s(92.1, 25, PET_COEFFICIENTS[CoefficientSet.CRITERIA]):.3e}"
    '5.559e-14'
    """
    kelvin = celsius + _KELVIN
    if not (molar_mass_g_per_mol > 0 and 0 < kelvin < math.inf):
        raise BadDiffusion(f"{molar_mass_g_per_mol} g/mol at {celsius} degrees C: give both as they are")
    a = coefficients.a_prime - coefficients.tau_k / kelvin
    exponent = a - 0.1351 * molar_mass_g_per_mol ** (2 / 3) + 0.003 * molar_mass_g_per_mol - 10_454 / kelvin
    return 1e4 * math.exp(exponent)


def released_fraction(fourier: float, volume_ratio: float = math.inf) -> float:
    """Fraction of what was in the plastic that has gone into the food.

    Parameters
    ----------
    fourier : D t / L2, >= 0
    volume_ratio : a > 0; infinite food takes all of it in the end, finite food a / (1 + a)

    Raises
    ------
    BadDiffusion
        If an argument is out of its range.

    Notes
    -----
    Source : Crank, as for the module. For short times the solution of an endless layer takes the place of the
    series, which would need many terms: (1 + a) (1 - exp(z2) erfc z) with z = sqrt(fourier) / a.
    """
    if not (0 <= fourier < math.inf and volume_ratio > 0):
        raise BadDiffusion(f"D t / L2 = {fourier}, volume ratio {volume_ratio}: give the first >= 0, the second > 0")
    if fourier < _SHORT:
        return _released_early(fourier, volume_ratio)
    terms = math.ceil(math.sqrt(_NEGLIGIBLE / fourier) / math.pi) + 1
    if math.isinf(volume_ratio):
        q2 = ((np.arange(terms) + 0.5) * math.pi) ** 2
        return float(1 - np.sum(2 / q2 * np.exp(-q2 * fourier)))
    q2 = roots(volume_ratio, terms) ** 2
    weights = 2 * volume_ratio * (1 + volume_ratio) / (1 + volume_ratio + volume_ratio**2 * q2)
    in_the_end = volume_ratio / (1 + volume_ratio)
    return float(in_the_end * (1 - np.sum(weights * np.exp(-q2 * fourier))))


def roots(volume_ratio: float, count: int) -> NDArray[np.float64]:
    """The first positive roots of tan q = -a q, one in each interval from (n - 1/2) pi to n pi.

    Halved until nothing is left to halve: Newton's method leaves its interval where a is small.
    """
    low = (np.arange(count) + 0.5) * math.pi
    high = (np.arange(count) + 1.0) * math.pi
    # sin q + a q cos q has no poles and one change of sign in each interval.
    sign_at_low = np.sign(np.sin(low))
    for _ in range(60):
        middle = (low + high) / 2
        is_before = np.sign(np.sin(middle) + volume_ratio * middle * np.cos(middle)) == sign_at_low
        low, high = np.where(is_before, middle, low), np.where(is_before, high, middle)
    found: NDArray[np.float64] = (low + high) / 2
    return found


def modelled_permitted_mg_per_kg(
    criterion_ug_per_kg: float,
    molar_mass_g_per_mol: float,
    exposure: Exposure = REFERENCE_EXPOSURE,
    coefficients: Coefficients = PET_COEFFICIENTS[CoefficientSet.CRITERIA],
) -> float:
    """Concentration in the plastic, mg/kg, from which the model computes just the criterion in the food.

    Raises
    ------
    BadDiffusion
        If the article gives off nothing: then any concentration would do, and the inputs are to be checked.
    """
    seconds = exposure.days * _SECONDS_PER_DAY
    diffusion = diffusion_cm2_per_s(molar_mass_g_per_mol, exposure.celsius, coefficients)
    released = released_fraction(diffusion * seconds / exposure.thickness_cm**2, exposure.volume_ratio)
    if not released * exposure.plastic_kg_per_kg > 0:
        raise BadDiffusion(f"{exposure} gives off nothing: check time and sizes")
    return criterion_ug_per_kg / (exposure.plastic_kg_per_kg * released) / 1_000


def cross_check(surrogate: Surrogate, edition: Edition, scenario: Scenario) -> CrossCheck:
    """A printed permitted concentration beside the model's, to be looked at and not to decide by.

    Raises
    ------
    NotPublished
        If nothing is printed for it.
    """
    criterion = float(exact_criterion_ug_per_kg(edition, scenario, surrogate))
    modelled = modelled_permitted_mg_per_kg(criterion, float(surrogate.molar_mass_g_per_mol))
    return CrossCheck(float(permitted_of(edition, scenario, surrogate).value), modelled)


def _released_early(fourier: float, volume_ratio: float) -> float:
    if math.isinf(volume_ratio):
        return 2 * math.sqrt(fourier / math.pi)
    z = math.sqrt(fourier) / volume_ratio
    # Loaded here only: the reference exposure never comes by.
    from scipy.special import erfcx

    # Crank's fraction is of what leaves in the end, a / (1 + a) of it all.
    return float(volume_ratio * (1 - erfcx(z)))
