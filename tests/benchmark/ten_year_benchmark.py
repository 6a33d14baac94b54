"""How the tables behave after ten years. Run by hand, on an empty database that may be thrown away afterwards:

    PYTHONPATH=.:tests python -m benchmark.ten_year_benchmark sqlite:////tmp/plant.db --years 1
    PYTHONPATH=.:tests python -m benchmark.ten_year_benchmark postgresql://postgres@127.0.0.1/plant --years 1

The table on standard output gives each question's median and 99th percentile in milliseconds, the processor time of
this process, and the median as a multiple of one empty round trip in the same process: milliseconds differ between
machines, the multiples hardly do. `--clean-out-every 0` leaves every silo uncleaned, the worst case for lineage.
"""

import argparse
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
from benchmark.timing import HEADER, Measured, build, round_trip, row
from sqlalchemy import text

from service.db import Database, normalised_url
from service.generate.history import Extent

PARTS = ("quick", "trace", "proof", "columns", "writes", "holds")


def main() -> None:
    asked = _arguments()
    url = normalised_url(asked.url)
    if asked.build:
        build(url, Extent(asked.years, clean_out_every=asked.clean_out_every))
    database = Database(url)
    print(f"{database.engine.dialect.name}, {_gigabytes(database):.2f} GB on disk")
    floor = round_trip(database)
    print(HEADER)
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
    parser.add_argument("--years", type=float, default=1)
    parser.add_argument("--clean-out-every", type=int, default=50, help="fills of a silo; 0 for never")
    parser.add_argument("--no-build", dest="build", action="store_false", help="measure what stands there already")
    parser.add_argument("--parts", default=",".join(PARTS), help=f"comma separated, of {', '.join(PARTS)}")
    return parser.parse_args()


if __name__ == "__main__":
    main()
