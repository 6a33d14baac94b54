"""Where a write changed something that compositions rest on: lines, the masses and moistures lines rest on, and what
is stated about vessels and lines."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import func, or_, select
from sqlmodel import Session, col

from service.journal.entry import Entry
from service.journal.one_of import one_of
from service.journal.read import chunks, current
from service.lineage.derive_vessel import Dirt
from service.lineage.flows import ProcessRow, microseconds, process_rows
from service.lots.rows import LineLike
from service.lots.statuses import Category, Direction
from service.lots.tables import Line, LotFact, LotMass, Measurement, Process
from service.plant.tables import EquipmentEvent, Residence


@dataclass
class Touched:
    """What has to be looked at again.

    Parameters
    ----------
    runs : what they made.
    periods : of vessels, with the instants and charges.
    unmade : lots of which a line that made them was withdrawn.
    withdrawn : processes that never were: nothing was fed into them.
    """

    runs: set[int] = field(default_factory=set)
    periods: dict[int, Dirt] = field(default_factory=dict)
    unmade: set[int] = field(default_factory=set)
    withdrawn: set[int] = field(default_factory=set)

    def __bool__(self) -> bool:
        return bool(self.runs or self.periods or self.unmade or self.withdrawn)

    def add(self, processes: Mapping[int, ProcessRow], lines: Iterable[LineLike]) -> None:
        """Add the processes of these lines, a vessel from the moment at which the line begins until it ends.

        Parameters
        ----------
        processes : those of the lines; what is not among them is passed over.
        """
        for line in lines:
            process = processes.get(line.process_id)
            if process is None or line.category is Category.TIES or line.lot_id is None:
                continue
            if process.is_vessel:
                charges = [line.id] if line.direction is Direction.IN else []
                self.add_period(process.id, microseconds(line.start_at), charges)
                self.add_period(process.id, microseconds(line.end_at or line.start_at))
            else:
                self.runs.add(process.id)

    def add_period(self, period_id: int, us: int, charges: Iterable[int] = ()) -> None:
        self.periods.setdefault(period_id, Dirt(us, us)).add(us, charges)


def touched_by(entry: Entry) -> Touched:
    """What the facts of an entry touch."""
    session = entry.session
    changed = [row for row in entry.rows if isinstance(row, Line)]
    lines: list[LineLike] = [*changed, *_versions_before(session, changed)]
    measured = {row.id for row in entry.rows if isinstance(row, Measurement) and row.version > 1}
    lines += _lines_where(session, "moisture_id", measured)
    remade = {row.id for row in entry.rows if isinstance(row, LotFact) and row.version > 1}
    lines += _lines_where(session, "lot_id", remade)
    # What a line of `whole` or `rest` takes follows from everything else that was booked of its lot.
    weighed = {row.id for row in entry.rows if isinstance(row, LotMass) and row.version > 1}
    weighed |= {line.lot_id for line in lines if line.lot_id is not None}
    lines += [line for line in _lines_where(session, "lot_id", weighed) if line.mass_g is None]
    touched = Touched()
    withdrawn = [line for line in changed if line.void and line.direction is Direction.OUT]
    touched.unmade = {line.lot_id for line in withdrawn if line.lot_id is not None}
    touched.withdrawn = {row.id for row in entry.rows if isinstance(row, Process) and row.void}
    if lines:
        touched.add(process_rows(session, {line.process_id for line in lines}), lines)
    for row in entry.rows:
        if isinstance(row, Residence):
            _add_equipment(session, touched, row.equipment_id, _earliest(session, Residence, row.id, "valid_from"))
        elif isinstance(row, EquipmentEvent):
            _add_equipment(session, touched, row.equipment_id, _earliest(session, EquipmentEvent, row.id, "at"))
    return touched


def _versions_before(session: Session, lines: Iterable[Line]) -> list[Line]:
    """The version that each corrected line had before: it may have stood at another time."""
    found: list[Line] = []
    for line in lines:
        if line.version > 1:
            query = select(Line).where(col(Line.id) == line.id, col(Line.version) == line.version - 1)
            found += session.execute(query).scalars().all()
    return found


def _lines_where(session: Session, column: str, wanted: set[int]) -> list[Line]:
    found: list[Line] = []
    for portion in chunks(wanted):
        query = current(Line).where(one_of(getattr(Line, column), "wanted"))
        found += session.execute(query, {"wanted": portion}).scalars().all()
    return found


def _earliest(session: Session, table: type[Residence] | type[EquipmentEvent], identity: int, column: str) -> datetime:
    """When a statement held first, in any of its versions."""
    query = select(func.min(getattr(table, column))).where(col(table.id) == identity)
    found: datetime = session.execute(query).scalar_one()
    return found


def _add_equipment(session: Session, touched: Touched, equipment_id: int, from_at: datetime) -> None:
    """What went through a vessel or over a line since some moment."""
    query = current(Process).where(
        col(Process.equipment_id) == equipment_id,
        or_(col(Process.ended_at).is_(None), col(Process.ended_at) >= from_at),
    )
    for number in session.execute(select(query.subquery().c.id)).scalars().all():
        process = process_rows(session, [number])[number]
        if not process.is_vessel:
            touched.runs.add(number)
            continue
        of_period = col(Line.process_id) == number
        end_at = func.coalesce(col(Line.end_at), col(Line.start_at))
        last: datetime | None = session.execute(select(func.max(end_at)).where(of_period)).scalar_one()
        if last is None or last < from_at:
            continue
        # What was running then is looked at as a whole: what proves a regime must hold from its beginning.
        running = (of_period, col(Line.start_at) < from_at, end_at > from_at)
        first: datetime | None = session.execute(select(func.min(col(Line.start_at))).where(*running)).scalar_one()
        touched.add_period(number, microseconds(first or from_at))
        touched.add_period(number, microseconds(last))
