"""What must hold before a lot goes into a process: nothing held, and no lot fed into what it was made from."""

from sqlmodel import Session

from service.core.lineage import Cycle, LineageInconsistent
from service.errors import Findings, Unacceptable
from service.lineage.flows import microseconds
from service.lineage.graph import LotGraph
from service.lineage.holds import refuse_if_held
from service.lots.lines import Discharge, Feed
from service.lots.queries import lines_of_process, lots_by_id
from service.lots.statuses import Category, Direction
from service.lots.tables import Line, Process
from service.plant.statuses import Mixing

REMEDY = "A rework pass makes a new lot. Check the lot, or mark what runs back into its own run as internal_loop."


def check_gate(session: Session, process: Process, feeds: list[Feed]) -> None:
    """Refuse feeds that a hold reaches, and feeds that would make a lot its own ancestor.

    Raises
    ------
    OnHold, Unacceptable : with all lots concerned.
    """
    refuse_if_held(session, {feed.lot.id: f"{feed.pointer}/lot" for feed in feeds})
    out = [line for line in lines_of_process(session, process.id) if line.direction is Direction.OUT]
    graph = LotGraph(session)
    findings = Findings()
    for feed in feeds:
        looped = feed.category is Category.INTERNAL_LOOP
        made_here = bool(out) and _is_made_from(graph, process, out, feed)
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
    fed = {line.lot_id for line in lines_of_process(session, process.id) if line.direction is Direction.IN}
    findings = Findings()
    for discharge in discharges:
        if discharge.into is None or discharge.category is Category.INTERNAL_LOOP:
            continue
        if graph.descendants_of([discharge.into.id]) & fed:
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
    made = [dry.line.lot_id for dry in graph.flow_of(process.id).made.values() if dry.line.lot_id is not None]
    findings = Findings()
    try:
        graph.trace_down(made)
    except (Cycle, LineageInconsistent) as circle:
        lots = lots_by_id(session, circle.lots if isinstance(circle, Cycle) else ())
        codes = " -> ".join(lot.code for lot in lots.values())
        findings.add("", f"lots would lead back to themselves: {codes or circle}", REMEDY)
    refuse_circle(findings)


def refuse_circle(findings: Findings) -> None:
    findings.refuse_if_any(
        Unacceptable, code="lineage-circle", detail="A lot would be made from itself.", remedy=REMEDY
    )


def _is_made_from(graph: LotGraph, process: Process, out: list[Line], feed: Feed) -> bool:
    if feed.lot.id in {line.lot_id for line in out if line.category is Category.INTERNAL_LOOP}:
        return True
    outputs = list(graph.flow_of(process.id).made.values())
    if process.mixing is not Mixing.RUN_MIXED:
        # Silo A to B and back to A is fine: what was drawn before cannot contain what is charged later.
        fed_from = microseconds(feed.span.start_at)
        outputs = [draw for draw in outputs if microseconds(draw.line.end_at or draw.line.start_at) > fed_from]
    return feed.lot.id in graph.descendants_of(dry.line.lot_id for dry in outputs if dry.line.lot_id is not None)
