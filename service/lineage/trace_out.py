"""A trace as it leaves: codes and decimal strings, both answers side by side."""

from collections import defaultdict
from collections.abc import Collection, Sequence

from sqlmodel import Session

from service.core.bounds import share_bounds
from service.core.mixture import FINE
from service.core.quantities import SHARE_ONE, share_text
from service.journal.read import Knowledge, known_now
from service.lineage.composed import origins_behind
from service.lineage.derive import SHARE_CUT_OFF
from service.lineage.flows import dry_masses_ug
from service.lineage.graph import LotGraph
from service.lineage.parties import Parties
from service.lineage.ranges import VesselRange, periods_walked, ranges_of
from service.lineage.schemas import BoundedShareOut, RangeOut, TraceOut
from service.lineage.trace import LISTED_MAX, Trace, origin_word, percent_text, steps_behind
from service.lots.rows import LotRow, lot_rows, origin_masses_g
from service.lots.statuses import Direction

UG_PER_G = 10**6


def trace_out(session: Session, trace: Trace, known: Knowledge | None = None, *, expand: bool = False) -> TraceOut:
    """The trace as it leaves: codes, decimal strings, and the state of knowledge it rests on."""
    composition = trace.composition
    unattributed = lot_rows(session, composition.unattributed_at)
    parties = Parties(session, trace, known)
    return TraceOut(
        lot=trace.lot.code,
        may_contain=_may_contain(session, trace, expand),
        why_wide=why_wide(session, trace),
        shares=_shares_out(session, trace, known),
        share_cut_off="0" if trace.wide is None else share_text(SHARE_CUT_OFF // (FINE // SHARE_ONE)),
        remainder=share_text(composition.remainder_e12),
        suppliers=parties.by_supplier(),
        deliveries=parties.by_delivery(),
        post_consumer_share_percent=percent_text(trace.post_consumer_fraction()),
        denominator="dry mass of the lot",
        steps=steps_behind(trace),
        unattributed_lots=sorted(lot.code for lot in unattributed.values()),
        known_sizes=sizes_out(known or known_now(session)),
    )


def _shares_out(session: Session, trace: Trace, known: Knowledge | None) -> list[BoundedShareOut]:
    """Expected shares with their bounds, the largest first."""
    bounds = bounds_of(session, trace, known)
    lots = trace.lots
    ordered = sorted(trace.composition.shares, key=lambda row: (row[1], lots[row[0]].code), reverse=True)
    rows = []
    for lot_id, share in ordered:
        least, greatest = bounds.get(lot_id, (None, None))
        rows.append(
            BoundedShareOut(
                bale=lots[lot_id].code,
                kind=origin_word(lots[lot_id]),
                share=share_text(share),
                min_share=None if least is None else share_text(least),
                max_share=None if greatest is None else share_text(greatest),
            )
        )
    return rows


def bounds_of(session: Session, trace: Trace, known: Knowledge | None) -> dict[int, tuple[int, int]]:
    """Least and greatest share of each origin lot named, per 10**12; none while the lot has no mass."""
    composition = trace.composition
    if composition.may_contain == {trace.lot.id}:
        return {trace.lot.id: (SHARE_ONE, SHARE_ONE)}
    makers = [line for line in trace.graph.lines_of(trace.lot.id) if line.direction is Direction.OUT]
    lot_ug = sum(dry_masses_ug(session, makers, known).values())
    if not lot_ug:
        return {}
    held_g = origin_masses_g(session, composition.may_contain, known)
    source_ug = {lot_id: held_g.get(lot_id, 0) * UG_PER_G for lot_id in composition.may_contain}
    is_complete = not trace.is_ranged and not composition.unattributed_at and all(source_ug.values())
    bounds = share_bounds(source_ug, lot_ug, is_complete=is_complete)
    # Where more was weighed out than in, more may be expected than there ever was: then the bound gives way.
    return {
        lot_id: (min(bounds[lot_id][0], share), max(bounds[lot_id][1], share)) for lot_id, share in composition.shares
    }


def why_wide(session: Session, trace: Trace) -> list[str]:
    """Which vessels on the way make the may-contain set as wide as it is, and since when; oldest first."""
    if trace.wide is not None:
        return [one.why for one in trace.wide.ranges]
    periods = [step for step in steps_behind(trace) if trace.graph.process_of(step).is_vessel]
    return [one.why for one in ranges_of(session, periods_walked(trace.graph, periods, trace.composition.visited))]


def _may_contain(session: Session, trace: Trace, expand: bool) -> list[str | RangeOut]:
    if trace.wide is None or not trace.is_ranged:
        return _listed(trace, trace.composition.may_contain, expand)
    if not expand:
        return [*_listed(trace, trace.wide.near, expand), *(_range_out(one) for one in trace.wide.ranges)]
    origins = origins_behind(session, trace.lot.id, trace.wide.composed.derived)
    return [lot.code for lot in sorted(lot_rows(session, origins).values(), key=lambda lot: lot.id)]


def _listed(trace: Trace, origins: Collection[int], expand: bool) -> list[str | RangeOut]:
    """Origin lots one by one, or by the process they were fed into where that would be too many."""
    named = [trace.lots[lot_id] for lot_id in sorted(origins)]
    if expand or len(named) <= LISTED_MAX:
        return [lot.code for lot in named]
    trace.graph.preload(origins)
    fed: dict[int, list[LotRow]] = defaultdict(list)
    for lot in named:
        for line in trace.graph.lines_of(lot.id):
            if line.direction is Direction.IN:
                fed[line.process_id].append(lot)
    return [_fed_out(trace.graph, process_id, lots) for process_id, lots in sorted(fed.items())]


def _range_out(one: VesselRange) -> RangeOut:
    return RangeOut(
        process=one.period_id,
        vessel=one.vessel.code,
        from_at=one.since,
        to_at=one.until,
        bales=None,
    )


def _fed_out(graph: LotGraph, process_id: int, lots: Sequence[LotRow]) -> RangeOut:
    """The origin lots fed into one process, as a range."""
    lines = graph.fed_into(process_id)
    vessel = graph.vessel_of(graph.process_of(process_id))
    return RangeOut(
        process=process_id,
        vessel=None if vessel is None else vessel.code,
        from_at=min(line.start_at for line in lines),
        to_at=max(line.end_at or line.start_at for line in lines),
        bales=len({lot.id for lot in lots}),
    )


def sizes_out(known: Knowledge) -> dict[str, int]:
    return {str(log_no): size for log_no, size in known.sizes}
