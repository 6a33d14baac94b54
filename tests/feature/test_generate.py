"""Goal: what `generate` writes in bulk is what the verbs would have written: it verifies, nothing in it breaks a rule
of the plant, it is the same for the same seed on both engines, and work can go on from there.

Method: a few days are generated on each engine and examined by the code that serves real plants: `verify`, the
balances computed anew from the lines, the account of every lot, the book of every vessel, traces. None of that code
takes part in the writing, but for the arithmetic of one balance.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy import make_url, select, text
from sqlmodel import Session, col

from service.app import make_writer
from service.balances.compute import compute_balance, tolerance_of
from service.balances.queries import detailed_balance_out, find_balance
from service.balances.record import figures
from service.cli import register_installation
from service.core.codes import identity_of
from service.db import Database
from service.errors import Conflict, Findings
from service.generate.history import END, Extent, Generated, generate
from service.journal.read import current
from service.journal.tables import JournalEntry
from service.lineage.trace import trace_lot
from service.lots.queries import lines_of_process
from service.lots.statuses import LotKind, Step
from service.lots.stock import accounts_of, check_account
from service.lots.tables import Line, Lot, Process
from service.verify import verify_database
from service.vessels.queries import vessel_levels
from service.weighbridge.record_delivery import record_delivery
from service.weighbridge.schemas import DeliveryIn

# Thirty cycles: five fills of each silo, many more clean-outs than usual.
DAYS = Extent(years=0.01, clean_out_every=3)
# Long enough for a little of everything with this seed.
WEEKS = Extent(years=0.03, seed=5, clean_out_every=3)


def written(database: Database, extent: Extent = DAYS) -> Generated:
    return generate(database, extent, register_installation, lambda *_: None)


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    opened = Database(database_url)
    yield opened
    opened.close()


def count(session: Session, query: str) -> int:
    found: Any = session.execute(text(query)).scalar_one()
    return int(found)


def test_what_was_written_verifies_and_keeps_every_rule(database: Database):
    generated = written(database)

    assert verify_database(database) == ()
    with database.read() as session:
        for table in ("lot", "lot_stock", "lot_mass", "line", "line_tare", "balance", "hold"):  # no master data
            assert count(session, f"SELECT COUNT(*) FROM {table}") == generated.rows.get(table, 0)
        for run in session.execute(current(Process).where(col(Process.is_closed))).scalars():
            stored = find_balance(session, run.id)
            assert stored is not None
            recomputed = figures(compute_balance(session, run, tolerance_of(session, run), with_doubt=False))
            assert {name: getattr(stored, name) for name in recomputed} == recomputed, f"{run.step} {run.id}"
        # Written as before doubt was worked out; such balances are answered without.
        assert stored is not None
        told = detailed_balance_out(session, stored)
        assert (told.u95_kg, told.doubt_verdict, told.detail) == (None, None, None)
        lots = session.execute(select(Lot)).scalars().all()
        findings = Findings()
        for account in accounts_of(session, [lot.id for lot in lots]).values():
            check_account(findings, account, 0, account.lot.code)
        assert findings.faults == []
        assert [lot.code for lot in lots if identity_of(lot.code) != lot.id] == []
        assert [level.overdrawn_dry_ug for level in vessel_levels(session, 1)] == [0] * 9
        assert lines_outside_their_process(session) == []
        entries = session.execute(select(JournalEntry).where(col(JournalEntry.log_no) == 1)).scalars().all()
        assert [entry.kind for entry in entries if entry.effective_at > entry.recorded_at] == []
        assert max(entry.recorded_at for entry in entries) < END


def lines_outside_their_process(session: Session) -> list[Line]:
    outside: list[Line] = []
    for process in session.execute(current(Process)).scalars():
        for line in lines_of_process(session, process.id):
            last = line.end_at or line.start_at
            if line.start_at < process.started_at or (process.ended_at is not None and last > process.ended_at):
                outside.append(line)
    return outside


def test_history_has_the_shape_it_promises(database: Database):
    written(database, WEEKS)

    with database.read() as session:
        by_step = {
            step: count(session, f"SELECT COUNT(*) FROM process WHERE version = 1 AND step = '{step}'")
            for step in (Step.WASH, Step.EXTRUSION, Step.PACKING, Step.SHIPPING, Step.REGRIND)
        }
        cycles = WEEKS.cycles
        assert by_step[Step.WASH] == 2 * cycles
        assert by_step[Step.EXTRUSION] == cycles
        assert min(by_step.values()) > 0, by_step
        bales = count(session, f"SELECT COUNT(*) FROM lot WHERE kind = '{LotKind.BALE}'")
        assert 13 * 2 * cycles < bales < 20 * 2 * cycles + 165, "13 to 20 a run, and what waits in the yard"
        for table in ("lot_mass", "measurement", "line", "balance", "process"):
            later = count(session, f"SELECT COUNT(*) FROM {table} WHERE version > 1")
            assert later > 0, f"no fact of {table} was ever corrected or followed up"
        assert count(session, "SELECT COUNT(*) FROM hold") > 0
        proven = "SELECT COUNT(*) FROM equipment_event JOIN equipment ON equipment.id = equipment_id WHERE code = '{}'"
        assert [count(session, proven.format(f"SILO-{n}")) > 0 for n in range(1, 7)] == [True] * 5 + [False]
        final = session.execute(
            select(Lot).where(col(Lot.kind) == LotKind.CONTAINER).order_by(col(Lot.id).desc()).limit(1)
        ).scalar_one()
        composition = trace_lot(session, final).composition
        assert composition.unattributed_at == frozenset(), "no vessel gave more than it held"
        assert len(composition.may_contain) > 400, "heels hand on far more than the bales of two wash runs"


def test_no_clean_out_when_none_is_asked_for(database: Database):
    written(database, Extent(years=0.005, clean_out_every=0))

    with database.read() as session:
        assert count(session, "SELECT COUNT(*) FROM equipment_event") == 0


def test_the_same_seed_writes_the_same_history_on_any_engine(database: Database, sqlite_template: Path, tmp_path: Path):
    roots = written(database, Extent(years=0.002, sites=2, seed=7)).roots

    def on_sqlite(name: str, seed: int) -> dict[int, str]:
        shutil.copyfile(sqlite_template, tmp_path / name)
        other = Database(f"sqlite:///{tmp_path / name}")
        try:
            return written(other, Extent(years=0.002, sites=2, seed=seed)).roots
        finally:
            other.close()

    assert on_sqlite("again.db", 7) == roots
    different = on_sqlite("other.db", 8)
    assert set(different) == set(roots) == {1, 2}
    assert not set(different.values()) & set(roots.values())
    assert roots[1] != roots[2], "plants differ from each other"


def test_a_database_that_holds_a_plant_is_refused_and_stays_as_it_is(database: Database):
    written(database, Extent(years=0.001))
    with database.read() as session:
        before = count(session, "SELECT COUNT(*) FROM journal")

    with pytest.raises(Conflict, match="PLANT-01"):
        written(database, Extent(years=0.001))

    with database.read() as session:
        assert count(session, "SELECT COUNT(*) FROM journal") == before


def test_work_goes_on_where_history_ends(database: Database):
    """Identities, ticket numbers and the head of the log are where the next verb needs them."""
    written(database, Extent(years=0.002))
    writer = make_writer(database, clock=lambda: END)
    gross = {"mass_kg": "39860", "instrument": "BRIDGE", "weighed_at": END - timedelta(minutes=5)}
    ticket = {"site": "PLANT-01", "supplier": "S01-01", "material": "BALES", "form": "bales", "arrived_at": END}
    body = DeliveryIn.model_validate(ticket | {"gross": gross, "nonfood_status": "unclassified", "note_count": 48})
    with database.read() as session:
        given = set(session.execute(text("SELECT ticket_no FROM delivery")).scalars())

    delivery = writer.run(1, lambda entry: record_delivery(entry, body))

    assert delivery.ticket_no not in given
    assert verify_database(database) == ()


def test_loading_needs_no_superuser_on_postgresql(postgresql_url: str):
    """References are then checked row by row, so tables must be filled in the order in which they refer."""
    url = make_url(postgresql_url)
    with psycopg.connect(url.set(drivername="postgresql").render_as_string(hide_password=False)) as connection:
        connection.execute("DO $$ BEGIN CREATE ROLE plain LOGIN; EXCEPTION WHEN duplicate_object THEN NULL; END $$")
        connection.execute("GRANT ALL ON ALL TABLES IN SCHEMA public TO plain")
    plain = Database(url.set(username="plain", password=None).render_as_string(hide_password=False))
    try:
        written(plain, Extent(years=0.002))
        assert verify_database(plain) == ()
    finally:
        plain.close()
