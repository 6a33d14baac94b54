"""Packing into octabins and shipping: containers, tank trucks of pellets, by-products."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from service.generate.floor import Floor
from service.generate.masters import TARES_G
from service.generate.pelletising import FINAL_PPM
from service.generate.things import Line, Lot, Run
from service.lots.statuses import Category, LotKind, Step

CONTAINER_G = (1_050_000, 1_150_000)
LOTS_KEPT_IN_STOCK = 12  # one in so many is never shipped
CONTAINERS_PER_TRUCK, BY_PRODUCTS_PER_TRUCK = 20, 24
MINUTE = timedelta(minutes=1)


class Dispatch:
    """Every second final lot is packed, the others leave in tank trucks."""

    def __init__(self, floor: Floor, customers: Sequence[str]) -> None:
        self._floor, self._customers = floor, customers
        self._containers: list[Lot] = []
        self._by_products: list[Lot] = []
        self._finals = 0

    def take_final(self, final: Lot, at: datetime) -> bool:
        """Pack or ship a final lot; False if it stays where it is."""
        self._finals += 1
        if self._floor.chance.randrange(LOTS_KEPT_IN_STOCK) == 0:
            return False
        if self._finals % 2:
            self._pack(final, at)
        else:
            self._ship([final], at)
        return True

    def take_by_products(self, lots: Sequence[Lot]) -> None:
        self._by_products += lots

    def ship_what_fills_a_truck(self, at: datetime) -> None:
        while len(self._containers) >= CONTAINERS_PER_TRUCK:
            load, self._containers = self._containers[:CONTAINERS_PER_TRUCK], self._containers[CONTAINERS_PER_TRUCK:]
            self._ship([lot for lot in load if self._floor.chance.randrange(LOTS_KEPT_IN_STOCK)], at)
        if len(self._by_products) >= BY_PRODUCTS_PER_TRUCK:
            self._ship(self._by_products, at)
            self._by_products = []

    def _pack(self, final: Lot, at: datetime) -> None:
        floor = self._floor
        run = floor.start(Step.PACKING, at)
        with floor.entry("run_fed", at + MINUTE / 8, floor.company.shift_id):
            floor.feed(run, [final], at + MINUTE / 8)
        moment = at + MINUTE / 4
        with floor.entry("run_discharged", moment, floor.company.shift_id):
            left_g = final.held_g * 9995 // 10_000  # dust and what stands in the pipe
            while left_g > 0:
                mass_g = min(left_g, floor.chance.randrange(*CONTAINER_G, 500))
                run.lines.append(self._fill_container(run, mass_g, moment))
                left_g -= mass_g
        floor.close(run, at + MINUTE / 2)

    def _fill_container(self, run: Run, mass_g: int, at: datetime) -> Line:
        floor = self._floor
        category, tare_g = Category.PRODUCT, sum(TARES_G.values())
        line = floor.make(
            run.id,
            LotKind.CONTAINER,
            "PELLETS-SSP",
            mass_g,
            FINAL_PPM,
            at,
            category=category,
            stream="octabins",
            tare_g=tare_g,
        )
        for code in TARES_G:
            tare = {"line_id": line.id, "line_version": 1, "container_type_id": floor.company.container_type_ids[code]}
            floor.log.fact("line_tare", tare | {"pieces": 1})
        assert line.lot is not None
        self._containers.append(line.lot)
        return line

    def _ship(self, lots: Sequence[Lot], at: datetime) -> None:
        if not lots:
            return
        floor = self._floor
        run = floor.start(Step.SHIPPING, at, f"to {floor.chance.choice(self._customers)}")
        with floor.entry("run_fed", at + MINUTE / 4, floor.company.shift_id):
            floor.feed(run, lots, at + MINUTE / 4)
        floor.close(run, at + MINUTE / 2)
