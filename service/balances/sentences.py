"""The sentences of many balances at once, from what was recorded when each run was closed.

Nothing is computed anew: a version of a balance holds every figure its sentence needs.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Select, bindparam
from sqlmodel import Session, col

from service.balances.tables import RunBalance
from service.core.mass_balance import Balance, Verdict, sentence
from service.journal.read import chunks, current


@dataclass(frozen=True)
class RecordedSentence:
    """What the newest balance of a run says.

    Parameters
    ----------
    provisional : some moisture in it is a default or not final yet.
    """

    words: str
    verdict: Verdict
    version: int
    provisional: bool


def sentences_of(session: Session, run_ids: Iterable[int]) -> dict[int, RecordedSentence]:
    """The newest sentence of each of these runs; runs that are still open are left out."""
    found: dict[int, RecordedSentence] = {}
    for portion in chunks(set(run_ids)):
        rows = session.execute(_balances_of_runs(), {"runs": portion}).scalars()
        found |= {
            row.process_id: RecordedSentence(sentence(recorded_balance(row)), row.verdict, row.version, row.provisional)
            for row in rows
        }
    return found


# Building a statement costs more than running it.
@cache
def _balances_of_runs() -> Select[Any]:
    return current(RunBalance).where(col(RunBalance.process_id).in_(bindparam("runs", expanding=True)))


def recorded_balance(row: RunBalance) -> Balance:
    """A version of a balance as it was closed, without its single streams."""
    return Balance(
        dry_in_ug=row.dry_in_ug,
        dry_out_ug=row.dry_out_ug,
        weighed_dry_out_ug=row.dry_out_ug - row.estimated_out_ug,
        estimated_dry_out_ug=row.estimated_out_ug,
        stock_change_ug=row.dry_in_ug - row.dry_out_ug - row.unexplained_ug,
        unexplained_ug=row.unexplained_ug,
        verdict=row.verdict,
        tolerance_ppm=row.tolerance_ppm,
        not_claimable_ug=row.not_claimable_ug,
        by_stream=(),
    )
