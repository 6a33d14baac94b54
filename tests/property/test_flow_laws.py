"""Laws of the flow through a vessel, on random books and against independent ones.

Goal: shares, complete sets and times are right for any order of charges and draws, instants and overlapping
intervals, changing rates, stops, and books that are overdrawn. Method: a queue of parcels in exact fractions
(`parcel_queue`) for what keeps its order, the same with parcels that overtake each other for the spread, an ODE
solver for the stirred vessel, and laws that hold whatever the flow. Interval flows have a whole number of
micrograms per microsecond, so that cutting them rounds nothing.
"""

import ast
from collections import defaultdict
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import parcel_queue
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from parcel_queue import Flow, Jostling, Queue
from scipy.integrate import solve_ivp

from service.core.apportion import SCALE
from service.core.residence import entry_window, suspect_discharge
from service.core.vessel_book import Charge, Draw, book_of
from service.core.vessel_ledger import (
    FlowModel,
    Regime,
    contents,
    possible_charges_of_draw,
    sources_of_draw,
)

TICK = 1_000
TICKS = 8
QUANTUM = 1_000
FIFO = FlowModel(Regime.FIRST_IN_FIRST_OUT)
MIXED = FlowModel(Regime.WELL_MIXED)

spreads = st.sampled_from([1, 50_000, 100_000, 330_000, 1_000_000]).map(
    lambda spread: FlowModel(Regime.PLUG_FLOW, spread_ppm=spread)
)
series = st.integers(2, 12).map(lambda tanks: FlowModel(Regime.TANKS_IN_SERIES, tanks=tanks))
models = st.one_of(st.sampled_from([FIFO, MIXED]), spreads, series)
spans = st.tuples(st.integers(0, TICKS), st.integers(0, TICKS)).map(lambda span: (min(span), max(span)))


def flows(first_key: int, most: int, most_quanta: int = 4) -> st.SearchStrategy[list[Flow]]:
    """Instants of so many quanta, or intervals of so many in each tick."""

    def flow(place: int, span: tuple[int, int], quanta: int) -> Flow:
        start, end = span
        return Flow(first_key + place, start * TICK, end * TICK, QUANTUM * quanta * max(end - start, 1))

    return st.lists(st.tuples(spans, st.integers(1, most_quanta)), min_size=1, max_size=most).map(
        lambda drawn: [flow(place, *each) for place, each in enumerate(drawn)]
    )


books = st.tuples(flows(1, 6), flows(101, 4))


@st.composite
def steady_books(draw: st.DrawFn) -> tuple[list[Flow], list[Flow]]:
    """A heel, then in each tick as much in as out, or a stop."""
    heel = draw(st.integers(1, 30))
    charges, draws = [Flow(1, 0, 0, QUANTUM * heel)], []
    for tick, quanta in enumerate(draw(st.lists(st.integers(0, 12), min_size=1, max_size=10))):
        if quanta:
            charges.append(Flow(2 + tick, tick * TICK, (tick + 1) * TICK, QUANTUM * quanta))
            draws.append(Flow(102 + tick, tick * TICK, (tick + 1) * TICK, QUANTUM * quanta))
    return charges, draws


def recorded(charges: list[Flow], draws: list[Flow]) -> tuple[list[Charge], list[Draw]]:
    return (
        [Charge(flow.key, flow.start, flow.end, flow.amount) for flow in charges],
        [Draw(flow.key, flow.start, flow.end, flow.amount) for flow in draws],
    )


@settings(max_examples=150, deadline=None)
@given(book=books)
def test_first_in_first_out_is_a_queue_of_parcels(book):
    queue = Queue(*book)
    charges, draws = recorded(*book)
    for draw in draws:
        amounts, missing = queue.in_draw(draw.key)
        found = sources_of_draw(charges, draws, draw.key, FIFO)
        assert abs(Fraction(found.unattributed, SCALE) - missing / draw.dry_ug) < Fraction(1, 10**25)
        assert dict(found.shares).keys() == amounts.keys()
        for key, weight in found.shares:
            assert abs(Fraction(weight, SCALE) - amounts[key] / draw.dry_ug) < Fraction(1, 10**25)
        if not queue.is_overdrawn_by(draw.end + 1):
            assert possible_charges_of_draw(charges, draws, draw.key, FIFO, True) == amounts.keys()
    held: dict[int, Fraction] = defaultdict(Fraction)
    for parcel in queue.standing:
        for key, amount in parcel.amounts.items():
            held[key] += amount
    found_held = dict(contents(charges, draws, TICKS * TICK, FIFO).by_charge)
    for key in held.keys() | found_held.keys():
        assert abs(held[key] - found_held.get(key, 0)) <= 1


@settings(max_examples=150, deadline=None)
@given(book=books, span=spans)
def test_times_of_entry_are_those_of_the_parcels(book, span):
    out_from, out_to = span[0] * TICK, max(span[1], span[0] + 1) * TICK
    queue = Queue(book[0], book[1], more_cuts=(out_from, out_to))
    found = entry_window(book_of(*recorded(*book)), out_from, out_to, FIFO)
    expected = queue.entered(out_from, out_to)
    if expected is None or found is None:
        assert (found, expected) == (None, None)
    elif not Queue(*book).is_overdrawn_by(out_to):
        assert [abs(time - exact) <= 1 for time, exact in zip(found, expected, strict=True)] == [True, True]
    else:
        assert found[0] <= expected[0]
        assert found[1] >= expected[1]


@settings(max_examples=150, deadline=None)
@given(book=books, span=spans)
def test_an_excursion_is_suspect_until_the_last_parcel_is_out(book, span):
    from_us, to_us = span[0] * TICK, max(span[1], span[0] + 1) * TICK
    queue = Queue(book[0], book[1], more_cuts=(from_us, to_us))
    found_from, found_to = suspect_discharge(book_of(*recorded(*book)), from_us, to_us, FIFO)
    assert found_from == from_us
    if queue.is_overdrawn_by(TICKS * TICK + 1):
        assert found_to is None or found_to == from_us
    elif queue.standing_at[to_us]:
        expected = queue.out_by(to_us)
        assert found_to == expected if expected is None or found_to is None else abs(found_to - expected) <= 1
    else:
        assert found_to is not None
        assert found_to <= to_us


@settings(max_examples=200, deadline=None)
@given(book=books, model=spreads, chance=st.randoms(use_true_random=False))
def test_no_jostling_within_the_spread_brings_out_what_was_ruled_out(book, model, chance):
    jostling = Jostling(book[0], book[1], QUANTUM, TICK, Fraction(model.spread_ppm, 10**6), chance)
    charges, draws = recorded(*book)
    for key, seen in jostling.in_draw.items():
        assert seen <= possible_charges_of_draw(charges, draws, key, model, True)


@settings(max_examples=200, deadline=None)
@given(book=steady_books(), model=spreads, chance=st.randoms(use_true_random=False))
def test_nor_does_it_in_a_vessel_kept_full(book, model, chance):
    jostling = Jostling(book[0], book[1], QUANTUM, TICK, Fraction(model.spread_ppm, 10**6), chance)
    charges, draws = recorded(*book)
    for key, seen in jostling.in_draw.items():
        assert seen <= possible_charges_of_draw(charges, draws, key, model, True)


@settings(max_examples=150, deadline=None)
@given(book=books, model=models, is_proven=st.booleans(), cut_off=st.sampled_from([0, SCALE // 1_000]))
def test_whatever_the_flow_nothing_is_lost_and_every_share_is_possible(book, model, is_proven, cut_off):
    charges, draws = recorded(*book)
    for draw in draws:
        found = sources_of_draw(charges, draws, draw.key, model, cut_off=cut_off)
        assert sum(weight for _, weight in found.shares) + found.unattributed + found.cut == SCALE
        assert all(weight > 0 for _, weight in found.shares)
        assert 0 <= found.cut <= cut_off
        possible = possible_charges_of_draw(charges, draws, draw.key, model, is_proven)
        assert {key for key, _ in found.shares} <= possible
        assert possible <= possible_charges_of_draw(charges, draws, draw.key, model, False)
    for at in range(0, (TICKS + 1) * TICK, TICK):
        held = contents(charges, draws, at, model, is_proven=is_proven)
        assert sum(mass for _, mass in held.by_charge) == held.dry_ug
        assert {key for key, _ in held.by_charge} <= held.possible
        for key, mass in held.by_charge:
            charged = next(charge.dry_ug for charge in charges if charge.key == key)
            assert 0 < mass <= charged + 1


@settings(max_examples=100, deadline=None)
@given(book=books, model=models, chance=st.randoms(use_true_random=False))
def test_the_order_of_lines_does_not_matter(book, model, chance):
    charges, draws = recorded(*book)
    shuffled_charges, shuffled_draws = list(charges), list(draws)
    chance.shuffle(shuffled_charges)
    chance.shuffle(shuffled_draws)
    for draw in draws:
        asked = (draw.key, model)
        assert sources_of_draw(charges, draws, *asked) == sources_of_draw(shuffled_charges, shuffled_draws, *asked)


@settings(max_examples=100, deadline=None)
@given(book=steady_books(), model=models)
def test_in_a_vessel_kept_full_every_charge_is_found_once(book, model):
    """In all draws and in what stands there is as much of each charge as was charged."""
    charges, draws = recorded(*book)
    found: dict[int, Fraction] = defaultdict(Fraction)
    for draw in draws:
        for key, weight in sources_of_draw(charges, draws, draw.key, model).shares:
            found[key] += Fraction(weight * draw.dry_ug, SCALE)
    for key, mass in contents(charges, draws, 10**6, model).by_charge:
        found[key] += mass
    for charge in charges:
        # What stands is in whole micrograms, one rounding for each charge.
        assert abs(found[charge.key] - charge.dry_ug) <= 1 + Fraction(1, 10**12)


@settings(max_examples=25, deadline=None)
@given(book=books, heel=st.integers(130, 300))
def test_a_stirred_vessel_is_what_an_ode_solver_makes_of_it(book, heel):
    """One tracer for each charge, over a heel large enough for all the draws."""
    charges, draws = recorded([Flow(99, 0, 0, QUANTUM * heel), *book[0]], book[1])
    kinds = [charge.key for charge in charges]
    held = dict.fromkeys(kinds, 0.0)
    drawn: dict[int, dict[int, float]] = {draw.key: dict.fromkeys(kinds, 0.0) for draw in draws}
    times = sorted({time for flow in (*book[0], *book[1]) for time in (flow.start, flow.end)} | {0})
    for before, at in pairwise([-1, *times]):
        rates_out = {draw.key: rate(draw, before, at) for draw in draws}
        left = solve_slice(held, {line.key: rate(line, before, at) for line in charges}, rates_out, at - before)
        for key, rate_out in rates_out.items():
            for kind in kinds if rate_out else ():
                drawn[key][kind] += left[kind] * rate_out / sum(rates_out.values())
        for line in charges:
            held[line.key] += line.dry_ug if line.start == line.end == at else 0
        total = sum(held.values())
        at_once = {draw.key: draw.dry_ug / total for draw in draws if draw.start == draw.end == at}
        for key, part in at_once.items():
            for kind in kinds:
                drawn[key][kind] += held[kind] * part
        for kind in kinds:
            held[kind] *= 1 - sum(at_once.values())
        standing = dict(contents(charges, draws, at, MIXED).by_charge)
        assert [standing.get(kind, 0) for kind in kinds] == pytest.approx(list(held.values()), abs=1.02)
        for draw in (draw for draw in draws if draw.end == at):
            found = dict(sources_of_draw(charges, draws, draw.key, MIXED).shares)
            masses = [found.get(kind, 0) / SCALE * draw.dry_ug for kind in kinds]
            assert masses == pytest.approx(list(drawn[draw.key].values()), abs=2e-2)


def rate(line: Charge | Draw, start: int, end: int) -> float:
    return line.dry_ug / (line.end - line.start) if line.start <= start and end <= line.end > line.start else 0.0


def solve_slice(
    held: dict[int, float], rates_in: dict[int, float], rates_out: dict[int, float], time: int
) -> dict[int, float]:
    """Carry the tracers through a slice of constant rates and return what left of each."""
    kinds = list(held)
    total_out = sum(rates_out.values())
    start, net = sum(held.values()), sum(rates_in.values()) - total_out
    if not total_out and not net:
        return dict.fromkeys(kinds, 0.0)

    def change(at, masses):
        left = [total_out * mass / (start + net * at) if start else 0.0 for mass in masses[: len(kinds)]]
        return [rates_in[kind] - out for kind, out in zip(kinds, left, strict=True)] + left

    solved = solve_ivp(change, (0, time), [*held.values(), *(0.0 for _ in kinds)], rtol=1e-10, atol=1e-6)
    for place, kind in enumerate(kinds):
        held[kind] = float(solved.y[place, -1])
    return {kind: float(solved.y[len(kinds) + place, -1]) for place, kind in enumerate(kinds)}


def test_the_parcels_import_nothing_they_are_to_check():
    imported = set()
    for node in ast.walk(ast.parse(Path(parcel_queue.__file__).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            imported |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add(node.module or "")
    assert imported == {"collections", "dataclasses", "fractions", "itertools", "random"}
