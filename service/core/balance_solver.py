"""Solving (A V A') z = r for the covariance V = D + B B' of streams, exact, without forming V.

S = A D A' has one entry per pair of nodes that share a stream; the shared causes F = A B reach many nodes at once and
would fill it. They are kept apart: with one more unknown per cause,

    | S   F | | z |   | r |
    | F' -I | | w | = | 0 |       is the same as (S + F F') z = r,

and stays sparse. A cause that reaches very many nodes (the span of a weighbridge) would still spoil the order of the
elimination; the few such are taken out by Woodbury's identity, equally exact. The factorisation is scipy's `splu`,
ordered by minimum degree on a symmetric pattern. Networks without any shape (every node joined to some far away) fill
up whatever the order; those are left to conjugate gradients, which a look at the widths of the network decides. A wrong
guess there costs time, never an answer.

Source : orders, the symmetric mode and the fall-back were chosen by measurement, see DEVELOPERS.md.
"""

from typing import Any

import numpy as np
from scipy import sparse
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse.csgraph import breadth_first_order, connected_components
from scipy.sparse.linalg import LinearOperator, cg, splu

from service.core.node_constraints import Constraints
from service.core.stream_network import Floats, Integers, Network, Unreconcilable

# Below this many rows a factorisation takes milliseconds whatever its fill.
_SMALL = 5_000
# Entries a factor may have by the estimate from level widths before gradients are tried: some 1.5 GB.
_FILL_LIMIT = 1e8
# Nodes with this many times the mean number of neighbours are hubs; they fill one row each, not a block.
_HUB = 20
_CG_TOLERANCE = 1e-13
# A cause that reaches more balances than this is taken out of the matrix.
_NARROW = 30
# A solution that leaves more than this part of the right side has met a matrix without a full rank.
_RESIDUAL_LIMIT = 1e-6


class NotSolvable(Unreconcilable):
    """The balances could not be solved to the accuracy asked; the matrix is singular to working precision."""


class BalanceSolver:
    """Factored once, asked often.

    Parameters
    ----------
    network, constraints : what is solved.
    force_gradients : for the tests of the fall-back.

    Raises
    ------
    NotSolvable
    """

    def __init__(self, network: Network, constraints: Constraints, *, force_gradients: bool = False) -> None:
        matrix = constraints.matrix
        self.own = (matrix * network.variance_kg2[np.newaxis, :]) @ matrix.T
        self.shared = (matrix @ network.loadings_kg).tocsc()
        self.rows, self.causes = self.shared.shape
        self.method = "none"
        self._factor: Any = None
        self._wide: Floats | None = None
        if not self.rows:
            return
        self.method = "gradients" if force_gradients or fills_up(self.own) else "factor"
        if self.method == "factor":
            self._factored()

    def _factored(self) -> None:
        reach = np.diff(self.shared.indptr)
        is_sound = bool(self.own.diagonal().min() > 0)
        is_wide = (reach > _NARROW) if is_sound else np.zeros(self.causes, dtype=bool)
        narrow = self.shared[:, ~is_wide]
        self._narrow = narrow.shape[1]
        whole = self.own.tocsc()
        if self._narrow:
            whole = sparse.block_array([[self.own, narrow], [narrow.T, -sparse.eye_array(self._narrow)]]).tocsc()
        try:
            if is_sound:
                # Quasi-definite: any symmetric order works and no pivot need leave the diagonal.
                self._factor = splu(
                    whole, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
                )
            else:
                self._factor = splu(whole)
        except RuntimeError as fault:
            raise _singular() from fault
        if is_wide.any():
            # Woodbury, with W the wide causes and M all the rest:
            # (M + W W')^-1 = M^-1 - M^-1 W (I + W' M^-1 W)^-1 W' M^-1.
            self._wide = self.shared[:, is_wide].toarray()
            self._through = self._by_factor(self._wide)
            self._among = cho_factor(np.eye(self._wide.shape[1]) + self._wide.T @ self._through)

    def __call__(self, right: Floats) -> Floats:
        """z for one right side, or for each column of several."""
        if not self.rows:
            return np.zeros_like(right)
        if self.method == "gradients":
            found = self._by_gradients(right)
        else:
            found = self._by_factor(right)
            if self._wide is not None:
                found = found - self._through @ cho_solve(self._among, self._wide.T @ found)
        # One look at what is left: a factor of a matrix that is singular to rounding answers, wrongly.
        left = np.abs(right - self.times(found)).max(initial=0.0)
        if not left <= _RESIDUAL_LIMIT * np.abs(right).max(initial=0.0):
            raise _singular()
        return found

    def times(self, vector: Floats) -> Floats:
        """(S + F F') times one column or several."""
        product: Floats = self.own @ vector
        if self.causes:
            product = product + self.shared @ (self.shared.T @ vector)
        return product

    def _by_factor(self, right: Floats) -> Floats:
        padded = np.zeros((self.rows + self._narrow, *right.shape[1:]))
        padded[: self.rows] = right
        found: Floats = self._factor.solve(padded)[: self.rows]
        return found

    def _by_gradients(self, right: Floats) -> Floats:
        columns = right.reshape(self.rows, -1)
        diagonal = self.own.diagonal() + np.asarray(self.shared.multiply(self.shared).sum(axis=1)).ravel()
        whole = LinearOperator((self.rows, self.rows), matvec=self.times, dtype=np.float64)
        inverse = LinearOperator((self.rows, self.rows), matvec=lambda vector: vector.ravel() / diagonal)
        solved = []
        for column in columns.T:
            found, stopped = cg(whole, column, rtol=_CG_TOLERANCE, maxiter=20 * self.rows, M=inverse)
            if stopped:
                raise _singular()
            solved.append(found)
        return np.column_stack(solved).reshape(right.shape)


def _singular() -> NotSolvable:
    return NotSolvable(
        "the balances cannot be solved: the uncertainties leave some combination of them without doubt to working "
        "precision. Look for uncertainties many powers of ten smaller than their neighbours' and state them as 0"
    )


def fills_up(pattern: sparse.csr_array) -> bool:
    """Whether a factor of this symmetric pattern would be too full to be made.

    Levels of a breadth-first search from a far node separate the network; eliminating level by level fills at most
    blocks of neighbouring levels (a bound on one order, so a pessimist's guess for the better one). A network along
    time has narrow levels, one without shape has levels of half its size. Hubs (the world's busiest vessels) are set
    aside first: they join everything, but as single rows.
    """
    size = pattern.shape[0]
    if size < _SMALL:
        return False
    neighbours = np.diff(pattern.indptr)
    is_hub = neighbours > _HUB * max(1.0, float(neighbours.mean()))
    kept = pattern[~is_hub][:, ~is_hub] if is_hub.any() else pattern
    return bool(float(is_hub.sum()) * size + _level_fill(kept) > _FILL_LIMIT)


def _level_fill(pattern: sparse.csr_array) -> float:
    """Entries of the blocks that the levels of a breadth-first search of each connected part would fill."""
    size = pattern.shape[0]
    parts, part = connected_components(pattern, directed=False)
    first = np.unique(part, return_index=True)[1]
    # One search over all parts: a root joined to the first node of each.
    root = np.full(parts, size)
    rooted = sparse.coo_array(
        (
            np.ones(pattern.nnz + parts, dtype=np.int8),
            (np.append(pattern.tocoo().coords[0], root), np.append(pattern.indices, first)),
        ),
        shape=(size + 1, size + 1),
    )
    _, before = breadth_first_order(rooted.tocsr(), size, directed=False)
    depth = _depths(before.astype(np.int64), size)[:size]
    level = part.astype(np.int64) * (int(depth.max(initial=0)) + 1) + depth
    _, widths = np.unique(level, return_counts=True)
    return float((widths.astype(np.float64) ** 2).sum()) * 2


def _depths(before: Integers, root: int) -> Integers:
    """Steps from the root, given the node each was reached from: every pass doubles the steps looked back."""
    above = before.copy()
    above[root] = root
    depth = np.ones(len(above), dtype=np.int64)
    depth[root] = 0
    while (above != root).any():
        depth = depth + depth[above]
        above = above[above]
    return depth
