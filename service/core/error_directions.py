"""The marks that single errors leave on the imbalances of a network, those that leave the same mark together."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from service.core.measured import Cause
from service.core.reconciliation import Reconciliation
from service.core.stream_network import OUTSIDE, Floats, Integers
from service.core.suspect_kinds import SuspectKind

# Two marks are the same if they agree to this many digits.
_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One error.

    Parameters
    ----------
    stream : number of the stream, of a reading.
    nodes : numbers of the nodes that are balanced together, of something unbooked.
    cause : what is shared.
    """

    kind: SuspectKind
    stream: int | None = None
    nodes: tuple[int, ...] = ()
    cause: Cause | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Direction:
    """A mark, and every error that leaves it.

    Parameters
    ----------
    rows, values : the mark f, as its entries that are not zero.
    members : each error with the factor by which its mark per unit of error exceeds f.
    """

    rows: Integers
    values: Floats
    members: tuple[tuple[Hypothesis, float], ...]


Mark = tuple[Hypothesis, tuple[int, ...], tuple[float, ...]]


def directions_of(
    result: Reconciliation, causes: frozenset[Cause] | None, sealed: frozenset[str] = frozenset()
) -> tuple[tuple[Direction, ...], tuple[Hypothesis, ...]]:
    """All distinct marks, and the errors that leave none; arguments as of `suspects.suspects_of`."""
    grouped: dict[tuple[tuple[int, ...], tuple[float, ...]], list[tuple[Hypothesis, float]]] = {}
    unchecked: list[Hypothesis] = []
    for hypothesis, rows, values in _marks(result, causes, sealed):
        if not rows:
            unchecked.append(hypothesis)
            continue
        # Direction and factor: the entry of the lowest row is made 1.
        scale = values[0]
        shape = tuple(float(f"{value / scale:.{_DIGITS}g}") for value in values)
        grouped.setdefault((rows, shape), []).append((hypothesis, scale))
    found = tuple(
        Direction(np.array(rows, dtype=np.int64), np.array(shape), tuple(members))
        for (rows, shape), members in grouped.items()
    )
    return found, tuple(unchecked)


def _marks(result: Reconciliation, causes: frozenset[Cause] | None, sealed: frozenset[str]) -> Iterator[Mark]:
    yield from _reading_marks(result)
    yield from _unbooked_marks(result, sealed)
    yield from _shared_marks(result, causes)


def _reading_marks(result: Reconciliation) -> Iterator[Mark]:
    """Every doubtful reading: too much of it is too much where it arrives and too little where it leaves."""
    network, constraints = result.network, result.constraints
    for stream in np.flatnonzero(network.is_measured & network.is_doubtful).tolist():
        ends = sorted(
            (row, sign)
            for row, sign in ((int(constraints.tail_row[stream]), -1.0), (int(constraints.head_row[stream]), 1.0))
            if row != OUTSIDE
        )
        rows, values = tuple(row for row, _ in ends), tuple(sign for _, sign in ends)
        yield Hypothesis(SuspectKind.READING, stream=stream), rows, values


def _unbooked_marks(result: Reconciliation, sealed: frozenset[str]) -> Iterator[Mark]:
    """Every balance that something unbooked can leave: what left without being booked stays as a surplus."""
    for row, nodes in enumerate(result.constraints.nodes_of_rows()):
        is_sealed = all(result.network.nodes[node] in sealed for node in nodes)
        if not is_sealed and not result.constraints.is_closed[row]:
            yield Hypothesis(SuspectKind.UNBOOKED, nodes=tuple(nodes)), (row,), (1.0,)


def _shared_marks(result: Reconciliation, causes: frozenset[Cause] | None) -> Iterator[Mark]:
    columns = result.solver.shared.tocsc()
    for column, cause in enumerate(result.network.causes):
        if causes is not None and cause not in causes:
            continue
        begin, end = columns.indptr[column], columns.indptr[column + 1]
        entries = sorted(zip(columns.indices[begin:end].tolist(), columns.data[begin:end].tolist(), strict=True))
        largest = max((abs(value) for _, value in entries), default=0.0)
        # What cancels at a node leaves rounding there, not a mark.
        kept = [(row, value) for row, value in entries if abs(value) > 1e-12 * largest]
        yield (
            Hypothesis(SuspectKind.SHARED, cause=cause),
            tuple(row for row, _ in kept),
            tuple(value for _, value in kept),
        )
