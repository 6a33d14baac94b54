"""A stirred vessel over one step of its book: how much of the old content is in what left and in what stays.

Here: the exact solution of the stirred tank, for mass that comes and goes during the same time. Not here:
which charges the old content was made of (`vessel_ledger`).

Invariants: old content in what left and in what stays add up to the old content, but for the last part of
SCALE; the same ratio of masses gives the same digits, on every machine.
"""

from decimal import Decimal, localcontext
from math import gcd

from service.core.apportion import SCALE
from service.core.exponential import DIGITS, exp_of_minus
from service.core.vessel_book import Entry

__all__ = ["heel_parts"]

# exp(-100) is below one part of SCALE.
NOTHING_LEFT = 100


def heel_parts(entry: Entry) -> tuple[int, int]:
    """Part of the old content (the heel) in what a step's draws took, and in what stands after the step.

    In an instant charges come before draws and all is mixed. During a slice of time both flow at constant
    rates: with `c0` before and `c1` after, `qi` charged and `qo` drawn, the heel's part of the content comes
    down to `(c0 / c1) ** (qi / (qi - qo))`, or `exp(-qi / c0)` if the two are equal; the rest of the heel has
    left. A vessel that is drawn to nothing, or beyond, gave all it had: plain fractions by mass.

    Parameters
    ----------
    entry : a step of the vessel's book

    Returns
    -------
    (int, int)
        Each per SCALE. The rest of each is the step's charges, by mass among themselves. Where nothing was
        drawn, or nothing stands, the number has no mass to speak of.

    Source : the balance of the heel's mass in a stirred tank with variable content, d(m)/dt = -qo * m / c.

    Examples
    --------
    1,000 held; 1,000 enter and leave together: exp(-1) of what stands is old.

    >>> entry = Entry(((1, 1000),), ((9, 1000),), 1000, 2000, 0, 1000, start=0, end=60)
    >>> [round(part / SCALE, 6) for part in heel_parts(entry)]
    [0.632121, 0.367879]
    """
    heel_ug, charged_ug, taken_ug = entry.heel_ug, entry.charged_to - entry.charged_from, entry.taken_ug
    if heel_ug == 0:
        return 0, 0
    if charged_ug == 0:
        return SCALE, SCALE
    if not entry.is_slice or taken_ug == 0 or entry.content_ug == 0:
        part = SCALE * heel_ug // (heel_ug + charged_ug)
        return part, part
    common = gcd(heel_ug, charged_ug, taken_ug)
    with localcontext(DIGITS):
        before, into, out = (Decimal(mass_ug // common) for mass_ug in (heel_ug, charged_ug, taken_ug))
        after = before + into - out
        turns = into / before if into == out else into / (into - out) * (after / before).ln()
        standing = exp_of_minus(turns) if turns < NOTHING_LEFT else Decimal(0)
        taken = (before - after * standing) / out
        return _per_scale(taken), _per_scale(standing)


def _per_scale(part: Decimal) -> int:
    return min(max(int(part * SCALE), 0), SCALE)
