"""Proof of what was worked out about lineage: every row of it follows from the lines, and from what stands beside it.

As in `service.verify`, the lines are read by plain SQL, none of the code that works compositions out runs here; what a
composition says is compared with an independent walk in `verify_meaning`, what stands in vessels in
`verify_standings`. Only windows through lines are taken from the arithmetic that the service uses as well.

What the answers of today rest on is proven. Of what was known earlier, form and order are: the lines of then would have
to be walked anew for each of them. What a gain withholds of a claim is compared by nobody here.
"""

from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from sqlalchemy import text
from sqlmodel import Session

from service.core.mixture import FINE
from service.journal.faults import NOTHING, Report
from service.journal.standing import current
from service.journal.tables import SITE_STEP
from service.lineage.independent_lines import DRY_UG, IS_MAKER, IS_MATERIAL, WEIGHED, microseconds
from service.lineage.row_sums import Expected, compare_rows
from service.lineage.stored import EVER, Derived, body_of, derived_of
from service.lineage.tables import Derivation, Reach, SourceMember, SourceShare, VesselReach, VesselStanding
from service.lineage.verify_meaning import check_meaning
from service.lineage.verify_standings import check_standings
from service.lineage.verify_windows import members_of_windows

ROWS_AT_A_TIME = 1_000
TABLES = (Derivation, Reach, SourceMember, SourceShare, VesselReach, VesselStanding)
# Where these do not agree with the journal, nothing that should follow from them can be told.
RESTS_ON = {
    *("journal", "identity", "lot", "lot_fact", "lot_mass", "line", "measurement", "process"),
    *("equipment", "equipment_event", "residence", "material"),
}
STANDING_MAKER = f"{IS_MAKER.format('maker')} AND {current('maker', 'line')}"
HAS_MAKER = f"EXISTS (SELECT 1 FROM line AS maker WHERE maker.lot_id = {{}} AND {STANDING_MAKER})"

STATES = f"""
SELECT derivation.lot_id, derivation.known_from, derivation.known_to, derivation.body, made.first_seq, made.standing
FROM derivation LEFT JOIN (
    SELECT maker.lot_id, MIN(maker.seq) AS first_seq, SUM(CASE WHEN {STANDING_MAKER} THEN 1 ELSE 0 END) AS standing
    FROM line AS maker WHERE maker.direction = 'out' AND maker.lot_id IS NOT NULL GROUP BY maker.lot_id
) AS made ON made.lot_id = derivation.lot_id
ORDER BY derivation.lot_id, derivation.known_from
"""
WITHOUT_STATE = f"""
SELECT DISTINCT maker.lot_id FROM line AS maker WHERE maker.lot_id IS NOT NULL AND {STANDING_MAKER}
AND NOT EXISTS (SELECT 1 FROM derivation WHERE derivation.lot_id = maker.lot_id AND derivation.known_to IS NULL)
ORDER BY maker.lot_id
"""
WITHDRAWN = "SELECT 1 FROM line WHERE lot_id = :lot AND direction = 'out' AND void AND seq = :seq"
OPEN_BODIES = "SELECT lot_id, body FROM derivation WHERE known_to IS NULL"
TAKEN_IN = f"line.direction = 'in' AND line.lot_id IS NOT NULL AND {IS_MATERIAL} AND {current('line')}"
CHARGES = f"""
SELECT line.id, line.lot_id, line.process_id, line.start_at, line.end_at, derivation.body
FROM line JOIN process ON process.id = line.process_id AND {current("process")} AND process.mixing <> 'run_mixed'
LEFT JOIN derivation ON derivation.lot_id = line.lot_id AND derivation.known_to IS NULL
WHERE {TAKEN_IN}
"""
MEMBERS_OF_RUNS = f"""
SELECT line.process_id, line.lot_id, CAST(SUM({DRY_UG}) AS BIGINT)
FROM {WEIGHED} JOIN process ON process.id = line.process_id AND {current("process")} AND process.mixing = 'run_mixed'
WHERE {TAKEN_IN} AND NOT {HAS_MAKER.format("line.lot_id")}
GROUP BY line.process_id, line.lot_id
"""
MEMBERS_OF_CHARGES = f"""
SELECT line.id, line.lot_id, 1
FROM line JOIN process ON process.id = line.process_id AND {current("process")} AND process.mixing <> 'run_mixed'
WHERE {TAKEN_IN} AND NOT {HAS_MAKER.format("line.lot_id")}
"""


class State(NamedTuple):
    """A row of `derivation`, with the first entry that made the lot, and how many lines that made it stand."""

    lot_id: int
    known_from: int
    known_to: int | None
    body: bytes
    first_seq: int | None
    standing: int | None

    @property
    def key(self) -> str:
        return f"lot_id={self.lot_id} known_from={self.known_from}"


@dataclass
class States:
    """What was read of the states of lots.

    Parameters
    ----------
    sound : lots whose composition can be looked at.
    unclear : lots nothing can be expected of, because their own state is missing or damaged; that is reported.
    """

    sound: "array[int]" = field(default_factory=lambda: array("q"))
    unclear: set[int] = field(default_factory=set)


def check_stored(session: Session, report: Report) -> None:
    """Prove everything that is stored about lineage, unless the facts it rests on are themselves in doubt."""
    if any(RESTS_ON.intersection(fault.tables) for fault in report.faults):
        return
    report.is_lineage_compared = True
    if _nothing_was_worked_out(session, report):
        return
    states = _check_states(session, report)
    unclear = states.unclear
    for expected in (
        Expected(SourceShare, ("lot_id", "source_id", "share_e12"), lambda: _shares(session), unclear),
        Expected(Reach, ("lot_id", "source_id", "until_code"), lambda: _reaches(session), unclear),
        Expected(SourceMember, ("source_id", "lot_id", "weight"), lambda: _members(session)),
        Expected(
            VesselReach,
            ("line_id", "source_id", "period_id", "at_code", "until_code"),
            lambda: _charged(session),
            _charges_of(session, unclear),
        ),
    ):
        compare_rows(session, report, expected)
    check_standings(session, report)
    check_meaning(session, report, states.sound)


def _nothing_was_worked_out(session: Session, report: Report) -> bool:
    """Whether there is something to work out and none of it was, as after an upgrade."""
    if any(session.execute(text(f"SELECT 1 FROM {table.__tablename__} LIMIT 1")).first() for table in TABLES):
        return False
    if session.execute(text(f"SELECT 1 FROM line WHERE {TAKEN_IN} LIMIT 1")).first() is None:
        return False
    report.add("derivation", "of all lots", NOTHING, "not worked out: run bale-to-pellet derive")
    return True


# States -----------------------------------------------------------------------------------------------


def _check_states(session: Session, report: Report) -> States:
    """Each state can be read, holds from one entry to a later one, and the newest holds now."""
    states = States()
    ends = {row[0]: row[1] for row in session.execute(text("SELECT log_no, MAX(seq) FROM journal GROUP BY log_no"))}
    before: State | None = None
    for stored in session.execute(text(STATES), execution_options={"yield_per": ROWS_AT_A_TIME}):
        row = State(*stored)
        report.compositions += 1
        if before is not None:
            _check_succession(session, report, before, row)
        _check_positions(report, row, ends)
        is_sound = _is_sound(report, row)
        if row.known_to is None:
            if not row.standing:
                report.add("derivation", row.key, "a composition", "none: no line that made the lot stands")
            if before is not None and before.lot_id == row.lot_id and before.known_to is None:
                states.unclear.add(row.lot_id)  # two at once
            elif is_sound and row.standing:
                states.sound.append(row.lot_id)
            if not is_sound:
                states.unclear.add(row.lot_id)
        before = row
    if before is not None:
        _check_succession(session, report, before, None)
    for (lot_id,) in session.execute(text(WITHOUT_STATE)):
        report.add("derivation", f"lot_id={lot_id}", NOTHING, "a composition that holds now: lines that made it stand")
        states.unclear.add(lot_id)
    return states


def _check_positions(report: Report, row: State, ends: dict[int, int]) -> None:
    """A state holds between entries of the lot's own site, and not before the lot was made."""
    site_no = row.lot_id // SITE_STEP
    for column, seq in (("known_from", row.known_from), ("known_to", row.known_to)):
        if seq is not None and not site_no * SITE_STEP <= seq <= ends.get(site_no, -1):
            report.add("derivation", row.key, seq, f"an entry of log {site_no}", column)
    if row.known_to is not None and row.known_to <= row.known_from:
        report.add("derivation", row.key, row.known_to, "a later entry than known_from", "known_to")
    if row.first_seq is None or row.known_from < row.first_seq:
        made = "the lot was never made" if row.first_seq is None else f"the lot was made by entry {row.first_seq}"
        report.add("derivation", row.key, row.known_from, made, "known_from")


def _check_succession(session: Session, report: Report, before: State, after: State | None) -> None:
    """A state ends where the next one of its lot begins, or where no line that made the lot stood any more."""
    next_from = after.known_from if after is not None and after.lot_id == before.lot_id else None
    if before.known_to == next_from:
        return
    if before.known_to is None or (next_from is not None and before.known_to > next_from):
        report.add("derivation", before.key, before.known_to, f"ended by entry {next_from}", "known_to")
    elif session.execute(text(WITHDRAWN), {"lot": before.lot_id, "seq": before.known_to}).first() is None:
        follows = "the next state of the lot begins" if next_from else "what made the lot is withdrawn"
        report.add("derivation", before.key, before.known_to, f"the entry with which {follows}", "known_to")


def _is_sound(report: Report, row: State) -> bool:
    """Whether the body of a state can be read and adds up."""
    try:
        derived = derived_of(row.body)
        wrong = "another form" if body_of(derived) != bytes(row.body) else _wrong_in(derived)
    except (ValueError, TypeError, IndexError) as damage:
        wrong = str(damage)
    if wrong:
        report.add("derivation", row.key, wrong, "what was worked out and stored then", "body")
    return not wrong


def _wrong_in(derived: Derived) -> str:
    """What a composition cannot be, whatever the lines are; empty if all is well."""
    mixture = derived.mixture
    claims = mixture.weights if mixture.claims is None else mixture.claims
    if mixture.cut < 0 or any(weight <= 0 for weight in mixture.weights.values()):
        return "a weight below nought"
    if mixture.cut + sum(mixture.weights.values()) != FINE:
        return f"weights that sum to {mixture.cut + sum(mixture.weights.values())}"
    if not 0 <= mixture.recycled_claimable <= mixture.recycled <= FINE:
        return f"a recycled part of {mixture.recycled}, {mixture.recycled_claimable} of it claimable"
    if any(not 0 <= claims[source] <= weight for source, weight in mixture.weights.items()):
        return "claims beyond the shares"
    if any(not 0 < until <= EVER for until in derived.reach.values()):
        return "a reach beyond all time"
    return ""


# Rows that follow ---------------------------------------------------------------------------------------


def _shares(session: Session) -> Iterator[tuple[int, int, int]]:
    for lot_id, derived in _open_bodies(session):
        for source, weight in derived.mixture.weights.items():
            if source > 0:
                yield lot_id, source, weight // (FINE // 10**12)


def _reaches(session: Session) -> Iterator[tuple[int, int, int]]:
    for lot_id, derived in _open_bodies(session):
        for source, until in derived.reach.items():
            yield lot_id, source, until


def _open_bodies(session: Session) -> Iterator[tuple[int, Derived]]:
    for lot_id, body in session.execute(text(OPEN_BODIES), execution_options={"yield_per": ROWS_AT_A_TIME}):
        derived = _read(body)
        if derived is not None:
            yield lot_id, derived


def _read(body: bytes) -> Derived | None:
    try:
        return derived_of(body)
    except (ValueError, TypeError, IndexError):
        return None  # reported by `_check_states`


def _charged(session: Session) -> Iterator[tuple[int, int, int, int, int]]:
    """What each charge brought into its vessel: its lot, and all that reaches into that, from its beginning on."""
    for row in session.execute(text(CHARGES), execution_options={"yield_per": ROWS_AT_A_TIME}):
        derived = None if row.body is None else _read(row.body)
        brought = {row.id: EVER} if derived is None else {row.lot_id: EVER, **derived.reach}
        at_code = 2 * microseconds(row.start_at) + (row.end_at is not None)
        for source, until in brought.items():
            yield row.id, source, row.process_id, at_code, until


def _charges_of(session: Session, lot_ids: set[int]) -> set[int]:
    lines = text("SELECT id FROM line WHERE lot_id = :lot")
    return {line_id for lot_id in lot_ids for (line_id,) in session.execute(lines, {"lot": lot_id})}


def _members(session: Session) -> Iterator[tuple[int, ...]]:
    for query in (MEMBERS_OF_RUNS, MEMBERS_OF_CHARGES):
        for row in session.execute(text(query), execution_options={"yield_per": ROWS_AT_A_TIME}):
            yield tuple(row)
    yield from members_of_windows(session)
