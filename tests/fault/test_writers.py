"""Goal: many writers at once lose nothing, store nothing twice, and never take more than there is.

Method: real threads on one database object, as in the service, and real processes on one database, as when
the command line works beside it. Afterwards the whole database is verified.
"""

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from threading import Barrier

import pytest
from plant_fixture import Plant
from sqlalchemy import func, select
from tampering import table_of

from service.journal.entry import Entry
from service.journal.tables import IdempotencyRecord, JournalEntry
from service.lots.queries import on_hand_g
from service.lots.record import NewLot, OriginMass, register_lots, set_origin_masses
from service.lots.statuses import LotKind, LotOrigin, MassBasis, Step
from service.lots.tables import Lot, Process
from service.plant.queries import get_by_code
from service.plant.tables import Material
from service.runs.record import record_run
from service.runs.schemas import RunIn
from service.verify import verify_database

THREADS, WRITES = 8, 25
ROOT = Path(__file__).parents[2]
BEGIN = datetime(2026, 3, 9, 6, 0, tzinfo=UTC)


def material(code: str) -> dict[str, object]:
    return {
        "code": code,
        "name": code,
        "form": "flake",
        "polymer": "PET",
        "colour": "clear",
        "waste_class": "post_consumer",
        "food_candidate": True,
    }


def test_threads_lose_nothing_and_leave_no_gap(plant: Plant):
    start = Barrier(THREADS)

    def write(thread: int) -> list[int]:
        start.wait()
        return [plant.request("POST", "/v1/materials", material(f"M{thread}-{n}")).status_code for n in range(WRITES)]

    with ThreadPoolExecutor(THREADS) as pool:
        statuses = [status for answers in pool.map(write, range(THREADS)) for status in answers]

    assert statuses == [201] * (THREADS * WRITES)
    with plant.database.engine.connect() as connection:
        entries, materials = table_of(JournalEntry), table_of(Material)
        shared = select(entries.c.seq).where(entries.c.log_no == 0).order_by(entries.c.seq)
        positions = connection.execute(shared).scalars().all()
        codes = connection.execute(select(materials.c.code).where(materials.c.code.like("M%-%"))).scalars().all()
    assert list(positions) == list(range(len(positions)))
    assert len(positions) > THREADS * WRITES
    assert len(codes) == len(set(codes)) == THREADS * WRITES
    assert verify_database(plant.database) == ()


RUN = {"site": "MILL", "step": "wash", "started_at": "2026-03-09T06:00:00Z"}


@pytest.mark.parametrize(
    # The first verb refuses its own double (the code is taken), the second one would store it.
    ("path", "body", "model"),
    [("/v1/materials", material("ONCE"), Material), ("/v1/runs", RUN, Process)],
    ids=["materials", "runs"],
)
def test_the_same_key_from_many_threads_stores_once_and_answers_the_same_bytes(
    plant: Plant, path: str, body: dict[str, object], model: type[Material] | type[Process]
):
    start, before = Barrier(THREADS), rows_of(plant, model)

    def write(_thread: int) -> tuple[int, bytes, bool]:
        start.wait()
        response = plant.request("POST", path, body, idempotency_key="the-same")
        return response.status_code, response.content, "idempotency-replayed" in response.headers

    with ThreadPoolExecutor(THREADS) as pool:
        answers = list(pool.map(write, range(THREADS)))

    assert {status for status, _, _ in answers} == {201}
    assert len({content for _, content, _ in answers}) == 1
    assert sorted(replayed for _, _, replayed in answers) == [False] + [True] * (THREADS - 1)
    assert rows_of(plant, model) == before + 1
    assert rows_of(plant, IdempotencyRecord) == 1
    assert verify_database(plant.database) == ()


def rows_of(plant: Plant, model: object) -> int:
    with plant.database.engine.connect() as connection:
        return connection.execute(select(func.count()).select_from(table_of(model))).scalar_one()


def test_eight_processes_on_the_last_kilogram(plant: Plant):
    lot = plant.writer.run(1, one_kilogram)
    run = plant.run(record_run, RunIn(site="MILL", step=Step.WASH, started_at=BEGIN))

    outcomes = race(plant.database.url, run.id, lot.code, processes=8)

    assert sorted(outcomes) == ["fed"] + ["lot-gives-more-than-it-holds"] * 7
    with plant.database.read() as session:
        assert on_hand_g(session, lot.id) == 0
    assert verify_database(plant.database) == ()


def one_kilogram(entry: Entry) -> Lot:
    """Opening stock of one kilogram."""
    entry.open(1, "opening_stock_recorded", BEGIN)
    material_id = get_by_code(entry.session, Material, "PET-LOOSE").id
    (lot,) = register_lots(entry, [NewLot(LotKind.LOOSE, LotOrigin.OPENING, material_id, BEGIN)])
    mass = OriginMass(lot.id, material_g=1_000, tie_g=0, basis=MassBasis.DECLARED)
    set_origin_masses(entry, [mass], reason="counted", pointer="")
    return lot


def race(url: str, run_id: int, code: str, processes: int) -> list[str]:
    """Start the processes, let all of them write at the same moment, and collect what each one printed."""
    command = [sys.executable, str(Path(__file__).with_name("last_kilogram.py")), url, str(run_id), code]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    pipe = subprocess.PIPE
    running = [
        subprocess.Popen(command, env=environment, stdin=pipe, stdout=pipe, stderr=pipe, text=True)
        for _ in range(processes)
    ]
    for process in running:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in running:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    outcomes = []
    for process in running:
        out, err = process.communicate(timeout=60)
        assert process.returncode == 0, err
        outcomes.append(out.strip())
    return outcomes
