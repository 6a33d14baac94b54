"""How the tables behave after ten years. Run by hand, on an empty database that may be thrown away afterwards:

    PYTHONPATH=.:tests python -m benchmark.ten_year_benchmark sqlite:////tmp/plant.db --scale 0.1
    PYTHONPATH=.:tests python -m benchmark.ten_year_benchmark postgresql://postgres@127.0.0.1/plant --scale 0.1

The table on standard output gives each question's median and 99th percentile in milliseconds, the processor time of
this process, and the median as a multiple of one empty round trip in the same process: milliseconds differ between
machines, the multiples hardly do. The
progress goes to standard error. `--proven-empty-every 50` empties each silo after 50 fills; without it none is
ever empty, the worst case for lineage. On PostgreSQL loading needs a superuser.
"""

import argparse
import sys
import time
from collections.abc import Iterable

from benchmark.questions import (
    choose,
    hashes_after_new_column,
    hold_questions,
    proof_questions,
    quick_questions,
    trace_questions,
    write_questions,
)
from benchmark.ten_year_plant import TenYearPlant
from benchmark.timing import Measured, round_trip
from sqlalchemy import text

from service.db import Database, normalised_url

PARTS = ("quick", "trace", "proof", "columns", "writes", "holds")


def main() -> None:
    asked = _arguments()
    url = normalised_url(asked.url)
    if asked.build:
        begun = time.monotonic()
        store = TenYearPlant(url, asked.scale, asked.proven_empty_every, asked.analyse).build()
        rows = sum(store.rows_stored.values())
        print(f"built {rows:,} rows in {time.monotonic() - begun:.0f} s", file=sys.stderr)
    database = Database(url)
    print(f"{database.engine.dialect.name}, scale {asked.scale}, {_gigabytes(database):.2f} GB on disk")
    floor = round_trip(database)
    print("| question | asked | p50 ms | p99 ms | cpu ms | p50 in round trips | note |\n|---|---|---|---|---|---|---|")
    print(row(floor, floor))
    subjects = choose(database)
    for part in asked.parts.split(","):
        for measured in _part(part, database, subjects):
            print(row(measured, floor), flush=True)
    database.close()


def _part(part: str, database: Database, subjects: "Subjects") -> Iterable[Measured]:  # type: ignore[name-defined] # noqa: F821
    match part:
        case "quick":
            return quick_questions(database, subjects)
        case "trace":
            return trace_questions(database, subjects)
        case "proof":
            return proof_questions(database)
        case "writes":
            return write_questions(database, subjects)
        case "holds":
            return hold_questions(database, subjects)
        case "columns":
            print(hashes_after_new_column(database))
            return []
        case _:
            raise SystemExit(f"no part {part!r}; choose from {', '.join(PARTS)}")


def row(measured: Measured, floor: Measured) -> str:
    above = "" if measured.is_complete else "> "
    return (
        f"| {measured.name} | {measured.asked} | {above}{measured.p50_ms:,.2f} | {above}{measured.p99_ms:,.2f} "
        f"| {above}{measured.cpu_ms:,.2f} | {above}{measured.p50_ms / floor.p50_ms:,.1f} | {measured.note} |"
    )


def _gigabytes(database: Database) -> float:
    size = (
        "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()"
        if database.is_sqlite
        else "SELECT pg_database_size(current_database())"
    )
    with database.read() as session:
        return float(session.execute(text(size)).scalar_one()) / 1e9


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("url", help="database to build; its tables must not exist yet")
    parser.add_argument("--scale", type=float, default=0.1, help="1.0 is ten years; default 0.1")
    parser.add_argument("--proven-empty-every", type=int, default=0, help="fills of a silo; 0 for never")
    parser.add_argument("--analyse", action="store_true", help="SQLite: gather planner statistics after loading")
    parser.add_argument("--no-build", dest="build", action="store_false", help="measure what stands there already")
    parser.add_argument("--parts", default=",".join(PARTS), help=f"comma separated, of {', '.join(PARTS)}")
    return parser.parse_args()


if __name__ == "__main__":
    main()
