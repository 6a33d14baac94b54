"""Whether small unexplained amounts add up to something: cumulative sums, and the run of like signs.

One day's balance within its doubt says nothing about ten such days in a row. A cumulative sum gathers what each day
exceeds a slack k: ``C+ = max(0, C+ + z - k)`` and the mirror image for gains, in units of the day's own standard
uncertainty, and calls out above h. The price of an alarm is known beforehand: the mean number of days between false
ones, the in-control run length, which every answer states beside k and h.

Successive balances share an inventory, with opposite sign: what yesterday's closing content was read too high,
yesterday lost and today gained. Taken as they stand they are negatively correlated and a sum of them hides drift less
than it seems to; ``independent`` takes out of each day what the days before it already told (by the Cholesky factor of
their covariance), and the run lengths then hold.

Source : Page (1954); average run length by the integral equation, Goel and Wu (1971), and its two-sided combination,
Kemp (1961) (all from memory, checked against Lucas and Crosier's table in tests/published). The run of three is a rule
of the trade: common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.linalg import LinAlgError, cholesky, solve_triangular
from scipy.special import ndtr

from service.core.measured import Measured
from service.core.quantities import UG_PER_KG

SLACK = 0.5
DECISION = 5.0
RUN_DAYS = 3
# Points of the Gauss rule: the table's three digits need about 20.
_POINTS = 60
_TINY = 1e-12


class NoDoubtStated(ValueError):
    """A day's balance without doubt, or one that follows from the others, cannot be standardised."""


class Side(StrEnum):
    """Which way an amount drifts."""

    LOSS = "loss"
    GAIN = "gain"


@dataclass(frozen=True, slots=True)
class CumulativeSum:
    """The sums after each day.

    Parameters
    ----------
    standardised : each day's amount in units of its standard deviation.
    loss, gain : the two sums; both start again at zero after an alarm.
    alarms : day (from 0) and side of each.
    run_length : mean number of days between false alarms when nothing drifts.
    run_length_at_one : mean number of days until a drift of one standard deviation a day is called out.
    """

    slack: float
    decision: float
    standardised: tuple[float, ...]
    loss: tuple[float, ...]
    gain: tuple[float, ...]
    alarms: tuple[tuple[int, Side], ...]
    run_length: float
    run_length_at_one: float


@dataclass(frozen=True, slots=True)
class RunOfSigns:
    """Days in a row beyond half the tolerance on one side.

    Parameters
    ----------
    alarms : last day (from 0) and side of each run of `RUN_DAYS` days; longer runs count each further day.
    run_length : mean number of days until a false alarm, if the days' balances are independent with these doubts and
        nothing is wrong; infinite if that never happens. Where limits differ, by the mean chance of a day.
    """

    alarms: tuple[tuple[int, Side], ...]
    run_length: float


def covariance_of(amounts: Sequence[Measured]) -> np.ndarray:
    """Covariance of the days' unexplained amounts, kg squared: what they share, shared inventories with it."""
    count = len(amounts)
    found = np.zeros((count, count))
    for row, amount in enumerate(amounts):
        for column in range(row + 1):
            found[row, column] = found[column, row] = amount.covariance_ug2(amounts[column]) / UG_PER_KG**2
    return found


def standardised(amounts: Sequence[Measured]) -> tuple[float, ...]:
    """Each amount over its own standard uncertainty, correlation left in.

    Raises
    ------
    NoDoubtStated
    """
    if any(not amount.variance_ug2 > 0 for amount in amounts):
        raise NoDoubtStated("a balance without doubt cannot be watched for drift: state how its lines were measured")
    return tuple(amount.value_ug / amount.u_ug for amount in amounts)


def independent(amounts: Sequence[Measured]) -> tuple[float, ...]:
    """Each amount less what the earlier ones told of it, over the standard deviation that is left.

    Independent standard normal values when nothing is wrong, whatever the amounts share.

    Raises
    ------
    NoDoubtStated
        If an amount has no doubt of its own beside the others'.

    Examples
    --------
    >>> from service.core.measured import Cause, CauseKind
    >>> level, first, second = (Cause(CauseKind.LEVEL, name) for name in ("Monday", "in", "out"))
    >>> monday = Measured(30 * UG_PER_KG, {first: 6e9, level: 8e9})
    >>> tuesday = Measured(-24 * UG_PER_KG, {second: 6e9, level: -8e9})
    >>> [round(z, 2) for z in standardised([monday, tuesday])], [round(z, 2) for z in independent([monday, tuesday])]
    ([3.0, -2.4], [3.0, -0.62])
    """
    if not amounts:
        return ()
    covariance = covariance_of(amounts)
    try:
        factor = cholesky(covariance, lower=True)
    except LinAlgError as fault:
        raise NoDoubtStated("the balances' doubts do not suffice to part them: one follows from the others") from fault
    if (np.diag(factor) ** 2 < _TINY * np.diag(covariance)).any():
        raise NoDoubtStated("the balances' doubts do not suffice to part them: one follows from the others")
    kilograms = np.array([amount.value_ug / UG_PER_KG for amount in amounts])
    return tuple(solve_triangular(factor, kilograms, lower=True).tolist())


def cumulative_sum(values: Sequence[float], slack: float = SLACK, decision: float = DECISION) -> CumulativeSum:
    """Two-sided cumulative sum of standardised amounts; positive is a loss.

    Examples
    --------
    >>> cumulative_sum([1.5] * 6).alarms
    ((5, <Side.LOSS: 'loss'>),)
    """
    loss, gain = 0.0, 0.0
    losses, gains, alarms = [], [], []
    for day, value in enumerate(values):
        loss, gain = max(0.0, loss + value - slack), max(0.0, gain - value - slack)
        losses.append(loss)
        gains.append(gain)
        over = Side.LOSS if loss > decision else Side.GAIN if gain > decision else None
        if over is not None:
            alarms.append((day, over))
            loss = gain = 0.0
    return CumulativeSum(
        slack=slack,
        decision=decision,
        standardised=tuple(values),
        loss=tuple(losses),
        gain=tuple(gains),
        alarms=tuple(alarms),
        run_length=two_sided_run_length(slack, decision),
        run_length_at_one=two_sided_run_length(slack, decision, 1.0),
    )


def one_sided_run_length(slack: float, decision: float, shift: float = 0.0) -> float:
    """Mean number of days until a one-sided sum calls out, from zero, if each day's mean is `shift` deviations.

    The integral equation ``L(z) = 1 + L(0) P(k - z) + integral over 0..h of L(x) p(x + k - z) dx``, by a Gauss rule.
    """
    nodes, weights = np.polynomial.legendre.leggauss(_POINTS)
    points = np.append(0.0, (nodes + 1) * decision / 2)
    spread = np.append(0.0, weights * decision / 2)
    step = points[np.newaxis, :] + slack - points[:, np.newaxis] - shift
    kernel = np.exp(-(step**2) / 2) / np.sqrt(2 * np.pi) * spread
    kernel[:, 0] = ndtr(slack - points - shift)
    return float(np.linalg.solve(np.eye(len(points)) - kernel, np.ones(len(points)))[0])


def two_sided_run_length(slack: float, decision: float, shift: float = 0.0) -> float:
    """The same for both sides together: the rates of two one-sided sums add.

    Examples
    --------
    >>> round(two_sided_run_length(0.5, 5.0)), round(two_sided_run_length(0.5, 5.0, 1.0), 1)
    (465, 10.4)
    """
    rates = (1 / one_sided_run_length(slack, decision, way * shift) for way in (1, -1))
    return 1 / sum(rates)


def run_of_signs(values: Sequence[float], limits: Sequence[float], *, days: int = RUN_DAYS) -> RunOfSigns:
    """Three same-sign days beyond half the tolerance.

    Parameters
    ----------
    values : the days' amounts, each over its standard deviation; positive is a loss.
    limits : half of each day's tolerance, over the same standard deviation.
    """
    alarms = []
    length, side = 0, Side.LOSS
    for day, (value, limit) in enumerate(zip(values, limits, strict=True)):
        now = Side.LOSS if value > 0 else Side.GAIN
        length = 0 if abs(value) <= limit else length + 1 if now is side or not length else 1
        side = now
        if length >= days:
            alarms.append((day, side))
    chance = float(np.mean(ndtr(-np.asarray(limits)))) if len(limits) else 0.0
    return RunOfSigns(tuple(alarms), _run_of_signs_length(chance, days))


def run_of_signs_length(limit: float, days: int = RUN_DAYS) -> float:
    """Mean number of independent days until a false alarm, for half a tolerance of `limit` standard deviations.

    A run of n successes of probability p takes ``(1 - p^n) / (p^n (1 - p))`` days on average; the rates of the two
    signs add.

    Examples
    --------
    >>> round(run_of_signs_length(1.0)), round(run_of_signs_length(0.0), 2)
    (148, 7.0)
    """
    return _run_of_signs_length(float(ndtr(-limit)), days)


def _run_of_signs_length(chance: float, days: int) -> float:
    if not chance:
        return float("inf")
    one_side = (1 - chance**days) / (chance**days * (1 - chance))
    return one_side / 2
