"""Goal: what is stored about lineage says what a walk over the lines says, however the facts came in.

Method: random histories (`shuffled_history`) are told in the order in which they happened, and again shuffled:
back-dated feeds, charges and draws, late moistures and residence data, lines corrected and withdrawn, vessels proven
empty, drawn from beyond what they hold. Vessels are worked out a few lines at a time, so that standings are stored,
compared and thrown away within a few lines; and a great cut-off is in force for some, so that something is cut.
"""

from collections.abc import Iterable
from datetime import datetime
from fractions import Fraction
from random import Random
from typing import Any

import pytest
from gate import stamp
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from line_steps import at
from plant_fixture import Plant
from shuffled_history import Telling, random_history, told
from sqlalchemy import select
from sqlmodel import Session
from stored_lineage import NONE, UNIT, Told, told_by_walking, told_in_advance

from service.balances.queries import Claimable
from service.core.mixture import FINE
from service.journal.read import known_now
from service.lineage import derive, derive_vessel, descent, extent
from service.lineage.derive_all import TABLES, derive_all
from service.lineage.graph import LotGraph
from service.lineage.holds import holds_reaching
from service.lineage.stored import derived_lots
from service.lineage.tables import VesselStanding, plain
from service.lineage.tracer import shares_onward
from service.lots.queries import get_lot, lots_by_id

# An example takes seconds, so a failing one is shown as it is and not made smaller.
one_database = settings(
    max_examples=5, suppress_health_check=[HealthCheck.function_scoped_fixture], phases=[Phase.reuse, Phase.generate]
)


@pytest.fixture(autouse=True)
def _short_stretches(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(derive_vessel, "LINES_AT_A_TIME", 4)
    monkeypatch.setattr(derive_vessel, "NEWEST_KEPT", 2)
    monkeypatch.setattr(derive_vessel, "KEPT_EVERY", 3)


def counted(telling: Telling) -> set[str]:
    return {code for name, code in telling.codes.items() if name.startswith("loaded")}


def check_against_walk(telling: Telling) -> None:
    """What is stored now of every lot told so far is what its lines say."""
    with telling.plant.database.read() as session:
        graph = LotGraph(session)
        for name, code in telling.codes.items():
            stored = told_in_advance(session, code)
            walked = told_by_walking(graph, session, code, counted(telling))
            if walked is None or stored is None:
                assert walked is stored, name
                continue
            assert stored.differs_from(walked) == [], name
            assert sum(stored.shares.values()) + stored.remainder == 1


def by_name(session: Session, telling: Telling) -> dict[str, Told]:
    """What is stored of every made lot, by the names of the history."""
    name_of = {code: name for name, code in telling.codes.items()}
    stored = {name: told_in_advance(session, code) for name, code in telling.codes.items()}
    return {name: one.renamed(name_of) for name, one in stored.items() if one is not None}


def stored_rows(session: Session) -> dict[str, set[tuple[object, ...]]]:
    """All that holds now of what was worked out, standings apart: which of them are kept follows from the order."""
    rows: dict[str, set[tuple[object, ...]]] = {}
    for table in (plain(table) for table in TABLES if table is not VesselStanding):
        columns = [column for column in table.c if column.name not in ("known_from", "known_to")]
        query = select(*columns)
        if "known_to" in table.c:
            query = query.where(table.c.known_to.is_(None))
        rows[table.name] = {tuple(row) for row in session.execute(query)}
    return rows


def derive_anew(plant: Plant) -> None:
    plant.database.write(lambda session: derive_all(session, lambda now: Claimable(now).kept_by_run))


@one_database
@given(data=st.data(), cut_off=st.sampled_from([FINE // 10**6, FINE * 3 // 101]))
def test_facts_in_any_order_end_in_the_same_stored_answers(plant: Plant, data: st.DataObject, cut_off: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(derive, "SHARE_CUT_OFF", cut_off)
        derive_anew(plant)  # what earlier examples left is from now on cut off as this one is
        history = random_history(data)
        happened = told(plant, history.facts)
        order = Random(data.draw(st.integers(0, 2**32), label="order"))
        shuffled = told(plant, history.facts, order, check_against_walk)
        with plant.database.read() as session:
            first, second = by_name(session, happened), by_name(session, shuffled)
            assert first.keys() == second.keys()
            assert {name: first[name].differs_from(second[name]) for name in first} == {name: [] for name in first}
            worked_out = stored_rows(session)
        derive_anew(plant)
        with plant.database.read() as session:
            assert stored_rows(session) == worked_out
        check_against_walk(happened)


@pytest.fixture
def walk_all(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """As if every history were short."""
    limit(monkeypatch, 10**9)
    return monkeypatch


def limit(monkeypatch: pytest.MonkeyPatch, most: int, listed: int = 2_000) -> None:
    """Walk histories of at most so many pieces; longer ones are told as worked out, up to `listed` origins in full."""
    monkeypatch.setattr(extent, "WALKED_MAX", most)
    monkeypatch.setattr(extent, "LISTED_MAX", listed)
    monkeypatch.setattr(descent, "WALKED_MAX", most - 3)  # as many are asked for at once


def told_history(plant: Plant, data: st.DataObject) -> tuple[Telling, list[str]]:
    """A history told, and the codes of some lots of it, the last one made here if any was."""
    telling = told(plant, random_history(data).facts)
    return telling, data.draw(
        st.lists(st.sampled_from(list(telling.codes.values())), min_size=2, max_size=3, unique=True)
    )


def parts_of(answer: Any) -> dict[str, Fraction]:
    return {row["bale"]: Fraction(row["share"]) for row in answer["shares"]}


def covered_by_ranges(session: Session, answer: Any) -> set[str]:
    """Origin lots in what was charged into the vessels of a wide answer until their ends, by walking; and the named."""
    graph = LotGraph(session)
    codes = {one for one in answer["may_contain"] if isinstance(one, str)}
    for one in (one for one in answer["may_contain"] if not isinstance(one, str)):
        until = datetime.fromisoformat(one["to"])
        for line in graph.fed_into(one["process"]):
            if line.start_at <= until:
                codes |= {lot.code for lot in lots_by_id(session, graph.trace(line.lot_id or 0).may_contain).values()}
    return codes


def check_wide_trace(plant: Plant, walked: Any, code: str) -> None:
    wide, expanded = trace_of(plant, code), trace_of(plant, code, "?expand=true")
    with plant.database.read() as session:
        stored = told_in_advance(session, code)
        if stored is None:
            assert wide == walked
            return
        assert covered_by_ranges(session, wide) == set(walked["may_contain"])
    assert sorted(expanded["may_contain"]) == sorted(walked["may_contain"])
    first, second = parts_of(wide), parts_of(walked)
    assert sum(first.values()) + Fraction(wide["remainder"]) == 1
    for origin in first.keys() | second.keys():
        assert abs(first.get(origin, NONE) - second.get(origin, NONE)) <= stored.cut + 2 * UNIT
    assert wide["post_consumer_share_percent"] == walked["post_consumer_share_percent"]
    ranges = [one for one in wide["may_contain"] if not isinstance(one, str)]
    if not walked["may_contain"]:  # out of an empty vessel: one may be named, and holds nothing, as was asserted above
        return
    assert len(wide["why_wide"]) == len(ranges)
    for why, one in zip(wide["why_wide"], ranges, strict=True):
        assert one["vessel"] in why
        assert one["from"][:10] in why


def trace_of(plant: Plant, code: str, query: str = "") -> Any:
    return plant.get(f"/v1/lots/{code}/trace{query}")


def check_wide_descent(plant: Plant, walked: Any, code: str) -> None:
    """Lots listed and lots out of the vessels named are all there are; the shares are those of the walk."""
    wide = plant.get(f"/v1/lots/{code}/descendants")
    exact = {row["lot"]: Fraction(row["share"]) for row in walked["affected"]}
    listed = {row["lot"]: Fraction(row["share"]) for row in wide["affected"]}
    with plant.database.read() as session:
        graph = LotGraph(session)
        covered = set(listed)
        for one in wide["also_from"]:
            since = datetime.fromisoformat(one["from"])
            drawn = [line for line in graph.made_in(one["process"]) if (line.end_at or line.start_at) >= since]
            reached = graph.descendants_of(line.lot_id or 0 for line in drawn)
            covered |= {lot.code for lot in lots_by_id(session, reached).values()}
    assert covered == set(exact)
    assert listed.keys() <= exact.keys()
    for lot in exact:
        assert abs(listed.get(lot, 0) - exact[lot]) <= allowed(exact.values()), lot


def allowed(shares: Iterable[Fraction]) -> Fraction:
    """How far shares on the way down may be off: what is faint is followed no further."""
    is_followed = all(not share or share > Fraction(1, 10**4) for share in shares)
    return 40 * UNIT if is_followed else Fraction(1, 10**4)


@one_database
@given(data=st.data())
def test_a_wide_answer_says_what_the_walk_says(plant: Plant, walk_all: pytest.MonkeyPatch, data: st.DataObject) -> None:
    limit(walk_all, 10**9)
    _, codes = told_history(plant, data)
    up = {code: trace_of(plant, code) for code in codes}
    down = {code: plant.get(f"/v1/lots/{code}/descendants") for code in codes}
    recalled = {code: plant.get(f"/v1/recall?lot={code}") for code in codes}
    for code in codes:
        limit(walk_all, 0)
        told_in_full = trace_of(plant, code)
        assert sorted(told_in_full["may_contain"]) == sorted(up[code]["may_contain"])
        assert told_in_full["unattributed_lots"] == up[code]["unattributed_lots"]
        assert told_in_full["steps"] == up[code]["steps"]
        limit(walk_all, 0, listed=-1)
        check_wide_trace(plant, up[code], code)
        check_wide_descent(plant, down[code], code)
        again = plant.get(f"/v1/recall?lot={code}")
        first, second = ({row["lot"]: row for row in answer["lots"]} for answer in (recalled[code], again))
        assert first.keys() == second.keys()
        shares = [Fraction(row["share"]) for row in first.values()]
        for lot, row in first.items():
            # A share too small to be kept apart is not told.
            assert abs(Fraction(row["share"]) - Fraction(second[lot]["share"] or 0)) <= allowed(shares)


@one_database
@given(data=st.data())
def test_holds_and_shares_onward_are_stored_as_they_are_walked(plant: Plant, data: st.DataObject) -> None:
    telling, held = told_history(plant, data)
    for code in held:
        plant.post("/v1/holds", {"lot": code, "cause": f"smell of {code}"})
    with plant.database.read() as session:
        ids = {code: get_lot(session, code).id for code in telling.codes.values()}
        assert holds_reaching(session, ids.values()) == holds_reaching(session, ids.values(), LotGraph(session))
        for asked in ([ids[code] for code in held], *([lot_id] for lot_id in ids.values())):
            exact = {lot: Fraction(share, 10**12) for lot, share in LotGraph(session).trace_down(asked)}
            onward = {lot: Fraction(share, 10**12) for lot, share in shares_onward(session, asked).items()}
            assert onward.keys() <= exact.keys()
            for lot, share in exact.items():
                assert abs(onward.get(lot, 0) - share) <= allowed(exact.values())


@one_database
@given(data=st.data())
def test_an_amendment_keeps_what_was_known_and_taken_back_it_restores_it(plant: Plant, data: st.DataObject) -> None:
    telling = told(plant, random_history(data).facts)
    made = {name: code for name, code in telling.codes.items() if name.startswith(("made", "drawn"))}
    origin = data.draw(st.sampled_from([name for name in telling.codes if name.startswith(("origin", "loaded"))]))
    before_at = stamp(plant)
    with plant.database.read() as session:
        before, known = by_name(session, telling), known_now(session)
        ids = {get_lot(session, code).id for code in made.values()}
        stored = derived_lots(session, ids)
    answers = {name: trace_of(plant, code) for name, code in made.items()}
    one = {"lot": telling.codes[origin], "amount": "mass", "mass_kg": "7"}
    where = data.draw(st.sampled_from(["SILO", "TOWER", *telling.runs]))
    if where in telling.runs:
        plant.post(f"/v1/runs/{telling.runs[where]}/feeds", {"feeds": [one | {"start_at": at(11)}]})
    else:
        hour = data.draw(st.integers(100, 200)) / 100 + 0.001
        plant.post(f"/v1/vessels/{telling.vessels[where]}/charges", one | {"start_at": at(hour)})
    telling.lines["late"] = telling.newest_line()
    check_against_walk(telling)
    with plant.database.read() as session:
        assert derived_lots(session, ids, known) == stored
    for name, code in made.items():
        earlier = trace_of(plant, code, f"?known_at={before_at}")
        assert {key: earlier[key] for key in ANSWERED} == {key: answers[name][key] for key in ANSWERED}
    telling.correct("late", withdraw=True)
    with plant.database.read() as session:
        after = by_name(session, telling)
        assert {name: before[name].differs_from(after[name]) for name in before} == {name: [] for name in before}
        assert derived_lots(session, ids, known) == stored


ANSWERED = ("shares", "may_contain", "remainder", "why_wide", "unattributed_lots", "post_consumer_share_percent")
