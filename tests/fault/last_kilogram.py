"""One process of `test_writers`: waits for the common start, then feeds a kilogram of a lot into a run.

Usage: last_kilogram.py DATABASE_URL RUN_ID LOT_CODE
Prints `ready`, waits for a line on its input, then prints `fed` or the code of the refusal.
"""

import sys
from datetime import UTC, datetime

from service.app import make_writer
from service.db import Database
from service.errors import DomainError
from service.lots.statuses import Amount
from service.runs.record import feed_run
from service.runs.schemas import FeedIn, FeedsIn


def main(url: str, run_id: str, code: str) -> None:
    database = Database(url)
    writer = make_writer(database)
    feed = FeedIn(
        lot=code,
        amount=Amount.MASS,
        mass_kg=1,
        moisture_fraction="0.05",  # type: ignore[arg-type]
        start_at=datetime(2026, 3, 9, 7, 0, tzinfo=UTC),
    )
    print("ready", flush=True)
    sys.stdin.readline()
    try:
        writer.run(1, lambda entry: feed_run(entry, int(run_id), FeedsIn(feeds=[feed])))
        print("fed")
    except DomainError as refusal:
        print(refusal.code)
    finally:
        database.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
