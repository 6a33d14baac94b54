"""Where lots went: every lot that may contain some of them, with the share expected; complete, or as ranges."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from sqlalchemy import Select, select
from sqlmodel import Session, col

from service.journal.one_of import one_of
from service.journal.read import Knowledge, chunks
from service.lineage.closure import Ways, lots_reached
from service.lineage.graph import LotGraph
from service.lineage.kept import members_by_source
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
    graph : what was read to walk there; None where nothing was walked.
    """

    shares: tuple[tuple[int, int], ...]
    is_listed: bool
    is_cut: bool
    from_code: Mapping[int, int]
    graph: LotGraph | None = None


def descent(
    session: Session, lot_ids: Sequence[int], known: Knowledge | None = None, *, is_complete: bool = True
) -> Descent:
    """Where these lots went, they themselves apart.

    As it was known earlier, and where few lots are affected, the lines are walked.

    Parameters
    ----------
    is_complete : name every affected lot, however many they are.
    """
    graph = LotGraph(session, known)
    if known is not None:
        return Descent(graph.trace_down(lot_ids), True, False, {}, graph)
    ways = Ways(session)
    from_code = ways.ahead(lot_ids)
    few = lots_reached(session, from_code, WALKED_MAX + len(lot_ids))
    if few is not None:
        return Descent(graph.trace_down(lot_ids), True, False, from_code, graph)
    expected = expected_in(session, lot_ids, ways.sources_of(lot_ids))
    # What they got into through no vessel is named in any case: no vessel stands for it.
    named = from_code if is_complete else {number: code for number, code in from_code.items() if code < 0}
    affected = (lots_reached(session, named) or set()).union(expected).difference(lot_ids)
    shares = tuple((lot_id, expected.get(lot_id, 0)) for lot_id in sorted(affected))
    return Descent(shares, is_complete, True, from_code)


def expected_in(session: Session, lot_ids: Sequence[int], holding: Mapping[int, Collection[int]]) -> dict[int, int]:
    """Expected share of these lots in each lot where it is at least the cut-off, per 10**12.

    Parameters
    ----------
    holding : the sources each of them is a member of; those that are in none are left out.
    """
    if any(lot_id not in holding for lot_id in lot_ids):
        return shares_onward(session, lot_ids)
    asked = frozenset(lot_ids)
    part: dict[int, tuple[int, int]] = {}
    for source, members in members_by_source(
        session, {source for found in holding.values() for source in found}
    ).items():
        of_asked = (weight for lot_id, weight in zip(members.lots, members.weights, strict=True) if lot_id in asked)
        part[source] = sum(of_asked), members.total
    shares: dict[int, int] = {}
    for portion in chunks(part):
        for source, lot_id, share_e12 in session.connection().execute(_shares_of(), {"wanted": portion}).all():
            asked_weight, whole = part[source]
            if whole:
                shares[lot_id] = shares.get(lot_id, 0) + share_e12 * asked_weight // whole
    return shares


@cache
def _shares_of() -> Select[int, int, int]:
    columns = (col(SourceShare.source_id), col(SourceShare.lot_id), col(SourceShare.share_e12))
    return select(*columns).where(one_of(col(SourceShare.source_id), "wanted"))
