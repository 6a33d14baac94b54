"""The two questions about a lot: what it was made from, and where it went."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from sqlmodel import Session

from service.core.lineage import Composition, recycled_fraction
from service.core.quantities import dry_kg_text, kg_text, percent_cut_down, share_text
from service.core.vessel_ledger import contents
from service.journal.read import Knowledge, current_by_id, known_now, texts_of
from service.lineage.graph import REGIME_OF, LotGraph
from service.lineage.schemas import (
    AffectedLotOut,
    AffectedVesselOut,
    PartyShareOut,
    RangeOut,
    ShareOut,
    TraceDownOut,
    TraceOut,
)
from service.lots.rows import LotRow, lot_rows
from service.lots.statuses import Direction, LotOrigin
from service.lots.stock import accounts_of
from service.lots.tables import Lot
from service.partners.tables import Partner
from service.plant.statuses import WasteClass
from service.plant.tables import Material
from service.weighbridge.tables import Delivery

LISTED_MAX = 2_000  # a may-contain set wider than this is given as ranges
BEFORE_RECORDS = "before records began"
Withheld = Callable[[int], Fraction]


@dataclass(frozen=True)
class Trace:
    """A lot's composition with the lots it names, ready to be shown or summed."""

    lot: Lot
    composition: Composition
    lots: dict[int, LotRow]
    post_consumer: frozenset[int]
    graph: LotGraph

    def post_consumer_fraction(self, *, is_claimable_only: bool = False) -> Fraction:
        """Dry-mass fraction that counts as post-consumer; unknown origins count as nothing."""
        return recycled_fraction(
            self.composition,
            lambda lot_id: int(lot_id in self.post_consumer),
            is_claimable_only=is_claimable_only,
        )


def trace_lot(
    session: Session,
    lot: Lot,
    known: Knowledge | None = None,
    *,
    kept: Withheld | None = None,
    cut_off: int = 0,
) -> Trace:
    """Trace a lot back to its origins.

    Parameters
    ----------
    kept : fraction of a lot's mass that stays claimable when it is made; None withholds nothing.
    cut_off : per SCALE; touches the shares only.
    """
    graph = LotGraph(session, known)
    composition = graph.trace(lot.id, cut_off=cut_off, passed=kept)
    lots = graph.lots_of({lot.id} | composition.may_contain)
    materials = current_by_id(session, Material, {one.material_id for one in lots.values() if one.material_id}, known)
    post_consumer = {material.id for material in materials.values() if material.waste_class is WasteClass.POST_CONSUMER}
    # What stood here before records began has no proof of origin, whatever its material says.
    counted = frozenset(
        lot_id
        for lot_id in composition.may_contain
        if lots[lot_id].material_id in post_consumer and lots[lot_id].lot.origin is LotOrigin.DELIVERY
    )
    return Trace(lot, composition, {lot_id: one.lot for lot_id, one in lots.items()}, counted, graph)


def trace_out(session: Session, trace: Trace, known: Knowledge | None = None, *, expand: bool = False) -> TraceOut:
    """The trace as it leaves: codes, decimal strings, and the state of knowledge it rests on."""
    composition = trace.composition
    shares = [
        ShareOut(bale=trace.lots[lot_id].code, kind=origin_word(trace.lots[lot_id]), share=share_text(share))
        for lot_id, share in composition.shares
    ]
    unattributed = lot_rows(session, composition.unattributed_at)
    return TraceOut(
        lot=trace.lot.code,
        may_contain=_may_contain(trace, expand),
        shares=sorted(shares, key=lambda share: (share.share, share.bale), reverse=True),
        remainder=share_text(composition.remainder_e12),
        suppliers=party_shares(session, trace, known, by_delivery=False),
        deliveries=party_shares(session, trace, known, by_delivery=True),
        post_consumer_share_percent=percent_text(trace.post_consumer_fraction()),
        denominator="dry mass of the lot",
        steps=steps_behind(trace),
        unattributed_lots=sorted(lot.code for lot in unattributed.values()),
        known_sizes=sizes_out(known or known_now(session)),
    )


def percent_text(fraction: Fraction) -> str:
    """A share as per cent with one decimal, cut down and never rounded up."""
    return str(percent_cut_down(fraction.numerator, fraction.denominator))


def sizes_out(known: Knowledge) -> dict[str, int]:
    return {str(log_no): size for log_no, size in known.sizes}


def origin_word(lot: LotRow) -> str:
    return BEFORE_RECORDS if lot.origin is LotOrigin.OPENING else lot.kind.value


def steps_behind(trace: Trace) -> list[int]:
    """Every run and vessel period some of the lot may have gone through, by identity."""
    return sorted(
        {
            line.process_id
            for lot_id in trace.composition.visited
            for line in trace.graph.lines_of(lot_id)
            if line.direction is Direction.OUT
        }
    )


def _may_contain(trace: Trace, expand: bool) -> list[str | RangeOut]:
    origins = [trace.lots[lot_id] for lot_id in sorted(trace.composition.may_contain)]
    if expand or len(origins) <= LISTED_MAX:
        return [lot.code for lot in origins]
    fed: dict[int, list[LotRow]] = defaultdict(list)
    for lot in origins:
        for line in trace.graph.lines_of(lot.id):
            if line.direction is Direction.IN:
                fed[line.process_id].append(lot)
    ranges: list[str | RangeOut] = []
    for process_id, lots in sorted(fed.items()):
        lines = [dry.line for dry in trace.graph.flow_of(process_id).feeds]
        ranges.append(
            RangeOut(
                process=process_id,
                from_at=min(line.start_at for line in lines),
                to_at=max(line.end_at or line.start_at for line in lines),
                bales=len({lot.id for lot in lots}),
            )
        )
    return ranges


def party_shares(session: Session, trace: Trace, known: Knowledge | None, *, by_delivery: bool) -> list[PartyShareOut]:
    """Shares summed by supplier or by delivery, largest first.

    Sums of the shares as shown, so that two tables of one trace can never disagree and all of them add up
    with the remainder to 1.
    """
    deliveries = deliveries_of(session, trace.lots.values(), known)
    shares: dict[tuple[str, int | None], int] = defaultdict(int)
    counts: dict[tuple[str, int | None], int] = defaultdict(int)
    names = partner_names(session, [delivery.supplier_id for delivery in deliveries.values()], known)
    share_of = dict(trace.composition.shares)
    for lot_id in trace.composition.may_contain:
        lot = trace.lots[lot_id]
        delivery = deliveries.get(lot.delivery_id or 0)
        name = names[delivery.supplier_id] if delivery else origin_word(lot)
        group = (name, lot.delivery_id if by_delivery else None)
        shares[group] += share_of.get(lot_id, 0)
        counts[group] += 1
    rows = [
        PartyShareOut(
            supplier=name,
            delivery_id=delivery_id,
            ticket_no=deliveries[delivery_id].ticket_no if delivery_id in deliveries else None,
            lots=counts[name, delivery_id],
            share=share_text(share),
        )
        for (name, delivery_id), share in shares.items()
    ]
    return sorted(rows, key=lambda row: (row.share, row.supplier, row.delivery_id or 0), reverse=True)


def deliveries_of(
    session: Session, lots: Iterable[Lot | LotRow], known: Knowledge | None = None
) -> dict[int, Delivery]:
    """The deliveries that lots came in with."""
    wanted = {lot.delivery_id for lot in lots if lot.delivery_id is not None}
    return current_by_id(session, Delivery, wanted, known)


def partner_names(session: Session, partner_ids: Sequence[int], known: Knowledge | None = None) -> dict[int, str]:
    partners = current_by_id(session, Partner, partner_ids, known)
    names = texts_of(session, [partner.name_id for partner in partners.values()])
    return {partner.id: names[partner.name_id] or partner.code for partner in partners.values()}


def trace_down_out(session: Session, sources: Sequence[Lot], known: Knowledge | None = None) -> TraceDownOut:
    """Every lot and vessel that may contain some of these lots, with the expected share of each."""
    graph = LotGraph(session, known)
    shares = graph.trace_down([lot.id for lot in sources])
    lots = lot_rows(session, [lot_id for lot_id, _ in shares])
    accounts = accounts_of(session, lots, known)
    affected = [
        AffectedLotOut(
            lot=lots[lot_id].code,
            kind=lots[lot_id].kind,
            mass_kg=kg_text(accounts[lot_id].mass_g or 0),
            on_hand_kg=kg_text(accounts[lot_id].on_hand_g),
            share=share_text(share),
        )
        for lot_id, share in shares
    ]
    source_shares = {lot.id: 10**12 for lot in sources} | dict(shares)
    return TraceDownOut(
        sources=[lot.code for lot in sources],
        affected=affected,
        vessels=_affected_vessels(graph, source_shares),
        known_sizes=sizes_out(known or known_now(session)),
    )


def _affected_vessels(graph: LotGraph, share_of: dict[int, int]) -> list[AffectedVesselOut]:
    """Vessels in whose present content some of the sources may stand."""
    periods = {
        line.process_id
        for lot_id in share_of
        for line in graph.lines_of(lot_id)
        if line.direction is Direction.IN and graph.process_of(line.process_id).is_vessel
    }
    rows: list[AffectedVesselOut] = []
    for process_id in sorted(periods):
        process = graph.process_of(process_id)
        if process.ended_at is not None:  # proven empty since: nothing of it is left in there
            continue
        flow = graph.flow_of(process_id)
        charges, draws = graph.ledger_of(flow)
        lot_of_charge = {dry.line.id: dry.line.lot_id or 0 for dry in flow.feeds}
        last_us = max([charge.end for charge in charges] + [draw.end for draw in draws])
        held = contents(charges, draws, last_us, REGIME_OF[process.mixing])
        if not any(lot_of_charge[charge] in share_of for charge in held.possible):
            continue
        part = sum(mass * share_of.get(lot_of_charge[charge], 0) for charge, mass in held.by_charge)
        vessel = graph.vessel_of(process)
        assert vessel is not None, "a vessel's period names a vessel, and vessels are never voided"
        rows.append(
            AffectedVesselOut(
                vessel=vessel.code,
                content_dry_kg=dry_kg_text(held.dry_ug),
                share=share_text(part // held.dry_ug if held.dry_ug else 0),
            )
        )
    return rows
