"""How far back and how far on something reaches, vessel by vessel, with no cut-off: the complete answer as ranges.

A range is a vessel period with an order code: everything charged to it before, or drawn from it after. So the answer
for a silo that was never proven empty is one row however long its history, and is spelled out only when asked for.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import BigInteger, Select, bindparam, func, select
from sqlmodel import Session, col

from service.journal.one_of import one_of
from service.journal.read import chunks
from service.lineage.stored import EVER
from service.lineage.tables import Reach, SourceMember, VesselReach

ROWS_AT_A_TIME = 10_000
SINCE_EVER = -1


@dataclass(frozen=True)
class Behind:
    """What may be in something.

    Parameters
    ----------
    until : by source, lot or vessel period: the order code until which it may be; `EVER` for all but periods.
    is_complete : False if looking was given up at a limit.
    """

    until: Mapping[int, int]
    is_complete: bool

    @property
    def periods(self) -> dict[int, int]:
        """The vessel periods among them."""
        return {number: code for number, code in self.until.items() if code < EVER}


def behind(session: Session, reach: Mapping[int, int], limit: int | None = None) -> Behind:
    """Everything that may be in something that reaches so far, through all vessels.

    Parameters
    ----------
    reach : as in `stored.Derived`.
    limit : give up once more than so many sources, lots and periods are found.
    """
    found = dict(reach)
    waiting = {number: code for number, code in reach.items() if code < EVER}
    while waiting:
        period_id, code = waiting.popitem()
        bound = {"period": period_id, "code": code} | ({} if limit is None else {"most": limit})
        for source_id, until in session.connection().execute(_charged_before(limit is not None), bound).all():
            if found.get(source_id, -1) < until:
                found[source_id] = until
                if until < EVER:
                    waiting[source_id] = until
        if limit is not None and len(found) > limit:
            return Behind(found, False)
    return Behind(found, True)


@cache
def _charged_before(is_limited: bool) -> Select[int, int]:
    rows = (
        select(col(VesselReach.source_id), func.max(col(VesselReach.until_code)))
        .where(
            col(VesselReach.period_id) == bindparam("period", type_=BigInteger()),
            col(VesselReach.at_code) < bindparam("code", type_=BigInteger()),
        )
        .group_by(col(VesselReach.source_id))
    )
    return rows.limit(bindparam("most") + 1) if is_limited else rows


def ahead(session: Session, start: Mapping[int, int]) -> dict[int, int]:
    """Everything some sources, lots or vessel periods may have got into, by number: the order code from which on.

    Vessel periods reach what is drawn from them after that code; sources and lots reach from ever (`SINCE_EVER`).

    Parameters
    ----------
    start : by number, as in the answer.
    """
    found = dict(start)
    waiting = set(found)
    while waiting:
        number = waiting.pop()
        bound = {"source": number, "code": found[number]}
        for period_id, at_code in session.connection().execute(_charged_with(), bound).all():
            if found.get(period_id, EVER) > at_code:
                found[period_id] = at_code
                waiting.add(period_id)
    return found


@cache
def _charged_with() -> Select[int, int]:
    return (
        select(col(VesselReach.period_id), func.min(col(VesselReach.at_code)))
        .where(
            col(VesselReach.source_id) == bindparam("source", type_=BigInteger()),
            col(VesselReach.until_code) > bindparam("code", type_=BigInteger()),
        )
        .group_by(col(VesselReach.period_id))
    )


class Ways:
    """Ways on from many lots, for one question: lots with the same fate are looked up once."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._numbers: dict[int, frozenset[int]] = {}
        self._ahead: dict[frozenset[int], dict[int, int]] = {}

    def ahead(self, lot_ids: Iterable[int]) -> dict[int, int]:
        """Everything these lots may have got into, as `ahead` says it."""
        wanted = list(lot_ids)
        self._look_up(wanted)
        numbers = frozenset[int]().union(*(self._numbers[lot_id] for lot_id in wanted))
        # A bale's own number leads nowhere: only its sources do.
        if numbers not in self._ahead:
            self._ahead[numbers] = ahead(self._session, dict.fromkeys(numbers, SINCE_EVER))
        return self._ahead[numbers]

    def sources_of(self, lot_ids: Iterable[int]) -> dict[int, frozenset[int]]:
        """The sources that each of these lots is a member of; one that is in none is left out."""
        wanted = list(lot_ids)
        self._look_up(wanted)
        return {lot_id: found for lot_id in wanted if (found := self._numbers[lot_id] - {lot_id})}

    def _look_up(self, lot_ids: Iterable[int]) -> None:
        missing = [lot_id for lot_id in lot_ids if lot_id not in self._numbers]
        if missing:
            holding = sources_holding(self._session, missing)
            self._numbers |= {lot_id: frozenset((lot_id, *holding.get(lot_id, ()))) for lot_id in missing}


def is_reached(reach: Mapping[int, int], from_code: Mapping[int, int]) -> bool:
    """Whether something that reaches so far may contain some of what went so far (`ahead`)."""
    return any(code > from_code.get(number, EVER) for number, code in reach.items())


def lots_reached(session: Session, from_code: Mapping[int, int], most: int | None = None) -> set[int] | None:
    """Every made lot that may contain some of what went so far (`ahead`).

    Parameters
    ----------
    most : give up beyond so many; then the answer is None.
    """
    found: set[int] = set()
    connection = session.connection()
    for number, code in from_code.items():
        bound = {"source": number, "code": code}
        if most is None:
            rows = connection.execute(_lots_containing(), bound, execution_options={"yield_per": ROWS_AT_A_TIME})
            found.update(rows.scalars())
            continue
        found.update(connection.execute(_few_containing(), bound | {"most": max(most + 1, 0)}).scalars())
        if len(found) > most:
            return None
    return found


@cache
def _lots_containing() -> Select[Any]:
    return select(col(Reach.lot_id)).where(
        col(Reach.source_id) == bindparam("source", type_=BigInteger()),
        col(Reach.until_code) > bindparam("code", type_=BigInteger()),
    )


@cache
def _few_containing() -> Select[Any]:
    return _lots_containing().limit(bindparam("most"))


def sources_holding(session: Session, lot_ids: Iterable[int]) -> dict[int, list[int]]:
    """The sources that each of these lots is a member of; a made lot is none, it stands for itself."""
    found: dict[int, list[int]] = {}
    for portion in chunks(set(lot_ids)):
        for lot_id, source_id in session.connection().execute(_sources_of_lots(), {"wanted": portion}).all():
            found.setdefault(lot_id, []).append(source_id)
    return found


@cache
def _sources_of_lots() -> Select[int, int]:
    query = select(col(SourceMember.lot_id), col(SourceMember.source_id))
    return query.where(one_of(col(SourceMember.lot_id), "wanted"))


def few_members_of(session: Session, source_ids: Iterable[int], most: int) -> set[int] | None:
    """The origin lots of these sources; None if there are more than so many."""
    found: set[int] = set()
    for portion in chunks(set(source_ids)):
        bound = {"wanted": portion, "most": max(most + 1, 0)}
        found.update(session.connection().execute(_few_members(), bound).scalars())
        if len(found) > most:
            return None
    return found


@cache
def _few_members() -> Select[Any]:
    members = select(col(SourceMember.lot_id)).where(one_of(col(SourceMember.source_id), "wanted"))
    return members.distinct().limit(bindparam("most"))


def members_of(session: Session, source_ids: Iterable[int]) -> Iterator[tuple[int, int, int]]:
    """Source, origin lot and its weight, for every member of these sources."""
    query = select(col(SourceMember.source_id), col(SourceMember.lot_id), col(SourceMember.weight)).where(
        one_of(col(SourceMember.source_id), "wanted")
    )
    for portion in chunks(set(source_ids)):
        yield from session.execute(query, {"wanted": portion})
