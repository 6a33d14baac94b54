"""Answers to the questions of time as they leave: codes, decimal strings, and what each rests on."""

from datetime import datetime

from sqlmodel import Session

from service.core.quantities import dry_kg_text
from service.journal.read import Knowledge
from service.lots.queries import lots_by_id
from service.vessels.queries import get_vessel, residence_out
from service.vessels.schemas_residence import EntryWindowOut, SuspectDischargeOut
from service.vessels.windows import entry_window_of, suspect_lots


def entry_window_out(
    session: Session, vessel_id: int, from_at: datetime, to_at: datetime, known: Knowledge | None
) -> EntryWindowOut:
    found = entry_window_of(session, vessel_id, from_at, to_at, known)
    statement = found.basis.statement
    return EntryWindowOut(
        vessel=get_vessel(session, vessel_id, known).code,
        left_from=from_at,
        left_to=to_at,
        entered_from=found.from_at,
        entered_to=found.to_at,
        expected_from=found.expected_from_at,
        expected_to=found.expected_to_at,
        worst_case_only=found.basis.is_worst_case,
        residence=None if statement is None else residence_out(statement),
        basis=found.basis.words,
    )


def suspect_discharge_out(
    session: Session, vessel_id: int, from_at: datetime, to_at: datetime, known: Knowledge | None
) -> SuspectDischargeOut:
    found = suspect_lots(session, vessel_id, from_at, to_at, known)
    statement = found.basis.statement
    lots = lots_by_id(session, found.lots)
    return SuspectDischargeOut(
        vessel=get_vessel(session, vessel_id, known).code,
        excursion_from=from_at,
        excursion_to=to_at,
        suspect_from=found.from_at,
        suspect_to=found.to_at,
        discharged_dry_kg=dry_kg_text(found.dry_ug),
        lots=[lots[lot_id].code for lot_id in found.lots],
        worst_case_only=found.basis.is_worst_case,
        residence=None if statement is None else residence_out(statement),
        basis=found.basis.words,
    )
