"""Goal: reconciliation gives what published examples give.

Method: the two data sets of one network of six streams and four nodes (F1 = F2 + F3, F2 = F4, F3 = F5, F4 + F5 = F6).
Example 1: measurements, variances and expected values as printed in a public unit test of a reconciliation library, the
book behind it not identified. Example 2: Narasimhan and Jordache, Data Reconciliation and Gross Error Detection (2000),
chapter 1, data and answer from memory. Objective, tests and posterior deviations of example 1 were computed apart from
this code, before it was written, in plain dense algebra; critical values are those of scipy's distributions.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from service.core.measured import Cause, CauseKind, Measured
from service.core.reconciliation import Reconciliation, reconcile
from service.core.stream_network import Stream, network_of
from service.core.suspect_kinds import SuspectKind
from service.core.suspects import suspects_of

ENDS = [(None, "A"), ("A", "B"), ("A", "C"), ("B", "D"), ("C", "D"), ("D", None)]
KG = 10**9


def six_streams(kg: list[float], variances: list[float]) -> Reconciliation:
    return reconcile(
        network_of(
            Stream(
                f"F{number}",
                *ends,
                Measured(round(value * KG), {Cause(CauseKind.READING, f"F{number}"): np.sqrt(variance) * KG}),
            )
            for number, (ends, value, variance) in enumerate(zip(ENDS, kg, variances, strict=True), start=1)
        )
    )


@pytest.fixture(scope="module")
def first() -> Reconciliation:
    return six_streams([110.5, 60.8, 35.0, 68.9, 38.6, 101.4], [0.6724, 0.2809, 0.2116, 0.5041, 0.2025, 1.44])


def test_example_one_is_reconciled_as_printed(first: Reconciliation) -> None:
    printed = [103.24010824868768, 65.41556048765828, 37.82454776102939]
    expected = [printed[place] for place in (0, 1, 2, 1, 2, 0)]
    assert first.value_ug / KG == pytest.approx(expected, abs=1e-8)  # results are whole micrograms
    balances = [(0, [1, 2]), (1, [3]), (2, [4]), (5, [3, 4])]
    for whole, parts in balances:
        assert first.value_ug[whole] == pytest.approx(sum(first.value_ug[parts]), abs=2)


def test_example_one_reconciles_yet_must_alarm(first: Reconciliation) -> None:
    test = first.global_test(0.05)
    assert (round(test.objective, 2), test.degrees_of_freedom, round(test.critical_value, 3)) == (221.33, 4, 9.488)
    assert test.fails
    assert test.p_value == pytest.approx(chi2.sf(test.objective, 4), rel=1e-9)
    assert first.nodal_test.round(2).tolist() == [13.62, -9.14, -5.59, 4.16]
    # Printed as measured minus reconciled; ours is the adjustment, with the other sign.
    assert (-first.measurement_test).round(2).tolist() == [10.30, -12.15, -8.07, 5.75, 2.30, -1.64]
    assert first.value_u_kg.round(4).tolist() == [0.4187, 0.3695, 0.2984, 0.3695, 0.2984, 0.4187]


def test_example_two_is_reconciled_exactly_and_accepted() -> None:
    result = six_streams([101.91, 64.45, 34.65, 64.20, 36.44, 98.88], [1.0] * 6)
    assert result.value_ug.tolist() == [round(kg * KG) for kg in (100.22, 64.50, 35.72, 64.50, 35.72, 100.22)]
    test = result.global_test(0.05)
    assert round(test.objective, 4) == 6.4075
    assert test.critical_value == pytest.approx(chi2.ppf(0.95, 4))
    assert not test.fails
    assert not any(suspect.is_significant for suspect in suspects_of(result).ranked)


def test_a_reading_is_the_suspect_the_measurement_test_names(first: Reconciliation) -> None:
    """With independent readings the likelihood ratio of one reading is the square of its measurement test."""
    for suspect in suspects_of(first).ranked:
        readings = [one for one in suspect.explanations if one.hypothesis.kind is SuspectKind.READING]
        for reading in readings:
            assert suspect.statistic == pytest.approx(first.measurement_test[reading.hypothesis.stream] ** 2)
