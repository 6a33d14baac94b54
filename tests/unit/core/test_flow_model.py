"""Plug flow with a spread and tanks in series, on cases small enough to do by hand.

Goal: shares follow the stated flow by cumulative mass, whatever the rates did, and a range is narrowed only by
proof. Method: literal cases. The distribution of tanks in series is checked against its published closed form
in `tests/published`, random books in `tests/property/test_flow_laws`.
"""

from itertools import pairwise

import pytest

from service.core.apportion import SCALE
from service.core.vessel_ledger import (
    BadFlowModel,
    Charge,
    Draw,
    FlowModel,
    Regime,
    contents,
    possible_charges_of_draw,
    sources_of_draw,
)

KG = 10**9
FIFO = FlowModel(Regime.FIRST_IN_FIRST_OUT)
SPREAD = FlowModel(Regime.PLUG_FLOW, spread_ppm=100_000)
TANKS = FlowModel(Regime.TANKS_IN_SERIES, tanks=4)
# 10 t stand; from 0 to 10 as much enters as leaves, then the line stands still, and goes on at a third of the rate.
STANDING_10_T = (Charge(1, 0, 0, 10_000 * KG), Charge(2, 0, 10, 10_000 * KG), Charge(3, 50, 80, 10_000 * KG))


def draws_at(*cuts_kg):
    """Draws of the vessel above, cut at these cumulative masses, at the rate of the charges."""
    return [
        Draw(90 + place, time_after(start), time_after(end) if end > 10_000 else end // 1_000, (end - start) * KG)
        for place, (start, end) in enumerate(pairwise(cuts_kg))
    ]


def time_after(kg):
    return kg // 1_000 if kg < 10_000 else 50 + (kg - 10_000) * 3 // 1_000


def per_mille(found):
    assert sum(weight for _, weight in found.shares) + found.unattributed + found.cut == SCALE
    return {key: round(weight * 1000 / SCALE) for key, weight in found.shares}


class TestPlugFlow:
    @pytest.mark.parametrize(
        ("from_kg", "to_kg", "expected"),
        [
            (0, 8_000, {1: 1_000}),
            # The range is 7,000 to 11,000. Of what leaves after 9,000, a quarter is younger than 10,000.
            (8_000, 10_000, {1: 875, 2: 125}),
            (9_000, 10_000, {1: 750, 2: 250}),
            # Beyond the stop, at another rate: only mass counts.
            (10_000, 12_000, {1: 125, 2: 875}),
            (12_000, 18_000, {2: 1_000}),
            (19_000, 20_000, {2: 750, 3: 250}),
        ],
    )
    def test_shares_by_cumulative_mass(self, from_kg, to_kg, expected):
        cuts = sorted({0, from_kg, to_kg, 10_000, 20_000})
        draws = draws_at(*cuts)
        key = 90 + cuts.index(from_kg)
        assert per_mille(sources_of_draw(STANDING_10_T, draws, key, SPREAD)) == expected
        assert possible_charges_of_draw(STANDING_10_T, draws, key, SPREAD, True) == expected.keys()

    def test_the_range_reaches_further_than_a_visible_share(self):
        # From 10,900 on: down to 9,900, which 0.1 t of the first charge still is.
        draws = draws_at(0, 10_000, 11_000, 20_000)
        assert possible_charges_of_draw(STANDING_10_T, draws, 91, SPREAD, True) == {1, 2}
        draws = draws_at(0, 10_000, 11_000, 20_000)
        assert possible_charges_of_draw(STANDING_10_T, draws, 92, SPREAD, True) == {2, 3}

    def test_without_proof_all_that_had_begun_is_possible(self):
        draws = draws_at(0, 8_000, 10_000, 20_000)
        assert possible_charges_of_draw(STANDING_10_T, draws, 90, SPREAD, False) == {1, 2}
        assert possible_charges_of_draw(STANDING_10_T, draws, 92, SPREAD, False) == {1, 2, 3}

    def test_proof_narrows_nothing_once_the_book_was_overdrawn(self):
        draws = [Draw(80, 0, 0, 10_001 * KG), Draw(81, 90, 90, 5_000 * KG)]
        assert possible_charges_of_draw(STANDING_10_T, draws, 81, SPREAD, True) == {1, 2, 3}

    def test_what_stands_is_what_has_not_left(self):
        # 9,000 left: all older than 8,000 is gone. Of 8,000 to 10,000 a line from nothing to all is still there.
        held = contents(STANDING_10_T, draws_at(0, 9_000), 9, SPREAD, is_proven=True)
        assert held.by_charge == ((1, 1_000 * KG), (2, 9_000 * KG))
        assert held.possible == {1, 2}
        # 10,000 left: of 9,000 to 10,000 a quarter, of 10,000 to 11,000 three quarters.
        held = contents(STANDING_10_T, draws_at(0, 10_000), 10, SPREAD, is_proven=True)
        assert held.by_charge == ((1, 250 * KG), (2, 9_750 * KG))
        assert contents(STANDING_10_T, draws_at(0, 10_000, 11_000), 53, SPREAD, is_proven=True).possible == {2, 3}

    def test_the_first_draw_has_nothing_older_to_reach_for(self):
        """The spread before the first charge is folded back: 500 of 1,000 would come from before the beginning."""
        charges = [Charge(1, 0, 0, 500 * KG), Charge(2, 1, 1, 9_500 * KG)]
        # A point of the draw at x has x + 1,000 and, folded, 1,000 - x ahead of it: uniform, so half and half.
        draws = [Draw(9, 2, 3, 1_000 * KG)]
        steady = [*charges, Charge(3, 2, 3, 1_000 * KG)]
        assert per_mille(sources_of_draw(steady, draws, 9, SPREAD)) == {1: 438, 2: 562}

    @pytest.mark.parametrize("spread_ppm", [0, 1])
    def test_no_spread_is_first_in_first_out(self, spread_ppm):
        charges = [Charge(1, 0, 0, 3_200 * KG), Charge(2, 1, 1, 18_000 * KG), Charge(3, 3, 3, 12_000 * KG)]
        draws = [Draw(11, 2, 2, 10_000 * KG), Draw(12, 4, 4, 15_000 * KG)]
        model = FlowModel(Regime.PLUG_FLOW, spread_ppm=spread_ppm)
        for key in (11, 12):
            narrow = sources_of_draw(charges, draws, key, FIFO)
            assert per_mille(sources_of_draw(charges, draws, key, model)) == per_mille(narrow)
            if spread_ppm == 0:
                assert sources_of_draw(charges, draws, key, model) == narrow

    def test_a_vessel_emptied_at_once_gives_all_it_had(self):
        charges = [Charge(1, 0, 0, 400 * KG), Charge(2, 1, 1, 600 * KG)]
        found = sources_of_draw(charges, [Draw(9, 2, 2, 1_000 * KG)], 9, SPREAD)
        # The spread shrinks with the content, so a little more of the young comes early than of the old late:
        # younger than 400 is (0.9 x - 300) / (0.2 (1,000 - x)) from x = 333 1/3 to 454 6/11, then all.
        assert dict(found.shares)[1] / SCALE == pytest.approx(0.39799, abs=1e-4)

    @pytest.mark.parametrize("spread_ppm", [100_000, 1_000_000])
    def test_nothing_comes_from_what_is_not_yet_charged(self, spread_ppm):
        charges = [Charge(1, 0, 0, 1_000 * KG), Charge(2, 1, 2, 1_000 * KG), Charge(3, 5, 5, 9_000 * KG)]
        draws = [Draw(9, 1, 2, 1_900 * KG), Draw(10, 6, 6, 100 * KG)]
        model = FlowModel(Regime.PLUG_FLOW, spread_ppm=spread_ppm)
        assert {key for key, _ in sources_of_draw(charges, draws, 9, model).shares} == {1, 2}
        assert possible_charges_of_draw(charges, draws, 9, model, True) == {1, 2}

    def test_a_full_spread_reaches_from_wall_to_wall(self):
        model = FlowModel(Regime.PLUG_FLOW, spread_ppm=1_000_000)
        draws = draws_at(0, 5_000, 6_000, 10_000, 20_000)
        assert possible_charges_of_draw(STANDING_10_T, draws, 91, model, True) == {1, 2}


class TestTanksInSeries:
    def test_one_tank_is_the_stirred_vessel(self):
        one = FlowModel(Regime.TANKS_IN_SERIES, tanks=1)
        draws = draws_at(0, 5_000, 10_000, 20_000)
        for key in (90, 91):
            mixed = sources_of_draw(STANDING_10_T, draws, key, FlowModel(Regime.WELL_MIXED))
            assert sources_of_draw(STANDING_10_T, draws, key, one) == mixed

    def test_a_vessel_only_filled_holds_what_was_put_in(self):
        charges = [Charge(1, 0, 0, 3 * KG), Charge(2, 1, 5, 7 * KG)]
        assert contents(charges, [], 5, TANKS).by_charge == ((1, 3 * KG), (2, 7 * KG))

    def test_the_first_filling_counts_as_mixed(self):
        """As the next case, but filled by 3 t and 7 t: what is old is theirs by mass."""
        two = FlowModel(Regime.TANKS_IN_SERIES, tanks=2)
        charges = [Charge(8, 0, 0, 3_000 * KG), Charge(9, 0, 0, 7_000 * KG), *STANDING_10_T[1:]]
        apart = [Charge(8, -2, -2, 3_000 * KG), Charge(9, -1, -1, 7_000 * KG), *STANDING_10_T[1:]]
        for filled in (charges, apart):
            found = sources_of_draw(filled, draws_at(0, 5_000, 10_000, 20_000), 90, two)
            assert per_mille(found) == {2: 104, 8: 269, 9: 627}

    def test_what_came_in_last_leaves_last(self):
        # Two tanks of 5 t, 5 t through: one turn of each tank; 1 - 2 / e = 0.2642 of what leaves then is new,
        # and on the average of the way there 1 - 3 + 4 ... : integral of 1 - e^-y (1 + y) to 1 = 3 / e - 1 = 0.1036.
        two = FlowModel(Regime.TANKS_IN_SERIES, tanks=2)
        assert per_mille(sources_of_draw(STANDING_10_T, draws_at(0, 5_000, 10_000, 20_000), 90, two)) == {
            1: 896,
            2: 104,
        }

    def test_proof_narrows_nothing(self):
        assert possible_charges_of_draw(STANDING_10_T, draws_at(0, 10_000, 19_000, 20_000), 92, TANKS, True) == {
            1,
            2,
            3,
        }

    def test_the_cut_off_is_reported(self):
        charges = [Charge(1, 0, 0, 10_000 * KG), *(Charge(key, key, key + 1, 1_000 * KG) for key in range(2, 60))]
        draws = [Draw(1_000 + key, key, key + 1, 1_000 * KG) for key in range(2, 60)]
        whole = sources_of_draw(charges, draws, 1_059, TANKS)
        short = sources_of_draw(charges, draws, 1_059, TANKS, cut_off=SCALE // 1_000)
        assert whole.cut == 0
        assert 0 < short.cut < SCALE // 1_000
        assert sum(weight for _, weight in short.shares) + short.cut == SCALE
        assert set(short.shares) <= set(whole.shares) | {short.shares[0]}
        assert len(short.shares) < len(whole.shares)

    def test_a_vessel_that_holds_nothing_passes_its_feed_on(self):
        assert per_mille(sources_of_draw([Charge(1, 0, 9, 90)], [Draw(9, 0, 9, 90)], 9, TANKS)) == {1: 1_000}


class TestRefusals:
    @pytest.mark.parametrize(
        ("regime", "numbers", "message"),
        [
            (Regime.TANKS_IN_SERIES, {"tanks": 0}, "tanks is 0: state 1 to 50"),
            (Regime.TANKS_IN_SERIES, {"tanks": 51}, "tanks is 51"),
            (Regime.PLUG_FLOW, {"spread_ppm": -1}, "spread_ppm is -1: state 0 to 1000000"),
            (Regime.PLUG_FLOW, {"spread_ppm": 1_000_001}, "spread_ppm is 1000001"),
            (Regime.WELL_MIXED, {"tanks": 2}, "tanks is 2 for well_mixed: leave it at 1"),
            (Regime.FIRST_IN_FIRST_OUT, {"spread_ppm": 5}, "spread_ppm is 5 for first_in_first_out: leave it at 0"),
            (Regime.TANKS_IN_SERIES, {"tanks": 3, "spread_ppm": 5}, "spread_ppm is 5 for tanks_in_series"),
        ],
    )
    def test_numbers_that_fit_no_vessel(self, regime, numbers, message):
        with pytest.raises(BadFlowModel, match=message):
            FlowModel(regime, **numbers)

    def test_the_bounds_themselves_are_fine(self):
        assert FlowModel(Regime.TANKS_IN_SERIES, tanks=50).tanks == 50
        assert FlowModel(Regime.PLUG_FLOW, spread_ppm=1_000_000).keeps_order
