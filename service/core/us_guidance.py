"""The figures of the United States for recycled PET: a concentration in the plastic or one in the food, whichever.

Each contaminant is to stay within a dietary concentration of 0.5 ug/kg. Food in PET is one part in twenty of all food
(the consumption factor), so 10 ug/kg of the food in it; and if all of it went over, 220 ug/kg of the plastic.

Here: the two figures, how they follow, and a comparison. It is *guidance*, not a limit: nonbinding by its own words.
Not here: other polymers (their printed figures do not follow from one consumption factor), letters of no objection,
which may set a largest content, foods and conditions of use.

What this does not decide: whether a process or a use is accepted. The agency answers case by case, and the responsible
person of the plant decides what is sold where.

Traps: these figures are micrograms per kg, the European ones milligrams; 220 ug/kg is 0.22 mg/kg. And they apply to
what is left after a challenge test as it was found, not to an efficiency times 3 mg/kg.

Source : US FDA, Use of Recycled Plastics in Food Packaging (Chemistry Considerations), July 2021, docket
FDA-2020-D-1456: contents read, section IV with the figures not read. 0.5 ug/kg: letters of no objection 43 and 123
(read). 220 and 10 ug/kg: second hand, agreeing with a summary of an Indian guideline of 23 May 2025, which words both
as "below". Density, thickness and food per area: from memory; with them 217.9 comes out, 220 in two figures.
"""

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from service.core.published_criteria import Published, Standing

__all__ = [
    "DIETARY_UG_PER_KG",
    "FOOD_UG_PER_KG",
    "PET_UG_PER_KG",
    "BadContamination",
    "Comparison",
    "compare",
    "food_figure_ug_per_kg",
    "polymer_figure_ug_per_kg",
]

_GUIDANCE = "US FDA, Use of Recycled Plastics in Food Packaging, July 2021; section not read, second hand"

DIETARY_UG_PER_KG = Published(Decimal("0.5"), Standing.READ, "US FDA letters of no objection 43 (1996) and 123 (2009)")
FOOD_UG_PER_KG = Published(Decimal(10), Standing.SECOND_HAND, _GUIDANCE)
PET_UG_PER_KG = Published(Decimal(220), Standing.SECOND_HAND, _GUIDANCE)

# From memory: share of all food that is packed in PET, density, wall of 20 mil, 10 g of food on a square inch.
CONSUMPTION_FACTOR = Fraction(5, 100)
DENSITY_G_PER_CM3 = Fraction(14, 10)
THICKNESS_INCH = Fraction(20, 1_000)
FOOD_G_PER_SQUARE_INCH = Fraction(10)
_CM_PER_INCH = Fraction(254, 100)


class BadContamination(ValueError):
    """A concentration below zero, or none at all."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """How one contaminant compares; either way is enough.

    Parameters
    ----------
    by_polymer : whether its concentration in the plastic is below the figure; None if none was given
    by_food : whether its migration into food is below the figure; None if none was given
    """

    by_polymer: bool | None
    by_food: bool | None

    @property
    def is_within_guidance(self) -> bool:
        return bool(self.by_polymer or self.by_food)


def food_figure_ug_per_kg(consumption_factor: Fraction = CONSUMPTION_FACTOR) -> Fraction:
    """Concentration in the packed food that makes up the dietary one: 0.5 ug/kg over the consumption factor.

    Examples
    --------
    >>> food_figure_ug_per_kg()
    Fraction(10, 1)
    """
    return Fraction(DIETARY_UG_PER_KG.value) / consumption_factor


def polymer_figure_ug_per_kg() -> Fraction:
    """Concentration in PET from which that follows if all of it goes into the food; printed rounded to 220.

    Examples
    --------
    >>> round(float(polymer_figure_ug_per_kg()), 1)
    217.9
    """
    plastic_g = DENSITY_G_PER_CM3 * THICKNESS_INCH * _CM_PER_INCH * _CM_PER_INCH**2
    return food_figure_ug_per_kg() * FOOD_G_PER_SQUARE_INCH / plastic_g


def compare(
    *, polymer_ug_per_kg: Fraction | Decimal | int | None = None, food_ug_per_kg: Fraction | Decimal | int | None = None
) -> Comparison:
    """Compare one contaminant with the printed figures; "below", so the figure itself is not.

    Parameters
    ----------
    polymer_ug_per_kg : left in the PET after the challenge test, micrograms per kg
    food_ug_per_kg : found or computed in the food, micrograms per kg

    Raises
    ------
    BadContamination
        If neither is given, or one is negative or a binary float.
    """
    if polymer_ug_per_kg is None and food_ug_per_kg is None:
        raise BadContamination("give what is left in the polymer, what goes into the food, or both, in ug/kg")
    return Comparison(_is_below(polymer_ug_per_kg, PET_UG_PER_KG), _is_below(food_ug_per_kg, FOOD_UG_PER_KG))


def _is_below(value: Fraction | Decimal | int | None, figure: Published) -> bool | None:
    if value is None:
        return None
    if isinstance(value, float | bool) or (isinstance(value, Decimal) and not value.is_finite()) or value < 0:
        raise BadContamination(f"{value!r} ug/kg is no concentration: give a decimal number from 0 on")
    return Fraction(value) < Fraction(figure.value)
