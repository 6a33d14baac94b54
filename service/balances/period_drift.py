"""Whether what is unexplained of a step drifts: small amounts on one side that no single day gives away.

Imports the statistics, which take half a second to load: whoever asks imports this where the question is asked.
"""

from collections.abc import Mapping, Sequence

from service.balances.schemas_period import DriftAlarmOut, DriftOut
from service.core.drift import CumulativeSum, NoDoubtStated, cumulative_sum, independent
from service.core.measured import Measured

LEAST = 2  # of one amount nothing can be told that its own balance does not say


def drift_of(step: str, amounts: Mapping[str, Measured]) -> DriftOut | None:
    """The cumulative sums of a step's unexplained amounts, with what a false alarm costs; None where none can be made.

    Parameters
    ----------
    amounts : by part of the period, in order of time. What they share (one scale, one moisture) is taken out of each
        before it is added, so that the stated run lengths hold: a span that is off all month as far as its certificate
        allows is no drift.
    """
    if len(amounts) < LEAST:
        return None
    try:
        values = independent(list(amounts.values()))
    except NoDoubtStated:
        return None
    return _answer(step, list(amounts), cumulative_sum(values))


def _answer(step: str, labels: Sequence[str], found: CumulativeSum) -> DriftOut:
    return DriftOut(
        step=step,
        parts=list(labels),
        loss=[_places(one) for one in found.loss],
        gain=[_places(one) for one in found.gain],
        slack=_places(found.slack),
        decision=_places(found.decision),
        run_length=f"{found.run_length:.0f}",
        run_length_at_one=f"{found.run_length_at_one:.1f}",
        alarms=[DriftAlarmOut(part=labels[place], side=side.value) for place, side in found.alarms],
    )


def _places(figure: float) -> str:
    return f"{figure:.2f}"
