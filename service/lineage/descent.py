"""Where lots went: every lot that may contain some of them, with the share expected; complete, or as ranges."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlmodel import Session, col

from service.journal.one_of import one_of
from service.journal.read import Knowledge, chunks
from service.lineage.closure import Ways, lots_reached, members_of, sources_holding
from service.lineage.graph import LotGraph
from service.lineage.tables import SourceShare
from service.lineage.tracer import shares_onward

# So many affected lots are walked line by line; more were worked out in advance.
WALKED_MAX = 100


@dataclass(frozen=True)
class Descent:
    """Where some lots went.

    Parameters
    ----------
    shares : expected share of affected lots, per 10**12, also where none is expected; each lot after those it was
        made from, or in the order of registration where the shares were worked out in advance.
    is_listed : whether `shares` names every affected lot; otherwise only those with a share of the cut-off or more and
        those they got into through no vessel.
    is_cut : whether shares below the cut-off are given as 0.
    from_code : everything they may have got into: vessel periods by the order code from which on, runs and lots.
    """

    shares: tuple[tuple[int, int], ...]
    is_listed: bool
    is_cut: bool
    from_code: Mapping[int, int]


def descent(
    session: Session, lot_ids: Sequence[int], known: Knowledge | None = None, *, is_complete: bool = True
) -> Descent:
    """Where these lots went, they themselves apart.

    As it was known earlier, and where few lots are affected, the lines are walked.

    Parameters
    ----------
    is_complete : name every affected lot, however many they are.
    """
    if known is not None:
        return Descent(LotGraph(session, known).trace_down(lot_ids), True, False, {})
    from_code = Ways(session).ahead(lot_ids)
    few = lots_reached(session, from_code, WALKED_MAX + len(lot_ids))
    if few is not None:
        return Descent(LotGraph(session).trace_down(lot_ids), True, False, from_code)
    expected = expected_in(session, lot_ids)
    # What they got into through no vessel is named in any case: no vessel stands for it.
    ways = from_code if is_complete else {number: code for number, code in from_code.items() if code < 0}
    affected = (lots_reached(session, ways) or set()).union(expected).difference(lot_ids)
    shares = tuple((lot_id, expected.get(lot_id, 0)) for lot_id in sorted(affected))
    return Descent(shares, is_complete, True, from_code)


def expected_in(session: Session, lot_ids: Sequence[int]) -> dict[int, int]:
    """Expected share of these lots in each lot where it is at least the cut-off, per 10**12."""
    holding = sources_holding(session, lot_ids)
    if any(lot_id not in holding for lot_id in lot_ids):
        return shares_onward(session, lot_ids)
    asked = frozenset(lot_ids)
    whole: dict[int, int] = {}
    part: dict[int, int] = {}
    for source, member, weight in members_of(session, {source for found in holding.values() for source in found}):
        whole[source] = whole.get(source, 0) + weight
        if member in asked:
            part[source] = part.get(source, 0) + weight
    shares: dict[int, int] = {}
    query = select(col(SourceShare.source_id), col(SourceShare.lot_id), col(SourceShare.share_e12)).where(
        one_of(col(SourceShare.source_id), "wanted")
    )
    for portion in chunks(part):
        for source, lot_id, share_e12 in session.execute(query, {"wanted": portion}):
            if whole[source]:
                shares[lot_id] = shares.get(lot_id, 0) + share_e12 * part[source] // whole[source]
    return shares
