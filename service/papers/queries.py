"""Issued papers, and what a label of a lot says."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlmodel import Session, col

from service.core.quantities import kg_text
from service.errors import Conflict, NotFound
from service.journal.read import current
from service.journal.tables import site_of
from service.labels.tag import TagContent
from service.lineage.trace import percent_text, trace_lot
from service.lots.queries import materials_of
from service.lots.stock import accounts_of
from service.lots.tables import Lot
from service.papers.statuses import PaperKind
from service.papers.tables import Paper
from service.plant.tables import Site


def records_of(session: Session, lot_id: int) -> Sequence[Paper]:
    """All issues of a lot's record, oldest first."""
    query = select(Paper).where(col(Paper.lot_id) == lot_id, col(Paper.kind) == PaperKind.LOT_RECORD)
    return session.execute(query.order_by(col(Paper.issue_no))).scalars().all()


def get_record(session: Session, lot: Lot, issue_no: int | None = None) -> Paper:
    """One issue of a lot's record, the newest if none is named.

    Raises
    ------
    NotFound : it was never issued.
    """
    issued = [paper for paper in records_of(session, lot.id) if issue_no in (None, paper.issue_no)]
    if not issued:
        raise NotFound(
            "record-not-issued",
            f"Lot {lot.code} has no record{'' if issue_no is None else f' {issue_no}'}.",
            f"Issue one with POST /v1/lots/{lot.code}/records.",
        )
    return issued[-1]


def tag_content(session: Session, lot: Lot) -> TagContent:
    """What the label of a lot says now.

    Raises
    ------
    Conflict : the lot has no mass yet; a label is not printed without.
    """
    mass_g = accounts_of(session, [lot.id])[lot.id].mass_g
    if mass_g is None:
        raise Conflict(
            "lot-has-no-mass",
            f"Lot {lot.code} has no mass yet, and a label is not printed without.",
            "Weigh the truck's tare first.",
        )
    site = session.execute(current(Site).where(col(Site.site_no) == site_of(lot.id))).scalar_one()
    issued = records_of(session, lot.id)
    return TagContent(
        code=lot.code,
        product=materials_of(session, [lot.id])[lot.id].name,
        net_kg=kg_text(mass_g),
        made_on=lot.born_at.astimezone(ZoneInfo(site.zone)).date(),
        site=site.name,
        recycled_percent_text=percent_text(trace_lot(session, lot).post_consumer_fraction()),
        record_sha256=issued[-1].sha256 if issued else None,
        issue=issued[-1].issue_no if issued else 1,
    )
