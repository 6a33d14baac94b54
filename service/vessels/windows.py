"""Time windows of a vessel or a line: when what left had entered, and what saw the inside of it during an excursion.

Two answers to the first, always both: the widest, which rests on a report or else is everything since the vessel
was last proven empty, and the expected one of the regime as stated.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime

from sqlmodel import Session

from service.core.flow_model import FlowModel, Regime
from service.core.residence import discharged_ug, entry_window, suspect_discharge
from service.core.vessel_book import Entry, book_of
from service.errors import Finding, Unacceptable
from service.journal.read import Knowledge
from service.lineage.basis import basis_words
from service.lineage.flows import DryLine, ProcessRow, microseconds, moment_at
from service.lineage.graph import LotGraph
from service.plant.statuses import VesselKind
from service.vessels.answers import Basis, EntryWindow, SuspectDischarge
from service.vessels.line_times import entry_window_of_line, suspect_lots_of_line
from service.vessels.queries import get_vessel, periods_of

WORST_CASE = FlowModel(Regime.WELL_MIXED)  # what mixes may hold anything that was ever charged


@dataclass(frozen=True)
class _Period:
    """A stretch between two proofs of emptiness, and the part of the interval asked about that lies in it."""

    process: ProcessRow
    ended_at: datetime | None
    from_at: datetime
    to_at: datetime
    book: list[Entry]
    drawn: tuple[DryLine, ...]


def entry_window_of(
    session: Session, vessel_id: int, from_at: datetime, to_at: datetime, known: Knowledge | None = None
) -> EntryWindow:
    """When what left a vessel in an interval had entered it; the two moments may be the same.

    Raises
    ------
    Unacceptable : the interval runs backwards.
    """
    _refuse_backwards(from_at, to_at)
    graph = LotGraph(session, known)
    vessel = get_vessel(session, vessel_id, known)
    if vessel.kind is VesselKind.WASH_LINE:
        return entry_window_of_line(graph, vessel, from_at, to_at)
    widest: list[int] = []
    expected: list[int] = []
    basis = None
    for period in _periods_in(graph, session, vessel_id, from_at, to_at, known):
        model, is_proven, found = _flow_in(graph, period, period.to_at if period.to_at > period.from_at else None)
        basis = basis or found
        times = microseconds(period.from_at), microseconds(period.to_at)
        expected += entry_window(period.book, *times, model) or ()
        widest += entry_window(period.book, *times, model if is_proven else WORST_CASE) or ()
    return EntryWindow(
        from_at=moment_at(min(widest)) if widest else None,
        to_at=moment_at(max(widest)) if widest else None,
        expected_from_at=moment_at(min(expected)) if expected else None,
        expected_to_at=moment_at(max(expected)) if expected else None,
        basis=basis or Basis(None, True, basis_words(vessel, None)),
    )


def suspect_lots(
    session: Session, vessel_id: int, from_at: datetime, to_at: datetime, known: Knowledge | None = None
) -> SuspectDischarge:
    """Which lots saw what was inside a vessel during an excursion, complete.

    Raises
    ------
    Unacceptable : the excursion ends before it begins.
    """
    _refuse_backwards(from_at, to_at)
    graph = LotGraph(session, known)
    vessel = get_vessel(session, vessel_id, known)
    if vessel.kind is VesselKind.WASH_LINE:
        return suspect_lots_of_line(graph, vessel, from_at, to_at)
    until: list[datetime | None] = []
    dry_ug = 0
    lots: dict[int, None] = {}
    basis = None
    for period in _periods_in(graph, session, vessel_id, from_at, to_at, known):
        out_at, found = _out_at(graph, period)
        basis = basis or found
        out_at = out_at or period.ended_at
        until.append(out_at)
        drawn = [dry for dry in period.drawn if _left_within(dry, period.from_at, out_at)]
        lots |= {dry.line.lot_id or 0: None for dry in sorted(drawn, key=lambda dry: (dry.line.start_at, dry.line.id))}
        last_us = period.book[-1].end + 1 if period.book else microseconds(period.from_at)
        end_us = last_us if out_at is None else microseconds(out_at)
        dry_ug += discharged_ug(period.book, microseconds(period.from_at), max(end_us, microseconds(period.from_at)))
    ends = [moment for moment in until if moment is not None]
    return SuspectDischarge(
        from_at=from_at,
        to_at=max(ends) if ends and len(ends) == len(until) else None,
        dry_ug=dry_ug,
        lots=tuple(lots),
        basis=basis or Basis(None, True, basis_words(vessel, None)),
    )


def _out_at(graph: LotGraph, period: _Period) -> tuple[datetime | None, Basis]:
    """When the last of what was inside was out; None if it still is, or if no one proven regime held until then."""
    model, is_proven, basis = _flow_in(graph, period, None)
    if not is_proven:
        return None, basis
    _, out_us = suspect_discharge(period.book, microseconds(period.from_at), microseconds(period.to_at), model)
    if out_us is None:
        return None, replace(basis, words=f"{basis.words} By the book some of it is still inside.")
    out_at = moment_at(out_us)
    if graph.regimes.is_proven(period.process, period.from_at, max(out_at, period.to_at)):
        return out_at, basis
    words = f"{basis.words} They end before all of it is out, so only the worst case is given."
    return None, Basis(basis.statement, True, words)


def _left_within(dry: DryLine, from_at: datetime, until: datetime | None) -> bool:
    """Whether some of a draw left in a half-open interval."""
    start_at, end_at = dry.line.start_at, dry.line.end_at
    is_after_begin = start_at >= from_at if end_at is None else end_at > from_at
    return is_after_begin and (until is None or start_at < until)


def _flow_in(graph: LotGraph, period: _Period, end_at: datetime | None) -> tuple[FlowModel, bool, Basis]:
    """The flow in force where the interval asked about begins, whether it is proven for it, and what that rests on."""
    statement = graph.regimes.statement_at(period.process, period.from_at)
    model = graph.regimes.model_at(period.process, period.from_at)
    vessel = graph.vessel_of(period.process)
    assert vessel is not None, "a vessel's period names a vessel, and vessels are never voided"
    is_proven = model.keeps_order and graph.regimes.is_proven(period.process, period.from_at, end_at)
    words = basis_words(vessel, statement)
    if is_proven and any(entry.missing_ug for entry in period.book):
        # What was missing shifts every position by an unknown mass.
        is_proven, words = False, f"{words} Its book is overdrawn, so only the worst case is given."
    return model, is_proven, Basis(statement, not is_proven, words)


def _periods_in(
    graph: LotGraph, session: Session, vessel_id: int, from_at: datetime, to_at: datetime, known: Knowledge | None
) -> Iterator[_Period]:
    """The periods of a vessel that the interval touches, each with its part of it."""
    for period in periods_of(session, vessel_id, known):
        begins, ends = max(from_at, period.started_at), min(to_at, period.ended_at or to_at)
        if begins > ends or (period.ended_at is not None and begins == period.ended_at):
            continue
        flow = graph.flow_of(period.id)
        charges, draws = graph.ledger_of(flow)
        yield _Period(flow.process, period.ended_at, begins, ends, book_of(charges, draws), flow.discharges)


def _refuse_backwards(from_at: datetime, to_at: datetime) -> None:
    if to_at < from_at:
        raise Unacceptable(
            "interval-backwards",
            f"The interval ends at {to_at.isoformat()}, before it begins at {from_at.isoformat()}.",
            "Give the earlier moment as 'from', each with its offset.",
            (Finding("/to", "lies before 'from'", "Give a later moment."),),
        )
