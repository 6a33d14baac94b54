"""Trucks and their bales: the ticket, the net spread over the bales, the heap they wait on."""

from collections import deque
from collections.abc import Sequence
from datetime import datetime, timedelta

from service.core.receipt import respread
from service.generate.floor import Floor
from service.generate.log import moment_text
from service.generate.masters import TIE_G, PlantMasters, Supplier
from service.generate.store import Values
from service.generate.things import Lot, Truck
from service.lots.statuses import LotKind, MassBasis, MeasurementBasis
from service.weighbridge.statuses import (
    Decision,
    DeductionKind,
    DeliveryForm,
    NonFoodStatus,
    Purpose,
    WeighingEntry,
    WeighingKind,
    WeighingOrigin,
)

BALES_PER_TRUCK = (44, 55)
BALE_G = (440_000, 560_000)
TRUCK_TARE_G = (14_200_000, 15_800_000)
BALE_PPM = (30_000, 75_000)
WAITING_MIN = 110
TRUCKS_KNOWN_PROVISIONALLY = 25  # one in so many
MINUTE = timedelta(minutes=1)


class Yard:
    """Takes trucks in and hands bales out, the oldest first."""

    def __init__(self, floor: Floor, plant: PlantMasters) -> None:
        self._floor, self._plant = floor, plant
        self.waiting: deque[Lot] = deque()
        self.trucks = 0

    def take_in(self, at: datetime) -> Truck:
        """One truck: ticket with gross, tare, bales, moisture."""
        floor, chance = self._floor, self._floor.chance
        self.trucks += 1
        bales = chance.randint(*BALES_PER_TRUCK)
        net_g = bales * chance.randrange(*BALE_G, 1_000) // 20_000 * 20_000
        tare_g = chance.randrange(*TRUCK_TARE_G, 20_000)
        supplier = self._plant.suppliers[int(len(self._plant.suppliers) * chance.random() ** 2)]
        ticket_no = f"T{floor.log.next_number('ticket'):06d}"
        delivery_id, ticket = self._open_ticket(at, supplier, ticket_no, bales, net_g + tare_g)
        weighed_at = at + 4 * MINUTE
        with floor.entry("delivery_weighed", weighed_at, floor.company.gate_id):
            self._weigh(WeighingKind.TARE, tare_g, weighed_at, self._plant.bridge_id, delivery_id=delivery_id)
        with floor.entry("bales_registered", at + 5 * MINUTE, floor.company.gate_id):
            reason = "bales registered at the gate"
            revised = ticket | {"counted": bales, "effective_at": moment_text(at)}
            floor.log.version("delivery", delivery_id, revised, version=2, reason=reason)
            material_g = net_g - bales * TIE_G
            numbers = [floor.register_lot(LotKind.BALE, "BALES", at, delivery_id) for _ in range(bales)]
            for number, mass_g in zip(numbers, respread(material_g, [None] * bales), strict=True):
                self._state_mass(number, mass_g, MassBasis.ALLOCATED)
        with floor.entry("delivery_moisture_recorded", at + 6 * MINUTE, floor.company.laboratory_id):
            is_provisional = chance.randrange(TRUCKS_KNOWN_PROVISIONALLY) == 0
            basis = MeasurementBasis.PROVISIONAL if is_provisional else MeasurementBasis.MEASURED
            moisture = floor.state_moisture(delivery_id, chance.randrange(*BALE_PPM, 100), at, basis)
        masses = respread(material_g, [None] * bales)
        lots = [
            Lot(number, LotKind.BALE, at, moisture, mass_g, tie_g=TIE_G)
            for number, mass_g in zip(numbers, masses, strict=True)
        ]
        floor.living |= {lot.id: lot for lot in lots}
        self.waiting += lots
        truck = Truck(delivery_id, material_g, lots)
        floor.recent.trucks.append(truck)
        return truck

    def _open_ticket(
        self, at: datetime, supplier: Supplier, ticket_no: str, bales: int, gross_g: int
    ) -> tuple[int, Values]:
        log, chance = self._floor.log, self._floor.chance
        with self._floor.entry("delivery_opened", at, self._floor.company.gate_id):
            delivery_id = log.new_id("delivery")
            ticket: Values = {
                "ticket_no": ticket_no,
                "supplier_id": supplier.partner_id,
                "contract_id": supplier.contract_id,
                "material_id": self._floor.company.material_ids["BALES"],
                "form": DeliveryForm.BALES.value,
                "arrived_at": moment_text(at),
                "plate_id": log.text(f"GEN {chance.randrange(100, 400)}"),
                "note_no": f"N{self.trucks}",
                "note_count": bales,
                "nonfood_status": NonFoodStatus.UNCLASSIFIED.value,
                "decision": Decision.ACCEPTED.value,
            }
            log.version("delivery", delivery_id, dict(ticket))
            tie = {"purpose": Purpose.PHYSICAL.value, "kind": DeductionKind.TIE.value}
            taken: Values = {"delivery_id": delivery_id, "pieces": bales, "per_piece_g": TIE_G}
            log.version("deduction", log.new_id("deduction"), tie | taken)
            self._weigh(WeighingKind.GROSS, gross_g, at, self._plant.bridge_id, delivery_id=delivery_id)
        return delivery_id, ticket

    def _weigh(
        self,
        kind: WeighingKind,
        mass_g: int,
        at: datetime,
        scale_id: int,
        delivery_id: int | None = None,
        lot_id: int | None = None,
    ) -> int:
        log = self._floor.log
        values: Values = {
            "delivery_id": delivery_id,
            "lot_id": lot_id,
            "kind": kind.value,
            "mass_g": mass_g,
            "instrument_id": scale_id,
            "origin": WeighingOrigin.OWN.value,
            "entry": WeighingEntry.INDICATOR.value,
            "weighed_at": moment_text(at),
            "ticket_series": "PLATFORM" if lot_id else "BRIDGE",
            "ticket_no": f"{log.next_number(f'scale {scale_id}'):06d}",
            "effective_at": moment_text(at),
        }
        return log.version("weighing", log.new_id("weighing"), values)

    def _state_mass(
        self,
        lot_id: int,
        mass_g: int,
        basis: MassBasis,
        version: int = 1,
        reason: str = "",
        weighing_id: int | None = None,
    ) -> None:
        mass: Values = {"material_g": mass_g, "tie_g": TIE_G, "basis": basis.value, "weighing_id": weighing_id}
        self._floor.log.version("lot_mass", lot_id, mass, version=version, reason=reason)

    def take(self, pieces: int) -> Sequence[Lot]:
        return [self.waiting.popleft() for _ in range(pieces)]

    def put_back(self, bale: Lot) -> None:
        """What is left of a bale that was fed in part goes first next time."""
        self.waiting.appendleft(bale)

    def weigh_bale(self, truck: Truck, bale: Lot, mass_g: int, at: datetime) -> None:
        """A real weight of one bale; the others of its truck share what is left of the net, also those already fed."""
        floor = self._floor
        truck.weighed_g[bale.id] = mass_g
        masses = respread(truck.net_g, [truck.weighed_g.get(lot.id) for lot in truck.bales])
        with floor.entry("lot_weighed", at, floor.company.gate_id):
            weighing_id = self._weigh(WeighingKind.PLATFORM, mass_g, at, self._plant.platform_id, lot_id=bale.id)
            reason = f"bale weighed, ticket PLATFORM {weighing_id}"
            for lot, new_g in zip(truck.bales, masses, strict=True):
                if new_g == lot.held_g and lot is not bale:
                    continue
                lot.held_g, lot.mass_version = new_g, lot.mass_version + 1
                is_weighed = lot is bale
                basis = MassBasis.WEIGHED if is_weighed else MassBasis.ALLOCATED
                self._state_mass(lot.id, new_g, basis, lot.mass_version, reason, weighing_id if is_weighed else None)
            changed = {lot.id for lot in truck.bales}
            fed = [
                run
                for run in floor.recent.runs
                if any(line.lot is not None and line.lot.id in changed and line.mass_g is None for line in run.lines)
            ]
            floor.follow_up(fed, "lot_weighed")
