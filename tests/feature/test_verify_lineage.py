"""Goal: `verify` finds what is wrong in the stored compositions, also where every row agrees with every other.

Method: a small line is booked over HTTP: bales washed, flake into silos, flake drawn, mixed again, packed. Then wrong
compositions are stored with right checksums and with all rows that follow from them, as a mistake of the code that
works them out would: only the walks over the lines can tell. Single flips, deletions and insertions are in tests/fault.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pytest
from alembic import command
from alembic.config import Config
from line_steps import charge, opening, vessel
from made_lines import id_of, plain_line, timed_line
from plant_fixture import Plant
from sqlalchemy import delete, insert, select, update
from sqlmodel import SQLModel, col
from tampering import table_of, unguarded

from service.balances.derive import derive_history, derive_if_missing
from service.core.mixture import FINE, Mixture
from service.db import Database, bundled
from service.journal.faults import Fault
from service.lineage import row_sums, verify_meaning
from service.lineage.standing import body_of as standing_body
from service.lineage.standing import standing_of
from service.lineage.stored import Derived, body_of, derived_lots, shares_e12
from service.lineage.tables import Derivation, Reach, SourceMember, SourceShare, VesselReach, VesselStanding
from service.lots.tables import Line, LotStock
from service.verify import examine, verify_database

BEFORE_DERIVATIONS = "0004"


def test_what_the_verbs_stored_agrees_and_is_compared(plant: Plant) -> None:
    lots = plain_line(plant)
    report = examine(plant.database)
    assert report.faults == []
    assert (report.compositions, report.shares_walked, report.reaches_walked) == (len(lots),) * 3
    assert report.derived_rows > 30
    assert report.contents_walked > 0
    assert (report.shares_traced, report.reaches_traced, report.not_compared) == (0, 0, 0)


def test_what_only_the_exact_walk_knows_is_compared_with_that(plant: Plant) -> None:
    lots = timed_line(plant)
    report = examine(plant.database)
    assert report.faults == []
    assert (report.shares_walked, report.shares_traced) == (0, len(lots))
    assert report.reaches_walked + report.reaches_traced == len(lots)


# Wrong compositions that agree with themselves --------------------------------------------------------------


def replaced(plant: Plant, code: str, change: Callable[[Derived], Derived]) -> tuple[Fault, ...]:
    """Store another composition of a lot, with everything that follows from it in other tables; verify."""
    lot_id = id_of(plant, code)
    with plant.database.read() as session:
        wrong = change(derived_lots(session, [lot_id])[lot_id])
    rows: Mapping[type[SQLModel], list[dict[str, int]]] = {
        SourceShare: [{"source_id": s, "lot_id": lot_id, "share_e12": part} for s, part in shares_e12(wrong).items()],
        Reach: [{"source_id": s, "lot_id": lot_id, "until_code": until} for s, until in wrong.reach.items()],
    }

    def store(session: Any) -> None:
        session.execute(update(Derivation).where(col(Derivation.lot_id) == lot_id).values(body=body_of(wrong)))
        for table, fresh in rows.items():
            session.execute(delete(table_of(table)).where(table_of(table).c.lot_id == lot_id))
            if fresh:
                session.execute(insert(table_of(table)), fresh)

    plant.database.write(store)
    return verify_database(plant.database)


def moved(mixture: Mixture, weight: int) -> Mixture:
    """Some weight taken from the greatest source and given to the least."""
    least, *_, greatest = sorted(mixture.weights, key=mixture.weights.__getitem__)
    weights = dict(mixture.weights)
    weights[least] += weight
    weights[greatest] -= weight
    return replace(mixture, weights=weights)


@pytest.mark.parametrize("line", [plain_line, timed_line])
def test_shares_off_by_a_millionth_are_found_by_the_walk(plant: Plant, line: Callable[[Plant], list[str]]) -> None:
    last = line(plant)[-1]
    faults = replaced(plant, last, lambda stored: replace(stored, mixture=moved(stored.mixture, FINE // 10**6)))
    assert [(fault.tables, fault.key, fault.column) for fault in faults] == [
        (("derivation",), f"lot_id={id_of(plant, last)}", "body")
    ]
    assert "share of lot" in faults[0].recorded
    assert faults[0].recomputed.endswith("by a walk over the lines")


def test_a_share_that_is_called_cut_off_is_found_where_it_is_given_to_another(plant: Plant) -> None:
    last = plain_line(plant)[-1]

    def cut_and_given(stored: Derived) -> Derived:
        least, *_, greatest = sorted(stored.mixture.weights, key=stored.mixture.weights.__getitem__)
        weights = dict(stored.mixture.weights)
        gone = weights.pop(least)
        weights[greatest] += gone // 2
        return replace(stored, mixture=replace(stored.mixture, weights=weights, cut=gone - gone // 2))

    [fault] = replaced(plant, last, cut_and_given)
    assert "share of lot" in fault.recorded


def test_a_recycled_part_that_does_not_follow_is_found(plant: Plant) -> None:
    last = plain_line(plant)[-1]

    def more(stored: Derived) -> Derived:
        return replace(stored, mixture=replace(stored.mixture, recycled=stored.mixture.recycled + FINE // 1_000))

    [fault] = replaced(plant, last, more)
    assert fault.recorded.startswith("post-consumer")


@pytest.mark.parametrize("line", [plain_line, timed_line])
def test_a_lot_that_reaches_less_far_than_the_lines_is_found(plant: Plant, line: Callable[[Plant], list[str]]) -> None:
    """Such a lot would not be held with what it may contain."""
    made = line(plant)[0]
    faults = replaced(plant, made, lambda stored: replace(stored, reach={}))
    derived = [
        fault for fault in faults if fault.tables == ("derivation",) and fault.key == f"lot_id={id_of(plant, made)}"
    ]
    assert [fault.recorded.startswith("cannot contain lot") for fault in derived] == [True]


def test_a_lot_that_reaches_further_than_the_lines_is_found(plant: Plant) -> None:
    washed = plain_line(plant)
    other = id_of(plant, washed[1])
    with plant.database.read() as session:
        more = derived_lots(session, [other])[other].reach
    faults = replaced(plant, washed[0], lambda stored: replace(stored, reach={**stored.reach, **more}))
    assert any(fault.recorded.startswith("may contain lot") for fault in faults if fault.tables == ("derivation",))


def test_a_content_that_does_not_follow_is_found(plant: Plant) -> None:
    plain_line(plant)
    table = table_of(VesselStanding)
    with plant.database.read() as session:
        standings = [(row, standing_of(row.at_us, row.body)) for row in session.execute(select(table))]
    row, standing = [(row, one) for row, one in standings if one.content and len(one.content.weights) > 1][-1]
    assert standing.content is not None
    wrong = replace(standing, content=moved(standing.content, FINE // 1_000))
    here = (table.c.period_id == row.period_id, table.c.at_us == row.at_us)
    body = standing_body(wrong, row.number)
    plant.database.write(lambda session: session.execute(update(table).where(*here).values(body=body)))
    faults = verify_database(plant.database)
    assert [(fault.tables, fault.key, fault.column) for fault in faults] == [
        (("vessel_standing",), f"period_id={row.period_id} at_us={row.at_us}", "body")
    ]
    wrong = replace(standing, out_to=standing.out_to + 1)
    body = standing_body(wrong, row.number)
    plant.database.write(lambda session: session.execute(update(table).where(*here).values(body=body)))
    assert f"drawn {standing.out_to + 1}" in [fault.recorded for fault in verify_database(plant.database)]


# Rows exchanged, states, nothing worked out -----------------------------------------------------------------


@pytest.mark.parametrize("table", [SourceShare, SourceMember, Reach, VesselReach])
def test_exchanged_values_are_found_in_both_rows(plant: Plant, table: type[SQLModel]) -> None:
    plain_line(plant)
    rows = table_of(table)
    *_, value = rows.columns
    with plant.database.read() as session:
        stored = list(session.execute(select(rows).order_by(*rows.primary_key.columns)))
    first = stored[0]
    second = next(row for row in stored if row._mapping[value.key] != first._mapping[value.key])

    def exchange(session: Any) -> None:
        for one, other in ((first, second), (second, first)):
            here = [column == one._mapping[column.key] for column in rows.primary_key.columns]
            session.execute(update(rows).where(*here).values({value.key: other._mapping[value.key]}))

    plant.database.write(exchange)
    keys = {fault.key for fault in verify_database(plant.database) if fault.tables == (rows.name,)}
    for row in (first, second):
        assert " ".join(f"{column.key}={row._mapping[column.key]}" for column in rows.primary_key.columns) in keys


def test_states_of_a_lot_that_leave_a_gap_or_overlap_are_found(plant: Plant) -> None:
    lots = plain_line(plant)
    washed = id_of(plant, lots[0])
    wash = min(run["id"] for run in plant.get("/v1/runs") if run["step"] == "wash")
    fed_first = next(line for line in plant.get(f"/v1/runs/{wash}")["lines"] if line["direction"] == "in")
    plant.post(f"/v1/lines/{fed_first['id']}/corrections", {"mass_kg": "800", "reason": "misread"})
    assert verify_database(plant.database) == ()
    table = table_of(Derivation)
    with plant.database.read() as session:
        ended = session.execute(
            select(table.c.known_to).where(table.c.lot_id == washed, table.c.known_to.is_not(None))
        ).scalar_one()
    for known_to in (ended - 1, ended + 1, None):
        here = (table.c.lot_id == washed, table.c.known_from < ended)
        ended_elsewhere = update(table).where(*here).values(known_to=known_to)
        plant.database.write(lambda session, change=ended_elsewhere: session.execute(change))  # type: ignore[misc]
        faults = verify_database(plant.database)
        assert any(fault.tables == ("derivation",) and fault.column == "known_to" for fault in faults), known_to


def moved_to(database: Database, revision: str) -> None:
    config = Config()
    config.set_main_option("script_location", str(bundled("migrations")))
    with database.engine.connect().execution_options(begin_mode="IMMEDIATE") as connection:
        config.attributes["connection"] = connection
        (command.upgrade if revision == "head" else command.downgrade)(config, revision)
    database.engine.dispose()


def test_a_history_from_before_is_told_to_be_worked_out(plant: Plant) -> None:
    plain_line(plant)
    moved_to(plant.database, BEFORE_DERIVATIONS)
    moved_to(plant.database, "head")
    assert [str(fault) for fault in verify_database(plant.database)] == [
        "derivation of all lots: recorded nothing, recomputed not worked out: run bale-to-pellet derive"
    ]
    derive_history(plant.database)
    assert verify_database(plant.database) == ()


def test_also_where_nothing_was_made_yet(plant: Plant) -> None:
    """A draw of tomorrow needs to know what was charged yesterday."""
    charge(plant, vessel(plant, "MIXED"), opening(plant, "flake", "FLAKE", "100"), 1)
    moved_to(plant.database, BEFORE_DERIVATIONS)
    moved_to(plant.database, "head")
    assert [fault.tables for fault in verify_database(plant.database)] == [("derivation",)]
    derive_if_missing(plant.database)
    assert verify_database(plant.database) == ()


def test_where_the_facts_do_not_agree_nothing_is_said_to_follow_from_them(plant: Plant) -> None:
    """A wrong stock is no fact, and stops nothing."""
    plain_line(plant)
    plant.database.write(lambda session: session.execute(delete(table_of(SourceShare))))
    plant.database.write(lambda session: session.execute(update(table_of(LotStock)).values(on_hand_g=1)))
    assert {"lot_stock", "source_share"} <= {name for fault in verify_database(plant.database) for name in fault.tables}
    with unguarded(plant.database) as connection:
        for guard in ("DROP TRIGGER line_no_update",) if plant.database.is_sqlite else ():
            connection.exec_driver_sql(guard)
        connection.execute(update(table_of(Line)).values(stream="another"))
    report = examine(plant.database)
    assert not report.is_lineage_compared
    assert not any("source_share" in fault.tables for fault in report.faults)


# Large histories --------------------------------------------------------------------------------------------


def test_of_many_lots_some_are_drawn_and_of_many_faults_some_are_named(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    lots = plain_line(plant)
    monkeypatch.setattr(verify_meaning, "ALL_MAX", 3)
    monkeypatch.setattr(verify_meaning, "SHARES_SAMPLED", 2)
    monkeypatch.setattr(verify_meaning, "REACHES_SAMPLED", 1)
    monkeypatch.setattr(row_sums, "NAMED_MAX", 2)
    monkeypatch.setattr(row_sums, "LOOKED_AT_ONCE", 1)
    report = examine(plant.database)
    assert (report.compositions, report.shares_walked, report.reaches_walked) == (len(lots), 2, 1)
    plant.database.write(lambda session: session.execute(delete(table_of(SourceShare))))
    named = [fault.key for fault in verify_database(plant.database) if fault.tables == ("source_share",)]
    assert 3 <= len(named) < 10
    assert named[-1] == "more rows"


def test_a_sample_is_drawn_from_all_of_the_history() -> None:
    drawn = verify_meaning.sample(range(1_000), 10)
    assert [number // 100 for number in drawn] == list(range(10))
    assert drawn == verify_meaning.sample(range(1_000), 10)
    assert verify_meaning.sample(range(3), 10) == [0, 1, 2]
