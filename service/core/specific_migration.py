"""Whether a decontamination process cleans well enough, surrogate by surrogate, by the published criteria.

A process complies if what it leaves of each surrogate (``decontamination``) is no more than what is permitted.

Here: that comparison, exact, and the largest recycled content at which it would hold. Not here: the printed figures
(``published_criteria``), the model they come from (``diffusion``), the guidance of the United States
(``us_guidance``).

What this does not decide: whether a process may be used. The competent authority authorises it, names edition,
scenario and maximum content, and holds the challenge test itself; the responsible person of the plant answers for
every release. A comparison that holds here is evidence for them, no permission.

Invariant: verdicts are taken on exact fractions, never on what is printed. Opinions print 0.135 as 0.13 and 0.045 as
0.05, so no rule of rounding follows from them, and a residual of 0.051 against 0.05 fails though both print as 0.05.

Source : EFSA Journal 2011;9(7):2184 and 2024;22(7):e8879, abstracts; Regulation (EU) 2022/1616 (authorisation).
"""

from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from service.core.decontamination import (
    REFERENCE,
    BadChallengeTest,
    Challenge,
    efficiency_of,
    exact,
    plain,
    residual_mg_per_kg,
)
from service.core.published_criteria import Edition, Published, Scenario, Surrogate, permitted_of

__all__ = [
    "MissingSurrogate",
    "ProcessVerdict",
    "SurrogateVerdict",
    "judge_process",
    "judge_surrogate",
    "minimum_efficiency",
]


class MissingSurrogate(ValueError):
    """The challenge test lacks surrogates it is to be judged by.

    Parameters
    ----------
    surrogates : those without a result, in the order of the tables
    """

    def __init__(self, surrogates: tuple[Surrogate, ...]) -> None:
        self.surrogates = surrogates
        names = ", ".join(surrogates)
        super().__init__(f"no result for {names}: enter it from the report of the challenge test")


@dataclass(frozen=True, slots=True)
class SurrogateVerdict:
    """How one surrogate compares.

    Parameters
    ----------
    efficiency : fraction 0..1
    residual_mg_per_kg : what would be left of the reference contamination, in plastic all of it recycled
    permitted : as printed, mg/kg
    complies : whether the residual, at the content judged, is no more than what is permitted
    maximum_content : fraction 0..1 of recycled plastic up to which it would comply
    is_upper_bound : the surrogate was below detection; a verdict that it does not comply then means "not shown"
    """

    surrogate: Surrogate
    efficiency: Fraction
    residual_mg_per_kg: Fraction
    permitted: Published
    complies: bool
    maximum_content: Fraction
    is_upper_bound: bool = False


@dataclass(frozen=True, slots=True)
class ProcessVerdict:
    """How a process compares: it complies if every surrogate does.

    Parameters
    ----------
    recycled_content : fraction 0..1 it was judged at
    limiting : the surrogate that allows the least recycled content
    """

    edition: Edition
    scenario: Scenario
    recycled_content: Fraction
    surrogates: tuple[SurrogateVerdict, ...]

    @property
    def complies(self) -> bool:
        return all(verdict.complies for verdict in self.surrogates)

    @property
    def failing(self) -> tuple[Surrogate, ...]:
        """Every surrogate that does not comply, in the order of the tables."""
        return tuple(verdict.surrogate for verdict in self.surrogates if not verdict.complies)

    @property
    def maximum_content(self) -> Fraction:
        """Largest fraction of recycled plastic at which all surrogates would comply; print it cut down."""
        return self.limiting.maximum_content

    @property
    def limiting(self) -> SurrogateVerdict:
        return min(self.surrogates, key=lambda verdict: verdict.maximum_content)


def minimum_efficiency(edition: Edition, scenario: Scenario, surrogate: Surrogate) -> Fraction:
    """Efficiency from which on plastic all of it recycled complies: 1 - permitted / reference, not below 0.

    Raises
    ------
    NotPublished
        As ``permitted_of``.
    """
    return max(1 - Fraction(permitted_of(edition, scenario, surrogate).value) / REFERENCE, Fraction(0))


def judge_surrogate(
    surrogate: Surrogate,
    efficiency: Fraction | Decimal | int,
    edition: Edition,
    scenario: Scenario,
    *,
    recycled_content: Fraction = Fraction(1),
    is_below_detection: bool = False,
) -> SurrogateVerdict:
    """Compare what is left of one surrogate with what is permitted.

    Parameters
    ----------
    efficiency : fraction 0..1
    recycled_content : fraction 0..1 of the article; the rest is taken to hold none of the surrogate. That the residual
        falls in proportion is inferred from the title of the printed column (residual for 100 % recycled).

    Raises
    ------
    BadChallengeTest
        As ``residual_mg_per_kg``, or if the content lies outside 0..1.
    NotPublished
        As ``permitted_of``.
    """
    if not 0 <= recycled_content <= 1:
        raise BadChallengeTest(f"a recycled content of {plain(recycled_content)} is none: give a fraction from 0 to 1")
    residual = residual_mg_per_kg(efficiency)
    permitted = permitted_of(edition, scenario, surrogate)
    most = Fraction(permitted.value)
    return SurrogateVerdict(
        surrogate,
        exact(efficiency, "the efficiency"),
        residual,
        permitted,
        residual * recycled_content <= most,
        Fraction(1) if residual <= most else most / residual,
        is_below_detection,
    )


def judge_process(
    challenges: Collection[Challenge],
    edition: Edition,
    scenario: Scenario,
    *,
    required: Collection[Surrogate],
    recycled_content: Fraction = Fraction(1),
) -> ProcessVerdict:
    """Compare a whole challenge test with an edition and scenario.

    Parameters
    ----------
    challenges : one for each surrogate of the test
    required : surrogates the opinion on the process names; opinions differ in it
    recycled_content : fraction 0..1 of the article

    Raises
    ------
    MissingSurrogate
        If one of the required has no result; all of them are named.
    BadChallengeTest
        If a surrogate was entered twice, nothing is required, or a result is none.
    NotPublished
        As ``permitted_of``, for any surrogate tested.
    """
    if not required:
        raise BadChallengeTest("no surrogate is required: name those the opinion on the process lists")
    found: dict[Surrogate, Challenge] = {}
    for challenge in challenges:
        if challenge.surrogate in found:
            raise BadChallengeTest(f"{challenge.surrogate} was entered twice: keep one result")
        found[challenge.surrogate] = challenge
    missing = tuple(surrogate for surrogate in Surrogate if surrogate in required and surrogate not in found)
    if missing:
        raise MissingSurrogate(missing)
    verdicts = tuple(
        judge_surrogate(
            surrogate,
            efficiency_of(found[surrogate]),
            edition,
            scenario,
            recycled_content=recycled_content,
            is_below_detection=found[surrogate].is_below_detection,
        )
        for surrogate in Surrogate
        if surrogate in found
    )
    return ProcessVerdict(edition, scenario, recycled_content, verdicts)
