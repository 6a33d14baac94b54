"""Exact splitting of whole numbers: the parts always sum to the whole, so no share or microgram gets lost."""

from collections.abc import Sequence

__all__ = ["SCALE", "apportion"]

# Weights inside the lineage are integers per SCALE. A step of the arithmetic rounds by less than one part in
# 10**30, so even a million steps stay far below the 10**-12 in which shares are shown.
SCALE = 10**30


def apportion(total: int, weights: Sequence[int]) -> list[int]:
    """Split a whole number in proportion to weights so that the parts sum to it exactly (largest remainder).

    Parameters
    ----------
    total : int, >= 0
    weights : sequence of int, each >= 0, with a positive sum; on equal remainders the earlier one gains

    Returns
    -------
    list of int
        One part per weight, each less than one away from the exact proportion; a zero weight gets zero.

    Raises
    ------
    ValueError
        If the weights sum to zero while there is something to split.

    Examples
    --------
    >>> apportion(100, [1, 1, 1])
    [34, 33, 33]
    """
    sum_of_weights = sum(weights)
    if sum_of_weights == 0:
        if total == 0:
            return [0] * len(weights)
        raise ValueError(f"cannot split {total}: all {len(weights)} weights are zero")
    scaled = [total * weight for weight in weights]
    parts = [share // sum_of_weights for share in scaled]
    left_over = total - sum(parts)
    if left_over:
        rests = [share - part * sum_of_weights for share, part in zip(scaled, parts, strict=True)]
        # Sorting from the largest down leaves equal ones in their order.
        for place in sorted(range(len(parts)), key=rests.__getitem__, reverse=True)[:left_over]:
            parts[place] += 1
    return parts
