"""The lineage graph as the database records it, one step at a time.

`core.lineage` walks; this file answers its two questions, "what was this lot made from" and "what was made
from it", out of lines, and remembers what it has read. One `LotGraph` serves one question.

Runs mix all they are fed. A draw from a vessel has the share its regime gives it, and may contain everything
charged since the vessel was last proven empty, unless first-in-first-out was proven for it on that day.
(Time windows through a line, residence times and stored compositions can be put behind these two methods.)
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlmodel import Session, col

from service.core.parents import ORIGIN, Parents, merge_parents, parents_of_draw, parents_of_run
from service.core.quantities import dry_ug
from service.core.vessel_book import Charge, Draw
from service.core.vessel_ledger import Regime, had_begun, possible_charges_of_draw, sources_of_draw
from service.journal.read import Knowledge, current, find_current
from service.lots.moisture import moistures, ppm_of
from service.lots.queries import lines_of_lots, takes
from service.lots.statuses import Category, Direction
from service.lots.stock import is_material, line_masses
from service.lots.tables import Line, Process
from service.plant.statuses import Mixing
from service.plant.tables import Equipment

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
REGIME_OF = {Mixing.WELL_MIXED: Regime.WELL_MIXED, Mixing.FIRST_IN_FIRST_OUT: Regime.FIRST_IN_FIRST_OUT}


@dataclass(frozen=True)
class DryLine:
    """A material line with its dry mass, in micrograms."""

    line: Line
    dry_ug: int

    @property
    def start_us(self) -> int:
        return microseconds(self.line.start_at)

    @property
    def end_us(self) -> int:
        return microseconds(self.line.end_at or self.line.start_at)


@dataclass(frozen=True)
class ProcessFlow:
    """A process with its material lines."""

    process: Process
    feeds: tuple[DryLine, ...]
    discharges: tuple[DryLine, ...]

    @property
    def is_vessel(self) -> bool:
        return self.process.mixing is not Mixing.RUN_MIXED


class LotGraph:
    """Reads the graph for one question, as known at one state of knowledge."""

    def __init__(self, session: Session, known: Knowledge | None = None) -> None:
        self._session = session
        self._known = known
        self._flows: dict[int, ProcessFlow] = {}
        self._lines: dict[int, list[Line]] = {}
        self._parents: dict[int, Parents] = {}
        self._ledgers: dict[int, tuple[list[Charge], list[Draw]]] = {}

    def lines_of(self, lot_id: int) -> list[Line]:
        if lot_id not in self._lines:
            self._lines[lot_id] = lines_of_lots(self._session, [lot_id], self._known).get(lot_id, [])
        return self._lines[lot_id]

    def preload(self, lot_ids: Iterable[int]) -> None:
        """Read the lines of many lots at once."""
        missing = [lot_id for lot_id in lot_ids if lot_id not in self._lines]
        found = lines_of_lots(self._session, missing, self._known)
        self._lines |= {lot_id: found.get(lot_id, []) for lot_id in missing}

    def flow_of(self, process_id: int) -> ProcessFlow:
        """All material lines of a process with their dry masses."""
        if process_id not in self._flows:
            self._flows[process_id] = self._read_flow(process_id)
        return self._flows[process_id]

    def _read_flow(self, process_id: int) -> ProcessFlow:
        process = find_current(self._session, Process, process_id, self._known)
        assert process is not None, "lines refer to processes that exist; a process with lines is never voided"
        query = current(Line, self._known).where(col(Line.process_id) == process_id).order_by(col(Line.id))
        lines = [
            line for line in self._session.execute(query).scalars() if line.lot_id is not None and is_material(line)
        ]
        flow = dry_lines(self._session, lines, self._known)
        lots_fed = {dry.line.lot_id for dry in flow if dry.line.direction is Direction.IN}
        self.preload(lot_id for lot_id in lots_fed if lot_id is not None)
        return ProcessFlow(
            process,
            tuple(dry for dry in flow if dry.line.direction is Direction.IN),
            tuple(dry for dry in flow if dry.line.direction is Direction.OUT),
        )

    def parents_of(self, lot_id: int) -> Parents:
        """What a lot was made from, one step back; an origin lot has none."""
        if lot_id not in self._parents:
            self._parents[lot_id] = self._read_parents(lot_id)
        return self._parents[lot_id]

    def _read_parents(self, lot_id: int) -> Parents:
        produced = [line for line in self.lines_of(lot_id) if line.direction is Direction.OUT]
        if not produced:
            return ORIGIN
        parts: list[tuple[Parents, int]] = []
        for line in produced:
            flow = self.flow_of(line.process_id)
            if flow.is_vessel:
                draw = next(dry for dry in flow.discharges if dry.line.id == line.id)
                parts.append((self._parents_of_draw(flow, draw), draw.dry_ug))
            else:
                made = dry_lines(self._session, [line], self._known)[0]
                feeds = [(dry.line.lot_id or 0, dry.dry_ug) for dry in flow.feeds]
                parts.append((parents_of_run(feeds), made.dry_ug))
        return merge_parents(parts)

    def _parents_of_draw(self, flow: ProcessFlow, draw: DryLine) -> Parents:
        charges, draws = self.ledger_of(flow)
        regime = REGIME_OF[flow.process.mixing]
        possible = possible_charges_of_draw(
            charges, draws, draw.line.id, regime, self.is_proven(flow.process, draw.line)
        )
        lot_of_charge = {dry.line.id: dry.line.lot_id or 0 for dry in flow.feeds}
        return parents_of_draw(sources_of_draw(charges, draws, draw.line.id, regime), possible, lot_of_charge)

    def is_proven(self, process: Process, draw: Line) -> bool:
        """Whether the vessel's regime carries a proof that holds for the whole of a draw."""
        vessel = find_current(self._session, Equipment, process.equipment_id or 0, self._known)
        if vessel is None or vessel.proof_from is None:
            return False
        return vessel.proof_from <= draw.start_at and (
            vessel.proof_to is None or (draw.end_at or draw.start_at) < vessel.proof_to
        )

    def children_of(self, lot_id: int) -> list[int]:
        """Every lot that may contain some of this one, one step on: complete, for holds and recalls."""
        found: dict[int, None] = {}
        for line in self.lines_of(lot_id):
            if not takes(line) or line.category is Category.INTERNAL_LOOP:
                continue
            flow = self.flow_of(line.process_id)
            if not flow.is_vessel:
                found |= {dry.line.lot_id or 0: None for dry in flow.discharges}
                continue
            charges, draws = self.ledger_of(flow)
            mine = [charge for charge, dry in zip(charges, flow.feeds, strict=True) if dry.line.lot_id == lot_id]
            for draw, dry in zip(draws, flow.discharges, strict=True):
                child = dry.line.lot_id or 0
                # Proof can only narrow, so a draw that had ended before needs no second look.
                if child in found or not any(had_begun(charge, draw) for charge in mine):
                    continue
                if not self._is_narrowed(flow, dry) or lot_id in self._parents_of_draw(flow, dry).possible:
                    found[child] = None
        return list(found)

    def _is_narrowed(self, flow: ProcessFlow, draw: DryLine) -> bool:
        return flow.process.mixing is Mixing.FIRST_IN_FIRST_OUT and self.is_proven(flow.process, draw.line)

    def ledger_of(self, flow: ProcessFlow) -> tuple[list[Charge], list[Draw]]:
        """A vessel's lines in the terms of `core.vessel_ledger`, in the order of the flow's lines."""
        if flow.process.id not in self._ledgers:
            charges = [Charge(dry.line.id, dry.start_us, dry.end_us, dry.dry_ug) for dry in flow.feeds]
            draws = [Draw(dry.line.id, dry.start_us, dry.end_us, dry.dry_ug) for dry in flow.discharges]
            self._ledgers[flow.process.id] = (charges, draws)
        return self._ledgers[flow.process.id]

    def descendants_of(self, lot_ids: Iterable[int]) -> set[int]:
        """Every lot that may contain some of these, they themselves included."""
        return set(self.reached_from(lot_ids))

    def reached_from(self, lot_ids: Iterable[int]) -> dict[int, int]:
        """Every lot that may contain some of these, each with one of them through which it does."""
        reached = {lot_id: lot_id for lot_id in lot_ids}
        waiting = list(reached)
        self.preload(waiting)
        while waiting:
            lot_id = waiting.pop()
            for child in self.children_of(lot_id):
                if child not in reached:
                    reached[child] = reached[lot_id]
                    waiting.append(child)
        return reached


def dry_lines(session: Session, lines: Sequence[Line], known: Knowledge | None = None) -> list[DryLine]:
    """Lines with their dry masses: wet mass times one minus the moisture known for each."""
    masses = line_masses(session, lines, known)
    named = moistures(session, [line.moisture_id for line in lines if line.moisture_id is not None], known)
    return [
        DryLine(line, dry_ug(masses[line.id], ppm_of(named[line.moisture_id])))
        for line in lines
        if line.id in masses and line.moisture_id is not None
    ]


def microseconds(moment: datetime) -> int:
    """Whole microseconds since 1970, exact."""
    return (moment - EPOCH) // timedelta(microseconds=1)
