"""Goal: what is kept in memory of lineage never shows: not after any correction, not beside another process, not after
a write that came to nothing.

Method: two processes on one database (two `Database` objects, each with its own memory) are asked before and after each
kind of change, and a third that never was asked before. All must give the same bytes, and other ones than before.
Histories count as long here, so that short ones are answered out of what is kept.
"""

import json
from collections.abc import Callable, Iterator
from contextlib import suppress
from itertools import product
from typing import Any

import pytest
from gate import supplier
from line_steps import at, charge, discharge, draw, feed, load, opening, out, start, vessel
from made_lines import id_of
from plant_fixture import Plant
from sqlalchemy import select, text, update
from sqlmodel import Session

from service.db import KEPT, Database
from service.lineage import descent, extent, kept
from service.lineage.down import trace_down_out
from service.lineage.kept import kept_of, masses_g, members_by_source
from service.lineage.tables import SourceMember, plain
from service.lineage.trace import trace_lot
from service.lineage.trace_out import trace_out
from service.lots.queries import get_lot
from service.lots.tables import Line

AWKWARD_NAME = 'Öko & "Söhne" \\ 回\u2028收'


@pytest.fixture(autouse=True)
def _nothing_is_walked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(extent, "WALKED_MAX", 0)
    monkeypatch.setattr(descent, "WALKED_MAX", -1)


@pytest.fixture
def other(plant: Plant) -> Iterator[Database]:
    """The same database as another process sees it."""
    database = Database(plant.database.url)
    yield database
    database.close()


class Washed:
    """Two loads washed into one flake lot, which is charged into a silo and drawn from it."""

    def __init__(self, plant: Plant) -> None:
        for code, name in (("NORTH", AWKWARD_NAME), ("SOUTH", "South")):
            supplier(plant, code, name=name)
        self.plant = plant
        self.north, self.south = load(plant, "NORTH", 600), load(plant, "SOUTH", 400)
        self.run = start(plant, "wash")
        for lot in (self.north, self.south):
            feed(plant, self.run, lot)
        [self.flake] = discharge(plant, self.run, out("flake", "FLAKE", "product", "flake", "900"))
        self.silo = vessel(plant, "SILO")
        charge(plant, self.silo, self.flake, 4)
        self.drawn = draw(plant, self.silo, "300", 5)

    def delivery_of(self, lot: str) -> Any:
        return self.plant.get(f"/v1/deliveries/{self.plant.get(f'/v1/lots/{lot}')['delivery_id']}")

    def line_of(self, lot: str) -> int:
        line = plain(Line)
        with self.plant.database.read() as session:
            query = select(line.c.id).where(line.c.lot_id == id_of(self.plant, lot), line.c.direction == "in")
            return session.execute(query.order_by(line.c.id)).scalars().first() or 0


def answers(database: Database, washed: Washed) -> list[bytes]:
    """Every answer about the small history, as its bytes."""
    found = []
    for code in (washed.flake, washed.drawn):
        with database.read() as session:
            found.append(trace_out(session, trace_lot(session, get_lot(session, code))).as_json())
    for code in (washed.north, washed.south):
        with database.read() as session:
            found.append(trace_down_out(session, [get_lot(session, code)]).as_json())
    return found


def other_supplier(washed: Washed) -> None:
    delivery = washed.delivery_of(washed.south)
    change = {"supplier": "NORTH", "reason": "note of the other yard"}
    washed.plant.post(f"/v1/deliveries/{delivery['id']}/corrections", change)


def other_weight(washed: Washed) -> None:
    delivery = washed.delivery_of(washed.south)
    pallets = {"kind": "pallet", "pieces": 2, "per_piece_kg": "22", "reason": "seen on the truck"}
    washed.plant.post(f"/v1/deliveries/{delivery['id']}/deductions", pallets)


def other_moisture(washed: Washed) -> None:
    delivery = washed.delivery_of(washed.south)
    stated = {"moisture_fraction": "0.1", "basis": "measured", "taken_at": at(0.1), "reason": "sample was dried"}
    washed.plant.post(f"/v1/deliveries/{delivery['id']}/moisture", stated)


def smaller_feed(washed: Washed) -> None:
    change = {"mass_kg": "100", "reason": "only a part of it"}
    washed.plant.post(f"/v1/lines/{washed.line_of(washed.south)}/corrections", change)


def feed_withdrawn(washed: Washed) -> None:
    washed.plant.post(
        f"/v1/lines/{washed.line_of(washed.south)}/corrections", {"withdraw": True, "reason": "never fed"}
    )


def fed_late(washed: Washed) -> None:
    feed(washed.plant, washed.run, load(washed.plant, "SOUTH", 50))


def charged_late(washed: Washed) -> None:
    charge(washed.plant, washed.silo, opening(washed.plant, "flake", "FLAKE", "77"), 4.5)


CHANGES: tuple[Callable[[Washed], None], ...] = (
    other_supplier,
    other_weight,
    other_moisture,
    fed_late,
    charged_late,
    smaller_feed,
    feed_withdrawn,
)


def test_a_change_is_seen_at_once_in_every_process(plant: Plant, other: Database) -> None:
    washed = Washed(plant)
    before = answers(plant.database, washed)
    assert answers(other, washed) == before
    for change in CHANGES:
        change(washed)
        after = answers(plant.database, washed)
        assert after != before, change.__name__
        assert answers(other, washed) == after, change.__name__
        assert answers(other, washed) == after, change.__name__  # out of what is kept by now
        fresh = Database(plant.database.url)
        try:
            assert answers(fresh, washed) == after, change.__name__
        finally:
            fresh.close()
        before = after


def test_what_is_too_long_to_list_is_listed_again_once_it_is_short(
    plant: Plant, other: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(extent, "LISTED_MAX", 1)
    washed = Washed(plant)
    assert b'"vessel":"SILO"' in answers(other, washed)[1]
    assert b'"vessel":"SILO"' in answers(other, washed)[1]
    feed_withdrawn(washed)
    listed = answers(other, washed)[1]
    assert b'"may_contain":["%b"]' % washed.north.encode() in listed
    assert listed == answers(plant.database, washed)[1]


def test_a_write_that_comes_to_nothing_leaves_nothing_behind(plant: Plant) -> None:
    washed = Washed(plant)
    before = answers(plant.database, washed)

    class Regretted(Exception):
        pass

    def meddle(session: Session) -> None:
        session.execute(update(plain(SourceMember)).values(weight=7))
        session.execute(text("UPDATE lot_stock SET on_hand_g = 5"))
        assert kept_of(session) is None
        found = members_by_source(session, [washed.run])[washed.run]
        assert set(found.weights) == {7}
        masses_g(session, found.lots)
        trace_out(session, trace_lot(session, get_lot(session, washed.flake))).as_json()
        raise Regretted

    with suppress(Regretted):
        plant.database.write(meddle)
    assert answers(plant.database, washed) == before


def test_a_new_connection_begins_with_nothing_kept(plant: Plant) -> None:
    """Behind it may be another server, which had not been told everything when it took over."""
    washed = Washed(plant)
    answers(plant.database, washed)
    with plant.database.read() as session:
        first = kept_of(session)
        assert first is not None
        assert session.info[KEPT]
    plant.database.engine.dispose()
    with plant.database.read() as session:
        session.execute(text("SELECT 1"))
    with plant.database.read() as session:
        assert kept_of(session) is not first


def test_memory_is_bounded_and_no_answer_depends_on_it(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    washed = Washed(plant)
    before = answers(plant.database, washed)
    monkeypatch.setattr(kept, "LOTS_MAX", 1)
    monkeypatch.setattr(kept, "MASSES_MAX", 0)
    fresh = Database(plant.database.url)
    try:
        assert answers(fresh, washed) == before
        assert answers(fresh, washed) == before
        with fresh.read() as session:
            shelf = kept_of(session)
            assert shelf is not None
            assert shelf.lots_held <= 1
    finally:
        fresh.close()


def test_what_is_written_at_once_is_what_the_schema_would_write(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    washed = Washed(plant)
    with plant.database.read() as session:
        for walked, listed in product((0, 10**9), (-1, 2_000)):
            monkeypatch.setattr(extent, "WALKED_MAX", walked)
            monkeypatch.setattr(extent, "LISTED_MAX", listed)
            monkeypatch.setattr(descent, "WALKED_MAX", walked - 1)
            for code in (washed.flake, washed.drawn, washed.north):
                trace = trace_lot(session, get_lot(session, code))
                for expand in (False, True):
                    answer = trace_out(session, trace, expand=expand)
                    assert answer.as_json() == answer.as_model().model_dump_json(by_alias=True).encode()
                down = trace_down_out(session, [get_lot(session, code)])
                assert down.as_json() == down.as_model().model_dump_json(by_alias=True).encode()
        trace = trace_lot(session, get_lot(session, washed.drawn))
        suppliers = json.loads(trace_out(session, trace).as_json())["suppliers"]
    assert {row["supplier"] for row in suppliers} == {AWKWARD_NAME, "South"}
