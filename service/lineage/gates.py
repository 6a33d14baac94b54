"""What must hold before a lot goes into a process: nothing held, and no lot fed into what it was made from."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from sqlmodel import Session

from service.core.lineage import Cycle, LineageInconsistent
from service.errors import Findings, OnHold, Unacceptable
from service.lineage.closure import SINCE_EVER, ahead, is_reached
from service.lineage.flows import microseconds, order_code
from service.lineage.graph import LotGraph
from service.lineage.holds import holds_reaching, refuse_if_held
from service.lineage.period_lines import drawn_after
from service.lineage.stored import derived_lots
from service.lots.lines import Discharge, Feed
from service.lots.queries import lines_of_process, lots_by_id
from service.lots.statuses import Category, Direction
from service.lots.tables import Process

REMEDY = "A rework pass makes a new lot. Check the lot, or mark what runs back into its own run as internal_loop."


def check_gate(session: Session, process: Process, feeds: list[Feed]) -> None:
    """Refuse feeds that a hold reaches, and feeds that would make a lot its own ancestor.

    Raises
    ------
    OnHold, Unacceptable : with all lots concerned.
    """
    refuse_if_held(session, {feed.lot.id: f"{feed.pointer}/lot" for feed in feeds})
    graph = LotGraph(session)
    findings = Findings()
    for feed in feeds:
        looped = feed.category is Category.INTERNAL_LOOP
        made_here = _is_made_from(graph, process, feed)
        if made_here and not looped:
            findings.add(f"{feed.pointer}/lot", f"lot {feed.lot.code} was made from this very process", REMEDY)
        if looped and not made_here:
            findings.add(
                f"{feed.pointer}/internal_loop",
                f"lot {feed.lot.code} did not come out of this run",
                "Leave internal_loop out.",
            )
    refuse_circle(findings)


def check_filling(session: Session, process: Process, discharges: list[Discharge]) -> None:
    """Refuse filling up a lot that has already gone into what this process is fed with."""
    graph = LotGraph(session)
    row = graph.process_of(process.id)
    fed = {line.lot_id for line in lines_of_process(session, process.id) if line.direction is Direction.IN}
    findings = Findings()
    for discharge in discharges:
        if discharge.into is None or discharge.category is Category.INTERNAL_LOOP:
            continue
        span = discharge.span
        near = graph.windows.feeds_within(row, span.start_at, span.end_at) if graph.windows.has_windows(row) else []
        if graph.descendants_of([discharge.into.id]) & (fed | {feed.lot_id for feed in near}):
            findings.add(
                f"{discharge.pointer}/into_lot",
                f"this process was fed from lot {discharge.into.code}",
                REMEDY,
            )
    refuse_circle(findings)


def refuse_if_circular(session: Session, process: Process) -> None:
    """Refuse a correction after which something the process makes would be made from itself.

    A line whose time moves can close a circle through a vessel that booking it at its first time did not.

    Raises
    ------
    Unacceptable : naming the lots of the circle.
    """
    graph = LotGraph(session)
    made = {line.lot_id for line in graph.made_in(process.id) if line.lot_id is not None}
    fed = {line.lot_id for line in graph.fed_into(process.id) if line.lot_id is not None}
    # What is fed into one run of a line may come out of another.
    if graph.windows.has_windows(graph.process_of(process.id)):
        made |= {child for lot_id in fed for child in graph.children_of(lot_id)}
    refuse_circle(_circles(session, graph, sorted(made)))


def _circles(session: Session, graph: LotGraph, made: Sequence[int]) -> Findings:
    """A finding if the way on from these lots leads back to one that was passed."""
    findings = Findings()
    try:
        graph.trace_down(made)
    except (Cycle, LineageInconsistent) as circle:
        lots = lots_by_id(session, circle.lots if isinstance(circle, Cycle) else ())
        codes = " -> ".join(lot.code for lot in lots.values())
        findings.add("", f"lots would lead back to themselves: {codes or circle}", REMEDY)
    return findings


@contextmanager
def guard_lineage(session: Session, made: Sequence[int]) -> Iterator[None]:
    """Around a write that changes what some lots may contain: no hold may lose one, and none may lead back to itself.

    Parameters
    ----------
    made : the lots whose parents the write can change.

    Raises
    ------
    OnHold : a hold would no longer reach one of them; that is for the one who lifts holds to decide.
    Unacceptable : a lot would be made from itself.
    """
    before = {lot_id: {reach.hold.id for reach in holds} for lot_id, holds in holds_reaching(session, made).items()}
    yield
    after = holds_reaching(session, before, LotGraph(session))
    lots = lots_by_id(session, before)
    findings = Findings()
    for lot_id, held_by in before.items():
        for hold_id in sorted(held_by - {reach.hold.id for reach in after.get(lot_id, [])}):
            findings.add(
                "",
                f"hold {hold_id} would no longer reach lot {lots[lot_id].code}",
                "Have the hold lifted by another person than the one who placed it, then state this again.",
            )
    findings.refuse_if_any(OnHold, code="hold-would-be-lifted", detail="This would free what is held.")
    refuse_circle(_circles(session, LotGraph(session), made))


def refuse_circle(findings: Findings) -> None:
    findings.refuse_if_any(
        Unacceptable, code="lineage-circle", detail="A lot would be made from itself.", remedy=REMEDY
    )


def _is_made_from(graph: LotGraph, process: Process, feed: Feed) -> bool:
    """Whether the lot that is to be fed is, or may hold, something that this feed would be in."""
    row = graph.row_of(process.id)
    if row.is_vessel:
        return _is_drawn_later(graph.session, process, feed)
    made = graph.made_in(process.id)
    if feed.lot.id in {line.lot_id for line in made if line.category is Category.INTERNAL_LOOP}:
        return True
    start_us, end_us = microseconds(feed.span.start_at), microseconds(feed.span.end_at or feed.span.start_at)
    if graph.windows.has_windows(row):
        made = graph.windows.discharges_holding(row, start_us, end_us)
    lots = {line.lot_id for line in made if line.lot_id is not None}
    return bool(lots) and feed.lot.id in graph.descendants_of(lots)


def _is_drawn_later(session: Session, period: Process, feed: Feed) -> bool:
    """Whether the lot to be charged is, or may hold, what is drawn from the vessel after it.

    Silo A to B and back to A is fine: what was drawn before cannot contain what is charged later. Asked of what was
    worked out in advance, since a vessel's period may be years long.
    """
    later = drawn_after(session, period.id, feed.span.start_at)
    if feed.lot.id in later:
        return True
    derived = derived_lots(session, [feed.lot.id]).get(feed.lot.id)
    if not later or derived is None:
        return False
    code = order_code(feed.span.start_at, is_behind=feed.span.end_at is not None)
    return is_reached(derived.reach, ahead(session, {period.id: code, **dict.fromkeys(later, SINCE_EVER)}))
