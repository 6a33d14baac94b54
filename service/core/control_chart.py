"""Limits of a chart of single values: where a value lies that the usual scatter does not explain.

Source : Shewhart chart of individuals, limits at the mean +- 2.66 times the mean moving range (E2 = 3 / d2 with d2 =
1.128 for pairs), ISO 7870-2; constant and standard from memory.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

__all__ = ["Limits", "individuals"]

E2 = 2.66
FEWEST = 5


class Limits(NamedTuple):
    mean: float
    low: float
    high: float


def individuals(values: Sequence[float]) -> Limits | None:
    """Limits of single values in their order; None for fewer than five, of which nothing can be said.

    Examples
    --------
    >>> limits = individuals([70.0, 72.0, 71.0, 73.0, 70.0])
    >>> [round(limit, 2) for limit in limits]
    [71.2, 65.88, 76.52]
    """
    if len(values) < FEWEST:
        return None
    mean = sum(values) / len(values)
    ranges = [abs(after - before) for before, after in pairwise(values)]
    reach = E2 * sum(ranges) / len(ranges)
    return Limits(mean, mean - reach, mean + reach)
