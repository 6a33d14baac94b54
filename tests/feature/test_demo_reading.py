"""Goal: the fast reading of the lineage says of the demo week what the plain one says, in a handful of statements.

Method: the loaded demo (`demo_week`) is asked in two ways: with a scout that sees nothing or too much; for the holds
that reach a lot, down from what is held and up from the lot; in plain rows and in table rows. The last test counts
statements, so that the batches cannot come apart unnoticed.
"""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from demo_week import ENGINES, Demo
from lineage_walks import part_of, reached_upwards
from sqlalchemy import event, select
from sqlmodel import Session, col

from service.db import Database
from service.journal.read import current, known_now
from service.lineage import flows
from service.lineage.graph import LotGraph
from service.lineage.holds import holds_reaching
from service.lineage.trace import trace_lot
from service.lots.queries import get_lot, takes
from service.lots.rows import known_lots, line_rows
from service.lots.statuses import Amount, Category, Direction, LotOrigin
from service.lots.stock import is_material
from service.lots.tables import Line, Lot, LotFact, LotMass, Process


@pytest.fixture(params=ENGINES)
def database_url(request: pytest.FixtureRequest) -> str:
    """The database of the loaded demo, in the place of an empty one."""
    demo: Demo = request.getfixturevalue(f"demo_on_{request.param}")
    return demo.url


@pytest.fixture
def demo(request: pytest.FixtureRequest, database_url: str) -> Demo:
    engine = "sqlite" if database_url.startswith("sqlite") else "postgresql"
    loaded: Demo = request.getfixturevalue(f"demo_on_{engine}")
    return loaded


def all_lots(session: Session) -> list[Lot]:
    return list(session.execute(select(Lot).order_by(col(Lot.id))).scalars())


def blind(_session: Session, _lot_ids: Iterable[int]) -> list[int]:
    return []


def sees_everything(session: Session, _lot_ids: Iterable[int]) -> list[int]:
    return list(session.execute(select(col(Process.id)).distinct()).scalars())


@pytest.mark.parametrize("scout", [blind, sees_everything])
def test_what_the_scout_sees_changes_no_answer(
    demo: Demo, monkeypatch: pytest.MonkeyPatch, scout: Callable[[Session, Iterable[int]], list[int]]
) -> None:
    with demo.database.read() as session:
        made = [lot.id for lot in all_lots(session) if lot.origin is LotOrigin.PROCESS]
        known = part_of(known_now(session), 0.7)
        states = (None, known)
        up = {(lot, state): LotGraph(session, state).trace(lot) for lot in made[::5] for state in states}
        down = {(lot, state): LotGraph(session, state).trace_down([lot]) for lot in made[::5] for state in states}
        monkeypatch.setattr(flows, "processes_behind", scout)
        monkeypatch.setattr(flows, "processes_ahead", scout)
        for (lot, state), expected in up.items():
            assert LotGraph(session, state).trace(lot) == expected
        for (lot, state), affected in down.items():
            assert LotGraph(session, state).trace_down([lot]) == affected
        assert any(len(composition.visited) > 300 for composition in up.values())


def test_up_and_down_find_the_same_holds_in_the_demo(demo: Demo) -> None:
    with demo.database.read() as session:
        lots = all_lots(session)
        made = [lot.id for lot in lots if lot.origin is LotOrigin.PROCESS]
        up, down = LotGraph(session), LotGraph(session)
        for lot_id in made:
            up.trace(lot_id)
        deliveries: dict[int, list[int]] = {}
        for lot in lots:
            deliveries.setdefault(lot.delivery_id or 0, []).append(lot.id)
        subjects = [*deliveries.values(), *([lot_id] for lot_id in made), made]
        reached_at_all = 0
        for held in subjects:
            reached = down.reached_from(held)
            assert reached_upwards(up, made, held) == {lot: reached[lot] for lot in made if lot in reached}
            reached_at_all += sum(lot in reached for lot in made if lot not in held)
        assert reached_at_all > len(made)
        assert holds_reaching(session, made, up) == holds_reaching(session, made) != {}


def test_plain_rows_say_what_table_rows_say(demo: Demo) -> None:
    with demo.database.read() as session:
        for known in (None, part_of(known_now(session), 0.6)):
            lines = session.execute(current(Line, known).order_by(col(Line.id))).scalars().all()
            rows = line_rows(session, "process_id", {line.process_id for line in lines}, known)
            assert [as_told(row) for row in rows] == [as_told(line) for line in lines]
            with_lot = [as_told(line) for line in lines if line.lot_id and line.category is not Category.TIES]
            of_lots = line_rows(
                session, "lot_id", {line.lot_id for line in lines if line.lot_id}, known, with_ties=False
            )
            assert [as_told(row) for row in of_lots] == with_lot
            assert len(with_lot) < len(lines)
            facts = {fact.id: fact.material_id for fact in session.execute(current(LotFact, known)).scalars()}
            masses = {mass.id: mass.material_g for mass in session.execute(current(LotMass, known)).scalars()}
            lots = all_lots(session)
            told = known_lots(session, [lot.id for lot in lots], known)
            assert {lot_id: (one.material_id, one.origin_g) for lot_id, one in told.items()} == {
                lot.id: (facts.get(lot.id), masses.get(lot.id)) for lot in lots
            }
            assert [told[lot.id].lot for lot in lots] == [
                (lot.id, lot.code, lot.kind, lot.origin, lot.delivery_id) for lot in lots
            ]


def as_told(line: Any) -> tuple[Any, ...]:
    told = (line.id, line.process_id, line.lot_id, line.mass_g, line.moisture_id, line.start_at, line.end_at)
    lists = (line.direction, line.category, line.amount)
    assert [type(member) for member in lists] == [Direction, Category, Amount]
    return (*told, *lists, takes(line), is_material(line))


@contextmanager
def statements_of(database: Database) -> Iterator[list[tuple[str, Any]]]:
    """The statements a database is asked meanwhile, with what is bound in them."""
    asked: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, bound: Any, *_: Any) -> None:
        asked.append((statement, bound))

    event.listen(database.engine, "before_cursor_execute", note)
    yield asked
    event.remove(database.engine, "before_cursor_execute", note)


def test_a_trace_is_a_handful_of_statements_however_many_lots_are_behind_it(demo: Demo) -> None:
    with demo.database.read() as session:
        lot = get_lot(session, demo.code("$p3.drawn_lot"))
        with statements_of(demo.database) as for_trace:
            trace = trace_lot(session, lot)
        with statements_of(demo.database) as for_holds:
            holds_reaching(session, [lot.id], trace.graph)
        assert len(trace.composition.visited) > 300
        assert len(for_trace) <= 18, for_trace
        assert len(for_holds) <= 3, for_holds
        if demo.database.is_sqlite:
            # The tables here are too small for PostgreSQL to look at an index; SQLite looks at no sizes.
            for statement, bound in for_trace:
                # `journal_head` has one row per site.
                assert tables_scanned(session, statement, bound) <= {"near", "json_each", "journal_head"}, statement


def tables_scanned(session: Session, statement: str, bound: Any) -> set[str]:
    """What a statement reads from end to end instead of by an index."""
    plan = session.connection().exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", bound)
    return {row.detail.split()[1] for row in plan if row.detail.startswith("SCAN ")}
