"""Which origin lots a residence window let through, for the proof of `source_member`."""

from collections.abc import Iterator

from sqlalchemy import text
from sqlmodel import Session

from service.core.apportion import SCALE
from service.journal.standing import current
from service.lineage.graph import LotGraph
from service.lineage.independent_lines import IS_MAKER

LOTS_AT_A_TIME = 200
THROUGH_TIMED_LINES = f"""
SELECT DISTINCT maker.lot_id FROM line AS maker
JOIN process ON process.id = maker.process_id AND {current("process")} AND process.mixing = 'run_mixed'
JOIN residence ON residence.equipment_id = process.equipment_id AND {current("residence")}
    AND residence.residence_max_s IS NOT NULL
WHERE maker.lot_id IS NOT NULL AND {IS_MAKER.format("maker")} AND {current("maker", "line")} ORDER BY maker.lot_id
"""


def members_of_windows(session: Session) -> Iterator[tuple[int, int, int]]:
    """Lot, origin lot and its part of the lot per 10**12, for every lot that came through a window of time."""
    lots = [lot_id for (lot_id,) in session.execute(text(THROUGH_TIMED_LINES))]
    for start in range(0, len(lots), LOTS_AT_A_TIME):
        graph = LotGraph(session)
        portion = lots[start : start + LOTS_AT_A_TIME]
        graph.preload(portion)
        for lot_id in portion:
            for origin, weight in sorted(_let_through(graph, lot_id).items()):
                yield lot_id, origin, weight


def _let_through(graph: LotGraph, lot_id: int) -> dict[int, int]:
    found: dict[int, int] = {}
    total_ug = 0
    for line in graph.makers_of(lot_id):
        flow = graph.flow_of(line.process_id)
        made = flow.made[line.id]
        total_ug += made.dry_ug
        parents = None if flow.is_vessel else graph.windows.parents_of(flow.process, made)
        if parents is not None:
            weight_of = dict(parents.shares)
            for lot in parents.possible:
                if not graph.makers_of(lot):
                    found[lot] = found.get(lot, 0) + weight_of.get(lot, 0) * made.dry_ug
    return {lot: weight * 10**12 // (SCALE * max(total_ug, 1)) for lot, weight in found.items()}
