"""What stands in a vessel now, from where it was last known to stand; a period of years is not read as a whole."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from sqlalchemy import and_, func, select
from sqlmodel import Session, col

from service.core.flow_model import FlowModel
from service.core.vessel_book import Charge, Draw, Entry, Start, book_of
from service.core.vessel_ledger import content_by_charge
from service.journal.one_of import one_of
from service.lineage.flows import microseconds
from service.lineage.period_lines import lines_since, read_ahead, weighed
from service.lineage.standing import Standing, standing_of
from service.lineage.tables import VesselStanding
from service.lots.rows import LineRow

# So many standings back, a mixture has forgotten all but a millionth of what stood there.
LOOKED_BACK = 32
LINES_AT_A_TIME = 512
OLDER = 0  # no line has this number


@dataclass(frozen=True)
class Recent:
    """The end of a vessel's book.

    Parameters
    ----------
    standing : where it begins; None where all of the period was read.
    charges, draws, lines : booked since.
    """

    standing: Standing | None
    charges: list[Charge]
    draws: list[Draw]
    lines: dict[int, LineRow]

    @property
    def last_us(self) -> int | None:
        """When the last of the lines ended; None where there is none."""
        ends = [line.end for line in (*self.charges, *self.draws)]
        return max(ends) if ends else (self.standing.at_us if self.standing else None)

    @cached_property
    def book(self) -> list[Entry]:
        """The steps since."""
        since = self.standing
        start = None if since is None else Start(since.at_us, since.charged_to, since.out_to)
        return book_of(self.charges, self.draws, since=start)

    def level(self) -> tuple[int, int]:
        """What stands there and what was drawn beyond what was there, micrograms dry."""
        book = self.book
        before_ug = self.standing.overdrawn_ug if self.standing else 0
        if not book:
            return (self.standing.content_ug if self.standing else 0), before_ug
        return book[-1].content_ug, before_ug + sum(entry.missing_ug for entry in book)

    def by_charge(self, model: FlowModel) -> tuple[dict[int, int], int]:
        """Expected content by charge line, and what stands there of charges before the book begins, micrograms dry."""
        book = self.book
        if self.standing is not None:
            book = [_older(self.standing), *book]
        masses = dict(content_by_charge(book, model)) if book else {}
        return masses, masses.pop(OLDER, 0)


def _older(standing: Standing) -> Entry:
    """What stood there where the book begins, as if it had been charged at once."""
    out, at = standing.out_to, standing.at_us
    return Entry(((OLDER, standing.content_ug),), (), out, standing.charged_to, out, out, at, at)


def recent_book(
    session: Session, period_id: int, looked_back: int = LOOKED_BACK, before: datetime | None = None
) -> Recent:
    """The end of a vessel's book from a standing on, or all of it where it is short.

    Parameters
    ----------
    before : begin before this moment: something was booked then in this very write, and standings follow later.
    """
    of_period = col(VesselStanding.period_id) == period_id
    newest = select(func.max(col(VesselStanding.number))).where(of_period).scalar_subquery()
    query = (
        select(col(VesselStanding.at_us), col(VesselStanding.body))
        .where(of_period, col(VesselStanding.number) <= newest - looked_back)
        .order_by(col(VesselStanding.number).desc())
        .limit(1)
    )
    if before is not None:
        query = query.where(col(VesselStanding.at_us) < microseconds(before))
    found = session.execute(query).first()
    standing = None if found is None else standing_of(*found)
    most = LINES_AT_A_TIME
    while True:
        after_us = None if standing is None else standing.at_us
        ahead = read_ahead(session, period_id, after_us, standing.running if standing else (), most)
        if ahead.is_whole:
            return Recent(standing, ahead.charges, ahead.draws, ahead.lines)
        most *= 8


def newest_books(session: Session, period_ids: Iterable[int]) -> dict[int, Recent]:
    """What was booked in several vessels since each one's newest standing, with as many questions as for one."""
    newest = (
        select(col(VesselStanding.period_id), func.max(col(VesselStanding.number)).label("number"))
        .where(one_of(col(VesselStanding.period_id), "wanted"))
        .group_by(col(VesselStanding.period_id))
        .subquery()
    )
    query = select(col(VesselStanding.period_id), col(VesselStanding.at_us), col(VesselStanding.body)).join(
        newest,
        and_(col(VesselStanding.period_id) == newest.c.period_id, col(VesselStanding.number) == newest.c.number),
    )
    wanted = list(period_ids)
    found = {
        period_id: standing_of(at_us, body) for period_id, at_us, body in session.execute(query, {"wanted": wanted})
    }
    after_us = {period_id: found[period_id].at_us if period_id in found else None for period_id in wanted}
    running = [line_id for standing in found.values() for line_id in standing.running]
    lines = lines_since(session, after_us, running)
    charges, draws = weighed(session, list(lines.values()))
    return {
        period_id: Recent(
            found.get(period_id),
            [charge for charge in charges if lines[charge.key].process_id == period_id],
            [draw for draw in draws if lines[draw.key].process_id == period_id],
            lines,
        )
        for period_id in wanted
    }
