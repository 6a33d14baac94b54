"""What the scan page says about a lot, looked up."""

from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlmodel import Session, col

from service.journal.read import current
from service.journal.tables import site_of
from service.lineage.holds import holds_reaching
from service.lineage.trace import percent_text, trace_lot
from service.lots.queries import materials_of
from service.lots.statuses import LotKind, LotOrigin, MassBasis
from service.lots.stock import accounts_of
from service.lots.tables import Lot
from service.pages.scan import LotCard, Sources
from service.plant.tables import Site
from service.unit_of_work import system_clock


def find_card(session: Session, code: str) -> LotCard | None:
    """The card of a lot by its code in written form; None where there is no such lot."""
    lot = session.execute(select(Lot).where(col(Lot.code) == code)).scalar_one_or_none()
    if lot is None:
        return None
    site = session.execute(current(Site).where(col(Site.site_no) == site_of(lot.id))).scalar_one()
    zone = ZoneInfo(site.zone)
    account = accounts_of(session, [lot.id])[lot.id]
    basis = None
    if account.mass_g is not None:
        basis = account.origin.basis if account.origin is not None else MassBasis.WEIGHED
    trace = trace_lot(session, lot)
    sources = None
    if lot.origin is LotOrigin.PROCESS:
        origins = [trace.lots[lot_id] for lot_id in trace.composition.may_contain]
        bales = sum(origin.kind is LotKind.BALE for origin in origins)
        sources = Sources(
            bales=bales,
            deliveries=len({origin.delivery_id for origin in origins if origin.delivery_id is not None}),
            others=len(origins) - bales,
        )
    holds = holds_reaching(session, [lot.id], trace.graph).get(lot.id, [])
    return LotCard(
        code=lot.code,
        kind=lot.kind,
        product=materials_of(session, [lot.id])[lot.id].name,
        net_g=account.mass_g,
        mass_basis=basis,
        site=site.name,
        made_on=lot.born_at.astimezone(zone).date(),
        holds=tuple(reach.hold.subject_kind for reach in holds),
        recycled_percent_text=None if sources is None else percent_text(trace.post_consumer_fraction()),
        sources=sources,
        answered_at=system_clock().astimezone(zone),
    )
