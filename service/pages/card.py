"""What the scan page says about a lot, looked up: for everybody, and more for people of the plant."""

from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Select, bindparam, select
from sqlmodel import Session, col

from service.journal.read import current
from service.journal.tables import SITE_STEP, site_of
from service.lineage.holds import ReachingHold, holds_reaching
from service.lineage.trace import Trace, percent_text, trace_lot
from service.lots.queries import materials_of
from service.lots.statuses import LotKind, LotOrigin
from service.lots.stock import LotAccount, accounts_of
from service.lots.tables import Lot, Process
from service.pages.desk import Desk
from service.pages.floor.words import step_words
from service.pages.lots.holds import holds_seen
from service.pages.lots.paper import paper_of
from service.pages.lots.sources import percent_shown, supplier_shares
from service.pages.lots.view import mass_basis
from service.pages.scan import Inside, LotCard, OpenRun, Sources, SupplierShare
from service.plant.tables import Site
from service.runs.schemas import RUN_STEPS
from service.unit_of_work import system_clock

SUPPLIERS_NAMED = 3
RUNS_OFFERED = 4


def find_card(session: Session, code: str, desk: Desk | None) -> LotCard | None:
    """The card of a lot by its code in written form; None where there is no such lot.

    Parameters
    ----------
    desk : who asks; what is only for people of the plant is not even looked up for a stranger.
    """
    lot = session.execute(select(Lot).where(col(Lot.code) == code)).scalar_one_or_none()
    if lot is None:
        return None
    site = session.execute(current(Site).where(col(Site.site_no) == site_of(lot.id))).scalar_one()
    zone = ZoneInfo(site.zone)
    account = accounts_of(session, [lot.id])[lot.id]
    trace = trace_lot(session, lot)
    holds = holds_reaching(session, [lot.id], trace.walked).get(lot.id, [])
    is_made_here = lot.origin is LotOrigin.PROCESS
    return LotCard(
        code=lot.code,
        kind=lot.kind,
        product=materials_of(session, [lot.id])[lot.id].name,
        net_g=account.mass_g,
        mass_basis=mass_basis(account),
        site=site.name,
        made_on=lot.born_at.astimezone(zone).date(),
        holds=tuple(reach.hold.subject_kind for reach in holds),
        recycled_percent_text=percent_text(trace.post_consumer_fraction()) if is_made_here else None,
        sources=_sources(trace) if is_made_here else None,
        answered_at=system_clock().astimezone(zone),
        inside=None if desk is None else _inside(desk, account, trace, holds),
    )


def _sources(trace: Trace) -> Sources:
    origins = [trace.lots[lot_id] for lot_id in trace.composition.may_contain]
    bales = sum(origin.kind is LotKind.BALE for origin in origins)
    return Sources(
        bales=bales,
        deliveries=len({origin.delivery_id for origin in origins if origin.delivery_id is not None}),
        others=len(origins) - bales,
        is_wide=trace.is_ranged,
    )


def _inside(desk: Desk, account: LotAccount, trace: Trace, holds: list[ReachingHold]) -> Inside:
    suppliers = supplier_shares(desk.session, trace)
    is_here = site_of(account.lot.id) == desk.site.site_no
    may_be_fed = is_here and not holds and account.on_hand_g > 0
    return Inside(
        suppliers=tuple(
            SupplierShare(name, percent_shown(share_e12)) for name, share_e12 in suppliers[:SUPPLIERS_NAMED]
        ),
        suppliers_left=len(suppliers[SUPPLIERS_NAMED:]),
        holds=tuple(holds_seen(desk.session, account.lot.id, holds)),
        runs=tuple(_open_runs(desk)) if may_be_fed else (),
        paper=paper_of(account.lot, account),
    )


def _open_runs(desk: Desk) -> list[OpenRun]:
    """Runs going on at the plant, newest first."""
    first = desk.site.site_no * SITE_STEP
    rows = desk.session.execute(_runs_going_on(), {"first": first, "end": first + SITE_STEP}).scalars()
    return [OpenRun(run.id, step_words(run.step), desk.local(run.started_at)) for run in rows]


# Building a statement costs more than running it.
@cache
def _runs_going_on() -> Select[Any]:
    return (
        current(Process)
        .where(
            ~col(Process.is_closed),
            col(Process.step).in_(RUN_STEPS),
            col(Process.id) >= bindparam("first"),
            col(Process.id) < bindparam("end"),
        )
        .order_by(col(Process.started_at).desc(), col(Process.id).desc())
        .limit(RUNS_OFFERED)
    )
