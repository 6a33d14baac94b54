"""Laws of the lineage, on random plants and against an independent one that runs forward in exact fractions.

Goal: the shares, the remainder, the claimable part and above all the may-contain set are right for any
mixture of runs, mixing and first-in-first-out vessels with heels, part feeds, top-ups, rework and overdrawn
books. Method: Hypothesis builds a plant as a list of steps; `plant_oracle` moves its matter forward, the
product walks its lots backward, and every lot is compared. Interval flows have a whole number of micrograms
per microsecond, so that cutting them rounds nothing and the two may differ by the last unit of a share only.
"""

import ast
from collections import defaultdict
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import plant_oracle
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plant_oracle import Arrival, Campaign, Flow, Plant, Run, Vessel

from service.core.apportion import SCALE
from service.core.lineage import (
    ORIGIN,
    UNIT,
    Parents,
    merge_parents,
    parents_of_draw,
    parents_of_run,
    trace_down,
    trace_up,
)
from service.core.vessel_ledger import (
    Charge,
    Draw,
    FlowModel,
    Regime,
    contents,
    possible_charges_of_draw,
    sources_of_draw,
)

Step = Arrival | Run | Campaign
TICK_US = 1_000
CAMPAIGN_TICKS = 6
TRUCK_UG = 24_000 * 10**9
VESSELS = (Vessel(1, False, False), Vessel(2, True, False), Vessel(3, True, True))


class Yard:
    """What the generator remembers while it writes a plant: stock, lots open for topping up, vessel books."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.steps: list[Step] = []
        self.stock: dict[int, int] = {}
        self.unused: set[int] = set()
        self.in_vessel: dict[int, int] = defaultdict(int)
        self.clock = 0
        self.lots = 0

    def whole(self, low: int, high: int) -> int:
        return self.draw(st.integers(low, high))

    def new_lot(self) -> int:
        self.lots += 1
        return self.lots

    def arrival(self) -> None:
        lot = self.new_lot()
        self.stock[lot] = self.whole(TRUCK_UG // 10**6, TRUCK_UG)
        self.steps.append(Arrival(lot))

    def feed(self) -> tuple[int, int]:
        """A part or all of some lot in stock."""
        lot = self.draw(st.sampled_from(sorted(lot for lot, left in self.stock.items() if left)))
        amount = self.stock[lot] if self.draw(st.booleans()) else self.whole(1, self.stock[lot])
        self.use(lot, amount)
        return lot, amount

    def use(self, lot: int, amount: int) -> None:
        self.stock[lot] -= amount
        self.unused.discard(lot)

    def output(self) -> int:
        """A new lot, or now and then one that is topped up."""
        if self.unused and self.whole(0, 3) == 0:
            return self.draw(st.sampled_from(sorted(self.unused)))
        return self.new_lot()

    def produced(self, lot: int, amount: int) -> None:
        self.stock[lot] = self.stock.get(lot, 0) + amount
        self.unused.add(lot)

    def run(self) -> None:
        inputs = tuple(self.feed() for _ in range(self.whole(1, 3)) if any(self.stock.values()))
        most = sum(amount for _, amount in inputs)
        if inputs:
            outputs = tuple((self.output(), self.whole(1, most)) for _ in range(self.whole(1, 3)))
            self.steps.append(Run(inputs, outputs))
            for lot, amount in outputs:
                self.produced(lot, amount)

    def flow(self, lot: int, most: int) -> Flow:
        """An instant, or an interval with a whole rate."""
        first = self.whole(0, CAMPAIGN_TICKS - 1)
        last = self.whole(first, CAMPAIGN_TICKS) if self.draw(st.booleans()) else CAMPAIGN_TICKS
        duration = (last - first) * TICK_US
        start, end = self.clock + first * TICK_US, self.clock + last * TICK_US
        if not duration or most < duration:
            return Flow(lot, start, start, self.whole(1, most))
        return Flow(lot, start, end, duration * self.whole(1, most // duration))

    def campaign(self) -> None:
        vessel = self.draw(st.sampled_from(VESSELS))
        charges, draws = [], []
        for _ in range(self.whole(0, 3)):
            in_stock = sorted(lot for lot, left in self.stock.items() if left)
            if in_stock:
                lot = self.draw(st.sampled_from(in_stock))
                charges.append(self.flow(lot, self.stock[lot]))
                self.use(lot, charges[-1].amount)
        content = self.in_vessel[vessel.number] + sum(charge.amount for charge in charges)
        for _ in range(self.whole(0, 2) if content else 0):
            draws.append(self.flow(self.output(), max(content * 3 // 4, 1)))
        if charges or draws:
            self.steps.append(Campaign(vessel, tuple(charges), tuple(draws)))
            for drawn in draws:
                self.produced(drawn.lot, drawn.amount)
            self.in_vessel[vessel.number] = max(content - sum(drawn.amount for drawn in draws), 0)
            self.clock += CAMPAIGN_TICKS * TICK_US


@st.composite
def plants(draw: st.DrawFn) -> list[Step]:
    yard = Yard(draw)
    yard.arrival()
    yard.arrival()
    for kind in draw(st.lists(st.sampled_from("aarrccccc"), min_size=3, max_size=14)):
        {"a": yard.arrival, "r": yard.run, "c": yard.campaign}[kind]()
    return yard.steps


class Recorded:
    """The same plant as the product sees it: producing lines of lots and the ledgers of vessels."""

    def __init__(self, steps: list[Step], *, times: int = 1, is_reversed: bool = False) -> None:
        self.charges: dict[Vessel, list[Charge]] = defaultdict(list)
        self.draws: dict[Vessel, list[Draw]] = defaultdict(list)
        self.lot_of_charge: dict[int, int] = {}
        lines: dict[int, list[tuple[Parents, int]]] = defaultdict(list)
        drawn: list[tuple[int, Vessel, Draw]] = []
        key = 0
        for step in steps:
            if isinstance(step, Arrival):
                lines[step.lot].append((ORIGIN, 1))
            elif isinstance(step, Run):
                inputs = [(lot, amount * times) for lot, amount in step.inputs]
                parents = parents_of_run(inputs[::-1] if is_reversed else inputs)
                for lot, amount in step.outputs:
                    lines[lot].append((parents, amount * times))
            else:
                for flow in step.charges:
                    key += 1
                    self.charges[step.vessel].append(Charge(key, flow.start, flow.end, flow.amount * times))
                    self.lot_of_charge[key] = flow.lot
                for flow in step.draws:
                    key += 1
                    self.draws[step.vessel].append(Draw(key, flow.start, flow.end, flow.amount * times))
                    drawn.append((flow.lot, step.vessel, self.draws[step.vessel][-1]))
        if is_reversed:
            for vessel in VESSELS:
                self.charges[vessel].reverse()
                self.draws[vessel].reverse()
        for lot, vessel, line in drawn:
            lines[lot].append((self.parents_of_line(vessel, line), line.dry_ug))
        self.parents = {lot: merge_parents(parts[::-1] if is_reversed else parts) for lot, parts in lines.items()}
        self.children: dict[int, set[int]] = defaultdict(set)
        for lot, parents in self.parents.items():
            for parent in parents.possible:
                self.children[parent].add(lot)

    def parents_of_line(self, vessel: Vessel, line: Draw) -> Parents:
        charges, draws, model = self.charges[vessel], self.draws[vessel], model_of(vessel)
        sources = sources_of_draw(charges, draws, line.key, model)
        possible = possible_charges_of_draw(charges, draws, line.key, model, vessel.is_proven)
        assert {key for key, _ in sources.shares} <= possible
        assert sum(weight for _, weight in sources.shares) + sources.unattributed == SCALE
        assert sources.cut == 0
        return parents_of_draw(sources, possible, self.lot_of_charge)


def model_of(vessel: Vessel) -> FlowModel:
    return FlowModel(Regime.FIRST_IN_FIRST_OUT if vessel.is_first_in_first_out else Regime.WELL_MIXED)


def is_within_a_unit(share_e12: int, exact: Fraction) -> bool:
    return abs(share_e12 - exact * UNIT) <= 1


@settings(max_examples=150, deadline=None)
@given(steps=plants(), seed=st.randoms(use_true_random=False))
def test_every_lot_agrees_with_the_oracle(steps, seed):
    passed = {lot: Fraction(seed.randint(0, 8), 8) for lot in range(1, 60, 2)}
    oracle = Plant(steps, passed)
    recorded = Recorded(steps)
    assert recorded.parents.keys() == oracle.lots.keys()
    for lot in oracle.lots:
        found = trace_up(lot, recorded.parents.__getitem__, passed=lambda made: passed.get(made, Fraction(1)))
        assert sum(share for _, share in found.shares) + found.remainder_e12 == UNIT
        assert sum(share for _, share in found.raw) + found.raw_unattributed == SCALE
        assert found.may_contain == oracle.may_contain(lot)
        assert set(found.visited) == oracle.lots[lot].ever
        assert len(found.visited) == len(set(found.visited))
        assert is_within_a_unit(found.remainder_e12, oracle.from_nowhere(lot))
        shares, raw, claimable = dict(found.shares), dict(found.raw), dict(found.claimable_raw)
        for origin in found.may_contain:
            assert is_within_a_unit(shares.pop(origin, 0), oracle.share(lot, origin))
            claim = Fraction(claimable.get(origin, 0), SCALE)
            assert abs(oracle.claim(lot, origin) - claim) < Fraction(1, 10**24)
            assert claimable.get(origin, 0) <= raw.get(origin, 0)
        assert not shares
        if oracle.from_nowhere(lot) == 0:
            assert found.remainder_e12 == 0


@settings(max_examples=100, deadline=None)
@given(steps=plants(), seed=st.randoms(use_true_random=False))
def test_downward_finds_what_upward_knows(steps, seed):
    oracle = Plant(steps)
    recorded = Recorded(steps)
    sources = {origin for origin in sorted(oracle.origins) if seed.random() < 0.5}
    found = dict(trace_down(sources, recorded.children.__getitem__, recorded.parents.__getitem__))
    expected = {lot for lot, made in oracle.lots.items() if made.ever & sources} - sources
    assert found.keys() == expected
    for lot, share in found.items():
        assert is_within_a_unit(share, sum((oracle.share(lot, origin) for origin in sources), Fraction(0)))


@settings(max_examples=100, deadline=None)
@given(steps=plants())
def test_vessel_contents_agree_with_the_oracle(steps):
    oracle = Plant(steps)
    recorded = Recorded(steps)
    for vessel in VESSELS:
        state = oracle.vessels.get(vessel.number)
        if state is None:
            continue
        charges, draws = recorded.charges[vessel], recorded.draws[vessel]
        found = contents(charges, draws, 10**15, model_of(vessel), is_proven=vessel.is_proven)
        assert found.dry_ug == state.mass == sum(mass for _, mass in found.by_charge)
        assert found.overdrawn_dry_ug == state.overdrawn
        booked = sum(line.dry_ug for line in charges) - sum(line.dry_ug for line in draws)
        assert found.dry_ug - found.overdrawn_dry_ug == booked
        for origin in oracle.origins:
            by_charge = sum(
                (mass * oracle.share(recorded.lot_of_charge[key], origin) for key, mass in found.by_charge),
                Fraction(0),
            )
            exact = sum((layer.amounts.get(("mass", origin), Fraction(0)) for layer in state.layers), Fraction(0))
            assert abs(by_charge - exact) <= len(charges)  # each charge is rounded to the microgram
        is_narrow = vessel.is_proven and not state.was_overdrawn
        ever = {lot for layer in state.layers for lot in layer.ever} if is_narrow else state.ever
        possible = {recorded.lot_of_charge[key] for key in found.possible}
        assert {lot for charged in possible for lot in oracle.lots[charged].ever} == ever


@settings(max_examples=60, deadline=None)
@given(steps=plants(), times=st.integers(2, 1000))
def test_more_of_everything_changes_no_share(steps, times):
    assert Recorded(steps, times=times).parents == Recorded(steps).parents


@settings(max_examples=60, deadline=None)
@given(steps=plants())
def test_the_order_of_lines_does_not_matter(steps):
    assert Recorded(steps, is_reversed=True).parents == Recorded(steps).parents


lots_fed = st.lists(st.tuples(st.integers(1, 6), st.integers(1, TRUCK_UG)), min_size=1, max_size=5)
producing_lines = st.tuples(lots_fed.map(parents_of_run), st.integers(1, TRUCK_UG))


@given(one=producing_lines, other=producing_lines)
def test_merging_is_commutative(one, other):
    assert merge_parents([one, other]) == merge_parents([other, one])


@given(one=producing_lines, two=producing_lines, three=producing_lines)
def test_merging_is_associative(one, two, three):
    def joined(left: tuple[Parents, int], right: tuple[Parents, int]) -> tuple[Parents, int]:
        return merge_parents([left, right]), left[1] + right[1]

    left_first, right_first = joined(joined(one, two), three)[0], joined(one, joined(two, three))[0]
    assert left_first.possible == right_first.possible
    weights, others = dict(left_first.shares), dict(right_first.shares)
    for lot in weights.keys() | others.keys():
        # Each merge rounds to one part in 10**30; two merges each way.
        assert abs(weights.get(lot, 0) - others.get(lot, 0)) <= 4


@given(inputs=lots_fed, pieces=st.lists(st.integers(1, TRUCK_UG), min_size=1, max_size=6))
def test_splitting_keeps_the_composition(inputs, pieces):
    parents = dict.fromkeys(range(1, 7), ORIGIN) | {10: parents_of_run(inputs)}
    whole = trace_up(10, parents.__getitem__)
    for place, piece in enumerate(pieces):
        parents[20 + place] = parents_of_run([(10, piece)])
        part = trace_up(20 + place, parents.__getitem__)
        assert replace(part, lot=10, visited=whole.visited) == whole


def test_the_oracle_imports_nothing_it_is_to_check():
    imported = set()
    for node in ast.walk(ast.parse(Path(plant_oracle.__file__).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            imported |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add(node.module or "")
    assert imported == {"collections", "dataclasses", "decimal", "fractions"}


@pytest.mark.parametrize(
    ("is_first_in_first_out", "first_draw", "second_draw"),
    [
        # Plant arithmetic of a silo, computed by hand: heel 3,200 + 18,000 - 10,000 + 12,000 - 15,000 kg.
        (False, (1_509.4, 8_490.6, 0.0), (1_093.0, 6_148.3, 7_758.6)),
        (True, (3_200.0, 6_800.0, 0.0), (0.0, 11_200.0, 3_800.0)),
    ],
)
def test_the_oracle_itself_on_a_silo_done_by_hand(is_first_in_first_out, first_draw, second_draw):
    vessel = Vessel(1, is_first_in_first_out, False)
    kg = 10**9
    steps: list[Step] = [
        Arrival(1),
        Arrival(2),
        Arrival(3),
        Campaign(vessel, (Flow(1, 0, 0, 3_200 * kg), Flow(2, 1, 1, 18_000 * kg)), (Flow(4, 2, 2, 10_000 * kg),)),
        Campaign(vessel, (Flow(3, 3, 3, 12_000 * kg),), (Flow(5, 4, 4, 15_000 * kg),)),
    ]
    oracle = Plant(steps)
    assert tuple(round(float(oracle.share(4, lot) * 10_000), 1) for lot in (1, 2, 3)) == first_draw
    assert tuple(round(float(oracle.share(5, lot) * 15_000), 1) for lot in (1, 2, 3)) == second_draw
    assert oracle.may_contain(4) == {1, 2}
    assert oracle.may_contain(5) == {1, 2, 3}
