"""What the balances add to lineage: after a write, and for a whole history at once."""

from sqlalchemy import select
from sqlmodel import col

from service.balances.queries import Claimable
from service.balances.tables import RunBalance
from service.db import Database
from service.journal.entry import Entry
from service.journal.one_of import one_of
from service.lineage.derive import Deriver, Watch
from service.lineage.derive_all import derive_all
from service.lineage.tables import Derivation, SourceMember
from service.lineage.touched import touched_by
from service.lots.statuses import Direction
from service.lots.tables import Line


def derive_lineage(entry: Entry) -> None:
    """Follow-up of every write, after the balances: what it changes in the compositions of lots is worked out anew."""
    touched = touched_by(entry)
    # What a gain withholds is part of a composition; how well it is known is not.
    touched.runs |= _withholding_otherwise(entry)
    if touched:
        Deriver(entry.session, entry.seq, Claimable(entry.session).kept_by_run).follow(touched)


def _withholding_otherwise(entry: Entry) -> set[int]:
    """Runs whose new balance withholds something else than the one before."""
    new = {row.id: row for row in entry.rows if isinstance(row, RunBalance)}
    first = {row.process_id for row in new.values() if row.version == 1}
    later = {identity for identity, row in new.items() if row.version > 1}
    if not later:
        return first
    before = select(col(RunBalance.id), col(RunBalance.version), col(RunBalance.not_claimable_ug))
    withheld = {
        (identity, version): withheld_ug
        for identity, version, withheld_ug in entry.session.execute(
            before.where(one_of(col(RunBalance.id), "wanted")), {"wanted": sorted(later)}
        )
    }
    return first | {
        new[identity].process_id
        for identity in later
        if withheld[identity, new[identity].version - 1] != new[identity].not_claimable_ug
    }


def derive_history(database: Database, watch: Watch | None = None) -> int:
    """Work out the lineage of everything recorded, anew; how many lots were made."""
    return database.write(lambda session: derive_all(session, lambda of: Claimable(of).kept_by_run, watch))


def derive_if_missing(database: Database, watch: Watch | None = None) -> int:
    """The same where nothing was worked out yet, as in a database of an earlier version; else nothing is done."""
    with database.read() as session:
        fed = select(col(Line.id)).where(col(Line.direction) == Direction.IN).limit(1)
        is_fed = session.execute(fed).first() is not None
        worked_out = (select(col(Derivation.lot_id)).limit(1), select(col(SourceMember.lot_id)).limit(1))
        is_missing = all(session.execute(query).first() is None for query in worked_out)
    return derive_history(database, watch) if is_fed and is_missing else 0
