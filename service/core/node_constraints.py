"""What a network demands: the balances of its nodes that measured streams can check.

Nodes joined by an unmeasured stream can only be balanced together: their balances are added and the unmeasured stream
falls out, exactly. A group of nodes so joined to the world outside demands nothing. What is left are rows A with
A x = 0, one per group, over the measured streams that cross its border.

Where a group of rows is reached by exact streams only, their sum is not a matter of doubt: it holds, and one row of it
is redundant, or exact values contradict each other, which no adjustment mends.
"""

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.linalg import qr
from scipy.sparse.csgraph import connected_components

from service.core.quantities import UG_PER_KG
from service.core.stream_network import OUTSIDE, Flags, Floats, Integers, Network, Unreconcilable

_NAMES_SHOWN = 6
# A pivot of the loadings below this part of the largest counts as none: rounding, not information.
_RANK_TOLERANCE = 1e-9


class ExactContradiction(Unreconcilable):
    """Streams stated as exact do not add up, and nothing doubtful is near that could take up the difference."""


class SingularCovariance(Unreconcilable):
    """The shared causes alone leave a combination of balances without any doubt."""


@dataclass(frozen=True, slots=True, eq=False)
class Constraints:
    """The balances A x = 0 that measured streams can check.

    Parameters
    ----------
    matrix : rows x streams, +1 where a stream reaches the row's nodes and -1 where it leaves them.
    residual_ug : A y, exact: what enters a row's nodes more than leaves them, as measured.
    row_of_node : row of each node, -1 if its balance cannot be checked.
    tail_row, head_row : row a stream leaves and reaches, -1 for none; equal if the stream is in no row.
    is_closed : rows whose group is reached by exact streams only: nothing unbooked can leave them.
    """

    matrix: sparse.csr_array
    residual_ug: Integers
    row_of_node: Integers
    tail_row: Integers
    head_row: Integers
    is_closed: Flags

    @property
    def rows(self) -> int:
        return len(self.residual_ug)

    def nodes_of_rows(self) -> list[list[int]]:
        """Numbers of the nodes each row stands for."""
        found: list[list[int]] = [[] for _ in range(self.rows)]
        for node, row in enumerate(self.row_of_node.tolist()):
            if row >= 0:
                found[row].append(node)
        return found


def constraints_of(network: Network) -> Constraints:
    """Merge nodes along unmeasured streams and drop what demands nothing.

    Raises
    ------
    ExactContradiction, SingularCovariance
    """
    nodes = len(network.nodes)
    # The world outside is one more node here, the last.
    tail = np.where(network.tail == OUTSIDE, nodes, network.tail)
    head = np.where(network.head == OUTSIDE, nodes, network.head)
    if network.is_measured.all():
        group = np.arange(nodes + 1)
        groups = nodes + 1
    else:
        unmeasured = ~network.is_measured
        groups, group = joined(nodes + 1, tail[unmeasured], head[unmeasured])
    row_of_group = np.arange(groups, dtype=np.int64)
    row_of_group[group[nodes] :] -= 1
    row_of_group[group[nodes]] = OUTSIDE
    first = _built(
        network, row_of_group[group[tail]], row_of_group[group[head]], row_of_group[group[:nodes]], groups - 1
    )
    return _without_redundant(network, first)


def joined(size: int, tail: Integers, head: Integers) -> tuple[int, Integers]:
    """Number of connected groups and the group of each point; links have no direction here."""
    links = sparse.coo_array((np.ones(len(tail), dtype=np.int8), (tail, head)), shape=(size, size))
    groups, group = connected_components(links, directed=False)
    return groups, group.astype(np.int64)


def _built(network: Network, tail_row: Integers, head_row: Integers, row_of_node: Integers, rows: int) -> Constraints:
    crossing = network.is_measured & (tail_row != head_row)
    leaves, reaches = crossing & (tail_row >= 0), crossing & (head_row >= 0)
    places = np.arange(len(network.names))
    matrix = sparse.csr_array(
        (
            np.concatenate([np.full(leaves.sum(), -1, dtype=np.int64), np.full(reaches.sum(), 1, dtype=np.int64)]),
            (
                np.concatenate([tail_row[leaves], head_row[reaches]]),
                np.concatenate([places[leaves], places[reaches]]),
            ),
        ),
        shape=(rows, len(network.names)),
    )
    unchecked = ~crossing
    return Constraints(
        matrix=matrix.astype(np.float64),
        residual_ug=matrix @ network.value_ug,
        row_of_node=row_of_node,
        tail_row=np.where(unchecked, OUTSIDE, tail_row),
        head_row=np.where(unchecked, OUTSIDE, head_row),
        is_closed=np.zeros(rows, dtype=bool),
    )


def _without_redundant(network: Network, first: Constraints) -> Constraints:
    """Leave out one row of every group whose sum is free of doubt, after seeing that it holds."""
    rows = first.rows
    own = network.variance_kg2 > 0
    tail = np.where(first.tail_row < 0, rows, first.tail_row)[own]
    head = np.where(first.head_row < 0, rows, first.head_row)[own]
    groups, group = joined(rows + 1, tail, head)
    if groups == 1:
        return first
    closed = np.delete(np.arange(groups), group[rows])
    adding = sparse.csr_array((np.ones(rows, dtype=np.int64), (group[:rows], np.arange(rows))), shape=(groups, rows))[
        closed
    ]
    sums_ug = adding @ first.residual_ug
    loadings = (adding.astype(np.float64) @ (first.matrix @ network.loadings_kg)).toarray()
    undoubted = ~(np.abs(loadings) > 0).any(axis=1)
    _require_no_contradiction(network, first, adding, sums_ug, undoubted)
    if not undoubted.all():
        _require_full_rank(network, first, adding[~undoubted], loadings[~undoubted])
    is_closed = np.isin(group[:rows], closed[undoubted])
    # The first row of each such group is the one left out.
    dropped = np.unique(group[:rows], return_index=True)
    drop = dropped[1][np.isin(dropped[0], closed[undoubted])]
    keep = np.ones(rows, dtype=bool)
    keep[drop] = False
    renumbered = np.where(keep, np.cumsum(keep) - 1, OUTSIDE)

    def again(row: Integers) -> Integers:
        found: Integers = np.where(row < 0, OUTSIDE, renumbered[row])
        return found

    return Constraints(
        matrix=first.matrix[keep],
        residual_ug=first.residual_ug[keep],
        row_of_node=again(first.row_of_node),
        tail_row=again(first.tail_row),
        head_row=again(first.head_row),
        is_closed=is_closed[keep],
    )


def _require_no_contradiction(
    network: Network, first: Constraints, adding: sparse.csr_array, sums_ug: Integers, undoubted: Flags
) -> None:
    wrong = np.flatnonzero(undoubted & (sums_ug != 0))
    if not len(wrong):
        return
    said = []
    for place in wrong[:3]:
        crossing = (adding[[place]].astype(np.float64) @ first.matrix).tocoo()
        streams = [network.names[column] for column in np.sort(crossing.coords[1][crossing.data != 0])]
        off_kg = int(sums_ug[place]) / UG_PER_KG
        said.append(
            f"around {_named(network, first, adding, int(place))} only exact streams are left ({_listed(streams)}) and "
            f"{abs(off_kg):.3f} kg {'stay inside' if off_kg > 0 else 'come from nowhere'}"
        )
    raise ExactContradiction(
        f"exact values contradict each other: {'; '.join(said)}. State an uncertainty for one of them, or add the "
        "stream that is missing; until then nothing can be reconciled, though every other part can be asked alone"
    )


def _require_full_rank(network: Network, first: Constraints, adding: sparse.csr_array, loadings: Floats) -> None:
    pivots = np.abs(np.diag(qr(loadings.T, mode="r", pivoting=True)[0]))
    if len(pivots) == len(loadings) and pivots.min() > _RANK_TOLERANCE * pivots.max():
        return
    named = [_named(network, first, adding, place) for place in range(len(loadings))]
    raise SingularCovariance(
        f"the covariance is singular: {_listed(named)} are doubted only through causes they share, so a combination of "
        "their balances is free of doubt. State the reading's own uncertainty of one stream at each; the nodes "
        "elsewhere can be asked alone"
    )


def _named(network: Network, first: Constraints, adding: sparse.csr_array, place: int) -> str:
    rows = adding[[place]].indices
    nodes = [network.nodes[node] for node in np.flatnonzero(np.isin(first.row_of_node, rows))]
    return f"{'node' if len(nodes) == 1 else 'nodes'} {_listed(nodes)}"


def _listed(names: list[str]) -> str:
    more = len(names) - _NAMES_SHOWN
    return ", ".join(names[:_NAMES_SHOWN]) + (f" and {more} more" if more > 0 else "")
