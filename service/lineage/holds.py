"""Which holds reach a lot. A hold lies on a lot, a delivery, a supplier or what a vessel gave out; everything that may
contain some of it inherits it, found anew at every gate and never copied."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Select
from sqlmodel import Session, col

from service.errors import Findings, OnHold
from service.journal.read import current, texts_of
from service.lineage.closure import Ways, is_reached
from service.lineage.graph import LotGraph
from service.lineage.stored import derived_lots
from service.lineage.subjects import lots_of_subject, subject_of
from service.lots.queries import lots_by_id
from service.lots.rows import LotRow, lot_rows
from service.lots.statuses import LotOrigin
from service.lots.tables import Hold


@dataclass(frozen=True)
class ReachingHold:
    """A hold that reaches a lot, and the lot of the held ones through which it does."""

    hold: Hold
    cause: str
    source: LotRow


def held_lots(session: Session, hold: Hold) -> list[int]:
    """The lots a hold lies on directly, oldest identity first."""
    return lots_of_subject(session, subject_of(hold))


@cache
def _active_holds() -> Select[Any]:
    return current(Hold).order_by(col(Hold.id))


def holds_reaching(
    session: Session, lot_ids: Iterable[int], graph: LotGraph | None = None
) -> dict[int, list[ReachingHold]]:
    """All holds that reach each of these lots; lots no hold reaches are left out.

    Parameters
    ----------
    graph : walk its lines instead of asking what was worked out in advance: for those who have changed lines in this
        very write, or who have walked there already, so that it costs next to nothing.
    """
    asked = set(lot_ids)
    holds: Sequence[Hold] = session.execute(_active_holds()).scalars().all()
    if not holds or not asked:
        return {}
    held_by = {hold.id: held_lots(session, hold) for hold in holds}
    sources = _sources_stored(session, asked, held_by) if graph is None else _sources_walked(graph, asked, held_by)
    lots = lot_rows(session, {lot_id for through in sources.values() for lot_id in through.values()})
    causes = texts_of(session, [hold.cause_id for hold in holds if sources[hold.id]])
    reached: dict[int, list[ReachingHold]] = {}
    for hold in holds:
        for lot_id, source in sorted(sources[hold.id].items()):
            cause = causes[hold.cause_id] or "cause erased"
            reached.setdefault(lot_id, []).append(ReachingHold(hold, cause, lots[source]))
    return reached


def _sources_stored(session: Session, asked: set[int], held_by: dict[int, list[int]]) -> dict[int, dict[int, int]]:
    """By hold: which of the asked lots it reaches, and through which of the held ones, the latest.

    A made lot of which nothing was worked out is walked: what is not known to be free is not let through.
    """
    derived = derived_lots(session, asked)
    ways = Ways(session)
    found: dict[int, dict[int, int]] = {hold_id: {} for hold_id in held_by}
    for hold_id, held in held_by.items():
        found[hold_id] = {lot_id: lot_id for lot_id in asked.intersection(held)}
        # A bale was made nowhere here and contains nothing but itself.
        made = {lot_id: derived[lot_id].reach for lot_id in derived.keys() - found[hold_id].keys()}
        if not made:
            continue
        together = ways.ahead(held)
        for lot_id, reach in made.items():
            if is_reached(reach, together):
                through = (source for source in reversed(held) if is_reached(reach, ways.ahead([source])))
                found[hold_id][lot_id] = next(through)
    others = lot_rows(session, asked - derived.keys()).values()
    unknown = {lot.id for lot in others if lot.origin is LotOrigin.PROCESS}
    if unknown:
        for hold_id, walked in _sources_walked(LotGraph(session), unknown, held_by).items():
            found[hold_id] |= walked
    return found


def _sources_walked(graph: LotGraph, asked: set[int], held_by: dict[int, list[int]]) -> dict[int, dict[int, int]]:
    """The same, found on the lines themselves."""
    found: dict[int, dict[int, int]] = {hold_id: {} for hold_id in held_by}
    graph.preload(asked)
    walked_up = {lot_id for lot_id in asked if graph.is_traced(lot_id) or not graph.makers_of(lot_id)}
    for hold_id, held in held_by.items():
        place_of = {lot_id: place for place, lot_id in enumerate(held)}
        sources = {lot_id: graph.source_in(lot_id, place_of) for lot_id in walked_up}
        found[hold_id] |= {lot_id: source for lot_id, source in sources.items() if source is not None}
    walked_down = asked - walked_up
    if walked_down:
        # Down from what is held: there are few holds, and a lot may have a long history.
        graph.read_ahead({lot_id for held in held_by.values() for lot_id in held})
        for hold_id, held in held_by.items():
            through = graph.reached_from(held)
            found[hold_id] |= {lot_id: through[lot_id] for lot_id in walked_down & through.keys()}
    return found


def refuse_if_held(session: Session, pointers: dict[int, str]) -> None:
    """The gate: nothing that a hold reaches is fed, charged, packed or shipped.

    Parameters
    ----------
    pointers : JSON pointer of each lot in the request, by lot id.

    Raises
    ------
    OnHold : with every hold that reaches any of the lots.
    """
    reached = holds_reaching(session, pointers)
    lots = lots_by_id(session, reached)
    findings = Findings()
    for lot_id, holds in reached.items():
        for reach in holds:
            through = "" if reach.source.id == lot_id else f" through lot {reach.source.code} in it"
            findings.add(
                pointers[lot_id],
                f"lot {lots[lot_id].code} is on hold{through}: {reach.cause} (hold {reach.hold.id})",
                "Do not use it. The hold is lifted by another person than the one who placed it.",
            )
    findings.refuse_if_any(
        OnHold, code="lot-on-hold", detail="A hold reaches what this would use; nothing was recorded."
    )
