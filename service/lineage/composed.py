"""The composition of a lot as it was worked out in advance, by origin lot; and what it may contain, as ranges.

`LotGraph` walks the lines and needs no cut-off; here a row is read instead of a history. The two say the same but
for the shares below the cut-off, which are in the remainder; `verify` compares them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from sqlmodel import Session

from service.core.apportion import apportion
from service.core.mixture import Mixture
from service.core.quantities import SHARE_ONE
from service.lineage.closure import Behind, behind, few_members_of, members_of
from service.lineage.stored import EVER, Derived

# What is weighted by mass within a source is told apart to one part of this.
FINER = 10**12


@dataclass(frozen=True)
class Composed:
    """A made lot as worked out in advance.

    Parameters
    ----------
    members : weight of each origin lot, by source named.
    """

    lot_id: int
    derived: Derived
    members: Mapping[int, Mapping[int, int]]

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
            if source < 0 or not within:
                continue
            total = sum(within.values())
            for lot_id, mass in within.items():
                # Members without any dry mass weigh nothing, unless none of them has any.
                part = weight * FINER * mass // total if total else weight * FINER // len(within)
                if part:
                    found[lot_id] = found.get(lot_id, 0) + part
        return found

    @cached_property
    def shares_e12(self) -> tuple[tuple[tuple[int, int], ...], int]:
        """(origin lot, share per 10**12) by lot, and the remainder; together they sum to one exactly."""
        origins = sorted(self.weights)
        rest = (self.mixture.cut + self.mixture.unattributed) * FINER
        remainder, *parts = apportion(SHARE_ONE, [rest, *(self.weights[origin] for origin in origins)])
        return tuple(zip(origins, parts, strict=True)), remainder


def composed_lots(session: Session, derived: Mapping[int, Derived]) -> dict[int, Composed]:
    """Several made lots with the origin lots behind them."""
    wanted = {source for one in derived.values() for source in one.mixture.weights if source > 0}
    members = members_by_source(session, wanted)
    return {
        lot_id: Composed(lot_id, one, {source: members[source] for source in one.mixture.weights if source in members})
        for lot_id, one in derived.items()
    }


def members_by_source(session: Session, source_ids: Iterable[int]) -> dict[int, dict[int, int]]:
    found: dict[int, dict[int, int]] = {}
    for source_id, lot_id, weight in members_of(session, source_ids):
        found.setdefault(source_id, {})[lot_id] = weight
    return found


def origins_before_vessels(session: Session, composed: Composed) -> set[int]:
    """The origin lots that may be in a lot without having gone through a vessel on the way."""
    near = {number for number, code in composed.derived.reach.items() if number > 0 and code == EVER}
    named = {origin for source in near & composed.members.keys() for origin in composed.members[source]}
    return named.union(origin for _, origin, _ in members_of(session, near - composed.members.keys()))


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
