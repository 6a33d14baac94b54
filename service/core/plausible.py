"""Whether what came out of a step is what usually comes out of it.

A balance can close and still be wrong: mass booked under another stream hides nothing from the sum. So each stream is
held against the share of the dry input it usually has for what was fed. A share counts as implausible only where it
lies outside the range by more than it may be wrong itself.

Source : none; the ranges are common practice and dated settings of the plant.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from service.core.measured import Measured, part_of
from service.core.quantities import PPM, divide_half_up


class Plausibility(StrEnum):
    USUAL = "usual"
    BELOW = "below"
    ABOVE = "above"


@dataclass(frozen=True, slots=True)
class UsualShare:
    """What share of the dry input a stream usually has, ppm."""

    low_ppm: int
    high_ppm: int


@dataclass(frozen=True, slots=True)
class ShareFound:
    """A stream's share of the dry input.

    Parameters
    ----------
    share_ppm : rounded half up, to read.
    u95_ppm : expanded uncertainty of the share, ppm.
    """

    share_ppm: int
    u95_ppm: float
    plausibility: Plausibility


def mixed(parts: Sequence[tuple[UsualShare, int]]) -> UsualShare:
    """The range for a feed of several grades, each with its dry mass: weighted by mass, rounded outwards.

    Examples
    --------
    Two thirds of kerbside and one of deposit bales:

    >>> mixed([(UsualShare(600_000, 750_000), 2), (UsualShare(800_000, 900_000), 1)])
    UsualShare(low_ppm=666666, high_ppm=800000)
    """
    whole = sum(mass for _, mass in parts)
    low = sum(usual.low_ppm * mass for usual, mass in parts)
    high = sum(usual.high_ppm * mass for usual, mass in parts)
    return UsualShare(low // whole, -(-high // whole))


def share_of(stream: Measured, dry_in: Measured, usual: UsualShare) -> ShareFound | None:
    """A stream against what is usual; None when nothing went in.

    Both may rest on one cause (a moisture, a scale), so the doubt of the share is that of stream - share x dry in.
    """
    if dry_in.value_ug <= 0:
        return None
    ratio = Fraction(stream.value_ug, dry_in.value_ug)
    off = stream - part_of(dry_in, ratio, stream.value_ug)
    u95_ppm = off.expanded_ug / dry_in.value_ug * PPM
    exact_ppm = float(ratio * PPM)
    plausibility = Plausibility.USUAL
    if exact_ppm + u95_ppm < usual.low_ppm:
        plausibility = Plausibility.BELOW
    elif exact_ppm - u95_ppm > usual.high_ppm:
        plausibility = Plausibility.ABOVE
    return ShareFound(divide_half_up(stream.value_ug * PPM, dry_in.value_ug), u95_ppm, plausibility)


def labels_left(passes: int, left_ppm: int) -> Fraction:
    """What share of the labels is left after some passes of an air classifier, each leaving the same share.

    Notes
    -----
    One pass takes out about 92 %, so 0.08 ** n are left: common practice, no source; a check value, not a promise.

    Examples
    --------
    >>> [str(labels_left(passes, 80_000)) for passes in (0, 1, 2)]
    ['1', '2/25', '4/625']
    """
    if passes < 0:
        raise ValueError(f"passes are counted from 0, not {passes}")
    return Fraction(left_ppm, PPM) ** passes
