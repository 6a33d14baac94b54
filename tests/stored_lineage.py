"""What was worked out in advance about a lot, told with codes, to compare it with what a walk says."""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from sqlmodel import Session

from service.core.lineage import recycled_fraction
from service.core.mixture import fraction_of
from service.lineage.closure import behind
from service.lineage.composed import composed_lots, origins_behind, unattributed_in
from service.lineage.graph import LotGraph
from service.lineage.stored import derived_lots
from service.lots.queries import get_lot, lots_by_id

UNIT, NONE = Fraction(1, 10**12), Fraction(0)


@dataclass(frozen=True)
class Told:
    shares: dict[str, Fraction]
    remainder: Fraction
    cut: Fraction
    recycled: Fraction
    claimable: Fraction
    may_contain: set[str]
    unattributed: set[str]

    def differs_from(self, other: "Told") -> list[str]:
        """What the two say differently, but for what either cut and the last printed place."""
        allowed = self.cut + other.cut + 2 * UNIT
        found = [
            f"share of {code}: {self.shares.get(code, NONE)} and {other.shares.get(code, NONE)}"
            for code in self.shares.keys() | other.shares.keys()
            if abs(self.shares.get(code, NONE) - other.shares.get(code, NONE)) > allowed
        ]
        for what in ("remainder", "recycled", "claimable"):
            mine, theirs = getattr(self, what), getattr(other, what)
            # The cut-off lowers no claim.
            if abs(mine - theirs) > (allowed if what == "remainder" else 2 * UNIT):
                found.append(f"{what}: {mine} and {theirs}")
        for what in ("may_contain", "unattributed"):
            if getattr(self, what) != getattr(other, what):
                found.append(f"{what}: {getattr(self, what)} and {getattr(other, what)}")
        return found

    def renamed(self, name_of: dict[str, str]) -> "Told":
        """The same with other names for the lots."""
        return Told(
            {name_of[code]: share for code, share in self.shares.items()},
            self.remainder,
            self.cut,
            self.recycled,
            self.claimable,
            {name_of[code] for code in self.may_contain},
            {name_of[code] for code in self.unattributed},
        )


def told_in_advance(session: Session, code: str) -> Told | None:
    """None for an origin lot."""
    lot = get_lot(session, code)
    derived = derived_lots(session, [lot.id])
    if not derived:
        return None
    composed = composed_lots(session, derived)[lot.id]
    shares, remainder = composed.shares_e12
    may = origins_behind(session, lot.id, derived[lot.id])
    unattributed = unattributed_in(behind(session, derived[lot.id].reach))
    codes = {one.id: one.code for one in lots_by_id(session, may | set(unattributed)).values()}
    return Told(
        {codes[origin]: Fraction(share, 10**12) for origin, share in shares},
        Fraction(remainder, 10**12),
        Fraction(composed.mixture.cut, 10**18),
        fraction_of(composed.mixture.recycled),
        fraction_of(composed.mixture.recycled_claimable),
        {codes[origin] for origin in may},
        {codes[other] for other in unattributed},
    )


def told_by_walking(
    graph: LotGraph,
    session: Session,
    code: str,
    counted: set[str],
    passed: Callable[[int], Fraction] | None = None,
) -> Told | None:
    """The same by `LotGraph`, out of the lines; None for an origin lot.

    Parameters
    ----------
    counted : codes of the origin lots that count as post-consumer.
    passed : fraction of a lot that stays claimable.
    """
    lot = get_lot(session, code)
    if not graph.makers_of(lot.id):
        return None
    found = graph.trace(lot.id, passed=passed)
    lots = lots_by_id(session, found.may_contain | found.unattributed_at)

    def value_of(origin: int) -> int:
        return int(lots[origin].code in counted)

    return Told(
        {lots[origin].code: Fraction(share, 10**12) for origin, share in found.shares},
        Fraction(found.remainder_e12, 10**12),
        Fraction(0),
        recycled_fraction(found, value_of),
        recycled_fraction(found, value_of, is_claimable_only=True),
        {lots[origin].code for origin in found.may_contain},
        {lots[origin].code for origin in found.unattributed_at},
    )
