"""Weighted least squares on a network: the masses nearest to the readings for which every node balances.

``x = y - V A' (A V A')^-1 A y`` for readings y with covariance V. Exact streams are held, unmeasured ones are worked
out where the balances determine them and said to be undetermined where not. The objective J is what had to be moved,
measured in its own doubt; it follows chi-squared with one degree of freedom per balance if nothing but that doubt is
wrong. Readings are integers and so are the results; floats carry only corrections and uncertainties.

It adjusts a copy to think with. Nothing here changes a reading.

Source : the estimator and its tests are those of Narasimhan and Jordache, Data Reconciliation and Gross Error
Detection (2000), ch. 3 and 7 (chapters from memory); the uncertainties after JCGM 100.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.special import chdtrc, chdtri

from service.core.balance_solver import BalanceSolver
from service.core.node_constraints import Constraints, constraints_of
from service.core.quantities import UG_PER_KG
from service.core.stream_network import Flags, Floats, Integers, Network
from service.core.undetermined import Followed, followed_of

# Networks of this many balances or fewer get the doubt of every result; larger ones only where it is asked for.
WHOLE_INVERSE_ROWS = 3_000


class TooLarge(ValueError):
    """The doubt of every stream of so large a network was asked at once; ask for a part of its time."""


@dataclass(frozen=True, slots=True)
class GlobalTest:
    """Whether the whole misfit is more than the stated doubt makes likely.

    Parameters
    ----------
    objective : J, without unit.
    degrees_of_freedom : balances that check something; 0 if nothing is checked by anything.
    level : how often the test fails when nothing is wrong.
    critical_value : J above this fails.
    p_value : how often J would be as large or larger when nothing is wrong.
    """

    objective: float
    degrees_of_freedom: int
    level: float
    critical_value: float
    p_value: float

    @property
    def fails(self) -> bool:
        """True if something is wrong, or some doubt was stated too small."""
        return self.objective > self.critical_value


@dataclass(frozen=True, eq=False)
class Reconciliation:
    """A network brought into balance.

    Parameters
    ----------
    multipliers_per_kg : (A V A')^-1 A y, one per balance: the force that moves the streams of a node.
    adjustment_kg : by which each reading was moved, 0 for exact and unmeasured streams.
    value_ug : reconciled masses; 0 where undetermined.
    is_determined : False for unmeasured streams that no balance determines.
    """

    network: Network
    constraints: Constraints
    solver: BalanceSolver
    multipliers_per_kg: Floats
    adjustment_kg: Floats
    followed: Followed
    value_ug: Integers
    is_determined: Flags
    objective: float

    @property
    def degrees_of_freedom(self) -> int:
        return self.constraints.rows

    def global_test(self, level: float = 0.05) -> GlobalTest:
        """Chi-squared test of the objective at a level of false alarms."""
        degrees = self.degrees_of_freedom
        if not degrees:
            return GlobalTest(0.0, 0, level, 0.0, 1.0)
        critical, p_value = float(chdtri(degrees, level)), float(chdtrc(degrees, self.objective))
        return GlobalTest(self.objective, degrees, level, critical, p_value)

    @cached_property
    def inverse(self) -> Floats:
        """(A V A')^-1 with a row and column of zeros for the world outside at the end, per kg squared.

        Raises
        ------
        TooLarge
        """
        rows = self.constraints.rows
        if rows > WHOLE_INVERSE_ROWS:
            raise TooLarge(f"{rows:,} balances are too many for the doubt of every stream: ask for a shorter time")
        found = np.zeros((rows + 1, rows + 1))
        found[:rows, :rows] = self.solver(np.eye(rows))
        return found

    @cached_property
    def adjustment_u_kg(self) -> Floats:
        """Standard deviation each adjustment has when nothing is wrong; 0 where no balance moves a stream."""
        return np.sqrt(np.maximum(self._adjustment_variance(), 0.0))

    @cached_property
    def value_u_kg(self) -> Floats:
        """Standard uncertainty of each reconciled mass; NaN where undetermined."""
        left = np.sqrt(np.maximum(self.network.total_variance_kg2 - self._adjustment_variance(), 0.0))
        left[~self.network.is_measured] = np.nan
        for place, crossing in self.followed.borders.items():
            left[place] = self.uncertainty_of(crossing)
        return left

    @cached_property
    def measurement_test(self) -> Floats:
        """Each adjustment over its standard deviation; NaN where nothing checks the stream."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.adjustment_u_kg > 0, self.adjustment_kg / self.adjustment_u_kg, np.nan)

    @cached_property
    def imbalance_u_kg(self) -> Floats:
        """Standard deviation each row's imbalance has when nothing is wrong."""
        own = self.solver.own.diagonal()
        shared = np.asarray(self.solver.shared.multiply(self.solver.shared).sum(axis=1)).ravel()
        found: Floats = np.sqrt(own + shared)
        return found

    @cached_property
    def nodal_test(self) -> Floats:
        """Imbalance of each row over its standard deviation."""
        tests: Floats = self.constraints.residual_ug / UG_PER_KG / self.imbalance_u_kg
        return tests

    def uncertainty_of(self, weights: sparse.csr_array) -> float:
        """Standard uncertainty of a sum of reconciled streams, one weight per stream (a row), kilograms."""
        weighted = self._covariance_times(weights.toarray().ravel())
        moved = self.constraints.matrix @ weighted
        prior = float(weights.toarray().ravel() @ weighted)
        return float(np.sqrt(max(prior - float(moved @ self.solver(moved)), 0.0)))

    def _covariance_times(self, vector: Floats) -> Floats:
        product: Floats = self.network.variance_kg2 * vector
        product = product + self.network.loadings_kg @ (self.network.loadings_kg.T @ vector)
        return product

    def _adjustment_variance(self) -> Floats:
        """Diagonal of V A' (A V A')^-1 A V, term by term: own doubt, shared doubt, and what they have in common."""
        inverse, own = self.inverse, self.network.variance_kg2
        tail, head = self.constraints.tail_row, self.constraints.head_row
        variance: Floats = own**2 * (inverse[head, head] + inverse[tail, tail] - 2 * inverse[tail, head])
        if self.solver.causes:
            through = np.zeros((len(inverse), self.solver.causes))
            through[:-1] = inverse[:-1, :-1] @ self.solver.shared.toarray()
            loadings = self.network.loadings_kg
            mixed = loadings.multiply(through[head] - through[tail]).sum(axis=1)
            among = self.solver.shared.T @ through[:-1]
            squared = loadings.multiply(loadings @ among).sum(axis=1)
            variance = variance + 2 * own * np.asarray(mixed).ravel() + np.asarray(squared).ravel()
        return variance


def reconcile(network: Network, *, force_gradients: bool = False) -> Reconciliation:
    """Bring a network into balance.

    Raises
    ------
    Unreconcilable
        Exact values contradict each other, or the covariance is singular; the message says where.
    """
    constraints = constraints_of(network)
    solver = BalanceSolver(network, constraints, force_gradients=force_gradients)
    residual_kg = constraints.residual_ug / UG_PER_KG
    multipliers = solver(residual_kg)
    pull = constraints.matrix.T @ multipliers
    adjustment = -(network.variance_kg2 * pull)
    if solver.causes:
        adjustment = adjustment - network.loadings_kg @ (solver.shared.T @ multipliers)
    values = network.value_ug + np.rint(adjustment * UG_PER_KG).astype(np.int64)
    followed = followed_of(network, values)
    return Reconciliation(
        network=network,
        constraints=constraints,
        solver=solver,
        multipliers_per_kg=multipliers,
        adjustment_kg=adjustment,
        followed=followed,
        value_ug=followed.value_ug,
        is_determined=followed.is_determined,
        objective=float(multipliers @ residual_kg),
    )
