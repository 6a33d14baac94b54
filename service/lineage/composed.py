"""The composition of a lot as it was worked out in advance, by origin lot; and what it may contain, as ranges.

`LotGraph` walks the lines and needs no cut-off; here a row is read instead of a history. The two say the same but
for the shares below the cut-off, which are in the remainder; `verify` compares them.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import overload

from sqlmodel import Session

from service.core.apportion import apportion
from service.core.mixture import Mixture
from service.core.quantities import SHARE_ONE
from service.lineage.closure import Behind, behind, few_members_of, members_of
from service.lineage.kept import Members, members_by_source
from service.lineage.stored import EVER, Derived
from service.lots.rows import LotRow

# What is weighted by mass within a source is told apart to one part of this.
FINER = 10**12


class SortedLater(Sequence[tuple[int, int]]):
    """The entries of a mapping in the order of their keys, worked out when somebody looks: mostly nobody does."""

    def __init__(self, entries: Callable[[], Mapping[int, int]]) -> None:
        self._entries = entries

    @cached_property
    def _sorted(self) -> list[tuple[int, int]]:
        return sorted(self._entries().items())

    @overload
    def __getitem__(self, place: int) -> tuple[int, int]: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[tuple[int, int]]: ...
    def __getitem__(self, place: int | slice) -> tuple[int, int] | Sequence[tuple[int, int]]:
        return self._sorted[place]

    def __len__(self) -> int:
        return len(self._sorted)


@dataclass(frozen=True)
class Composed:
    """A made lot as worked out in advance.

    Parameters
    ----------
    members : origin lots by source named.
    """

    lot_id: int
    derived: Derived
    members: Mapping[int, Members]

    @property
    def mixture(self) -> Mixture:
        return self.derived.mixture

    @cached_property
    def weights(self) -> dict[int, int]:
        """Weight of each origin lot, per FINE x FINER, cut down."""
        return self._by_origin(self.mixture.weights)

    @cached_property
    def claims(self) -> dict[int, int]:
        """The same, less what was withheld on the way."""
        return self.weights if self.mixture.claims is None else self._by_origin(self.mixture.claims)

    def _by_origin(self, by_source: Mapping[int, int]) -> dict[int, int]:
        found: dict[int, int] = {}
        for source, weight in by_source.items():
            within = self.members.get(source)
            if source < 0 or within is None:
                continue
            parts = zip(within.lots, _parts(within, weight * FINER), strict=True)
            if found.keys().isdisjoint(within.lots):
                found.update(parts)
                continue
            for lot_id, part in parts:  # some of the lots are in another source, too
                found[lot_id] = found.get(lot_id, 0) + part
        return found if all(found.values()) else {lot_id: part for lot_id, part in found.items() if part}

    @cached_property
    def rows(self) -> dict[int, LotRow]:
        """The origin lots of all sources named."""
        found: dict[int, LotRow] = {}
        for within in self.members.values():
            found.update(within.rows)
        return found

    @cached_property
    def shares_e12(self) -> tuple[tuple[tuple[int, int], ...], int]:
        """(origin lot, share per 10**12) by lot, and the remainder; together they sum to one exactly."""
        weights = self.weights
        origins = sorted(weights)
        rest = (self.mixture.cut + self.mixture.unattributed) * FINER
        remainder, *parts = apportion(SHARE_ONE, [rest, *map(weights.__getitem__, origins)])
        return tuple(zip(origins, parts, strict=True)), remainder

    @property
    def raw(self) -> Sequence[tuple[int, int]]:
        """(origin lot, weight per FINE x FINER), by lot."""
        return SortedLater(lambda: self.weights)

    @property
    def claimable_raw(self) -> Sequence[tuple[int, int]]:
        """The same, less what was withheld on the way."""
        return SortedLater(lambda: self.claims)

    def origins_of(self, sources: Iterable[int]) -> set[int]:
        """The origin lots of some of the sources named."""
        return {origin for source in sources if source in self.members for origin in self.members[source].lots}


def composed_lots(session: Session, derived: Mapping[int, Derived]) -> dict[int, Composed]:
    """Several made lots with the origin lots behind them."""
    wanted = {source for one in derived.values() for source in one.mixture.weights if source > 0}
    members = members_by_source(session, wanted)
    return {
        lot_id: Composed(lot_id, one, {source: members[source] for source in one.mixture.weights if source in members})
        for lot_id, one in derived.items()
    }


def _parts(within: Members, weight: int) -> list[int]:
    """A weight split among the origin lots of a source, cut down."""
    total = within.total
    if total:
        return [weight * mass // total for mass in within.weights]
    # Members without any dry mass weigh nothing, unless none of them has any.
    return [weight // len(within.lots)] * len(within.lots)


def sources_before_vessels(derived: Derived) -> set[int]:
    """What may be in a lot without having gone through a vessel on the way."""
    return {number for number, code in derived.reach.items() if number > 0 and code == EVER}


def origins_behind(session: Session, lot_id: int, derived: Derived | None) -> set[int]:
    """Every origin lot that may be in a lot, spelled out: complete, and as long as the history behind it."""
    if derived is None:
        return {lot_id}
    return origins_among(session, behind(session, derived.reach))


def origins_among(session: Session, found: Behind) -> set[int]:
    """The origin lots of what was found: members of sources, and of lots that are sources."""
    return {origin for _, origin, _ in members_of(session, _sources_in(found))}


def few_origins_among(session: Session, found: Behind, most: int) -> set[int] | None:
    """The same, or None where there are more than so many or not everything was found."""
    return few_members_of(session, _sources_in(found), most) if found.is_complete else None


def _sources_in(found: Behind) -> list[int]:
    return [number for number, code in found.until.items() if number > 0 and code == EVER]


def unattributed_in(found: Behind) -> list[int]:
    """Lots part of which came from nothing on record, among what was found."""
    return [-number for number in found.until if number < 0]
