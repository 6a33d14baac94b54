"""Server time and weight of every page on the demo database. Run by hand:

    PYTHONPATH=.:tests python -m benchmark.page_benchmark
    PYTHONPATH=.:tests python -m benchmark.page_benchmark postgresql://postgres@127.0.0.1/pages

The demo is loaded into an empty database first. One process, one request after another. Server time is from the
moment the application gets a request until it has sent the last byte of its answer (middleware, log-in, page), without
the client and without a socket. Objects that live for good are frozen, as `serve` does. The weight is HTML, style
sheet and scripts as they are, uncompressed, pictures of tags apart. Ratio = p50 over that of `SELECT 1` in this run.
Goal: p95 under 30 ms and at most 100 kB.
"""

import argparse
import gc
import re
import statistics
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchmark.timing import round_trip
from fastapi.testclient import TestClient

from service.app import create_app, make_writer
from service.cli import register_installation
from service.db import Database, migrate
from service.demo.load import Loaded, load_demo
from service.settings import Settings

ASKED = 60
WARM_UP = 5
ASSET = re.compile(r"/static/[^\"]+")


@dataclass(frozen=True)
class PageCost:
    """What one page costs."""

    path: str
    p50_ms: float
    p95_ms: float
    cpu_ms: float
    weight_bytes: int


@dataclass
class Timed:
    """The application with a stopwatch around each request."""

    app: Any
    wall_ms: list[float] = field(default_factory=list)
    cpu_ms: list[float] = field(default_factory=list)

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        wall, cpu = time.perf_counter(), time.process_time()
        await self.app(scope, receive, send)
        self.wall_ms.append((time.perf_counter() - wall) * 1000)
        self.cpu_ms.append((time.process_time() - cpu) * 1000)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
        parser.add_argument("url", nargs="?", default=f"sqlite:///{Path(folder) / 'pages.db'}")
        url = parser.parse_args().url
        migrate(url)
        database = Database(url)
        loaded = load_demo(database, register_installation)
        timed = Timed(create_app(Settings(url, "https://trace.example.com"), make_writer(database)))
        client = logged_in(timed, loaded)
        floor_ms = round_trip(database).p50_ms
        print(f"SELECT 1: p50 {floor_ms:.3f} ms")
        for path in pages_of(client, loaded):
            cost = cost_of(timed, client, path)
            print(
                f"{cost.path:44.44s} p50 {cost.p50_ms:6.1f}  p95 {cost.p95_ms:6.1f}  cpu {cost.cpu_ms:6.1f} ms  "
                f"ratio {cost.p50_ms / floor_ms:6.0f}  {cost.weight_bytes / 1000:6.1f} kB"
            )
        database.close()


def logged_in(timed: Timed, loaded: Loaded) -> TestClient:
    client = TestClient(timed, headers={"Origin": "http://testserver"})
    assert client.post("/log-in", data={"key": loaded.visitor_key}).status_code == 200
    return client


def pages_of(client: TestClient, loaded: Loaded) -> list[str]:
    """One of each page, with the largest subject the demo has."""
    tickets = client.get("/v1/deliveries?limit=100").json()["deliveries"]
    rejected = [ticket for ticket in tickets if ticket["decision"] == "part_rejected"]
    ticket = max(tickets, key=lambda one: one["counted"] or 0)["id"]
    ticket_with_note = rejected[0]["id"]
    runs = client.get("/v1/runs").json()
    run = max(runs, key=lambda one: len(one["lines"]))["id"]
    vessel = client.get("/v1/vessels").json()[0]["id"]
    bale = client.get(f"/v1/deliveries/{ticket}").json()["bales"][0]["code"]
    lot = loaded.lot_code
    gate = f"/gate/tickets/{ticket}"
    return [
        "/", "/help", "/scan", f"/L/{lot}", f"/L/{bale}", f"/lots/{lot}", f"/lots/{bale}", f"/lots/{lot}/label",
        f"/lots/{bale}/tag", "/gate", "/gate?day=2026-09-08", "/gate/new/benchmark", gate, f"{gate}/correction",
        f"{gate}/versions", f"{gate}/papers/ticket", f"{gate}/papers/receiving-note", f"{gate}/papers/tags",
        f"{gate}/papers/tags/{bale}.svg", f"/gate/tickets/{ticket_with_note}/papers/rejection-note", "/floor",
        f"/floor/runs/{run}", f"/floor/vessels/{vessel}",
    ]  # fmt: skip


def cost_of(timed: Timed, client: TestClient, path: str) -> PageCost:
    for _ in range(WARM_UP):
        answer = client.get(path)
        assert answer.status_code == 200, f"{path}: {answer.status_code}"
    gc.collect()
    gc.freeze()
    timed.wall_ms.clear()
    timed.cpu_ms.clear()
    for _ in range(ASKED):
        answer = client.get(path)
    wall_ms, cpu_ms = sorted(timed.wall_ms), statistics.median(timed.cpu_ms)
    assets = sum(len(client.get(address).content) for address in set(ASSET.findall(answer.text)))
    p95_ms = wall_ms[len(wall_ms) * 95 // 100]
    return PageCost(path, statistics.median(wall_ms), p95_ms, cpu_ms, len(answer.content) + assets)


if __name__ == "__main__":
    main()
