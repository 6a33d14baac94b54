"""Proof of the balances of runs: each follows from the lines that stand, and each closed run has one.

As in `service.verify`, sums are made by plain SQL; none of the code that closes a balance runs here. What a balance
rests on besides (certificates, tares, doubtful moistures: its U95) is not recomputed; its row is hashed like any other.
"""

from collections import defaultdict
from typing import Any

from sqlalchemy import text
from sqlmodel import Session

from service.core.quantities import NotAFraction, parse_fraction
from service.journal.faults import Report
from service.journal.standing import current
from service.journal.verify import ROWS_AT_A_TIME
from service.lineage.independent_lines import DRY_UG, WEIGHED

PPM = 1_000_000
# Where these do not agree with the journal, what should follow from them cannot be told.
RESTS_ON = {"journal", "identity", "lot", "lot_mass", "line", "measurement", "process", "setting", "balance"}

# Once round is not twice: internal loops count neither as fed nor as out. What did not come back stands in a lot.
IS_ONCE = "line.category <> 'internal_loop'"
STREAMS = f"""
SELECT line.process_id,
       CAST(SUM(CASE WHEN line.direction = 'in' AND {IS_ONCE} THEN {DRY_UG} ELSE 0 END) AS BIGINT) AS in_ug,
       CAST(SUM(CASE WHEN line.direction = 'out' AND {IS_ONCE} THEN {DRY_UG} ELSE 0 END) AS BIGINT) AS out_ug,
       CAST(SUM(CASE WHEN {IS_ONCE} THEN 0 WHEN line.direction = 'out' THEN {DRY_UG} ELSE -{DRY_UG} END) AS BIGINT)
           AS looped_ug,
       SUM(CASE WHEN measurement.basis <> 'measured' THEN 1 ELSE 0 END) AS guesses
FROM {WEIGHED} WHERE {current("line")} GROUP BY line.process_id
"""
BALANCES = f"""
SELECT balance.id, balance.process_id, balance.dry_in_ug, balance.dry_out_ug, balance.estimated_out_ug,
       balance.unexplained_ug, balance.not_claimable_ug, balance.tolerance_id, balance.tolerance_ppm, balance.verdict,
       balance.provisional, process.step, process.is_closed,
       COALESCE(streams.in_ug, 0) AS in_ug, COALESCE(streams.out_ug, 0) AS out_ug,
       COALESCE(streams.looped_ug, 0) AS looped_ug, COALESCE(streams.guesses, 0) AS guesses
FROM balance
LEFT JOIN process ON process.id = balance.process_id AND {current("process")}
LEFT JOIN ({STREAMS}) AS streams ON streams.process_id = balance.process_id
WHERE {current("balance")} ORDER BY balance.id
"""
ESTIMATES = f"SELECT process_id, fraction_ppm FROM line WHERE fraction_ppm IS NOT NULL AND {current('line')}"
# A run is closed by its balance; what leaves unused, what only stands in a vessel, and what a count books, is none.
UNJUDGED = f"""
SELECT process.id FROM process
WHERE process.is_closed AND process.step NOT IN ('vessel_period', 'return_to_supplier', 'count_correction')
AND {current("process")}
AND NOT EXISTS (SELECT 1 FROM balance WHERE balance.process_id = process.id AND {current("balance")})
ORDER BY process.id
"""


def check_balances(session: Session, report: Report) -> None:
    """Compare the balance of every run with what its lines add up to."""
    if any(RESTS_ON.intersection(fault.tables) for fault in report.faults):
        return
    for (run_id,) in session.execute(text(UNJUDGED)):
        report.add("balance", f"process_id={run_id}", None, "a balance: the run is closed")
    fractions: dict[int, list[int]] = defaultdict(list)
    for run_id, fraction_ppm in session.execute(text(ESTIMATES)):
        fractions[run_id].append(fraction_ppm)
    stated = _stated_tolerances(session)
    for row in session.execute(text(BALANCES), execution_options={"yield_per": ROWS_AT_A_TIME}):
        report.balances += 1
        key = f"id={row.id}"
        if not row.is_closed:
            report.add("balance", key, "a balance", "none: its run is not closed", "process_id")
            continue
        if row.tolerance_ppm not in stated[row.tolerance_id]:
            expected = f"one of {sorted(stated[row.tolerance_id])}"
            report.add("balance", key, row.tolerance_ppm, expected, "tolerance_ppm")
        for column, figure in _figures(row, fractions[row.process_id]).items():
            recorded = getattr(row, column)
            report.compare("balance", key, column, bool(recorded) if isinstance(figure, bool) else recorded, figure)


def _stated_tolerances(session: Session) -> dict[int, set[int]]:
    """Every value each setting ever stated: a balance keeps the one in force when it was worked out."""
    found: dict[int, set[int]] = defaultdict(set)
    for setting_id, value in session.execute(text("SELECT id, value FROM setting")):
        try:
            found[setting_id].add(parse_fraction(value))
        except NotAFraction:  # a setting of another kind
            continue
    return found


def _figures(row: Any, fractions_ppm: list[int]) -> dict[str, Any]:
    """What a balance should say, by column."""
    losses = [(2 * int(row.in_ug) * fraction_ppm + PPM) // (2 * PPM) for fraction_ppm in fractions_ppm]
    # What is loaded leaves the gate as it is.
    out_ug = int(row.out_ug) + (int(row.in_ug) if row.step == "shipping" else 0)
    out_ug += max(int(row.looped_ug), -out_ug) + sum(losses)
    unexplained_ug = int(row.in_ug) - out_ug
    exceeds = abs(unexplained_ug) * PPM > row.tolerance_ppm * int(row.in_ug)
    is_gain = exceeds and unexplained_ug < 0
    outside = "gain_above_tolerance" if is_gain else "loss_above_tolerance"
    return {
        "dry_in_ug": int(row.in_ug),
        "dry_out_ug": out_ug,
        "estimated_out_ug": sum(losses),
        "unexplained_ug": unexplained_ug,
        "not_claimable_ug": -unexplained_ug if is_gain else 0,
        "verdict": "nothing_in" if not row.in_ug else (outside if exceeds else "closes"),
        "provisional": row.guesses > 0,
    }
