"""From flake to solid-stated pellets: extrusion, rework, the buffer, the reactors."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from service.generate.floor import Floor
from service.generate.masters import PlantMasters
from service.generate.things import Lot, Run, Vessel
from service.lots.statuses import Category, Direction, LotKind, MeasurementBasis, Step

PELLET_PPM, REWORK_PPM, FINAL_PPM, LUMPS_PPM = 2_000, 2_500, 200, 1_000
PELLET_YIELD_PPM, LUMPS_YIELD_PPM = 982_000, 13_000
RUNS_PER_OFF_SPEC = 45
RUNS_PER_LATE_RESULT = 20
HEEL_OF_BUFFER_UG = 6_000 * 10**9
HOLD_UP_OF_REACTOR_UG = 26_000 * 10**9
LEAST_DRAW_UG, LARGEST_DRAW_UG = 8_000 * 10**9, 22_000 * 10**9
REACTOR_LOTS_PER_CYCLE = (2, 3)
MINUTE = timedelta(minutes=1)


class Pelletising:
    """One extruder that runs from cycle to cycle, one buffer, two reactors in turn."""

    def __init__(self, floor: Floor, plant: PlantMasters) -> None:
        self._floor = floor
        self.buffer, self._reactors = plant.buffer, plant.reactors
        self._running: Run | None = None
        self._rework: list[Lot] = []
        self._reactor_turns = 0

    def finish_extrusion(self, at: datetime) -> tuple[Lot, Lot] | None:
        """End the run that has been going since the last cycle; gives pellets and purge."""
        run, self._running = self._running, None
        if run is None:
            return None
        floor, chance = self._floor, self._floor.chance
        dry_in_ug = run.dry_ug(Direction.IN)
        basis = (
            MeasurementBasis.PROVISIONAL if chance.randrange(RUNS_PER_LATE_RESULT) == 0 else MeasurementBasis.MEASURED
        )
        with floor.entry("run_discharged", at, floor.company.shift_id):
            pellets_ug = dry_in_ug * (PELLET_YIELD_PPM + chance.randint(-4_000, 4_000)) // 10**6
            mass_g, stream = pellets_ug // (10**6 - PELLET_PPM), "pellets"
            pellets = floor.make(run.id, LotKind.PELLETS, "PELLETS", mass_g, PELLET_PPM, at, stream=stream, basis=basis)
            lumps_g = dry_in_ug * LUMPS_YIELD_PPM // 10**6 // (10**6 - LUMPS_PPM)
            kind, category = LotKind.BY_PRODUCT, Category.BY_PRODUCT
            lumps = floor.make(run.id, kind, "LUMPS", lumps_g, LUMPS_PPM, at, category=category, stream="purge")
        run.lines += [pellets, lumps]
        floor.close(run, at + MINUTE)
        assert pellets.lot is not None
        assert lumps.lot is not None
        return pellets.lot, lumps.lot

    def start_extrusion(self, feeds: Sequence[Lot], at: datetime) -> None:
        """Start the next run with what was drawn, and with rework if there is some."""
        lots = [*feeds, *self._rework]
        if not lots:
            return
        self._rework = []
        self._running = run = self._floor.start(Step.EXTRUSION, at)
        with self._floor.entry("run_fed", at + MINUTE / 4, self._floor.company.shift_id):
            self._floor.feed(run, lots, at + MINUTE / 4)

    def take_pellets(self, pellets: Lot, at: datetime) -> None:
        """Good pellets go into the buffer, off-spec ones are reground for one of the next runs."""
        if self._floor.chance.randrange(RUNS_PER_OFF_SPEC):
            self._floor.charge(self.buffer, pellets, at, at + MINUTE)
            return
        floor = self._floor
        run = floor.start(Step.REGRIND, at, "off spec: colour")
        with floor.entry("run_fed", at + MINUTE / 4, floor.company.shift_id):
            floor.feed(run, [pellets], at + MINUTE / 4)
        moment = at + MINUTE / 2
        with floor.entry("run_discharged", moment, floor.company.shift_id):
            mass_g = run.dry_ug(Direction.IN) * 993 // 1000 // (10**6 - REWORK_PPM)
            made = floor.make(run.id, LotKind.REWORK, "REWORK", mass_g, REWORK_PPM, moment, stream="rework")
        run.lines.append(made)
        floor.close(run, at + MINUTE)
        assert made.lot is not None
        self._rework.append(made.lot)

    def pass_reactor(self, cycle_no: int, at: datetime) -> list[Lot]:
        """Draw from the buffer, charge a reactor, draw what it then holds too much: the final lots."""
        per, cycles = REACTOR_LOTS_PER_CYCLE
        available_ug = self.buffer.content_ug - HEEL_OF_BUFFER_UG
        if (cycle_no + 1) * per // cycles <= self._reactor_turns or available_ug < LEAST_DRAW_UG:
            return []
        floor, reactor = self._floor, self._reactors[self._reactor_turns % len(self._reactors)]
        self._reactor_turns += 1
        drawn_ug = min(available_ug, LARGEST_DRAW_UG)
        pellets = floor.draw(self.buffer, LotKind.PELLETS, "PELLETS", drawn_ug, PELLET_PPM, (at, at + MINUTE))
        floor.charge(reactor, pellets, at + 2 * MINUTE, at + 3 * MINUTE)
        finals = self._draw_finals(reactor, HOLD_UP_OF_REACTOR_UG, at + 4 * MINUTE)
        self._stop_if_due(reactor, at + 5 * MINUTE, finals)
        self._empty_buffer_if_due(at + 6 * MINUTE)
        return finals

    def _draw_finals(self, reactor: Vessel, kept_ug: int, at: datetime) -> list[Lot]:
        finals: list[Lot] = []
        step = MINUTE / 4
        while reactor.content_ug - kept_ug >= LEAST_DRAW_UG:
            excess_ug = min(reactor.content_ug - kept_ug, LARGEST_DRAW_UG)
            span = (at + len(finals) * step, at + (len(finals) + 1) * step)
            finals.append(self._floor.draw(reactor, LotKind.PELLETS, "PELLETS-SSP", excess_ug, FINAL_PPM, span))
        return finals

    def _stop_if_due(self, reactor: Vessel, at: datetime, finals: list[Lot]) -> None:
        """Once in a long while a reactor is run empty and opened."""
        reactor.fills += 1
        if not reactor.clean_out_every or reactor.fills < reactor.fills_until_clean_out:
            return
        finals += self._draw_finals(reactor, 0, at)
        self._floor.prove_empty(reactor, at + MINUTE)

    def _empty_buffer_if_due(self, at: datetime) -> None:
        """The buffer is opened at the end of its time too; what stands in it is drawn and charged again."""
        self.buffer.fills += 1
        if not self.buffer.clean_out_every or self.buffer.fills < self.buffer.fills_until_clean_out:
            return
        rest_ug = self.buffer.content_ug * 997 // 1000
        rest = self._floor.draw(self.buffer, LotKind.PELLETS, "PELLETS", rest_ug, PELLET_PPM, (at, at + MINUTE / 4))
        self._floor.prove_empty(self.buffer, at + MINUTE / 2)
        self._floor.charge(self.buffer, rest, at + MINUTE / 2 + MINUTE / 8, at + MINUTE)
