"""Where there is no vessel, what a lot may contain is plain ancestry, and a graph library knows what that is.

Goal: the may-contain set is complete and no wider on any graph of runs. Method: random runs, fed from any
earlier lots, some with several outputs and some lots topped up; `networkx` is asked for ancestors and
descendants.
"""

from collections import defaultdict

import networkx
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.apportion import SCALE
from service.core.lineage import ORIGIN, Parents, merge_parents, parents_of_run, trace_down, trace_up


@st.composite
def runs(draw: st.DrawFn) -> list[tuple[list[tuple[int, int]], list[int]]]:
    """Inputs (lot, micrograms) and output lots of each run; lots below 5 came from outside."""
    made = []
    lots = 5
    for _ in range(draw(st.integers(1, 10))):
        fed = draw(st.lists(st.tuples(st.integers(0, lots - 1), st.integers(0, 1_000)), min_size=1, max_size=4))
        newest = max(max(lot for lot, _ in fed) + 1, 5)
        # A lot already there may be topped up if it is none of those it would be made from.
        outputs = draw(st.lists(st.integers(newest, lots + 1), min_size=1, max_size=3, unique=True))
        lots = max(lots, *(lot + 1 for lot in outputs))
        made.append((fed, outputs))
    return made


@settings(max_examples=150, deadline=None)
@given(made=runs())
def test_may_contain_is_ancestry(made):
    graph = networkx.DiGraph()
    lines: dict[int, list[tuple[Parents, int]]] = defaultdict(list)
    for fed, outputs in made:
        for output in outputs:
            lines[output].append((parents_of_run(fed), 1))
            graph.add_edges_from((lot, output) for lot, _ in fed)
    graph.add_nodes_from(range(5))
    parents = {lot: merge_parents(lines[lot]) if lot in lines else ORIGIN for lot in graph}
    children = {lot: list(graph.successors(lot)) for lot in graph}
    assert networkx.is_directed_acyclic_graph(graph)
    for lot in graph:
        above = networkx.ancestors(graph, lot) | {lot}
        found = trace_up(lot, parents.__getitem__, cut_off=SCALE // 2)
        assert set(found.visited) == above
        assert found.may_contain == {other for other in above if not graph.pred[other]}
        down = trace_down([lot], children.__getitem__, parents.__getitem__)
        assert {other for other, _ in down} == networkx.descendants(graph, lot)
