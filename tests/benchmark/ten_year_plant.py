"""A synthetic plant: bales are washed in twenties, the flake goes through six silos, two draws make pellets.

One cycle is one wash run and one extrusion run, 52 lines in all; 30,000 cycles are ten years: 600,000 bales,
60,000 runs, 1.56 million lines, 0.5 million journal entries, 9 million rows. Corrections: the mass of every
twentieth delivery is spread again (5 % of `lot_mass`), moistures of flake and of every second pellet lot come
late (5 % of `measurement`). All figures are invented; only their number and their shape matter.
"""

import random
import sys
import time
from collections import deque
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from hashlib import sha256

from benchmark.bulk_log import BulkLog, BulkStore
from plant_fixture import FrozenClock

from service.access.record import record_actor
from service.access.statuses import ActorKind
from service.app import make_writer
from service.core.codes import code_for
from service.core.quantities import dry_ug, fraction_text
from service.db import Database, migrate, utc_text
from service.lots.statuses import LotKind, Step
from service.partners.record import record_partner
from service.partners.schemas import PartnerIn
from service.plant.queries import find_setting, list_current
from service.plant.record import record_instrument, record_material, record_site
from service.plant.schemas import InstrumentIn, MaterialIn, SiteIn, VesselIn
from service.plant.statuses import Mixing, SettingKey
from service.plant.tables import Equipment, Instrument, Material
from service.unit_of_work import Writer
from service.vessels.queries import current_period
from service.vessels.record import record_vessel

BEGIN = datetime(2016, 1, 4, 0, 0, tzinfo=UTC)
CYCLES_IN_TEN_YEARS = 30_000
CYCLE = timedelta(seconds=10_512)
BALES_PER_DELIVERY, BALES_PER_RUN, BALES_PER_FEED = 48, 20, 5
SILOS, SUPPLIERS = 6, 20
TIE_G, HEEL_G, DRAW_G = 1_500, 3_000_000, 4_100_000
FLAKE_PPM, PELLET_PPM, BALE_PPM = 7_000, 2_000, 52_000
PRODUCT_PPM = {Step.WASH: 800_000, Step.EXTRUSION: 970_000}


@dataclass
class Silo:
    equipment_id: int
    period_id: int
    begun_at: datetime
    fills: int = 0
    content_ug: int = 0


@dataclass
class Made:
    """A lot as the following step needs it."""

    lot_id: int
    mass_g: int
    moisture_id: int
    ppm: int


@dataclass
class TenYearPlant:
    """Writes the plant.

    Parameters
    ----------
    scale : 1.0 is ten years; a shorter history runs at the same pace.
    proven_empty_every : fills after which a silo is drawn empty and proven so; 0 for never.
    """

    url: str
    scale: float
    proven_empty_every: int = 0
    analyse: bool = False
    waiting: deque[Made] = field(default_factory=deque)
    deliveries: int = 0
    cycle_no: int = 0

    def build(self) -> BulkStore:
        migrate(self.url)
        self.random = random.Random(1)
        database = Database(self.url)
        self._register_masters(database)
        self.store = BulkStore(self.url)
        self.log = BulkLog(database, self.store, 1, self.actor_id)
        cycles = round(CYCLES_IN_TEN_YEARS * self.scale)
        started = time.monotonic()
        for self.cycle_no in range(cycles):
            self._cycle(BEGIN + CYCLE * (self.cycle_no + 1))
            if self.cycle_no % max(cycles // 20, 1) == 0:
                print(f"cycle {self.cycle_no} of {cycles}, {time.monotonic() - started:.0f} s", file=sys.stderr)
        self.start, self._entry_no = BEGIN + CYCLE * (cycles + 1), 0
        self._delivery()  # so that there is something to feed
        for bale in self.waiting:
            self.log.stock(bale.lot_id, bale.mass_g)
        self.log.finish()
        self.store.close(analyse=self.analyse)
        database.close()
        return self.store

    def _register_masters(self, database: Database) -> None:
        clock = FrozenClock(BEGIN)
        writer = make_writer(database, clock=clock)
        self.actor_id = writer.run(1, lambda entry: record_actor(entry, kind=ActorKind.PERSON, name="Clerk")).id
        run = _runner(writer, self.actor_id)
        run(record_site, SiteIn(code="MILL", name="Mill", zone="UTC"))
        for code in ("BALES", "FLAKE", "PELLETS", "BY_PRODUCT"):
            material = {"form": code.lower(), "polymer": "PET", "colour": "clear", "waste_class": "post_consumer"}
            run(record_material, MaterialIn(code=code, name=code, food_candidate=True, **material))
        bridge = {"accuracy_class": "III", "max_kg": "60000", "e_kg": "20", "kind": "weighbridge"}
        run(record_instrument, InstrumentIn(site="MILL", code="BRIDGE", name="Bridge", **bridge))
        self.suppliers = [
            run(record_partner, PartnerIn(code=f"S{number:02}", name=f"Supplier {number}", is_supplier=True)).id
            for number in range(SUPPLIERS)
        ]
        self.silos: list[Silo] = []
        for number in range(SILOS):
            one = {"kind": "silo", "capacity_kg": "90000", "mixing": Mixing.WELL_MIXED, "in_use_from": BEGIN}
            vessel = run(record_vessel, VesselIn(site="MILL", code=f"SILO{number}", name="Silo", **one))
            with database.read() as session:
                self.silos.append(Silo(vessel.id, current_period(session, vessel.id).id, BEGIN))
        with database.read() as session:
            self.materials = {row.form.value: row.id for row in list_current(session, Material)}
            self.bridge_id = list_current(session, Instrument)[0].id
            assert len(list_current(session, Equipment)) == SILOS
            tolerance = find_setting(session, SettingKey.BALANCE_TOLERANCE, ("",), BEGIN)
            assert tolerance is not None
            self.tolerance_id = tolerance.id

    # One cycle ----------------------------------------------------------------------------------------

    def _cycle(self, start: datetime) -> None:
        self.start = start
        self._entry_no = 0
        while len(self.waiting) < BALES_PER_RUN:
            self._delivery()
        flake = self._wash()
        silo = self.silos[self.cycle_no % SILOS]
        self._charge(silo, flake)
        drawn = [self._draw(silo, 150), self._draw(self.silos[(self.cycle_no + 3) % SILOS], 151)]
        feeds = [lot for lot in drawn if lot is not None]
        if feeds:
            self._extrude(feeds)
        silo.fills += 1
        if self.proven_empty_every and silo.fills % self.proven_empty_every == 0:
            self._prove_empty(silo)

    def _at(self, minute: float) -> datetime:
        return self.start + timedelta(minutes=minute)

    def _begin(self, kind: str, minute: float) -> None:
        """Everything of a cycle is recorded in its last minute, a second apart."""
        self._entry_no += 1
        self.log.begin(kind, self._at(minute), self.start + timedelta(seconds=10_475 + self._entry_no))

    def _new_lot(
        self, kind: LotKind, material: str, minute: float, origin: str = "process", delivery_id: int | None = None
    ) -> int:
        lot_id = self.log.new_id("lot")
        born = utc_text(self._at(minute))
        self.log.add_lot(
            id=lot_id, code=code_for(lot_id), kind=kind.value, origin=origin, delivery_id=delivery_id, born_at=born
        )
        return self.log.add("lot_fact", lot_id, material_id=self.materials[material], effective_at=born)

    def _moisture(self, subject_id: int, ppm: int, minute: float, version: int = 1, identity: int = 0) -> int:
        return self.log.add(
            "measurement",
            identity or self.log.new_id("measurement"),
            version=version,
            reason="final laboratory value" if version > 1 else None,
            subject_id=subject_id,
            quantity="moisture_fraction",
            value=fraction_text(ppm),
            basis="measured",
            taken_at=utc_text(self._at(minute)),
        )

    def _line(
        self, process_id: int, lot: Made | None, direction: str, stream: str, minute: float, **more: object
    ) -> int:
        values: dict[str, object] = {"category": "feed", "amount": "mass", "lot_id": lot.lot_id if lot else None}
        if lot is not None:
            values["moisture_id"] = lot.moisture_id
        values |= {"process_id": process_id, "direction": direction, "stream": stream} | more
        values["start_at"] = utc_text(self._at(minute))
        identity = values.pop("identity", None) or self.log.new_id("line")
        assert isinstance(identity, int)
        return self.log.add("line", identity, **values)

    def _delivery(self) -> None:
        log, self.deliveries = self.log, self.deliveries + 1
        masses = [self.random.randrange(430_000, 600_000) for _ in range(BALES_PER_DELIVERY)]
        truck = {"origin": "own", "entry": "indicator", "instrument_id": self.bridge_id, "ticket_series": "BRIDGE"}
        self._begin("delivery_arrived", 0)
        delivery_id = log.new_id("delivery")
        facts = {
            "ticket_no": f"{self.deliveries:07}",
            "supplier_id": self.random.choice(self.suppliers),
            "material_id": self.materials["bales"],
            "form": "bales",
            "arrived_at": utc_text(self._at(0)),
            "note_count": BALES_PER_DELIVERY,
            "nonfood_status": "unclassified",
            "decision": "accepted",
        }
        log.add("delivery", delivery_id, **facts)
        gross_g = sum(masses) + BALES_PER_DELIVERY * TIE_G + 15_000_000
        for kind, mass_g, minute in (("gross", gross_g, 0), ("tare", 15_000_000, 20)):
            if kind == "tare":
                log.seal()
                self._begin("delivery_weighed", 20)
            reading = {"kind": kind, "mass_g": mass_g, "weighed_at": utc_text(self._at(minute))} | truck
            log.add(
                "weighing", log.new_id("weighing"), delivery_id=delivery_id, ticket_no=facts["ticket_no"], **reading
            )
        tie = {"purpose": "physical", "kind": "tie", "pieces": BALES_PER_DELIVERY, "per_piece_g": TIE_G}
        log.add("deduction", log.new_id("deduction"), delivery_id=delivery_id, **tie)
        log.seal()
        self._begin("bales_registered", 21)
        moisture_id = self._moisture(delivery_id, BALE_PPM, 5)
        log.add("delivery", delivery_id, version=2, reason="counted", **facts, counted=BALES_PER_DELIVERY)
        for mass_g in masses:
            lot_id = self._new_lot(LotKind.BALE, "bales", 0, "delivery", delivery_id)
            log.add("lot_mass", lot_id, material_g=mass_g, tie_g=TIE_G, basis="allocated")
            self.waiting.append(Made(lot_id, mass_g, moisture_id, BALE_PPM))
        log.seal()
        if self.deliveries % 20 == 0:
            self._spread_again()

    def _spread_again(self) -> None:
        self._begin("bales_spread_again", 22)
        for place, bale in enumerate(list(self.waiting)[-BALES_PER_DELIVERY:]):
            bale.mass_g += 250 if place % 2 else -250
            again = {"version": 2, "reason": "truck weighed again"}
            self.log.add("lot_mass", bale.lot_id, material_g=bale.mass_g, tie_g=TIE_G, basis="allocated", **again)
        self.log.seal()

    def _start_run(self, step: Step, minute: float) -> dict[str, object]:
        self._begin("run_started", minute)
        run_id = self.log.new_id("process")
        values: dict[str, object] = {
            "step": step.value,
            "started_at": utc_text(self._at(minute)),
            "mixing": "run_mixed",
        }
        self.log.add("process", run_id, is_closed=False, **values)
        self.log.seal()
        return values | {"id": run_id}

    def _wash(self) -> Made:
        log, run = self.log, self._start_run(Step.WASH, 30)
        run_id, dry_in_ug, wet_g = int(str(run["id"])), 0, 0
        for portion in range(BALES_PER_RUN // BALES_PER_FEED):
            minute = 31 + portion * 20
            self._begin("run_fed", minute)
            fed = [self.waiting.popleft() for _ in range(BALES_PER_FEED)]
            for bale in fed:
                self._line(run_id, bale, "in", "bale", minute, amount="whole")
                log.stock(bale.lot_id, 0)
                dry_in_ug += dry_ug(bale.mass_g, bale.ppm) + dry_ug(TIE_G, 0)
                wet_g += bale.mass_g
            for bale in fed:
                line_id = log.new_id("line")
                tie = Made(bale.lot_id, TIE_G, self._moisture(line_id, 0, minute), 0)
                self._line(run_id, tie, "in", "ties", minute, identity=line_id, category="ties", mass_g=TIE_G)
            log.seal()
        outs = [("flake", PRODUCT_PPM[Step.WASH]), ("labels", 60_000), ("fines", 40_000)]
        made = self._discharge(run_id, outs, wet_g, 110, LotKind.FLAKE, FLAKE_PPM)
        self._begin("run_losses_booked", 115)
        line_id = log.new_id("line")
        sludge = self._moisture(line_id, 500_000, 115)
        loss = {"category": "loss", "mass_g": 150_000, "moisture_id": sludge, "identity": line_id}
        self._line(run_id, None, "out", "sludge", 115, **loss)
        estimate = {"category": "loss", "amount": "fraction_of_dry_in", "fraction_ppm": 8_000}
        self._line(run_id, None, "out", "effluent", 115, **estimate)
        log.seal()
        self._revise_moisture(made[0], 6_500, 118)
        dry_out_ug = sum(dry_ug(lot.mass_g, lot.ppm) for lot in made) + dry_ug(150_000, 500_000)
        self._close(run, dry_in_ug, dry_out_ug + dry_in_ug * 8 // 1000, 120)
        return made[0]

    def _discharge(
        self, run_id: int, outs: list[tuple[str, int]], wet_g: int, minute: float, kind: LotKind, ppm: int
    ) -> list[Made]:
        self._begin("run_discharged", minute)
        made = []
        for place, (stream, part_ppm) in enumerate(outs):
            is_product = place == 0
            lot_id = self._new_lot(
                kind if is_product else LotKind.BY_PRODUCT, kind.value if is_product else "by_product", minute
            )
            lot = Made(lot_id, wet_g * part_ppm // 10**6, self._moisture(lot_id, ppm, minute), ppm)
            category = "product" if is_product else "by_product"
            self._line(run_id, lot, "out", stream, minute, category=category, mass_g=lot.mass_g)
            if kind is LotKind.PELLETS or not is_product:
                self.log.stock(lot_id, lot.mass_g)
            made.append(lot)
        self.log.seal()
        return made

    def _revise_moisture(self, lot: Made, ppm: int, minute: float) -> None:
        self._begin("lot_moisture_recorded", minute)
        lot.ppm = ppm
        self._moisture(lot.lot_id, ppm, minute, version=2, identity=lot.moisture_id)
        self.log.seal()

    def _close(self, run: dict[str, object], dry_in_ug: int, dry_out_ug: int, minute: float) -> None:
        self._begin("run_closed", minute)
        run_id = int(str(run["id"]))
        facts = {key: value for key, value in run.items() if key != "id"}
        ended = {"ended_at": utc_text(self._at(minute)), "is_closed": True}
        self.log.add("process", run_id, version=2, reason="run closed", **facts, **ended)
        self.log.add(
            "balance",
            self.log.new_id("balance"),
            process_id=run_id,
            inputs_hash=sha256(str(run_id).encode()).hexdigest(),
            dry_in_ug=dry_in_ug,
            dry_out_ug=dry_out_ug,
            estimated_out_ug=0,
            unexplained_ug=dry_in_ug - dry_out_ug,
            not_claimable_ug=0,
            tolerance_id=self.tolerance_id,
            tolerance_ppm=20_000,
            verdict="loss_above_tolerance",
            provisional=False,
        )
        self.log.seal()

    def _charge(self, silo: Silo, flake: Made) -> None:
        self._begin("vessel_charged", 121)
        end = {"end_at": utc_text(self._at(140)), "amount": "whole"}
        self._line(silo.period_id, flake, "in", "charge", 121, **end)
        self.log.stock(flake.lot_id, 0)
        silo.content_ug += dry_ug(flake.mass_g, flake.ppm)
        self.log.seal()

    def _draw(self, silo: Silo, minute: float, *, length: float = 8, everything: bool = False) -> Made | None:
        """Draw a lot and leave a heel, unless the silo is to be emptied; nothing while it is too low."""
        there_g = silo.content_ug // (10**6 - FLAKE_PPM)
        mass_g = there_g if everything else min(DRAW_G, there_g - HEEL_G)
        if mass_g < 500_000:
            return None
        self._begin("vessel_drawn", minute)
        lot_id = self._new_lot(LotKind.FLAKE, "flake", minute)
        lot = Made(lot_id, mass_g, self._moisture(lot_id, FLAKE_PPM, minute), FLAKE_PPM)
        end = {"end_at": utc_text(self._at(minute + length)), "category": "product", "mass_g": mass_g}
        self._line(silo.period_id, lot, "out", "draw", minute, **end)
        if everything:
            self.log.stock(lot_id, mass_g)
        silo.content_ug -= dry_ug(mass_g, FLAKE_PPM)
        self.log.seal()
        return lot

    def _extrude(self, feeds: list[Made]) -> None:
        run = self._start_run(Step.EXTRUSION, 160)
        run_id = int(str(run["id"]))
        self._begin("run_fed", 161)
        for lot in feeds:
            self._line(run_id, lot, "in", "flake", 161, amount="whole")
            self.log.stock(lot.lot_id, 0)
        self.log.seal()
        wet_g = sum(lot.mass_g for lot in feeds)
        outs = [("pellets", PRODUCT_PPM[Step.EXTRUSION]), ("purge", 10_000)]
        made = self._discharge(run_id, outs, wet_g, 170, LotKind.PELLETS, PELLET_PPM)
        if self.cycle_no % 2:
            self._revise_moisture(made[0], 1_900, 171)
        dry = [sum(dry_ug(lot.mass_g, lot.ppm) for lot in lots) for lots in (feeds, made)]
        self._close(run, dry[0], dry[1], 172)

    def _prove_empty(self, silo: Silo) -> None:
        self._draw(silo, 172, length=2, everything=True)
        ended_at = self._at(174.5)
        self._begin("vessel_proven_empty", 174.5)
        event = {"equipment_id": silo.equipment_id, "kind": "proven_empty", "at": utc_text(ended_at), "note": "seen"}
        self.log.add("equipment_event", self.log.new_id("equipment_event"), **event)
        period = {
            "step": "vessel_period",
            "equipment_id": silo.equipment_id,
            "mixing": "well_mixed",
            "is_closed": False,
        }
        begun = {"started_at": utc_text(silo.begun_at)}
        ending = {"version": 2, "reason": "proven empty: seen", "ended_at": utc_text(ended_at)}
        self.log.add("process", silo.period_id, **period, **begun, **ending)
        silo.period_id, silo.begun_at, silo.content_ug = self.log.new_id("process"), ended_at, 0
        at = utc_text(ended_at)
        self.log.add("process", silo.period_id, **period, started_at=at, effective_at=at)
        self.log.seal()


def _runner(writer: Writer, actor_id: int):  # type: ignore[no-untyped-def]
    return lambda verb, body: writer.run(actor_id, lambda entry: verb(entry, body))
