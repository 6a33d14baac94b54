"""What a challenge test says a decontamination process takes out of PET, and what it would leave of real dirt.

    efficiency = 1 - after / before
    residual   = reference x (1 - efficiency)  in mg/kg PET, the reference contamination being 3 mg/kg

Here: these two and how concentrations are read and printed. Not here: what is permitted (``specific_migration``).

Invariant: concentrations and efficiencies are exact fractions; nothing is rounded but for print.

Source : EFSA Journal 2011;9(7):2184, abstract (the method and the reference); as worked in EFSA Journal 2020,
doi 10.2903/j.efsa.2020.6049, Table 3 (read).
"""

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from service.core.published_criteria import REFERENCE_CONTAMINATION, Surrogate
from service.core.quantities import divide_half_up

__all__ = [
    "REFERENCE",
    "BadChallengeTest",
    "Challenge",
    "concentration_text",
    "efficiency_of",
    "exact",
    "plain",
    "residual_mg_per_kg",
]

REFERENCE = Fraction(REFERENCE_CONTAMINATION.value)


class BadChallengeTest(ValueError):
    """Concentrations or an efficiency that no challenge test can give."""


@dataclass(frozen=True, slots=True)
class Challenge:
    """What a challenge test found of one surrogate.

    Parameters
    ----------
    before_mg_per_kg : concentration in the plastic fed, > 0
    after_mg_per_kg : concentration in what came out, 0 up to `before_mg_per_kg`
    is_below_detection : nothing was found; `after_mg_per_kg` is then the limit of detection, taken as if it were there
    """

    surrogate: Surrogate
    before_mg_per_kg: Fraction | Decimal | int
    after_mg_per_kg: Fraction | Decimal | int
    is_below_detection: bool = False


def efficiency_of(challenge: Challenge) -> Fraction:
    """Decontamination efficiency: the fraction of a surrogate that the process took out, 0..1.

    Raises
    ------
    BadChallengeTest
        If a concentration is negative or a binary float, nothing was fed, or more came out than was fed.

    Notes
    -----
    Source : EFSA Journal 2020, doi 10.2903/j.efsa.2020.6049, section on the challenge test.

    Examples
    --------
    >>> efficiency_of(Challenge(Surrogate.TOLUENE, Decimal("500"), Decimal("8")))
    Fraction(123, 125)
    """
    name = challenge.surrogate
    before = exact(challenge.before_mg_per_kg, f"the concentration of {name} before")
    after = exact(challenge.after_mg_per_kg, f"the concentration of {name} after")
    if before <= 0:
        raise BadChallengeTest(f"{name} before the process is {plain(before)} mg/kg: a challenge test feeds some of it")
    if after < 0:
        raise BadChallengeTest(f"{name} after the process is {plain(after)} mg/kg: no concentration is below zero")
    if after > before:
        raise BadChallengeTest(
            f"{name} rose from {plain(before)} to {plain(after)} mg/kg: check whether before and after were swapped"
        )
    return 1 - after / before


def residual_mg_per_kg(
    efficiency: Fraction | Decimal | int, reference_mg_per_kg: Fraction | Decimal | int = REFERENCE
) -> Fraction:
    """What is left of the reference contamination, mg/kg PET: reference x (1 - efficiency).

    Parameters
    ----------
    efficiency : fraction 0..1, not per cent
    reference_mg_per_kg : contamination of what is collected, >= 0

    Raises
    ------
    BadChallengeTest
        If the efficiency lies outside 0..1 (above 1, less than nothing would be left), or the reference is negative.

    Examples
    --------
    Reference times efficiency, as some slides have it, would be 2.955:

    >>> residual_mg_per_kg(Decimal("0.985"))
    Fraction(9, 200)
    """
    cleaned = exact(efficiency, "the efficiency")
    if not 0 <= cleaned <= 1:
        raise BadChallengeTest(
            f"an efficiency of {plain(cleaned)} would leave {plain(REFERENCE * (1 - cleaned))} mg/kg of "
            f"{plain(REFERENCE)}: give a fraction from 0 to 1, such as 0.985 for 98.5 %"
        )
    reference = exact(reference_mg_per_kg, "the reference contamination")
    if reference < 0:
        raise BadChallengeTest(f"a reference contamination of {plain(reference)} mg/kg is below zero: give it as found")
    return reference * (1 - cleaned)


def concentration_text(value: Fraction, decimals: int = 2) -> str:
    """A concentration for a person to read, rounded half up; no verdict may rest on it.

    Examples
    --------
    >>> concentration_text(Fraction(135, 1000)), concentration_text(Fraction(51, 1000))
    ('0.14', '0.05')
    """
    steps = divide_half_up(value.numerator * 10**decimals, value.denominator)
    return str(Decimal(steps).scaleb(-decimals))


def exact(value: Fraction | Decimal | int, what: str) -> Fraction:
    """A number as it was written; a binary float is none, since a verdict may hang on its last digit."""
    if isinstance(value, float | bool) or (isinstance(value, Decimal) and not value.is_finite()):
        raise BadChallengeTest(f"{what} is {value!r}: give it as a decimal number, such as 0.985")
    return Fraction(value)


def plain(value: Fraction) -> str:
    """A number for an error message, to six decimals at most."""
    return concentration_text(value, 6).rstrip("0").rstrip(".")
