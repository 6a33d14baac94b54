"""A trace as it leaves: codes and decimal strings, both answers side by side."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from sqlmodel import Session

from service.core.bounds import share_bounds
from service.core.mixture import FINE
from service.core.quantities import SHARE_ONE, share_text, share_texts
from service.journal.read import Knowledge
from service.lineage.composed import origins_behind
from service.lineage.derive import SHARE_CUT_OFF
from service.lineage.extent import LISTED_MAX
from service.lineage.flows import dry_masses_ug
from service.lineage.graph import LotGraph
from service.lineage.kept import masses_g, sizes_now
from service.lineage.parties import Parties
from service.lineage.ranges import VesselRange, periods_walked, ranges_of
from service.lineage.schemas import BoundedShareOut, PartyShareOut, RangeOut, TraceOut
from service.lineage.trace import Trace, origin_word, percent_text, steps_behind
from service.lots.rows import LotRow, lot_rows
from service.lots.statuses import Direction
from service.web import json_of

UG_PER_G = 10**6


# One origin lot as it is printed: the fields of `BoundedShareOut` in their order. A plain tuple, since they are many.
ShareRow = tuple[str, str, str, str | None, str | None]
# Neither codes nor kinds nor decimals hold a character that JSON would have written otherwise.
ROW_JSON = '{"bale":"%s","kind":"%s","share":"%s","min_share":"%s","max_share":"%s"}'
UNBOUNDED_JSON = '{"bale":"%s","kind":"%s","share":"%s","min_share":null,"max_share":null}'


@dataclass(frozen=True)
class TraceAnswer:
    """A trace with everything spelled out; every field but `shares` stands in `TraceOut` as it is here."""

    lot: str
    may_contain: list[str | RangeOut]
    why_wide: list[str]
    shares: list[ShareRow]
    share_cut_off: str
    remainder: str
    suppliers: list[PartyShareOut]
    deliveries: list[PartyShareOut]
    post_consumer_share_percent: str
    denominator: str
    steps: list[int]
    unattributed_lots: list[str]
    known_sizes: dict[str, int]

    def as_model(self) -> TraceOut:
        rows = [
            BoundedShareOut(bale=bale, kind=kind, share=share, min_share=least, max_share=greatest)
            for bale, kind, share, least, greatest in self.shares
        ]
        return TraceOut(**(vars(self) | {"shares": rows}))

    def as_json(self) -> bytes:
        """The same as `as_model` prints, byte for byte, for those who want nothing else of it."""
        rows = (UNBOUNDED_JSON % row[:3] if row[3] is None else ROW_JSON % row for row in self.shares)
        return json_of(vars(self), "shares", rows)


def trace_out(session: Session, trace: Trace, known: Knowledge | None = None, *, expand: bool = False) -> TraceAnswer:
    """The trace as it leaves: codes, decimal strings, and the state of knowledge it rests on."""
    composition = trace.composition
    unattributed = lot_rows(session, composition.unattributed_at)
    parties = Parties(session, trace, known)
    return TraceAnswer(
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
        known_sizes=sizes_out(known or sizes_now(session)),
    )


def _shares_out(session: Session, trace: Trace, known: Knowledge | None) -> list[ShareRow]:
    """Expected shares with their bounds, the largest first."""
    lots = trace.lots
    # Each lot has a code of its own, so nothing behind it decides about the order.
    ordered = sorted([(share, lots[lot_id].code, lot_id) for lot_id, share in trace.composition.shares], reverse=True)
    lot_ids = [lot_id for _, _, lot_id in ordered]
    shares = [share for share, _, _ in ordered]
    printed = ([code for _, code, _ in ordered], [origin_word(lots[lot_id]) for lot_id in lot_ids], share_texts(shares))
    bounds = bounds_of(session, trace, known)
    if not bounds:
        return [(*row, None, None) for row in zip(*printed, strict=True)]
    found = [bounds[lot_id] for lot_id in lot_ids]
    # Where more was weighed out than in, more may be expected than there ever was: then the bound gives way.
    least = share_texts([low if low < share else share for (low, _), share in zip(found, shares, strict=True)])
    greatest = share_texts([high if high > share else share for (_, high), share in zip(found, shares, strict=True)])
    return list(zip(*printed, least, greatest, strict=True))


def bounds_of(session: Session, trace: Trace, known: Knowledge | None) -> dict[int, tuple[int, int]]:
    """Least and greatest share of each origin lot named, per 10**12, by mass; none while the lot has no mass."""
    composition = trace.composition
    if composition.may_contain == {trace.lot.id}:
        return {trace.lot.id: (SHARE_ONE, SHARE_ONE)}
    makers = [line for line in trace.graph.lines_of(trace.lot.id) if line.direction is Direction.OUT]
    lot_ug = sum(dry_masses_ug(session, makers, known).values())
    if not lot_ug:
        return {}
    is_listed = not trace.is_ranged and not composition.unattributed_at
    # Where not everything is listed no other lot decides about the bounds of one.
    asked = composition.may_contain if is_listed else {lot_id for lot_id, _ in composition.shares}
    held_g = masses_g(session, asked, known)
    source_ug = {lot_id: held_g.get(lot_id, 0) * UG_PER_G for lot_id in asked}
    return share_bounds(source_ug, lot_ug, is_complete=is_listed and all(source_ug.values()))


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
        vessel=one.vessel,
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
