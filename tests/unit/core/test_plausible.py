"""Shares against what is usual, widened by their own doubt; labels after passes of an air classifier.

Source of the ranges and of the 92 %: common practice, no source. Expected figures by hand.
"""

from fractions import Fraction

import pytest

from service.core.measured import Cause, CauseKind, Measured
from service.core.plausible import Plausibility, UsualShare, labels_left, mixed, share_of

SCALE, SAMPLE = Cause(CauseKind.SPAN, "scale"), Cause(CauseKind.MOISTURE, "sample")
USUAL = UsualShare(600_000, 750_000)


@pytest.mark.parametrize(("kg", "u_kg", "expected"), [
    (700, 0, Plausibility.USUAL),
    (600, 0, Plausibility.USUAL),
    (599, 0, Plausibility.BELOW),
    (599, 1, Plausibility.USUAL),  # 0.599 +- 0.002: it may well be 0.6
    (750, 0, Plausibility.USUAL),
    (760, 4, Plausibility.ABOVE),
    (760, 6, Plausibility.USUAL),
])  # fmt: skip
def test_a_share_is_judged_with_its_doubt(kg: int, u_kg: float, expected: Plausibility) -> None:
    found = share_of(Measured(kg * 10**9, {SAMPLE: u_kg * 1e9}), Measured(1000 * 10**9), USUAL)
    assert found is not None
    assert (found.share_ppm, found.plausibility) == (kg * 1000, expected)
    assert found.u95_ppm == pytest.approx(2 * u_kg * 1000)


def test_what_both_rest_on_does_not_doubt_their_ratio() -> None:
    """One scale weighs what goes in and what comes out: its span is in both, in proportion."""
    stream, dry_in = Measured(700 * 10**9, {SCALE: 7e9}), Measured(1000 * 10**9, {SCALE: 10e9})
    found = share_of(stream, dry_in, USUAL)
    assert found is not None
    assert found.u95_ppm == pytest.approx(0, abs=1e-6)


def test_of_nothing_there_is_no_share() -> None:
    assert share_of(Measured(1), Measured(0), USUAL) is None


def test_a_mixed_feed_has_a_mixed_range() -> None:
    kerbside, deposit = USUAL, UsualShare(800_000, 900_000)
    assert mixed([(kerbside, 3), (deposit, 1)]) == UsualShare(650_000, 787_500)
    assert mixed([(deposit, 5)]) == deposit


def test_labels_left() -> None:
    assert [labels_left(passes, 80_000) for passes in range(4)] == [
        1,
        Fraction(8, 100),
        Fraction(64, 10_000),
        Fraction(512, 1_000_000),
    ]
    with pytest.raises(ValueError, match="counted from 0"):
        labels_left(-1, 80_000)
