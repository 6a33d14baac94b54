"""The whole proof of a database: the journal and its rows, then everything that can be computed from facts.

What is derived is recomputed here by plain SQL and sums, never by the code that wrote it, so that a mistake
in that code is found as well as a changed value. Recomputed are: `lot_stock`, the bales of each delivery
against its material net, the balances of runs, what kind of thing each reference points at, the counters
that give out identities, the digests of photos, and all that was worked out about lineage.
`service.journal.verify` says what a proof without an outside witness cannot show.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Table, inspect, select, text
from sqlalchemy.exc import DatabaseError, DataError, ProgrammingError
from sqlmodel import Session, SQLModel, col

import service.access.tables
import service.balances.tables
import service.lots.tables
import service.papers.tables
import service.partners.tables
import service.plant.tables
import service.recall.tables
import service.weighbridge.tables  # noqa: F401  every fact table must be known before rows are hashed
from service.balances.verify_balances import check_balances
from service.core.quantities import NotAMass, parse_kg
from service.db import Database
from service.journal.entry import canonical_value
from service.journal.faults import Fault, Report, Watch
from service.journal.standing import current
from service.journal.tables import SITE_STEP, Counter, IdempotencyRecord, JournalEntry
from service.journal.verify import ROWS_AT_A_TIME, verify_journal
from service.lineage.verify_stored import check_stored
from service.plant.statuses import SettingKey
from service.plant.verify_validity import check_validity
from service.weighbridge.verify_remarks import check_attachments, check_remarks

MIGRATION_TABLE = "alembic_version"

# The kind each identity of a table has; a table that is not named here gives its own name.
KIND_OF_TABLE = {"text_commitment": "text", "lot_fact": "lot", "lot_mass": "lot"}
# The kinds a reference may point at; a column that is not named here gives its name without `_id`.
KINDS_OF_COLUMN = {
    "supplier_id": ("partner",),
    "carrier_id": ("partner",),
    "owner_id": ("partner",),
    "gross_id": ("weighing",),
    "counter_id": ("actor",),
    "approver_id": ("actor",),
    "count_id": ("stock_count",),
    "booked_line_id": ("line",),
    "note_id": ("text",),
    "tare_id": ("weighing",),
    "moisture_id": ("measurement",),
    "tolerance_id": ("setting",),
    "subject_id": ("lot", "delivery", "line", "process", "partner", "equipment"),
}


def verify_database(database: Database) -> tuple[Fault, ...]:
    """Every place where the record does not agree with itself; empty when it agrees."""
    return tuple(examine(database).faults)


def examine(database: Database, watch: Watch | None = None) -> Report:
    """Verify a database on one snapshot, while others may write.

    Parameters
    ----------
    watch : told (entries done, entries in all) while the journal is read.

    Returns
    -------
    counts of what was looked at, and the faults.
    """
    report = Report() if watch is None else Report(watch)
    with database.read() as session, _lenient_text(session):
        if not _has_all_tables(session, report):
            return report
        try:
            verify_journal(session, report)
            _check_answers(session, report)
            _check_counters(session, report)
            _check_kinds(session, report)
            check_validity(session, report)
            _check_stock(session, report)
            _check_deliveries(session, report)
            _check_ties(session, report)
            check_remarks(session, report)
            check_attachments(session, report)
            check_balances(session, report)
            check_stored(session, report)
        except (DataError, ProgrammingError):
            raise  # our own mistake, not one of the file
        except DatabaseError as failure:
            report.add("database", "file or server", f"unreadable: {failure.orig}", "readable tables")
    return report


@contextmanager
def _lenient_text(session: Session) -> Iterator[None]:
    """Let SQLite hand out text that is no UTF-8 any more, so that its row can be named."""
    connection: Any = session.connection()
    if connection.dialect.name != "sqlite":
        yield
        return
    driver = connection.connection.driver_connection
    before = driver.text_factory
    driver.text_factory = lambda stored: stored.decode("utf-8", "backslashreplace")
    try:
        yield
    finally:
        driver.text_factory = before


def _has_all_tables(session: Session, report: Report) -> bool:
    """The tables of the database are those that are checked here."""
    known = {table.name for table in SQLModel.metadata.sorted_tables} | {MIGRATION_TABLE}
    present = set(inspect(session.connection()).get_table_names())
    for name in sorted(known - present):
        report.add(name, "table", None, "a table of this version")
    for name in sorted(present - known):
        report.add(name, "table", "a table", "none of that name in this version: its rows are not checked")
    return known <= present


def _check_answers(session: Session, report: Report) -> None:
    """An answer that was sent names an entry; the entry is there. Shows a tail that was cut off."""
    entry_there = select(1).where(col(JournalEntry.seq) == IdempotencyRecord.seq).exists()
    query = select(col(IdempotencyRecord.actor_id), col(IdempotencyRecord.key), col(IdempotencyRecord.seq)).where(
        col(IdempotencyRecord.seq).is_not(None), ~entry_there
    )
    for actor_id, key, seq in session.execute(query):
        recorded = f"answered with entry {seq} (actor {actor_id}, key {key})"
        report.add("journal", f"seq={seq}", recorded, "no such entry")


def _check_counters(session: Session, report: Report) -> None:
    """The counter that gives out identities stands above every identity given."""
    given = text(
        f"SELECT id / {SITE_STEP} AS site_no, MAX(id) % {SITE_STEP} AS highest FROM identity GROUP BY id / {SITE_STEP}"
    )
    counters = select(col(Counter.site_no), col(Counter.next_number)).where(col(Counter.series) == "identity")
    following = {row.site_no: row.next_number for row in session.execute(counters)}
    for site_no, highest in session.execute(given):
        if following.get(site_no, 0) <= highest:
            key = f"site_no={site_no} series=identity"
            report.add("counter", key, following.get(site_no), f"above {highest}", "next_number")


def _check_kinds(session: Session, report: Report) -> None:
    """Every identity has its thing, and every reference points at the kind of thing it means."""
    homes: dict[str, str] = {}
    for table in SQLModel.metadata.sorted_tables:
        kinds: dict[str, Sequence[str]] = {}
        for column in table.columns:
            if not any(key.column.table.name == "identity" for key in column.foreign_keys):
                continue
            if column.key == "id":
                own = KIND_OF_TABLE.get(table.name, table.name)
                homes.setdefault(own, table.name)
                kinds["id"] = (own,)
            else:
                kinds[column.key] = KINDS_OF_COLUMN.get(column.key, (column.key.removesuffix("_id"),))
        if kinds:
            _check_references(session, report, table, kinds)
    at_home = " OR ".join(
        f"(kind = '{kind}' AND EXISTS (SELECT 1 FROM {home} WHERE {home}.id = identity.id))"
        for kind, home in homes.items()
    )
    for number, kind in session.execute(text(f"SELECT id, kind FROM identity WHERE NOT ({at_home}) ORDER BY id")):
        expected = "no row" if kind in homes else "no such kind of thing"
        report.add(homes.get(kind, "identity"), f"id={number}", f"an identity of kind {kind}", expected)


def _check_references(session: Session, report: Report, table: Table, kinds: dict[str, Sequence[str]]) -> None:
    """Report each reference of a table that points at another kind of thing, or at nothing."""
    key = [column.key for column in table.primary_key.columns]
    wrong = {
        column: f"({column} IS NOT NULL AND NOT EXISTS (SELECT 1 FROM identity WHERE identity.id = "
        f"{table.name}.{column} AND identity.kind IN ({', '.join(repr(kind) for kind in allowed)})))"
        for column, allowed in kinds.items()
    }
    columns = ", ".join((*key, *kinds, *wrong.values()))
    query = f"SELECT {columns} FROM {table.name} WHERE {' OR '.join(wrong.values())}"
    for row in session.execute(text(query)):
        name = " ".join(f"{column}={value}" for column, value in zip(key, row, strict=False))
        references, verdicts = row[len(key) : len(key) + len(kinds)], row[len(key) + len(kinds) :]
        for column, reference, is_wrong in zip(kinds, references, verdicts, strict=True):
            if is_wrong:
                expected = f"an identity of kind {' or '.join(kinds[column])}"
                report.add(table.name, name, reference, expected, column)


# What a lot held: its own mass fact, else what its producing lines gave; what was taken: lines in figures.
# One line of 'whole' or 'rest' takes what the others left. Ties are no material.
LOT_SUMS = f"""
SELECT lot.id AS lot_id, lot.kind, lot.born_at, lot_stock.lot_id AS stock_of, lot_stock.on_hand_g,
       lot_stock.tolerance_g, COALESCE(mass.material_g, sums.produced_g, 0) AS held_g,
       COALESCE(sums.taken_g, 0) AS taken_g, COALESCE(sums.emptying, 0) AS emptying
FROM lot
LEFT JOIN lot_stock ON lot_stock.lot_id = lot.id
LEFT JOIN (SELECT id, material_g FROM lot_mass WHERE {current("lot_mass")}) AS mass ON mass.id = lot.id
LEFT JOIN (
    SELECT lot_id,
           CAST(SUM(CASE WHEN direction = 'out' THEN mass_g END) AS BIGINT) AS produced_g,
           CAST(SUM(CASE WHEN direction = 'in' AND category <> 'ties' THEN mass_g END) AS BIGINT) AS taken_g,
           SUM(CASE WHEN direction = 'in' AND category <> 'ties' AND mass_g IS NULL THEN 1 END) AS emptying
    FROM line WHERE lot_id IS NOT NULL AND {current("line")} GROUP BY lot_id
) AS sums ON sums.lot_id = lot.id
ORDER BY lot.id
"""


def _check_stock(session: Session, report: Report) -> None:
    """`lot_stock` holds one row per lot, with what is left of it and a tolerance the plant has stated."""
    tolerances = _stated_tolerances(session)
    for lot in session.execute(text(LOT_SUMS), execution_options={"yield_per": ROWS_AT_A_TIME}):
        key = f"lot_id={lot.lot_id}"
        report.stocks += 1
        on_hand_g = 0 if lot.emptying else lot.held_g - lot.taken_g
        if lot.stock_of is None:
            report.add("lot_stock", key, None, f"on_hand_g {on_hand_g}")
            continue
        report.compare("lot_stock", key, "on_hand_g", lot.on_hand_g, on_hand_g)
        allowed = _tolerances_of(tolerances, lot.kind, canonical_value(lot.born_at))
        if lot.tolerance_g not in allowed:
            report.add("lot_stock", key, lot.tolerance_g, f"one of {sorted(allowed)}", "tolerance_g")
    strangers = "SELECT lot_id FROM lot_stock WHERE NOT EXISTS (SELECT 1 FROM lot WHERE lot.id = lot_stock.lot_id)"
    for (lot_id,) in session.execute(text(strangers)):
        report.add("lot_stock", f"lot_id={lot_id}", "a stock", "no such lot", "lot_id")


# What comes off a bale is what its mass says is around it, also after the ticket's list was corrected.
TIES = f"""
SELECT line.id, line.mass_g, COALESCE(mass.tie_g, 0) AS tie_g
FROM line LEFT JOIN (SELECT id, tie_g FROM lot_mass WHERE {current("lot_mass")}) AS mass ON mass.id = line.lot_id
WHERE line.category = 'ties' AND {current("line")} AND line.mass_g <> COALESCE(mass.tie_g, 0) ORDER BY line.id
"""


def _check_ties(session: Session, report: Report) -> None:
    for line in session.execute(text(TIES)):
        report.add("line", f"id={line.id}", line.mass_g, f"ties of {line.tie_g} g", "mass_g")


def _stated_tolerances(session: Session) -> list[Any]:
    """Every version of every tolerance setting: a lot keeps the one that was known when it was registered.

    Which one that was cannot be told from the record for sure (settings and lots stand in different logs),
    so any value that was ever stated for the lot's kind and birth is accepted.
    """
    query = text("SELECT scope, value, valid_from, valid_to FROM setting WHERE key = :key AND NOT void")
    return list(session.execute(query, {"key": SettingKey.LOT_TOLERANCE.value}))


def _tolerances_of(settings: Sequence[Any], kind: str, born_at: str) -> set[int]:
    stated = {0}
    for setting in settings:
        ended = setting.valid_to is not None and canonical_value(setting.valid_to) <= born_at
        if setting.scope in (kind, "") and canonical_value(setting.valid_from) <= born_at and not ended:
            try:
                stated.add(parse_kg(setting.value))
            except NotAMass:  # a changed value; the journal's own check names it
                continue
    return stated


def _latest_own(kind: str) -> str:
    return (
        "(SELECT weighing.id FROM weighing WHERE weighing.delivery_id = delivery.id "
        f"AND weighing.origin = 'own' AND weighing.kind = '{kind}' AND {current('weighing')} "
        "ORDER BY weighed_at DESC, weighing.id DESC LIMIT 1)"
    )


# Net of a truck: the weighings chosen for its physical mass, else our latest, less ties and pallets.
DELIVERY_SUMS = f"""
SELECT delivery.id, bales.sum_g, gross.mass_g - tare.mass_g - COALESCE((
           SELECT CAST(SUM(pieces * per_piece_g) AS BIGINT) FROM deduction
           WHERE deduction.delivery_id = delivery.id AND purpose = 'physical' AND {current("deduction")}
       ), 0) AS net_g
FROM delivery
JOIN (
    SELECT lot.delivery_id, CAST(SUM(material_g) AS BIGINT) AS sum_g
    FROM lot JOIN lot_mass ON lot_mass.id = lot.id WHERE {current("lot_mass")} GROUP BY lot.delivery_id
) AS bales ON bales.delivery_id = delivery.id
LEFT JOIN weighing_choice AS choice ON choice.delivery_id = delivery.id
    AND choice.purpose = 'physical' AND {current("choice", "weighing_choice")}
JOIN weighing AS gross ON gross.id = COALESCE(choice.gross_id, {_latest_own("gross")})
JOIN weighing AS tare ON tare.id = COALESCE(choice.tare_id, {_latest_own("tare")})
WHERE {current("delivery")} AND {current("gross", "weighing")} AND {current("tare", "weighing")}
ORDER BY delivery.id
"""


def _check_deliveries(session: Session, report: Report) -> None:
    """The lots of each weighed delivery add up to its material net, to the gram."""
    for delivery in session.execute(text(DELIVERY_SUMS), execution_options={"yield_per": ROWS_AT_A_TIME}):
        report.deliveries += 1
        if delivery.sum_g != delivery.net_g:
            recorded = f"lots of {delivery.sum_g} g in all"
            report.add("lot_mass", f"of delivery {delivery.id}", recorded, f"material net {delivery.net_g} g")
