"""Goal: whatever way mass was split, each source's share of the lot lies between its bounds; and they are no wider.

Method: random masses of sources and random amounts of each that went into the lot, which may also hold something
unknown; the extreme splits are made by hand.
"""

from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.bounds import share_bounds
from service.core.quantities import SHARE_ONE

kilograms = st.integers(0, 10**12)


@st.composite
def splits(draw: st.DrawFn) -> tuple[dict[int, int], dict[int, int]]:
    """Mass of each source, and how much of it is in the lot; not nothing."""
    there = draw(st.dictionaries(st.integers(1, 20), kilograms, min_size=1, max_size=6))
    inside = {source: draw(st.integers(0, mass)) for source, mass in there.items()}
    if not any(inside.values()):
        source = draw(st.sampled_from(sorted(there)))
        inside[source], there[source] = 1, max(there[source], 1)
    return there, inside


@settings(max_examples=100)
@given(split=splits(), unknown=st.sampled_from([0, 0, 1, 10**6, 10**12]))
def test_every_split_of_the_masses_lies_within_the_bounds(split, unknown):
    there, inside = split
    lot = sum(inside.values()) + unknown
    bounds = share_bounds(there, lot, is_complete=not unknown)
    assert bounds.keys() == there.keys()
    for source, (least, greatest) in bounds.items():
        assert 0 <= least <= Fraction(inside[source], lot) * SHARE_ONE <= greatest <= SHARE_ONE
    if unknown:
        assert all(least == 0 for least, _ in bounds.values())
    else:
        assert sum(least for least, _ in bounds.values()) <= SHARE_ONE <= sum(most for _, most in bounds.values())


@settings(max_examples=100)
@given(split=splits())
def test_the_bounds_are_reached(split):
    there, inside = split
    lot = sum(inside.values())
    for source, (least, greatest) in share_bounds(there, lot, is_complete=True).items():
        fullest = min(there[source], lot)
        emptiest = max(lot - (sum(there.values()) - there[source]), 0)
        assert least == emptiest * SHARE_ONE // lot
        assert greatest == -(-fullest * SHARE_ONE // lot)


def test_a_lot_of_two_bales_that_one_cannot_fill():
    assert share_bounds({1: 300, 2: 900}, 1_000, is_complete=True) == {
        1: (SHARE_ONE // 10, 3 * SHARE_ONE // 10),
        2: (7 * SHARE_ONE // 10, 9 * SHARE_ONE // 10),
    }
    assert share_bounds({1: 300, 2: 900}, 1_000, is_complete=False)[2] == (0, 9 * SHARE_ONE // 10)
