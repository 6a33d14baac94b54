"""Everything the page of a lot says, looked up with one trace of the lot."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlmodel import Session, col

from service.balances.sentences import RecordedSentence, sentences_of
from service.core.quantities import dry_ug, kg_text
from service.journal.read import current, current_by_id, get_current, texts_of, versions
from service.journal.tables import site_of
from service.lineage.holds import holds_reaching
from service.lineage.parties import deliveries_of, partner_names
from service.lineage.trace import Trace, steps_behind, trace_lot
from service.lineage.trace_out import why_wide
from service.lots.moisture import find_moisture, ppm_of
from service.lots.queries import get_lot_fact
from service.lots.statuses import LotOrigin, MassBasis, Step
from service.lots.stock import LotAccount, accounts_of
from service.lots.tables import Lot, LotMass, Measurement, Process
from service.pages.desk import Desk
from service.pages.floor.words import step_words
from service.pages.lots.holds import holds_seen
from service.pages.lots.sources import SourceTable, sources_of
from service.pages.scan import HoldSeen
from service.papers.queries import records_of
from service.papers.revised import issues_out
from service.papers.schemas import IssueOut
from service.plant.tables import Equipment, Material, Site
from service.runs.schemas import RUN_STEPS
from service.weighbridge.tables import Delivery

STEPS_SHOWN = 40


@dataclass(frozen=True)
class StepSeen:
    """A run, or a vessel's period, that something of a lot went through.

    Parameters
    ----------
    path : its page; None for a return to the supplier.
    is_run : whether it has a balance once it has ended.
    sentence : what its newest balance says.
    mass_kg : what it took of the lot; None for steps behind it.
    """

    words: str
    path: str | None
    started_at: datetime
    ended_at: datetime | None
    is_run: bool
    sentence: RecordedSentence | None = None
    mass_kg: str | None = None


@dataclass(frozen=True)
class MassSeen:
    """One version of the mass of a lot whose history begins here."""

    recorded_at: datetime
    mass_kg: str
    basis: MassBasis
    reason: str | None


@dataclass(frozen=True)
class LotView:
    """A lot as its page shows it.

    Parameters
    ----------
    zone : of the plant it belongs to, in which all times stand.
    basis : how its mass is known; None while it has none.
    moisture : measurement it rests on; None while none is known.
    dry_ug : dry mass; None while mass or moisture is not known.
    delivery, supplier : what an origin lot came with, and from whom; None for everything else.
    sources : None for a lot that is itself an origin.
    why_wide : which vessels make what it may contain as wide as it is, in sentences.
    behind, behind_left_out : steps behind it, newest first, and how many recorded earlier are not listed.
    went : where it went, in the order in which it was taken.
    masses : versions of its mass, oldest first; empty where its mass is that of what it was made from.
    """

    lot: Lot
    site: Site
    zone: ZoneInfo
    product: str
    note: str | None
    account: LotAccount
    basis: MassBasis | None
    moisture: Measurement | None
    dry_ug: int | None
    trace: Trace
    holds: Sequence[HoldSeen]
    delivery: Delivery | None
    supplier: str | None
    sources: SourceTable | None
    why_wide: Sequence[str]
    behind: Sequence[StepSeen]
    behind_left_out: int
    went: Sequence[StepSeen]
    records: Sequence[IssueOut]
    masses: Sequence[MassSeen]

    @property
    def is_wide(self) -> bool:
        """Whether what it may contain is too much to list."""
        return self.trace.is_ranged

    def local(self, moment: datetime) -> datetime:
        return moment.astimezone(self.zone)


def lot_view(desk: Desk, lot: Lot) -> LotView:
    """Look a lot up for its page."""
    session = desk.session
    site = site_of_lot(session, lot, desk.site)
    zone = ZoneInfo(site.zone)
    account = accounts_of(session, [lot.id])[lot.id]
    moisture = find_moisture(session, lot.id)
    if moisture is None and lot.delivery_id is not None:
        moisture = find_moisture(session, lot.delivery_id)
    dry = None if account.mass_g is None or moisture is None else dry_ug(account.mass_g, ppm_of(moisture))
    trace = trace_lot(session, lot)
    reaching = holds_reaching(session, [lot.id], trace.walked).get(lot.id, [])
    behind_ids = steps_behind(trace)
    behind_listed = behind_ids[-STEPS_SHOWN:]
    taken_g: dict[int, int] = defaultdict(int)
    for line, mass_g in account.taken:
        taken_g[line.process_id] += mass_g
    delivery = None if lot.delivery_id is None else deliveries_of(session, [lot]).get(lot.delivery_id)
    supplier = None if delivery is None else partner_names(session, [delivery.supplier_id])[delivery.supplier_id]
    fact = get_lot_fact(session, lot.id)
    steps = _steps(session, {*behind_listed, *taken_g})
    return LotView(
        lot=lot,
        site=site,
        zone=zone,
        product=get_current(session, Material, fact.material_id, "material").name,
        note=fact.note,
        account=account,
        basis=mass_basis(account),
        moisture=moisture,
        dry_ug=dry,
        trace=trace,
        holds=holds_seen(session, lot.id, reaching),
        delivery=delivery,
        supplier=supplier,
        sources=sources_of(session, trace, zone, dry) if lot.origin is LotOrigin.PROCESS else None,
        why_wide=why_wide(session, trace),
        behind=sorted((steps[step] for step in behind_listed), key=lambda step: step.started_at, reverse=True),
        behind_left_out=len(behind_ids) - len(behind_listed),
        went=[replace(steps[step], mass_kg=kg_text(mass_g)) for step, mass_g in taken_g.items()],
        records=issues_out(session, records_of(session, lot.id)),
        masses=_masses(session, account),
    )


def site_of_lot(session: Session, lot: Lot, likely: Site) -> Site:
    """The plant a lot belongs to; most often the one that the person asking works at."""
    if likely.site_no == site_of(lot.id):
        return likely
    found: Site = session.execute(current(Site).where(col(Site.site_no) == site_of(lot.id))).scalar_one()
    return found


def mass_basis(account: LotAccount) -> MassBasis | None:
    """How the mass of a lot is known: what was made here was weighed when it came out."""
    if account.mass_g is None:
        return None
    return MassBasis.WEIGHED if account.origin is None else account.origin.basis


def _steps(session: Session, process_ids: set[int]) -> dict[int, StepSeen]:
    processes = current_by_id(session, Process, process_ids).values()
    periods = [process for process in processes if process.step is Step.VESSEL_PERIOD]
    vessel_ids = {process.equipment_id or 0 for process in periods}
    names = current_by_id(session, Equipment, vessel_ids)
    vessels = {
        period.id: f"{step_words(Step.VESSEL_PERIOD)} {names[period.equipment_id or 0].name}" for period in periods
    }
    sentences = sentences_of(session, [process.id for process in processes if process.step in RUN_STEPS])
    return {
        process.id: StepSeen(
            words=vessels.get(process.id, step_words(process.step)),
            path=_path(process),
            started_at=process.started_at,
            ended_at=process.ended_at,
            is_run=process.step in RUN_STEPS,
            sentence=sentences.get(process.id),
        )
        for process in processes
    }


def _path(process: Process) -> str | None:
    if process.step is Step.VESSEL_PERIOD:
        return f"/floor/vessels/{process.equipment_id}"
    return f"/floor/runs/{process.id}" if process.step in RUN_STEPS else None


def _masses(session: Session, account: LotAccount) -> list[MassSeen]:
    if account.origin is None or account.origin.version == 1:
        return []
    found = [mass for mass in versions(session, LotMass, account.lot.id) if not mass.void]
    reasons = texts_of(session, [mass.reason_id for mass in found if mass.reason_id is not None])
    return [
        MassSeen(
            recorded_at=mass.recorded_at,
            mass_kg=kg_text(mass.material_g),
            basis=mass.basis,
            reason=reasons.get(mass.reason_id or 0),
        )
        for mass in found
    ]
