"""How fast durable creates are over HTTP, as a ratio to the same request validated only. Run by hand:

    PYTHONPATH=.:tests python -m benchmark.durable_create_benchmark sqlite:////tmp/create.db
    PYTHONPATH=.:tests python -m benchmark.durable_create_benchmark postgresql://postgres@127.0.0.1/create

One uvicorn worker (uvloop, httptools, no access log) on the loopback, the client in a process of its own. Four
steps of the same answer: nothing read (`/healthz`), the body validated, the sender looked up as well, and the lot
stored, journalled and committed (`POST /v1/opening-lots`). Rounds alternate and the median counts, because client
and server share the machine with whatever else runs on it.
"""

import argparse
import asyncio
import json
import multiprocessing
import socket
import statistics
import time
from dataclasses import dataclass, field
from typing import Any

import uvicorn
from benchmark.timing import Measured, round_trip
from fastapi import Response
from plant_fixture import KEY, Plant

from service.app import create_app
from service.db import Database, migrate, normalised_url
from service.lots.schemas import OpeningLotIn
from service.settings import Settings
from service.web import Write, router

BODY = {
    "site": "MILL",
    "kind": "flake",
    "material": "FLAKE",
    "mass_kg": "1000.000",
    "moisture_fraction": "0.007",
    "found_at": "2026-03-08T06:00:00Z",
}
STEPS = (
    ("nothing read", "GET", "/healthz"),
    ("validated only", "POST", "/v1/validated-only"),
    ("validated, sender looked up", "POST", "/v1/sender-looked-up"),
    ("stored, journalled, committed", "POST", "/v1/opening-lots"),
)


def serve(url: str, listener: socket.socket) -> None:
    app = create_app(Settings(url, "http://127.0.0.1"))
    routes = router("benchmark")

    @routes.post("/validated-only", status_code=201)
    def post_validated_only(body: OpeningLotIn) -> Response:
        return Response(body.model_dump_json(), 201, media_type="application/json")

    @routes.post("/sender-looked-up", status_code=201)
    def post_sender_looked_up(body: OpeningLotIn, write: Write) -> Response:
        return Response(body.model_dump_json(), 201, media_type="application/json")

    app.include_router(routes)
    config = uvicorn.Config(app, loop="uvloop", http="httptools", access_log=False, log_level="warning")
    uvicorn.Server(config).run(sockets=[listener])


@dataclass
class Client:
    """Keeps `connections` requests on the way for `seconds`, each after the answer to the one before it."""

    port: int
    connections: int
    seconds: float
    times_ms: list[float] = field(default_factory=list)
    _sent: int = 0

    async def rate(self, method: str, path: str) -> float:
        """Answers per second; any that is no success is an error."""
        self.times_ms.clear()
        begun = time.perf_counter()
        await asyncio.gather(*(self._connection(method, path, begun + self.seconds) for _ in range(self.connections)))
        return len(self.times_ms) / (time.perf_counter() - begun)

    async def _connection(self, method: str, path: str, until: float) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        body = json.dumps(BODY).encode() if method == "POST" else b""
        while time.perf_counter() < until:
            self._sent += 1
            begun = time.perf_counter()
            writer.write(
                f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {KEY}\r\n"
                f"Idempotency-Key: benchmark-{time.time_ns()}-{self._sent}\r\nContent-Type: application/json\r\n"
                f"Content-Length: {len(body)}\r\n\r\n".encode()
                + body
            )
            head = await reader.readuntil(b"\r\n\r\n")
            lines = head.decode().lower().split("\r\n")
            length = next(int(line.split(":")[1]) for line in lines if line.startswith("content-length"))
            answer = await reader.readexactly(length)
            if lines[0].split()[1] not in {"200", "201"}:
                raise RuntimeError(f"{path} answered {lines[0]}: {answer.decode()}")
            self.times_ms.append((time.perf_counter() - begun) * 1000)
        writer.close()


async def measure(port: int, connections: int, seconds: float, rounds: int) -> list[tuple[str, float, float, float]]:
    """Median rate, and median and 99th percentile of all answers' times, per step."""
    rates: dict[str, list[float]] = {}
    times: dict[str, list[float]] = {}
    client = Client(port, connections, 0.3)
    for _, method, path in STEPS:
        await client.rate(method, path)  # warm
    client.seconds = seconds
    for _ in range(rounds):
        for name, method, path in STEPS:
            rates.setdefault(name, []).append(await client.rate(method, path))
            times.setdefault(name, []).extend(client.times_ms)
    return [
        (
            name,
            statistics.median(rates[name]),
            statistics.median(times[name]),
            sorted(times[name])[len(times[name]) * 99 // 100],
        )
        for name, _, _ in STEPS
    ]


def _prepare(url: str) -> Measured:
    migrate(url)
    database = Database(url)
    Plant(database)
    floor = round_trip(database)
    database.close()
    return floor


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("url", help="an empty database that may be thrown away")
    parser.add_argument("--connections", default="1,16", help="requests on the way at once, comma separated")
    parser.add_argument("--seconds", type=float, default=3, help="length of one run, at most 10")
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    url = normalised_url(asked.url)
    floor = _prepare(url)
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    listener.listen(128)
    server: Any = multiprocessing.get_context("fork").Process(target=serve, args=(url, listener))
    server.start()
    print(
        f"SELECT 1: {floor.p50_ms:.3f} ms\n| step | connections | req/s | p50 ms | p99 ms | ratio to validated only |"
    )
    print("|---|---|---|---|---|---|")
    try:
        for connections in map(int, asked.connections.split(",")):
            rows = asyncio.run(measure(listener.getsockname()[1], connections, min(asked.seconds, 10), asked.rounds))
            for name, rate, p50, p99 in rows:
                ratio = rate / rows[1][1]
                print(f"| {name} | {connections} | {rate:,.0f} | {p50:.2f} | {p99:.2f} | {ratio:.3f} |", flush=True)
    finally:
        server.terminate()
        server.join()


if __name__ == "__main__":
    main()
