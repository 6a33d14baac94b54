"""The questions of time for a line as a whole: it has no book of its own, its runs and their windows answer.

Without a report the runs that went on at the time count as a whole beside the window; without residence data they
alone do.
"""

from collections.abc import Iterable
from datetime import datetime

from service.core.line_window import discharge_window, touches
from service.lineage.basis import basis_words
from service.lineage.flows import DryLine, ProcessFlow, microseconds, moment_at
from service.lineage.graph import LotGraph
from service.lineage.windows import residence_us, span_of
from service.plant.residence import holds_throughout, in_force
from service.plant.tables import Equipment, Residence
from service.vessels.answers import Basis, EntryWindow, SuspectDischarge


def entry_window_of_line(graph: LotGraph, line: Equipment, from_at: datetime, to_at: datetime) -> EntryWindow:
    """When what came out of a line in an interval had been fed; nothing if nothing is booked out then."""
    asked = microseconds(from_at), microseconds(to_at)
    flows = graph.flows_on(line.id, from_at, to_at)
    basis = _basis(graph, line, from_at, to_at)
    out = [(flow, dry) for flow in flows for dry in _made(flow) if touches(*span_of(dry.line)[1:], *asked)]
    if not out:
        return EntryWindow(None, None, None, None, basis)
    expected: list[datetime] = []
    widest: list[datetime] = []
    window = graph.windows.window_at(out[0][0].process, from_at, to_at)
    if window is not None:
        expected = [moment_at(window.from_us), moment_at(window.to_us)]
    if window is None or not window.is_narrow:
        fed = [dry.line for flow, _ in out for dry in flow.feeds]
        widest = [*(feed.start_at for feed in fed), *(feed.end_at or feed.start_at for feed in fed)]
    widest += expected
    return EntryWindow(
        from_at=min(widest, default=None),
        to_at=max(widest, default=None),
        expected_from_at=min(expected, default=None),
        expected_to_at=max(expected, default=None),
        basis=basis,
    )


def suspect_lots_of_line(graph: LotGraph, line: Equipment, from_at: datetime, to_at: datetime) -> SuspectDischarge:
    """What came out of a line from the beginning of an excursion until all that was inside during it was out."""
    statement = _timed(graph, line, from_at)
    going_on = graph.flows_on(line.id, from_at, to_at)
    begin_us = microseconds(from_at)
    out_us = begin_us
    if statement is not None and going_on:
        stops = graph.windows.stops_of(going_on[0].process)
        out = discharge_window(begin_us, microseconds(to_at), *residence_us(statement), stops)
        assert out is not None, "a stop is recorded when it is over"
        out_us = max(out[1] or begin_us, begin_us)
    basis = _basis(graph, line, from_at, max(moment_at(out_us), to_at))
    in_time = [
        dry
        for flow in graph.flows_on(line.id, from_at, moment_at(out_us))
        for dry in _made(flow)
        if touches(*span_of(dry.line)[1:], begin_us, out_us)
    ]
    of_runs: list[DryLine] = []
    if basis.is_worst_case:
        of_runs = [dry for flow in going_on for dry in _made(flow) if span_of(dry.line)[2] >= begin_us]
    suspect = {dry.line.id: dry for dry in (*in_time, *of_runs)}.values()
    end_us = None if basis.is_worst_case else out_us
    ordered = sorted(suspect, key=lambda dry: (dry.line.start_at, dry.line.id))
    return SuspectDischarge(
        from_at=from_at,
        to_at=None if end_us is None else moment_at(end_us),
        dry_ug=_discharged_ug(suspect, begin_us, end_us),
        lots=tuple(dict.fromkeys(dry.line.lot_id or 0 for dry in ordered)),
        basis=basis,
    )


def _made(flow: ProcessFlow) -> Iterable[DryLine]:
    return flow.made.values()


def _timed(graph: LotGraph, line: Equipment, at: datetime) -> Residence | None:
    statement = in_force(graph.regimes.statements_of(line.id), at)
    return statement if statement is not None and statement.residence_max_s is not None else None


def _basis(graph: LotGraph, line: Equipment, from_at: datetime, to_at: datetime) -> Basis:
    statement = _timed(graph, line, from_at)
    is_narrow = (
        statement is not None
        and statement.report_sha256 is not None
        and holds_throughout(statement, from_at, to_at if to_at > from_at else None)
    )
    return Basis(statement, not is_narrow, basis_words(line, statement))


def _discharged_ug(lines: Iterable[DryLine], begin_us: int, end_us: int | None) -> int:
    """Dry mass that came out from a moment on, each line evenly over its own time."""
    total = 0
    for dry in lines:
        _, start, end = span_of(dry.line)
        if start == end:
            total += dry.dry_ug
            continue
        inside = min(end, end if end_us is None else end_us) - max(start, begin_us)
        total += dry.dry_ug * max(inside, 0) // (end - start)
    return total
