"""How little and how much of each source can be in a lot, by mass alone: a statement that no mixing can break.

Here: bounds from masses. Not here: which sources there are, expected shares.

Invariants: 0 <= least <= greatest <= one; the least shares sum to no more than one, and where everything is listed the
greatest to no less.
"""

from collections.abc import Mapping

from service.core.quantities import SHARE_ONE

__all__ = ["share_bounds"]


def share_bounds(source_ug: Mapping[int, int], lot_ug: int, *, is_complete: bool) -> dict[int, tuple[int, int]]:
    """Least and greatest share of each source, per 10**12 of the lot.

    A lot cannot hold more of a source than there is of it; and what all the others together cannot fill must be the
    source's.

    Parameters
    ----------
    source_ug : mass of each source that may be in the lot, an upper bound of its dry mass, micrograms
    lot_ug : dry mass of the lot, micrograms, > 0
    is_complete : whether nothing else may be in the lot; otherwise nothing is certain to be in it

    Examples
    --------
    >>> share_bounds({1: 600, 2: 900}, 1000, is_complete=True)
    {1: (100000000000, 600000000000), 2: (400000000000, 900000000000)}
    """
    # Cut down the least and round up the greatest: a bound is rather too wide.
    greatest = {
        source: most if (most := -(-mass_ug * SHARE_ONE // lot_ug)) < SHARE_ONE else SHARE_ONE
        for source, mass_ug in source_ug.items()
    }
    if not is_complete:
        return {source: (0, most) for source, most in greatest.items()}
    total_ug = sum(source_ug.values())
    found = {}
    for source, most in greatest.items():
        others_ug = total_ug - source_ug[source]
        found[source] = min(max(lot_ug - others_ug, 0) * SHARE_ONE // lot_ug, most), most
    return found
