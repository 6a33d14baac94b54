"""What single error would best explain why a network does not balance: ranked, with its size. It only suggests.

Three kinds of error leave a mark on the imbalances r = A y, each along one direction f:

* one reading is off: its two nodes, in opposite senses. One reading so explains two opposite failures at once;
* a stream was never booked at a node (a leak out of it, or something extra into it): that node alone;
* one shared cause is off (the span of a scale, a moisture value): every node its readings touch, in proportion.

The generalised likelihood ratio of an error along f is ``T2 = (f' S^-1 r)^2 / (f' S^-1 f)``, by which the objective
falls if it is granted; its size is ``(f' S^-1 r) / (f' S^-1 f)`` with standard uncertainty ``(f' S^-1 f)^-1/2``. Errors
with the same direction cannot be told apart by any arithmetic: they are one suspect with several explanations.

With n distinct directions each is tested at 1 - (1 - level)^(1/n) (Sidak): for correlated normal statistics the chance
that any suspect is called significant when nothing is wrong is then at most the level.

Source : Narasimhan and Mah's generalised likelihood ratio, after Narasimhan and Jordache (2000), ch. 7 and 8 (chapters
from memory); Sidak (1967), inequality for rectangular regions of normal distributions (from memory).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.special import chdtrc, ndtri

from service.core.error_directions import Direction, Hypothesis, directions_of
from service.core.measured import Cause
from service.core.reconciliation import WHOLE_INVERSE_ROWS, Reconciliation
from service.core.stream_network import Floats
from service.core.suspect_kinds import Identifiability

LEVEL = 0.05
POWER = 0.9
# Directions weighed exactly in a network too large for the whole inverse.
_WEIGHED_MOST = 400
# Statistics that differ beyond this decimal only do not order suspects: rounding, not evidence.
_DECIMALS = 9
# Directions weighed together against the whole inverse: some tens of megabytes.
_PORTION = 1_000


@dataclass(frozen=True, slots=True)
class Explanation:
    """One error that would explain the misfit, and how large it would be.

    Parameters
    ----------
    size : kilograms; for a shared cause, times its own standard uncertainty. Positive: the reading shows too much, the
        node lost mass that is not booked, the cause raises what rests on it.
    u : standard uncertainty of the size, in its unit.
    smallest_visible : error that would be called significant with the stated power, in the same unit.
    plausible : the largest error anybody expects, in the same unit, if it was stated.
    """

    hypothesis: Hypothesis
    size: float
    u: float
    smallest_visible: float
    plausible: float | None

    @property
    def identifiability(self) -> Identifiability:
        if self.plausible is None:
            return Identifiability.NO_BOUND_STATED
        return Identifiability.VISIBLE if self.smallest_visible <= self.plausible else Identifiability.NOT_IDENTIFIABLE

    @property
    def is_plausible(self) -> bool:
        """Whether its size is within three standard uncertainties of what anybody expects."""
        return self.plausible is None or abs(self.size) - 3 * self.u <= self.plausible


@dataclass(frozen=True, slots=True)
class Suspect:
    """Explanations that leave the same mark: the arithmetic cannot choose among them; the least strange is first.

    Parameters
    ----------
    statistic : by how much the objective falls if the error is granted.
    objective_left : what then remains, for one degree of freedom less.
    p_left : how often more would remain when nothing else is wrong.
    is_significant : beyond the critical value that allows for all directions tried.
    """

    explanations: tuple[Explanation, ...]
    statistic: float
    objective_left: float
    p_left: float
    is_significant: bool


@dataclass(frozen=True, slots=True)
class Suspects:
    """Ranked suspects and the test they were put to.

    Parameters
    ----------
    directions : how many distinct errors were weighed against each other.
    level : at most how often any suspect is significant when nothing is wrong.
    single_level : at which each is tested, after Sidak.
    critical_value : of the statistic.
    power : with which `smallest_visible` errors are called significant.
    unchecked : errors that leave no mark at all: no other reading checks them.
    """

    ranked: tuple[Suspect, ...]
    directions: int
    level: float
    single_level: float
    critical_value: float
    power: float
    unchecked: tuple[Hypothesis, ...]


def suspects_of(
    result: Reconciliation,
    *,
    most: int = 10,
    level: float = LEVEL,
    power: float = POWER,
    plausible: Mapping[Hypothesis, float] | None = None,
    causes: frozenset[Cause] | None = None,
    sealed: frozenset[str] = frozenset(),
) -> Suspects:
    """Rank what could explain the misfit.

    Parameters
    ----------
    most : how many suspects to give.
    level : of false alarms, over all suspects together.
    plausible : largest error expected of a hypothesis, kilograms or times the cause's standard uncertainty.
    causes : shared causes to suspect; all if not given. (A default moisture of the plant is no instrument.)
    sealed : nodes that nothing can leave unbooked, such as the comparison of two readings of one load.
    """
    directions, unchecked = directions_of(result, causes, sealed)
    if not directions:
        return Suspects((), 0, level, level, 0.0, power, unchecked)
    single = single_level(level, len(directions))
    threshold = float(ndtri(1 - single / 2))
    pulls, weights = _weighed(result, directions, threshold**2, most)
    with np.errstate(invalid="ignore", divide="ignore"):
        statistics = np.where(weights > 0, pulls**2 / weights, 0.0)
    order = np.argsort(-statistics.round(_DECIMALS), kind="stable")[:most]
    degrees = result.degrees_of_freedom - 1
    ranked = []
    for place in order.tolist():
        statistic = float(statistics[place])
        if not weights[place] > 0:
            continue
        left = max(result.objective - statistic, 0.0)
        ranked.append(
            Suspect(
                explanations=tuple(
                    sorted(
                        (
                            _explained(one, factor, pulls[place], weights[place], threshold, power, plausible or {})
                            for one, factor in directions[place].members
                        ),
                        key=lambda explanation: _strangeness(result, explanation),
                    )
                ),
                statistic=statistic,
                objective_left=left,
                p_left=float(chdtrc(degrees, left)) if degrees else 1.0,
                is_significant=statistic > threshold**2,
            )
        )
    return Suspects(tuple(ranked), len(directions), level, single, threshold**2, power, unchecked)


def single_level(level: float, directions: int) -> float:
    """Level of each of several tests that together raise a false alarm at most with `level` (Sidak).

    Examples
    --------
    >>> round(single_level(0.05, 1), 4), round(single_level(0.05, 1000) * 1e5, 3)
    (0.05, 5.129)
    """
    return float(-np.expm1(np.log1p(-level) / directions))


def _strangeness(result: Reconciliation, explanation: Explanation) -> float:
    """How many times its own stated doubt an error would be; of something unbooked, of half the largest expected.

    The readings cannot choose among explanations of one suspect, but what was stated beforehand can order them.
    """
    size, hypothesis = abs(explanation.size), explanation.hypothesis
    if hypothesis.stream is not None:
        return size / float(np.sqrt(result.network.total_variance_kg2[hypothesis.stream]))
    if hypothesis.cause is not None:
        return size
    return float("inf") if explanation.plausible is None else 2 * size / explanation.plausible


def _explained(
    hypothesis: Hypothesis,
    factor: float,
    pull: float,
    weight: float,
    threshold: float,
    power: float,
    plausible: Mapping[Hypothesis, float],
) -> Explanation:
    # The direction is `factor` times the hypothesis' own mark per unit of error.
    u = 1 / float(np.sqrt(weight)) / abs(factor)
    return Explanation(
        hypothesis=hypothesis,
        size=float(pull / weight) / factor,
        u=u,
        smallest_visible=(threshold + float(ndtri(power))) * u,
        plausible=plausible.get(hypothesis),
    )


def _weighed(
    result: Reconciliation, directions: tuple[Direction, ...], enough: float, most: int
) -> tuple[Floats, Floats]:
    """For each direction f: f' S^-1 r and f' S^-1 f; the latter 0 where it was not worth the work."""
    lengths = [len(mark.rows) for mark in directions]
    marks = sparse.csr_array(
        (
            np.concatenate([mark.values for mark in directions]),
            np.concatenate([mark.rows for mark in directions]),
            np.append(0, np.cumsum(lengths)),
        ),
        shape=(len(directions), result.constraints.rows),
    )
    pulls: Floats = marks @ result.multipliers_per_kg
    if result.constraints.rows <= WHOLE_INVERSE_ROWS:
        inverse = result.inverse[:-1, :-1]
        portions = (marks[begin : begin + _PORTION] for begin in range(0, len(directions), _PORTION))
        weights = [np.asarray(portion.multiply(portion @ inverse).sum(axis=1)).ravel() for portion in portions]
        return pulls, np.concatenate(weights)
    return pulls, _weighed_as_needed(result, marks, pulls, enough, most)


def _weighed_as_needed(
    result: Reconciliation, marks: sparse.csr_array, pulls: Floats, enough: float, most: int
) -> Floats:
    """Weigh only what can matter: by Cauchy and Schwarz f' S^-1 f is at least (f'f)^2 / (f' S f).

    That bounds every statistic from above without a solve. Directions are weighed from the highest bound down, until
    the bound is below the critical value and below all that would be listed.
    """
    own = marks.multiply(marks @ result.solver.own).sum(axis=1)
    shared = marks @ result.solver.shared
    spread = np.asarray(own).ravel() + np.asarray(shared.multiply(shared).sum(axis=1)).ravel()
    length = np.asarray(marks.multiply(marks).sum(axis=1)).ravel()
    bounds = pulls**2 * spread / length**2
    weights = np.zeros(len(bounds))
    best: list[float] = []
    for place in np.argsort(-bounds)[:_WEIGHED_MOST].tolist():
        if len(best) >= most and bounds[place] < min(enough, sorted(best)[-most]):
            break
        full = marks[[place]].toarray().ravel()
        weights[place] = float(full @ result.solver(full))
        best.append(float(pulls[place] ** 2 / weights[place]))
    return weights
