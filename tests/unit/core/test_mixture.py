"""Goal: mixing by mass keeps its sums, loses no claim to the cut-off, and says what exact fractions say.

Method: laws on random mixtures, some of them mixed, cut and withheld before; an exact mixture in fractions beside
them; and a few literal cases.
"""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.mixture import FINE, Mixture, fraction_of, from_nowhere, mix, of_source, withheld

MILLIONTH = FINE // 10**6
# Of each source a step loses less than one part of FINE; the largest takes what all of them lost.
ONE_STEP = 20

pure = st.one_of(
    st.builds(of_source, st.integers(1, 9), st.sampled_from([0, FINE // 3, FINE])),
    st.builds(from_nowhere, st.integers(1, 3)),
)
masses = st.one_of(st.integers(1, 10), st.integers(1, 10**15))
cut_offs = st.sampled_from([0, MILLIONTH, FINE // 100, FINE // 3])
kept_parts = st.sampled_from([Fraction(1), Fraction(1), Fraction(9, 10), Fraction(1, 3), Fraction(0)])


def mixed_once(kinds: st.SearchStrategy[Mixture]) -> st.SearchStrategy[Mixture]:
    parts = st.lists(st.tuples(kinds, masses), min_size=1, max_size=5)
    return st.builds(lambda parts, cut_off, kept: withheld(mix(parts, cut_off), kept), parts, cut_offs, kept_parts)


mixtures = st.recursive(pure, mixed_once, max_leaves=12)
parts_of_a_mix = st.lists(st.tuples(mixtures, masses), min_size=1, max_size=6)


def exactly(parts: list[tuple[Mixture, int]]) -> dict[int, Fraction]:
    """Weights by source as fractions of FINE, nothing rounded and nothing cut."""
    total = sum(mass for _, mass in parts)
    found: dict[int, Fraction] = {}
    for mixture, mass in parts:
        for source, weight in mixture.weights.items():
            found[source] = found.get(source, Fraction(0)) + Fraction(weight * mass, total)
    return found


@settings(max_examples=60)
@given(parts=parts_of_a_mix, cut_off=cut_offs)
def test_a_mixture_adds_up_and_names_nothing_below_the_cut_off(parts, cut_off):
    mixed = mix(parts, cut_off)
    assert sum(mixed.weights.values()) + mixed.cut == FINE
    assert all(weight >= max(cut_off, 1) for weight in mixed.weights.values())
    assert 0 <= mixed.cut <= FINE
    assert mixed.unattributed == sum(weight for source, weight in mixed.weights.items() if source < 0)


@settings(max_examples=60)
@given(parts=parts_of_a_mix, cut_off=cut_offs)
def test_a_mixture_says_what_exact_fractions_say(parts, cut_off):
    mixed = mix(parts, cut_off)
    truth = exactly(parts)
    for source, weight in mixed.weights.items():
        assert abs(weight - truth[source]) <= ONE_STEP
    unnamed = truth.keys() - mixed.weights.keys()
    assert all(truth[source] < max(cut_off, 1) for source in unnamed)
    total = sum(mass for _, mass in parts)
    cut_before = Fraction(sum(mixture.cut * mass for mixture, mass in parts), total)
    assert abs(mixed.cut - cut_before - sum(truth[source] for source in unnamed)) <= ONE_STEP


@settings(max_examples=60)
@given(parts=parts_of_a_mix, cut_off=cut_offs)
def test_the_cut_off_lowers_no_claim(parts, cut_off):
    whole, cut = mix(parts), mix(parts, cut_off)
    assert (cut.recycled, cut.recycled_claimable) == (whole.recycled, whole.recycled_claimable)
    total = sum(mass for _, mass in parts)
    exact = Fraction(sum(mixture.recycled * mass for mixture, mass in parts), total)
    assert 0 <= exact - whole.recycled < 1
    assert 0 <= cut.recycled_claimable <= cut.recycled <= FINE


@settings(max_examples=60)
@given(parts=parts_of_a_mix, cut_off=cut_offs)
def test_what_was_withheld_stays_withheld(parts, cut_off):
    mixed = mix(parts, cut_off)
    assert (mixed.claims is None) == all(mixture.claims is None for mixture, _ in parts)
    if mixed.claims is None:
        return
    assert mixed.claims.keys() == mixed.weights.keys()
    total = sum(mass for _, mass in parts)
    for source, claim in mixed.claims.items():
        brought = sum(
            (mixture.weights if mixture.claims is None else mixture.claims).get(source, 0) * mass
            for mixture, mass in parts
        )
        assert 0 <= claim <= mixed.weights[source]
        assert claim <= Fraction(brought, total)
        assert Fraction(brought, total) - claim <= ONE_STEP


@settings(max_examples=60)
@given(data=st.data(), parts=parts_of_a_mix, cut_off=cut_offs)
def test_the_order_of_the_parts_is_nothing(data, parts, cut_off):
    assert mix(data.draw(st.permutations(parts)), cut_off) == mix(parts, cut_off)


@settings(max_examples=60)
@given(parts=st.lists(st.tuples(mixtures, masses), min_size=2, max_size=6), place=st.integers(1, 5))
def test_mixing_in_two_steps_is_mixing_in_one(parts, place):
    place = min(place, len(parts) - 1)
    first, rest = parts[:place], parts[place:]
    stepwise = mix([(mix(first), sum(mass for _, mass in first)), *rest])
    at_once = mix(parts)
    for source in stepwise.weights.keys() | at_once.weights.keys():
        assert abs(stepwise.weights.get(source, 0) - at_once.weights.get(source, 0)) <= 2 * ONE_STEP
    assert abs(stepwise.cut - at_once.cut) <= 2 * ONE_STEP
    assert abs(stepwise.recycled - at_once.recycled) <= 2


@settings(max_examples=100)
@given(mixture=mixtures, mass=masses, kept=st.fractions(0, 1, max_denominator=1000))
def test_one_part_stays_what_it_was(mixture, mass, kept):
    assert mix([(mixture, mass)]) is mixture
    assert mix([(mixture, mass), (of_source(77, 0), 0)]) is mixture
    less = withheld(mixture, kept)
    assert (less.weights, less.cut, less.recycled) == (mixture.weights, mixture.cut, mixture.recycled)
    assert less.recycled_claimable == mixture.recycled_claimable * kept.numerator // kept.denominator


def test_what_is_too_small_is_cut_and_still_counts():
    crumb, rest = of_source(1, FINE), of_source(2, 0)
    mixed = mix([(crumb, 1), (rest, 10**6)], MILLIONTH)
    assert dict(mixed.weights) == {2: FINE - mixed.cut}
    assert mixed.cut == mixed.recycled == FINE // (10**6 + 1)
    assert mix([(crumb, 1), (rest, 999_999)], MILLIONTH).weights[1] == MILLIONTH
    # Also where a lot is made of one part only.
    again = mix([(mix([(crumb, 1), (rest, 999)]), 5)], FINE // 100)
    assert dict(again.weights) == {2: FINE - FINE // 1000}
    assert (again.cut, again.recycled) == (FINE // 1000, FINE // 1000)


def test_nothing_is_named_where_all_is_small():
    parts = [(of_source(number, FINE), 1) for number in range(1, 11)]
    mixed = mix(parts, FINE // 5)
    assert (dict(mixed.weights), mixed.cut, mixed.recycled) == ({}, FINE, FINE)
    assert mix([(mixed, 1), (of_source(1, FINE), 1)]).weights == {1: FINE // 2}


def test_a_gain_withholds_and_mass_from_nowhere_counts_nothing():
    made = withheld(of_source(1, FINE), Fraction(9, 10))
    mixed = mix([(made, 1), (from_nowhere(5), 1)])
    assert (mixed.unattributed, mixed.recycled, mixed.recycled_claimable) == (FINE // 2, FINE // 2, FINE * 45 // 100)
    assert mixed.claims == {1: FINE * 45 // 100, -5: FINE // 2}


@pytest.mark.parametrize("parts", [[], [(of_source(1, 0), 0)], [(of_source(1, 0), 2), (of_source(2, 0), -1)]])
def test_no_mass_and_less_than_none_are_refused(parts):
    with pytest.raises(ValueError, match="cannot mix masses"):
        mix(parts)


@pytest.mark.parametrize("kept", [Fraction(-1, 10), Fraction(11, 10)])
def test_more_than_all_cannot_be_withheld(kept):
    with pytest.raises(ValueError, match="cannot stay claimable"):
        withheld(of_source(1, 0), kept)


@pytest.mark.parametrize(
    ("weight", "shown"),
    [
        (0, Fraction(0)),
        (FINE, Fraction(1)),
        # Ninety per cent that ten thousand steps rounded down by one each.
        (FINE * 9 // 10 - 10_000, Fraction(9, 10)),
        (FINE * 9 // 10 - 10**6, Fraction(899_999_999_999, 10**12)),
        (1, Fraction(0)),
    ],
)
def test_a_weight_as_a_fraction(weight, shown):
    assert fraction_of(weight) == shown
