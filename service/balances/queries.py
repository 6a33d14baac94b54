"""Balances of runs as recorded, every version, and what a gain withholds from the lots a run made."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any

from sqlalchemy import select
from sqlmodel import Session, col

from service.balances.compute import ComputedBalance, compute_balance, kept_fraction, tolerance_of
from service.balances.detail import detail_of
from service.balances.schemas import BalanceOut, DetailedBalanceOut, InterimBalanceOut, StreamOut
from service.balances.tables import RunBalance
from service.core.doubt_verdict import Judged, doubt_sentence, judge
from service.core.mass_balance import sentence
from service.core.quantities import PPM, dry_kg_text, fraction_text
from service.errors import NotFound
from service.journal.read import Knowledge, current, known_now, text_of
from service.journal.tables import SITE_STEP, JournalEntry, site_of
from service.lineage.graph import LotGraph
from service.lots.queries import get_process
from service.lots.statuses import Category, Direction
from service.lots.tables import Process
from service.plant.tables import Setting
from service.runs.schemas import RUN_STEPS

# Each log counts its own microseconds when much is written at once, so moments of two logs compare only so finely.
SAME_MOMENT = timedelta(seconds=1)


def find_balance(session: Session, process_id: int, known: Knowledge | None = None) -> RunBalance | None:
    """The newest known balance of a run; None while it is open."""
    query = current(RunBalance, known).where(col(RunBalance.process_id) == process_id)
    return session.execute(query).scalar_one_or_none()


def balance_versions(session: Session, process_id: int, known: Knowledge | None = None) -> Sequence[RunBalance]:
    """All versions of a run's balance that were known, oldest first."""
    query = select(RunBalance).where(col(RunBalance.process_id) == process_id).order_by(col(RunBalance.version))
    if known is not None:
        query = query.where(known.covers(col(RunBalance.seq)))
    return session.execute(query).scalars().all()


def knowledge_of(session: Session, row: RunBalance) -> Knowledge:
    """What was known when a version was recorded: its own log up to it, and the log that all sites share.

    Facts of other sites say nothing about a run; they count as they are now.
    """
    own = site_of(row.seq)
    shared = session.execute(
        select(col(JournalEntry.leaf_index))
        .where(col(JournalEntry.seq) < SITE_STEP, col(JournalEntry.recorded_at) <= row.recorded_at + SAME_MOMENT)
        .order_by(col(JournalEntry.seq).desc())
        .limit(1)
    ).scalar_one_or_none()
    sizes = dict(known_now(session).sizes) | {0: 0 if shared is None else shared + 1}
    return Knowledge(tuple(sorted((sizes | {own: row.seq % SITE_STEP + 1}).items())))


def balance_out(session: Session, row: RunBalance) -> BalanceOut:
    """A version of a balance with its sentence and streams, from the lines as they were known then."""
    known = knowledge_of(session, row)
    process = get_process(session, row.process_id, known)
    tolerance = _tolerance_of(session, row, known)
    computed = compute_balance(session, process, tolerance, known, with_doubt=False)
    return BalanceOut(**_recorded(session, row), **figures_out(process, computed, judged_of(row)))


def detailed_balance_out(
    session: Session, row: RunBalance, computed: ComputedBalance | None = None
) -> DetailedBalanceOut:
    """The same with what it rests on.

    Parameters
    ----------
    computed : where it has just been worked out; else it is, as known then.
    """
    known = None if computed is not None else knowledge_of(session, row)
    process = get_process(session, row.process_id, known)
    if computed is None:
        tolerance = _tolerance_of(session, row, known)
        computed = compute_balance(session, process, tolerance, known, with_doubt=row.u95_ug is not None)
    return DetailedBalanceOut(
        **_recorded(session, row),
        **figures_out(process, computed, judged_of(row)),
        detail=detail_of(session, process, computed, known),
    )


def interim_balance(
    session: Session, run_id: int, as_of: datetime, known: Knowledge | None = None
) -> InterimBalanceOut:
    """The balance of what had happened by a moment, of an open run too; nothing is recorded."""
    process = get_process(session, run_id, known)
    if process.step not in RUN_STEPS:
        raise NotFound("run-not-found", f"{run_id} is no run but a {process.step}.", "Use the vessel's own paths.")
    tolerance = tolerance_of(session, process, known)
    computed = compute_balance(session, process, tolerance, known, as_of=as_of)
    detail = detail_of(session, process, computed, known)
    assert computed.doubt is not None
    assert detail is not None
    figures = figures_out(process, computed, judge(computed.doubt.unexplained))
    return InterimBalanceOut(**figures, as_of=as_of, is_closed=process.is_closed, detail=detail)


def judged_of(row: RunBalance) -> Judged | None:
    """The doubt as recorded; None in a version of before it was worked out."""
    if row.u95_ug is None or row.coverage_ppm is None:
        return None
    return Judged(row.unexplained_ug, row.u95_ug, row.coverage_ppm)


def _tolerance_of(session: Session, row: RunBalance, known: Knowledge | None) -> Setting:
    found: Setting = session.execute(current(Setting, known).where(col(Setting.id) == row.tolerance_id)).scalar_one()
    return found


def _recorded(session: Session, row: RunBalance) -> dict[str, Any]:
    return {"version": row.version, "recorded_at": row.recorded_at, "reason": text_of(session, row.reason_id)}


def figures_out(process: Process, computed: ComputedBalance, judged: Judged | None) -> dict[str, Any]:
    """The fields of `BalanceFigures`."""
    balance = computed.balance
    unexplained, closure = balance.unexplained_percent(), balance.closure_percent()
    return {
        "run_id": process.id,
        "step": process.step,
        "dry_in_kg": dry_kg_text(balance.dry_in_ug),
        "dry_out_kg": dry_kg_text(balance.dry_out_ug),
        "estimated_out_kg": dry_kg_text(balance.estimated_dry_out_ug),
        "unexplained_kg": dry_kg_text(balance.unexplained_ug),
        "unexplained_percent": None if unexplained is None else str(unexplained),
        "closure_percent": None if closure is None else str(closure),
        "tolerance_fraction": fraction_text(balance.tolerance_ppm),
        "tolerance_source": computed.tolerance.source,
        "verdict": balance.verdict,
        "sentence": sentence(balance),
        "provisional": computed.provisional,
        "not_claimable_kg": dry_kg_text(balance.not_claimable_ug),
        "by_stream": [
            StreamOut(direction=total.direction, stream=total.stream, dry_kg=dry_kg_text(total.dry_ug))
            for total in balance.by_stream
        ],
        "u95_kg": None if judged is None else dry_kg_text(judged.u95_ug),
        "coverage_factor": None if judged is None else f"{judged.coverage_ppm / PPM:.6g}",
        "doubt_verdict": None if judged is None else judged.verdict,
        "doubt_sentence": None if judged is None else doubt_sentence(judged),
    }


class Claimable:
    """What fraction of a lot stays claimable when it is made, given the balances of the runs that made it.

    A gain above tolerance is not claimable: the whole of it, spread over the run's product lots by mass, and
    inherited by whatever is made from them. Called by the lineage walk with each lot on the way.
    """

    def __init__(self, session: Session, known: Knowledge | None = None) -> None:
        self._session = session
        self._known = known
        self._graph = LotGraph(session, known)
        self._kept: dict[int, Fraction] = {}
        self._balances: dict[int, RunBalance | None] = {}

    def __call__(self, lot_id: int) -> Fraction:
        made, kept = Fraction(0), Fraction(0)
        for line in self._graph.lines_of(lot_id):
            if line.direction is not Direction.OUT:
                continue
            flow = self._graph.flow_of(line.process_id)
            dry = next((dry.dry_ug for dry in flow.discharges if dry.line.id == line.id), 0)
            made += dry
            kept += dry * self.kept_by(line.process_id, is_product=line.category is Category.PRODUCT)
        return kept / made if made else Fraction(1)

    def kept_by_run(self, process_id: int, is_product: bool) -> Fraction:
        """As `kept_by`, in the form that lineage asks for."""
        return self.kept_by(process_id, is_product=is_product)

    def kept_by(self, process_id: int, *, is_product: bool) -> Fraction:
        row = self._balance_of(process_id)
        if row is None or row.not_claimable_ug == 0:
            return Fraction(1)
        if not is_product:
            # Which stream the gain sits in is not known: until it is, no by-product of the run carries a claim.
            return Fraction(0)
        if process_id not in self._kept:
            products = sum(
                dry.dry_ug
                for dry in self._graph.flow_of(process_id).discharges
                if dry.line.category is Category.PRODUCT
            )
            self._kept[process_id] = kept_fraction(row.not_claimable_ug, products)
        return self._kept[process_id]

    def _balance_of(self, process_id: int) -> RunBalance | None:
        if process_id not in self._balances:
            self._balances[process_id] = find_balance(self._session, process_id, self._known)
        return self._balances[process_id]
