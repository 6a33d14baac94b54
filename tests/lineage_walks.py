"""Walks over the lineage that read nothing ahead and ask from the other side: what the fast ones are compared with."""

from collections.abc import Iterable, Sequence

from service.journal.read import Knowledge
from service.lineage.graph import LotGraph


def reached_upwards(graph: LotGraph, lot_ids: Iterable[int], held: Sequence[int]) -> dict[int, int]:
    """`LotGraph.reached_from(held)` for some lots, found from their side."""
    places = {lot_id: place for place, lot_id in enumerate(held)}
    sources = {lot_id: graph.source_in(lot_id, places) for lot_id in lot_ids}
    return {lot_id: source for lot_id, source in sources.items() if source is not None}


def walked_down(graph: LotGraph, source: int) -> dict[int, int]:
    """`LotGraph.reached_from([source])`, one lot read at a time."""
    reached, waiting = {source: source}, [source]
    while waiting:
        for child in graph.children_of(waiting.pop()):
            if child not in reached:
                reached[child] = source
                waiting.append(child)
    return reached


def part_of(known: Knowledge, fraction: float) -> Knowledge:
    """An earlier state of knowledge: part of each site's log, and all of the masters."""
    return Knowledge(tuple((log_no, int(size * fraction) if log_no else size) for log_no, size in known.sizes))
