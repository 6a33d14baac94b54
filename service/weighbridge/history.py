"""Every version of what was ever stated about one ticket."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.core.quantities import kg_text
from service.journal.read import text_of
from service.journal.tables import SITE_STEP, JournalEntry
from service.lots.tables import Measurement
from service.weighbridge.answer import choice_out, deduction_out, facts_out
from service.weighbridge.answer_masses import moisture_out
from service.weighbridge.queries import all_versions, get_delivery
from service.weighbridge.remarks import remark_versions
from service.weighbridge.schemas_out import (
    ChoiceVersion,
    DeductionVersion,
    DeliveryVersion,
    MoistureVersion,
    ReadingFacts,
    ReadingVersion,
    RemarkVersion,
    VersionsOut,
    VersionStamp,
)
from service.weighbridge.tables import Deduction, Delivery, Remark, Weighing, WeighingChoice


def versions_out(session: Session, delivery_id: int) -> VersionsOut:
    """Every version of a ticket, its weighings, choices, deductions, moisture and remarks, oldest first.

    Raises
    ------
    NotFound : no such delivery.
    """
    get_delivery(session, delivery_id)
    tickets = all_versions(session, Delivery, col(Delivery.id) == delivery_id)
    weighings = all_versions(session, Weighing, col(Weighing.delivery_id) == delivery_id)
    choices = all_versions(session, WeighingChoice, col(WeighingChoice.delivery_id) == delivery_id)
    deductions = all_versions(session, Deduction, col(Deduction.delivery_id) == delivery_id)
    moistures = all_versions(session, Measurement, col(Measurement.subject_id) == delivery_id)
    remarks = remark_versions(session, delivery_id)
    noticed = [remark for remark, _ in remarks]
    actors = _actors(session, [*tickets, *weighings, *choices, *deductions, *moistures, *noticed])

    def stamp(row: Any) -> VersionStamp:
        return VersionStamp(
            effective_at=row.effective_at,
            recorded_at=row.recorded_at,
            actor_id=actors[row.seq],
            reason=text_of(session, row.reason_id),
            is_withdrawn=row.void,
        )

    return VersionsOut(
        delivery=[DeliveryVersion(stamp=stamp(row), facts=facts_out(session, row)) for row in tickets],
        weighings=[ReadingVersion(stamp=stamp(row), facts=_reading_out(row)) for row in weighings],
        choices=[ChoiceVersion(stamp=stamp(row), facts=choice_out(session, row)) for row in choices],
        deductions=[DeductionVersion(stamp=stamp(row), facts=deduction_out(row)) for row in deductions],
        moisture=[MoistureVersion(stamp=stamp(row), facts=moisture_out(row)) for row in moistures],
        remarks=[RemarkVersion(stamp=stamp(row), facts=words) for row, words in remarks],
    )


def newest_entry(session: Session, delivery_id: int) -> int:
    """Number, from 1, of the journal entry that last changed anything a paper of this ticket shows.

    The ticket's own version does not rise with a new reading or deduction, so two nets could bear one version.
    """
    stated = [select(func.max(col(Delivery.seq))).where(col(Delivery.id) == delivery_id)]
    stated += [
        select(func.max(col(table.seq))).where(col(table.delivery_id) == delivery_id)
        for table in (Weighing, WeighingChoice, Deduction, Remark)
    ]
    return max(session.execute(query).scalar_one() or 0 for query in stated) % SITE_STEP + 1


def entry_kinds(session: Session, seqs: Sequence[int]) -> dict[int, str]:
    """What each of these journal entries recorded."""
    query = select(col(JournalEntry.seq), col(JournalEntry.kind)).where(col(JournalEntry.seq).in_(seqs))
    return {row[0]: row[1] for row in session.execute(query)}


def _reading_out(row: Weighing) -> ReadingFacts:
    return ReadingFacts(
        id=row.id,
        version=row.version,
        kind=row.kind,
        mass_kg=kg_text(row.mass_g),
        weighed_at=row.weighed_at,
        ticket_series=row.ticket_series,
        ticket_no=row.ticket_no,
    )


def _actors(session: Session, rows: Sequence[Any]) -> dict[int, int]:
    """Who wrote each journal entry."""
    seqs = {row.seq for row in rows}
    found = session.execute(
        select(col(JournalEntry.seq), col(JournalEntry.actor_id)).where(col(JournalEntry.seq).in_(seqs))
    ).all()
    return {row[0]: row[1] for row in found}
