"""Vessels, their current period, and what stands in them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session, col

from service.core.apportion import apportion
from service.core.quantities import SHARE_ONE, dry_kg_text, kg_text, share_text
from service.core.vessel_book import Charge, Draw, book_of
from service.core.vessel_ledger import contents
from service.errors import NotFound
from service.journal.read import Knowledge, current, get_current
from service.journal.tables import SITE_STEP
from service.lineage.flows import DryLine, FlowReader, microseconds
from service.lineage.graph import REGIME_OF, LotGraph
from service.lots.queries import lots_by_id
from service.lots.tables import Process
from service.plant.tables import Equipment
from service.vessels.schemas import VesselContentOut, VesselOut


def current_period(session: Session, vessel_id: int, known: Knowledge | None = None) -> Process:
    """The process that runs since the vessel was registered or last proven empty."""
    query = current(Process, known).where(col(Process.equipment_id) == vessel_id, col(Process.ended_at).is_(None))
    found: Process | None = session.execute(query.order_by(col(Process.started_at).desc())).scalars().first()
    if found is None:
        raise NotFound("vessel-not-found", f"There is no vessel {vessel_id}.", "Register the vessel first.")
    return found


def periods_of(session: Session, vessel_id: int, known: Knowledge | None = None) -> Sequence[Process]:
    """All periods of a vessel, oldest first."""
    query = current(Process, known).where(col(Process.equipment_id) == vessel_id)
    return session.execute(query.order_by(col(Process.started_at))).scalars().all()


def vessel_out(
    session: Session, vessel: Equipment, known: Knowledge | None = None, *, drawn_lot: str | None = None
) -> VesselOut:
    """A vessel with what stands in it, by the lots it was charged with."""
    period = current_period(session, vessel.id, known)
    graph = LotGraph(session, known)
    flow = graph.flow_of(period.id)
    charges, draws = graph.ledger_of(flow)
    last_us = max([line.end for line in (*charges, *draws)], default=0)
    held = contents(charges, draws, last_us, REGIME_OF[period.mixing])
    lot_of_charge = {dry.line.id: dry.line.lot_id or 0 for dry in flow.feeds}
    mass_of_lot: dict[int, int] = {}
    for charge, mass in held.by_charge:
        mass_of_lot[lot_of_charge[charge]] = mass_of_lot.get(lot_of_charge[charge], 0) + mass
    possible = {lot_of_charge[charge] for charge in held.possible}
    lots = lots_by_id(session, possible | set(mass_of_lot))
    shares = apportion(SHARE_ONE, list(mass_of_lot.values())) if mass_of_lot else []
    return VesselOut(
        id=vessel.id,
        code=vessel.code,
        name=vessel.name,
        kind=vessel.kind,
        mixing=vessel.mixing,
        capacity_kg=kg_text(vessel.capacity_g),
        proof_sha256=vessel.proof_sha256,
        proof_from=vessel.proof_from,
        proof_to=vessel.proof_to,
        since=period.started_at,
        content_dry_kg=dry_kg_text(held.dry_ug),
        content=[
            VesselContentOut(lot=lots[lot_id].code, dry_kg=dry_kg_text(mass), share=share_text(share))
            for (lot_id, mass), share in zip(mass_of_lot.items(), shares, strict=True)
        ],
        may_contain=sorted(lots[lot_id].code for lot_id in possible),
        overdrawn_dry_kg=dry_kg_text(held.overdrawn_dry_ug),
        drawn_lot=drawn_lot,
    )


def get_vessel(session: Session, vessel_id: int, known: Knowledge | None = None) -> Equipment:
    return get_current(session, Equipment, vessel_id, "vessel", known)


@dataclass(frozen=True)
class VesselLevel:
    """How much stands in a vessel by the book, without saying of what.

    Parameters
    ----------
    since : when its present period began.
    dry_ug : micrograms dry, zero or more.
    overdrawn_dry_ug : micrograms dry drawn beyond what the book says was there.
    """

    vessel: Equipment
    since: datetime
    dry_ug: int
    overdrawn_dry_ug: int


def vessel_levels(session: Session, site_no: int) -> list[VesselLevel]:
    """The level of every vessel of a site, in the order in which they were registered."""
    of_site = col(Equipment.id) >= site_no * SITE_STEP, col(Equipment.id) < (site_no + 1) * SITE_STEP
    vessels = session.execute(current(Equipment).where(*of_site).order_by(col(Equipment.id))).scalars().all()
    running = current(Process).where(
        col(Process.equipment_id).in_([vessel.id for vessel in vessels]), col(Process.ended_at).is_(None)
    )
    periods = {period.equipment_id: period for period in session.execute(running).scalars()}
    flows = FlowReader(session)
    flows.weigh(period.id for period in periods.values())
    levels = []
    for vessel in vessels:
        flow = flows.flow_of(periods[vessel.id].id)
        book = book_of(
            [Charge(*_passage(dry)) for dry in flow.feeds], [Draw(*_passage(dry)) for dry in flow.discharges]
        )
        content_ug = book[-1].charged_to - book[-1].out_to if book else 0
        missing_ug = sum(entry.missing_ug for entry in book)
        levels.append(VesselLevel(vessel, periods[vessel.id].started_at, content_ug, missing_ug))
    return levels


def _passage(dry: DryLine) -> tuple[int, int, int, int]:
    """A line as the book of a vessel takes it: key, start and end in microseconds, dry mass."""
    line = dry.line
    return line.id, microseconds(line.start_at), microseconds(line.end_at or line.start_at), dry.dry_ug
