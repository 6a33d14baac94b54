"""Recycled content of a lot by where it was traced to: by a walk over the lines, or by what was worked out in advance.

Here: how a trace and the content of its origins make the content of the lot, by each numerator. Not here: what counts
(``recycled_content``), the walk (``lineage``), mixing (``mixture``), which do the sums.

Invariant: least <= most; what no trace explains widens the bound and never counts.
"""

from collections.abc import Callable
from fractions import Fraction

from service.core.lineage import Composition, recycled_fraction
from service.core.mixture import Mixture, fraction_of
from service.core.quantities import SHARE_ONE
from service.core.recycled_content import Bound, Content, Numerator

__all__ = ["content_of_composition", "content_of_mixture"]


def content_of_composition(
    composition: Composition, content_of_lot: Callable[[int], Content], *, is_claimable_only: bool = False
) -> Content:
    """Content of a lot by the origin lots it was traced to; what the trace leaves over is of unknown origin.

    Parameters
    ----------
    content_of_lot : of an origin lot
    is_claimable_only : leave out what a gain withheld on the way

    Raises
    ------
    BadWeight
        As ``lineage.recycled_fraction``, which counts.
    """
    left_over = Fraction(composition.remainder_e12, SHARE_ONE)

    def counted(value_of: Callable[[int], Fraction]) -> Fraction:
        return recycled_fraction(composition, value_of, is_claimable_only=is_claimable_only)

    def bound(numerator: Numerator) -> Bound:
        least = counted(lambda lot: content_of_lot(lot).of(numerator).least)
        most = counted(lambda lot: content_of_lot(lot).of(numerator).most)
        return _widened(least, most + left_over)

    return _content(bound)


def content_of_mixture(
    mixture: Mixture, content_of_source: Callable[[int], Content], *, is_claimable_only: bool = False
) -> Content:
    """Content of a mixture that was worked out in advance; what it does not name is of unknown origin.

    What the mixture carries as post-consumer holds for the part below its cut-off, too, so a cut lowers no claim.

    Parameters
    ----------
    content_of_source : of a source that is on record
    is_claimable_only : leave out what a gain withheld on the way
    """
    weights, recycled = mixture.weights, mixture.recycled
    if is_claimable_only:
        weights = weights if mixture.claims is None else mixture.claims
        recycled = mixture.recycled_claimable
    named = [(weight, content_of_source(source)) for source, weight in weights.items() if source > 0]
    nameless = mixture.unattributed + mixture.cut

    def bound(numerator: Numerator) -> Bound:
        least = sum(int(weight * content.of(numerator).least) for weight, content in named)
        most = sum(int(weight * content.of(numerator).most) for weight, content in named) + nameless
        if numerator is not Numerator.DECONTAMINATED:
            least = max(least, recycled)
        return _widened(fraction_of(least), fraction_of(max(least, most)))

    return _content(bound)


def _content(bound: Callable[[Numerator], Bound]) -> Content:
    """The three shares, narrower ones held to the wider: each was rounded for itself."""
    widest = bound(Numerator.PRE_AND_POST_CONSUMER)
    post = _held(bound(Numerator.POST_CONSUMER), widest)
    return Content(_held(bound(Numerator.DECONTAMINATED), post), post, widest)


def _held(narrow: Bound, wide: Bound) -> Bound:
    return Bound(min(narrow.least, wide.least), min(narrow.most, wide.most))


def _widened(least: Fraction, most: Fraction) -> Bound:
    """A bound out of two fractions that were cut down to 10**-12; the upper end gets what it may have lost."""
    return Bound(least, least if most <= least else min(most + Fraction(1, SHARE_ONE), Fraction(1)))
