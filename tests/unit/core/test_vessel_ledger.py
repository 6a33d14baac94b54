"""The ledger of one vessel, on cases small enough to do by hand.

Goal: shares follow the regime, possible charges follow the clock, and no mass appears or vanishes. Method:
literal cases; the numbers of the bay and of the mixed and the first-in-first-out silo were computed by hand
for the plant's acceptance list (P06, P10, P11), where 0.1 kg and 0.01 percentage points are allowed. That a
silo mixes unless it is proven to be mass flow is common practice, no source.
"""

from decimal import Decimal

import pytest

from service.core.apportion import SCALE, apportion
from service.core.quantities import percent_half_up
from service.core.vessel_ledger import (
    BadLine,
    Charge,
    Draw,
    FlowModel,
    Regime,
    UnknownDraw,
    contents,
    possible_charges_of_draw,
    sources_of_draw,
)

MIXED, FIFO = FlowModel(Regime.WELL_MIXED), FlowModel(Regime.FIRST_IN_FIRST_OUT)
KG = 10**9

F1, F2, F3 = 1, 2, 3
FIRST, SECOND = 11, 12
SILO_CHARGES = [Charge(F1, 0, 0, 3_200 * KG), Charge(F2, 1, 1, 18_000 * KG), Charge(F3, 3, 3, 12_000 * KG)]
SILO_DRAWS = [Draw(FIRST, 2, 2, 10_000 * KG), Draw(SECOND, 4, 4, 15_000 * KG)]


def kg_of(weight: int, total_kg: int) -> float:
    """Kilograms to the printed 0.1 kg."""
    return round(weight * total_kg / SCALE, 1)


def shares(charges, draws, key, model):
    """Weights as exact thousandths, with the unattributed one under None; the sum is checked on the way."""
    found = sources_of_draw(charges, draws, key, model)
    assert sum(weight for _, weight in found.shares) + found.unattributed == SCALE
    assert found.cut == 0
    weights = dict(found.shares) | ({None: found.unattributed} if found.unattributed else {})
    return {key: round(weight * 1000 / SCALE) for key, weight in weights.items()}


class TestLooseLoadsInABay:
    CHARGES = (Charge(1, 0, 0, 8_900 * KG), Charge(2, 1, 1, 7_450 * KG))

    def test_contents_are_the_two_loads(self):
        bay = contents(self.CHARGES, [], 2, MIXED)
        assert bay.dry_ug == 16_350 * KG
        assert bay.by_charge == ((1, 8_900 * KG), (2, 7_450 * KG))
        assert [percent_half_up(mass, bay.dry_ug) for _, mass in bay.by_charge] == [
            Decimal("54.43"),
            Decimal("45.57"),
        ]
        assert bay.possible == {1, 2}

    def test_a_draw_lists_both(self):
        assert possible_charges_of_draw(self.CHARGES, [Draw(9, 2, 2, KG)], 9, MIXED, False) == {1, 2}


class TestMixedSilo:
    def test_first_draw(self):
        found = dict(sources_of_draw(SILO_CHARGES, SILO_DRAWS, FIRST, MIXED).shares)
        assert {key: kg_of(weight, 10_000) for key, weight in found.items()} == {F1: 1_509.4, F2: 8_490.6}

    def test_second_draw(self):
        found = dict(sources_of_draw(SILO_CHARGES, SILO_DRAWS, SECOND, MIXED).shares)
        assert {key: kg_of(weight, 15_000) for key, weight in found.items()} == {
            F1: 1_093.0,
            F2: 6_148.3,
            F3: 7_758.6,
        }
        assert [percent_half_up(found[key], SCALE) for key in (F1, F2, F3)] == [
            Decimal("7.29"),
            Decimal("40.99"),
            Decimal("51.72"),
        ]

    def test_what_is_left(self):
        left = contents(SILO_CHARGES, SILO_DRAWS, 4, MIXED)
        assert left.dry_ug == sum(mass for _, mass in left.by_charge) == 8_200 * KG
        assert {key: round(mass / KG, 1) for key, mass in left.by_charge} == {
            F1: 597.5,
            F2: 3_361.1,
            F3: 4_241.4,
        }
        assert left.overdrawn_dry_ug == 0

    def test_a_later_charge_is_not_in_an_earlier_draw(self):
        assert possible_charges_of_draw(SILO_CHARGES, SILO_DRAWS, FIRST, MIXED, False) == {F1, F2}
        assert possible_charges_of_draw(SILO_CHARGES, SILO_DRAWS, SECOND, MIXED, False) == {F1, F2, F3}

    def test_cut_off_reports_what_it_did_not_name(self):
        found = sources_of_draw(SILO_CHARGES, SILO_DRAWS, SECOND, MIXED, cut_off=SCALE // 2)
        assert [key for key, _ in found.shares] == [F3]
        assert found.shares[0][1] + found.cut == SCALE
        assert percent_half_up(found.cut, SCALE) == Decimal("48.28")

    def test_cut_off_waits_for_the_earliest_slice_of_the_draw(self):
        # A draw before and after a large charge: the old half is asked for only further back.
        charges = [Charge(1, 0, 0, 1_000), Charge(2, 5, 5, 10**9)]
        found = sources_of_draw(charges, [Draw(9, 0, 10, 1_000)], 9, MIXED, cut_off=SCALE // 1_000)
        assert dict(found.shares)[1] == pytest.approx(SCALE // 2, rel=1e-5)
        assert found.cut == 0


class TestFirstInFirstOutSilo:
    def test_draws_follow_cumulative_mass(self):
        first = dict(sources_of_draw(SILO_CHARGES, SILO_DRAWS, FIRST, FIFO).shares)
        second = dict(sources_of_draw(SILO_CHARGES, SILO_DRAWS, SECOND, FIFO).shares)
        assert {key: kg_of(weight, 10_000) for key, weight in first.items()} == {F1: 3_200.0, F2: 6_800.0}
        assert {key: kg_of(weight, 15_000) for key, weight in second.items()} == {F2: 11_200.0, F3: 3_800.0}

    def test_without_proof_everything_stays_possible(self):
        assert possible_charges_of_draw(SILO_CHARGES, SILO_DRAWS, SECOND, FIFO, False) == {F1, F2, F3}

    def test_proof_narrows_to_the_overlapping_charges(self):
        assert possible_charges_of_draw(SILO_CHARGES, SILO_DRAWS, FIRST, FIFO, True) == {F1, F2}
        assert possible_charges_of_draw(SILO_CHARGES, SILO_DRAWS, SECOND, FIFO, True) == {F2, F3}

    def test_proof_of_another_regime_narrows_nothing(self):
        assert possible_charges_of_draw(SILO_CHARGES, SILO_DRAWS, SECOND, MIXED, True) == {F1, F2, F3}

    def test_proof_narrows_nothing_once_the_book_was_overdrawn(self):
        draws = [Draw(10, 0, 0, 3_200 * KG + 1), *SILO_DRAWS]
        assert possible_charges_of_draw(SILO_CHARGES, draws, SECOND, FIFO, True) == {F1, F2, F3}

    def test_what_is_left_is_exact(self):
        left = contents(SILO_CHARGES, SILO_DRAWS, 4, FIFO)
        assert (left.dry_ug, left.by_charge) == (8_200 * KG, ((F3, 8_200 * KG),))
        assert left.possible == {F1, F2, F3}
        assert contents(SILO_CHARGES, SILO_DRAWS, 4, FIFO, is_proven=True).possible == {F3}


class TestOverdrawnBook:
    CHARGES = (Charge(1, 0, 0, 600), Charge(2, 2, 2, 1_000))
    DRAWS = (Draw(8, 1, 1, 1_000), Draw(9, 3, 3, 1_000))

    @pytest.mark.parametrize("model", [MIXED, FIFO])
    def test_the_missing_mass_is_unattributed(self, model):
        assert shares(self.CHARGES, self.DRAWS, 8, model) == {1: 600, None: 400}

    @pytest.mark.parametrize("model", [MIXED, FIFO])
    def test_a_later_charge_does_not_repay_it(self, model):
        assert shares(self.CHARGES, self.DRAWS, 9, model) == {2: 1_000}
        after = contents(self.CHARGES, self.DRAWS, 2, model)
        assert (after.dry_ug, after.overdrawn_dry_ug, after.by_charge) == (1_000, 400, ((2, 1_000),))

    @pytest.mark.parametrize("model", [MIXED, FIFO])
    def test_a_vessel_never_charged_gives_nothing_known(self, model):
        assert shares([], [Draw(9, 0, 5, 10)], 9, model) == {None: 1_000}
        assert contents([], [Draw(9, 0, 5, 10)], 9, model).overdrawn_dry_ug == 10

    @pytest.mark.parametrize("model", [MIXED, FIFO])
    def test_two_draws_of_one_instant_share_what_is_there(self, model):
        draws = [Draw(8, 1, 1, 300), Draw(9, 1, 1, 900)]
        for key in (8, 9):
            assert shares([Charge(1, 0, 0, 600)], draws, key, model) == {1: 500, None: 500}

    @pytest.mark.parametrize("model", [MIXED, FIFO])
    def test_a_draw_of_no_mass_has_no_shares_but_all_possible(self, model):
        draws = [Draw(9, 1, 1, 0)]
        assert shares(self.CHARGES, draws, 9, model) == {None: 1_000}
        assert possible_charges_of_draw(self.CHARGES, draws, 9, model, True) == {1}


class TestTime:
    @pytest.mark.parametrize("model", [MIXED, FIFO])
    def test_at_one_instant_charges_come_before_draws(self, model):
        assert shares([Charge(1, 5, 5, 100)], [Draw(9, 5, 5, 100)], 9, model) == {1: 1_000}
        assert possible_charges_of_draw([Charge(1, 5, 5, 100)], [Draw(9, 5, 5, 100)], 9, model, False) == {1}

    @pytest.mark.parametrize("model", [MIXED, FIFO])
    def test_half_open_intervals(self, model):
        """A draw [0, 5) is over when something enters at 5; an instant draw at 5 precedes a charge from 5."""
        charges = [Charge(1, 0, 0, 1_000), Charge(2, 5, 5, 1_000), Charge(3, 5, 9, 1_000)]
        draws = [Draw(8, 0, 5, 400), Draw(9, 5, 5, 400)]
        assert possible_charges_of_draw(charges, draws, 8, model, False) == {1}
        assert possible_charges_of_draw(charges, draws, 9, model, False) == {1, 2}
        assert shares(charges, draws, 8, model) == {1: 1_000}
        assert 3 not in shares(charges, draws, 9, model)

    def test_overlapping_lines_are_cut_where_either_begins_or_ends(self):
        # Draw 0-10 of 1,000; content 1,000 of lot 1; 2,000 of lot 2 enter from 5 to 10. First half: lot 1
        # alone. Second half: 500 left, 2,000 enter, 500 leave meanwhile. Of the heel (500 / 2,000) ** (4 / 3)
        # = 0.15749 of the 2,000 standing are left, 314.98; so 185.02 of the 500 drawn.
        charges = [Charge(1, 0, 0, 1_000), Charge(2, 5, 10, 2_000)]
        assert shares(charges, [Draw(9, 0, 10, 1_000)], 9, MIXED) == {1: 685, 2: 315}
        assert shares(charges, [Draw(9, 0, 10, 1_000)], 9, FIFO) == {1: 1_000}

    def test_charges_of_one_slice_form_one_layer(self):
        charges = [Charge(1, 0, 10, 300), Charge(2, 0, 10, 700)]
        assert shares(charges, [Draw(9, 11, 11, 100)], 9, FIFO) == {1: 300, 2: 700}

    def test_contents_in_the_middle_of_a_charge(self):
        half = contents([Charge(1, 0, 10, 1_001)], [], 5, MIXED)
        assert half.dry_ug == 501  # a charge rounds up to the microgram
        assert contents([Charge(1, 0, 10, 1_001)], [], 10, MIXED).dry_ug == 1_001
        before = contents([Charge(1, 0, 10, 1_001)], [], 0, MIXED)
        assert (before.dry_ug, before.by_charge, before.possible) == (0, (), frozenset())

    @pytest.mark.parametrize("model", [MIXED, FIFO])
    def test_rounding_of_slices_never_overdraws(self, model):
        """What passes straight through: 7 + 7 in, 14 out, cut in thirds, with nothing to spare."""
        charges = [Charge(1, 0, 3, 7), Charge(2, 0, 3, 7)]
        draws = [Draw(8, 0, 3, 14), Draw(9, 5, 5, 1)]
        cut_in_thirds = [Charge(3, 1, 1, 0), Charge(4, 2, 2, 0)]
        found = sources_of_draw([*charges, *cut_in_thirds], draws, 8, model)
        assert found.unattributed == 0
        assert contents([*charges, *cut_in_thirds], draws, 4, model).overdrawn_dry_ug == 0

    @pytest.mark.parametrize("model", [MIXED, FIFO])
    def test_a_vessel_run_empty_forgets_in_shares_but_not_in_possible(self, model):
        charges = [Charge(1, 0, 0, 500), Charge(2, 2, 2, 500)]
        draws = [Draw(8, 1, 1, 500), Draw(9, 3, 3, 500)]
        assert shares(charges, draws, 9, model) == {2: 1_000}
        assert possible_charges_of_draw(charges, draws, 9, model, False) == {1, 2}


class TestRefusals:
    @pytest.mark.parametrize("kind", [Charge, Draw])
    def test_negative_mass(self, kind):
        with pytest.raises(BadLine, match=f"dry_ug of {kind.__name__.lower()} 7 is -1"):
            kind(7, 0, 0, -1)

    @pytest.mark.parametrize("kind", [Charge, Draw])
    def test_backward_interval(self, kind):
        with pytest.raises(BadLine, match="7 ends at 4, before its start 5"):
            kind(7, 5, 4, 1)

    def test_a_key_used_twice(self):
        with pytest.raises(BadLine, match="two charge lines have the key 1"):
            contents([Charge(1, 0, 0, 5), Charge(1, 1, 1, 5)], [], 2, MIXED)
        with pytest.raises(BadLine, match="two draw lines have the key 9"):
            sources_of_draw([], [Draw(9, 0, 0, 5), Draw(9, 1, 1, 5)], 9, MIXED)

    def test_an_unknown_draw(self):
        with pytest.raises(UnknownDraw, match="draw 10 is not among"):
            sources_of_draw([], [Draw(9, 0, 0, 5)], 10, MIXED)
        with pytest.raises(UnknownDraw, match="draw 10 is not among"):
            possible_charges_of_draw([], [Draw(9, 0, 0, 5)], 10, FIFO, True)


class TestApportion:
    def test_largest_remainders_get_the_rest(self):
        assert apportion(10, [5, 4, 3]) == [4, 3, 3]  # 4.17, 3.33, 2.50
        assert apportion(1, [1, 1]) == [1, 0]
        assert apportion(7, [0, 3, 0]) == [0, 7, 0]

    def test_nothing_to_split_by(self):
        assert apportion(0, [0, 0]) == [0, 0]
        with pytest.raises(ValueError, match="cannot split 5"):
            apportion(5, [0, 0])
