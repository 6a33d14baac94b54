"""Stock counts beside the book of their moment."""

from collections.abc import Iterable, Sequence

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.access.tables import Actor
from service.core.quantities import kg_text
from service.counts.schemas import CountLineOut, CountOut
from service.counts.tables import StockCount, StockCountLine
from service.errors import Conflict, NotFound
from service.journal.one_of import one_of
from service.journal.read import Knowledge, current, current_by_id, find_current, kind_of, texts_of
from service.journal.tables import SITE_STEP, site_of
from service.lots.queries import lots_by_id, materials_of
from service.lots.statuses import Direction
from service.lots.stock import accounts_of, on_hand_at
from service.lots.tables import Line, LotStock
from service.plant.tables import Site


def get_count(session: Session, count_id: int, known: Knowledge | None = None) -> StockCount:
    """A count that stands.

    Raises
    ------
    NotFound : there is none of that number.
    Conflict : it was withdrawn.
    """
    row = find_current(session, StockCount, count_id, known)
    if row is not None:
        return row
    if kind_of(session, count_id) == "stock_count" and known is None:
        raise Conflict("count-withdrawn", f"Count {count_id} was withdrawn.", "Count anew.")
    raise NotFound("count-not-found", f"There is no stock count {count_id}.", "Check the number; list them first.")


def lines_of_count(session: Session, count_id: int, known: Knowledge | None = None) -> list[StockCountLine]:
    """What was counted, in the order of counting."""
    query = current(StockCountLine, known).where(col(StockCountLine.count_id) == count_id)
    return list(session.execute(query.order_by(col(StockCountLine.id))).scalars())


def open_book(
    session: Session, counts: Sequence[StockCount], lines: Sequence[StockCountLine], known: Knowledge | None = None
) -> dict[int, int | None]:
    """What the book says of each line's lot at the moment of its count, without what that count booked itself.

    Returns
    -------
    grams wet by count line; None for a bale of which no tare was weighed yet.
    """
    at = {count.id: count.effective_at for count in counts}
    own: dict[int, set[int]] = {count.id: set() for count in counts}
    for line in lines:
        if line.booked_line_id is not None:
            own[line.count_id].add(line.booked_line_id)
    accounts = accounts_of(session, {line.lot_id for line in lines}, known)
    books: dict[int, int | None] = {}
    for line in lines:
        account = accounts[line.lot_id]
        without = frozenset(own[line.count_id])
        books[line.id] = None if account.mass_g is None else on_hand_at(account, at[line.count_id], without)
    return books


def counted_g(line: StockCountLine, book_g: int | None) -> int | None:
    """What a line says is there, grams wet: what was seen and not weighed is what the book says."""
    return book_g if line.is_found and line.mass_g is None else line.mass_g or 0


def approved_later(session: Session, count: StockCount, lot_ids: Iterable[int]) -> dict[int, int]:
    """By lot, an approved count of a later moment that says how much of it there was."""
    approved = current(StockCount).where(
        col(StockCount.approved_at).is_not(None), col(StockCount.effective_at) > count.effective_at
    )
    later = {row.id for row in session.execute(approved).scalars()}
    of_lots = current(StockCountLine).where(one_of(col(StockCountLine.lot_id), "wanted"))
    lines = session.execute(of_lots, {"wanted": sorted(lot_ids)}).scalars()
    return {
        line.lot_id: line.count_id
        for line in lines
        if line.count_id in later and not (line.is_found and line.mass_g is None)
    }


def count_out(
    session: Session,
    count: StockCount,
    lines: Sequence[StockCountLine] | None = None,
    known: Knowledge | None = None,
) -> CountOut:
    """A count as it leaves.

    Parameters
    ----------
    lines : of a count that was just withdrawn, whose lines do not stand any more.
    """
    [out] = counts_out(session, [count], lines, known)
    return out


def counts_out(
    session: Session,
    counts: Sequence[StockCount],
    lines: Sequence[StockCountLine] | None = None,
    known: Knowledge | None = None,
) -> list[CountOut]:
    """Counts as they leave; how many statements that takes does not depend on how many they are."""
    if not counts:
        return []
    if lines is None:
        query = current(StockCountLine, known).where(one_of(col(StockCountLine.count_id), "wanted"))
        wanted = {"wanted": [count.id for count in counts]}
        lines = list(session.execute(query.order_by(col(StockCountLine.id)), wanted).scalars())
    beside = _Beside(session, counts, lines, known)
    return [beside.out(count) for count in counts]


class _Beside:
    """Everything that counts are shown beside, read once for all of them."""

    def __init__(
        self,
        session: Session,
        counts: Sequence[StockCount],
        lines: Sequence[StockCountLine],
        known: Knowledge | None,
    ) -> None:
        self._lines: dict[int, list[StockCountLine]] = {count.id: [] for count in counts}
        for line in lines:
            self._lines[line.count_id].append(line)
        self._lots = lots_by_id(session, {line.lot_id for line in lines})
        self._materials = materials_of(session, self._lots, known)
        self._books = open_book(session, counts, lines, known)
        self._booked = current_by_id(
            session, Line, [line.booked_line_id for line in lines if line.booked_line_id is not None], known
        )
        self._made = lots_by_id(session, [line.lot_id for line in self._booked.values() if line.lot_id is not None])
        self._sites = {site.site_no: site.code for site in session.execute(current(Site)).scalars()}
        people = {count.counter_id for count in counts} | {count.approver_id for count in counts if count.approver_id}
        self._names = _names(session, people)
        self._notes = texts_of(session, {count.note_id for count in counts if count.note_id is not None})
        self._standing = {site_no: _lots_standing(session, site_no) for site_no in {site_of(one.id) for one in counts}}
        self._still_there = _of_these_there(session, self._lots)

    def out(self, count: StockCount) -> CountOut:
        """One of the counts."""
        lines = self._lines[count.id]
        rows = [self._line(count, line) for line in lines]
        differences_g = [self._difference_g(count, line) for line in lines]
        counted_there = self._still_there & {line.lot_id for line in lines}
        return CountOut(
            id=count.id,
            version=count.version,
            site=self._sites[site_of(count.id)],
            counted_at=count.effective_at,
            place=count.place,
            note=self._notes.get(count.note_id or 0),
            counter=self._names.get(count.counter_id),
            approved_at=count.approved_at,
            approver=self._names.get(count.approver_id or 0),
            is_withdrawn=count.void,
            lines=rows,
            missing_kg=kg_text(sum(max(one, 0) for one in differences_g)),
            found_beyond_kg=kg_text(sum(max(-one, 0) for one in differences_g)),
            rests_on_revised_data=any(row.rests_on_revised_data for row in rows),
            lots_not_counted=self._standing[site_of(count.id)] - len(counted_there),
        )

    def _line(self, count: StockCount, line: StockCountLine) -> CountLineOut:
        book_g, difference_g = self._books[line.id], self._difference_g(count, line)
        booked = self._booked.get(line.booked_line_id or 0)
        is_weighed = not line.is_found or line.mass_g is not None
        return CountLineOut(
            id=line.id,
            lot=self._lots[line.lot_id].code,
            material=self._materials[line.lot_id].code,
            is_found=line.is_found,
            pieces=line.pieces,
            counted_kg=kg_text(line.mass_g or 0) if is_weighed else None,
            book_kg=None if book_g is None else kg_text(book_g),
            difference_kg=kg_text(difference_g),
            booked_lot=self._made[booked.lot_id or 0].code if booked is not None and difference_g < 0 else None,
            # What was booked then no longer makes the book what was counted: something of that time was booked since.
            rests_on_revised_data=_is_booked(count) and difference_g != _beyond_count_g(line, book_g),
        )

    def _difference_g(self, count: StockCount, line: StockCountLine) -> int:
        """What approval booked; before it, what it would book."""
        if not _is_booked(count):
            return _beyond_count_g(line, self._books[line.id])
        booked = self._booked.get(line.booked_line_id or 0)
        if booked is None:
            return 0
        return (booked.mass_g or 0) * (1 if booked.direction is Direction.IN else -1)


def _is_booked(count: StockCount) -> bool:
    return count.approved_at is not None and not count.void


def _beyond_count_g(line: StockCountLine, book_g: int | None) -> int:
    """What the book has beyond the count, grams wet."""
    return 0 if book_g is None else book_g - (counted_g(line, book_g) or 0)


def list_counts(
    session: Session, site_no: int, known: Knowledge | None = None, limit: int | None = None, offset: int = 0
) -> list[StockCount]:
    """The counts of a site that stand, the latest first; `limit` of them after leaving out `offset`."""
    query = (
        current(StockCount, known)
        .where(col(StockCount.id) >= site_no * SITE_STEP, col(StockCount.id) < (site_no + 1) * SITE_STEP)
        .order_by(col(StockCount.effective_at).desc(), col(StockCount.id).desc())
    )
    return list(session.execute(query.limit(limit).offset(offset)).scalars())


def counts_waiting(session: Session, site_no: int, known: Knowledge | None = None) -> int:
    """How many counts nobody has approved."""
    return sum(count.approved_at is None for count in list_counts(session, site_no, known))


def _lots_standing(session: Session, site_no: int) -> int:
    """How many lots of a site there are now, by the book."""
    of_site = col(LotStock.lot_id) >= site_no * SITE_STEP, col(LotStock.lot_id) < (site_no + 1) * SITE_STEP
    found: int = session.execute(select(func.count()).where(col(LotStock.on_hand_g) > 0, *of_site)).scalar_one()
    return found


def _of_these_there(session: Session, lot_ids: Iterable[int]) -> set[int]:
    query = select(col(LotStock.lot_id)).where(col(LotStock.on_hand_g) > 0, one_of(col(LotStock.lot_id), "wanted"))
    return set(session.execute(query, {"wanted": sorted(lot_ids)}).scalars())


def _names(session: Session, actor_ids: Iterable[int]) -> dict[int, str | None]:
    """Names of people by identity; None for one that was erased."""
    query = select(Actor).where(one_of(col(Actor.id), "wanted")).order_by(col(Actor.id), col(Actor.version))
    rows = {row.id: row for row in session.execute(query, {"wanted": sorted(actor_ids)}).scalars()}
    names = texts_of(session, {row.name_id for row in rows.values()})
    return {row.id: names.get(row.name_id) for row in rows.values()}
