"""The balance of a site over a period: one function computes it, and every way out shows what it gives."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.balances.period_flows import FlowBuilder, PeriodFlows
from service.balances.period_reading import LotRead, PeriodFacts, PeriodReader, waste_lots
from service.core.local_periods import LocalCalendar, Period, PeriodKind
from service.core.period_balance import Process, SiteAccount, joined, site_account
from service.errors import Finding, Unacceptable
from service.journal.read import Knowledge
from service.lineage.content import newest_books
from service.lineage.flows import microseconds
from service.lots.statuses import Direction, Step
from service.plant.period_settings import PeriodSettings, Tolerated
from service.plant.tables import Site

# How a period is cut for the drawing and the list by which one sees when something went wrong.
PARTS = {
    PeriodKind.SHIFT: None,
    PeriodKind.DAY: PeriodKind.SHIFT,
    PeriodKind.WEEK: PeriodKind.DAY,
    PeriodKind.MONTH: PeriodKind.DAY,
    PeriodKind.AUDIT_YEAR: PeriodKind.MONTH,
}
DAYS_MAX, MONTHS_MAX = 62, 72


@dataclass(frozen=True)
class PeriodBalance:
    """What is known of a period.

    Parameters
    ----------
    parts : days of a month, months of a year; the period itself where it is not cut.
    accounts : of the parts, one for each; `whole` is their sum.
    open_runs : runs going on at the end or not closed yet: what was fed and is not out stands in them.
    """

    site: Site
    period: Period
    parts: Sequence[Period]
    accounts: Sequence[SiteAccount]
    whole: SiteAccount
    facts: PeriodFacts
    flows: PeriodFlows
    open_runs: Sequence[Process]
    settings: PeriodSettings
    asked_at: datetime

    def tolerance(self, step: str, part: Period | None = None) -> Tolerated:
        """What may be unexplained of a step, or of the site."""
        of = self.period if part is None else part
        return self.settings.tolerance(step, of.kind, of.start_at)

    @property
    def is_over(self) -> bool:
        return self.period.end_at <= self.asked_at


def period_asked(
    calendar: LocalCalendar, kind: PeriodKind, begin: datetime, end: datetime | None, now: datetime
) -> Period:
    """The period that somebody asks for.

    Raises
    ------
    Unacceptable : it has no end or ends before it begins, or it has not begun.
    """
    if (kind is PeriodKind.SPAN) != (end is not None):
        raise Unacceptable(
            "period-unclear",
            "A period is named by its kind and a moment in it, any other interval by its two ends.",
            "Give 'period' and 'from', or 'from' and 'to'.",
            (Finding("/to", "missing" if end is None else "goes with no 'period'", "Leave out one of the two."),),
        )
    if end is not None and end <= begin:
        raise Unacceptable(
            "interval-backwards",
            f"The interval ends at {end.isoformat()}, not after it begins at {begin.isoformat()}.",
            "Give the earlier moment as 'from', each with its offset.",
            (Finding("/to", "lies before 'from'", "Give a later moment."),),
        )
    period = calendar.span(begin, end) if end is not None else calendar.at(kind, begin)
    if period.start_at > now:
        raise Unacceptable(
            "period-not-begun",
            f"{period.label} begins at {period.start_at.isoformat()}, which lies in the future.",
            "Ask for a period that has begun; what has happened of it is then told.",
            (Finding("/from", "lies in the future", "Give an earlier moment."),),
        )
    return period


def parts_of(calendar: LocalCalendar, period: Period) -> list[Period]:
    """How a period is cut."""
    if period.kind is PeriodKind.SPAN:
        days = (period.end_at - period.start_at).days
        if days > DAYS_MAX:
            parts = calendar.parts(period, PeriodKind.MONTH)
            return parts if len(parts) <= MONTHS_MAX else calendar.parts(period, PeriodKind.AUDIT_YEAR)
        return calendar.parts(period, PeriodKind.DAY)
    kind = PARTS[period.kind]
    return [period] if kind is None else calendar.parts(period, kind)


def site_balance(
    session: Session,
    site: Site,
    kind: PeriodKind,
    begin: datetime,
    end: datetime | None = None,
    *,
    now: datetime,
    known: Knowledge | None = None,
) -> PeriodBalance:
    """Close a period of a site on dry mass, as known now or at some earlier moment. It always closes.

    Parameters
    ----------
    begin : any moment in the period; where it begins, if `end` is given.

    Raises
    ------
    Unacceptable : see `period_asked`; or the site's zone is unknown.
    """
    settings = PeriodSettings(session, known)
    calendar = settings.calendar(site)
    period = period_asked(calendar, kind, begin, end, now)
    parts = parts_of(calendar, period)
    facts = PeriodReader(session, site.site_no, known).read(period.start_at)
    bounds = [microseconds(part.start_at) for part in parts] + [microseconds(period.end_at)]

    def default_ppm(lot: LotRead) -> int:
        return settings.default_moisture_ppm(facts.materials.get(lot.material_id or 0), lot.born_at)

    flows = FlowBuilder(
        facts, bounds, default_ppm, _heels(session, facts, known), _waste(session, facts, known)
    ).build()
    accounts = site_account(flows.opening_ug, flows.periods, flows.processes, bounds, flows.received_ug[:-1])
    return PeriodBalance(
        site=site,
        period=period,
        parts=parts,
        accounts=accounts,
        whole=joined(accounts),
        facts=facts,
        flows=flows,
        open_runs=_open_runs(facts, flows, period),
        settings=settings,
        asked_at=now,
    )


def _heels(session: Session, facts: PeriodFacts, known: Knowledge | None) -> dict[int, int]:
    """What stood in each vessel in use before the lines that were read: what stands there now, less what they moved."""
    if known is not None:
        return {}  # then all of their lines were read
    in_use = [one.id for one in facts.processes.values() if one.is_vessel and one.ended_at is None]
    content = {period_id: recent.level() for period_id, recent in newest_books(session, in_use).items()}
    moved = dict.fromkeys(in_use, 0)
    ppm = {moisture_id: one.ppm for moisture_id, one in facts.moistures.items()}
    for line in facts.lines:
        if line.process_id in moved and line.category not in ("ties", "internal_loop"):
            mass_g = facts.open_g[line.lot_id or 0] if line.mass_g is None else line.mass_g
            dry_ug = mass_g * (10**6 - ppm[line.moisture_id or 0])
            moved[line.process_id] += dry_ug if line.direction == Direction.IN else -dry_ug
    return {number: content[number][0] - content[number][1] - moved[number] for number in in_use}


def _waste(session: Session, facts: PeriodFacts, known: Knowledge | None) -> set[int]:
    shipped = {number for number, one in facts.processes.items() if one.step is Step.SHIPPING}
    lots = {line.lot_id for line in facts.lines if line.process_id in shipped and line.lot_id is not None}
    return waste_lots(session, lots, known) if lots else set()


def _open_runs(facts: PeriodFacts, flows: PeriodFlows, period: Period) -> list[Process]:
    """Runs that had begun by the end of the period and are not closed."""
    found = []
    for of_step in flows.processes.values():
        for process in of_step:
            row = facts.processes[process.key]
            if not row.is_vessel and not row.is_closed and row.started_at < period.end_at:
                found.append(process)
    return sorted(found, key=lambda process: process.key)
