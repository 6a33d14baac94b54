"""Facts that come late or are corrected: laboratory results, a bale weighed after all, a mistyped bag, holds."""

from collections import deque
from collections.abc import Sequence
from datetime import datetime, timedelta

from service.generate.floor import Floor
from service.generate.log import moment_text
from service.generate.store import Values
from service.generate.things import Lot, Moisture, Truck, Vessel
from service.generate.washing import Washed
from service.generate.yard import Yard
from service.lots.statuses import HoldSubject, MeasurementBasis

TRUCKS_PER_BALE_WEIGHED = 30
RUNS_PER_MISTYPED_BAG = 150
TRUCKS_PER_DOUBT, BALES_PER_HOLD, FINALS_PER_HOLD = 150, 20_000, 40
MINUTE = timedelta(minutes=1)


class SecondThoughts:
    """What somebody learns later; each about something of the last day or two."""

    def __init__(self, floor: Floor, yard: Yard) -> None:
        self._floor, self._yard = floor, yard
        self._awaited: deque[Moisture] = deque()
        self._awaited_lots: dict[int, Lot] = {}
        self._bales_seen = 0
        self._doubted = 0

    # At the gate --------------------------------------------------------------------------------------

    def about_truck(self, truck: Truck, at: datetime) -> None:
        """A provisional moisture is awaited; now and then a load is held until the laboratory has looked at it."""
        if truck.bales[0].moisture.basis is MeasurementBasis.PROVISIONAL:
            self._awaited.append(truck.bales[0].moisture)
        if self._floor.chance.randrange(TRUCKS_PER_DOUBT) == 0:
            self._lift(self._hold(HoldSubject.DELIVERY, truck.delivery_id, "smells of solvent", at), at + MINUTE / 2)
        self._bales_seen += len(truck.bales)
        if self._bales_seen >= BALES_PER_HOLD * (self._doubted + 1):
            self._doubted += 1
            bale = self._yard.waiting.pop()
            self._hold(HoldSubject.LOT, bale.id, "canister of unknown content inside", at + MINUTE)

    def about_final(self, final: Lot, at: datetime) -> None:
        """A final lot that stays in stock is sometimes held for good."""
        if self._floor.chance.randrange(FINALS_PER_HOLD) == 0:
            self._hold(HoldSubject.LOT, final.id, "colour drifts, customer asked to wait", at)

    def _hold(self, kind: HoldSubject, subject_id: int, cause: str, at: datetime) -> tuple[int, Values]:
        log = self._floor.log
        with self._floor.entry("hold_placed", at, self._floor.company.quality_id):
            hold_id = log.new_id("hold")
            values: Values = {"subject_kind": kind.value, "subject_id": subject_id, "cause_id": log.text(cause)}
            log.version("hold", hold_id, dict(values))
        return hold_id, values | {"effective_at": moment_text(at)}

    def _lift(self, hold: tuple[int, Values], at: datetime) -> None:
        hold_id, values = hold
        with self._floor.entry("hold_lifted", at, self._floor.company.quality_manager_id):
            self._floor.log.version("hold", hold_id, values, version=2, reason="laboratory found nothing", void=True)

    # Of the line --------------------------------------------------------------------------------------

    def await_result(self, lot: Lot) -> None:
        """Remember a lot whose moisture is provisional."""
        if lot.moisture.basis is MeasurementBasis.PROVISIONAL:
            self._awaited.append(lot.moisture)
            self._awaited_lots[lot.moisture.id] = lot

    def report_results(self, at: datetime) -> None:
        """The results of the samples before this cycle have come."""
        kind = "lot_moisture_recorded"
        while self._awaited:
            moisture = self._awaited.popleft()
            lot = self._awaited_lots.pop(moisture.id, None)
            ppm = max(100, moisture.ppm * self._floor.chance.randint(93, 106) // 100)
            event = kind if lot is not None else "delivery_moisture_recorded"
            before_ug = 0 if lot is None else lot.dry_ug
            with self._floor.entry(
                event, moisture.taken_at, self._floor.company.laboratory_id, late=at - moisture.taken_at
            ):
                self._floor.revise_moisture(moisture, ppm, "laboratory result")
                self._floor.follow_up(
                    [run for run in self._floor.recent.runs if any(line.moisture is moisture for line in run.lines)],
                    event,
                )
            if lot is not None:
                self._carry_into_vessel(lot, lot.dry_ug - before_ug)

    def weigh_a_bale(self, at: datetime) -> None:
        """A bale still waiting is put on the platform scale, when others of its truck have been fed."""
        if self._floor.chance.randrange(TRUCKS_PER_BALE_WEIGHED):
            return
        for truck in self._floor.recent.trucks:
            waiting = [bale for bale in truck.bales if bale.id in self._floor.living and not bale.stated_g]
            if 2 <= len(waiting) < len(truck.bales) and not _is_broken(truck.bales):
                mass_g = waiting[-1].held_g // 1_000 * 1_000 + self._floor.chance.randrange(-30_000, 30_000, 1_000)
                self._yard.weigh_bale(truck, waiting[-1], mass_g, at)
                return

    def correct_a_bag(self, washed: Washed, at: datetime) -> None:
        """A mass of flake was mistyped; the silo has had it since."""
        line, lot = washed.flake, washed.flake.lot
        if lot is None or self._floor.chance.randrange(RUNS_PER_MISTYPED_BAG) or not _still_in(lot):
            return
        before_ug, off_g = lot.dry_ug, self._floor.chance.choice((-180_000, -90_000, 90_000, 180_000))
        with self._floor.entry("line_corrected", at, self._floor.company.shift_id):
            line.version += 1
            line.mass_g = lot.held_g = lot.held_g + off_g
            self._floor.store_line(line, "bag mistyped")
            self._floor.follow_up([washed.run], "line_corrected")
        self._carry_into_vessel(lot, lot.dry_ug - before_ug)

    def _carry_into_vessel(self, lot: Lot, change_ug: int) -> None:
        if lot.vessel is not None and _still_in(lot):
            lot.vessel.content_ug += change_ug


def _still_in(lot: Lot) -> bool:
    """Whether the vessel a lot was charged into has not been emptied since."""
    vessel: Vessel | None = lot.vessel
    return vessel is not None and vessel.period_id == lot.period_id


def _is_broken(bales: Sequence[Lot]) -> bool:
    """Whether a bale was fed in part: its rest must not vanish under a new mass."""
    return any(bale.stated_g for bale in bales)
