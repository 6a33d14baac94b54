"""Goal: recycled content is never overstated, by any of its three meanings, and unknown is neither nothing nor all.

Method: the plant's acceptance cases P13 and P20, and a loss example worked out by hand (800 kg recycled and 200 kg
virgin fed, 30 kg lost well mixed: 776 of 970 kg, 80.0 %, where fed mass over product mass would give 82.5 %); then
laws on random recipes in fractions, and the same lots traced by both ways of the lineage.
"""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.apportion import SCALE
from service.core.lineage import ORIGIN, Parents, parents_of_run, trace_up
from service.core.mixture import FINE, from_nowhere, mix, of_source, withheld
from service.core.quantities import NoDenominator, percent_half_up
from service.core.recycled_content import (
    Amount,
    BadContent,
    Bound,
    Content,
    CustodyModel,
    Numerator,
    Origin,
    Reached,
    content_of,
    counted_ug,
    custody_model,
    reaches,
)
from service.core.traced_content import content_of_composition, content_of_mixture

KG = 10**9
RPET = Content.of_origin(Origin.POST_CONSUMER, is_decontaminated=True)
WASHED = Content.of_origin(Origin.POST_CONSUMER, is_decontaminated=False)
PREFORMS = Content.of_origin(Origin.PRE_CONSUMER, is_decontaminated=True)
VIRGIN = Content.of_origin(Origin.NOT_RECYCLED, is_decontaminated=False)
UNKNOWN = Content.of_origin(Origin.UNKNOWN, is_decontaminated=True)


def inherited(percent):
    share = Bound(Fraction(percent) / 100, Fraction(percent) / 100)
    return Content(share, share, share)


def mixed(*amounts):
    return content_of([Amount(kg * KG, content) for kg, content in amounts])


def shown(bound):
    return str(percent_half_up(bound.least.numerator, bound.least.denominator)), bound.claim_percent_text


class TestAcceptance:
    def test_rework_inherits_its_share(self):
        """P13: 94.54, shown 94.5. Rework as all recycled would be 94.61, as all virgin 91.14; neither appears."""
        found = mixed((21_000, RPET), (800, inherited(98)), (1_200, VIRGIN), (42, VIRGIN))
        for numerator in Numerator:
            assert shown(found.of(numerator)) == ("94.54", "94.5")
            assert found.of(numerator).least == Fraction(21_784, 23_042)
        assert shown(mixed((21_800, RPET), (1_242, VIRGIN)).post_consumer)[0] == "94.61"

    def test_two_lots_in_a_tank_truck(self):
        """P20: 95.04, shown 95.0."""
        found = mixed((14_000, RPET), (9_200, inherited("87.5")))
        assert shown(found.post_consumer) == ("95.04", "95.0")
        assert custody_model(found.post_consumer) is CustodyModel.CONTROLLED_BLENDING

    def test_what_is_lost_is_lost_of_everything(self):
        share = mixed((800, RPET), (200, VIRGIN)).post_consumer
        assert share.claim_percent_text == "80.0"
        counted = counted_ug(share, 1_000 * KG, 970 * KG)
        assert counted == 776 * KG
        assert Fraction(counted, 970 * KG) == Fraction(80, 100) != Fraction(800, 970)
        assert f"{800 / 970:.1%}" == "82.5%"

    def test_what_comes_out_beyond_what_went_in_counts_nothing(self):
        assert counted_ug(mixed((800, RPET), (200, VIRGIN)).post_consumer, 1_000 * KG, 1_100 * KG) == 800 * KG

    def test_cut_down_never_up(self):
        """29.96 is 29.9, and 99.99 no 100."""
        assert mixed((2_996, RPET), (7_004, VIRGIN)).post_consumer.claim_percent_text == "29.9"
        assert mixed((99_999, RPET), (1, VIRGIN)).post_consumer.claim_percent_text == "99.9"
        assert counted_ug(Bound(Fraction(2, 3), Fraction(2, 3)), 2, 2) == 1


class TestNumerators:
    def test_three_numbers(self):
        found = mixed((50, RPET), (20, WASHED), (10, PREFORMS), (20, VIRGIN))
        assert [found.of(numerator).claim_percent_text for numerator in Numerator] == ["50.0", "70.0", "80.0"]

    def test_virgin_fed_to_the_decontamination_counts_nowhere(self):
        """Its output "directly results" from the process, but the share never exceeds what was consumers' waste."""
        virgin_through = Content.of_origin(Origin.NOT_RECYCLED, is_decontaminated=True)
        assert mixed((50, RPET), (50, virgin_through)).decontaminated.claim_percent_text == "50.0"
        assert PREFORMS.decontaminated.most == 0

    def test_a_part_is_no_more_than_the_whole(self):
        half, all_of_it = Bound(Fraction(1, 2), Fraction(1, 2)), Bound(Fraction(1), Fraction(1))
        for wrong in ((all_of_it, half, half), (half, all_of_it, half), (Bound(Fraction(0), Fraction(1)), half, half)):
            with pytest.raises(BadContent, match="counts more"):
                Content(*wrong)


class TestUnknown:
    def test_it_is_a_bound_and_not_zero(self):
        found = mixed((60, RPET), (10, UNKNOWN), (30, VIRGIN)).post_consumer
        assert (found.least, found.most, found.is_exact) == (Fraction(60, 100), Fraction(70, 100), False)
        assert found.claim_percent_text == "60.0"

    @pytest.mark.parametrize(
        ("ppm", "verdict"),
        [
            (600_000, Reached.YES),
            (600_001, Reached.NOT_SHOWN),
            (700_000, Reached.NOT_SHOWN),
            (700_001, Reached.NO),
        ],
    )
    def test_a_share_agreed_on_may_be_not_shown(self, ppm, verdict):
        assert reaches(mixed((60, RPET), (10, UNKNOWN), (30, VIRGIN)).post_consumer, ppm) is verdict

    def test_a_share_is_judged_unrounded(self):
        """29.996 % reads as 30.00 and does not reach 30 %; 30.04 % is shown as 30.0 and does."""
        short = mixed((29_996, RPET), (70_004, VIRGIN)).post_consumer
        assert shown(short) == ("30.00", "29.9")
        assert reaches(short, 300_000) is Reached.NO
        enough = mixed((3_004, RPET), (6_996, VIRGIN)).post_consumer
        assert (enough.claim_percent_text, reaches(enough, 300_000)) == ("30.0", Reached.YES)
        assert reaches(enough, 300_401) is Reached.NO

    def test_rework_of_unknown_rework_stays_unknown(self):
        first = mixed((90, RPET), (10, UNKNOWN))
        assert mixed((50, VIRGIN), (50, first)).post_consumer == Bound(Fraction(45, 100), Fraction(50, 100))


class TestCustody:
    def test_segregated_blended_or_not_shown(self):
        assert custody_model(mixed((10, RPET), (5, inherited(100))).decontaminated) is CustodyModel.SEGREGATED
        assert custody_model(mixed((10, RPET), (5, WASHED)).post_consumer) is CustodyModel.SEGREGATED
        assert custody_model(mixed((10, RPET), (5, WASHED)).decontaminated) is CustodyModel.CONTROLLED_BLENDING
        assert custody_model(mixed((999_999, RPET), (1, VIRGIN)).post_consumer) is CustodyModel.CONTROLLED_BLENDING
        assert custody_model(mixed((999_999, RPET), (1, UNKNOWN)).post_consumer) is None

    def test_a_cut_off_may_be_let_pass(self):
        cut = Bound(1 - Fraction(1, 10**6), Fraction(1))
        assert custody_model(cut) is None
        assert custody_model(cut, Fraction(1, 10**6)) is CustodyModel.SEGREGATED

    def test_words_of_the_standard_only(self):
        """ISO 22095 names five; mass balance and book and claim are none for plastic that touches food."""
        assert [model.value for model in CustodyModel] == ["segregated", "controlled blending"]


contents = st.sampled_from([RPET, WASHED, PREFORMS, VIRGIN, UNKNOWN, inherited(98), inherited("0.1")])
recipes = st.lists(st.tuples(st.integers(1, 10**6), contents), min_size=1, max_size=6)


@settings(max_examples=60, deadline=None)
@given(recipes, recipes)
def test_mixing_in_steps_is_mixing_at_once(first, second):
    """Rework of a mixture counts as its parts would: what the rule for rework comes from."""
    at_once = mixed(*first, *second)
    in_steps = mixed((sum(kg for kg, _ in first), mixed(*first)), (sum(kg for kg, _ in second), mixed(*second)))
    assert in_steps == at_once


@settings(max_examples=60, deadline=None)
@given(recipes, st.randoms(use_true_random=False))
def test_whatever_the_unknown_is_the_truth_lies_inside(recipe, random):
    bounds = mixed(*recipe)
    truth = mixed(*((kg, random.choice([RPET, VIRGIN, PREFORMS]) if of is UNKNOWN else of) for kg, of in recipe))
    for numerator in Numerator:
        assert bounds.of(numerator).least <= truth.of(numerator).least <= bounds.of(numerator).most


KINDS = {1: RPET, 2: VIRGIN, 3: PREFORMS, 4: UNKNOWN, 5: WASHED}


class TestTraced:
    """The same content by a walk over the lines, and by what was worked out in advance."""

    @settings(max_examples=60, deadline=None)
    @given(
        st.lists(st.tuples(st.integers(1, 5), st.integers(1, 10**9)), min_size=1, max_size=5),
        st.integers(0, 10**9),
        st.sampled_from([0, FINE // 10]),
    )
    def test_both_ways_agree_with_the_recipe(self, fed, unexplained, cut_off):
        total = sum(mass for _, mass in fed) + unexplained
        exact = content_of([Amount(mass, KINDS[lot]) for lot, mass in fed] + [Amount(unexplained, UNKNOWN)])
        weights = parents_of_run(fed)
        scaled = [(lot, share * (total - unexplained) // total) for lot, share in weights.shares]
        lines = Parents(tuple(scaled), SCALE - sum(share for _, share in scaled), weights.possible)
        walked = content_of_composition(trace_up(9, lambda lot: lines if lot == 9 else ORIGIN), KINDS.__getitem__)
        sources = [(of_source(lot, int(KINDS[lot].post_consumer.least * FINE)), mass) for lot, mass in fed]
        stored = content_of_mixture(mix([*sources, (from_nowhere(7), unexplained)], cut_off), KINDS.__getitem__)
        for numerator in Numerator:
            for found, is_cut in ((walked.of(numerator), False), (stored.of(numerator), bool(cut_off))):
                assert found.least <= exact.of(numerator).least + Fraction(1, 10**11)
                assert found.most >= exact.of(numerator).most - Fraction(1, 10**11)
                if not is_cut:
                    assert abs(found.least - exact.of(numerator).least) < Fraction(1, 10**11)
                    assert abs(found.most - exact.of(numerator).most) < Fraction(1, 10**11)
        # A cut-off lowers no claim on consumers' waste.
        assert stored.post_consumer.least >= exact.post_consumer.least - Fraction(1, 10**11)

    def test_all_known_is_exact(self):
        lines = parents_of_run([(1, 21_000), (2, 2_042)])
        walked = content_of_composition(trace_up(9, lambda lot: lines if lot == 9 else ORIGIN), KINDS.__getitem__)
        stored = content_of_mixture(mix([(of_source(1, FINE), 21_000), (of_source(2, 0), 2_042)]), KINDS.__getitem__)
        for found in (walked, stored):
            assert all(found.of(numerator).is_exact for numerator in Numerator)
            assert found.post_consumer.claim_percent_text == "91.1"

    def test_what_a_gain_withheld_counts_only_where_it_is_not_asked(self):
        lines = parents_of_run([(1, 1)])
        walked = trace_up(9, lambda lot: lines if lot == 9 else ORIGIN, passed=lambda lot: Fraction(9, 10))
        stored = withheld(of_source(1, FINE), Fraction(9, 10))
        for found in (
            content_of_composition(walked, KINDS.__getitem__, is_claimable_only=True),
            content_of_mixture(stored, KINDS.__getitem__, is_claimable_only=True),
        ):
            assert found.decontaminated == found.post_consumer == Bound(Fraction(9, 10), Fraction(9, 10))
        assert content_of_composition(walked, KINDS.__getitem__).decontaminated.least == 1
        assert content_of_mixture(stored, KINDS.__getitem__).decontaminated.least == 1

    def test_narrower_shares_are_held_to_the_wider(self):
        """A lot that inherits an open share beside a closed one; each is rounded by itself and the order must stand."""
        third = Fraction(1, 3)
        odd = Content(Bound(Fraction(0), third), Bound(third, third), Bound(third, third))
        found = content_of_mixture(
            mix([(of_source(1, FINE // 3), 1), (of_source(2, 0), 6)]), {1: odd, 2: VIRGIN}.__getitem__
        )
        assert found.decontaminated.most <= found.post_consumer.most


class TestRefusals:
    def test_nothing_went_in(self):
        for nothing in ([], [Amount(0, RPET)]):
            with pytest.raises(NoDenominator, match="book the feeds"):
                content_of(nothing)

    def test_masses_and_shares(self):
        with pytest.raises(BadContent, match="mass from 0 on"):
            Amount(-1, RPET)
        with pytest.raises(BadContent, match="masses from 0 on"):
            counted_ug(Bound(Fraction(0), Fraction(1)), 1, -1)
        for least, most in ((Fraction(1, 2), Fraction(1, 3)), (Fraction(-1), Fraction(0)), (Fraction(0), Fraction(2))):
            with pytest.raises(BadContent, match="least <= most"):
                Bound(least, most)
        for ppm in (-1, 1_000_001):
            with pytest.raises(BadContent, match="ppm is none"):
                reaches(RPET.post_consumer, ppm)
