"""The list of tickets, and every version of what was ever stated about one of them."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlmodel import Session, col

from service.core.quantities import kg_text
from service.journal.read import Knowledge, current, text_of
from service.journal.tables import JournalEntry
from service.lots.tables import Measurement
from service.partners.queries import partners_by_id
from service.plant.tables import Material
from service.weighbridge.answer import choice_out, deduction_out, facts_out
from service.weighbridge.answer_masses import moisture_out
from service.weighbridge.masses import is_open, physical_pair
from service.weighbridge.queries import all_versions, get_delivery, loads_of
from service.weighbridge.schemas_out import (
    ChoiceVersion,
    DeductionVersion,
    DeliveryPage,
    DeliverySummary,
    DeliveryVersion,
    MoistureVersion,
    VersionsOut,
    VersionStamp,
)
from service.weighbridge.tables import Deduction, Delivery, WeighingChoice


def page_out(
    session: Session, deliveries: Sequence[Delivery], limit: int, known: Knowledge | None = None
) -> DeliveryPage:
    """One page of tickets; the number of queries does not grow with the page."""
    partners = partners_by_id(session, (delivery.supplier_id for delivery in deliveries), known)
    wanted = {delivery.material_id for delivery in deliveries}
    rows = session.execute(current(Material, known).where(col(Material.id).in_(wanted))).scalars()
    materials = {row.id: row.code for row in rows}
    summaries = []
    for load in loads_of(session, deliveries, known):
        delivery, pair = load.delivery, physical_pair(load)
        supplier = partners[delivery.supplier_id]
        summaries.append(
            DeliverySummary(
                id=delivery.id,
                ticket_no=delivery.ticket_no,
                supplier=supplier.code,
                supplier_is_mapped=supplier.is_mapped,
                material=materials[delivery.material_id],
                form=delivery.form,
                arrived_at=delivery.arrived_at,
                note_no=delivery.note_no,
                note_count=delivery.note_count,
                counted=delivery.counted,
                decision=delivery.decision,
                is_open=is_open(load),
                net_kg=None if pair is None else kg_text(pair.net_g),
            )
        )
    is_full = len(summaries) == limit
    return DeliveryPage(deliveries=summaries, next_after=summaries[-1].id if is_full else None)


def versions_out(session: Session, delivery_id: int) -> VersionsOut:
    """Every version of a ticket, its choices, deductions and moisture, oldest first.

    Raises
    ------
    NotFound : no such delivery.
    """
    get_delivery(session, delivery_id)
    tickets = all_versions(session, Delivery, col(Delivery.id) == delivery_id)
    choices = all_versions(session, WeighingChoice, col(WeighingChoice.delivery_id) == delivery_id)
    deductions = all_versions(session, Deduction, col(Deduction.delivery_id) == delivery_id)
    moistures = all_versions(session, Measurement, col(Measurement.subject_id) == delivery_id)
    actors = _actors(session, [*tickets, *choices, *deductions, *moistures])

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
        choices=[ChoiceVersion(stamp=stamp(row), facts=choice_out(session, row)) for row in choices],
        deductions=[DeductionVersion(stamp=stamp(row), facts=deduction_out(row)) for row in deductions],
        moisture=[MoistureVersion(stamp=stamp(row), facts=moisture_out(row)) for row in moistures],
    )


def _actors(session: Session, rows: Sequence[Any]) -> dict[int, int]:
    """Who wrote each journal entry."""
    seqs = {row.seq for row in rows}
    found = session.execute(
        select(col(JournalEntry.seq), col(JournalEntry.actor_id)).where(col(JournalEntry.seq).in_(seqs))
    ).all()
    return {row[0]: row[1] for row in found}
