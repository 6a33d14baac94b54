"""The history of invented plants from the first truck on, cycle by cycle, and the command's way in.

A cycle is two wash runs, the flake of which fills one of six silos; two silos feed one extrusion run, and every three
cycles make two lots of solid-stated pellets. Ten years are 30,000 cycles: about a million bales on 20,000 trucks.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial

from service.balances.derive import derive_history
from service.db import Database
from service.errors import Conflict
from service.generate.dispatch import Dispatch
from service.generate.floor import Floor
from service.generate.log import BulkLog
from service.generate.masters import Company, PlantMasters, Registrar
from service.generate.pelletising import Pelletising
from service.generate.second_thoughts import SecondThoughts
from service.generate.store import BulkStore
from service.generate.washing import SiloRow, Washed, WashLine
from service.generate.yard import WAITING_MIN, Yard
from service.plant.queries import list_current
from service.plant.tables import Site
from service.unit_of_work import Writer

END = datetime(2026, 1, 5, tzinfo=UTC)  # no clock is read: the same seed writes the same history on any day
CYCLES_PER_YEAR = 3_000
CYCLE = timedelta(seconds=10_519)  # 365.25 days / 3,000
MAIN_DRAW_PPM, CROSS_DRAW_PPM = 700_000, 350_000
MINUTE = timedelta(minutes=1)
Watch = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Extent:
    """How much history is asked for.

    Parameters
    ----------
    years : of each plant; they end on the same day whatever their number.
    clean_out_every : fills of a silo between clean-outs, more or less; 0 for never. One silo is never cleaned out.
    """

    years: float
    sites: int = 1
    seed: int = 1
    clean_out_every: int = 50

    @property
    def cycles(self) -> int:
        return max(1, round(self.years * CYCLES_PER_YEAR))

    @property
    def begin(self) -> datetime:
        return END - CYCLE * (self.cycles + 1)


@dataclass(frozen=True)
class Generated:
    """What was written: rows by table, and the root of each plant's log."""

    rows: dict[str, int]
    roots: dict[int, str]


def generate(
    database: Database, extent: Extent, register_installation: Callable[[Writer], None], watch: Watch
) -> Generated:
    """Write the history of one or more invented plants into an empty, migrated database.

    Nobody else may write meanwhile. What was broken off half-way is no plant to work with: start anew elsewhere.

    Parameters
    ----------
    register_installation : sees to it that the first actor exists.
    watch : told (done, in all, of what).

    Raises
    ------
    Conflict : the database holds a plant.
    """
    _refuse_other_plant(database)
    chance = random.Random(f"{extent.seed}")
    registrar = Registrar(database, extent.begin, chance, extent.clean_out_every)
    company = registrar.register_company("PLANT-01", register_installation)
    plants = [registrar.register_plant("PLANT-01", 1)]
    plants += [registrar.register_plant(f"PLANT-{number:02}") for number in range(2, extent.sites + 1)]
    store, roots = BulkStore(database.url), {}
    total = extent.cycles * extent.sites
    for place, plant in enumerate(plants):
        own_chance = random.Random(f"{extent.seed} {plant.site_no}")
        log = BulkLog(database, store, plant.site_no, partial(own_chance.randbytes, 16))
        history = PlantHistory(log, company, plant, own_chance)
        for cycle_no in range(extent.cycles):
            history.run_cycle(cycle_no, extent.begin + CYCLE * cycle_no)
            watch(place * extent.cycles + cycle_no + 1, total, "cycles of the plant")
        history.floor.settle_everything()
        roots[plant.site_no] = log.finish()
    store.close()
    # The compositions that the follow-ups of the verbs would have left behind.
    derive_history(database, lambda done, total: watch(done, total, "steps composed"))
    return Generated(dict(store.rows_stored), roots)


def _refuse_other_plant(database: Database) -> None:
    with database.read() as session:
        sites = list_current(session, Site)
    if sites:
        raise Conflict(
            "database-in-use",
            f"This database holds the plant {sites[0].code!r}; an invented history would be mixed into it.",
            "Let BALE_TO_PELLET_DATABASE_URL name a new database.",
        )


class PlantHistory:
    """One plant and its people, cycle after cycle."""

    def __init__(self, log: BulkLog, company: Company, plant: PlantMasters, chance: random.Random) -> None:
        self.floor = Floor(log, company, chance)
        self._yard = Yard(self.floor, plant)
        self._wash_line = WashLine(self.floor, self._yard)
        self._silos = SiloRow(self.floor, list(plant.silos))
        self._pelletising = Pelletising(self.floor, plant)
        self._dispatch = Dispatch(self.floor, plant.customers)
        self._later = SecondThoughts(self.floor, self._yard)
        self._washed: list[Washed] = []

    def run_cycle(self, cycle_no: int, start: datetime) -> None:
        """What happens in three hours, in the order in which it is recorded."""
        self._look_back(start)
        arrival = start + 2 * MINUTE
        while len(self._yard.waiting) < WAITING_MIN:
            self._later.about_truck(self._yard.take_in(arrival), arrival + 6.5 * MINUTE)
            arrival += 7 * MINUTE
        place = cycle_no % len(self._silos.silos)
        for begin in (start + 24 * MINUTE, start + 91 * MINUTE):
            self._wash(place, begin)
        self._pelletise(cycle_no, place, start + 158 * MINUTE)
        self._dispatch.ship_what_fills_a_truck(start + 174 * MINUTE)

    def _look_back(self, at: datetime) -> None:
        self._later.report_results(at)
        self._later.weigh_a_bale(at + MINUTE / 2)
        for washed in self._washed:
            self._later.correct_a_bag(washed, at + MINUTE)
        self._washed = []

    def _wash(self, place: int, begin: datetime) -> None:
        washed = self._wash_line.wash(begin)
        assert washed.flake.lot is not None
        self._silos.charge(place, washed.flake, begin + 63 * MINUTE, begin + 66 * MINUTE)
        self._later.await_result(washed.flake.lot)
        self._dispatch.take_by_products(washed.by_products)
        self._washed.append(washed)

    def _pelletise(self, cycle_no: int, place: int, at: datetime) -> None:
        cross = (place + len(self._silos.silos) // 2) % len(self._silos.silos)
        drawn = self._silos.draw(place, MAIN_DRAW_PPM, (at, at + MINUTE))
        drawn += self._silos.draw(cross, CROSS_DRAW_PPM, (at + MINUTE, at + 2 * MINUTE))
        drawn += self._silos.clean_out_if_due(place, (at + 2 * MINUTE, at + 3 * MINUTE), at + 3.5 * MINUTE)
        finished = self._pelletising.finish_extrusion(at + 4 * MINUTE)
        self._pelletising.start_extrusion(drawn, at + 5.5 * MINUTE)
        if finished is not None:
            pellets, lumps = finished
            self._later.await_result(pellets)
            self._dispatch.take_by_products([lumps])
            self._pelletising.take_pellets(pellets, at + 6 * MINUTE)
        for final in self._pelletising.pass_reactor(cycle_no, at + 8 * MINUTE):
            if not self._dispatch.take_final(final, at + 15 * MINUTE):
                self._later.about_final(final, at + 15.5 * MINUTE)
