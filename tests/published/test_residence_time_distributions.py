"""Goal: tanks in series have the residence time distribution that the textbooks print, in the domain of mass.

Method: against the gamma distribution of another library, layer by layer; against an ODE solver that moves
tracers through the tanks themselves while the rate changes and stops; and the published moments.

Source : O. Levenspiel, Chemical Reaction Engineering, 3rd ed. (1999), tanks-in-series model: with N tanks and
theta = t / tau, E = N (N theta)**(N-1) / (N-1)! * exp(-N theta), variance of theta = 1 / N; H. S. Fogler,
Elements of Chemical Reaction Engineering, tanks-in-series model, F = 1 - exp(-N theta) * sum of (N theta)**i / i!
(the equations from memory; the gamma distribution with shape N and scale tau / N is the same).
"""

from itertools import accumulate, pairwise

import pytest
from scipy.integrate import quad, solve_ivp
from scipy.stats import gamma

from service.core.apportion import SCALE
from service.core.vessel_book import book_of
from service.core.vessel_ledger import Charge, Draw, FlowModel, Regime, contents, sources_of_draw

KG = 10**9
HOLD_UP_KG = 3_000
# Through the full vessel: (kg, hours) of each feed. A stop of 5 hours follows the third; the rates differ by 20 times.
FEEDS = ((900, 1), (450, 3), (1_500, 2), (0, 5), (700, 1), (2_500, 1), (1_200, 6))
TANKS = (2, 3, 10, 50)


def steady_book():
    """A heel, then as much in as out: one charge for each feed, and two draws."""
    times = list(accumulate((hours for _, hours in FEEDS), initial=0))
    charges = [Charge(0, 0, 0, HOLD_UP_KG * KG)]
    draws = []
    for place, ((kg, _), (start, end)) in enumerate(zip(FEEDS, pairwise(times), strict=True), 1):
        charges.append(Charge(place, start, end, kg * KG))
        draws.append(Draw(100 + place, start, end, kg * KG))
    return charges, draws


def share_of_feed(tanks, feed_from, feed_to, draw_from, draw_to):
    """By the published distribution: of what leaves at cumulative mass x, F(x - from) - F(x - to) entered between."""
    ages = gamma(tanks, scale=HOLD_UP_KG / tanks)
    total, _ = quad(
        lambda at: ages.cdf(at - feed_from) - ages.cdf(at - feed_to),
        draw_from,
        draw_to,
        points=[min(max(feed_from, draw_from), draw_to), min(max(feed_to, draw_from), draw_to)],
        epsabs=1e-9,
        limit=200,
    )
    return total / (draw_to - draw_from)


@pytest.mark.parametrize("tanks", TANKS)
def test_shares_are_those_of_the_gamma_distribution(tanks):
    charges, draws = steady_book()
    model = FlowModel(Regime.TANKS_IN_SERIES, tanks=tanks)
    passed_kg = list(accumulate((kg for kg, _ in FEEDS), initial=0))
    book = book_of(charges, draws)
    for place, (draw_from, draw_to) in enumerate(pairwise(passed_kg), 1):
        if draw_from == draw_to:
            continue
        found = dict(sources_of_draw(charges, draws, 100 + place, model, book=book).shares)
        assert sum(found.values()) == SCALE
        for feed, (feed_from, feed_to) in enumerate(pairwise(passed_kg), 1):
            expected = share_of_feed(tanks, feed_from, feed_to, draw_from, draw_to)
            assert found.get(feed, 0) / SCALE == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("tanks", TANKS)
def test_what_stands_is_what_the_distribution_leaves(tanks):
    charges, draws = steady_book()
    held = dict(contents(charges, draws, 10**6, FlowModel(Regime.TANKS_IN_SERIES, tanks=tanks)).by_charge)
    ages = gamma(tanks, scale=HOLD_UP_KG / tanks)
    passed_kg = list(accumulate((kg for kg, _ in FEEDS), initial=0))
    for feed, (feed_from, feed_to) in enumerate(pairwise(passed_kg), 1):
        expected_kg, _ = quad(ages.sf, passed_kg[-1] - feed_to, passed_kg[-1] - feed_from, epsabs=1e-9)
        assert held.get(feed, 0) / KG == pytest.approx(expected_kg, abs=1e-6)


@pytest.mark.parametrize("tanks", TANKS)
def test_an_ode_solver_moves_the_tracers_alike(tanks):
    """Each feed is a tracer; every tank passes on what it holds, mixed, at the rate of the hour."""
    charges, draws = steady_book()
    model = FlowModel(Regime.TANKS_IN_SERIES, tanks=tanks)
    book = book_of(charges, draws)
    volume = HOLD_UP_KG / tanks
    kinds = len(FEEDS) + 1
    # Mass of each tracer in each tank, then what has left of each in all.
    state = [volume if kind == 0 else 0.0 for kind in range(kinds) for _ in range(tanks)] + [0.0] * kinds

    def flow(feed, rate):
        def change(_, masses):
            changes, left = [], []
            for kind in range(kinds):
                inflow = rate if kind == feed else 0.0
                for tank in range(tanks):
                    outflow = rate * masses[kind * tanks + tank] / volume
                    changes.append(inflow - outflow)
                    inflow = outflow
                left.append(inflow)
            return changes + left

        return change

    for feed, (kg, hours) in enumerate(FEEDS, 1):
        before = state[kinds * tanks :]
        solved = solve_ivp(flow(feed, kg / hours), (0, hours), state, method="DOP853", rtol=1e-9, atol=1e-7)
        state = list(solved.y[:, -1])
        if kg == 0:
            continue
        found = dict(sources_of_draw(charges, draws, 100 + feed, model, book=book).shares)
        for kind in range(kinds):
            left_kg = state[kinds * tanks + kind] - before[kind]
            assert found.get(kind, 0) / SCALE * kg == pytest.approx(left_kg, abs=1e-4)
    held = dict(contents(charges, draws, 10**6, model).by_charge)
    for kind in range(kinds):
        standing_kg = sum(state[kind * tanks : (kind + 1) * tanks])
        assert held.get(kind, 0) / KG == pytest.approx(standing_kg, abs=1e-4)


@pytest.mark.parametrize("tanks", TANKS)
def test_mean_and_variance_of_a_pulse(tanks):
    """Levenspiel: the mean of theta is 1 and its variance 1 / N. A pulse of 1 kg, followed for eight hold-ups."""
    pulse_kg, kg_of_draw, count = 1, 150, 160
    charges = [Charge(0, 0, 0, HOLD_UP_KG * KG), Charge(1, 0, 1, pulse_kg * KG)]
    draws = [Draw(100, 0, 1, pulse_kg * KG)]
    for place in range(1, count + 1):
        charges.append(Charge(1 + place, place, place + 1, kg_of_draw * KG))
        draws.append(Draw(100 + place, place, place + 1, kg_of_draw * KG))
    book = book_of(charges, draws)
    model = FlowModel(Regime.TANKS_IN_SERIES, tanks=tanks)
    weights, thetas = [], []
    for draw in draws[1:]:
        share = dict(sources_of_draw(charges, draws, draw.key, model, book=book, cut_off=10**9).shares).get(1, 0)
        weights.append(share / SCALE * kg_of_draw / pulse_kg)
        thetas.append((draw.key - 100 - 0.5) * kg_of_draw / HOLD_UP_KG)
    assert sum(weights) == pytest.approx(1, abs=2e-3)
    mean = sum(weight * theta for weight, theta in zip(weights, thetas, strict=True)) / sum(weights)
    variance = sum(weight * (theta - mean) ** 2 for weight, theta in zip(weights, thetas, strict=True)) / sum(weights)
    assert mean == pytest.approx(1, abs=2e-3)
    assert variance == pytest.approx(1 / tanks, abs=1e-3)
