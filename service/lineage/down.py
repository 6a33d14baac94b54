"""Where lots went, as it leaves: every lot and vessel that may contain some of them, or as much as can be listed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from sqlmodel import Session

from service.core.quantities import SHARE_ONE, dry_kg_text, kg_text, share_text
from service.core.vessel_ledger import VesselContents, contents
from service.journal.read import Knowledge
from service.lineage.descent import Descent, descent
from service.lineage.flows import ProcessFlow, moment_at
from service.lineage.graph import LotGraph
from service.lineage.kept import sizes_now
from service.lineage.ranges import vessel_periods
from service.lineage.schemas import AffectedLotOut, AffectedVesselOut, DrawnFromOut, TraceDownOut
from service.lineage.trace_out import sizes_out
from service.lots.statuses import Direction
from service.lots.stock import held_and_left
from service.lots.tables import Lot
from service.web import json_of


class AffectedRow(NamedTuple):
    """An affected lot as it is printed: the fields of `AffectedLotOut` in their order."""

    lot: str
    kind: str
    mass_kg: str
    on_hand_kg: str
    share: str


# Neither codes nor kinds nor decimals hold a character that JSON would have written otherwise.
ROW_JSON = '{"lot":"%s","kind":"%s","mass_kg":"%s","on_hand_kg":"%s","share":"%s"}'


@dataclass(frozen=True)
class DownAnswer:
    """Where lots went, with everything spelled out; every field but `affected` stands in `TraceDownOut` as here."""

    sources: list[str]
    affected: list[AffectedRow]
    vessels: list[AffectedVesselOut]
    also_from: list[DrawnFromOut]
    known_sizes: dict[str, int]

    def as_model(self) -> TraceDownOut:
        rows = [AffectedLotOut.model_validate(row._asdict()) for row in self.affected]
        return TraceDownOut(**(vars(self) | {"affected": rows}))

    def as_json(self) -> bytes:
        """The same as `as_model` prints, byte for byte, for those who want nothing else of it."""
        return json_of(vars(self), "affected", (ROW_JSON % row for row in self.affected))


def trace_down_out(session: Session, sources: Sequence[Lot], known: Knowledge | None = None) -> DownAnswer:
    """Every lot and vessel that may contain some of these lots, with the expected share of each."""
    asked = [lot.id for lot in sources]
    found = descent(session, asked, known, is_complete=False)
    lots = held_and_left(session, [lot_id for lot_id, _ in found.shares], known)
    affected = []
    for lot_id, share in found.shares:
        _, code, kind, mass_g, on_hand_g = lots[lot_id]
        affected.append(AffectedRow(code, kind.value, kg_text(mass_g), kg_text(on_hand_g), share_text(share)))
    source_shares = dict.fromkeys(asked, SHARE_ONE) | dict(found.shares)
    return DownAnswer(
        sources=[lot.code for lot in sources],
        affected=affected,
        vessels=_affected_vessels(found.graph or LotGraph(session, known), source_shares) if found.is_listed else [],
        also_from=[] if found.is_listed else _drawn_from(session, found),
        known_sizes=sizes_out(known or sizes_now(session)),
    )


def _drawn_from(session: Session, found: Descent) -> list[DrawnFromOut]:
    """Vessels out of which more may have come than is listed, each with the moment from which on."""
    since = {number: code for number, code in found.from_code.items() if code >= 0}
    return [
        DrawnFromOut(
            vessel=period.vessel,
            process=period.id,
            from_at=moment_at(since[period.id] // 2),
            to_at=period.ended_at,
        )
        for period in sorted(vessel_periods(session, since), key=lambda period: (since[period.id], period.id))
    ]


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
        content = affected_content(graph, process_id, share_of)
        if content is None:
            continue
        vessel = graph.vessel_of(graph.process_of(process_id))
        assert vessel is not None, "a vessel's period names a vessel, and vessels are never voided"
        rows.append(
            AffectedVesselOut(
                vessel=vessel.code,
                content_dry_kg=dry_kg_text(content.held.dry_ug),
                share=share_text(content.share_e12),
            )
        )
    return rows


@dataclass(frozen=True)
class AffectedContent:
    """What stands in a vessel now that may hold some of the lots asked about.

    Parameters
    ----------
    share_e12 : expected share of it that comes from them, per 10**12.
    inside : those of the lots that may be in it.
    """

    flow: ProcessFlow
    held: VesselContents
    share_e12: int
    inside: frozenset[int]


def affected_content(graph: LotGraph, process_id: int, share_of: Mapping[int, int]) -> AffectedContent | None:
    """The content of a vessel's period; None if it has ended, or if none of the lots may be in it."""
    process = graph.process_of(process_id)
    if process.ended_at is not None:  # proven empty since: nothing of it is left in there
        return None
    flow = graph.flow_of(process_id)
    charges, draws = graph.ledger_of(flow)
    lot_of_charge = {dry.line.id: dry.line.lot_id or 0 for dry in flow.feeds}
    last_us = max([charge.end for charge in charges] + [draw.end for draw in draws])
    held = contents(charges, draws, last_us, graph.regimes.model_at(process, moment_at(last_us)))
    inside = frozenset(lot_of_charge[charge] for charge in held.possible) & share_of.keys()
    if not inside:
        return None
    part = sum(mass * share_of.get(lot_of_charge[charge], 0) for charge, mass in held.by_charge)
    return AffectedContent(flow, held, part // held.dry_ug if held.dry_ug else 0, inside)
