"""What has been worked out about made lots: read and written as `Derived`, one per lot and state of knowledge.

A stored body carries a checksum, so that a changed byte is found without working the composition out again.
"""

import struct
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from sqlalchemy import Select, Table, and_, bindparam, delete, insert, select, update
from sqlmodel import Session, col

from service.core.mixture import FINE, Mixture
from service.journal.one_of import one_of
from service.journal.read import Knowledge, chunks
from service.lineage.tables import Derivation, Reach, SourceShare, plain

SHARE_UNIT = FINE // 10**12
EVER = 2**62  # order code after every moment
FORMAT = 1


class DamagedBody(ValueError):
    """A stored body whose checksum does not fit, or that is no body at all."""


@dataclass(frozen=True)
class Derived:
    """What a made lot is made of, and what it may contain.

    Parameters
    ----------
    mixture : expected composition by source.
    reach : order code until which a source, a lot or a vessel period may be in it, by number; `EVER` where all of it
        may be. Complete up to the nearest vessels.
    """

    mixture: Mixture
    reach: Mapping[int, int]

    @classmethod
    def of(cls, lot_id: int, mixture: Mixture, reach: dict[int, int]) -> "Derived":
        """What holds of a lot; that part of it came from nothing on record is part of how far it reaches."""
        return cls(mixture, reach | {-lot_id: EVER} if -lot_id in mixture.weights else reach)


def add_reach(reach: dict[int, int], more: Mapping[int, int]) -> None:
    """Reach as far as either."""
    for source, until in more.items():
        if reach.get(source, -1) < until:
            reach[source] = until


def packed(numbers: Iterable[int]) -> bytes:
    """Whole numbers of 64 bits with a checksum before them."""
    values = [FORMAT, *numbers]
    content = struct.pack(f"<{len(values)}q", *values)
    return struct.pack("<I", zlib.crc32(content)) + content


def unpacked(body: bytes) -> tuple[int, ...]:
    """The numbers of a body.

    Raises
    ------
    DamagedBody : it was changed since it was written.
    """
    content = body[4:]
    if len(body) < 12 or len(content) % 8 or struct.unpack("<I", body[:4])[0] != zlib.crc32(content):
        raise DamagedBody("checksum does not fit")
    form, *numbers = struct.unpack(f"<{len(content) // 8}q", content)
    if form != FORMAT:
        raise DamagedBody(f"form {form} is not known")
    return tuple(numbers)


def numbers_of(mixture: Mixture) -> list[int]:
    """A mixture as whole numbers, sources in their order."""
    sources = sorted(mixture.weights)
    claims = [] if mixture.claims is None else [mixture.claims[source] for source in sources]
    head = [len(sources), len(claims), mixture.cut, mixture.recycled, mixture.recycled_claimable]
    return [*head, *sources, *(mixture.weights[source] for source in sources), *claims]


def mixture_of(numbers: tuple[int, ...]) -> tuple[Mixture, int]:
    """The mixture at the beginning of some numbers, and how many of them it took."""
    pieces, claimed, cut, recycled, recycled_claimable = numbers[:5]
    sources, weights = numbers[5 : 5 + pieces], numbers[5 + pieces : 5 + 2 * pieces]
    end = 5 + 2 * pieces + claimed
    claims = dict(zip(sources, numbers[5 + 2 * pieces : end], strict=True)) if claimed else None
    return Mixture(dict(zip(sources, weights, strict=True)), cut, recycled, claims, recycled_claimable), end


def body_of(derived: Derived) -> bytes:
    reached = sorted(derived.reach.items())
    return packed([*numbers_of(derived.mixture), *(source for source, _ in reached), *(until for _, until in reached)])


def derived_of(body: bytes) -> Derived:
    numbers = unpacked(body)
    mixture, end = mixture_of(numbers)
    pieces = (len(numbers) - end) // 2
    return Derived(mixture, dict(zip(numbers[end : end + pieces], numbers[end + pieces :], strict=True)))


def derived_lots(session: Session, lot_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, Derived]:
    """What holds of several made lots, now or as it was known; origin lots, made of nothing, are left out."""
    found: dict[int, Derived] = {}
    for portion in chunks(set(lot_ids)):
        for lot_id, body in session.connection().execute(_bodies(known), {"wanted": portion}).all():
            found[lot_id] = derived_of(body)
    return found


@lru_cache(maxsize=32)
def _bodies(known: Knowledge | None) -> Select[int, bytes]:
    bodies = select(col(Derivation.lot_id), col(Derivation.body)).where(one_of(col(Derivation.lot_id), "wanted"))
    if known is None:
        return bodies.where(col(Derivation.known_to).is_(None))
    superseded = and_(col(Derivation.known_to).is_not(None), known.covers(col(Derivation.known_to)))
    return bodies.where(known.covers(col(Derivation.known_from)), ~superseded)


def store_derived(session: Session, seq: int, changed: Mapping[int, tuple[Derived | None, Derived | None]]) -> None:
    """Put what holds from a journal position on in the place of what held before.

    Parameters
    ----------
    seq : position of the entry from which the change follows.
    changed : by lot, what held and what holds now; None for nothing, as before a lot is made.
    """
    superseded = [lot_id for lot_id, (before, _) in changed.items() if before is not None]
    fresh = {lot_id: after for lot_id, (_, after) in changed.items() if after is not None}
    for portion in chunks(superseded):
        standing = and_(one_of(col(Derivation.lot_id), "wanted"), col(Derivation.known_to).is_(None))
        # What the same entry worked out a moment ago was never known to anybody.
        session.execute(
            delete(plain(Derivation)).where(standing, col(Derivation.known_from) == seq), {"wanted": portion}
        )
        session.execute(update(plain(Derivation)).where(standing).values(known_to=seq), {"wanted": portion})
    if fresh:
        session.execute(
            insert(plain(Derivation)),
            [{"lot_id": lot, "known_from": seq, "known_to": None, "body": body_of(one)} for lot, one in fresh.items()],
        )
    _store_ways(session, changed)


def _store_ways(session: Session, changed: Mapping[int, tuple[Derived | None, Derived | None]]) -> None:
    """The same by source, for the way down; only rows that differ are touched."""
    shares = {lot: (shares_e12(before), shares_e12(after)) for lot, (before, after) in changed.items()}
    _store_by_source(session, plain(SourceShare), "share_e12", shares)
    reach = {
        lot: (before.reach if before else {}, after.reach if after else {}) for lot, (before, after) in changed.items()
    }
    _store_by_source(session, plain(Reach), "until_code", reach)


def _store_by_source(
    session: Session, table: Table, value: str, changed: Mapping[int, tuple[Mapping[int, int], Mapping[int, int]]]
) -> None:
    gone: list[dict[str, int]] = []
    fresh: list[dict[str, int]] = []
    for lot_id, (had, has) in changed.items():
        gone += [{"gone_source": source, "gone_lot": lot_id} for source in had if has.get(source) != had[source]]
        fresh += [
            {"source_id": source, "lot_id": lot_id, value: now} for source, now in has.items() if had.get(source) != now
        ]
    if gone:
        where = (table.c.source_id == bindparam("gone_source"), table.c.lot_id == bindparam("gone_lot"))
        session.execute(delete(table).where(*where), gone)
    if fresh:
        session.execute(insert(table), fresh)


def shares_e12(derived: Derived | None) -> dict[int, int]:
    """Shares of the named sources per 10**12, cut down; what came from nothing on record is no source to look up."""
    if derived is None:
        return {}
    return {source: weight // SHARE_UNIT for source, weight in derived.mixture.weights.items() if source > 0}
