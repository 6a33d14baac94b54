"""Goal: false alarms of the rules against drift are as rare as the answers say.

Method: average run lengths of two-sided cumulative sums against a published table, then by simulation, of the sums and
of the rule of three like signs; days that share an inventory are simulated too, once taken as they stand and once
parted.

Sources: Lucas and Crosier (1982), Technometrics 24, Table 1, two-sided, k 0.5 and h 4, no head start, as quoted in the
examples of the R package spc (seen); h 5: Montgomery, Introduction to Statistical Quality Control, table of average run
lengths, the same numbers as NIST/SEMATECH e-Handbook 6.3.2.3 prints them in part (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from service.core.drift import (
    NoDoubtStated,
    Side,
    cumulative_sum,
    independent,
    run_of_signs,
    run_of_signs_length,
    standardised,
    two_sided_run_length,
)
from service.core.measured import Cause, CauseKind, Measured

SHIFTS = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0]
H4 = ["168", "74.2", "26.6", "13.3", "8.38", "4.75", "3.34", "2.62", "2.19", "1.71"]
H5 = ["465", "139", "38.0", "17.0", "10.4", "5.75", "4.01", "3.11", "2.57", "2.01"]
KG = 10**9


@pytest.mark.parametrize(
    ("decision", "shift", "printed"),
    [*((4.0, *row) for row in zip(SHIFTS, H4, strict=True)), *((5.0, *row) for row in zip(SHIFTS, H5, strict=True))],
)
def test_run_lengths_are_those_of_the_table(decision: float, shift: float, printed: str) -> None:
    half_a_digit = 0.5 * 10.0 ** -len(printed.partition(".")[2])
    assert two_sided_run_length(0.5, decision, shift) == pytest.approx(float(printed), abs=1.01 * half_a_digit)


def simulated_sums(values: np.ndarray, slack: float, decision: float) -> float:
    """Mean number of days until either sum of many parallel histories first calls out."""
    loss, gain = np.zeros(len(values)), np.zeros(len(values))
    day = np.zeros(len(values))
    for column in range(values.shape[1]):
        loss = np.maximum(0, loss + values[:, column] - slack)
        gain = np.maximum(0, gain - values[:, column] - slack)
        day[(day == 0) & (np.maximum(loss, gain) > decision)] = column + 1
    assert (day > 0).all()
    return float(day.mean())


@pytest.mark.parametrize(("decision", "shift", "days"), [(4.0, 0.0, 2500), (5.0, 1.0, 200)])
def test_run_lengths_are_those_of_a_simulation(decision: float, shift: float, days: int) -> None:
    chance = np.random.default_rng(5)
    found = simulated_sums(chance.normal(shift, 1, (4000, days)), 0.5, decision)
    # A run length scatters about as much as it is long: 4 standard deviations of the mean of 4000.
    assert found == pytest.approx(two_sided_run_length(0.5, decision, shift), rel=4 / 4000**0.5)


@pytest.mark.parametrize("limit", [0.5, 1.0])
def test_three_like_signs_raise_false_alarms_as_rarely_as_stated(limit: float) -> None:
    chance = np.random.default_rng(6)
    firsts = []
    for _ in range(1500):
        values = chance.normal(0, 1, 3000 if limit == 1.0 else 600)
        firsts.append(run_of_signs(values.tolist(), [limit] * len(values)).alarms[0][0] + 1)
    assert np.mean(firsts) == pytest.approx(run_of_signs_length(limit), rel=4 / 1500**0.5)


def days_sharing_inventories(chance: np.random.Generator, days: int, drift_kg: float = 0.0) -> list[Measured]:
    """Daily amounts whose readings err by 60 kg a day, and by 120 kg at each night's level, closing and opening."""
    levels = [Cause(CauseKind.LEVEL, str(day)) for day in range(days + 1)]
    nights = chance.normal(0, 120, days + 1)
    nights[0] = 0.0  # begun from an empty silo
    return [
        Measured(
            round((drift_kg + chance.normal(0, 60) + nights[day] - nights[day + 1]) * KG),
            {
                Cause(CauseKind.READING, str(day)): 60.0 * KG,
                levels[day + 1]: -120.0 * KG,
                **({levels[day]: 120.0 * KG} if day else {}),
            },
        )
        for day in range(days)
    ]


def test_parted_days_are_independent_and_of_unit_doubt() -> None:
    chance = np.random.default_rng(7)
    parted = np.array([independent(days_sharing_inventories(chance, 12)) for _ in range(4000)])
    assert np.cov(parted.T) == pytest.approx(np.eye(12), abs=0.09)
    plain = np.array([standardised(days_sharing_inventories(chance, 12)) for _ in range(1000)])
    assert np.corrcoef(plain[:, 5], plain[:, 6])[0, 1] < -0.3


def test_a_drift_hidden_by_inventories_is_seen_once_they_are_parted() -> None:
    """60 kg a day beside nightly levels of 120 kg: each day alone looks like nothing, and so does the plain sum."""
    chance = np.random.default_rng(8)
    seen_parted = seen_plain = 0
    for _ in range(100):
        amounts = days_sharing_inventories(chance, 30, drift_kg=60.0)
        seen_parted += bool(cumulative_sum(independent(amounts)).alarms)
        seen_plain += bool(cumulative_sum(standardised(amounts)).alarms)
    assert seen_parted >= 95
    assert seen_plain <= 60


def test_an_alarm_names_day_and_side_and_the_answer_its_parameters() -> None:
    gain = cumulative_sum([-2.0] * 5, slack=0.5, decision=5.0)
    assert gain.alarms == ((3, Side.GAIN),)
    assert gain.gain[:4] == (1.5, 3.0, 4.5, 6.0)
    assert (gain.slack, gain.decision, round(gain.run_length), round(gain.run_length_at_one, 1)) == (0.5, 5, 465, 10.4)
    signs = run_of_signs([2.0, 2.0, -2.0, -2.0, -2.0, -2.0, 0.1, 2.0], [1.0] * 8)
    assert signs.alarms == ((4, Side.GAIN), (5, Side.GAIN))


def test_what_has_no_doubt_cannot_be_watched() -> None:
    day = Measured(KG, {Cause(CauseKind.READING, "1"): 1.0 * KG})
    for amounts in ([Measured(KG)], [day, day]):
        with pytest.raises(NoDoubtStated):
            independent(amounts)
    with pytest.raises(NoDoubtStated):
        standardised([day, Measured(KG)])
