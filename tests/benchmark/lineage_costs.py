"""What lineage costs beside the store: over HTTP with four clients, in lists, in memory, and when a run is closed."""

import asyncio
import gc
import itertools
import json
import os
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
from benchmark.timing import Measured, Stopwatch, TooLong, limit
from fastapi import FastAPI
from pydantic import create_model
from sqlalchemy import func, select
from sqlmodel import col

from service.app import FOLLOW_UPS, create_app, make_writer
from service.balances.record import close_run, revise_balances
from service.balances.schemas import CloseIn
from service.db import Database
from service.journal.tables import JournalEntry
from service.plant.tables import Equipment
from service.runs.record import discharge_run, feed_run, record_run
from service.runs.schemas import DischargesIn, FeedsIn, RunIn
from service.settings import DATABASE_URL_VARIABLE, Settings
from service.unit_of_work import Writer
from service.vessels.record import draw_from_vessel
from service.vessels.schemas import DrawIn

CLIENTS, LIST_ROWS, RUNS_CLOSED = 4, 2_000, 20
LIMIT_S = 30
SITE = "PLANT-01"


# Lists ----------------------------------------------------------------------------------------------


def list_questions(database: Database, codes: Sequence[str]) -> list[Measured]:
    """A list as the service answers it, database and all, and as many rows through the framework's response model.

    Both are given for 2,000 rows, so that the ratio does not depend on how long the list happened to be.
    """
    app = create_app(Settings(database.url, "https://trace.example.com"), make_writer(database))
    path = f"/v1/lots/{codes[0]}/trace?expand=true"
    try:
        with limit(LIMIT_S):
            answer = asyncio.run(_body_of(app, path))
    except TooLong:
        return [Measured("2,000 rows, service", 1, 30_000, 30_000, 30_000, "stopped", is_complete=False)]
    shares = json.loads(answer)["shares"]
    plain = FastAPI()
    rows = [dict(share) for share in itertools.islice(itertools.cycle(shares), LIST_ROWS)]

    columns: dict[str, Any] = {name: (type(value), ...) for name, value in rows[0].items()}
    model_of_row = create_model("ModelOfRow", **columns)
    objects = [model_of_row(**share) for share in rows]

    @plain.get("/rows", response_model=list[model_of_row])
    async def give_rows() -> Any:
        return rows

    @plain.get("/objects", response_model=None)
    async def give_objects() -> Any:
        return objects

    scale = LIST_ROWS / len(shares)
    ours = _timed("2,000 rows, service", app, path, scale)
    model = _timed("2,000 rows, plain response model", plain, "/rows", 1)
    encoder = _timed("2,000 rows, plain objects", plain, "/objects", 1)
    note = f"{model.p50_ms / ours.p50_ms:.2f} of the model, {encoder.p50_ms / ours.p50_ms:.2f} of the objects"
    return [Measured(ours.name, ours.asked, ours.p50_ms, ours.p99_ms, ours.cpu_ms, note), model, encoder]


def _timed(name: str, app: Any, path: str, scale: float) -> Measured:
    watch = Stopwatch()

    async def ask() -> None:
        await _body_of(app, path)
        gc.collect()
        for _ in range(20):
            with watch.running():
                await _body_of(app, path)

    asyncio.run(ask())
    watch.wall_ms = [one * scale for one in watch.wall_ms]
    watch.cpu_ms = [one * scale for one in watch.cpu_ms]
    return watch.measured(name)


async def _body_of(app: Any, path: str) -> bytes:
    """The body of an answer, without client or socket."""
    route, _, query = path.partition("?")
    scope = {
        "type": "http",
        "method": "GET",
        "path": route,
        "raw_path": route.encode(),
        "query_string": query.encode(),
        "headers": [],
        "http_version": "1.1",
        "scheme": "http",
        "server": ("test", 80),
        "client": ("test", 1),
        "asgi": {"version": "3.0"},
    }
    parts: list[bytes] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        assert message.get("status", 200) == 200, message
        parts.append(message.get("body", b""))

    await app(scope, receive, send)
    return b"".join(parts)


# Over HTTP ------------------------------------------------------------------------------------------


def http_questions(database: Database, codes: Sequence[str]) -> list[Measured]:
    """Traces over HTTP, one client and four, and the largest memory of the service while it answered them."""
    with _serving(database.url) as (address, process_id):
        try:
            with limit(LIMIT_S):
                httpx.get(f"{address}/v1/lots/{codes[0]}/trace", timeout=LIMIT_S).raise_for_status()
        except TooLong:
            return [Measured("trace over HTTP", 1, 30_000, 30_000, 30_000, "stopped", is_complete=False)]
        found = [_asked_over_http(address, codes, clients) for clients in (1, CLIENTS)]
        peak = next(
            line.split()[1]
            for line in Path(f"/proc/{process_id}/status").read_text(encoding="utf-8").splitlines()
            if line.startswith("VmHWM")
        )
    last = found[-1]
    note = f"service memory at most {int(peak) // 1024} MB"
    return [found[0], Measured(last.name, last.asked, last.p50_ms, last.p99_ms, last.cpu_ms, note)]


def _asked_over_http(address: str, codes: Sequence[str], clients: int) -> Measured:
    times: list[float] = []

    def ask(own: Sequence[str]) -> None:
        with httpx.Client(base_url=address, timeout=LIMIT_S) as client:
            for code in own:
                begun = time.perf_counter()
                client.get(f"/v1/lots/{code}/trace").raise_for_status()
                times.append((time.perf_counter() - begun) * 1000)

    threads = [threading.Thread(target=ask, args=(codes[place::clients],)) for place in range(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    times.sort()
    return Measured(
        f"trace over HTTP, {clients} clients", len(times), statistics.median(times), times[len(times) * 99 // 100], 0.0
    )


@contextmanager
def _serving(url: str) -> Iterator[tuple[str, int]]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-c", "from service.cli import app; app()", "serve", "--port", str(port)]
    process = subprocess.Popen(command, env=os.environ | {DATABASE_URL_VARIABLE: url}, stderr=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(100):
            try:
                httpx.get(f"{address}/healthz").raise_for_status()
                break
            except httpx.TransportError:
                time.sleep(0.1)
        yield address, process.pid
    finally:
        process.terminate()
        process.wait()


# Closing a run --------------------------------------------------------------------------------------


def closing_questions(database: Database) -> list[Measured]:
    """One extrusion run from feeding to closing, with all follow-ups and with the balance alone.

    The difference, over the two lots a run makes, is what keeping lineage ready adds. The runs without come last: what
    they leave out is missing from then on.
    """
    with database.read() as session:
        last = session.execute(select(func.max(col(JournalEntry.recorded_at)))).scalar_one()
        silo = session.execute(select(Equipment).where(col(Equipment.code) == "SILO-1").limit(1)).scalar_one()
    moments = (last + timedelta(hours=2 + step) for step in itertools.count())
    measured = []
    for name, follow_ups in (("run of two lots", FOLLOW_UPS), ("the same, balance alone", (revise_balances,))):
        watch = Stopwatch()
        for _ in range(RUNS_CLOSED):
            at = next(moments)
            writer = Writer(database, follow_ups, clock=lambda at=at: at + timedelta(minutes=50))
            try:
                with limit(LIMIT_S):
                    _close_one_run(writer, make_writer(database, clock=writer.clock), silo.id, at, watch)
            except TooLong:
                return [*measured, Measured(name, 1, 30_000, 30_000, 30_000, "stopped", is_complete=False)]
        measured.append(watch.measured(f"{name}, fed to closed"))
    added_ms = (measured[0].p50_ms - measured[1].p50_ms) / 2
    first = measured[0]
    note = f"{added_ms:.2f} ms added per lot made"
    return [Measured(first.name, first.asked, first.p50_ms, first.p99_ms, first.cpu_ms, note), measured[1]]


def _close_one_run(writer: Writer, ordinary: Writer, silo_id: int, at: Any, watch: Stopwatch) -> None:
    def minute(number: int) -> Any:
        return at + timedelta(minutes=number)

    draw = DrawIn(kind="flake", material="FLAKE", mass_kg="20", moisture_fraction="0.007", start_at=at)
    lot = ordinary.run(1, lambda entry: draw_from_vessel(entry, silo_id, draw)).drawn_lot
    run = ordinary.run(1, lambda entry: record_run(entry, RunIn(site=SITE, step="extrusion", started_at=minute(1))))
    common = {"moisture_fraction": "0.002", "start_at": minute(20)}
    feeds = FeedsIn.model_validate({"feeds": [{"lot": lot, "amount": "whole", "start_at": minute(2)}]})
    made = [
        {"kind": "pellets", "material": "PELLETS", "category": "product", "stream": "pellets", "mass_kg": "19.6"},
        {"kind": "by_product", "material": "LUMPS", "category": "by_product", "stream": "purge", "mass_kg": "0.3"},
    ]
    discharges = DischargesIn.model_validate({"discharges": [one | common for one in made]})
    verbs: list[Callable[[Any], Any]] = [
        lambda entry: feed_run(entry, run.id, feeds),
        lambda entry: discharge_run(entry, run.id, discharges),
        lambda entry: close_run(entry, run.id, CloseIn(ended_at=minute(40))),
    ]
    with watch.running():
        for verb in verbs:
            writer.run(1, verb)
