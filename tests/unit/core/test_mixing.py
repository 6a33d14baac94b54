"""Goal: a stirred vessel through which mass flows thins out its old content as the solved equation says.

Method: literal cases whose closed form can be written down, the limits (nothing in, nothing out, all out,
beyond), and digits that must not depend on units. The equation itself is checked by an ODE solver in
`test_flow_laws`.
"""

from decimal import Decimal, localcontext
from fractions import Fraction

import pytest

from service.core.apportion import SCALE
from service.core.exponential import DIGITS, exp_of_minus
from service.core.mixing import heel_parts
from service.core.vessel_book import Charge, Draw, Entry, book_of
from service.core.vessel_ledger import FlowModel, Regime, contents, sources_of_draw

MIXED = FlowModel(Regime.WELL_MIXED)


def step(heel, charged, drawn, *, is_slice=True):
    out_to = min(drawn, heel + charged)
    charges = ((1, charged),) if charged else ()
    return Entry(charges, ((9, drawn),), heel, heel + charged, 0, out_to, start=0, end=60 if is_slice else 0)


@pytest.mark.parametrize(
    ("heel", "charged", "drawn", "in_draws", "standing"),
    [
        # (500 / 2,000) ** (4 / 3) = 0.157490 of what stands; (500 - 2,000 * 0.157490) / 500 of the draw.
        (500, 2_000, 500, "0.370039", "0.157490"),
        # Twice in as out: (1 / 2) ** 2 = 1/4 of the 2,000 left; (1,000 - 500) / 1,000.
        (1_000, 2_000, 1_000, "0.500000", "0.250000"),
        # Half in as out: (2 / 1) ** (1 / -1) = 1/2 of the 1,000 left; (2,000 - 500) / 2,000.
        (2_000, 1_000, 2_000, "0.750000", "0.500000"),
        # As much in as out, once the content: exp(-1).
        (1_000, 1_000, 1_000, "0.632121", "0.367879"),
        # As much in as out, 200 times the content: exp(-200) is nothing; 1 / 200 of what left.
        (1_000, 200_000, 200_000, "0.005000", "0.000000"),
        (1_000, 0, 400, "1.000000", "1.000000"),
        (0, 1_000, 400, "0.000000", "0.000000"),
        # All of it leaves, and more is asked for: fractions by mass.
        (1_000, 3_000, 4_000, "0.250000", None),
        (1_000, 3_000, 5_000, "0.250000", None),
        (0, 0, 5, "0.000000", None),
    ],
)
def test_slice_of_time(heel, charged, drawn, in_draws, standing):
    found = heel_parts(step(heel, charged, drawn))
    assert round(Decimal(found[0]) / SCALE, 6) == Decimal(in_draws)
    if standing is not None:
        assert round(Decimal(found[1]) / SCALE, 6) == Decimal(standing)


def test_an_instant_charges_before_it_draws():
    assert heel_parts(step(1_000, 3_000, 2_000, is_slice=False)) == (SCALE // 4, SCALE // 4)


def test_nothing_drawn_is_a_plain_mixture():
    assert heel_parts(step(1_000, 3_000, 0))[1] == SCALE // 4


@pytest.mark.parametrize("times", [3, 10**9])
def test_units_do_not_matter(times):
    masses = (30_000_000_007, 1_499_999_999, 1_500_000_001)
    assert heel_parts(step(*(mass * times for mass in masses))) == heel_parts(step(*masses))


@pytest.mark.parametrize("difference", [-1, 0, 1])
def test_a_difference_of_a_microgram_is_no_jump(difference):
    """In the formula a difference of rates goes to nought; the answer goes to the exponential."""
    content, flow = 30_000 * 10**9, 1_500 * 10**9
    with localcontext(prec=60):
        exact = Fraction((Decimal(-flow) / content).exp())
    _, standing = heel_parts(step(content, flow + difference, flow))
    assert abs(standing - exact * SCALE) <= (SCALE // 10**13 if difference else 1)


@pytest.mark.parametrize("drawn", [1, 10**6, 10**13])
@pytest.mark.parametrize("charged", [1, 10**6, 10**13])
def test_the_heel_is_neither_lost_nor_doubled(charged, drawn):
    """Also where a microgram comes or goes beside tonnes, and the formula subtracts nearly equal numbers."""
    heel = 30_000 * 10**9
    entry = step(heel, charged, drawn)
    in_draws, standing = heel_parts(entry)
    assert abs(in_draws * entry.taken_ug + standing * entry.content_ug - heel * SCALE) <= 2 * (heel + charged)
    assert 0 < standing < SCALE
    assert standing <= in_draws < SCALE


def test_one_more_cut_changes_nothing():
    """The solution of a whole slice is that of its halves one after the other."""
    charges = [Charge(1, 0, 0, 10**13), Charge(2, 0, 1_000, 4 * 10**12)]
    draws = [Draw(9, 0, 1_000, 6 * 10**12)]
    whole = sources_of_draw(charges, draws, 9, MIXED)
    cut = sources_of_draw([*charges, Charge(3, 500, 500, 0)], draws, 9, MIXED)
    for (key, weight), (other, other_weight) in zip(whole.shares, cut.shares, strict=True):
        assert key == other
        assert abs(weight - other_weight) < 10  # of 10**30
    assert contents(charges, draws, 1_000, MIXED).by_charge == contents(charges, draws, 1_001, MIXED).by_charge


def test_the_book_says_which_steps_take_time():
    book = book_of([Charge(1, 0, 10, 5)], [Draw(9, 4, 4, 1)])
    assert [(entry.start, entry.end, entry.is_slice) for entry in book] == [
        (0, 0, False),
        (0, 4, True),
        (4, 4, False),
        (4, 10, True),
        (10, 10, False),
    ]


@pytest.mark.parametrize(
    "text", ["0", "1E-30", "0.0009765625", "0.9999999999999999", "1", "17.25", "99.99999", "299.5"]
)
def test_the_exponential_to_fifty_digits(text):
    with localcontext(prec=70):
        exact = (-Decimal(text)).exp()
    with localcontext(DIGITS):
        found = exp_of_minus(Decimal(text))
    with localcontext(prec=70):
        assert abs(found / exact - 1) < Decimal("1E-47")
