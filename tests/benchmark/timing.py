"""Timing one question many times, warm, with a time limit, beside one empty round trip to the same database."""

import signal
import statistics
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import text
from sqlmodel import Session

from service.cli import register_installation
from service.db import Database, migrate
from service.generate.history import Extent, generate

LIMIT_S = 30
HEADER = """| question | asked | p50 ms | p99 ms | cpu ms | p50 in round trips | note |
|---|---|---|---|---|---|---|"""


class TooLong(BaseException):
    """The question took longer than the limit; not an `Exception`, so that no code under test swallows it."""


@contextmanager
def limit(seconds: float) -> Iterator[None]:
    """Stop a question that would never end (main thread only)."""

    def stop(_number: int, _frame: object) -> None:
        raise TooLong

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


@dataclass(frozen=True)
class Measured:
    """One question's times in milliseconds.

    Parameters
    ----------
    asked : how often; each time about another object.
    cpu_ms : median of the processor time of this process (not the server's): what is left when others are busy too.
    note : what was found on the way, such as the number of lots.
    is_complete : False when the limit stopped it; the times are then the limit.
    """

    name: str
    asked: int
    p50_ms: float
    p99_ms: float
    cpu_ms: float
    note: str = ""
    is_complete: bool = True


@dataclass
class Stopwatch:
    """Wall and processor times of repeated work, in milliseconds."""

    wall_ms: list[float] = field(default_factory=list)
    cpu_ms: list[float] = field(default_factory=list)

    @contextmanager
    def running(self) -> Iterator[None]:
        wall, cpu = time.perf_counter(), time.process_time()
        yield
        self.wall_ms.append((time.perf_counter() - wall) * 1000)
        self.cpu_ms.append((time.process_time() - cpu) * 1000)

    def measured(self, name: str, note: str = "") -> Measured:
        ordered = sorted(self.wall_ms)
        p99 = ordered[min(len(ordered) - 1, len(ordered) * 99 // 100)]
        cpu = statistics.median(self.cpu_ms)
        return Measured(name, len(ordered), statistics.median(ordered), p99, cpu, note)


def ask(database: Database, name: str, subjects: Sequence[Any], question: Callable[[Session, Any], Any]) -> Measured:
    """Ask about each subject in a session of its own, all of them once unmeasured first."""
    for is_measured in (False, True):
        watch = Stopwatch()
        for subject in subjects:
            with database.read() as session:
                session.execute(text("SELECT 1"))  # takes the connection and begins the transaction
                with watch.running():
                    question(session, subject)
        if is_measured:
            return watch.measured(name)
    raise AssertionError("unreachable: the second pass is measured")


def ask_once_each(
    database: Database, name: str, subjects: Sequence[Any], question: Callable[[Session, Any], str]
) -> Measured:
    """As `ask` for slow questions: no warming up, a time limit each, stops at the first that exceeds it."""
    watch = Stopwatch()
    note = ""
    for subject in subjects:
        with database.read() as session:
            try:
                with watch.running(), limit(LIMIT_S):
                    note = question(session, subject)
            except TooLong:
                over = LIMIT_S * 1000.0
                return Measured(name, len(watch.wall_ms) + 1, over, over, over, "stopped", is_complete=False)
        if sum(watch.wall_ms) > LIMIT_S * 1000:
            break
    return watch.measured(name, note)


def round_trip(database: Database, times: int = 1000) -> Measured:
    """One empty statement through the same engine and session: the floor of every question."""
    return ask(database, "SELECT 1", range(times), lambda session, _: session.execute(text("SELECT 1")).scalar_one())


def row(measured: Measured, floor: Measured) -> str:
    above = "" if measured.is_complete else "> "
    return (
        f"| {measured.name} | {measured.asked} | {above}{measured.p50_ms:,.2f} | {above}{measured.p99_ms:,.2f} "
        f"| {above}{measured.cpu_ms:,.2f} | {above}{measured.p50_ms / floor.p50_ms:,.1f} | {measured.note} |"
    )


def build(url: str, extent: Extent) -> None:
    """Write an invented history into a new database."""
    begun = time.monotonic()
    migrate(url)
    database = Database(url)
    rows = sum(generate(database, extent, register_installation, lambda *_: None).rows.values())
    database.close()
    print(f"built {rows:,} rows in {time.monotonic() - begun:.0f} s", file=sys.stderr)
