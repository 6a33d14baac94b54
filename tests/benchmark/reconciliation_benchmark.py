"""What it costs to bring a plant's network into balance. Run by hand:

    PYTHONPATH=.:tests python -m benchmark.reconciliation_benchmark
    PYTHONPATH=.:tests python -m benchmark.reconciliation_benchmark --repeats 3

A plant month and ten plant years of measured streams in the shape of a plant: deliveries split over wash runs, wash
runs into silos whose contents carry over from shift to shift, extrusion runs drawing from several silos, a reactor,
bagging. Two scales are shared by all their readings, so the covariance is not diagonal. True masses balance; readings
are drawn with their stated doubt, so that the objective must come out near its degrees of freedom, which is checked, as
is that the reconciled masses balance: a fast wrong answer ends the benchmark with status 1.

The table gives the median time of the arithmetic: from the network's arrays to reconciled masses and objective, and
that of the plain sparse solve of the same normal equations (scipy's `splu` with its default order, independent streams
only) in the same run. Rows beyond the plant month show what the doubt of every result and the suspects add. Goals: 10
ms for the month, 1.5 s for ten years.
"""

import argparse
import statistics
import sys
import time
from collections.abc import Callable

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from service.core.measured import Cause, CauseKind
from service.core.reconciliation import Reconciliation, reconcile
from service.core.stream_network import OUTSIDE, Network
from service.core.suspects import suspects_of

SHIFTS_A_MONTH = 90
DELIVERIES, WASHES, SILOS, EXTRUSIONS, BAGGINGS = 6, 3, 4, 4, 4
GOAL_MONTH_S, GOAL_TEN_YEARS_S = 0.010, 1.5
# Reconciled masses are rounded to the microgram each, so a node of a hundred streams may be off by that many.
IMBALANCE_UG = 200


class Plant:
    """Streams of a plant, laid down shift by shift with masses that balance."""

    def __init__(self, seed: int) -> None:
        self.chance = np.random.default_rng(seed)
        self.nodes = 0
        self.tail: list[int] = []
        self.head: list[int] = []
        self.kg: list[float] = []
        self.scale: list[int] = []

    def node(self) -> int:
        self.nodes += 1
        return self.nodes - 1

    def move(self, tail: int, head: int, kg: float, scale: int = -1) -> None:
        self.tail.append(tail)
        self.head.append(head)
        self.kg.append(kg)
        self.scale.append(scale)

    def shift(self, content: list[float], before: list[int]) -> list[int]:
        """One shift of eight hours: returns the nodes of the silos, and changes their contents."""
        washed = [[0.0, self.node()] for _ in range(WASHES)]
        for _ in range(DELIVERIES):
            truck, load = self.node(), self.chance.uniform(20_000, 25_000)
            self.move(OUTSIDE, truck, load, scale=0)
            parts = self.chance.dirichlet((5.0,) * 3) * load
            for part, run in zip(parts, self.chance.permutation(WASHES)[:3], strict=True):
                self.move(truck, int(washed[run][1]), part, scale=1)
                washed[run][0] += part
        silos = [self.node() for _ in range(SILOS)]
        for silo, earlier, held in zip(silos, before, content, strict=True):
            self.move(earlier, silo, held)
        for fed, run in washed:
            waste = self.chance.dirichlet((70.0, 8, 6, 4, 2)) * fed
            for kg in waste[1:]:
                self.move(int(run), OUTSIDE, kg)
            for silo in self.chance.permutation(SILOS)[:2]:
                self.move(int(run), silos[silo], waste[0] / 2)
                content[silo] += waste[0] / 2
        reactor = self.node()
        for _ in range(EXTRUSIONS):
            run, fed = self.node(), 0.0
            for silo in self.chance.permutation(SILOS)[:2]:
                drawn = content[silo] * 0.3
                content[silo] -= drawn
                self.move(silos[silo], run, drawn)
                fed += drawn
            pellets = self.node()
            self.move(run, OUTSIDE, fed * 0.01)
            self.move(run, pellets, fed * 0.99)
            self.move(pellets, reactor, fed * 0.99)
        made = sum(self.kg[-1 - 5 * back] for back in range(EXTRUSIONS))
        for _ in range(BAGGINGS):
            lot = self.node()
            self.move(reactor, lot, made / BAGGINGS)
            for _ in range(2):
                self.move(lot, OUTSIDE, made / BAGGINGS / 2, scale=1)
        return silos

    def network(self) -> Network:
        """What was read of it: masses with 0.3 % and 2 kg of doubt each, and 0.05 % that a scale's readings share."""
        kg = np.array(self.kg)
        own = np.hypot(kg * 0.003, 2.0)
        scale = np.array(self.scale)
        span = self.chance.normal(0, 5e-4, 2)
        read = kg + self.chance.normal(0, 1, len(kg)) * own + np.where(scale >= 0, kg * span[scale], 0.0)
        on_scale = np.flatnonzero(scale >= 0)
        return Network(
            names=tuple(map(str, range(len(kg)))),
            nodes=tuple(map(str, range(self.nodes))),
            tail=np.array(self.tail),
            head=np.array(self.head),
            value_ug=np.rint(read * 1e9).astype(np.int64),
            is_measured=np.ones(len(kg), dtype=bool),
            variance_kg2=own**2,
            causes=(Cause(CauseKind.SPAN, "weighbridge"), Cause(CauseKind.SPAN, "platform")),
            loadings_kg=sparse.csr_array(
                (kg[on_scale] * 5e-4, (on_scale, scale[on_scale])), shape=(len(kg), 2), dtype=np.float64
            ),
        )


def plant_of(months: int) -> Network:
    plant = Plant(seed=months)
    content = [40_000.0] * SILOS
    silos = [plant.node() for _ in range(SILOS)]
    for silo, held in zip(silos, content, strict=True):
        plant.move(OUTSIDE, silo, held)
    for _ in range(months * SHIFTS_A_MONTH):
        silos = plant.shift(content, silos)
    for silo, held in zip(silos, content, strict=True):
        plant.move(silo, OUTSIDE, held)
    return plant.network()


def plain_solve(network: Network) -> float:
    """The textbook formula for independent streams with the solver's defaults: no merging, no tests of rank."""
    places = np.arange(len(network.names))
    leaves, reaches = network.tail >= 0, network.head >= 0
    entries = np.concatenate([np.full(leaves.sum(), -1.0), np.full(reaches.sum(), 1.0)])
    rows = np.concatenate([network.tail[leaves], network.head[reaches]])
    columns = np.concatenate([places[leaves], places[reaches]])
    matrix = sparse.csr_array((entries, (rows, columns)), shape=(len(network.nodes), len(places)))
    kg = network.value_ug / 1e9
    left = matrix @ kg
    pull = splu(((matrix * network.variance_kg2[np.newaxis, :]) @ matrix.T).tocsc()).solve(left)
    corrected = kg - network.variance_kg2 * (matrix.T @ pull)
    return float(np.abs(matrix @ corrected).max())


def median_s(question: Callable[[Network], object], network: Network, repeats: int) -> float:
    """Processor time: other work on the machine does not count, threads of the linear algebra do."""
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        question(network)
        times.append(time.process_time() - begin)
    return statistics.median(times)


def wrong_with(result: Reconciliation) -> list[str]:
    found = []
    off = int(np.abs(result.constraints.matrix.astype(np.int64) @ result.value_ug).max())
    if off > IMBALANCE_UG:
        found.append(f"a node is off by {off} ug after reconciliation")
    degrees = result.degrees_of_freedom
    if abs(result.objective - degrees) > 5 * (2 * degrees) ** 0.5:
        found.append(f"objective {result.objective:.1f} for {degrees} degrees of freedom")
    return found


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--repeats", type=int, default=5)
    repeats = arguments.parse_args().repeats
    wrong: list[str] = []
    print("| network | streams | nodes | reconcile | plain sparse solve | ratio |\n|---|---|---|---|---|---|")
    month, year, decade = plant_of(1), plant_of(12), plant_of(120)
    for name, network, times in (
        ("month", month, 20 * repeats),
        ("year", year, repeats),
        ("ten years", decade, repeats),
    ):
        wrong += wrong_with(reconcile(network))
        ours, plain = median_s(reconcile, network, times), median_s(plain_solve, network, times)
        print(
            f"| {name} | {len(network.names):,} | {len(network.nodes):,} | {1e3 * ours:.1f} ms | {1e3 * plain:.1f} ms "
            f"| {ours / plain:.2f} |",
            flush=True,
        )
    doubts = median_s(lambda asked: reconcile(asked).value_u_kg, month, 3)
    print(f"| month, with the doubt of every stream | | | {1e3 * doubts:.0f} ms | | |")
    ranking = median_s(lambda asked: suspects_of(reconcile(asked)), month, 3)
    print(f"| month, with ranked suspects | | | {1e3 * ranking:.0f} ms | | |")
    ranking = median_s(lambda asked: suspects_of(reconcile(asked)), decade, 1)
    print(f"| ten years, with ranked suspects | | | {ranking:.1f} s | | |")
    for fault in wrong:
        print(fault, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
