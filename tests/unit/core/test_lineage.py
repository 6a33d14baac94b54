"""The walk over lots, on the plant's acceptance cases and on graphs small enough to do by hand.

Goal: shares and remainder add up to one, nothing that may be in a lot is missed, claims are not inflated.
Method: literal cases. P10, P11, P13, P20 and P21 are the plant's acceptance list, computed by hand; 0.01
percentage points and 0.1 kg are allowed there. That rework inherits its share and is no new recycled
material: ISO 14021, definition of pre-consumer material as quoted on public pages.
"""

from decimal import Decimal
from fractions import Fraction

import pytest

from service.core.apportion import SCALE
from service.core.lineage import (
    ORIGIN,
    UNIT,
    BadWeight,
    Cycle,
    LineageInconsistent,
    Parents,
    merge_parents,
    parents_of_draw,
    parents_of_run,
    recycled_fraction,
    trace_down,
    trace_up,
)
from service.core.quantities import percent_cut_down, percent_half_up
from service.core.vessel_ledger import (
    Charge,
    Draw,
    DrawSources,
    FlowModel,
    Regime,
    contents,
    possible_charges_of_draw,
    sources_of_draw,
)

KG = 10**9


class Graph:
    """Lots and their parents; a lot without an entry is an origin."""

    def __init__(self):
        self.parents = {}

    def run(self, lot, *inputs_kg):
        self.parents[lot] = parents_of_run([(fed, kg * KG) for fed, kg in inputs_kg])
        return self

    def parents_of(self, lot):
        return self.parents.get(lot, ORIGIN)

    def children_of(self, lot):
        return [child for child, parents in self.parents.items() if lot in parents.possible]

    def up(self, lot, **options):
        found = trace_up(lot, self.parents_of, **options)
        assert sum(share for _, share in found.shares) + found.remainder_e12 == UNIT
        assert sum(weight for _, weight in found.raw) + found.raw_unattributed + found.raw_cut == SCALE
        assert {origin for origin, _ in found.shares} <= found.may_contain <= set(found.visited)
        return found

    def down(self, *sources):
        return dict(trace_down(sources, self.children_of, self.parents_of))


def percents(found):
    return {lot: percent_half_up(share, UNIT) for lot, share in found.shares}


class TestTraceUp:
    def test_an_origin_is_made_of_itself(self):
        found = Graph().up(7)
        assert found.shares == ((7, UNIT),)
        assert (found.may_contain, found.visited, found.remainder_e12) == ({7}, (7,), 0)

    def test_thirds_add_up_exactly(self):
        found = Graph().run(9, (1, 1), (2, 1), (3, 1)).up(9)
        assert found.shares == ((1, 333_333_333_334), (2, 333_333_333_333), (3, 333_333_333_333))
        assert found.remainder_e12 == 0

    def test_paths_that_meet_again_are_merged(self):
        # 1 reaches 9 by 5 and by 6: 1/2 of 3/4 and 1/4 whole.
        graph = Graph().run(5, (1, 50), (2, 50)).run(6, (1, 80)).run(9, (5, 75), (6, 25))
        assert graph.up(9).shares == ((1, UNIT * 5 // 8), (2, UNIT * 3 // 8))

    def test_a_lot_fed_twice_counts_with_its_whole_mass(self):
        assert Graph().run(9, (1, 10), (2, 20), (1, 10)).up(9).shares == ((1, UNIT // 2), (2, UNIT // 2))

    def test_visited_holds_intermediate_lots_each_before_its_parents(self):
        found = Graph().run(5, (1, 1)).run(6, (5, 1)).run(9, (6, 1), (5, 1), (1, 1)).up(9)
        assert found.visited == (9, 6, 5, 1)

    def test_a_long_chain_needs_no_recursion(self):
        graph = Graph()
        for lot in range(1, 20_000):
            graph.run(lot, (lot - 1, 1))
        assert graph.up(19_999).shares == ((0, UNIT),)

    def test_each_lot_is_asked_for_once(self):
        graph = Graph().run(5, (1, 1), (2, 1)).run(6, (1, 1), (5, 1)).run(9, (5, 1), (6, 1))
        asked = []

        def parents_of(lot):
            asked.append(lot)
            return graph.parents_of(lot)

        trace_up(9, parents_of)
        assert sorted(asked) == [1, 2, 5, 6, 9]


class TestMayContain:
    def test_follows_possible_where_no_share_leads(self):
        graph = Graph().run(5, (1, 1))
        graph.parents[9] = Parents(((2, SCALE),), 0, frozenset({2, 5}))
        found = graph.up(9)
        assert found.shares == ((2, UNIT),)
        assert found.may_contain == {1, 2}
        assert set(found.visited) == {9, 5, 2, 1}

    def test_no_cut_off_touches_it(self):
        graph = Graph().run(5, (1, 3), (2, 7)).run(9, (5, 1), (3, 99))
        found = graph.up(9, cut_off=SCALE // 50)
        assert dict(found.shares) == {3: UNIT * 99 // 100}
        assert found.remainder_e12 == UNIT // 100
        assert (found.raw_cut, found.raw_unattributed) == (SCALE // 100, 0)
        assert found.may_contain == {1, 2, 3}

    def test_the_cut_looks_at_merged_weight_not_at_paths(self):
        # Lot 5 reaches 9 by two paths of 1.5 % each: below 2 % apart, above it together.
        graph = Graph().run(5, (1, 1), (2, 1)).run(6, (5, 15), (3, 485)).run(7, (5, 15), (4, 485))
        graph.run(9, (6, 1), (7, 1))
        assert graph.up(9, cut_off=SCALE // 50).remainder_e12 == 0
        assert graph.up(9, cut_off=SCALE * 3 // 100).remainder_e12 == 0
        assert graph.up(9, cut_off=SCALE // 25).remainder_e12 == UNIT * 3 // 100

    def test_a_small_origin_is_still_named(self):
        assert dict(Graph().run(9, (1, 1), (2, 999)).up(9, cut_off=SCALE // 10).shares)[1] == UNIT // 1000

    @pytest.mark.parametrize(
        ("model", "is_proven", "expected"),
        [
            (FlowModel(Regime.WELL_MIXED), False, {1, 2, 3}),
            (FlowModel(Regime.FIRST_IN_FIRST_OUT), False, {1, 2, 3}),
            (FlowModel(Regime.FIRST_IN_FIRST_OUT), True, {2, 3}),
        ],
    )
    def test_second_draw_of_the_silo(self, model, is_proven, expected):
        """P10 and P11: shares by regime, the set narrowed by proof only."""
        charges = [Charge(31, 0, 0, 3_200 * KG), Charge(32, 1, 1, 18_000 * KG), Charge(33, 3, 3, 12_000 * KG)]
        draws = [Draw(41, 2, 2, 10_000 * KG), Draw(42, 4, 4, 15_000 * KG)]
        graph = Graph()
        graph.parents[9] = parents_of_draw(
            sources_of_draw(charges, draws, 42, model),
            possible_charges_of_draw(charges, draws, 42, model, is_proven),
            {31: 1, 32: 2, 33: 3},
        )
        found = graph.up(9)
        assert found.may_contain == expected
        masses = {lot: round(share * 15_000 / UNIT, 1) for lot, share in found.shares}
        if model.is_stirred:
            assert masses == {1: 1_093.0, 2: 6_148.3, 3: 7_758.6}
        else:
            assert masses == {2: 11_200.0, 3: 3_800.0}


class TestUnattributed:
    def test_goes_to_the_remainder_and_names_the_lot(self):
        graph = Graph()
        graph.parents[5] = Parents(((1, SCALE * 3 // 4),), SCALE // 4, frozenset({1}))
        found = graph.run(9, (5, 40), (2, 60)).up(9)
        assert dict(found.shares) == {1: UNIT * 3 // 10, 2: UNIT * 6 // 10}
        assert (found.remainder_e12, found.raw_unattributed) == (UNIT // 10, SCALE // 10)
        assert found.unattributed_at == {5}

    def test_is_named_however_small_and_far(self):
        graph = Graph()
        graph.parents[5] = Parents(((1, SCALE - 1),), 1, frozenset({1}))
        found = graph.run(9, (5, 1), (2, 999_999)).up(9, cut_off=SCALE // 1000)
        assert found.unattributed_at == {5}

    def test_a_run_without_inputs_makes_no_origin(self):
        assert parents_of_run([]) == Parents((), SCALE, frozenset())
        assert parents_of_run([(1, 0)]) == Parents((), SCALE, frozenset({1}))

    def test_what_the_vessel_ledger_cut_is_not_lost(self):
        found = parents_of_draw(
            DrawSources(((31, SCALE // 2), (32, SCALE // 4)), SCALE // 8, SCALE // 8),
            frozenset({31, 32, 33}),
            {31: 1, 32: 1, 33: 3},
        )
        assert found == Parents(((1, SCALE * 3 // 4),), SCALE // 4, frozenset({1, 3}))


class TestMerge:
    def test_a_topped_up_bag_mixes_its_two_lines_by_mass(self):
        first, second = parents_of_run([(1, 5)]), parents_of_run([(1, 1), (2, 1)])
        assert merge_parents([(first, 300), (second, 100)]) == Parents(
            ((1, SCALE * 7 // 8), (2, SCALE // 8)), 0, frozenset({1, 2})
        )

    def test_origins_merge_to_an_origin(self):
        assert merge_parents([(ORIGIN, 5), (ORIGIN, 7)]) == ORIGIN

    def test_mass_from_nowhere_beside_known_mass_is_unattributed(self):
        assert merge_parents([(ORIGIN, 100), (parents_of_run([(1, 5)]), 300)]) == Parents(
            ((1, SCALE * 3 // 4),), SCALE // 4, frozenset({1})
        )


class TestClaims:
    def test_rework_inherits_its_share(self):
        """P13: 94.54 shown 94.5; rework as fully recycled would give 94.61 and must not appear."""
        value = {1: Fraction(1), 2: Fraction(98, 100), 3: Fraction(0), 4: Fraction(0)}
        found = Graph().run(9, (1, 21_000), (2, 800), (3, 1_200), (4, 42)).up(9)
        recycled = recycled_fraction(found, value.__getitem__)
        assert percent_half_up(recycled.numerator, recycled.denominator) == Decimal("94.54")
        assert percent_cut_down(recycled.numerator, recycled.denominator) == Decimal("94.5")

    def test_rework_as_a_lot_with_its_own_parents_gives_the_same(self):
        graph = Graph().run(2, (1, 98), (3, 2)).run(9, (1, 21_000), (2, 800), (3, 1_200), (4, 42))
        value = {1: Fraction(1), 3: Fraction(0), 4: Fraction(0)}
        recycled = recycled_fraction(graph.up(9), value.__getitem__)
        assert percent_half_up(recycled.numerator, recycled.denominator) == Decimal("94.54")

    def test_two_lots_in_one_tank_truck(self):
        """P20: 95.04 shown 95.0, and both lots are on the way, so a hold on either reaches the truck."""
        found = Graph().run(9, (1, 14_000), (2, 9_200)).up(9)
        recycled = recycled_fraction(found, {1: Fraction(1), 2: Fraction(875, 1000)}.__getitem__)
        assert percent_half_up(recycled.numerator, recycled.denominator) == Decimal("95.04")
        assert percent_cut_down(recycled.numerator, recycled.denominator) == Decimal("95.0")
        assert found.visited == (9, 1, 2) or found.visited == (9, 2, 1)

    def test_the_remainder_counts_as_nothing(self):
        graph = Graph()
        graph.parents[9] = Parents(((1, SCALE * 9 // 10),), SCALE // 10, frozenset({1}))
        assert recycled_fraction(graph.up(9), lambda _: Fraction(1)) == Fraction(9, 10)

    def test_a_whole_percentage_survives_the_thirds_it_was_made_of(self):
        # 1/3 + 1/3 + 1/3 x 0.7 is 0.9 and must not be cut down to 89.9, whichever lot gets the odd unit.
        for low in (1, 2, 3):
            value = {lot: Fraction(7, 10) if lot == low else Fraction(1) for lot in (1, 2, 3)}
            found = Graph().run(9, (1, 1), (2, 1), (3, 1)).up(9)
            assert recycled_fraction(found, value.__getitem__) == Fraction(9, 10)

    def test_it_is_cut_down(self):
        found = Graph().run(9, (1, 2), (2, 1)).up(9)
        assert recycled_fraction(found, {1: Fraction(1), 2: Fraction(0)}.__getitem__) == Fraction(666_666_666_666, UNIT)

    def test_withheld_gain_follows_the_paths(self):
        # Lot 5 keeps 90 % claimable, lot 9 all: 1 reaches 9 by 5 (half) and directly (half).
        graph = Graph().run(5, (1, 1)).run(9, (5, 50), (1, 50))
        found = graph.up(9, passed={5: Fraction(9, 10), 9: Fraction(1)}.__getitem__)
        assert found.raw == ((1, SCALE),)
        assert found.claimable_raw == ((1, SCALE * 95 // 100),)
        assert recycled_fraction(found, lambda _: Fraction(1), is_claimable_only=True) == Fraction(95, 100)
        assert recycled_fraction(found, lambda _: Fraction(1)) == 1

    def test_gains_withheld_in_a_row_multiply(self):
        graph = Graph().run(5, (1, 1)).run(6, (5, 1)).run(9, (6, 1))
        assert graph.up(9, passed=lambda _: Fraction(1, 2)).claimable_raw == ((1, SCALE // 8),)

    @pytest.mark.parametrize("fraction", [Fraction(-1, 10), Fraction(11, 10)])
    def test_fractions_outside_0_to_1_are_refused(self, fraction):
        graph = Graph().run(9, (1, 1))
        with pytest.raises(BadWeight, match="passed fraction of lot 9"):
            graph.up(9, passed=lambda _: fraction)
        with pytest.raises(BadWeight, match="value of lot 1"):
            recycled_fraction(graph.up(9), lambda _: fraction)


class TestLoops:
    def test_rework_of_rework_is_a_new_lot_each_pass(self):
        # Each pass: 10 % of the lot before, 90 % of a fresh flake lot. The flake of n passes ago is left with
        # 0.9 x 0.1**n.
        graph = Graph().run(100, (1, 1))
        for turn in range(1, 6):
            graph.run(100 + turn, (100 + turn - 1, 10), (1 + turn, 90))
        found = dict(graph.up(105).shares)
        assert [found[lot] for lot in (6, 5, 4, 3, 2, 1)] == [
            UNIT * 9 // 10,
            UNIT * 9 // 100,
            UNIT * 9 // 1_000,
            UNIT * 9 // 10_000,
            UNIT * 9 // 100_000,
            UNIT // 100_000,
        ]

    def test_from_silo_to_silo_and_back_is_legal(self):
        # A holds 100 of lot 1; 50 to B beside 50 of lot 2; 50 of that back to A; then a draw from A.
        # A then has 50 of 1 and 50 of (25 + 25): 75 % and 25 %.
        mixed = FlowModel(Regime.WELL_MIXED)
        in_a = [Charge(1, 0, 0, 100), Charge(2, 3, 3, 50)]
        out_of_a = [Draw(11, 1, 1, 50), Draw(12, 4, 4, 60)]
        in_b = [Charge(3, 0, 0, 50), Charge(4, 1, 1, 50)]
        out_of_b = [Draw(13, 2, 2, 50)]
        lot_of_charge = {1: 1, 2: 7, 3: 2, 4: 6}
        graph = Graph()
        for lot, charges, draws, key in (
            (6, in_a, out_of_a, 11),
            (7, in_b, out_of_b, 13),
            (8, in_a, out_of_a, 12),
        ):
            possible = possible_charges_of_draw(charges, draws, key, mixed, False)
            graph.parents[lot] = parents_of_draw(sources_of_draw(charges, draws, key, mixed), possible, lot_of_charge)
        found = graph.up(8)
        assert found.shares == ((1, UNIT * 3 // 4), (2, UNIT // 4))
        assert set(found.visited) == {8, 7, 6, 2, 1}

    def test_a_real_cycle_is_refused_and_named(self):
        graph = Graph().run(5, (6, 1), (1, 1)).run(6, (7, 1)).run(7, (5, 1)).run(9, (5, 1))
        with pytest.raises(Cycle, match="lots lead back to themselves") as refused:
            graph.up(9)
        assert set(refused.value.lots) == {5, 6, 7}
        assert all(str(lot) in str(refused.value) for lot in (5, 6, 7))
        with pytest.raises(Cycle) as refused:
            graph.down(1)
        assert set(refused.value.lots) == {5, 6, 7}

    def test_a_lot_fed_into_itself_is_refused(self):
        with pytest.raises(Cycle) as refused:
            Graph().run(9, (9, 1), (1, 1)).up(9)
        assert refused.value.lots == (9,)


class TestTraceDown:
    BALE, OTHER_BALES, FL1, FL2, HEEL, FL3, PL1, PL2, REST = range(1, 10)

    def plant(self):
        """P21: the bale's wash, the silo with a heel, and what is left in the silo as a lot of its own."""
        graph = Graph()
        for flake in (self.FL1, self.FL2):
            graph.run(flake, (self.BALE, 520), (self.OTHER_BALES, 20_600 - 520))
        charges = [Charge(1, 0, 0, 4_000 * KG), Charge(2, 1, 1, 9_000 * KG)]
        draws = [Draw(3, 2, 2, 11_000 * KG)]
        lot_of_charge = {1: self.HEEL, 2: self.FL1}
        graph.parents[self.PL1] = parents_of_draw(
            sources_of_draw(charges, draws, 3, FlowModel(Regime.WELL_MIXED)),
            possible_charges_of_draw(charges, draws, 3, FlowModel(Regime.WELL_MIXED), False),
            lot_of_charge,
        )
        left = contents(charges, draws, 2, FlowModel(Regime.WELL_MIXED))
        assert left.dry_ug == 2_000 * KG
        graph.parents[self.REST] = parents_of_run([(lot_of_charge[key], mass) for key, mass in left.by_charge])
        return graph.run(self.PL2, (self.FL2, 5_210), (self.FL3, 16_000))

    def test_everything_that_may_hold_the_bale(self):
        found = self.plant().down(self.BALE)
        assert found.keys() == {self.FL1, self.FL2, self.PL1, self.PL2, self.REST}
        assert percent_half_up(found[self.PL1], UNIT) == Decimal("1.75")
        assert percent_half_up(found[self.PL2], UNIT) == Decimal("0.62")
        assert percent_half_up(found[self.REST], UNIT) == Decimal("1.75")
        # Expected bale mass in the three, kg: 11,000 x 1.7476 % + 2,000 x 1.7476 % + 21,210 x 0.6201 %.
        assert sum(
            round(found[lot] * kg / UNIT, 1) for lot, kg in ((self.PL1, 11_000), (self.REST, 2_000), (self.PL2, 21_210))
        ) == pytest.approx(192.2 + 35.0 + 131.5, abs=0.05)

    def test_it_agrees_with_the_way_up(self):
        graph = self.plant()
        for lot, share in graph.down(self.BALE).items():
            assert abs(dict(graph.up(lot).shares)[self.BALE] - share) <= 1

    def test_each_lot_comes_after_those_it_was_made_from(self):
        order = list(self.plant().down(self.BALE))
        assert order.index(self.FL1) < order.index(self.PL1)
        assert order.index(self.FL2) < order.index(self.PL2)

    def test_sources_in_a_row_count_once(self):
        graph = self.plant()
        assert graph.down(self.BALE, self.OTHER_BALES, self.FL1) == {
            self.FL2: UNIT,
            self.PL1: round(UNIT * 9 / 13),
            self.REST: round(UNIT * 9 / 13),
            self.PL2: round(UNIT * 5210 / 21210),
        }

    def test_a_lot_that_only_may_contain_it_is_listed_with_share_0(self):
        graph = Graph()
        graph.parents[9] = Parents(((2, SCALE),), 0, frozenset({1, 2}))
        assert graph.down(1) == {9: 0}

    def test_a_source_that_went_nowhere(self):
        assert self.plant().down(77) == {}

    def test_children_that_do_not_match_the_parents_are_refused(self):
        # 5 and 6 both hold lot 1 and 6 was made from 5 too, but 5 does not say so and 6 comes first.
        graph = Graph().run(5, (1, 1)).run(6, (1, 1), (5, 1))
        children = {1: [5, 6], 5: [], 6: []}
        with pytest.raises(LineageInconsistent, match="lot 6 may contain lot 5"):
            trace_down([1], children.__getitem__, graph.parents_of)


class TestRefusals:
    def test_weights_that_do_not_add_up(self):
        with pytest.raises(BadWeight, match="expected SCALE"):
            Parents(((1, SCALE - 1),), 0, frozenset({1}))

    def test_a_weight_of_zero_or_less(self):
        with pytest.raises(BadWeight, match="must be positive"):
            Parents(((1, SCALE), (2, 0)), 0, frozenset({1, 2}))
        with pytest.raises(BadWeight, match="must be positive"):
            Parents(((1, SCALE + 1),), -1, frozenset({1}))

    def test_a_share_of_a_lot_that_is_not_possible(self):
        with pytest.raises(BadWeight, match="among the possible"):
            Parents(((1, SCALE),), 0, frozenset({2}))

    def test_a_lot_named_twice(self):
        with pytest.raises(BadWeight, match="must differ"):
            Parents(((1, SCALE // 2), (1, SCALE // 2)), 0, frozenset({1}))

    def test_negative_masses(self):
        with pytest.raises(BadWeight, match="dry_ug of lot 1 is -5"):
            parents_of_run([(1, -5)])
        with pytest.raises(BadWeight, match="producing line is -5"):
            merge_parents([(parents_of_run([(1, 5)]), -5)])
