"""Runs as they leave: their lines with masses and moistures resolved; and what usually comes out of a step."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Select, func, select
from sqlmodel import Session, col

from service.core.quantities import dry_kg_text, dry_ug, fraction_text, kg_text
from service.journal.read import Knowledge, current, current_by_id, find_current
from service.journal.tables import SITE_STEP
from service.lots.moisture import moistures, ppm_of
from service.lots.queries import get_process, lines_of_process, lots_by_id, materials_of
from service.lots.rows import LineRow, line_rows, lot_rows
from service.lots.statuses import Category, Direction, LotKind, Step
from service.lots.stock import is_material, line_masses
from service.lots.tables import Line, LineTare, Process
from service.plant.tables import ContainerType, Equipment, Instrument
from service.runs.schemas import RUN_STEPS, LineOut, RunOut

ALIKE_RUNS = 3  # earlier runs of a step that show what usually comes out of it


def get_run_out(session: Session, run_id: int, known: Knowledge | None = None) -> RunOut:
    return run_out(session, get_process(session, run_id, known), known)


def run_out(session: Session, run: Process, known: Knowledge | None = None) -> RunOut:
    line = None if run.equipment_id is None else find_current(session, Equipment, run.equipment_id, known)
    return RunOut(
        id=run.id,
        version=run.version,
        step=run.step,
        equipment=None if line is None else line.code,
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
    named_scales = {line.instrument_id for line in lines if line.instrument_id is not None}
    scales = current_by_id(session, Instrument, named_scales, known) if named_scales else {}
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
                instrument=scales[line.instrument_id].code if line.instrument_id in scales else None,
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


@dataclass(frozen=True)
class RunTotals:
    """A run with what went in and came out so far, losses and internal loops apart.

    Parameters
    ----------
    fed_g, out_g : grams wet, without wire and strap.
    ties_g : wire and strap that came in with the bales, grams.
    """

    run: Process
    fed_lots: int
    fed_g: int
    ties_g: int
    out_lots: int
    out_g: int


def open_runs(session: Session, site_no: int) -> list[RunTotals]:
    """Runs of a site that have not ended, oldest first."""
    rows = session.execute(_runs_of(site_no).where(~col(Process.is_closed)).order_by(col(Process.started_at)))
    return totals_of(session, rows.scalars().all())


def count_open_runs(session: Session, site_no: int) -> int:
    """How many runs of a site have not ended."""
    going_on = _runs_of(site_no).where(~col(Process.is_closed)).subquery()
    count: int = session.execute(select(func.count()).select_from(going_on)).scalar_one()
    return count


def ended_runs(session: Session, site_no: int, limit: int) -> Sequence[Process]:
    """The runs of a site that ended last, the last one first."""
    ended = _runs_of(site_no).where(col(Process.is_closed)).order_by(col(Process.ended_at).desc())
    return session.execute(ended.limit(limit)).scalars().all()


def _runs_of(site_no: int) -> Select[Process]:
    of_site = col(Process.id) >= site_no * SITE_STEP, col(Process.id) < (site_no + 1) * SITE_STEP
    return current(Process).where(*of_site, col(Process.step).in_(RUN_STEPS))


def totals_of(session: Session, runs: Sequence[Process]) -> list[RunTotals]:
    """What went in and came out of several runs, in their order."""
    lines = [line for line in line_rows(session, "process_id", [run.id for run in runs]) if line.lot_id is not None]
    masses = line_masses(session, lines)
    by_run: dict[int, list[LineRow]] = {run.id: [] for run in runs}
    for line in lines:
        by_run[line.process_id].append(line)

    def totals(run: Process) -> RunTotals:
        material = [line for line in by_run[run.id] if is_material(line)]
        fed = [line for line in material if line.direction is Direction.IN]
        out = [line for line in material if line.direction is Direction.OUT]
        return RunTotals(
            run,
            fed_lots=len({line.lot_id for line in fed}),
            fed_g=sum(masses[line.id] for line in fed),
            ties_g=sum(masses[line.id] for line in by_run[run.id] if line.category is Category.TIES),
            out_lots=len({line.lot_id for line in out}),
            out_g=sum(masses[line.id] for line in out),
        )

    return [totals(run) for run in runs]


@dataclass(frozen=True)
class UsualOutput:
    """Something that came out of a step before: as what kind of lot, of which material, under which stream.

    Parameters
    ----------
    kind, material : None for what became no lot.
    """

    category: Category
    stream: str
    kind: LotKind | None
    material: str | None


def usual_outputs(session: Session, run: Process) -> list[UsualOutput]:
    """What came out of a run and of the last ones of its step at its site, the latest first, each once."""
    alike = _runs_of(run.id // SITE_STEP).where(col(Process.step) == run.step, col(Process.id) != run.id)
    earlier = session.execute(alike.order_by(col(Process.id).desc()).limit(ALIKE_RUNS)).scalars()
    wanted = [run.id, *(process.id for process in earlier)]
    out = current(Line).where(col(Line.process_id).in_(wanted), col(Line.direction) == Direction.OUT)
    columns = (col(Line.id), col(Line.process_id), col(Line.category), col(Line.stream), col(Line.lot_id))
    rows = session.execute(out.with_only_columns(*columns)).all()
    # One lot of each stream is enough to know its kind and material.
    latest: dict[tuple[Category, str], int | None] = {}
    for row in sorted(rows, key=lambda row: (row.process_id == run.id, row.id), reverse=True):
        latest.setdefault((row.category, row.stream), row.lot_id)
    lot_ids = [lot_id for lot_id in latest.values() if lot_id is not None]
    kinds = {lot.id: lot.kind for lot in lot_rows(session, lot_ids).values()}
    materials = {lot_id: material.code for lot_id, material in materials_of(session, lot_ids).items()}
    return [
        UsualOutput(category, stream, kinds.get(lot_id or 0), materials.get(lot_id or 0))
        for (category, stream), lot_id in latest.items()
    ]


def usual_kind(step: Step) -> LotKind:
    """What kind of lot a step makes where nothing says otherwise."""
    match step:
        case Step.EXTRUSION | Step.CRYSTALLISING | Step.REACTOR:
            return LotKind.PELLETS
        case Step.PACKING | Step.SPLIT | Step.MERGE | Step.BAGGING:
            return LotKind.CONTAINER
        case Step.REGRIND:
            return LotKind.REWORK
        case _:
            return LotKind.FLAKE


def usual_stream(outputs: Sequence[UsualOutput], category: Category, material: str) -> str:
    """The stream a material came out under before; the first time, the code of the material.

    Examples
    --------
    >>> usual_stream([], Category.PRODUCT, "FLAKE-CLEAR"), usual_stream([], Category.WASTE, "1.5-MM")
    ('flake_clear', 'of_1_5_mm')
    """
    for output in outputs:
        if (output.category, output.material) == (category, material):
            return output.stream
    stream = re.sub("[^a-z0-9]", "_", material.lower())
    return stream if stream[:1].isalpha() else f"of_{stream}"


def tares_of_line(session: Session, line_id: int) -> dict[str, int]:
    """The packaging a line was weighed with: pieces by code of the container type."""
    rows = session.execute(
        select(col(LineTare.container_type_id), col(LineTare.pieces)).where(col(LineTare.line_id) == line_id)
    )
    pieces = {int(type_id): int(count) for type_id, count in rows}
    types = session.execute(current(ContainerType).where(col(ContainerType.id).in_(pieces))).scalars()
    return {container.code: pieces[container.id] for container in types}


def latest_lines(session: Session, process_id: int, direction: Direction, limit: int | None = None) -> Sequence[Line]:
    """Lines into or out of a process, the last one first; ties go with their bale and are left out."""
    query = current(Line).where(
        col(Line.process_id) == process_id, col(Line.direction) == direction, col(Line.category) != Category.TIES
    )
    return session.execute(query.order_by(col(Line.id).desc()).limit(limit)).scalars().all()


def lines_since(session: Session, process_id: int, line_id: int, limit: int) -> Sequence[Line]:
    """Lines that made lots in a process, from one line on, the first one first."""
    query = current(Line).where(
        col(Line.process_id) == process_id,
        col(Line.direction) == Direction.OUT,
        col(Line.lot_id).is_not(None),
        col(Line.id) >= line_id,
    )
    return session.execute(query.order_by(col(Line.id)).limit(limit)).scalars().all()
