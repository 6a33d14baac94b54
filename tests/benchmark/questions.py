"""The questions asked of the synthetic plant: every one through the functions the service itself uses."""

import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from benchmark.timing import Measured, Stopwatch, ask, ask_once_each
from sqlalchemy import func, select, text
from sqlmodel import Session, col

from service.app import make_writer
from service.db import Database
from service.journal.entry import rows_hash
from service.journal.faults import Report
from service.journal.read import Knowledge, find_current, known_at, known_now
from service.journal.tables import JournalEntry, fact_tables
from service.journal.verify import as_stored, stored_values, verify_journal
from service.lineage.holds import holds_reaching
from service.lineage.record import place_hold
from service.lineage.schemas import HoldIn
from service.lineage.trace import trace_lot
from service.lots.queries import get_lot, lines_of_lots, lines_of_process
from service.lots.statuses import LotKind, Step
from service.lots.stock import accounts_of
from service.lots.tables import Line, Lot, LotMass, Measurement, Process
from service.plant.tables import Equipment
from service.runs.record import feed_run, record_run
from service.runs.schemas import FeedsIn, RunIn
from service.verify import examine
from service.vessels.record import charge_vessel, draw_from_vessel
from service.vessels.schemas import ChargeIn, DrawIn

SAMPLE = 200
RECENT = 20


@dataclass
class Subjects:
    """Random things of the plant, and the state of knowledge half-way through its history."""

    lines: Sequence[int]
    masses: Sequence[int]
    measurements: Sequence[int]
    runs: Sequence[int]
    bales: Sequence[int]
    truckloads: Sequence[Sequence[int]]
    recent_pellets: Sequence[int]
    unfed: Sequence[Lot]
    half: Knowledge
    now: Knowledge


def choose(database: Database) -> Subjects:
    chance = random.Random(2)
    with database.read() as session:

        def some(query: Any, pieces: int = SAMPLE) -> list[int]:
            found = list(session.execute(query).scalars())
            return chance.sample(found, min(pieces, len(found)))

        now = known_now(session)
        half = Knowledge(tuple((log_no, size // 2 if log_no else size) for log_no, size in now.sizes))
        pellets = select(col(Lot.id)).where(col(Lot.kind) == LotKind.PELLETS).order_by(col(Lot.id).desc()).limit(RECENT)
        unfed = text("SELECT lot_id FROM lot_stock JOIN lot ON lot.id = lot_id WHERE kind = 'bale' AND on_hand_g > 0")
        deliveries = some(select(col(Lot.delivery_id)).where(col(Lot.delivery_id).is_not(None)).distinct())
        return Subjects(
            lines=some(select(col(Line.id)).where(col(Line.version) == 1)),
            masses=some(select(col(LotMass.id)).where(col(LotMass.version) == 1)),
            measurements=some(select(col(Measurement.id)).where(col(Measurement.version) == 1)),
            runs=some(select(col(Process.id)).where(col(Process.step) == Step.WASH, col(Process.version) == 1)),
            bales=some(select(col(Lot.id)).where(col(Lot.kind) == LotKind.BALE)),
            truckloads=[
                list(session.execute(select(col(Lot.id)).where(col(Lot.delivery_id) == delivery)).scalars())
                for delivery in deliveries
            ],
            recent_pellets=list(session.execute(pellets).scalars()),
            unfed=list(
                session.execute(select(Lot).where(col(Lot.id).in_(session.execute(unfed).scalars().all()))).scalars()
            ),
            half=half,
            now=now,
        )


def quick_questions(database: Database, subjects: Subjects) -> list[Measured]:
    """Questions that touch one fact, one run, one lot or one truckload."""
    half, measured = subjects.half, []

    def put(name: str, things: Sequence[Any], question: Any) -> None:
        measured.append(ask(database, name, things, question))

    for table, ids in ((Line, subjects.lines), (LotMass, subjects.masses), (Measurement, subjects.measurements)):
        put(f"find_current {table.__name__}", ids, lambda s, i, table=table: find_current(s, table, i))
        put(f"find_current {table.__name__}, as known", ids, lambda s, i, table=table: find_current(s, table, i, half))
    put("lines_of_process (wash, 45 lines)", subjects.runs, lines_of_process)
    put("lines_of_process, as known", subjects.runs, lambda s, i: lines_of_process(s, i, half))
    put("lines of a lot", subjects.bales, lambda s, i: lines_of_lots(s, [i]))
    put("lines of a lot, as known", subjects.bales, lambda s, i: lines_of_lots(s, [i], half))
    put("accounts_of 48 lots", subjects.truckloads, accounts_of)
    put("accounts_of 48 lots, as known", subjects.truckloads, lambda s, ids: accounts_of(s, ids, half))
    with database.read() as session:
        first, last = session.execute(
            select(func.min(col(JournalEntry.recorded_at)), func.max(col(JournalEntry.recorded_at)))
        ).one()
    moments = [first + (last - first) * step / 10 for step in range(1, 10)]
    put("known_at (a moment to log sizes)", moments, known_at)
    return measured


def trace_questions(database: Database, subjects: Subjects) -> list[Measured]:
    """Traces of the newest pellet lots."""

    def trace(session: Session, lot_id: int, known: Knowledge | None = None) -> str:
        lot = session.execute(select(Lot).where(col(Lot.id) == lot_id)).scalar_one()
        found = trace_lot(session, lot, known).composition
        assert sum(share for _, share in found.shares) + found.remainder_e12 == 10**12
        return f"{len(found.visited):,} lots, {len(found.may_contain):,} bales"

    # As known now, but through the as-known path: the same lots with the longer condition.
    return [
        ask_once_each(database, "trace_lot of a recent pellet lot", subjects.recent_pellets, trace),
        ask_once_each(
            database,
            "trace_lot, as known",
            subjects.recent_pellets,
            lambda session, lot_id: trace(session, lot_id, subjects.now),
        ),
    ]


def hold_questions(database: Database, subjects: Subjects) -> list[Measured]:
    """What reaches an unfed bale while three holds are active: one on a pellet lot, a bale, a delivery."""
    writer = make_writer(database)
    with database.read() as session:
        held = [
            session.execute(select(Lot).where(col(Lot.id) == lot_id)).scalar_one()
            for lot_id in (subjects.recent_pellets[-1], subjects.bales[0], subjects.bales[1])
        ]
    asked = [bale.id for bale in subjects.unfed[:RECENT]]
    measured = []

    def reaching(session: Session, lot_id: int) -> str:
        return f"{len(holds_reaching(session, [lot_id]))} reached"

    bodies = [
        HoldIn(lot=held[0].code, cause="benchmark"),
        HoldIn(lot=held[1].code, cause="benchmark"),
        HoldIn(delivery_id=held[2].delivery_id, cause="benchmark"),
    ]
    for number, body in enumerate(bodies, 1):
        # Through the writer's database, not `place_hold`'s answer alone: that lists all affected lots too.
        measured.append(_write_once(writer, f"place hold {number}", lambda entry, body=body: place_hold(entry, body)))
        measured.append(ask_once_each(database, f"holds_reaching a bale, {number} active", asked, reaching))
        if not measured[-1].is_complete:
            break
    return measured


def _write_once(writer: Any, name: str, verb: Any) -> Measured:
    watch = Stopwatch()
    with watch.running():
        writer.run(1, verb)
    return watch.measured(name)


def write_questions(database: Database, subjects: Subjects) -> list[Measured]:
    """Verbs as the service runs them, each a durable transaction of its own."""
    with database.read() as session:
        last = session.execute(select(func.max(col(JournalEntry.effective_at)))).scalar_one() + timedelta(hours=3)
        silo = session.execute(select(Equipment).order_by(col(Equipment.id))).scalars().first()
    writer = make_writer(database, clock=lambda: last + timedelta(hours=5))
    assert silo is not None
    run = writer.run(1, lambda entry: record_run(entry, RunIn(site="PLANT-01", step=Step.WASH, started_at=last)))
    measured = []

    def put(name: str, things: Sequence[Any], verb: Any) -> None:
        watch = Stopwatch()
        for thing in things:
            with watch.running():
                writer.run(1, lambda entry, thing=thing: verb(entry, thing))
        measured.append(watch.measured(name))

    def feed(entry: Any, bale: Lot) -> Any:
        return feed_run(entry, run.id, FeedsIn(feeds=[{"lot": bale.code, "amount": "whole", "start_at": last}]))

    def draw(entry: Any, minute: int) -> Any:
        at = last + timedelta(minutes=minute)
        return draw_from_vessel(
            entry, silo.id, DrawIn(kind="flake", material="FLAKE", mass_kg="10", moisture_fraction="0.007", start_at=at)
        )

    def charge(entry: Any, drawn: tuple[int, str]) -> Any:
        at = last + timedelta(minutes=30 + drawn[0])
        return charge_vessel(entry, silo.id, ChargeIn(lot=drawn[1], amount="whole", start_at=at))

    put("feed one bale (verb, committed)", subjects.unfed[:RECENT], feed)
    put("draw from a silo (verb, committed)", range(3), draw)
    with database.read() as session:
        newest = session.execute(select(Lot).order_by(col(Lot.id).desc()).limit(3)).scalars().all()
        codes = [get_lot(session, lot.code).code for lot in newest]
    put("charge a silo (verb, committed)", list(enumerate(codes)), charge)
    return measured


def proof_questions(database: Database) -> list[Measured]:
    """Verification of the journal alone and of everything; the note says rows per second and faults."""
    journal, everything = Stopwatch(), Stopwatch()
    report = Report()
    with database.read() as session, journal.running():
        verify_journal(session, report)
    with everything.running():
        full = examine(database)
    return [
        watch.measured(name, f"{found.rows / watch.wall_ms[0] * 1000:,.0f} rows/s, {len(found.faults)} faults")
        for name, watch, found in (("verify_journal", journal, report), ("verify, everything", everything, full))
    ]


def hashes_after_new_column(database: Database, entries: int = 1_000) -> str:
    """Add a nullable column to `line` and `lot_mass` in a transaction that is rolled back; recompute row hashes."""
    with Session(database.engine) as session:
        for table in ("line", "lot_mass"):
            session.execute(text(f"ALTER TABLE {table} ADD COLUMN new_column_g BIGINT"))
        stored = dict(
            session.execute(
                select(col(JournalEntry.seq), col(JournalEntry.rows_hash)).order_by(func.random()).limit(entries)
            ).all()
        )
        rows: dict[int, list[tuple[str, dict[str, Any]]]] = {seq: [] for seq in stored}
        for table in fact_tables():
            columns = list(table.columns)
            more = [text("new_column_g")] if table.name in {"line", "lot_mass"} else []
            query = select(*map(as_stored, columns), *more).where(table.c.seq.in_(stored))
            for raw in session.execute(query):
                values = stored_values(columns, raw[: len(columns)])
                if more:
                    values["new_column_g"] = raw[-1]
                rows[values["seq"]].append((table.name, values))
        equal = sum(rows_hash(rows[seq]) == recorded for seq, recorded in stored.items())
        session.rollback()
    return f"{equal} of {len(stored)} row hashes equal after a nullable column was added"
