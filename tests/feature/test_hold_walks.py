"""Goal: reading the history in batches, and finding holds upwards, changes no answer on any plant.

Method: random small plants are booked through the real verbs (runs with internal loops, part feeds, vessels with
heels, first-in-first-out with and without proof). The same question is asked in two ways: a walk that reads each
lot when it gets there against one that read ahead, also as known earlier; and the holds that reach a lot by walking
down from what is held against walking up from the lot.
"""

from feature.test_lineage_against_oracle import NUMBERS, Books
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from line_steps import at, charge, discharge, draw, feed, opening, out, start, vessel
from lineage_walks import part_of, reached_upwards, walked_down
from plant_fixture import Plant

from service.core.lineage import trace_up
from service.journal.read import known_now
from service.lineage.graph import LotGraph
from service.lineage.holds import holds_reaching
from service.lots.queries import get_lot

PROOF = {"proof_sha256": "ab" * 32, "proof_from": at(0)}


def looped_run(books: Books) -> None:
    """A run with ejects that run back into it, in part; what is left of them may go anywhere."""
    run, fed = start(books.plant, "flake_sorting", books.hour), books.later()
    lot, kg = books.portion()
    feed(books.plant, run, books.codes[lot], str(kg), start_at=at(fed))
    books.later()
    ejects = out("flake", "FLAKE", "internal_loop", "ejects", "30", hour=books.hour)
    accepts = out("flake", "FLAKE", "product", "accepts", "40", hour=books.hour)
    first, second = discharge(books.plant, run, ejects, accepts)
    looped, _ = books.keep(first, 30), books.keep(second, 40)
    feed(books.plant, run, books.codes[looped], "10", start_at=at(books.later()), internal_loop=True)
    books.left_kg[looped] -= 10


def fill_and_draw(books: Books, silo: int, content_kg: dict[int, int]) -> None:
    """Two charges that overlap in time, then a draw of no more than there is."""
    begun = books.later()
    for delay in (0.0, 0.05):
        if any(books.left_kg.values()):
            lot, kg = books.portion()
            span = {"start_at": at(begun + delay), "end_at": at(begun + delay + 0.1)}
            body = {"lot": books.codes[lot], "amount": "mass", "mass_kg": str(kg)} | span
            books.plant.post(f"/v1/vessels/{silo}/charges", body)
            content_kg[silo] = content_kg.get(silo, 0) + kg
    books.hour = begun + 0.2
    if content_kg.get(silo, 0) > 1:
        kg = books.choose(st.integers(1, content_kg[silo]))
        body = {"kind": "flake", "material": "FLAKE", "mass_kg": str(kg), "moisture_fraction": "0"}
        span = {"start_at": at(books.hour), "end_at": at(books.hour + 0.1)}
        books.keep(str(books.plant.post(f"/v1/vessels/{silo}/draws", body | span)["drawn_lot"]), kg)
        content_kg[silo] -= kg
    books.hour += 0.1


def random_plant(plant: Plant, data: st.DataObject) -> Books:
    books = Books(plant, data)
    mixed = vessel(plant, f"MIXED-{next(NUMBERS)}")
    queued = vessel(plant, f"QUEUED-{next(NUMBERS)}", "first_in_first_out")
    proven = vessel(plant, f"PROVEN-{next(NUMBERS)}", "first_in_first_out", **PROOF)
    content_kg: dict[int, int] = {}
    books.arrive()
    books.arrive()
    steps = ["arrive", "run", "loop", "mixed", "queued", "proven", "overdrawn"]
    for step in data.draw(st.lists(st.sampled_from(steps), min_size=6, max_size=14)):
        match step:
            case "run" if any(books.left_kg.values()):
                books.run()
            case "loop" if any(books.left_kg.values()):
                looped_run(books)
            case "mixed":
                fill_and_draw(books, mixed, content_kg)
            case "queued":
                fill_and_draw(books, queued, content_kg)
            case "proven":
                fill_and_draw(books, proven, content_kg)
            case "overdrawn":
                books.silo(mixed, False)
            case _:
                books.arrive()
    return books


def test_a_proof_narrows_a_walk_down_as_it_narrows_a_walk_up(plant: Plant) -> None:
    silo = vessel(plant, "SILO-1", "first_in_first_out", **PROOF)
    charged, drawn = [], []
    for hour in (1, 3):
        charged.append(opening(plant, "flake", "FLAKE", "500"))
        charge(plant, silo, charged[-1], hour)
        drawn.append(draw(plant, silo, "500", hour + 1))
    with plant.database.read() as session:
        (early, late), (first, second) = ([get_lot(session, code).id for code in codes] for codes in (charged, drawn))
        assert LotGraph(session).reached_from([early]) == {early: early, first: early}
        assert LotGraph(session).reached_from([late]) == {late: late, second: late}
        assert LotGraph(session).trace(second).may_contain == {late}


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_up_and_down_find_the_same_holds_on_random_plants(plant: Plant, data: st.DataObject) -> None:
    books = random_plant(plant, data)
    codes = list(books.codes.values())
    held_codes = data.draw(st.lists(st.sampled_from(codes), min_size=1, max_size=4, unique=True))
    with plant.database.read() as session:
        ids = {code: get_lot(session, code).id for code in codes}
        held = sorted(ids[code] for code in held_codes)
        graph = LotGraph(session)
        for lot_id in ids.values():
            graph.trace(lot_id)
        assert reached_upwards(graph, ids.values(), held) == LotGraph(session).reached_from(held)
        for lot_id in ids.values():
            assert graph.possible_parents_of([lot_id]) == graph.parents_of(lot_id).possible
    for code in held_codes[:2]:
        plant.post("/v1/holds", {"lot": code, "cause": f"smell of {code}"})
    with plant.database.read() as session:
        graph = LotGraph(session)
        for lot_id in ids.values():
            graph.trace(lot_id)
        found = holds_reaching(session, ids.values(), graph)
        assert found == holds_reaching(session, ids.values())
        assert ids[held_codes[0]] in found


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_reading_ahead_changes_no_answer_on_random_plants(plant: Plant, data: st.DataObject) -> None:
    codes = list(random_plant(plant, data).codes.values())
    with plant.database.read() as session:
        ids = [get_lot(session, code).id for code in codes]
        size = data.draw(st.sampled_from([None, 0.5, 0.8]))
        known = None if size is None else part_of(known_now(session), size)
        unread = LotGraph(session, known)
        for lot_id in ids:
            assert LotGraph(session, known).trace(lot_id) == trace_up(lot_id, unread.parents_of)
            assert LotGraph(session, known).reached_from([lot_id]) == walked_down(LotGraph(session, known), lot_id)
