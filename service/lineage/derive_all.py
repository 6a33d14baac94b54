"""Working out the lineage of a whole history: after an upgrade, after bulk loading, or because somebody doubts it."""

from collections.abc import Callable
from typing import Any

from sqlalchemy import Select, delete, func, select
from sqlmodel import Session, col

from service.journal.read import current
from service.journal.tables import SITE_STEP, JournalHead
from service.lineage.derive import Deriver, Watch
from service.lineage.derive_run import Kept
from service.lineage.derive_vessel import Dirt
from service.lineage.flows import microseconds
from service.lineage.tables import Derivation, Reach, SourceMember, SourceShare, VesselReach, VesselStanding, plain
from service.lineage.touched import Touched
from service.lots.statuses import Category, Direction, LotOrigin
from service.lots.tables import Line, Lot, Process
from service.plant.statuses import Mixing

TABLES = (Derivation, Reach, SourceMember, SourceShare, VesselReach, VesselStanding)


def derive_all(session: Session, kept: Callable[[Session], Kept], watch: Watch | None = None) -> int:
    """Throw away what was worked out and work it out again, site by site; how many lots were made.

    What was known before is answered by walking the lines from now on: the states between are not made again.
    """
    for table in TABLES:
        session.execute(delete(plain(table)))
    made = 0
    heads = session.execute(select(col(JournalHead.log_no), col(JournalHead.size)).order_by(col(JournalHead.log_no)))
    for site_no, size in heads.all():
        touched = _everything_at(session, site_no)
        if touched:
            made += Deriver(session, site_no * SITE_STEP + size - 1, kept(session)).follow(touched, watch)
    return made


def _everything_at(session: Session, site_no: int) -> Touched:
    """All runs and all vessel periods of a site."""
    of_site = col(Process.id) >= site_no * SITE_STEP, col(Process.id) < (site_no + 1) * SITE_STEP
    processes = current(Process).where(*of_site).subquery()
    touched = Touched()
    runs = select(processes.c.id).where(processes.c.mixing == Mixing.RUN_MIXED)
    touched.runs = set(session.execute(runs).scalars())
    for period_id in session.execute(select(processes.c.id).where(processes.c.mixing != Mixing.RUN_MIXED)).scalars():
        span = select(func.min(col(Line.start_at)), func.max(col(Line.start_at))).where(
            col(Line.process_id) == period_id, col(Line.category) != Category.TIES
        )
        first, last = session.execute(span).one()
        if first is not None:
            # Charges of what was made here are noted as soon as that is worked out.
            charges = set(session.execute(_charges_of_origins(period_id)).scalars())
            touched.periods[period_id] = Dirt(microseconds(first), microseconds(last), charges)
    return touched


def _charges_of_origins(period_id: int) -> Select[Any]:
    lines = current(Line).where(col(Line.process_id) == period_id, col(Line.direction) == Direction.IN).subquery()
    return select(lines.c.id).join(Lot, col(Lot.id) == lines.c.lot_id).where(col(Lot.origin) != LotOrigin.PROCESS)
