"""Stock counts beside the book of their moment."""

from collections.abc import Iterable, Sequence

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.access.tables import Actor
from service.core.quantities import kg_text
from service.counts.schemas import CountLineOut, CountOut
from service.counts.tables import StockCount, StockCountLine
from service.errors import Conflict, NotFound
from service.journal.read import Knowledge, current, current_by_id, find_current, kind_of, text_of, versions
from service.journal.tables import SITE_STEP, site_of
from service.lots.queries import lots_by_id, materials_of
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
    session: Session, count: StockCount, lines: Sequence[StockCountLine], known: Knowledge | None = None
) -> dict[int, int | None]:
    """What the book says of each lot at the moment of the count, without what the count itself booked; grams wet."""
    own = frozenset(line.booked_line_id for line in lines if line.booked_line_id is not None)
    accounts = accounts_of(session, [line.lot_id for line in lines], known)
    return {
        lot_id: None if account.mass_g is None else on_hand_at(account, count.effective_at, own)
        for lot_id, account in accounts.items()
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
    lines = lines_of_count(session, count.id, known) if lines is None else lines
    lots = lots_by_id(session, [line.lot_id for line in lines])
    materials = materials_of(session, lots, known)
    books = open_book(session, count, lines, known)
    booked = _lots_made(session, lines, known)
    rows, missing_g, beyond_g = [], 0, 0
    for line in lines:
        book_g = books[line.lot_id]
        counted_g = book_g if line.is_found and line.mass_g is None else line.mass_g or 0
        difference_g = 0 if book_g is None or counted_g is None else book_g - counted_g
        missing_g += max(difference_g, 0)
        beyond_g += max(-difference_g, 0)
        rows.append(
            CountLineOut(
                id=line.id,
                lot=lots[line.lot_id].code,
                material=materials[line.lot_id].code,
                is_found=line.is_found,
                pieces=line.pieces,
                counted_kg=None if line.is_found and line.mass_g is None else kg_text(line.mass_g or 0),
                book_kg=None if book_g is None else kg_text(book_g),
                difference_kg=kg_text(difference_g),
                booked_lot=booked.get(line.booked_line_id or 0) if difference_g < 0 else None,
            )
        )
    site_no = site_of(count.id)
    site = session.execute(current(Site).where(col(Site.site_no) == site_no)).scalar_one()
    return CountOut(
        id=count.id,
        version=count.version,
        site=site.code,
        counted_at=count.effective_at,
        place=count.place,
        note=text_of(session, count.note_id),
        counter=_name(session, count.counter_id),
        approved_at=count.approved_at,
        approver=None if count.approver_id is None else _name(session, count.approver_id),
        is_withdrawn=count.void,
        lines=rows,
        missing_kg=kg_text(missing_g),
        found_beyond_kg=kg_text(beyond_g),
        lots_not_counted=_others_there(session, site_no, lots),
    )


def list_counts(session: Session, site_no: int, known: Knowledge | None = None) -> list[StockCount]:
    """The counts of a site that stand, the latest first."""
    query = current(StockCount, known).where(
        col(StockCount.id) >= site_no * SITE_STEP, col(StockCount.id) < (site_no + 1) * SITE_STEP
    )
    return list(
        session.execute(query.order_by(col(StockCount.effective_at).desc(), col(StockCount.id).desc())).scalars()
    )


def counts_waiting(session: Session, site_no: int, known: Knowledge | None = None) -> int:
    """How many counts nobody has approved."""
    return sum(count.approved_at is None for count in list_counts(session, site_no, known))


def _lots_made(session: Session, lines: Sequence[StockCountLine], known: Knowledge | None) -> dict[int, str]:
    """Codes of the lots that approval made, by the line it booked."""
    booked = current_by_id(session, Line, [line.booked_line_id for line in lines if line.booked_line_id], known)
    lots = lots_by_id(session, [line.lot_id for line in booked.values() if line.lot_id])
    return {line.id: lots[line.lot_id].code for line in booked.values() if line.lot_id}


def _others_there(session: Session, site_no: int, counted: Iterable[int]) -> int:
    """How many lots of the site there are now, by the book, that were not counted."""
    of_site = col(LotStock.lot_id) >= site_no * SITE_STEP, col(LotStock.lot_id) < (site_no + 1) * SITE_STEP
    query = select(func.count()).where(
        col(LotStock.on_hand_g) > 0, *of_site, col(LotStock.lot_id).not_in(list(counted))
    )
    others: int = session.execute(query).scalar_one()
    return others


def _name(session: Session, actor_id: int) -> str | None:
    rows = versions(session, Actor, actor_id)
    return text_of(session, rows[-1].name_id) if rows else None
