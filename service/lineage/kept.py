"""What is kept in memory of committed facts, for as long as it cannot be wrong; see decision 19.

- The origin lots of a source are kept under what the database says of them just now, word for word, so a source that
  was worked out anew is read anew. Of the lots themselves only what is never corrected is kept.
- Masses are kept as of a position of each journal. What was recorded since is looked up by position and dropped.
- That a vessel reaches back too far to be listed is kept under the sizes of all journals: the next write ends it.

A session that writes keeps and finds nothing: what it sees may be rolled back.
"""

import threading
from collections import OrderedDict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import bindparam, func, select
from sqlmodel import Session

from service.db import KEPT
from service.journal.one_of import one_of
from service.journal.read import Knowledge, chunks, known_now
from service.journal.tables import SITE_STEP
from service.journal.values import table_of
from service.lineage.tables import SourceMember, plain
from service.lots.rows import LotRow, lot_rows, origin_masses_g
from service.lots.tables import LotMass

# Origin lots held in memory: with everything said of them some 500 bytes each.
LOTS_MAX = 60_000
MASSES_MAX = 120_000
PERIODS_MAX = 10_000
SIZES = "sizes"  # in a session's `info`


@dataclass(frozen=True, slots=True)
class Members:
    """The origin lots of a source.

    Parameters
    ----------
    weights : dry mass of each lot in the source, in the order of `lots`.
    total : their sum.
    rows : what is never corrected about each lot.
    """

    lots: tuple[int, ...]
    weights: tuple[int, ...]
    total: int
    rows: Mapping[int, LotRow]


NO_MEMBERS = Members((), (), 0, {})


@dataclass
class Masses:
    """Material masses of origin lots as of a position of each journal.

    Parameters
    ----------
    sizes : of the journals, by number.
    grams : by lot; None for a lot without a mass.
    """

    sizes: dict[int, int]
    grams: dict[int, int | None] = field(default_factory=dict)


class Kept:
    """What is kept of one database; several threads ask at once."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._members: OrderedDict[tuple[int, str], Members] = OrderedDict()
        self._lots = 0
        self._masses = Masses({})
        self._ranged_at: tuple[Knowledge, tuple[int, ...]] | None = None
        self._ranged: dict[int, int] = {}

    @property
    def lots_held(self) -> int:
        """How many origin lots are in memory, one in several sources counted for each."""
        return self._lots

    def find_members(self, said: Mapping[int, str]) -> dict[int, Members]:
        """Those kept of these sources, by what the database says of each."""
        found = {}
        with self._lock:
            for key in said.items():
                members = self._members.get(key)
                if members is not None:
                    self._members.move_to_end(key)
                    found[key[0]] = members
        return found

    def keep_members(self, said: Mapping[int, str], fresh: Mapping[int, Members]) -> None:
        with self._lock:
            for source, members in fresh.items():
                if self._members.setdefault((source, said[source]), members) is members:
                    self._lots += len(members.lots)
            while self._lots > LOTS_MAX:
                self._lots -= len(self._members.popitem(last=False)[1].lots)

    def masses_at(self, session: Session, known: Knowledge) -> Masses | None:
        """The masses kept, brought up to a state of knowledge; None where more is kept than was known then."""
        with self._lock:
            held = self._masses
            sizes = dict(known.sizes)
            if any(sizes.get(log_no, 0) < size for log_no, size in held.sizes.items()):
                return None
            if sizes == held.sizes:
                return held
            grams = dict(held.grams) if len(held.grams) < MASSES_MAX else {}
            for log_no, size in sizes.items():
                before = held.sizes.get(log_no, 0)
                if grams and size > before:
                    bound = {"from": log_no * SITE_STEP + before, "to": log_no * SITE_STEP + size}
                    for (lot_id,) in session.execute(_WEIGHED_SINCE, bound).all():
                        grams.pop(lot_id, None)
            self._masses = Masses(sizes, grams)
            return self._masses

    def ranged_from(self, known: Knowledge, limits: tuple[int, ...]) -> dict[int, int]:
        """By vessel period, an order code from which on what it holds is beyond the limits; to be added to."""
        with self._lock:
            if (known, limits) != self._ranged_at or len(self._ranged) > PERIODS_MAX:
                self._ranged_at, self._ranged = (known, limits), {}
            return self._ranged


def kept_of(session: Session) -> Kept | None:
    """What is kept of the database a session reads; None for a session that writes."""
    shelf: dict[str, Any] | None = session.info.get(KEPT)
    if shelf is None:
        return None
    kept: Kept = shelf.setdefault("lineage", Kept())
    return kept


def sizes_now(session: Session) -> Knowledge:
    """`known_now`, asked once in a session that only reads: it sees one state of the database all along."""
    if KEPT not in session.info:
        return known_now(session)
    found: Knowledge | None = session.info.get(SIZES)
    if found is None:
        found = session.info[SIZES] = known_now(session)
    return found


def members_by_source(session: Session, source_ids: Iterable[int]) -> dict[int, Members]:
    """The origin lots of several sources; a source without any is left out."""
    said: dict[int, str] = {}
    connection = session.connection()
    for portion in chunks(set(source_ids)):
        rows = connection.execute(_MEMBERS, {"wanted": portion}).all()
        said.update((source, listed) for source, listed in rows)
    kept = kept_of(session)
    found = {} if kept is None else kept.find_members(said)
    missing = said.keys() - found.keys()
    if missing:
        fresh = _read(session, {source: said[source] for source in missing})
        if kept is not None:
            kept.keep_members(said, fresh)
        found |= fresh
    return found


def _read(session: Session, said: Mapping[int, str]) -> dict[int, Members]:
    parsed: dict[int, list[tuple[int, int]]] = {}
    for source, listed in said.items():
        said_of = (part.split(":") for part in listed.split(","))
        parsed[source] = sorted((int(lot_id), int(weight)) for lot_id, weight in said_of)
    rows = lot_rows(session, {lot_id for pairs in parsed.values() for lot_id, _ in pairs})
    found = {}
    for source, pairs in parsed.items():
        lots, weights = zip(*pairs, strict=True)
        # In a damaged database a lot may be missing; verification has to go on and name it.
        known = {lot_id: rows[lot_id] for lot_id in lots if lot_id in rows}
        found[source] = Members(lots, weights, sum(weights), known)
    return found


def masses_g(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, int]:
    """Material mass in grams of lots whose history begins here, as `origin_masses_g` says it."""
    wanted = set(lot_ids)
    kept = kept_of(session) if known is None else None
    held = None if kept is None else kept.masses_at(session, sizes_now(session))
    if held is None:
        return origin_masses_g(session, wanted, known)
    grams = held.grams
    found = {lot_id: grams[lot_id] for lot_id in wanted & grams.keys()}
    if len(found) < len(wanted):
        missing = wanted - found.keys()
        read = origin_masses_g(session, missing)
        fresh = {lot_id: read.get(lot_id) for lot_id in missing}
        if len(grams) < MASSES_MAX:
            grams.update(fresh)
        found |= fresh
    return {lot_id: mass_g for lot_id, mass_g in found.items() if mass_g is not None}


_MEMBER = plain(SourceMember).c
_LISTED = func.aggregate_strings(_MEMBER.lot_id.concat(":").concat(_MEMBER.weight), ",")
_MEMBERS = select(_MEMBER.source_id, _LISTED).where(one_of(_MEMBER.source_id, "wanted")).group_by(_MEMBER.source_id)
_MASS = table_of(LotMass).c
_WEIGHED_SINCE = select(_MASS.id).where(_MASS.seq >= bindparam("from"), _MASS.seq < bindparam("to"))
