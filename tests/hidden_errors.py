"""Invented weeks of a plant with redundant readings, as true masses and as read, for the service's network builder.

24 trucks of 40 to 52 bales with a supplier's note, the weighbridge's net and a platform weight of every bale; 12 wash
runs that take bales in the order of arrival, so that trucks are split between runs; flake weighed behind the line and
fed whole to 6 extrusion runs, whose pellets are weighed in octabins. Doubts are the plant's defaults: bale moisture
0.75 % absolute per truck, by-products 2.5 %, an effluent of 1.5 % of the dry input known to a half, scales within the
in-service limits of their class. Everything is drawn with just that doubt, and one thing may be hidden.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from service.balances.network import CheckedTruck, Fed, Moved, PlantNetwork, network_streams
from service.core.measured import Cause, CauseKind, Measured, estimated, total

KG = 10**9
TRUCKS, WASHES, EXTRUSIONS = 24, 12, 6
BRIDGE, PLATFORM, LINE, OCTABIN = SCALES = tuple(
    Cause(CauseKind.SPAN, name) for name in ("weighbridge", "platform", "line scale", "octabin scale")
)
# In-service limit at the full load over the full load, rectangular: 60 kg of 60 t; 1.5 kg of 1.5 t; 6 kg of 6 t.
U_SPAN = 0.001 / sqrt(3)
U_BRIDGE_KG, U_PLATFORM_KG, U_LINE_KG = 40 / sqrt(3), 1 / sqrt(3), 2 / sqrt(3)
U_NOTE = 0.005 / sqrt(3)
U_BALE_MOISTURE, U_WASTE_MOISTURE, U_FLAKE_MOISTURE = 0.0075, 0.025, 0.0005
EFFLUENT, U_EFFLUENT = 0.015, 0.5 / sqrt(3)
VOLATILES = 0.002


@dataclass(frozen=True)
class Hidden:
    """What is wrong in a week: a scale that reads too high by a fraction, or a container nobody booked."""

    scale: Cause | None = None
    span_error: float = 0.0
    run: str | None = None
    container_kg: float = 0.0


class Week:
    """One week, drawn.

    Parameters
    ----------
    u_bale_moisture : standard uncertainty of a truck's moisture, as fraction of the wet mass.
    """

    def __init__(self, seed: int, hidden: Hidden | None = None, u_bale_moisture: float = U_BALE_MOISTURE) -> None:
        self._u_moisture = u_bale_moisture
        self._chance = np.random.default_rng(seed)
        self._hidden = hidden or Hidden()
        self._span = {scale: self._chance.normal(0, U_SPAN) for scale in SCALES}
        if self._hidden.scale is not None:
            self._span[self._hidden.scale] += self._hidden.span_error
        self._trucks: list[CheckedTruck] = []
        self._fed: list[Fed] = []
        self._moved: list[Moved] = []
        self._number = 0

    def network(self) -> PlantNetwork:
        flakes = self._wash()
        self._extrude(flakes)
        return network_streams(self._trucks, self._fed, self._moved)

    def _dry(self, wet_kg: float, moisture: float, parts: dict[Cause, float], cause: Cause, u: float) -> Measured:
        """As read: wet mass with its doubt in kg, and the moisture's."""
        kept = {each: u_kg * (1 - moisture) * KG for each, u_kg in parts.items()}
        return Measured(round(wet_kg * (1 - moisture) * KG), {**kept, cause: -wet_kg * u * KG})

    def _weighed(self, name: str, dry_kg: float, scale: Cause, moisture: float, u_moisture: float) -> Measured:
        """A true dry mass, weighed wet on a scale behind a step and sampled for moisture."""
        wet_kg = dry_kg / (1 - moisture)
        read_kg = wet_kg * (1 + self._span[scale]) + self._chance.normal(0, U_LINE_KG)
        sampled = moisture + self._chance.normal(0, u_moisture)
        parts = {Cause(CauseKind.READING, name): U_LINE_KG, scale: read_kg * U_SPAN}
        return self._dry(read_kg, sampled, parts, Cause(CauseKind.MOISTURE, name), u_moisture)

    def _truck(self, number: int) -> tuple[int, float, float, Measured, float]:
        """Pieces, true kg, true moisture, the bridge's net as read, and the sampled moisture."""
        chance, pieces = self._chance, int(self._chance.integers(40, 53))
        bales = chance.normal(500, 40, pieces)
        true_kg, moisture = float(bales.sum()), float(chance.uniform(0.03, 0.06))
        gross, tare = (Cause(CauseKind.READING, f"{kind} of ticket {number}") for kind in ("gross", "tare"))
        errors = chance.normal(0, U_BRIDGE_KG, 2)
        bridge_kg = true_kg * (1 + self._span[BRIDGE]) + errors[0] - errors[1]
        bridge = {gross: U_BRIDGE_KG * KG, tare: -U_BRIDGE_KG * KG, BRIDGE: bridge_kg * U_SPAN * KG}
        net = Measured(round(bridge_kg * KG), bridge)
        note_kg = true_kg * (1 + chance.normal(0, U_NOTE))
        note = Measured(round(note_kg * KG), {Cause(CauseKind.READING, f"note {number}"): note_kg * U_NOTE * KG})
        platform = total(
            Measured(
                round(kg * KG),
                {Cause(CauseKind.READING, f"bale {number}.{bale}"): U_PLATFORM_KG * KG, PLATFORM: kg * U_SPAN * KG},
            )
            for bale, kg in enumerate(bales * (1 + self._span[PLATFORM]) + chance.normal(0, U_PLATFORM_KG, pieces))
        )
        self._trucks.append(CheckedTruck(str(number), net, note, platform, pieces))
        return pieces, true_kg, moisture, net, moisture + float(chance.normal(0, self._u_moisture))

    def _wash(self) -> list[tuple[str, float]]:
        """Wash everything; gives flake lots with their true dry mass."""
        queue = [(number, *self._truck(number)) for number in range(TRUCKS)]
        left = [pieces for _, pieces, *_ in queue]
        a_run = sum(left) // WASHES
        flakes: list[tuple[str, float]] = []
        for number in range(WASHES):
            run, wanted, true_dry = f"wash {number}", a_run, 0.0
            read: list[Measured] = []
            for truck, pieces, true_kg, moisture, net, sampled in queue:
                taken = min(left[truck], wanted)
                if not taken:
                    continue
                left[truck] -= taken
                wanted -= taken
                share = taken / pieces
                true_dry += true_kg * share * (1 - moisture)
                wet_kg = net.value_ug / KG * share
                parts = {cause: u_ug / KG * share for cause, u_ug in net.parts.items()}
                name = Cause(CauseKind.MOISTURE, f"ticket {truck}")
                dry = self._dry(wet_kg, sampled, parts, name, self._u_moisture)
                self._fed.append(Fed(run, f"bales of ticket {truck}", dry))
                read.append(dry)
            flakes += self._outs_of_wash(run, true_dry, total(read))
        return flakes

    def _outs_of_wash(self, run: str, true_dry: float, fed: Measured) -> list[tuple[str, float]]:
        effluent = EFFLUENT * (1 + self._chance.normal(0, U_EFFLUENT)) * true_dry
        booked = true_dry - effluent - self._container(run)
        parts = self._chance.dirichlet((360, 360, 40, 60, 30)) * booked
        flakes = []
        for place, name in enumerate(("flake a", "flake b")):
            lot = f"{name} of {run}"
            read = self._weighed(lot, parts[place], LINE, 0.007, U_FLAKE_MOISTURE)
            self._moved.append(Moved(f"{lot} out", run, lot, is_into_process=False, dry=read))
            flakes.append((lot, float(parts[place])))
        for place, (name, moisture) in enumerate((("fines", 0.02), ("films", 0.03), ("sludge", 0.55)), start=2):
            read = self._weighed(f"{name} of {run}", parts[place], LINE, moisture, U_WASTE_MOISTURE)
            self._moved.append(Moved(f"{name} out of {run}", run, None, is_into_process=False, dry=read))
        loss = estimated(
            fed, round(EFFLUENT * 1e6), round(fed.value_ug * EFFLUENT), {Cause(CauseKind.ESTIMATE, run): U_EFFLUENT}
        )
        self._moved.append(Moved(f"effluent of {run}", run, None, is_into_process=False, dry=loss))
        return flakes

    def _container(self, run: str) -> float:
        return self._hidden.container_kg if self._hidden.run == run else 0.0

    def _extrude(self, flakes: list[tuple[str, float]]) -> None:
        a_run = len(flakes) // EXTRUSIONS
        for number in range(EXTRUSIONS):
            run, fed = f"extrusion {number}", flakes[number * a_run : (number + 1) * a_run]
            for lot, _ in fed:
                self._moved.append(Moved(f"{lot} into {run}", run, lot, is_into_process=True, dry=None))
            true_dry = sum(kg for _, kg in fed)
            lost = VOLATILES * (1 + self._chance.normal(0, U_EFFLUENT)) * true_dry
            pellets = true_dry - lost - self._container(run)
            for place in range(4):
                lot = f"pellets {place} of {run}"
                read = self._weighed(lot, pellets / 4, OCTABIN, 0.0005, 5e-6)
                self._moved.append(Moved(lot, run, None, is_into_process=False, dry=read))
            cause = Cause(CauseKind.ESTIMATE, run)
            booked = Measured(round(VOLATILES * true_dry * KG), {cause: VOLATILES * true_dry * U_EFFLUENT * KG})
            self._moved.append(Moved(f"volatiles of {run}", run, None, is_into_process=False, dry=booked))
