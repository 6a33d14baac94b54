"""Goal: one error is found where it is, called what it is, and where readings cannot tell the answer says so.

Method: small networks written out by hand, errors put in by hand, and simulation for every stated rate. Agreement with
an independent solver on random networks is in tests/property/test_reconciliation_laws.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse

from service.core import reconciliation, suspects
from service.core.balance_solver import fills_up
from service.core.error_directions import Hypothesis
from service.core.measured import Cause, CauseKind, Measured
from service.core.node_constraints import ExactContradiction, SingularCovariance
from service.core.reconciliation import Reconciliation, TooLarge, reconcile
from service.core.stream_network import NoNetwork, Stream, network_of
from service.core.suspect_kinds import Identifiability, SuspectKind
from service.core.suspects import suspects_of

KG = 10**9
SCALE = Cause(CauseKind.SPAN, "weighbridge")


def stream(name: str, ends: str, kg: float | None, u_kg: float = 0.0, **shared: float) -> Stream:
    """`ends` as 'a>b'; nothing on a side is the world outside."""
    tail, head = (end or None for end in ends.split(">"))
    if kg is None:
        return Stream(name, tail, head, None)
    parts = {Cause(CauseKind.READING, name): u_kg * KG} if u_kg else {}
    parts |= {Cause(CauseKind.SPAN, cause): u * KG for cause, u in shared.items()}
    return Stream(name, tail, head, Measured(round(kg * KG), parts))


def solved(*streams: Stream) -> Reconciliation:
    return reconcile(network_of(streams))


def first_words(result: Reconciliation) -> list[tuple[SuspectKind, object]]:
    """The explanations of the first suspect: kind and name."""
    network = result.network
    return [
        (
            one.hypothesis.kind,
            one.hypothesis.cause.name
            if one.hypothesis.cause
            else network.names[one.hypothesis.stream]
            if one.hypothesis.stream is not None
            else [network.nodes[node] for node in one.hypothesis.nodes],
        )
        for one in suspects_of(result).ranked[0].explanations
    ]


LINE = ("wash", "silo", "extruder", "reactor")


def line_of(**changed: float) -> list[Stream]:
    """Four steps in a row, 1000 kg through, 1 kg of doubt each, a by-product of 50 kg at each step."""
    flow, streams = 1000.0, [stream("in", ">wash", 1000.0 + changed.get("in_", 0.0), 1.0)]
    for step, following in zip(LINE, (*LINE[1:], ""), strict=True):
        flow -= 50
        streams.append(stream(f"waste of {step}", f"{step}>", 50 + changed.get(f"waste_{step}", 0.0), 1.0))
        streams.append(stream(f"from {step}", f"{step}>{following}", flow + changed.get(step, 0.0), 1.0))
    return streams


def test_one_reading_explains_two_opposite_failures() -> None:
    result = solved(*line_of(silo=40.0))
    tests = dict(zip(LINE, result.nodal_test, strict=True))
    assert tests["silo"] < -10
    assert tests["extruder"] > 10
    suspect = suspects_of(result).ranked[0]
    assert first_words(result) == [(SuspectKind.READING, "from silo")]
    assert suspect.explanations[0].size == pytest.approx(40, abs=0.1)
    assert suspect.objective_left == pytest.approx(0, abs=1e-6)
    assert suspect.is_significant
    assert suspects_of(result).ranked[1].statistic < suspect.statistic / 1.5


def test_an_unbooked_container_is_named_with_all_that_cannot_be_told_from_it() -> None:
    result = solved(*line_of(waste_extruder=-30.0))
    assert first_words(result) == [(SuspectKind.READING, "waste of extruder"), (SuspectKind.UNBOOKED, ["extruder"])]
    waste, unbooked = suspects_of(result).ranked[0].explanations
    assert [waste.size, unbooked.size] == pytest.approx([-30, 30], abs=0.1)
    assert waste.u == pytest.approx(unbooked.u)


def two_readings_a_truck(trucks: int, *, span_off: float, note_u: float = 40, bridge_u: float = 30) -> Reconciliation:
    """Supplier's note against our weighbridge, truck by truck; the bridge's span error is known to 0.1 %."""
    chance = np.random.default_rng(1)
    streams = []
    for number in range(trucks):
        kg = chance.uniform(18_000, 25_000)
        note, ours = kg + chance.normal(0, note_u), kg * (1 + span_off) + chance.normal(0, bridge_u)
        streams.append(stream(f"note {number}", f">gate {number}", note, note_u))
        streams.append(stream(f"bridge {number}", f"gate {number}>", ours, bridge_u, weighbridge=kg * 0.001))
    return solved(*streams)


def test_a_scale_that_reads_too_high_is_named_with_its_size() -> None:
    result = two_readings_a_truck(30, span_off=0.004)
    assert first_words(result) == [(SuspectKind.SHARED, "weighbridge")]
    explanation = suspects_of(result).ranked[0].explanations[0]
    assert explanation.size * 0.001 == pytest.approx(0.004, abs=3 * explanation.u * 0.001)
    assert explanation.u * 0.001 < 0.0012  # its own 0.1 % dominates: thirty trucks average the rest away


def test_a_mark_that_a_shared_doubt_covers_is_not_called_wrong() -> None:
    """21 kg on every truck, which readings of 8 and 6 kg would not explain."""
    result = two_readings_a_truck(30, span_off=0.001, note_u=8, bridge_u=6)
    assert not result.global_test().fails
    assert not suspects_of(result).ranked[0].is_significant


def test_false_alarms_are_as_rare_as_stated() -> None:
    """Shared causes, a loop and an unmeasured stream; nothing wrong but the stated doubt."""
    chance = np.random.default_rng(9)
    level, rounds, failed, named = 0.1, 800, 0, 0
    for _ in range(rounds):
        span = chance.normal()
        e = chance.normal(size=6)
        result = solved(
            stream("in", ">a", 100 + e[0] + 0.5 * span, 1, scale=0.5),
            stream("a-b", "a>b", 60 + e[1], 1),
            stream("a-c", "a>c", 40 + e[2], 1),
            stream("b-c", "b>c", 10 + 2 * e[3], 2),
            stream("b out", "b>", 50 + e[4] + 0.25 * span, 1, scale=0.25),
            stream("c-d", "c>d", None),
            stream("d out", "d>", 50 + e[5], 1),
        )
        failed += result.global_test(level).fails
        named += suspects_of(result, level=level).ranked[0].is_significant
    scatter = 3 * (level * (1 - level) / rounds) ** 0.5
    assert failed / rounds == pytest.approx(level, abs=scatter)
    assert named / rounds <= level + scatter
    assert named > 0


def test_results_scatter_as_their_doubt_says() -> None:
    """Monte Carlo: the deviation of 1200 reconciled networks against the stated one, followed streams included."""
    chance = np.random.default_rng(10)
    found = []
    for _ in range(1200):
        span, e = chance.normal(), chance.normal(size=4)
        result = solved(
            stream("in", ">a", 100 + e[0] + 2 * span, 1, scale=2.0),
            stream("out", "a>", 70 + 2 * e[1] - 1 * span, 2, scale=-1.0),
            stream("rest", "a>b", 30 + 3 * e[2], 3),
            stream("b out", "b>", 25 + e[3], 1),
            stream("b dust", "b>", None),
        )
        found.append(result.value_ug / KG)
    scatter = np.std(found, axis=0)
    assert scatter == pytest.approx(result.value_u_kg, rel=0.08)
    assert np.mean(found, axis=0) == pytest.approx([100, 70, 30, 25, 5], abs=0.3)


def test_the_smallest_visible_error_is_seen_with_the_stated_power() -> None:
    chance = np.random.default_rng(11)
    visible = suspects_of(solved(*line_of())).ranked
    hypothesis = Hypothesis(SuspectKind.UNBOOKED, nodes=(1,))
    smallest = next(
        one for each in visible for one in each.explanations if one.hypothesis == hypothesis
    ).smallest_visible
    seen = 0
    for _ in range(400):
        noisy = [
            Stream(
                each.name,
                each.from_node,
                each.to_node,
                Measured(each.quantity.value_ug + round(chance.normal() * KG), each.quantity.parts),  # type: ignore[union-attr]
            )
            for each in line_of(waste_silo=-smallest)
        ]
        ranked = suspects_of(solved(*noisy), most=50)
        seen += next(
            each.is_significant for each in ranked.ranked for one in each.explanations if one.hypothesis == hypothesis
        )
    assert seen / 400 == pytest.approx(0.9, abs=0.045)


def test_without_redundancy_nothing_is_identified() -> None:
    """An estimate of half its size at the only balance: a container of a tonne would not be seen."""
    result = solved(
        stream("in", ">wash", 20_000, 20), stream("flake", "wash>", 15_000, 20), stream("mud", "wash>", 5_000, 900)
    )
    unbooked = Hypothesis(SuspectKind.UNBOOKED, nodes=(0,))
    found = suspects_of(result, plausible={unbooked: 1_500.0}).ranked[0].explanations
    explanation = next(one for one in found if one.hypothesis == unbooked)
    assert explanation.identifiability is Identifiability.NOT_IDENTIFIABLE
    assert explanation.smallest_visible > 2_900
    larger = suspects_of(result, plausible={unbooked: 4_000.0}).ranked[0].explanations
    assert next(one for one in larger if one.hypothesis == unbooked).identifiability is Identifiability.VISIBLE


def test_a_reading_nothing_checks_is_said_to_be_unchecked() -> None:
    result = solved(
        stream("in", ">a", 10, 1), stream("out", "a>", None), stream("other", ">b", 10, 1), stream("o", "b>", 9, 1)
    )
    assert [result.network.names[one.stream or 0] for one in suspects_of(result).unchecked] == ["in"]
    assert result.degrees_of_freedom == 1
    assert result.value_ug.tolist()[:2] == [10 * KG, 10 * KG]


def test_a_network_without_any_check_says_so() -> None:
    result = solved(
        stream("in", ">a", 10, 1), stream("x", "a>b", None), stream("y", "a>b", None), stream("out", "b>", None)
    )
    test = result.global_test()
    assert (test.degrees_of_freedom, test.objective, test.fails) == (0, 0.0, False)
    assert result.is_determined.tolist() == [True, False, False, True]
    assert suspects_of(result).ranked == ()


def test_exact_streams_are_held_and_redundant_exact_balances_dropped() -> None:
    result = solved(
        stream("in", ">a", 100),
        stream("a-b", "a>b", 60),
        stream("a-c", "a>c", 40),
        stream("b out", "b>", 62, 2),
        stream("c out", "c>", 39, 1),
    )
    assert result.value_ug.tolist() == [100 * KG, 60 * KG, 40 * KG, 60 * KG, 40 * KG]
    assert result.degrees_of_freedom == 2
    assert result.objective == pytest.approx(1 + 1)


def test_exact_values_that_contradict_each_other_are_named() -> None:
    with pytest.raises(ExactContradiction, match=r"around node a .*\(in, a-b, a-c\) and 5\.000 kg stay inside"):
        solved(stream("in", ">a", 105), stream("a-b", "a>b", 60), stream("a-c", "a>c", 40), stream("o", "b>", 60, 1))


def test_a_closed_network_balances_by_itself() -> None:
    """No stream to the world outside: the balances add up to nothing whatever is read, so one of them is redundant."""
    result = solved(stream("there", "a>b", 10, 1), stream("back", "b>a", 12, 1))
    assert result.degrees_of_freedom == 1
    assert result.value_ug.tolist() == [11 * KG, 11 * KG]
    assert all(
        one.hypothesis.kind is SuspectKind.READING for each in suspects_of(result).ranked for one in each.explanations
    )


def test_doubt_that_is_shared_only_is_solved_where_it_suffices_and_refused_where_not() -> None:
    def shared(name: str, ends: str, kg: float) -> Stream:
        return stream(name, ends, kg, 0.0, scale=kg * 0.01)

    result = solved(
        shared("a", ">x", 100.0), stream("b", "x>", 101.0), shared("c", ">y", 50.0), stream("d", "y>", 50.5, 1)
    )
    assert result.value_ug.tolist() == [101 * KG, 101 * KG, round(50.5 * KG), round(50.5 * KG)]
    with pytest.raises(SingularCovariance, match="only through causes they share"):
        solved(shared("a", ">x", 100.0), stream("b", "x>", 101.0), shared("c", ">y", 50.0), stream("d", "y>", 50.4))


@pytest.mark.parametrize(
    ("streams", "words"),
    [
        ([], "no streams"),
        ([stream("a", ">x", 1), stream("a", "x>", 1)], "two streams are called 'a'"),
        ([stream("a", "x>x", 1)], "from node 'x' to itself"),
        ([stream("a", ">", 1)], "from outside to outside"),
        ([stream("a", ">x", 1, float("nan"))], "is no number"),
        ([stream("a", ">x", 4e9), stream("b", ">x", 4e9)], "check the unit"),
    ],
)
def test_what_is_no_network_is_refused(streams: list[Stream], words: str) -> None:
    with pytest.raises(NoNetwork, match=words):
        network_of(streams)


def test_a_large_network_ranks_the_same_suspects_as_a_small_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """The search by bounds against the whole inverse, on one network."""
    result = two_readings_a_truck(40, span_off=0.004)
    whole = suspects_of(result, most=5).ranked
    monkeypatch.setattr(suspects, "WHOLE_INVERSE_ROWS", 10)
    monkeypatch.setattr(reconciliation, "WHOLE_INVERSE_ROWS", 10)
    result.__dict__.pop("inverse", None)
    searched = suspects_of(result, most=5).ranked
    assert [one.explanations[0].hypothesis for one in searched] == [one.explanations[0].hypothesis for one in whole]
    assert [one.statistic for one in searched] == pytest.approx([one.statistic for one in whole])
    with pytest.raises(TooLarge):
        _ = result.value_u_kg


def test_only_a_network_without_shape_is_left_to_gradients() -> None:
    size = 12_000
    along = np.arange(size - 1)
    line = sparse.coo_array((np.ones(size - 1), (along, along + 1)), shape=(size, size)).tocsr()
    assert not fills_up((line + line.T + sparse.eye_array(size)).tocsr())
    chance = np.random.default_rng(3)
    ends = chance.integers(0, size, (2, 3 * size))
    tangle = sparse.coo_array((np.ones(3 * size), tuple(ends)), shape=(size, size)).tocsr()
    assert fills_up((tangle + tangle.T + sparse.eye_array(size)).tocsr())
