"""The master data of the invented plants, registered by the verbs themselves at the moment history begins."""

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any, TypeVar

from pydantic import BaseModel
from sqlmodel import Session

from service.access.record import FIRST_ACTOR_ID, record_actor
from service.access.statuses import ActorKind
from service.app import make_writer
from service.core.receipt import PayableFormula
from service.core.weighing import AccuracyClass
from service.db import Database
from service.generate.things import Vessel
from service.journal.entry import Entry
from service.lots.statuses import Step
from service.partners.record import record_contract, record_partner
from service.partners.schemas import ContractIn, PartnerIn
from service.plant.queries import find_setting, get_by_code
from service.plant.record import record_container_type, record_instrument, record_material, record_site
from service.plant.schemas import ContainerTypeIn, InstrumentIn, MaterialIn, SiteIn, VesselIn
from service.plant.statuses import InstrumentKind, MaterialForm, Mixing, SettingKey, VesselKind, WasteClass
from service.plant.tables import ContainerType, Instrument, Material, Setting
from service.unit_of_work import Writer
from service.vessels.queries import current_period
from service.vessels.record import record_vessel

SUPPLIERS, CUSTOMERS, SILOS, REACTORS = 40, 8, 6, 2
CLEAN_OUTS_OF_SILO_PER_STOP = 20  # buffer and reactors are emptied at a yearly stop only
TIE_G = 1_500
TARES_G = {"OCTABIN": 26_000, "PALLET": 22_000}
PEOPLE = ("gate clerk", "shift leader", "laboratory", "quality", "quality manager")
SYLLABLES = ("bo", "dra", "fen", "gul", "hy", "ka", "lor", "mi", "nub", "ost", "pev", "qua", "ru", "sil", "tev", "vu")
Outcome = TypeVar("Outcome")

# code, name, form, colour, food candidate
MATERIALS: tuple[tuple[str, str, MaterialForm, str, bool], ...] = (
    ("BALES", "PET bottle bales, clear", MaterialForm.BALES, "clear", True),
    ("FLAKE", "Hot-washed PET flake, clear", MaterialForm.FLAKE, "clear", True),
    ("PELLETS", "rPET pellets, amorphous", MaterialForm.PELLETS, "clear", True),
    ("PELLETS-SSP", "rPET pellets, solid-stated", MaterialForm.PELLETS, "clear", True),
    ("REWORK", "Off-spec pellets, reground", MaterialForm.PELLETS, "clear", True),
    ("FLAKE-COLOURED", "PET flake, coloured", MaterialForm.BY_PRODUCT, "mixed", False),
    ("POLYOLEFIN", "Caps and rings", MaterialForm.BY_PRODUCT, "mixed", False),
    ("FINES", "PET fines and dust", MaterialForm.BY_PRODUCT, "mixed", False),
    ("LUMPS", "Purge of the extruder", MaterialForm.BY_PRODUCT, "mixed", False),
)


@dataclass(frozen=True)
class Company:
    """What all plants of a database share: people, materials, packaging, tolerances by step."""

    gate_id: int
    shift_id: int
    laboratory_id: int
    quality_id: int
    quality_manager_id: int
    material_ids: dict[str, int]
    container_type_ids: dict[str, int]
    tolerances: dict[Step, Setting]


@dataclass(frozen=True)
class Supplier:
    partner_id: int
    contract_id: int


@dataclass(frozen=True)
class PlantMasters:
    """What one plant has of its own."""

    site_no: int
    bridge_id: int
    platform_id: int
    suppliers: Sequence[Supplier]
    customers: Sequence[str]
    silos: Sequence[Vessel]
    buffer: Vessel
    reactors: Sequence[Vessel]


class Registrar:
    """Registers master data.

    Parameters
    ----------
    begin : the moment at which all of it is recorded.
    clean_out_every : fills between clean-outs of a silo; 0 for never.
    """

    def __init__(self, database: Database, begin: datetime, chance: random.Random, clean_out_every: int) -> None:
        self._database, self._begin, self._chance, self._every = database, begin, chance, clean_out_every
        self._writer = make_writer(database, clock=lambda: begin, salt=lambda: chance.randbytes(16))
        self._office_id = FIRST_ACTOR_ID
        self._names: set[str] = set()

    def _run(self, verb: Callable[[Entry, Any], Outcome], body: BaseModel) -> Outcome:
        return self._writer.run(self._office_id, lambda entry: verb(entry, body))

    def register_company(self, first_site: str, register_installation: Callable[[Writer], None]) -> Company:
        """Register what plants share, and the first site, which brings the default settings with it."""
        register_installation(self._writer)
        gate_id, shift_id, laboratory_id, quality_id, quality_manager_id = map(self._person, PEOPLE)
        self._register_site(first_site)
        for code, name, form, colour, is_food_candidate in MATERIALS:
            material = MaterialIn(
                code=code,
                name=name,
                form=form,
                polymer="PO" if code == "POLYOLEFIN" else "PET",
                colour=colour,
                waste_class=WasteClass.POST_CONSUMER,
                food_candidate=is_food_candidate,
            )
            self._run(record_material, material)
        for code, tare_g in TARES_G.items():
            tare = {"tare_kg": tare_g // 1000, "u_tare_kg": 1, "valid_from": self._begin}
            self._run(
                record_container_type, ContainerTypeIn.model_validate({"code": code, "name": code.title()} | tare)
            )
        with self._database.read() as session:
            return Company(
                gate_id=gate_id,
                shift_id=shift_id,
                laboratory_id=laboratory_id,
                quality_id=quality_id,
                quality_manager_id=quality_manager_id,
                material_ids={row[0]: get_by_code(session, Material, row[0]).id for row in MATERIALS},
                container_type_ids={code: get_by_code(session, ContainerType, code).id for code in TARES_G},
                tolerances={step: _tolerance(session, step, self._begin) for step in Step},
            )

    def _person(self, name: str) -> int:
        return self._writer.run(self._office_id, lambda entry: record_actor(entry, kind=ActorKind.PERSON, name=name)).id

    def _register_site(self, code: str) -> int:
        return self._run(record_site, SiteIn(code=code, name=f"{self._name()} Works (invented)", zone="UTC")).site_no

    def register_plant(self, code: str, site_no: int | None = None) -> PlantMasters:
        """Register a plant: its site unless it is there already, scales, vessels, suppliers, customers."""
        site_no = self._register_site(code) if site_no is None else site_no
        scales = (("BRIDGE", InstrumentKind.WEIGHBRIDGE, 60_000, 20), ("PLATFORM", InstrumentKind.PLATFORM, 1_500, 1))
        for name, kind, max_kg, e_kg in scales:
            scale = {"site": code, "code": name, "name": name.title(), "kind": kind, "max_kg": max_kg, "e_kg": e_kg}
            body = InstrumentIn.model_validate(scale | {"accuracy_class": AccuracyClass.III})
            self._run(record_instrument, body)
        with self._database.read() as session:
            bridge_id, platform_id = (get_by_code(session, Instrument, name, site_no).id for name, *_ in scales)
        stop = self._every * CLEAN_OUTS_OF_SILO_PER_STOP
        mixed, in_order = Mixing.WELL_MIXED, Mixing.FIRST_IN_FIRST_OUT
        return PlantMasters(
            site_no=site_no,
            bridge_id=bridge_id,
            platform_id=platform_id,
            suppliers=[self._supplier(f"S{site_no:02}-{number:02}") for number in range(1, SUPPLIERS + 1)],
            customers=[self._customer(f"C{site_no:02}-{number}") for number in range(1, CUSTOMERS + 1)],
            silos=[
                # There is always one that nobody ever gets round to.
                self._vessel(code, f"SILO-{n}", VesselKind.SILO, 40_000, mixed, 0 if n == SILOS else self._every)
                for n in range(1, SILOS + 1)
            ],
            buffer=self._vessel(code, "BUFFER", VesselKind.BUFFER, 120_000, mixed, stop),
            reactors=[
                self._vessel(code, f"REACTOR-{n}", VesselKind.REACTOR, 60_000, in_order, stop)
                for n in range(1, REACTORS + 1)
            ],
        )

    def _supplier(self, code: str) -> Supplier:
        name = f"{self._name()} Collection (invented)"
        partner_id = self._run(record_partner, PartnerIn(code=code, name=name, is_supplier=True)).id
        terms = {"partner": code, "material": "BALES", "moisture_allowance_fraction": "0.02"}
        more = {"payable_formula": PayableFormula.ADDITIVE, "tie_kg": "1.5", "valid_from": self._begin}
        return Supplier(partner_id, self._run(record_contract, ContractIn.model_validate(terms | more)).id)

    def _customer(self, code: str) -> str:
        self._run(record_partner, PartnerIn(code=code, name=f"{self._name()} Bottles (invented)", is_customer=True))
        return code

    def _vessel(self, site: str, code: str, kind: VesselKind, capacity_kg: int, mixing: Mixing, every: int) -> Vessel:
        body: dict[str, object] = {"site": site, "code": code, "name": code.title(), "kind": kind, "mixing": mixing}
        body |= {"capacity_kg": capacity_kg, "in_use_from": self._begin}
        if mixing is Mixing.FIRST_IN_FIRST_OUT:
            report = f"tracer test of {code}, {site} (invented)"
            body |= {"proof_sha256": sha256(report.encode()).hexdigest(), "proof_from": self._begin}
        vessel = self._run(record_vessel, VesselIn.model_validate(body))
        with self._database.read() as session:
            period_id = current_period(session, vessel.id).id
        first = self._chance.randint(max(1, every // 2), every) if every else 0
        return Vessel(vessel.id, mixing, period_id, self._begin, every, fills_until_clean_out=first)

    def _name(self) -> str:
        """A name that nobody bears, given once."""
        while True:
            name = "".join(self._chance.choices(SYLLABLES, k=3)).capitalize()
            if name not in self._names:
                self._names.add(name)
                return name


def _tolerance(session: Session, step: Step, at: datetime) -> Setting:
    found: Setting | None = find_setting(session, SettingKey.BALANCE_TOLERANCE, (step.value, ""), at)
    assert found is not None, "the first site brings a tolerance for all steps"
    return found
