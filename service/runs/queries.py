"""Runs as they leave: their lines with masses and moistures resolved."""

from collections.abc import Sequence

from sqlmodel import Session, col

from service.core.quantities import dry_kg_text, dry_ug, fraction_text, kg_text
from service.journal.read import Knowledge, current
from service.lots.moisture import moistures, ppm_of
from service.lots.queries import get_process, lines_of_process, lots_by_id
from service.lots.statuses import Step
from service.lots.stock import line_masses
from service.lots.tables import Line, Process
from service.runs.schemas import LineOut, RunOut


def get_run_out(session: Session, run_id: int, known: Knowledge | None = None) -> RunOut:
    return run_out(session, get_process(session, run_id, known), known)


def run_out(session: Session, run: Process, known: Knowledge | None = None) -> RunOut:
    return RunOut(
        id=run.id,
        version=run.version,
        step=run.step,
        started_at=run.started_at,
        ended_at=run.ended_at,
        is_closed=run.is_closed,
        note=run.note,
        lines=lines_out(session, lines_of_process(session, run.id, known), known),
    )


def lines_out(session: Session, lines: Sequence[Line], known: Knowledge | None = None) -> list[LineOut]:
    masses = line_masses(session, lines, known)
    named = moistures(session, [line.moisture_id for line in lines if line.moisture_id], known)
    lots = lots_by_id(session, [line.lot_id for line in lines if line.lot_id])
    rows = []
    for line in lines:
        mass = masses.get(line.id)
        moisture = named.get(line.moisture_id or 0)
        rows.append(
            LineOut(
                id=line.id,
                version=line.version,
                direction=line.direction,
                category=line.category,
                stream=line.stream,
                lot=lots[line.lot_id].code if line.lot_id else None,
                amount=line.amount,
                mass_kg=None if mass is None else kg_text(mass),
                moisture_fraction=moisture.value if moisture else None,
                moisture_basis=moisture.basis if moisture else None,
                dry_kg=dry_kg_text(dry_ug(mass, ppm_of(moisture))) if mass is not None and moisture else None,
                fraction_of_dry_in=None if line.fraction_ppm is None else fraction_text(line.fraction_ppm),
                start_at=line.start_at,
                end_at=line.end_at,
            )
        )
    return rows


def list_runs(session: Session, step: Step | None, after: int, limit: int) -> list[RunOut]:
    """Runs in the order they were recorded, without the vessels' periods."""
    query = current(Process).where(col(Process.id) > after, col(Process.step) != Step.VESSEL_PERIOD)
    if step is not None:
        query = query.where(col(Process.step) == step)
    rows = session.execute(query.order_by(col(Process.id)).limit(limit)).scalars().all()
    return [run_out(session, row) for row in rows]
