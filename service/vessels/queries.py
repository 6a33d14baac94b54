"""Vessels, their current period, and what stands in them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, func, select
from sqlmodel import Session, col

from service.core.apportion import apportion
from service.core.quantities import SHARE_ONE, dry_kg_text, fraction_text, kg_text, share_text
from service.core.vessel_book import Entry
from service.db import UtcDateTime
from service.errors import NotFound
from service.journal.read import Knowledge, current, get_current
from service.journal.tables import SITE_STEP
from service.lineage.basis import basis_words
from service.lineage.content import Recent, newest_books, recent_book
from service.lineage.flows import moment_at
from service.lineage.graph import LotGraph
from service.lineage.regimes import model_of
from service.lots.rows import lot_rows
from service.lots.statuses import Category, Direction, Step
from service.lots.tables import Line, Process
from service.plant.residence import in_force, residences_of
from service.plant.tables import Equipment, Residence
from service.vessels.schemas import VesselContentOut, VesselOut
from service.vessels.schemas_residence import ResidenceOut

UG_PER_G = 10**6
LISTED_MAX = 2_000  # lots that may be in a vessel are listed up to so many


def current_period(session: Session, vessel_id: int, known: Knowledge | None = None) -> Process:
    """The process that runs since the vessel was registered or last proven empty."""
    query = _periods(known).where(col(Process.equipment_id) == vessel_id, col(Process.ended_at).is_(None))
    found: Process | None = session.execute(query.order_by(col(Process.started_at).desc())).scalars().first()
    if found is None:
        raise NotFound("vessel-not-found", f"There is no vessel {vessel_id}.", "Register the vessel first.")
    return found


def periods_of(session: Session, vessel_id: int, known: Knowledge | None = None) -> Sequence[Process]:
    """All periods of a vessel, oldest first."""
    query = _periods(known).where(col(Process.equipment_id) == vessel_id)
    return session.execute(query.order_by(col(Process.started_at))).scalars().all()


def _periods(known: Knowledge | None = None) -> Select[Process]:
    return current(Process, known).where(col(Process.step) == Step.VESSEL_PERIOD)


def lots_made_in(session: Session, vessel_id: int, since: datetime) -> list[int]:
    """The lots that were drawn from a vessel, or discharged from the runs of a line, at or after a moment."""
    query = _lines_of(vessel_id).where(
        col(Line.direction) == Direction.OUT, col(Line.lot_id).is_not(None), col(Line.start_at) >= since
    )
    return [lot_id for lot_id in session.execute(query.with_only_columns(col(Line.lot_id))).scalars() if lot_id]


def moved_within(
    session: Session, vessel_id: int, start_at: datetime, end_at: datetime, known: Knowledge | None = None
) -> int:
    """How many lines of a vessel or a line lie within an interval, an instant at its start left out."""
    ended = func.coalesce(col(Line.end_at), col(Line.start_at), type_=UtcDateTime())
    query = _lines_of(vessel_id, known).where(col(Line.start_at) >= start_at, ended <= end_at, ended > start_at)
    inside: int = session.execute(query.with_only_columns(func.count(col(Line.id)))).scalar_one()
    return inside


def _lines_of(vessel_id: int, known: Knowledge | None = None) -> Select[Line]:
    at_vessel = select(col(Process.id)).where(col(Process.equipment_id) == vessel_id)
    return current(Line, known).where(col(Line.process_id).in_(at_vessel), col(Line.category) != Category.TIES)


def vessel_out(
    session: Session,
    vessel: Equipment,
    known: Knowledge | None = None,
    *,
    drawn_lot: str | None = None,
    since_charge: int | None = None,
    booked_at: datetime | None = None,
) -> VesselOut:
    """A vessel with what stands in it, by the lots it was charged with.

    Parameters
    ----------
    since_charge : the line from which on its level is held against its capacity; None for all that is read.
    booked_at : when something moved that this very write has booked.
    """
    period = current_period(session, vessel.id, known)
    recent = (
        recent_book(session, period.id, before=booked_at) if known is None else book_as_known(session, period.id, known)
    )
    last_at = period.started_at if recent.last_us is None else moment_at(recent.last_us)
    statement = in_force(residences_of(session, vessel.id, known), last_at)
    masses, older_ug = recent.by_charge(model_of(statement, period.mixing))
    mass_of_lot: dict[int, int] = {}
    for charge, mass in masses.items():
        lot_id = recent.lines[charge].lot_id or 0
        mass_of_lot[lot_id] = mass_of_lot.get(lot_id, 0) + mass
    charged, listed = charged_lots(session, period.id, known)
    lots = lot_rows(session, listed | mass_of_lot.keys())
    parts_ug = [older_ug, *mass_of_lot.values()]
    older_share, *shares = apportion(SHARE_ONE, parts_ug) if any(parts_ug) else [0]
    dry_ug, overdrawn_ug = recent.level()
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
        content_dry_kg=dry_kg_text(dry_ug),
        content=[
            VesselContentOut(lot=lots[lot_id].code, dry_kg=dry_kg_text(mass), share=share_text(share))
            for (lot_id, mass), share in zip(mass_of_lot.items(), shares, strict=True)
        ],
        content_older_share=share_text(older_share),
        may_contain=sorted(lots[lot_id].code for lot_id in listed),
        may_contain_lots=charged,
        overdrawn_dry_kg=dry_kg_text(overdrawn_ug),
        drawn_lot=drawn_lot,
        residence=None if statement is None else residence_out(statement),
        basis=basis_words(vessel, statement),
        warnings=_warnings(vessel, overdrawn_ug, peak_ug(recent.book, since_charge)),
    )


def book_as_known(session: Session, period_id: int, known: Knowledge) -> Recent:
    """All of a vessel's book as it was known."""
    graph = LotGraph(session, known)
    flow = graph.flow_of(period_id)
    charges, draws = graph.ledger_of(flow)
    return Recent(None, charges, draws, {dry.line.id: dry.line for dry in (*flow.feeds, *flow.discharges)})


def charged_lots(session: Session, period_id: int, known: Knowledge | None = None) -> tuple[int, set[int]]:
    """How many lots were charged into a vessel in a period, and which, unless they are too many to list."""
    lines = current(Line, known).where(
        col(Line.process_id) == period_id,
        col(Line.direction) == Direction.IN,
        col(Line.category).not_in((Category.TIES, Category.INTERNAL_LOOP)),
    )
    lots = lines.with_only_columns(col(Line.lot_id)).distinct()
    found = [lot_id for lot_id in session.execute(lots.limit(LISTED_MAX + 1)).scalars() if lot_id is not None]
    if len(found) <= LISTED_MAX:
        return len(found), set(found)
    counted: int = session.execute(select(func.count()).select_from(lots.subquery())).scalar_one()
    return counted, set()


def peak_ug(book: Sequence[Entry], since_charge: int | None) -> int:
    """The most that stood in a vessel by its book, from a charge on; all of it where none is named."""
    places = [place for place, entry in enumerate(book) if any(key == since_charge for key, _ in entry.charged)]
    first = places[0] if places else 0
    return max((entry.charged_to - entry.out_from for entry in book[first:]), default=0)


def _warnings(vessel: Equipment, overdrawn_ug: int, peak: int) -> list[str]:
    """What the book says that cannot have been so; it is accepted all the same, since refusing knows no better."""
    warnings = []
    if peak > vessel.capacity_g * UG_PER_G:
        warnings.append(
            f"By the book {dry_kg_text(peak)} kg dry stood in {vessel.code}, which holds {kg_text(vessel.capacity_g)} "
            "kg: a draw is missing, a charge went elsewhere, or a mass is wrong."
        )
    if overdrawn_ug:
        warnings.append(
            f"{dry_kg_text(overdrawn_ug)} kg dry were drawn from {vessel.code} beyond what was booked in: "
            "a charge is missing, or a draw came from elsewhere."
        )
    return warnings


def residence_out(row: Residence) -> ResidenceOut:
    """Residence data as they leave."""
    return ResidenceOut(
        id=row.id,
        version=row.version,
        regime=row.regime,
        tanks=row.tanks,
        spread_fraction=None if row.spread_ppm is None else fraction_text(row.spread_ppm),
        hold_up_kg=None if row.hold_up_g is None else kg_text(row.hold_up_g),
        residence_min_s=row.residence_min_s,
        residence_mean_s=row.residence_mean_s,
        residence_max_s=row.residence_max_s,
        report_sha256=row.report_sha256,
        source=row.source,
        valid_from=row.valid_from,
        valid_to=row.valid_to,
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
    running = _periods().where(
        col(Process.equipment_id).in_([vessel.id for vessel in vessels]), col(Process.ended_at).is_(None)
    )
    periods = {period.equipment_id: period for period in session.execute(running).scalars()}
    books = newest_books(session, [period.id for period in periods.values()])
    levels = []
    for vessel in vessels:
        period = periods[vessel.id]
        levels.append(VesselLevel(vessel, period.started_at, *books[period.id].level()))
    return levels
