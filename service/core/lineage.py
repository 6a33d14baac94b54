"""Which origin lots a lot was made from, in what shares, and what a lot went into.

Here: the walk over a graph of lots, up to the origins and down to everything affected. The edges are
`Parents`, handed on from here so that callers need one import. Not here: where parents come from in the
database, moisture, balances, the verdict on a gain.

Two answers, kept apart on purpose. *Shares* are expected ones, for claims; they and an explicit remainder add
up to one. *May contain* is complete, for safety: it follows `possible` and no cut-off ever touches it.

Invariants: shares and remainder sum to UNIT, raw weights to SCALE; every lot with a share is in the
may-contain set; a walk visits each lot once, after all lots made from it, so weight that reaches a lot by
many paths is merged before it is split or cut. A lot made, at whatever distance, from itself is refused.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from service.core.apportion import SCALE, apportion
from service.core.parents import ORIGIN, BadWeight, Parents, merge_parents, parents_of_draw, parents_of_run
from service.core.quantities import SHARE_ONE, divide_half_up

__all__ = [
    "ORIGIN",
    "UNIT",
    "BadWeight",
    "Composition",
    "Cycle",
    "LineageInconsistent",
    "Parents",
    "merge_parents",
    "parents_of_draw",
    "parents_of_run",
    "recycled_fraction",
    "trace_down",
    "trace_up",
]

UNIT = SHARE_ONE
# Rounding moves a weight by less than one per step of the walk, so by less than this after a million steps.
ROUNDING_BOUND = 10**6


class LineageInconsistent(ValueError):
    """The children given and the parents given are not the same graph."""


class Cycle(ValueError):
    """Lots that are made from themselves.

    Parameters
    ----------
    lots : the lots of one cycle, each followed by the next on the walk, the last by the first
    """

    def __init__(self, lots: tuple[int, ...]) -> None:
        self.lots = lots
        path = " -> ".join(str(lot) for lot in (*lots, lots[0]))
        super().__init__(f"lots lead back to themselves: {path}; correct the line that closes the circle")


@dataclass(frozen=True, slots=True)
class Composition:
    """Where a lot's dry mass came from; `shares` and `remainder_e12` sum to UNIT, the raw weights to SCALE.

    Parameters
    ----------
    lot : the lot traced
    shares : (origin lot, share per 10**12), by lot; a share too small for 10**-12 shows as 0
    remainder_e12 : what is unattributed or below the cut-off, per 10**12
    raw : (origin lot, weight per SCALE), by lot, unrounded; weights > 0
    raw_unattributed, raw_cut : the two parts of the remainder, per SCALE, unrounded
    claimable_raw : as `raw`, less what was withheld on the way; never more than `raw`
    may_contain : origin lots that may be in the lot: complete, whatever the cut-off
    unattributed_at : lots on the way that were partly made from nothing on record: complete
    visited : the lot and everything that may be in it, each before the lots it was made from
    """

    lot: int
    shares: tuple[tuple[int, int], ...]
    remainder_e12: int
    raw: Sequence[tuple[int, int]]
    raw_unattributed: int
    raw_cut: int
    claimable_raw: Sequence[tuple[int, int]]
    may_contain: frozenset[int]
    unattributed_at: frozenset[int]
    visited: tuple[int, ...]


def trace_up(
    lot: int,
    parents_of: Callable[[int], Parents],
    *,
    cut_off: int = 0,
    passed: Callable[[int], Fraction] | None = None,
) -> Composition:
    """Composition of a lot by origin lot, back through everything it may have been made from.

    Parameters
    ----------
    lot : the lot asked for
    parents_of : asked once for each lot on the way
    cut_off : int per SCALE; a lot whose merged weight is below it is not opened any further and its weight
        goes to the remainder. Origins reached are always named. Touches the shares only
    passed : fraction 0..1 of a lot's mass that stays claimable when it is made (a withheld gain lowers it),
        asked for each lot with parents; None withholds nothing

    Raises
    ------
    Cycle
        If a lot leads back to itself.
    BadWeight
        If `passed` gives a fraction outside 0..1.
    """
    parents: dict[int, Parents] = {}

    def possible_parents(child: int) -> Iterable[int]:
        parents[child] = parents_of(child)
        return sorted(parents[child].possible)

    visited = _in_order([lot], possible_parents)
    origins_met = frozenset(other for other in visited if parents[other].is_origin)
    weights, claimable = {lot: SCALE}, {lot: SCALE}
    unattributed = cut = 0
    for current in visited:
        if current in origins_met or current not in weights:
            continue
        weight = weights.pop(current)
        kept = claimable.pop(current, 0)
        if weight < cut_off:
            cut += weight
            continue
        if passed is not None:
            kept = _kept(kept, current, passed)
        shares = parents[current].shares
        lost, *parts = apportion(weight, [parents[current].unattributed, *(share for _, share in shares)])
        unattributed += lost
        for (parent, share), part in zip(shares, parts, strict=True):
            weights[parent] = weights.get(parent, 0) + part
            if passed is not None:
                claimable[parent] = claimable.get(parent, 0) + kept * share // SCALE
    origins = sorted(origin for origin, weight in weights.items() if weight)
    remainder_e12, *shares_e12 = apportion(UNIT, [unattributed + cut, *(weights[origin] for origin in origins)])
    return Composition(
        lot=lot,
        shares=tuple(zip(origins, shares_e12, strict=True)),
        remainder_e12=remainder_e12,
        raw=tuple((origin, weights[origin]) for origin in origins),
        raw_unattributed=unattributed,
        raw_cut=cut,
        claimable_raw=tuple((origin, claimable[origin] if passed else weights[origin]) for origin in origins),
        may_contain=origins_met,
        unattributed_at=frozenset(other for other in visited if parents[other].unattributed),
        visited=visited,
    )


def trace_down(
    source_lots: Iterable[int],
    children_of: Callable[[int], Iterable[int]],
    parents_of: Callable[[int], Parents],
) -> tuple[tuple[int, int], ...]:
    """Every lot that may contain one of the sources, with the share of it expected to come from them.

    Complete, with no cut-off: a lot with share 0 may contain a source all the same. Mass that passes through
    two of the sources counts once. The sources themselves are not listed.

    Parameters
    ----------
    source_lots : the lots in question, such as the bales of one delivery
    children_of : lots a lot may be in, one step on (the reverse of `Parents.possible`), asked once per lot
    parents_of : asked once for each affected lot

    Returns
    -------
    tuple of (lot, share per 10**12), each lot after the lots it was made from

    Raises
    ------
    Cycle
        If a lot leads back to itself.
    LineageInconsistent
        If a lot has an affected parent that does not name it as a child.
    """
    sources = frozenset(source_lots)
    visited = _in_order(sorted(sources), lambda lot: sorted(children_of(lot)))
    affected = frozenset(visited)
    weights: dict[int, int] = {}
    for lot in visited:
        if lot in sources:
            weights[lot] = SCALE
            continue
        parents = parents_of(lot)
        for parent in parents.possible & affected:
            if parent not in weights:
                raise LineageInconsistent(f"lot {lot} may contain lot {parent}, which does not list it as a child")
        weights[lot] = sum(share * weights[parent] for parent, share in parents.shares if parent in affected) // SCALE
    return tuple((lot, divide_half_up(weights[lot] * UNIT, SCALE)) for lot in visited if lot not in sources)


def recycled_fraction(
    composition: Composition, value_of: Callable[[int], Fraction | int], *, is_claimable_only: bool = False
) -> Fraction:
    """Fraction of a lot's dry mass that counts as recycled; the remainder counts as nothing.

    Parameters
    ----------
    composition : of the lot; its unrounded weights are used
    value_of : fraction 0..1 of an origin lot that counts, 1 for a post-consumer bale, 0 for virgin
    is_claimable_only : leave out what was withheld on the way

    Returns
    -------
    Fraction
        0..1 in whole parts of 10**12, cut down.

    Raises
    ------
    BadWeight
        If `value_of` gives a fraction outside 0..1.
    """
    weights = composition.claimable_raw if is_claimable_only else composition.raw
    # A plant has few values and many origins, and adding fractions is slow: whole numbers per denominator are not.
    counted_per: dict[int, int] = {}
    for origin, weight in weights:
        numerator, denominator = _in_range(value_of(origin), "value", origin)
        counted_per[denominator] = counted_per.get(denominator, 0) + weight * numerator
    counted = sum((Fraction(part, denominator) for denominator, part in counted_per.items()), Fraction(0))
    # Without the lift a true 90 % could stand as 89.99...9 in the weights, and be cut down to 89.9.
    return Fraction(min((counted + ROUNDING_BOUND) * UNIT // SCALE, UNIT), UNIT)


def _kept(weight: int, lot: int, passed: Callable[[int], Fraction]) -> int:
    """Claimable part of a weight after the run that made the lot, cut down."""
    numerator, denominator = _in_range(passed(lot), "passed fraction", lot)
    return weight * numerator // denominator


def _in_range(value: Fraction | int, what: str, lot: int) -> tuple[int, int]:
    """Numerator and denominator of a fraction from 0 to 1."""
    numerator, denominator = value.numerator, value.denominator
    if not 0 <= numerator <= denominator:
        raise BadWeight(f"{what} of lot {lot} is {value}, expected 0 to 1")
    return numerator, denominator


def _in_order(starts: Sequence[int], next_of: Callable[[int], Iterable[int]]) -> tuple[int, ...]:
    """All lots reachable, each before those it leads to; without recursion, since chains are long."""
    finished: list[int] = []
    is_finished: dict[int, bool] = {}
    for start in starts:
        if start in is_finished:
            continue
        is_finished[start] = False
        path = [(start, iter(next_of(start)))]
        while path:
            lot, onward = path[-1]
            following = next(onward, None)
            if following is None:
                path.pop()
                is_finished[lot] = True
                finished.append(lot)
            elif following not in is_finished:
                is_finished[following] = False
                path.append((following, iter(next_of(following))))
            elif not is_finished[following]:
                on_path = [step for step, _ in path]
                raise Cycle(tuple(on_path[on_path.index(following) :]))
    return tuple(reversed(finished))
