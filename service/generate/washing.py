"""Wash runs: bales in, clear flake and by-products out, the flake into one of the silos."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.core.quantities import dry_ug
from service.generate.floor import Floor
from service.generate.things import Line, Lot, Run, Vessel
from service.generate.yard import Yard
from service.lots.statuses import Category, Direction, LotKind, MeasurementBasis, Step

BALES_PER_RUN = (13, 20)
BALES_PER_FEED = 5
FLAKE_PPM = 7_000
RUNS_PER_BROKEN_BALE = 12
RUNS_PER_DOUBLE_BAG, DOUBLE_BAG_PPM = 400, 60_000  # a bag booked twice shows as a gain
RUNS_PER_LATE_RESULT = 12  # the flake's moisture is provisional when the run closes
SLUDGE_PPM, LABELS_PPM, EFFLUENT_PPM_OF_DRY_IN = 500_000, 60_000, 8_000

# Of the dry input, ppm; what is missing to a million, 0.2 % more or less, is lost unseen. Invented.
FLAKE_YIELD_PPM = 742_000
BY_PRODUCTS = (("coloured_flake", "FLAKE-COLOURED", 80_000, 9_000), ("polyolefin", "POLYOLEFIN", 92_000, 12_000))
FINES_YIELD_PPM, LABELS_YIELD_PPM, SLUDGE_YIELD_PPM = 37_000, 15_000, 22_000


@dataclass(slots=True)
class Washed:
    """What a wash run leaves to the steps that follow."""

    run: Run
    flake: Line
    by_products: list[Lot]


class WashLine:
    def __init__(self, floor: Floor, yard: Yard) -> None:
        self._floor, self._yard = floor, yard

    def wash(self, at: datetime) -> Washed:
        """One run of an hour."""
        floor, chance = self._floor, self._floor.chance
        run = floor.start(Step.WASH, at)
        bales = chance.randint(*BALES_PER_RUN)
        minute = timedelta(minutes=1)
        for portion in range(0, bales, BALES_PER_FEED):
            moment = at + (2 + 2 * portion) * minute
            with floor.entry("run_fed", moment, floor.company.shift_id):
                floor.feed(run, self._yard.take(min(BALES_PER_FEED, bales - portion)), moment)
        if chance.randrange(RUNS_PER_BROKEN_BALE) == 0:
            self._feed_part_of_a_bale(run, at + 43 * minute)
        washed = self._discharge(run, at + 46 * minute, at + 60 * minute)
        self._book_losses(run, at + 61 * minute)
        floor.close(run, at + 62 * minute)
        return washed

    def _feed_part_of_a_bale(self, run: Run, at: datetime) -> None:
        [bale] = self._yard.take(1)
        with self._floor.entry("run_fed", at, self._floor.company.shift_id):
            if bale.stated_g:
                self._floor.feed(run, [bale], at)
            else:
                self._floor.feed(run, [bale], at, mass_g=bale.held_g * self._floor.chance.randint(3, 6) // 10)
                self._yard.put_back(bale)

    def _discharge(self, run: Run, at: datetime, end_at: datetime) -> Washed:
        floor, chance = self._floor, self._floor.chance
        dry_in_ug = run.dry_ug(Direction.IN) - sum(
            dry_ug(line.mass_g or 0, 0) for line in run.lines if line.category is Category.TIES
        )

        def share_g(yield_ppm: int, ppm: int, spread_ppm: int) -> int:
            """Wet grams of a stream, more or less."""
            part_ug = dry_in_ug * (yield_ppm + chance.randint(-spread_ppm, spread_ppm)) // 10**6
            return part_ug // (10**6 - ppm) // 500 * 500

        is_late = chance.randrange(RUNS_PER_LATE_RESULT) == 0
        basis = MeasurementBasis.PROVISIONAL if is_late else MeasurementBasis.MEASURED
        with floor.entry("run_discharged", at, floor.company.shift_id, late=end_at - at):
            ppm = FLAKE_PPM + chance.randrange(-1_500, 1_500, 100)
            double_ppm = DOUBLE_BAG_PPM if chance.randrange(RUNS_PER_DOUBLE_BAG) == 0 else 0
            mass_g = share_g(FLAKE_YIELD_PPM + double_ppm, ppm, 12_000)
            flake = floor.make(
                run.id, LotKind.FLAKE, "FLAKE", mass_g, ppm, at, stream="clear_flake", end_at=end_at, basis=basis
            )
            sides = [(stream, code, share_g(part, wet, 3_000), wet) for stream, code, part, wet in BY_PRODUCTS]
            sides.append(("fines", "FINES", share_g(FINES_YIELD_PPM, 30_000, 2_000), 30_000))
            category = Category.BY_PRODUCT
            made = [
                floor.make(run.id, LotKind.BY_PRODUCT, code, side_g, wet, at, category=category, stream=stream)
                for stream, code, side_g, wet in sides
            ]
        run.lines += [flake, *made]
        return Washed(run, flake, [line.lot for line in made if line.lot is not None])

    def _book_losses(self, run: Run, at: datetime) -> None:
        floor = self._floor
        ties_g = sum(line.mass_g or 0 for line in run.lines if line.category is Category.TIES)
        dry_in_ug = run.dry_ug(Direction.IN)
        with floor.entry("run_losses_booked", at, floor.company.shift_id):
            floor.lose(run, "wire", Category.WASTE, at, max(ties_g, 1), 0)
            for stream, part_ppm, ppm in (
                ("labels", LABELS_YIELD_PPM, LABELS_PPM),
                ("sludge", SLUDGE_YIELD_PPM, SLUDGE_PPM),
            ):
                floor.lose(run, stream, Category.WASTE, at, dry_in_ug * part_ppm // 10**6 // (10**6 - ppm), ppm)
            floor.estimate(run, "effluent", at, EFFLUENT_PPM_OF_DRY_IN)


@dataclass(slots=True)
class SiloRow:
    """The flake silos: each wash is charged into one, two of them feed the extruder."""

    floor: Floor
    silos: list[Vessel]

    def charge(self, place: int, flake: Line, start_at: datetime, end_at: datetime) -> None:
        assert flake.lot is not None
        self.floor.charge(self.silos[place], flake.lot, start_at, end_at)

    def draw(self, place: int, part_ppm: int, span: tuple[datetime, datetime]) -> list[Lot]:
        """A part of what stands in a silo as a lot; nothing while it is nearly empty."""
        silo = self.silos[place]
        if silo.content_ug < 1_000 * 10**9:
            return []
        dry_to_draw_ug = silo.content_ug * part_ppm // 10**6
        return [self.floor.draw(silo, LotKind.FLAKE, "FLAKE", dry_to_draw_ug, FLAKE_PPM, span)]

    def clean_out_if_due(self, place: int, span: tuple[datetime, datetime], proven_at: datetime) -> list[Lot]:
        """After so many fills a silo is drawn empty, opened and looked into."""
        silo = self.silos[place]
        silo.fills += 1
        if not silo.clean_out_every or silo.fills < silo.fills_until_clean_out:
            return []
        rest = self.draw(place, 997_000, span)
        self.floor.prove_empty(silo, proven_at)
        return rest
