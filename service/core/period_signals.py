"""Signs that a balance goes wrong before any single period fails.

Source : three periods in a row on one side beyond half of the tolerance: common practice, no source. It says where to
look, and decides nothing.
"""

from collections.abc import Sequence
from typing import NamedTuple

from service.core.quantities import PPM

__all__ = ["InARow", "Judgeable", "in_a_row"]

ROW = 3


class Judgeable(NamedTuple):
    """What was unexplained in one period, micrograms dry, of how much input, against which tolerance."""

    unexplained_ug: int
    in_ug: int
    tolerance_ppm: int

    @property
    def is_past_half(self) -> bool:
        return self.in_ug > 0 and 2 * abs(self.unexplained_ug) * PPM > self.tolerance_ppm * self.in_ug


class InARow(NamedTuple):
    """Periods `first` to `last`, both included, all of which lose (or all gain)."""

    first: int
    last: int
    is_loss: bool


def in_a_row(periods: Sequence[Judgeable]) -> list[InARow]:
    """Stretches of at least three periods that all lose, or all gain, more than half of the tolerance.

    A period in which nothing went in ends a stretch: nothing is known of it.

    Examples
    --------
    >>> days = [Judgeable(u, 1_000, 30_000) for u in (16, 20, 17, -16, 16)]
    >>> in_a_row(days)
    [InARow(first=0, last=2, is_loss=True)]
    """
    found: list[InARow] = []
    first = 0
    signs = [(1 if one.unexplained_ug > 0 else -1) if one.is_past_half else 0 for one in periods]
    for place in range(1, len(signs) + 1):
        if place < len(signs) and signs[place] == signs[first]:
            continue
        if signs[first] and place - first >= ROW:
            found.append(InARow(first, place - 1, signs[first] > 0))
        first = place
    return found
