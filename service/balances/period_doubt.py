"""How far the unexplained mass of each step of a period may be from the truth.

Doubts are added by cause over all runs of a period before anything is squared: what one scale or one moisture sample
makes doubtful all month stays doubtful by the whole of it.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import pairwise

from sqlmodel import Session, col

from service.balances.doubt import doubts_of, unexplained_of
from service.core.measured import Measured, part_of, total
from service.core.period_balance import Process, When
from service.journal.one_of import one_of
from service.journal.read import Knowledge, current
from service.lots.moisture import moistures
from service.lots.statuses import Category, Step
from service.lots.stock import line_masses
from service.lots.tables import Line

# Beyond so many lines, those of ties aside, an answer would take longer than somebody waits.
# A month of an invented plant that took in 3,957 t had 20,235 lines besides 8,649 of ties, so one of 2,500 t (30,000 t
# a year) has about 13,000.
LINES_MAX = 20_000
# Steps whose doubt is worked out. What goes back to its supplier goes back as it came: nothing of it is unexplained.
DOUBTED = frozenset(Step) - {Step.VESSEL_PERIOD, Step.COUNT_CORRECTION, Step.RETURN_TO_SUPPLIER}

Doubted = dict[tuple[str, int], Measured]


def unexplained_by_part(
    session: Session, processes: Mapping[str, Sequence[Process]], bounds: Sequence[int], known: Knowledge | None
) -> Doubted | None:
    """What is unexplained of each step in each part, with its doubt by cause; None if it is too much to work out.

    What has no doubt stated (moistures stated otherwise, vessels, counts) is left out.
    """
    runs = [
        run
        for of_step in processes.values()
        for run in of_step
        if run.when is When.AS_FED and run.step in DOUBTED and run.extent[1] >= bounds[0] and run.extent[0] < bounds[-1]
    ]
    query = current(Line, known).where(one_of(col(Line.process_id), "wanted"))
    wanted = {"wanted": [run.key for run in runs]}
    is_tie = col(Line.category) == Category.TIES
    rows = list(session.execute(query.where(~is_tie).limit(LINES_MAX + 1), wanted).scalars())
    if len(rows) > LINES_MAX:
        return None
    rows += session.execute(query.where(is_tie), wanted).scalars()
    lines = [line for line in rows if line.category is not Category.INTERNAL_LOOP]
    masses = line_masses(session, lines, known)
    named = moistures(session, [line.moisture_id for line in lines if line.moisture_id], known)
    doubts = doubts_of(session, lines, masses, named, known)
    of_run: dict[int, list[Line]] = defaultdict(list)
    for line in lines:
        of_run[line.process_id].append(line)
    found: dict[tuple[str, int], list[Measured]] = defaultdict(list)
    for run in runs:
        whole = unexplained_of(doubts, of_run[run.key], Step(run.step))
        until = [run.until(moment) for moment in bounds]
        for place, (before, after) in enumerate(pairwise(until)):
            now = after.since(before)
            share = Fraction(now.in_ug, run.fed_ug) if run.fed_ug else Fraction(now.out_ug, run.out_ug or 1)
            if share:
                found[run.step, place].append(part_of(whole, share, now.unexplained_ug))
    return {key: total(parts) for key, parts in found.items()}
