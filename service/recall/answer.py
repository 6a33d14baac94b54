"""The answer to a recall: what may contain some of the source, where it stands, and why the list is so wide."""

from collections.abc import Iterable, Sequence

from sqlmodel import Session

from service.core.quantities import SHARE_ONE, dry_kg_text, kg_text, share_text
from service.core.recall import expected_g, tally
from service.journal.read import Knowledge, known_now
from service.lineage.holds import holds_reaching
from service.lineage.trace_out import sizes_out
from service.lots.queries import materials_of
from service.lots.statuses import HoldSubject, LotKind
from service.plant.tables import Equipment
from service.recall.affected import Affected, affected_by
from service.recall.schemas import (
    DepartureOut,
    RecallAnswerOut,
    RecalledLotOut,
    RecalledVesselOut,
    RecallSourceOut,
    RecallTotalsOut,
    SourceIn,
    WideOut,
)
from service.recall.sources import Source, asked_in, codes_of, find_source
from service.recall.standing import Departure, LotStanding, Passage, VesselStanding, Whereabouts
from service.weighbridge.held import holds_lying_on

NOT_RECORDED = [
    "The customer of a shipment is not recorded yet: the run, its note and its date say which truck it was.",
    "Claims are not recorded yet, so none that rests on these lots is named.",
]


def recall_out(session: Session, source: SourceIn, known: Knowledge | None = None) -> RecallAnswerOut:
    """Everything that may contain some of what a request names."""
    return answer_of(session, find_source(session, asked_in(session, source, known), known), known)


def answer_of(session: Session, source: Source, known: Knowledge | None = None) -> RecallAnswerOut:
    """Everything that may contain some of a source, as known; holds are always those of now."""
    affected = affected_by(session, source.lots, known)
    shares = dict.fromkeys(source.lots, SHARE_ONE) | {one.lot_id: one.share_e12 for one in affected}
    places = Whereabouts(session, shares, known)
    lots, vessels = places.lots(), places.vessels()
    held = holds_reaching(session, shares).keys()
    return RecallAnswerOut(
        source=_source_out(session, source),
        lots=_lots_out(session, source, lots, affected, held, known),
        vessels=[_vessel_out(session, one, held) for one in vessels],
        totals=_totals_out(lots.values(), vessels),
        why_wide=[wide for passage in places.passages() if (wide := _wide_out(passage)) is not None],
        not_recorded=NOT_RECORDED,
        known_sizes=sizes_out(known or known_now(session)),
    )


def _source_out(session: Session, source: Source) -> RecallSourceOut:
    asked = source.asked
    return RecallSourceOut(
        kind=asked.kind,
        id=asked.id,
        code=source.named.code,
        name=source.named.words,
        from_at=asked.from_at,
        to_at=asked.to_at,
        suspect_discharge=asked.is_excursion,
        drawn_from=source.subject.from_at,
        drawn_to=source.subject.to_at,
        lots=codes_of(session, source.lots),
    )


def _lots_out(
    session: Session,
    source: Source,
    lots: dict[int, LotStanding],
    affected: Iterable[Affected],
    held: Iterable[int],
    known: Knowledge | None,
) -> list[RecalledLotOut]:
    """The lots, sources first, each after the lots it was made from."""
    materials = materials_of(session, lots, known)
    unlisted = {one.lot_id for one in affected if not one.is_listed}
    sources, on_hold = set(source.lots), set(held)
    rows = []
    for lot_id, one in lots.items():
        standing, mass_g = one.standing, one.account.mass_g
        rows.append(
            RecalledLotOut(
                lot=one.account.lot.code,
                kind=one.account.lot.kind,
                material=materials[lot_id].code,
                is_source=lot_id in sources,
                mass_kg=None if mass_g is None else kg_text(mass_g),
                on_hand_kg=kg_text(standing.on_site_g),
                loading_kg=kg_text(standing.loading_g),
                shipped_kg=kg_text(standing.shipped_g),
                returned_kg=kg_text(standing.returned_g),
                used_up_kg=kg_text(one.used_up_g),
                share=None if lot_id in unlisted else share_text(one.share_e12),
                expected_kg=kg_text(expected_g(mass_g or 0, one.share_e12)),
                on_hold=lot_id in on_hold,
                departures=[_departure_out(gone) for gone in one.departures],
            )
        )
    return rows


def _departure_out(gone: Departure) -> DepartureOut:
    return DepartureOut(
        run=gone.process.id,
        step=gone.process.step,
        left_at=gone.left_at,
        mass_kg=kg_text(gone.mass_g),
        note=gone.process.note,
    )


def _vessel_out(session: Session, one: VesselStanding, held: Iterable[int]) -> RecalledVesselOut:
    return RecalledVesselOut(
        vessel_id=one.vessel.id,
        vessel=one.vessel.code,
        name=one.vessel.name,
        content_kg=kg_text(one.content_g),
        content_dry_kg=dry_kg_text(one.content_dry_ug),
        share=share_text(one.share_e12),
        expected_kg=kg_text(expected_g(one.content_g, one.share_e12)),
        on_hold=not one.charged_lots.isdisjoint(held) or _is_held_until_empty(session, one.vessel),
    )


def _is_held_until_empty(session: Session, vessel: Equipment) -> bool:
    """Whether a hold lies on whatever a vessel gives out until it is proven empty."""
    lying = holds_lying_on(session, {HoldSubject.VESSEL: [vessel.id]})
    return any(hold.to_at is None for hold in lying)


def _totals_out(lots: Iterable[LotStanding], vessels: Sequence[VesselStanding]) -> RecallTotalsOut:
    of_lots = list(lots)
    totals = tally([*(one.standing for one in of_lots), *(one.standing for one in vessels)])
    in_vessels_g = sum(one.content_g for one in vessels)
    containers = [one.standing for one in of_lots if one.account.lot.kind is LotKind.CONTAINER]
    return RecallTotalsOut(
        lots=len(of_lots),
        lots_here=sum(one.standing.still_here_g > 0 for one in of_lots),
        containers_here=sum(one.still_here_g > 0 for one in containers),
        containers_gone=sum(one.shipped_g > 0 for one in containers),
        complete_kg=kg_text(totals.complete_g),
        expected_kg=kg_text(totals.expected_g),
        on_site_kg=kg_text(totals.on_site_g - in_vessels_g),
        loading_kg=kg_text(totals.loading_g),
        in_vessels_kg=kg_text(in_vessels_g),
        shipped_kg=kg_text(totals.shipped_g),
        returned_kg=kg_text(totals.returned_g),
    )


def _wide_out(passage: Passage) -> WideOut | None:
    """Why a vessel lets nothing be ruled out; None where its flow was proven."""
    if passage.is_proven:
        return None
    period, vessel = passage.period, passage.vessel
    emptied = "was never proven empty" if period.ended_at is None else "was proven empty only afterwards,"
    return WideOut(
        vessel_id=vessel.id,
        vessel=vessel.code,
        since=period.started_at,
        until=period.ended_at,
        basis=passage.basis,
        words=f"{vessel.code} {emptied} since {period.started_at:%Y-%m-%d %H:%M} UTC. {passage.basis}",
    )
