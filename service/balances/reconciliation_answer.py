"""A reconciliation in words and decimal strings, for a terminal or a program.

Imports the solver; whoever answers something else as well imports this where the question is asked.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np

from service.balances.schemas_reconciliation import (
    ExplanationOut,
    GlobalTestOut,
    NodeTestOut,
    ReconciledStreamOut,
    ReconciliationOut,
    SuspectOut,
    SuspectTestOut,
)
from service.core.measured import Cause
from service.core.quantities import dry_kg_exact
from service.core.reconciliation import WHOLE_INVERSE_ROWS, Reconciliation
from service.core.suspect_kinds import Identifiability, StreamState, SuspectKind
from service.core.suspects import Explanation, Suspects

CORRECTION = "Sidak"
_NAMES_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Words:
    """How the things of a network are called.

    Parameters
    ----------
    stream, node, cause : a name as a person says it.
    relative_u : standard uncertainty of a shared cause as a fraction, where that is what it is.
    decimals : of kilograms. All nine are there for a table whose unit may be anything; a plant's masses are grams.
    """

    stream: Callable[[str], str] = "stream {}".format
    node: Callable[[str], str] = "node {}".format
    cause: Callable[[Cause], str] = lambda cause: f"{cause.kind} {cause.name}"
    relative_u: Mapping[Cause, float] = field(default_factory=dict)
    decimals: int = 9

    def kg(self, value: float | Decimal) -> str:
        """Kilograms in figures; no mass is stored from it."""
        return f"{value:.{self.decimals}f}" if isinstance(value, Decimal) else f"{value:.{min(self.decimals, 6)}f}"

    def kg_of(self, value_ug: int) -> str:
        """Kilograms of micrograms."""
        return self.kg(dry_kg_exact(value_ug))


def answer_of(
    result: Reconciliation, suspects: Suspects, words: Words, *, level: float, remarks: Sequence[str] = ()
) -> ReconciliationOut:
    """The answer to a question for reconciliation."""
    test = result.global_test(level)
    return ReconciliationOut(
        objective=figure(test.objective),
        degrees_of_freedom=test.degrees_of_freedom,
        global_test=GlobalTestOut(
            level=level, critical_value=figure(test.critical_value), p_value=figure(test.p_value), fails=test.fails
        ),
        verdict=verdict_of(result, suspects, level),
        suspects=[
            SuspectOut(
                rank=rank,
                statistic=figure(suspect.statistic),
                objective_left=figure(suspect.objective_left),
                p_left=figure(suspect.p_left),
                is_significant=suspect.is_significant,
                explanations=[_explanation_out(result, one, words) for one in suspect.explanations],
            )
            for rank, suspect in enumerate(suspects.ranked, start=1)
        ],
        suspect_test=SuspectTestOut(
            correction=CORRECTION,
            level=suspects.level,
            single_level=figure(suspects.single_level),
            directions=suspects.directions,
            critical_value=figure(suspects.critical_value),
            power=suspects.power,
        ),
        streams=_streams_out(result, words),
        nodes=_nodes_out(result, words),
        remarks=[*remarks, *_remarks(result, words)],
    )


def verdict_of(result: Reconciliation, suspects: Suspects, level: float) -> str:
    """One sentence: whether something is wrong, at which rate of false alarms."""
    test = result.global_test(level)
    if not test.degrees_of_freedom:
        return "Nothing is checked: no balance has all its streams measured, so no reading contradicts another."
    figures = (
        f"objective {test.objective:.2f} with {test.degrees_of_freedom} degrees of freedom, "
        f"critical value {test.critical_value:.2f}"
    )
    named = sum(suspect.is_significant for suspect in suspects.ranked)
    also = ""
    if named:
        also = (
            f" {named} of the suspects {'stands' if named == 1 else 'stand'} out; of {suspects.directions} errors "
            f"weighed, one is named in at most {100 * suspects.level:g} % of the cases when nothing is wrong."
        )
    if test.fails:
        return (
            f"Something is wrong, or a doubt was stated too small ({figures}); said by mistake in {100 * level:g} % of "
            f"the cases when nothing is wrong.{also}"
        )
    return f"The readings agree within their doubt ({figures}).{also}"


def _explanation_out(result: Reconciliation, explanation: Explanation, words: Words) -> ExplanationOut:
    hypothesis = explanation.hypothesis
    is_shared = hypothesis.kind is SuspectKind.SHARED
    relative = words.relative_u.get(hypothesis.cause) if hypothesis.cause is not None else None
    return ExplanationOut(
        kind=hypothesis.kind,
        stream=None if hypothesis.stream is None else result.network.names[hypothesis.stream],
        nodes=[result.network.nodes[node] for node in hypothesis.nodes],
        cause=None if hypothesis.cause is None else words.cause(hypothesis.cause),
        size_kg=None if is_shared else words.kg(explanation.size),
        size_in_u=figure(explanation.size) if is_shared else None,
        size_percent=None if relative is None else figure(100 * relative * explanation.size),
        u_kg=None if is_shared else words.kg(explanation.u),
        u_in_u=figure(explanation.u) if is_shared else None,
        smallest_visible_kg=None if is_shared else words.kg(explanation.smallest_visible),
        smallest_visible_in_u=figure(explanation.smallest_visible) if is_shared else None,
        identifiability=explanation.identifiability,
        sentence=sentence_of(result, explanation, words),
    )


def sentence_of(result: Reconciliation, explanation: Explanation, words: Words) -> str:
    """What would have to be so, and how small an error of this kind could have been seen."""
    hypothesis = explanation.hypothesis
    size, u, visible = (
        f"{abs(part):,.1f} kg" for part in (explanation.size, explanation.u, explanation.smallest_visible)
    )
    match hypothesis.kind:
        case SuspectKind.READING:
            sense = "too much" if explanation.size > 0 else "too little"
            name = words.stream(result.network.names[hypothesis.stream or 0])
            said = f"{name} shows {size} {sense} (u {u})"
        case SuspectKind.UNBOOKED:
            name = joined_names([words.node(result.network.nodes[node]) for node in hypothesis.nodes])
            sense = "left" if explanation.size > 0 else "entered"
            said = f"{size} {sense} {name} without being booked (u {u})"
        case SuspectKind.SHARED:
            assert hypothesis.cause is not None
            relative = words.relative_u.get(hypothesis.cause)
            unit, factor = ("times its stated doubt", 1.0) if relative is None else ("%", 100 * relative)
            visible = f"{factor * explanation.smallest_visible:.2f} {unit}"
            sense = "raises" if explanation.size > 0 else "lowers"
            most = largest_effect_kg(result, hypothesis.cause) * abs(explanation.size)
            said = (
                f"{words.cause(hypothesis.cause)} is off and {sense} what rests on it by "
                f"{factor * abs(explanation.size):.2f} {unit} (u {factor * explanation.u:.2f}), one stream by up to "
                f"{most:,.1f} kg"
            )
    if explanation.identifiability is Identifiability.NOT_IDENTIFIABLE:
        return f"{said}. Not identifiable: an error of this kind is seen only from {visible} on."
    return f"{said}. The smallest error of this kind that is seen: {visible}."


def largest_effect_kg(result: Reconciliation, cause: Cause) -> float:
    """What one standard uncertainty of a shared cause moves the stream that feels it most by, kilograms."""
    column = result.network.loadings_kg.tocsc()[:, [result.network.causes.index(cause)]]
    return float(np.abs(column.data).max(initial=0.0))


def joined_names(names: Sequence[str]) -> str:
    """Names in a row; long rows are cut, and say so."""
    shown = list(names[:_NAMES_SHOWN])
    more = len(names) - len(shown)
    return " + ".join(shown) + (f" + {more} more" if more > 0 else "")


def figure(value: float) -> float:
    """A statistic, without the last digits in which machines differ."""
    return round(value, 9) + 0.0


def _streams_out(result: Reconciliation, words: Words) -> list[ReconciledStreamOut]:
    network = result.network
    has_doubt = result.constraints.rows <= WHOLE_INVERSE_ROWS
    blank = np.full(len(network.names), math.nan)
    left, tests = (result.value_u_kg, result.measurement_test) if has_doubt else (blank, blank)
    prior = np.sqrt(network.total_variance_kg2)
    found = []
    for place, name in enumerate(network.names):
        is_measured, is_known = bool(network.is_measured[place]), bool(result.is_determined[place])
        state = (
            (StreamState.MEASURED if network.is_doubtful[place] else StreamState.EXACT)
            if is_measured
            else (StreamState.FOLLOWS if is_known else StreamState.UNDETERMINED)
        )
        value_ug, reconciled_ug = int(network.value_ug[place]), int(result.value_ug[place])
        found.append(
            ReconciledStreamOut(
                stream=name,
                from_node=None if network.tail[place] < 0 else network.nodes[network.tail[place]],
                to_node=None if network.head[place] < 0 else network.nodes[network.head[place]],
                state=state,
                value_kg=words.kg_of(value_ug) if is_measured else None,
                u_kg=words.kg(prior[place]) if is_measured else None,
                reconciled_kg=words.kg_of(reconciled_ug) if is_known else None,
                reconciled_u_kg=None if math.isnan(left[place]) else words.kg(left[place]),
                adjustment_kg=words.kg_of(reconciled_ug - value_ug) if is_measured else None,
                measurement_test=None if math.isnan(tests[place]) else figure(float(tests[place])),
            )
        )
    return found


def _nodes_out(result: Reconciliation, words: Words) -> list[NodeTestOut]:
    tests = result.nodal_test
    return [
        NodeTestOut(
            nodes=[result.network.nodes[node] for node in nodes],
            imbalance_kg=words.kg_of(int(residual)),
            u_kg=words.kg(result.imbalance_u_kg[row]),
            nodal_test=figure(float(tests[row])),
        )
        for row, (nodes, residual) in enumerate(
            zip(result.constraints.nodes_of_rows(), result.constraints.residual_ug.tolist(), strict=True)
        )
    ]


def _remarks(result: Reconciliation, words: Words) -> list[str]:
    """What the network lacks: streams nothing checks, masses nothing determines, nodes with one side only."""
    network, said = result.network, []
    open_streams = [
        words.stream(name) for name, known in zip(network.names, result.is_determined, strict=True) if not known
    ]
    if open_streams:
        said.append(
            f"No balance determines {joined_names(open_streams)}: they are unmeasured on a loop or a common way."
        )
    for row, nodes in enumerate(result.constraints.nodes_of_rows()):
        signs = result.constraints.matrix[[row]].data
        if (len(signs) and (signs > 0).all()) or (signs < 0).all():
            side = "leaves" if (signs > 0).all() else "enters"
            said.append(
                f"Nothing {side} {joined_names([words.node(network.nodes[n]) for n in nodes])}: a stream is missing."
            )
    if result.constraints.rows > WHOLE_INVERSE_ROWS:
        said.append(
            f"With {result.constraints.rows:,} balances the doubt of each reconciled mass is left out; ask for a part."
        )
    return said
