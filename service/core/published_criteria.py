"""Published figures about contaminants in recycled PET, each with where it stands and how well that was read.

Here: what the European and the United States guidance print, row by row, by edition and scenario. Not here: what is
worked out from it (``specific_migration``, ``diffusion``), and which edition and scenario hold for a plant: its
authorisation says so.

No figure is derived where one is printed: 0.0025 x 5 / 0.75 x 5 is 0.083 ug/kg, and the criterion is 0.1.

====================  ================================================================================
edition               stands in
====================  ================================================================================
``CRITERIA_2011``     EFSA Journal 2011;9(7):2184 (abstract read, tables not)
``GUIDANCE_2024``     EFSA Journal 2024;22(7):e8879, Tables 2 and D.1 (abstract read; the tables themselves
                      could not be read: figures from a public script that transcribes them)
====================  ================================================================================
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import TypeVar

__all__ = [
    "CRITERIA",
    "PERMITTED",
    "REFERENCE_CONTAMINATION",
    "Edition",
    "NotPublished",
    "Published",
    "Scenario",
    "Standing",
    "Surrogate",
    "Unknown",
    "criterion_of",
    "edition_named",
    "exact_criterion_ug_per_kg",
    "permitted_of",
    "scenario_named",
    "surrogate_named",
]


_Name = TypeVar("_Name", "Edition", "Scenario", "Surrogate")


class NotPublished(ValueError):
    """No permitted concentration is on record for this edition, scenario and surrogate."""


class Unknown(ValueError):
    """A name that none of the editions, scenarios or surrogates has."""


class Standing(StrEnum):
    """How well a printed figure was read, for whoever has to answer for it."""

    READ = "read in the document itself"
    SECOND_HAND = "read in another's text about the document"
    FROM_MEMORY = "from memory, not read again"


class Edition(StrEnum):
    """Which edition of the European criteria a process is judged by."""

    CRITERIA_2011 = "2011"
    GUIDANCE_2024 = "2024"


class Scenario(StrEnum):
    """Who drinks from the bottle; the infant stands for general use.

    The guidance of 2024 calls them A, B and C; that these are infants, toddlers and adults is from memory.
    """

    INFANT = "infant"
    TODDLER = "toddler"
    ADULT = "adult"


class Surrogate(StrEnum):
    """Substances put into the plastic of a challenge test, in place of what consumers may have put into bottles."""

    TOLUENE = "toluene"
    CHLOROBENZENE = "chlorobenzene"
    CHLOROFORM = "chloroform"
    METHYL_SALICYLATE = "methyl salicylate"
    PHENYLCYCLOHEXANE = "phenylcyclohexane"
    BENZOPHENONE = "benzophenone"
    LINDANE = "lindane"
    METHYL_STEARATE = "methyl stearate"

    @property
    def molar_mass_g_per_mol(self) -> Decimal:
        """Molar mass as printed with the criteria (sum of standard atomic weights to 0.1)."""
        return _MOLAR_MASSES[self]


_MOLAR_MASSES = {
    Surrogate.TOLUENE: Decimal("92.1"),
    Surrogate.CHLOROBENZENE: Decimal("112.6"),
    Surrogate.CHLOROFORM: Decimal("119.4"),
    Surrogate.METHYL_SALICYLATE: Decimal("152.2"),
    Surrogate.PHENYLCYCLOHEXANE: Decimal("160.3"),
    Surrogate.BENZOPHENONE: Decimal("182.2"),
    Surrogate.LINDANE: Decimal("290.8"),
    Surrogate.METHYL_STEARATE: Decimal("298.5"),
}


@dataclass(frozen=True, slots=True)
class Published:
    """A figure as printed, never rounded again."""

    value: Decimal
    standing: Standing
    source: str


_2011 = "EFSA Journal 2011;9(7):2184"
_6049 = "EFSA Journal 2020, doi 10.2903/j.efsa.2020.6049, Table 3"
_2024 = "EFSA Journal 2024;22(7):e8879"
_SLIDES_2011 = f"{_2011}, as shown in university training slides of 2020; text not read in full"
_TABLE_2_2024 = f"{_2024}, Table 2, as transcribed in a public script; table itself not read"
_TABLE_D1_2024 = f"{_2024}, Table D.1, as transcribed in a public script; table itself not read"

# Contamination of what is collected, mg/kg PET, to which the efficiency is applied.
REFERENCE_CONTAMINATION = Published(Decimal(3), Standing.READ, f"{_2011}, abstract; unchanged in {_2024}, abstract")

# Above this molar mass, g/mol, the guidance of 2024 allows twice as much: a step, not a slope.
STEP_2024_G_PER_MOL = 150


@dataclass(frozen=True, slots=True)
class Criterion:
    """Largest migration a model may compute, micrograms per kg of food, up to and above the molar mass of the step.

    Parameters
    ----------
    food_kg_per_kg_day : food eaten per kg of body weight and day, from which the criterion of 2024 comes without
        rounding (0.0025 ug per kg of body weight and day, divided by it, times 5 or 10); None where it is not derived.
        Inferred from the printed figures, which it fits exactly.
    """

    light: Published
    heavy: Published
    food_kg_per_kg_day: Decimal | None = None


def _alike(value: str) -> Criterion:
    printed = Published(Decimal(value), Standing.READ, f"{_2011}, abstract")
    return Criterion(printed, printed)


def _stepped(light: str, heavy: str, food: str) -> Criterion:
    return Criterion(
        Published(Decimal(light), Standing.SECOND_HAND, _TABLE_2_2024),
        Published(Decimal(heavy), Standing.SECOND_HAND, _TABLE_2_2024),
        Decimal(food),
    )


CRITERIA: Mapping[tuple[Edition, Scenario], Criterion] = {
    (Edition.CRITERIA_2011, Scenario.INFANT): _alike("0.1"),
    (Edition.CRITERIA_2011, Scenario.TODDLER): _alike("0.15"),
    (Edition.CRITERIA_2011, Scenario.ADULT): _alike("0.75"),
    (Edition.GUIDANCE_2024, Scenario.INFANT): _stepped("0.0481", "0.0962", "0.26"),
    (Edition.GUIDANCE_2024, Scenario.TODDLER): _stepped("0.156", "0.312", "0.08"),
    (Edition.GUIDANCE_2024, Scenario.ADULT): _stepped("0.625", "1.250", "0.02"),
}


def _column(
    values: str, standing: Standing, source: str, other: Mapping[Surrogate, Published] | None = None
) -> dict[Surrogate, Published]:
    """A printed column in the order of `Surrogate`; `-` where nothing is printed, `other` for rows read elsewhere."""
    printed = {
        surrogate: Published(Decimal(value), standing, source)
        for surrogate, value in zip(Surrogate, values.split(), strict=True)
        if value != "-"
    }
    return printed | dict(other or {})


_LINDANE_2011 = Published(Decimal("0.31"), Standing.FROM_MEMORY, f"{_2011}; text not read in full")

# Permitted concentration, mg/kg PET, for a bottle all of recycled plastic: 365 days, 25 degrees C, 6 dm2 per kg of
# food. The adult column of 2011 is in nothing that was read; its criterion alone is.
PERMITTED: Mapping[tuple[Edition, Scenario], Mapping[Surrogate, Published]] = {
    (Edition.CRITERIA_2011, Scenario.INFANT): _column(
        "0.09 0.10 0.10 0.13 0.14 0.16 - 0.32",
        Standing.SECOND_HAND,
        _SLIDES_2011,
        {Surrogate.LINDANE: _LINDANE_2011},
    ),
    (Edition.CRITERIA_2011, Scenario.TODDLER): _column("0.13 0.15 0.15 0.20 0.21 0.24 - 0.47", Standing.READ, _6049),
    (Edition.GUIDANCE_2024, Scenario.INFANT): _column(
        "0.04 0.05 0.05 0.12 0.13 0.15 0.28 0.29", Standing.SECOND_HAND, _TABLE_D1_2024
    ),
    (Edition.GUIDANCE_2024, Scenario.TODDLER): _column(
        "0.13 0.15 0.16 0.40 0.42 0.49 0.92 0.95", Standing.SECOND_HAND, _TABLE_D1_2024
    ),
    (Edition.GUIDANCE_2024, Scenario.ADULT): _column(
        "0.51 0.60 0.63 1.60 1.69 1.96 3.67 3.82", Standing.SECOND_HAND, _TABLE_D1_2024
    ),
}


def edition_named(name: str) -> Edition:
    """Edition by its year; ``Unknown`` lists those there are."""
    return _named(Edition, name, "edition")


def scenario_named(name: str) -> Scenario:
    """Scenario by name; ``Unknown`` lists those there are."""
    return _named(Scenario, name, "scenario")


def surrogate_named(name: str) -> Surrogate:
    """Surrogate by name; ``Unknown`` lists those there are."""
    return _named(Surrogate, name, "surrogate")


def permitted_of(edition: Edition, scenario: Scenario, surrogate: Surrogate) -> Published:
    """Largest concentration permitted in plastic all of it recycled, mg/kg PET, as printed.

    Raises
    ------
    NotPublished
        If the edition prints none for it, or none was read. It is not worked out instead: the model of the
        criteria does not reproduce the figures of 2011.
    """
    column = PERMITTED.get((edition, scenario), {})
    if surrogate not in column:
        raise NotPublished(
            f"no permitted concentration of {surrogate} is on record for the {scenario} of {edition}: "
            "take edition and scenario from the opinion on the process"
        )
    return column[surrogate]


def criterion_of(edition: Edition, scenario: Scenario, surrogate: Surrogate) -> Published:
    """Largest migration the model may compute for it, micrograms per kg of food, as printed."""
    criterion = CRITERIA[edition, scenario]
    return criterion.heavy if _is_heavy(surrogate) else criterion.light


def exact_criterion_ug_per_kg(edition: Edition, scenario: Scenario, surrogate: Surrogate) -> Fraction:
    """The criterion before it was rounded for print, where that is known; else as printed.

    0.0025 ug per kg of body weight and day, over the food eaten, times 5 up to 150 g/mol and times 10 above.

    Notes
    -----
    Source : threshold from EFSA Journal 2024;22(7):e8879, abstract; the food per body weight is inferred from the
    printed criteria, which could be read second hand only.
    """
    food = CRITERIA[edition, scenario].food_kg_per_kg_day
    if food is None:
        return Fraction(criterion_of(edition, scenario, surrogate).value)
    return Fraction(25, 10_000) / Fraction(food) * (10 if _is_heavy(surrogate) else 5)


def _is_heavy(surrogate: Surrogate) -> bool:
    return surrogate.molar_mass_g_per_mol > STEP_2024_G_PER_MOL


def _named(kind: type[_Name], name: str, what: str) -> _Name:
    try:
        return kind(name.strip().lower())
    except ValueError:
        raise Unknown(f"there is no {what} {name!r}: choose one of {', '.join(kind)}") from None
