"""What the page of a run shows of it, in words: its lines and its balance."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlmodel import col

from service.balances.queries import balance_versions, detailed_balance_out
from service.balances.schemas import DetailedBalanceOut
from service.core.quantities import dry_kg_text, kg_text
from service.journal.read import texts_of
from service.lots.queries import materials_of
from service.lots.rows import lot_rows
from service.lots.statuses import Direction, MeasurementBasis
from service.lots.tables import Line, LotStock, Process
from service.pages.desk import Desk
from service.pages.floor.words import (
    category_words,
    clock,
    percent_of_fraction,
    signed_kg,
    span_text,
    step_words,
    verdict_words,
)
from service.runs.queries import latest_lines, lines_out, lines_since, totals_of
from service.runs.schemas import LineOut

SHOWN_AT_FIRST = 20  # of a long list: what was done last is what one looks for


@dataclass(frozen=True)
class Done:
    """What was recorded just now, to be said on the page that follows.

    Parameters
    ----------
    fed : lots fed.
    twice : how many of them had been scanned more than once.
    made : line of the first lot that came out; `pieces` follow it.
    said : the name of something else that was done.
    """

    fed: int = 0
    twice: int = 0
    made: int = 0
    pieces: int = 1
    said: str = ""


NOTHING_DONE = Done()


@dataclass(frozen=True)
class LineShown:
    """A line of a run in words.

    Parameters
    ----------
    mass : in kg; of an estimate, the percentage of what went in dry.
    left_kg : what is still left of a lot that was fed in part, None otherwise.
    """

    id: int
    code: str | None
    what: str
    stream: str
    category: str
    mass: str
    is_estimate: bool
    moisture: str
    at: str
    left_kg: str | None


@dataclass(frozen=True)
class RunShown:
    """A run as its page shows it; lists have the latest first.

    Parameters
    ----------
    fed, out : the latest lines, or all of them; `more_fed` and `more_out` say that there are others.
    made : what came out just now.
    """

    id: int
    name: str
    begun: str
    when: str
    day: str
    is_closed: bool
    note: str | None
    fed: Sequence[LineShown]
    out: Sequence[LineShown]
    made: Sequence[LineShown]
    more_fed: bool
    more_out: bool
    fed_lots: int
    fed_kg: str
    ties_kg: str | None
    out_lots: int
    out_kg: str


@dataclass(frozen=True)
class EarlierBalance:
    """A version of a balance that a later one has replaced."""

    version: int
    recorded: str
    word: str
    unexplained: str
    u95: str
    why: str


def run_shown(desk: Desk, run: Process, done: Done, *, everything: bool) -> RunShown:
    session, limit = desk.session, None if everything else SHOWN_AT_FIRST + 1
    fed = latest_lines(session, run.id, Direction.IN, limit)
    out = latest_lines(session, run.id, Direction.OUT, limit)
    made = lines_since(session, run.id, done.made, done.pieces) if done.made else ()
    shown = _lines_shown(desk, run, {line.id: line for line in (*fed, *out, *made)})
    [totals] = totals_of(session, [run])
    return RunShown(
        id=run.id,
        name=step_words(run.step),
        begun=clock(desk, run.started_at),
        when=f"ended {clock(desk, run.ended_at)}" if run.ended_at else "open",
        day=f"{desk.local(run.started_at):%Y-%m-%d}",
        is_closed=run.is_closed,
        note=run.note,
        fed=[shown[line.id] for line in fed[: limit and SHOWN_AT_FIRST]],
        out=[shown[line.id] for line in out[: limit and SHOWN_AT_FIRST]],
        made=[shown[line.id] for line in made],
        more_fed=len(fed) == limit,
        more_out=len(out) == limit,
        fed_lots=totals.fed_lots,
        fed_kg=kg_text(totals.fed_g),
        ties_kg=kg_text(totals.ties_g) if totals.ties_g else None,
        out_lots=totals.out_lots,
        out_kg=kg_text(totals.out_g),
    )


def _lines_shown(desk: Desk, run: Process, lines: Mapping[int, Line]) -> dict[int, LineShown]:
    """Lines in words, by line; what is left of a lot stands with its feeds."""
    session = desk.session
    ids = {line.lot_id for line in lines.values() if line.lot_id is not None}
    lots, materials = lot_rows(session, ids), materials_of(session, ids)
    what = {lot.code: materials[lot.id].name for lot in lots.values()}
    held = select(col(LotStock.lot_id), col(LotStock.on_hand_g)).where(col(LotStock.lot_id).in_(ids))
    left = {lots[lot_id].code: kg_text(grams) for lot_id, grams in session.execute(held) if grams > 0}
    day = desk.local(run.started_at).date()
    return {line.id: _line_shown(desk, line, day, what, left) for line in lines_out(session, list(lines.values()))}


def _line_shown(desk: Desk, line: LineOut, day: date, what: dict[str, str], left: dict[str, str]) -> LineShown:
    moisture = ""
    if line.moisture_fraction is not None:
        moisture = percent_of_fraction(line.moisture_fraction)
        if line.moisture_basis is not MeasurementBasis.MEASURED:
            moisture += f", {line.moisture_basis}"
    return LineShown(
        id=line.id,
        code=line.lot,
        what=what[line.lot] if line.lot else "No lot",
        stream=line.stream,
        category=category_words(line.category),
        mass=f"{line.mass_kg} kg" if line.mass_kg is not None else percent_of_fraction(line.fraction_of_dry_in or "0"),
        is_estimate=line.fraction_of_dry_in is not None,
        moisture=moisture,
        at=span_text(desk, line.start_at, line.end_at, day),
        left_kg=left.get(line.lot) if line.lot and line.direction is Direction.IN else None,
    )


def balances_of(desk: Desk, run_id: int) -> tuple[DetailedBalanceOut | None, list[EarlierBalance]]:
    """The balance of a run that stands, None while it is open, and those it replaced, the latest first."""
    versions = balance_versions(desk.session, run_id)
    if not versions:
        return None, []
    reasons = texts_of(desk.session, [row.reason_id for row in versions if row.reason_id is not None])
    earlier = [
        EarlierBalance(
            version=row.version,
            recorded=clock(desk, row.recorded_at),
            word=verdict_words(row.verdict).word,
            unexplained=signed_kg(dry_kg_text(row.unexplained_ug)),
            u95="" if row.u95_ug is None else dry_kg_text(row.u95_ug),
            why=(reasons.get(row.reason_id) if row.reason_id is not None else None) or "run closed",
        )
        for row in versions[-2::-1]
    ]
    return detailed_balance_out(desk.session, versions[-1]), earlier
