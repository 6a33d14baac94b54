"""Traces, recalls and what they cost elsewhere, on an invented history. Run by hand:

    bale-to-pellet generate --years 10
    PYTHONPATH=.:tests python -m benchmark.lineage_benchmark sqlite:////tmp/y10.db
    PYTHONPATH=.:tests python -m benchmark.lineage_benchmark sqlite:////tmp/s10y10.db --against sqlite:////tmp/y10.db

Every answer's shares and remainder must sum to one exactly, and `--compared` of them are held against an independent
walk over the lines; a wrong answer ends the benchmark with status 1, however fast it was. `--against` names the same
history with fewer plants: the last lines give the ratio of the medians. The database is written to (runs are closed
beyond its end): give a copy of what you want to keep. `--parts` chooses among store, list, http and closing.

The table gives median and 99th percentile in milliseconds and the median as a multiple of one empty round trip in the
same process. Milliseconds differ between machines, multiples and ratios hardly do.
"""

import argparse
import random
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from benchmark.lineage_costs import closing_questions, http_questions, list_questions
from benchmark.timing import HEADER, Measured, Stopwatch, TooLong, limit, round_trip, row
from sqlalchemy import select, text
from sqlmodel import Session, col

from service.db import Database, normalised_url
from service.lineage.down import trace_down_out
from service.lineage.independent_walk import Walk
from service.lineage.trace import trace_lot
from service.lots.queries import get_lot
from service.lots.statuses import LotKind
from service.lots.tables import Lot

PARTS = ("store", "list", "http", "closing")
LIMIT_S = 30
SHARE_ONE = 10**12
# An answer may differ from the walk by what either has put into its remainder, and by its own last digit.
LAST_DIGIT = 2e-12


@dataclass
class Answers:
    """What was asked and found, and what is wrong with it.

    Parameters
    ----------
    shares_of : share of each bale by traced lot, as answered.
    remainder_of : by traced lot.
    """

    shares_of: dict[int, dict[int, float]] = field(default_factory=dict)
    remainder_of: dict[int, float] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


def final_lots(session: Session, pieces: int, chance: random.Random) -> Sequence[int]:
    """Random lots that left a reactor: made of solid-stated pellets and no containers."""
    query = text(
        "SELECT lot_fact.id FROM lot_fact JOIN material ON material.id = material_id JOIN lot ON lot.id = lot_fact.id "
        "WHERE material.code = 'PELLETS-SSP' AND lot.kind = 'pellets' AND lot_fact.version = 1 ORDER BY lot_fact.id"
    )
    found = session.execute(query).scalars().all()
    return chance.sample(found, min(pieces, len(found)))


def random_bales(session: Session, pieces: int, chance: random.Random) -> Sequence[int]:
    found = session.execute(select(col(Lot.id)).where(col(Lot.kind) == LotKind.BALE).order_by(col(Lot.id))).scalars()
    listed = found.all()
    return chance.sample(listed, min(pieces, len(listed)))


def lot_of(session: Session, lot_id: int) -> Lot:
    return session.execute(select(Lot).where(col(Lot.id) == lot_id)).scalar_one()


def trace_question(database: Database, lot_ids: Sequence[int], answers: Answers) -> Measured:
    """Trace lots to their bales in the store, each in a session of its own."""
    watch, bales = Stopwatch(), 0
    for lot_id in lot_ids:
        with database.read() as session:
            lot = lot_of(session, lot_id)
            try:
                with watch.running(), limit(LIMIT_S):
                    composition = trace_lot(session, lot).composition
            except TooLong:
                return _stopped("trace of a final lot to bales", watch)
        covered = sum(share for _, share in composition.shares)
        if covered + composition.remainder_e12 != SHARE_ONE:
            answers.wrong.append(f"lot {lot.code}: {covered} + {composition.remainder_e12} is not one")
        answers.shares_of[lot_id] = {bale: share / SHARE_ONE for bale, share in composition.shares}
        answers.remainder_of[lot_id] = composition.remainder_e12 / SHARE_ONE
        bales += len(composition.shares)
    return watch.measured("trace of a final lot to bales", f"{bales / len(lot_ids):,.0f} bales named each")


def recall_question(database: Database, bale_ids: Sequence[int], answers: Answers) -> Measured:
    """Everything that may contain a bale, each in a session of its own."""
    watch, lots = Stopwatch(), 0
    for bale_id in bale_ids:
        with database.read() as session:
            bale = lot_of(session, bale_id)
            try:
                with watch.running(), limit(LIMIT_S):
                    found = trace_down_out(session, [bale])
            except TooLong:
                return _stopped("recall of a bale", watch)
        lots += len(found.affected)
        answers.wrong += [
            f"bale {bale.code}: lot {lot.lot} has the share {lot.share}"
            for lot in found.affected
            if not 0 <= Fraction(lot.share) <= 1
        ]
    return watch.measured("recall of a bale", f"{lots / len(bale_ids):,.0f} lots each")


def _stopped(name: str, watch: Stopwatch) -> Measured:
    over = LIMIT_S * 1_000.0
    return Measured(name, len(watch.wall_ms) + 1, over, over, over, "stopped", is_complete=False)


def compare_with_walk(database: Database, answers: Answers, pieces: int) -> str:
    """Hold traces against the walk, and recalls of the bales they are mostly made of against both."""
    largest = 0.0
    asked = list(answers.shares_of)[:pieces]
    with database.read() as session:
        walk = Walk(session)
        for lot_id in asked:
            answered, found = answers.shares_of[lot_id], walk.origins_of(lot_id)
            allowed = answers.remainder_of[lot_id] + found.remainder + LAST_DIGIT
            missed = sum(share for bale, share in found.shares.items() if bale not in answered)
            off = max(abs(share - found.shares.get(bale, 0.0)) for bale, share in answered.items())
            largest = max(largest, off)
            total = sum(found.shares.values()) + found.remainder
            if off > allowed or missed > allowed or abs(total - 1) > 1e-9:
                answers.wrong.append(
                    f"lot {lot_id}: off by {off:.2e}, {missed:.2e} missed, {allowed:.2e} allowed; walk sums to {total}"
                )
    return f"{len(asked)} traces against an independent walk: largest difference of a share {largest:.1e}"


def compare_recalls(database: Database, answers: Answers, pieces: int) -> str:
    """A lot that is made of a bale is found from that bale, with the same share."""
    largest, asked = 0.0, list(answers.shares_of)[:pieces]
    for lot_id in asked:
        bale_id, share = max(answers.shares_of[lot_id].items(), key=lambda item: item[1])
        with database.read() as session:
            code = lot_of(session, lot_id).code
            try:
                with limit(LIMIT_S):
                    affected = trace_down_out(session, [lot_of(session, bale_id)]).affected
            except TooLong:
                return "recalls were not compared: stopped"
        found = [float(Fraction(lot.share)) for lot in affected if lot.lot == code]
        if not found or abs(found[0] - share) > answers.remainder_of[lot_id] + LAST_DIGIT:
            answers.wrong.append(f"bale {bale_id} in lot {code}: traced {share:.3e}, recalled {found}")
        largest = max([largest, *(abs(part - share) for part in found)])
    return f"{len(asked)} recalls against their traces: largest difference of a share {largest:.1e}"


def store_questions(database: Database, asked: argparse.Namespace, answers: Answers) -> list[Measured]:
    chance = random.Random(asked.seed)
    with database.read() as session:
        finals, bales = final_lots(session, asked.asked, chance), random_bales(session, asked.asked, chance)
    for subject in finals[:3]:  # compiles the statements, as in a server that has run for a minute
        trace_question(database, [subject], Answers())
    return [trace_question(database, finals, answers), recall_question(database, bales, answers)]


def main() -> None:
    asked = _arguments()
    database, answers = Database(normalised_url(asked.url)), Answers()
    floor = round_trip(database)
    parts = asked.parts.split(",")
    print(f"{database.engine.dialect.name}\n{HEADER}\n{row(floor, floor)}")
    stored: list[Measured] = []
    if "store" in parts:
        stored = store_questions(database, asked, answers)
        print("\n".join(row(measured, floor) for measured in stored), flush=True)
    with database.read() as session:
        codes = [lot_of(session, lot_id).code for lot_id in final_lots(session, asked.asked, random.Random(3))]
        assert all(get_lot(session, code).code == code for code in codes)
    for part, question in (("list", list_questions), ("http", http_questions)):
        if part in parts:
            print("\n".join(row(measured, floor) for measured in question(database, codes)), flush=True)
    notes = []
    if "store" in parts:
        notes += [compare_with_walk(database, answers, asked.compared), compare_recalls(database, answers, 20)]
    if asked.against is not None and stored:
        smaller = Database(normalised_url(asked.against))
        for large, small in zip(stored, store_questions(smaller, asked, answers), strict=True):
            notes.append(f"{large.name}: {large.p50_ms / small.p50_ms:.2f} times the median of {smaller.url}")
        smaller.close()
    if "closing" in parts:  # last, because it writes
        print("\n".join(row(measured, floor) for measured in closing_questions(database)), flush=True)
    database.close()
    print("\n".join(notes))
    if answers.wrong:
        sys.exit("\n".join(["WRONG ANSWERS", *answers.wrong[:20], f"{len(answers.wrong)} in all"]))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("url", help="a generated database; it is written to")
    parser.add_argument("--against", help="the same history with fewer plants")
    parser.add_argument("--asked", type=int, default=200, help="lots and bales asked about")
    parser.add_argument("--compared", type=int, default=100, help="traces held against the walk")
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--parts", default=",".join(PARTS), help=f"comma separated, of {', '.join(PARTS)}")
    return parser.parse_args()


if __name__ == "__main__":
    main()
