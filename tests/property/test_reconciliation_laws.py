"""Goal: reconciled masses, their doubt, the tests and the suspects are right in any network.

Method: random networks with loops, unmeasured, exact and correlated streams. The oracle shares no line with the code
under test: it forms the dense covariance and incidence, projects the unmeasured streams out of the balances through
an orthogonal basis of their null space, and solves with the pseudo-inverse. Laws on top: order of streams does not
matter, and all masses and doubts times ten give ten times the results.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.linalg import null_space
from scipy.stats import chi2

from service.core.measured import Cause, CauseKind, Measured
from service.core.reconciliation import Reconciliation, reconcile
from service.core.stream_network import Stream, Unreconcilable, network_of
from service.core.suspect_kinds import SuspectKind
from service.core.suspects import suspects_of

KG = 10**9
SCALES = tuple(Cause(CauseKind.SPAN, name) for name in ("bridge", "platform"))


@st.composite
def networks(draw: st.DrawFn) -> list[Stream]:
    nodes = [None, *"abcdef"[: draw(st.integers(1, 6))]]
    seed = np.random.default_rng(draw(st.integers(0, 2**32)))
    streams = []
    for number in range(draw(st.integers(1, 14))):
        tail, head = seed.choice(len(nodes), 2, replace=False)
        parts = {Cause(CauseKind.READING, str(number)): seed.uniform(0.5, 3) * KG}
        for scale in SCALES:
            if seed.random() < 0.3:
                parts[scale] = seed.uniform(-2, 2) * KG
        kind = seed.choice(["read", "read", "read", "exact", "none"])
        value = int(seed.uniform(50, 150) * KG)
        quantity = {"read": Measured(value, parts), "exact": Measured(100 * KG), "none": None}[str(kind)]
        streams.append(Stream(str(number), nodes[tail], nodes[head], quantity))
    return streams


class Oracle:
    """Dense: y, V, and the balances with the unmeasured streams projected out."""

    def __init__(self, streams: list[Stream]) -> None:
        nodes = sorted({node for stream in streams for node in (stream.from_node, stream.to_node) if node})
        whole = np.zeros((len(nodes), len(streams)))
        for column, stream in enumerate(streams):
            if stream.from_node:
                whole[nodes.index(stream.from_node), column] -= 1
            if stream.to_node:
                whole[nodes.index(stream.to_node), column] += 1
        self.whole, self.nodes = whole, nodes
        read = [stream.quantity for stream in streams]
        self.known = np.array([quantity is not None for quantity in read])
        self.y = np.array([quantity.value_ug / KG if quantity else 0.0 for quantity in read])
        causes = sorted({cause for quantity in read if quantity for cause in quantity.parts}, key=str)
        root = np.array([[quantity.parts.get(c, 0.0) / KG if quantity else 0.0 for c in causes] for quantity in read])
        self.V = root @ root.T if causes else np.zeros((len(streams), len(streams)))
        projection = null_space(whole[:, ~self.known].T).T if (~self.known).any() else np.eye(len(nodes))
        self.A = projection @ np.where(self.known, whole, 0.0)
        self.S = self.A @ self.V @ self.A.T
        self.r = self.A @ self.y
        # The doubts are kilograms: an eigenvalue far below a square gram is rounding.
        size, axes = np.linalg.eigh(self.S)
        is_real = size > 1e-9
        self.inverse = (axes[:, is_real] / size[is_real]) @ axes[:, is_real].T
        self.x = self.y - self.V @ self.A.T @ self.inverse @ self.r
        self.objective = float(self.r @ self.inverse @ self.r)
        self.rank = int(is_real.sum())
        self.contradicts = bool(np.abs(self.A @ self.x).max(initial=0) > 1e-6)

    def unmeasured(self) -> np.ndarray:
        """Values of unmeasured streams; NaN where several fit."""
        columns = self.whole[:, ~self.known]
        left = -self.whole[:, self.known] @ self.x[self.known]
        found = np.linalg.lstsq(columns, left, rcond=None)[0]
        free = np.abs(null_space(columns)).max(axis=1, initial=0.0) if columns.size else np.zeros(columns.shape[1])
        return np.where(free > 1e-9, np.nan, found)


@settings(max_examples=150, deadline=None)
@given(networks())
def test_any_network_agrees_with_the_dense_pseudo_inverse(streams: list[Stream]) -> None:
    oracle = Oracle(streams)
    try:
        result = reconcile(network_of(streams))
    except Unreconcilable:
        # Exact values that contradict each other are refused, and nothing else here is.
        assert oracle.contradicts
        return
    assert not oracle.contradicts
    assert result.degrees_of_freedom == oracle.rank
    assert result.objective == pytest.approx(oracle.objective, rel=1e-6, abs=1e-9)
    expected = oracle.x.copy()
    expected[~oracle.known] = oracle.unmeasured()
    assert result.is_determined.tolist() == (~np.isnan(expected)).tolist()
    settled = result.is_determined
    assert result.value_ug[settled] / KG == pytest.approx(expected[settled], abs=1e-6)
    moved = oracle.V @ oracle.A.T @ oracle.inverse @ oracle.A @ oracle.V
    assert result.adjustment_u_kg == pytest.approx(np.sqrt(np.maximum(np.diag(moved), 0)), abs=1e-5)
    left = np.sqrt(np.maximum(np.diag(oracle.V - moved), 0))
    assert result.value_u_kg[oracle.known] == pytest.approx(left[oracle.known], abs=1e-5)
    test = result.global_test()
    if test.degrees_of_freedom:
        assert test.critical_value == pytest.approx(chi2.ppf(0.95, oracle.rank))
        assert test.p_value == pytest.approx(chi2.sf(result.objective, oracle.rank), rel=1e-6, abs=1e-12)
    _suspects_agree(streams, oracle, result)


def _suspects_agree(streams: list[Stream], oracle: Oracle, result: Reconciliation) -> None:
    """Granting an error by one more free parameter must lower the objective by just what the suspect says."""
    found = suspects_of(result, most=50)
    for suspect in found.ranked:
        for explanation in suspect.explanations:
            hypothesis = explanation.hypothesis
            if hypothesis.kind is SuspectKind.READING:
                mark = oracle.A[:, hypothesis.stream]
            elif hypothesis.kind is SuspectKind.UNBOOKED:
                # What leaves the first of the merged nodes unbooked; as an extra column of the incidence.
                nodes = [result.network.nodes[node] for node in hypothesis.nodes]
                column = np.zeros(len(oracle.nodes))
                column[oracle.nodes.index(nodes[0])] = 1.0
                mark = _projected(oracle, column)
            else:
                assert hypothesis.cause is not None
                loads = [
                    stream.quantity.parts.get(hypothesis.cause, 0.0) / KG if stream.quantity else 0.0
                    for stream in streams
                ]
                mark = oracle.A @ np.array(loads)
            weight = mark @ oracle.inverse @ mark
            size = mark @ oracle.inverse @ oracle.r / weight
            assert explanation.size == pytest.approx(size, rel=1e-4, abs=1e-5)
            assert explanation.u == pytest.approx(weight**-0.5, rel=1e-4)
            free = oracle.r - size * mark
            assert suspect.objective_left == pytest.approx(free @ oracle.inverse @ free, rel=1e-4, abs=1e-5)


def _projected(oracle: Oracle, column: np.ndarray) -> np.ndarray:
    if not (~oracle.known).any():
        return column
    projected: np.ndarray = null_space(oracle.whole[:, ~oracle.known].T).T @ column
    return projected


@settings(max_examples=40, deadline=None)
@given(networks(), st.randoms(use_true_random=False))
def test_order_and_unit_do_not_matter(streams: list[Stream], chance: object) -> None:
    try:
        first = reconcile(network_of(streams))
    except Unreconcilable:
        assume(False)
    shuffled = list(streams)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    tenfold = [
        replace(
            stream,
            quantity=stream.quantity
            and Measured(
                10 * stream.quantity.value_ug, {cause: 10 * u_ug for cause, u_ug in stream.quantity.parts.items()}
            ),
        )
        for stream in shuffled
    ]
    again = reconcile(network_of(tenfold))
    assert again.objective == pytest.approx(first.objective, rel=1e-6, abs=1e-9)
    value = dict(zip(again.network.names, again.value_ug.tolist(), strict=True))
    for name, value_ug in zip(first.network.names, first.value_ug.tolist(), strict=True):
        assert value[name] == pytest.approx(10 * value_ug, abs=2_000)


@settings(max_examples=40, deadline=None)
@given(networks())
def test_gradients_find_what_the_factor_finds(streams: list[Stream]) -> None:
    try:
        factor = reconcile(network_of(streams))
    except Unreconcilable:
        assume(False)
    gradients = reconcile(network_of(streams), force_gradients=True)
    assert gradients.objective == pytest.approx(factor.objective, rel=1e-6, abs=1e-9)
    assert gradients.value_ug / KG == pytest.approx(factor.value_ug / KG, abs=1e-6)
