"""What the pages that people wait for read from the database, on the demo week. Run by hand:

    PYTHONPATH=.:tests python -m benchmark.page_reads_benchmark
    PYTHONPATH=.:tests python -m benchmark.page_reads_benchmark --times 500

Loads the demo into a SQLite database in a temporary folder, which takes a minute, and asks about the pellet lot that
it shows first. Each question is asked in a session of its own, so nothing of an answer is left for the next one; only
compiled statements are, as in a server that has run for a minute. The table gives median and 95th percentile in
milliseconds, the processor time of this process, both as multiples of one empty round trip in the same process, and
the statements each question takes. Milliseconds differ between machines, the multiples hardly do; run it on a machine
that does nothing else.
"""

import argparse
import statistics
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchmark.timing import Stopwatch
from sqlalchemy import event, text
from sqlmodel import Session

from service.cli import register_installation
from service.db import Database, migrate
from service.demo.load import load_demo
from service.lineage.down import trace_down_out
from service.lineage.holds import holds_reaching
from service.lineage.lot_view import lot_out
from service.lineage.parties import party_shares
from service.lineage.trace import Trace, trace_lot
from service.lots.queries import get_lot
from service.pages.card import find_card
from service.runs.queries import list_runs

WARMING_UP = 5
RUNS_LISTED = 200


@dataclass(frozen=True)
class Question:
    """Something asked of the database.

    Parameters
    ----------
    prepare : what is there before the question comes up; not measured.
    """

    name: str
    ask: Callable[[Session, Any], Any]
    prepare: Callable[[Session], Any] = lambda _session: None


def trace_and_parties(session: Session, trace: Trace) -> None:
    for by_delivery in (False, True):
        party_shares(session, trace, None, by_delivery=by_delivery)


def questions_about(code: str) -> list[Question]:
    def traced(session: Session) -> Trace:
        return trace_lot(session, get_lot(session, code))

    return [
        Question("SELECT 1", lambda session, _: session.execute(text("SELECT 1")).scalar_one()),
        Question("scan page (find_card)", lambda session, _: find_card(session, code, None)),
        Question("trace", lambda session, lot: trace_lot(session, lot), lambda session: get_lot(session, code)),
        Question("trace, shares by supplier and delivery", lambda s, _: trace_and_parties(s, traced(s))),
        Question(
            "holds on a lot just traced",
            lambda session, trace: holds_reaching(session, [trace.lot.id], trace.graph),
            traced,
        ),
        Question("holds on a lot, not traced", lambda s, lot: holds_reaching(s, [lot.id]), lambda s: get_lot(s, code)),
        Question("a lot as it stands", lambda session, _: lot_out(session, get_lot(session, code))),
        Question("where a lot went", lambda session, _: trace_down_out(session, [get_lot(session, code)])),
        Question("all runs", lambda session, _: list_runs(session, None, 0, RUNS_LISTED)),
    ]


@dataclass(frozen=True)
class Answered:
    """Times of a question in milliseconds, and how many statements it takes."""

    p50_ms: float
    p95_ms: float
    cpu_ms: float
    statements: int


def answered(database: Database, question: Question, times: int) -> Answered:
    watch = Stopwatch()
    for turn in range(WARMING_UP + times):
        if turn == WARMING_UP:
            watch = Stopwatch()
        with database.read() as session:
            session.execute(text("SELECT 1"))  # takes the connection and begins the transaction
            prepared = question.prepare(session)
            with watch.running():
                question.ask(session, prepared)
    with database.read() as session:
        session.execute(text("SELECT 1"))
        prepared = question.prepare(session)
        with statements_of(database) as statements:
            question.ask(session, prepared)
    ordered = sorted(watch.wall_ms)
    p95 = ordered[min(len(ordered) - 1, len(ordered) * 95 // 100)]
    return Answered(statistics.median(ordered), p95, statistics.median(watch.cpu_ms), len(statements))


@contextmanager
def statements_of(database: Database) -> Iterator[list[str]]:
    asked: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        asked.append(statement)

    event.listen(database.engine, "before_cursor_execute", note)
    yield asked
    event.remove(database.engine, "before_cursor_execute", note)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=200, help="how often each question is asked; default 200")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'demo.sqlite3'}"
        migrate(url)
        database = Database(url)
        print("loading the demo week ...", file=sys.stderr)
        code = load_demo(database, register_installation).lot_code
        with database.read() as session:
            composition = trace_lot(session, get_lot(session, code)).composition
        print(f"lot {code}: {len(composition.visited)} lots, {len(composition.may_contain)} of them origins")
        print("| question | p50 ms | p95 ms | cpu ms | p50 in round trips | p95 in round trips | statements |")
        print("|---|---|---|---|---|---|---|")
        floor: Answered | None = None
        for question in questions_about(code):
            found = answered(database, question, asked.times)
            floor = floor or found
            print(
                f"| {question.name} | {found.p50_ms:,.2f} | {found.p95_ms:,.2f} | {found.cpu_ms:,.2f} "
                f"| {found.p50_ms / floor.p50_ms:,.1f} | {found.p95_ms / floor.p50_ms:,.1f} | {found.statements} |",
                flush=True,
            )
        database.close()


if __name__ == "__main__":
    main()
