"""From what was read of a period to flows of lots by material and processes by step.

A lot stands in stock at one moisture: its own, else its delivery's, else the plant's default. A line that states
another one takes or brings another dry mass than the lot loses or gains; that difference is booked as what it is, and
not hidden in the step.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from service.balances.period_reading import LineRead, LotRead, MoistureRead, PeriodFacts, ProcessRead
from service.core.period_balance import Dated, MaterialAccount, OutKind, Process, When
from service.core.quantities import PPM, parse_fraction
from service.journal.values import moment_of
from service.lineage.flows import microseconds
from service.lots.statuses import Category, Direction, LotOrigin, MeasurementBasis, Step
from service.plant.statuses import MaterialForm

TIES = "ties"  # wire and strap around bales are no material of the plant, yet they weigh
BOUGHT_TO_RECYCLE = frozenset({MaterialForm.BALES, MaterialForm.LOOSE})
OUT_KINDS = {
    Category.PRODUCT.value: OutKind.PRODUCT,
    Category.BY_PRODUCT.value: OutKind.BY_PRODUCT,
    Category.WASTE.value: OutKind.WASTE,
    Category.LOSS.value: OutKind.LOSS,
}
IN, OUT = Direction.IN.value, Direction.OUT.value
LOOP, TIED = Category.INTERNAL_LOOP.value, Category.TIES.value
Flows = dict[str, dict[str, int]]


class Moved(NamedTuple):
    """A line with what it moved: dry mass as it states it, and when, in microseconds."""

    line: LineRead
    dry_ug: int
    lot_dry_ug: int
    start: int
    end: int


@dataclass
class PeriodFlows:
    """What happened between boundaries.

    Parameters
    ----------
    lots : flows of lots by material, for each period; what came after the last boundary is the last entry.
    received_ug : of the materials bought to be recycled, for each period, micrograms dry.
    standing_ug : what stands in lots now, by material.
    guessed : by step, how many masses rest on a moisture that is a default or not final.
    no_mass : lots that came in and have no mass yet.
    """

    lots: list[Flows]
    received_ug: list[int]
    processes: dict[str, list[Process]] = field(default_factory=dict)
    standing_ug: dict[str, int] = field(default_factory=dict)
    guessed: dict[str, int] = field(default_factory=dict)
    no_mass: list[str] = field(default_factory=list)

    @property
    def periods(self) -> list[dict[str, MaterialAccount]]:
        """Flows of lots within the boundaries, by material."""
        return [{name: MaterialAccount(**flows) for name, flows in of_period.items()} for of_period in self.lots[:-1]]

    @property
    def opening_ug(self) -> dict[str, int]:
        """What stood in lots at the first boundary: what stands there now, less all that has changed since."""
        opening = defaultdict(int, self.standing_ug)
        for of_period in self.lots:
            for name, flows in of_period.items():
                opening[name] -= MaterialAccount(**flows).gained_ug
        return dict(opening)


class FlowBuilder:
    """Builds the flows of one question.

    Parameters
    ----------
    bounds : microseconds, at least two.
    default_ppm : the plant's default moisture of a lot, where none is measured.
    heels_ug : what stood in each vessel in use before the lines read, by process.
    is_waste : lots that were made as waste.
    """

    def __init__(
        self,
        facts: PeriodFacts,
        bounds: Sequence[int],
        default_ppm: Callable[[LotRead], int],
        heels_ug: dict[int, int],
        is_waste: set[int],
    ) -> None:
        self._facts = facts
        self._bounds = list(bounds)
        self._default_ppm = default_ppm
        self._heels_ug = heels_ug
        self._is_waste = is_waste
        self._ppm: dict[str, int] = {}
        self._lot_ppm: dict[int, int] = {}
        self._guessed: dict[str, int] = defaultdict(int)
        self._found = PeriodFlows([{} for _ in bounds], [0] * len(bounds))

    def build(self) -> PeriodFlows:
        self._add_standing()
        self._add_born()
        by_process: dict[int, list[LineRead]] = defaultdict(list)
        for line in self._facts.lines:
            by_process[line.process_id].append(line)
        for process in self._facts.processes.values():
            lines = by_process.get(process.id, [])
            if lines or process.id in self._heels_ug:
                name = self._step_of(process)
                self._found.processes.setdefault(name, []).append(self._process(process, name, lines))
        self._found.guessed = dict(self._guessed)
        return self._found

    # Lots

    def _add_standing(self) -> None:
        standing: dict[str, int] = defaultdict(int)
        for lot_id, mass_g in self._facts.standing_g.items():
            lot = self._facts.lots[lot_id]
            standing[self._material_of(lot)] += mass_g * (PPM - self._ppm_of_lot(lot))
            if lot.tie_g and lot_id not in self._facts.tied:
                standing[TIES] += lot.tie_g * PPM
        self._found.standing_ug = dict(standing)

    def _add_born(self) -> None:
        for lot_id in self._facts.born:
            lot = self._facts.lots[lot_id]
            if lot.origin_g is None:
                self._found.no_mass.append(lot.code)
                continue
            cell = self._cell(microseconds(lot.born_at))
            dry_ug = lot.origin_g * (PPM - self._ppm_of_lot(lot))
            came = "received_ug" if lot.origin == LotOrigin.DELIVERY else "opening_records_ug"
            self._add(cell, self._material_of(lot), came, dry_ug)
            if lot.tie_g:
                self._add(cell, TIES, came, lot.tie_g * PPM)
            material = self._facts.materials.get(lot.material_id or 0)
            if material is not None and material.form in BOUGHT_TO_RECYCLE and came == "received_ug" and cell >= 0:
                self._found.received_ug[cell] += dry_ug

    def _ppm_of_lot(self, lot: LotRead) -> int:
        if lot.id not in self._lot_ppm:
            measured = self._moisture_of_lot(lot)
            self._lot_ppm[lot.id] = self._default_ppm(lot) if measured is None else self._ppm_in(measured)
        return self._lot_ppm[lot.id]

    def _moisture_of_lot(self, lot: LotRead) -> MoistureRead | None:
        of = self._facts.moisture_of
        return of.get(lot.id) or (of.get(lot.delivery_id) if lot.delivery_id is not None else None)

    def _ppm_in(self, moisture: MoistureRead) -> int:
        ppm = self._ppm.get(moisture.value)
        if ppm is None:
            ppm = self._ppm[moisture.value] = parse_fraction(moisture.value)
        return ppm

    def _material_of(self, lot: LotRead) -> str:
        material = self._facts.materials.get(lot.material_id or 0)
        return "unknown" if material is None else material.code

    def _cell(self, moment: int) -> int:
        """The period a moment lies in; -1 before the first boundary, the last one after all of them."""
        return bisect_right(self._bounds, moment) - 1

    def _add(self, cell: int, material: str, name: str, dry_ug: int) -> None:
        if cell < 0 or not dry_ug:
            return
        flows = self._found.lots[cell].setdefault(material, {})
        flows[name] = flows.get(name, 0) + dry_ug

    def _spread(self, moved: Dated, other: Dated, material: str, name: str, sign: int) -> None:
        """What a line moved, by period, and how much more or less the lot itself gave or got."""
        first, last = self._cell(moved.start), self._cell(moved.end - 1 if moved.end > moved.start else moved.end)
        if first == last:
            self._add(first, material, name, moved.dry_ug)
            self._add(first, material, "moisture_differences_ug", sign * (other.dry_ug - moved.dry_ug))
            return
        for cell in range(max(first, 0), last + 1):
            start = self._bounds[cell]
            end = self._bounds[cell + 1] if cell + 1 < len(self._bounds) else max(moved.end, start) + 1
            part_ug, other_ug = moved.within(start, end), other.within(start, end)
            self._add(cell, material, name, part_ug)
            self._add(cell, material, "moisture_differences_ug", sign * (other_ug - part_ug))

    # Processes

    def _step_of(self, process: ProcessRead) -> str:
        if not process.is_vessel:
            return process.step.value
        vessel = self._facts.vessels.get(process.equipment_id or 0)
        return f"vessel {vessel.code if vessel else process.equipment_id}"

    def _process(self, process: ProcessRead, name: str, lines: Sequence[LineRead]) -> Process:
        started = microseconds(process.started_at)
        ended = None if process.ended_at is None else microseconds(process.ended_at)
        is_inside = ended is not None and self._cell(started) == self._cell(ended) >= 0
        # Within one period it does not matter when: reading the moments of thousands of lines is most of the work.
        at = started if is_inside else None
        moved = [self._moved(line, name, at) for line in lines if line.fraction_ppm is None]
        feeds: list[Dated] = []
        outs: list[tuple[OutKind, Dated]] = []
        loops: dict[str, list[Dated]] = {IN: [], OUT: []}
        for one in moved:
            line = one.line
            flow = Dated(one.dry_ug, one.start, one.end)
            if line.lot_id is not None:
                self._move_lot(process, one, flow)
            if line.category == LOOP:
                loops[line.direction].append(flow)
            elif line.direction == OUT:
                outs.append((OUT_KINDS[line.category], flow))
            else:
                feeds.append(flow)
                outs += self._through(process, one, flow, ended)
            if process.step is Step.RETURN_TO_SUPPLIER and line.lot_id not in self._facts.tied:
                with_it = self._ties_returned(one)
                feeds += with_it
                outs += [(OutKind.RETURNED, tie) for tie in with_it]
        if is_inside:
            feeds, outs = _summed(feeds, outs, started)
        return Process(
            key=process.id,
            step=name,
            when=self._when(process),
            feeds=feeds,
            outs=outs,
            estimates_ppm=[line.fraction_ppm for line in lines if line.fraction_ppm is not None],
            ended=started if process.step is Step.COUNT_CORRECTION else ended,
            heel_ug=self._heels_ug.get(process.id, 0),
            looped_in=loops[IN],
            looped_out=loops[OUT],
        )

    def _when(self, process: ProcessRead) -> When:
        if process.is_vessel or process.step is Step.COUNT_CORRECTION:
            return When.NOT_YET if process.ended_at is None else When.AT_END
        return When.AS_FED if process.is_closed else When.NOT_YET

    def _moved(self, line: LineRead, step: str, at: int | None) -> Moved:
        mass_g = self._facts.open_g[line.lot_id or 0] if line.mass_g is None else line.mass_g
        moisture = self._facts.moistures[line.moisture_id or 0]
        if moisture.basis != MeasurementBasis.MEASURED:
            self._guessed[step] += 1
        dry_ug = mass_g * (PPM - self._ppm_in(moisture))
        lot_dry_ug = dry_ug
        if line.lot_id is not None and line.category != TIED:
            lot = self._facts.lots[line.lot_id]
            of_lot = self._moisture_of_lot(lot)
            if of_lot is None or of_lot.id != moisture.id:
                lot_dry_ug = mass_g * (PPM - self._ppm_of_lot(lot))
        if at is not None:
            return Moved(line, dry_ug, lot_dry_ug, at, at)
        start = microseconds(moment_of(line.stored_start_at))
        end = start if line.stored_end_at is None else microseconds(moment_of(line.stored_end_at))
        return Moved(line, dry_ug, lot_dry_ug, start, end)

    def _move_lot(self, process: ProcessRead, moved: Moved, flow: Dated) -> None:
        """What a line does to its lot's stock."""
        line = moved.line
        lot_flow = flow if moved.lot_dry_ug == moved.dry_ug else Dated(moved.lot_dry_ug, moved.start, moved.end)
        material = TIES if line.category == TIED else self._material_of(self._facts.lots[line.lot_id or 0])
        if line.direction == OUT:
            name = "count_found_ug" if process.step is Step.COUNT_CORRECTION else "produced_ug"
            self._spread(flow, lot_flow, material, name, -1)
            return
        match process.step:
            case Step.SHIPPING:
                name = "dispatched_ug"
            case Step.RETURN_TO_SUPPLIER:
                name = "returned_ug"
            case Step.COUNT_CORRECTION:
                name = "count_missing_ug"
            case _:
                name = "consumed_ug"
        self._spread(flow, lot_flow, material, name, 1)

    def _ties_returned(self, moved: Moved) -> list[Dated]:
        """Wire and strap that go back around a bale that was never opened."""
        lot = self._facts.lots.get(moved.line.lot_id or 0)
        if lot is None or not lot.tie_g or moved.line.direction == OUT:
            return []
        tie = Dated(lot.tie_g * PPM, moved.start, moved.end)
        self._spread(tie, tie, TIES, "returned_ug", 1)
        return [tie]

    def _through(
        self, process: ProcessRead, moved: Moved, flow: Dated, ended: int | None
    ) -> list[tuple[OutKind, Dated]]:
        """What leaves as it came: a truck's load when it leaves, what goes back, ties charged into a vessel."""
        match process.step:
            case Step.SHIPPING if ended is not None and process.is_closed:
                return [(self._dispatched_as(moved.line), Dated(flow.dry_ug, ended, ended))]
            case Step.RETURN_TO_SUPPLIER:
                return [(OutKind.RETURNED, flow)]
            case Step.VESSEL_PERIOD if moved.line.category == TIED:
                return [(OutKind.LOSS, flow)]
        return []

    def _dispatched_as(self, line: LineRead) -> OutKind:
        lot = self._facts.lots[line.lot_id or 0]
        material = self._facts.materials.get(lot.material_id or 0)
        if lot.id in self._is_waste:
            return OutKind.DISPATCHED_WASTE
        if material is not None and material.form is MaterialForm.BY_PRODUCT:
            return OutKind.DISPATCHED_BY_PRODUCT
        return OutKind.DISPATCHED


def _summed(
    feeds: Sequence[Dated], outs: Sequence[tuple[OutKind, Dated]], at: int
) -> tuple[list[Dated], list[tuple[OutKind, Dated]]]:
    """The flows of a process that lies inside one period, added up: within it their times do not matter."""
    by_kind: dict[OutKind, int] = defaultdict(int)
    for kind, flow in outs:
        by_kind[kind] += flow.dry_ug
    fed_ug = sum(feed.dry_ug for feed in feeds)
    return [Dated(fed_ug, at, at)], [(kind, Dated(dry_ug, at, at)) for kind, dry_ug in by_kind.items()]
