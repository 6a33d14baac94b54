"""Balances of runs as recorded, every version, and what a gain withholds from the lots a run made."""

from collections.abc import Sequence
from fractions import Fraction

from sqlalchemy import select
from sqlmodel import Session, col

from service.balances.compute import compute_balance, kept_fraction
from service.balances.schemas import BalanceOut, StreamOut
from service.balances.tables import RunBalance
from service.core.mass_balance import sentence
from service.core.quantities import dry_kg_text, fraction_text
from service.journal.read import Knowledge, current, known_now, text_of
from service.journal.tables import SITE_STEP, site_of
from service.lineage.graph import LotGraph
from service.lots.queries import get_process
from service.lots.statuses import Category, Direction
from service.plant.tables import Setting


def find_balance(session: Session, process_id: int, known: Knowledge | None = None) -> RunBalance | None:
    """The newest known balance of a run; None while it is open."""
    query = current(RunBalance, known).where(col(RunBalance.process_id) == process_id)
    return session.execute(query).scalar_one_or_none()


def balance_versions(session: Session, process_id: int) -> Sequence[RunBalance]:
    """All versions of a run's balance, oldest first."""
    query = select(RunBalance).where(col(RunBalance.process_id) == process_id).order_by(col(RunBalance.version))
    return session.execute(query).scalars().all()


def knowledge_of(session: Session, seq: int) -> Knowledge:
    """What was known when an entry was written: its own log up to it, the other logs as they are now."""
    own = site_of(seq)
    others = tuple(size for size in known_now(session).sizes if size[0] != own)
    return Knowledge((*others, (own, seq % SITE_STEP + 1)))


def balance_out(session: Session, row: RunBalance) -> BalanceOut:
    """A version of a balance with its sentence and streams, from the lines as they were known then."""
    known = knowledge_of(session, row.seq)
    process = get_process(session, row.process_id, known)
    tolerance = session.execute(current(Setting, known).where(col(Setting.id) == row.tolerance_id)).scalar_one()
    balance = compute_balance(session, process, tolerance, known).balance
    unexplained, closure = balance.unexplained_percent(), balance.closure_percent()
    return BalanceOut(
        run_id=row.process_id,
        step=process.step,
        version=row.version,
        recorded_at=row.recorded_at,
        reason=text_of(session, row.reason_id),
        dry_in_kg=dry_kg_text(row.dry_in_ug),
        dry_out_kg=dry_kg_text(row.dry_out_ug),
        estimated_out_kg=dry_kg_text(row.estimated_out_ug),
        unexplained_kg=dry_kg_text(row.unexplained_ug),
        unexplained_percent=None if unexplained is None else str(unexplained),
        closure_percent=None if closure is None else str(closure),
        tolerance_fraction=fraction_text(row.tolerance_ppm),
        tolerance_source=tolerance.source,
        verdict=row.verdict,
        sentence=sentence(balance),
        provisional=row.provisional,
        not_claimable_kg=dry_kg_text(row.not_claimable_ug),
        by_stream=[
            StreamOut(direction=total.direction, stream=total.stream, dry_kg=dry_kg_text(total.dry_ug))
            for total in balance.by_stream
        ],
    )


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
