"""What has been read of the history: lines by lot, and processes with their lines and dry masses.

A walk touches hundreds of lots in a few steps. Everything here is therefore read for many lots or processes at
once, each thing one time, as plain rows; asked for something that was not read ahead, it is read there and then,
so reading ahead decides how long an answer takes and never what it is.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import NamedTuple

from sqlalchemy import or_
from sqlmodel import Session, col

from service.core.quantities import dry_ug
from service.journal.read import Knowledge, current
from service.journal.values import current_values, moment_of
from service.lineage.scout import processes_ahead, processes_behind
from service.lots.moisture import moistures_ppm
from service.lots.rows import KnownLot, LineRow, known_lots, line_rows
from service.lots.statuses import Direction
from service.lots.statuses import Step as ProcessStep
from service.lots.stock import is_material, line_masses, lots_taken_openly, open_masses
from service.lots.tables import Process
from service.plant.statuses import Mixing

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
AROUND = timedelta(days=1)


class ProcessRow(NamedTuple):
    """What decides about a process on a walk."""

    id: int
    mixing: Mixing
    equipment_id: int | None
    ended_at: datetime | None

    @property
    def is_vessel(self) -> bool:
        return self.mixing is not Mixing.RUN_MIXED


class Step(NamedTuple):
    """A process with its lines that name a lot, ties apart.

    Parameters
    ----------
    fed : the material lines in.
    made : all lines out. What was taken out to run back in is no product, and yet made from the feeds.
    """

    process: ProcessRow
    fed: list[LineRow]
    made: list[LineRow]


class DryLine(NamedTuple):
    """A line of a lot with its dry mass, in micrograms."""

    line: LineRow
    dry_ug: int


@dataclass(frozen=True)
class ProcessFlow:
    """A process with the dry masses of its lines.

    Parameters
    ----------
    feeds, discharges : the material lines.
    looped_out : what was taken out to run back in.
    """

    process: ProcessRow
    feeds: tuple[DryLine, ...]
    discharges: tuple[DryLine, ...]
    looped_out: tuple[DryLine, ...]

    @property
    def is_vessel(self) -> bool:
        return self.process.is_vessel

    @cached_property
    def made(self) -> dict[int, DryLine]:
        """Every line that made a lot here, by line."""
        return {dry.line.id: dry for dry in (*self.discharges, *self.looped_out)}


class RunsRead(NamedTuple):
    """The runs of a line in a stretch of time: identity, start and end."""

    start_at: datetime
    end_at: datetime
    runs: list[tuple[int, datetime, datetime | None]]


class FlowReader:
    """Reads lots' lines and processes' flows for one question, as known at one state of knowledge."""

    def __init__(self, session: Session, known: Knowledge | None = None) -> None:
        self._session = session
        self._known = known
        self._steps: dict[int, Step] = {}
        self._lines_of: dict[int, list[LineRow]] = {}
        self._seen: dict[int, list[LineRow]] = {}  # lines of a lot met in the processes read so far
        self._made: set[int] = set()  # lots with a line out among all lines read so far
        self._flows: dict[int, ProcessFlow] = {}
        self._lots: dict[int, KnownLot] = {}
        self._on_line: dict[int, RunsRead] = {}

    def lots_of(self, lot_ids: Iterable[int]) -> dict[int, KnownLot]:
        """Lots with their material and mass."""
        wanted = set(lot_ids)
        self._lots |= known_lots(self._session, wanted - self._lots.keys(), self._known)
        return {lot_id: self._lots[lot_id] for lot_id in wanted}

    def lines_of(self, lot_id: int) -> list[LineRow]:
        """Current lines of a lot, in and out, ties apart, oldest identity first."""
        if lot_id not in self._lines_of:
            self.read_lots([lot_id])
        return self._lines_of[lot_id]

    def makers_of(self, lot_id: int) -> list[LineRow]:
        """The lines that brought a lot into being."""
        lines = self.lines_of(lot_id)
        return [line for line in lines if line.direction is Direction.OUT] if lot_id in self._made else []

    def made_among(self, lot_ids: set[int]) -> set[int]:
        """Those of these lots, read before, that came out of some process."""
        return lot_ids & self._made

    def read_behind(self, lot_ids: Iterable[int]) -> None:
        """Read, at once, most of what these lots may be made from."""
        self.read_steps(processes_behind(self._session, lot_ids))
        self.read_lots(line.lot_id or 0 for step in self._steps.values() for line in step.fed)

    def read_ahead(self, lot_ids: Iterable[int]) -> None:
        """Read, at once, much of what may contain these lots; of all that was ever drawn from a vessel, little is."""
        self.read_steps(processes_ahead(self._session, lot_ids))
        runs = (step for step in self._steps.values() if not step.process.is_vessel)
        self.read_lots(line.lot_id or 0 for run in runs for line in run.made)

    def equipment_read(self) -> set[int]:
        """The vessels and lines of the processes read so far."""
        return {step.process.equipment_id for step in self._steps.values() if step.process.equipment_id is not None}

    def read_lots(self, lot_ids: Iterable[int]) -> None:
        """Read the lines of lots, as far as they did not come with the processes read before."""
        missing = {lot_id for lot_id in lot_ids if lot_id not in self._lines_of}
        if not missing:
            return
        found = {lot_id: [*self._seen.get(lot_id, ())] for lot_id in missing}
        there = {line.process_id for lines in found.values() for line in lines}
        for line in self._lines_elsewhere(missing, there):
            found[line.lot_id or 0].append(line)
            if line.direction is Direction.OUT:
                self._made.add(line.lot_id or 0)
        for lines in found.values():
            if len(lines) > 1:
                lines.sort()
        self._lines_of |= found

    def _lines_elsewhere(self, lot_ids: set[int], process_ids: set[int]) -> list[LineRow]:
        lines = line_rows(self._session, "lot_id", lot_ids, self._known, with_ties=False, not_in=sorted(process_ids))
        return [line for line in lines if line.process_id not in process_ids]

    def row_of(self, process_id: int) -> ProcessRow:
        """What decides about a process, without its lines."""
        step = self._steps.get(process_id)
        return process_rows(self._session, [process_id], self._known)[process_id] if step is None else step.process

    def step_of(self, process_id: int) -> Step:
        """A process with its lines."""
        if process_id not in self._steps:
            self.read_steps([process_id])
            assert process_id in self._steps, "lines refer to processes that exist; one with lines is never voided"
        return self._steps[process_id]

    def read_steps(self, process_ids: Iterable[int]) -> None:
        """Read processes and all of their lines; such as were not known are passed over."""
        missing = {process_id for process_id in process_ids if process_id not in self._steps}
        if not missing:
            return
        rows = process_rows(self._session, missing, self._known)
        read = {process.id: Step(process, [], []) for process in rows.values()}
        for line in line_rows(self._session, "process_id", read, self._known, with_ties=False):
            if line.lot_id is None:
                continue
            self._seen.setdefault(line.lot_id, []).append(line)
            if line.direction is Direction.OUT:
                self._made.add(line.lot_id)
                read[line.process_id].made.append(line)
            elif is_material(line):
                read[line.process_id].fed.append(line)
        self._steps |= read

    def flow_of(self, process_id: int) -> ProcessFlow:
        """A process with the dry masses of its lines."""
        if process_id not in self._flows:
            self.weigh([process_id])
        return self._flows[process_id]

    def weigh(self, process_ids: Iterable[int]) -> None:
        """Find the dry mass of every line of these processes: wet mass times one minus the moisture known for it."""
        missing = {process_id for process_id in process_ids if process_id not in self._flows}
        if not missing:
            return
        self.read_steps(missing)
        steps = [self.step_of(process_id) for process_id in missing]
        lines = [line for step in steps for line in (*step.fed, *step.made)]
        taken = lots_taken_openly(lines)
        self.read_lots(taken)
        origin_g = {lot_id: known.origin_g for lot_id, known in self.lots_of(taken).items()}
        open_g = open_masses({lot_id: self._lines_of[lot_id] for lot_id in taken}, origin_g)
        ppm_of = moistures_ppm(self._session, {line.moisture_id or 0 for line in lines}, self._known)

        def dry(lines: Iterable[LineRow]) -> tuple[DryLine, ...]:
            weighed = ((line, open_g[line.lot_id or 0] if line.mass_g is None else line.mass_g) for line in lines)
            return tuple(DryLine(line, dry_ug(mass_g, ppm_of[line.moisture_id or 0])) for line, mass_g in weighed)

        for process, fed, made in steps:
            self._flows[process.id] = ProcessFlow(
                process=process,
                feeds=dry(fed),
                discharges=dry(line for line in made if is_material(line)),
                looped_out=dry(line for line in made if not is_material(line)),
            )

    def runs_on(self, equipment_id: int, start_at: datetime, end_at: datetime) -> list[int]:
        """Runs of a line that were going on at some moment of a closed interval, oldest identity first.

        They are read a day to either side, since a walk comes back for the hour before.
        """
        read = self._on_line.get(equipment_id)
        if read is None or not (read.start_at <= start_at and end_at <= read.end_at):
            start_read = min(start_at, read.start_at if read else start_at) - AROUND
            end_read = max(end_at, read.end_at if read else end_at) + AROUND
            query = current(Process, self._known).where(
                col(Process.equipment_id) == equipment_id,
                col(Process.step) != ProcessStep.VESSEL_PERIOD,
                col(Process.started_at) <= end_read,
                or_(col(Process.ended_at).is_(None), col(Process.ended_at) >= start_read),
            )
            columns = (col(Process.id), col(Process.started_at), col(Process.ended_at))
            rows = self._session.execute(query.with_only_columns(*columns).order_by(columns[0])).all()
            read = self._on_line[equipment_id] = RunsRead(
                start_read, end_read, [(row[0], row[1], row[2]) for row in rows]
            )
        return [
            run_id
            for run_id, started_at, ended_at in read.runs
            if started_at <= end_at and (ended_at is None or start_at <= ended_at)
        ]


def process_rows(session: Session, process_ids: Iterable[int], known: Knowledge | None = None) -> dict[int, ProcessRow]:
    """What decides about several processes; such as were not known are left out."""
    rows = current_values(session, Process, ProcessRow._fields, "id", set(process_ids), known)
    return {process.id: process for process in map(_process_row, rows)}


def _process_row(stored: tuple[int, str, int | None, object]) -> ProcessRow:
    number, mixing, equipment_id, ended_at = stored
    return ProcessRow(number, Mixing(mixing), equipment_id, None if ended_at is None else moment_of(ended_at))


def microseconds(moment: datetime) -> int:
    """Whole microseconds since 1970, exact."""
    return (moment - EPOCH) // MICROSECOND


def dry_masses_ug(session: Session, lines: Sequence[LineRow], known: Knowledge | None = None) -> dict[int, int]:
    """Dry mass of each line that states or takes a mass, micrograms."""
    masses = line_masses(session, lines, known)
    ppm_of = moistures_ppm(session, {line.moisture_id or 0 for line in lines}, known)
    return {line.id: dry_ug(masses[line.id], ppm_of[line.moisture_id or 0]) for line in lines if line.id in masses}


def moment_at(time_us: int) -> datetime:
    """The moment behind microseconds since 1970."""
    return EPOCH + time_us * MICROSECOND


def charge_code(line: LineRow) -> int:
    """Order code of a charge: it may be in every draw whose code is greater.

    An instant goes before the draws of the same instant, an interval that begins then comes after them.
    """
    return order_code(line.start_at, is_behind=line.stored_end_at is not None)


def draw_code(line: LineRow) -> int:
    """Order code of a draw: see `charge_code`."""
    return order_code(line.end_at or line.start_at, is_behind=line.stored_end_at is None)


def order_code(moment: datetime, *, is_behind: bool) -> int:
    """A moment as an order code: what lies behind the instant itself comes after what lies in it."""
    return 2 * microseconds(moment) + is_behind
