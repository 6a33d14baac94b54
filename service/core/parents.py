"""What one lot was made from, one step back: the edges of the lineage.

Here: parents by run (all inputs mixed), by draw from a vessel, and merged when several lines made one lot.
Not here: the walk over many steps (`lineage`).

Invariant: the weights of the parents and the unattributed weight sum to SCALE exactly, and a lot with a
weight is always among the possible ones.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.core.apportion import SCALE, apportion
from service.core.vessel_ledger import DrawSources

__all__ = ["ORIGIN", "BadWeight", "Parents", "merge_parents", "parents_of_draw", "parents_of_run"]


class BadWeight(ValueError):
    """A weight, mass or fraction outside its range, or weights that do not add up."""


@dataclass(frozen=True, slots=True)
class Parents:
    """What one lot was made from, one step back.

    No shares, nothing unattributed and nothing possible means an origin lot: nothing on record went into it.

    Parameters
    ----------
    shares : (lot, weight per SCALE), each lot once, weights > 0
    unattributed : int per SCALE, made from nothing on record; with the shares it sums to SCALE
    possible : every lot that may be in this one, the lots with a share among them

    Raises
    ------
    BadWeight
        If the weights do not sum to SCALE, are not positive, or name a lot twice or one that is not possible.
    """

    shares: tuple[tuple[int, int], ...]
    unattributed: int
    possible: frozenset[int]

    def __post_init__(self) -> None:
        total = sum(weight for _, weight in self.shares) + self.unattributed
        if not self.is_origin and total != SCALE:
            raise BadWeight(f"shares and unattributed sum to {total}, expected SCALE = {SCALE}")
        if self.unattributed < 0 or any(weight <= 0 for _, weight in self.shares):
            raise BadWeight(f"weights must be positive: {self.shares!r}, unattributed {self.unattributed}")
        named = {lot for lot, _ in self.shares}
        if len(named) < len(self.shares) or not named <= self.possible:
            raise BadWeight(f"lots of {self.shares!r} must differ and be among the possible ones")

    @property
    def is_origin(self) -> bool:
        """Whether the trail rightly ends here, as at a bale, a virgin lot or an opening stock."""
        return not self.shares and not self.unattributed and not self.possible


ORIGIN = Parents((), 0, frozenset())


def parents_of_run(inputs: Iterable[tuple[int, int]]) -> Parents:
    """Parents of what a run made: all inputs mixed, weighted by dry mass in.

    Parameters
    ----------
    inputs : (lot, micrograms dry), a lot as often as it was fed; masses >= 0

    Returns
    -------
    Parents
        Unattributed as a whole if no mass went in: a product of nothing is not an origin.

    Raises
    ------
    BadWeight
        If a mass is negative.
    """
    mass_of: dict[int, int] = {}
    for lot, dry_ug in inputs:
        if dry_ug < 0:
            raise BadWeight(f"dry_ug of lot {lot} is {dry_ug}: an input is not negative, void the line instead")
        mass_of[lot] = mass_of.get(lot, 0) + dry_ug
    return _weighted(mass_of, 0, frozenset(mass_of))


def parents_of_draw(
    sources: DrawSources, possible_charges: frozenset[int], lot_of_charge: Mapping[int, int]
) -> Parents:
    """Parents of what was drawn from a vessel: the charged lots in place of the charges.

    What the vessel ledger cut counts as unattributed, since its charge is not named.

    Raises
    ------
    KeyError
        If a charge has no lot.
    """
    weight_of: dict[int, int] = {}
    for charge, weight in sources.shares:
        lot = lot_of_charge[charge]
        weight_of[lot] = weight_of.get(lot, 0) + weight
    possible = frozenset(lot_of_charge[charge] for charge in possible_charges)
    return _weighted(weight_of, sources.unattributed + sources.cut, possible)


def merge_parents(parts: Sequence[tuple[Parents, int]]) -> Parents:
    """Parents of a lot made by several lines, such as a bag topped up the next day, weighted by dry mass.

    A part without parents beside parts with parents is unattributed: its mass came from nowhere on record.

    Parameters
    ----------
    parts : (parents, micrograms dry) of each producing line; masses >= 0

    Raises
    ------
    BadWeight
        If a mass is negative.
    """
    if all(parents.is_origin for parents, _ in parts):
        return ORIGIN
    weight_of: dict[int, int] = {}
    unattributed = 0
    for parents, dry_ug in parts:
        if dry_ug < 0:
            raise BadWeight(f"dry_ug of a producing line is {dry_ug}: an output is not negative")
        for lot, weight in parents.shares:
            weight_of[lot] = weight_of.get(lot, 0) + weight * dry_ug
        unattributed += (SCALE if parents.is_origin else parents.unattributed) * dry_ug
    return _weighted(weight_of, unattributed, frozenset().union(*(parents.possible for parents, _ in parts)))


def _weighted(weight_of: Mapping[int, int], unattributed: int, possible: frozenset[int]) -> Parents:
    """Bring weights of any total to SCALE; all of it unattributed where there is no weight at all."""
    lots = sorted(weight_of)
    weights = [weight_of[lot] for lot in lots]
    if not any(weights):
        return Parents((), SCALE, possible)
    none, *parts = apportion(SCALE, [unattributed, *weights])
    return Parents(tuple((lot, part) for lot, part in zip(lots, parts, strict=True) if part), none, possible)
