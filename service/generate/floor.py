"""Booking on the floor: the rows that the verbs of lots, runs and vessels would store, and what is left of each lot."""

import random
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta

from service.balances.compute import ComputedBalance, balance_of_lines
from service.balances.record import figures
from service.core.codes import code_for
from service.core.quantities import dry_ug
from service.generate.log import BulkLog, moment_text
from service.generate.masters import Company
from service.generate.store import Values
from service.generate.things import Line, Lot, Moisture, Recent, Run, Vessel, mass_of
from service.lots.statuses import (
    Amount,
    Category,
    Direction,
    LotKind,
    LotOrigin,
    MeasurementBasis,
    Quantity,
    Step,
)
from service.plant.statuses import Mixing, VesselEventKind

REPORTED_AFTER_S = (5, 50)  # somebody types it in within a minute


class Floor:
    """Books for one plant; `living` are the lots of which something may be left."""

    def __init__(self, log: BulkLog, company: Company, chance: random.Random) -> None:
        self.log, self.company, self.chance = log, company, chance
        self.recent = Recent()
        self.living: dict[int, Lot] = {}

    @contextmanager
    def entry(self, kind: str, at: datetime, actor_id: int, *, late: timedelta = timedelta()) -> Iterator[None]:
        """One write about a moment, recorded soon after it, or `late`."""
        soon = timedelta(seconds=self.chance.randint(*REPORTED_AFTER_S))
        with self.log.entry(kind, at, at + late + soon, actor_id):
            yield

    # Lots ---------------------------------------------------------------------------------------------

    def register_lot(self, kind: LotKind, material: str, at: datetime, delivery_id: int | None = None) -> int:
        lot_id = self.log.new_id("lot")
        origin = LotOrigin.PROCESS if delivery_id is None else LotOrigin.DELIVERY
        born = moment_text(at)
        identity: Values = {"id": lot_id, "code": code_for(lot_id), "kind": kind.value, "born_at": born}
        self.log.fact("lot", identity | {"origin": origin.value, "delivery_id": delivery_id})
        material_id = self.company.material_ids[material]
        return self.log.version("lot_fact", lot_id, {"material_id": material_id, "effective_at": born})

    def state_moisture(
        self, subject_id: int, ppm: int, at: datetime, basis: MeasurementBasis = MeasurementBasis.MEASURED
    ) -> Moisture:
        moisture = Moisture(self.log.new_id("measurement"), subject_id, ppm, basis, at)
        self.log.version("measurement", moisture.id, _measurement(moisture))
        return moisture

    def revise_moisture(self, moisture: Moisture, ppm: int, reason: str) -> None:
        moisture.ppm, moisture.basis = ppm, MeasurementBasis.MEASURED
        moisture.version += 1
        self.log.version("measurement", moisture.id, _measurement(moisture), version=moisture.version, reason=reason)

    def settle_everything(self) -> None:
        """Write down what is left of every lot, when history ends."""
        for lot in self.living.values():
            self.log.stock(lot.id, lot.left_g)
        self.living.clear()

    # Lines --------------------------------------------------------------------------------------------

    def store_line(self, line: Line, reason: str = "") -> Line:
        values: Values = {
            "process_id": line.process_id,
            "lot_id": None if line.lot is None else line.lot.id,
            "direction": line.direction.value,
            "category": line.category.value,
            "stream": line.stream,
            "amount": line.amount.value,
            "mass_g": line.mass_g,
            "fraction_ppm": line.fraction_ppm,
            "moisture_id": line.moisture_id,
            "start_at": moment_text(line.start_at),
            "end_at": None if line.end_at is None else moment_text(line.end_at),
            "gross_g": line.gross_g,
            "effective_at": moment_text(line.start_at),
        }
        self.log.version("line", line.id, values, version=line.version, reason=reason)
        return line

    def _take(
        self, process_id: int, lot: Lot, stream: str, start_at: datetime, end_at: datetime | None, mass_g: int | None
    ) -> Line:
        """A line that takes a lot, all that is left of it unless a figure is given."""
        amount = Amount.MASS if mass_g is not None else Amount.REST if lot.stated_g else Amount.WHOLE
        number = self.log.new_id("line")
        line = Line(
            number,
            process_id,
            lot,
            Direction.IN,
            Category.FEED,
            stream,
            amount,
            mass_g,
            None,
            lot.moisture,
            start_at,
            end_at,
        )
        if mass_g is None:
            self.log.stock(lot.id, 0)
            del self.living[lot.id]
        else:
            lot.stated_g += mass_g
        return self.store_line(line)

    def feed(self, run: Run, lots: Sequence[Lot], at: datetime, mass_g: int | None = None) -> None:
        """Feed lots, each whole or what is left of it, or `mass_g` of each; ties come off when a bale is opened."""
        opened = [lot for lot in lots if lot.tie_g and not lot.stated_g]
        run.lines += [self._take(run.id, lot, lot.kind.value, at, None, mass_g) for lot in lots]
        if opened and run.ties_moisture is None:
            run.ties_moisture = self.state_moisture(run.id, 0, run.started_at)
        for lot in opened:
            number, dry = self.log.new_id("line"), run.ties_moisture
            tie = (Direction.IN, Category.TIES, "ties", Amount.MASS, lot.tie_g, None, dry, at, None)
            run.lines.append(self.store_line(Line(number, run.id, lot, *tie)))

    def make(
        self,
        process_id: int,
        kind: LotKind,
        material: str,
        mass_g: int,
        ppm: int,
        at: datetime,
        *,
        category: Category = Category.PRODUCT,
        stream: str,
        end_at: datetime | None = None,
        basis: MeasurementBasis = MeasurementBasis.MEASURED,
        tare_g: int = 0,
    ) -> Line:
        """A new lot coming out of a process."""
        lot_id = self.register_lot(kind, material, at)
        lot = Lot(lot_id, kind, at, self.state_moisture(lot_id, ppm, at, basis), mass_g)
        self.living[lot_id] = lot
        gross_g = mass_g + tare_g if tare_g else None
        number = self.log.new_id("line")
        out = (Direction.OUT, category, stream, Amount.MASS, mass_g, None, lot.moisture, at, end_at, gross_g)
        return self.store_line(Line(number, process_id, lot, *out))

    def lose(self, run: Run, stream: str, category: Category, at: datetime, mass_g: int, ppm: int) -> None:
        number = self.log.new_id("line")
        moisture = self.state_moisture(number, ppm, at)
        loss = (Direction.OUT, category, stream, Amount.MASS, mass_g, None, moisture, at, None)
        run.lines.append(self.store_line(Line(number, run.id, None, *loss)))

    def estimate(self, run: Run, stream: str, at: datetime, fraction_ppm: int) -> None:
        """A loss nobody can weigh, as a fraction of the dry input."""
        number = self.log.new_id("line")
        loss = (Direction.OUT, Category.LOSS, stream, Amount.FRACTION_OF_DRY_IN, None, fraction_ppm, None, at, None)
        run.lines.append(self.store_line(Line(number, run.id, None, *loss)))

    # Runs ---------------------------------------------------------------------------------------------

    def start(self, step: Step, at: datetime, note: str | None = None) -> Run:
        with self.entry("run_started", at, self.company.shift_id):
            run = Run(self.log.new_id("process"), step, at, note)
            self.log.version("process", run.id, _process(run))
        return run

    def close(self, run: Run, at: datetime) -> None:
        with self.entry("run_closed", at, self.company.shift_id):
            run.ended_at = at
            self.log.version("process", run.id, _process(run), version=2, reason="run closed")
            run.balance_id = self.log.new_id("balance")
            self._store_balance(run, self._balance_of(run))
        self.recent.runs.append(run)

    def follow_up(self, runs: Sequence[Run], kind: str) -> None:
        """New versions of the balances that rest on what this entry changed."""
        for run in sorted(runs, key=lambda run: run.id):
            computed = self._balance_of(run)
            if run.balance_id and computed.inputs_hash != run.inputs_hash:
                self._store_balance(run, computed, f"follows from {kind.replace('_', ' ')}")

    def _balance_of(self, run: Run) -> ComputedBalance:
        masses = {line.id: mass_of(line) for line in run.lines}
        named = {line.moisture.id: line.moisture for line in run.lines if line.moisture is not None}
        return balance_of_lines(run.step, run.lines, masses, named, self.company.tolerances[run.step])

    def _store_balance(self, run: Run, computed: ComputedBalance, reason: str = "") -> None:
        assert run.ended_at is not None
        run.balance_version += 1
        run.inputs_hash = computed.inputs_hash
        values: Values = {"process_id": run.id, "effective_at": moment_text(run.ended_at)} | figures(computed)
        values["verdict"] = values["verdict"].value
        self.log.version("balance", run.balance_id, values, version=run.balance_version, reason=reason)

    # Vessels ------------------------------------------------------------------------------------------

    def charge(self, vessel: Vessel, lot: Lot, start_at: datetime, end_at: datetime) -> None:
        with self.entry("vessel_charged", start_at, self.company.shift_id, late=end_at - start_at):
            vessel.content_ug += lot.dry_ug
            lot.vessel, lot.period_id = vessel, vessel.period_id
            self._take(vessel.period_id, lot, "charge", start_at, end_at, None)

    def draw(
        self,
        vessel: Vessel,
        kind: LotKind,
        material: str,
        dry_to_draw_ug: int,
        ppm: int,
        span: tuple[datetime, datetime],
    ) -> Lot:
        with self.entry("vessel_drawn", span[0], self.company.shift_id, late=span[1] - span[0]):
            mass_g = dry_to_draw_ug // (10**6 - ppm)
            line = self.make(vessel.period_id, kind, material, mass_g, ppm, span[0], stream="draw", end_at=span[1])
            vessel.content_ug -= dry_ug(mass_g, ppm)
        assert line.lot is not None
        return line.lot

    def prove_empty(self, vessel: Vessel, at: datetime) -> None:
        """End a vessel's period and begin the next; what the book says is left was dust and is gone."""
        with self.entry("vessel_proven_empty", at, self.company.quality_id):
            note, moment = "emptied, opened and looked into", moment_text(at)
            kind = VesselEventKind.PROVEN_EMPTY.value
            event: Values = {"equipment_id": vessel.equipment_id, "kind": kind, "at": moment, "note": note}
            self.log.version("equipment_event", self.log.new_id("equipment_event"), event)
            ended = _period(vessel) | {"ended_at": moment}
            self.log.version("process", vessel.period_id, ended, version=2, reason=f"proven empty: {note}")
            vessel.period_id, vessel.begun_at = self.log.new_id("process"), at
            self.log.version("process", vessel.period_id, _period(vessel))
        vessel.content_ug = vessel.fills = 0
        vessel.fills_until_clean_out = vessel.clean_out_every + self.chance.randint(0, vessel.clean_out_every // 5)


def _measurement(moisture: Moisture) -> Values:
    return {
        "subject_id": moisture.subject_id,
        "quantity": Quantity.MOISTURE.value,
        "value": moisture.value,
        "basis": moisture.basis.value,
        "taken_at": moment_text(moisture.taken_at),
        "effective_at": moment_text(moisture.taken_at),
    }


def _process(run: Run) -> Values:
    return {
        "step": run.step.value,
        "started_at": moment_text(run.started_at),
        "ended_at": None if run.ended_at is None else moment_text(run.ended_at),
        "mixing": Mixing.RUN_MIXED.value,
        "is_closed": run.ended_at is not None,
        "note": run.note,
        "effective_at": moment_text(run.started_at),
    }


def _period(vessel: Vessel) -> Values:
    begun = moment_text(vessel.begun_at)
    period: Values = {"step": Step.VESSEL_PERIOD.value, "equipment_id": vessel.equipment_id, "started_at": begun}
    return period | {"mixing": vessel.mixing.value, "is_closed": False, "effective_at": begun}
