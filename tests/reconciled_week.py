"""A small plant with redundant readings, told over HTTP: supplier's notes, bales weighed on the platform, all of it
washed, and every mass weighed. Something may be hidden in it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from line_steps import at, close, discharge, feed, out, start
from plant_fixture import Plant

LOOSE_TRUCKS, BALES = 6, 6
LOOSE_KG, BALE_KG = 24_000, 500
# A supplier's scale, within the 0.5 % at which the plant would dispute its mass.
NOTE_SPREAD = 0.001


@dataclass(frozen=True)
class Hidden:
    """What is wrong in the week.

    Parameters
    ----------
    bridge_high : by which fraction the weighbridge reads too high.
    unbooked_kg : dry by-product of the second wash run that nobody booked.
    has_notes : False if suppliers state no mass, so that nothing checks the weighbridge.
    """

    bridge_high: float = 0.0
    unbooked_kg: int = 0
    has_notes: bool = True


@dataclass(frozen=True)
class Told:
    """The site's number, the wash runs' and the lots of flake they made."""

    site: int
    washes: tuple[int, ...]
    flakes: tuple[str, ...]


class _Week:
    def __init__(self, plant: Plant, hidden: Hidden) -> None:
        self.plant, self.hidden, self.chance = plant, hidden, random.Random(4)

    def truck(self, form: str, true_kg: float) -> int:
        """One truck with its note and its net on the bridge, both drawn about the truth."""
        read = true_kg * (1 + self.hidden.bridge_high) + self.chance.gauss(0, 10)
        note = (
            {"note_mass_kg": str(round(true_kg * (1 + self.chance.gauss(0, NOTE_SPREAD))))}
            if self.hidden.has_notes
            else {}
        )
        body = {
            "site": "MILL",
            "supplier_name": "Bright Quay",
            "material": "PET-BALES" if form == "bales" else "PET-LOOSE",
            "form": form,
            "arrived_at": at(0),
            "gross": {"instrument": "BRIDGE", "mass_kg": str(round(read / 20) * 20 + 15_000), "weighed_at": at(0)},
        }
        delivery = self.plant.post("/v1/deliveries", body | note)["id"]
        tare = {"kind": "tare", "origin": "own", "instrument": "BRIDGE", "mass_kg": "15000", "weighed_at": at(0.2)}
        self.plant.post(f"/v1/deliveries/{delivery}/weighings", tare)
        moisture = {"moisture_fraction": "0.04", "basis": "measured", "taken_at": at(0.1), "reason": "oven"}
        self.plant.post(f"/v1/deliveries/{delivery}/moisture", moisture)
        return int(delivery)

    def loose(self) -> tuple[list[str], float]:
        """Three loads; gives their lots and true dry mass."""
        lots, dry = [], 0.0
        for _ in range(LOOSE_TRUCKS // 2):
            true_kg = LOOSE_KG + self.chance.uniform(-500, 500)
            delivery = self.truck("loose", true_kg)
            lots.append(self.plant.post(f"/v1/deliveries/{delivery}/lot", {})["bales"][0]["code"])
            dry += true_kg * 0.96
        return lots, dry

    def bales(self) -> tuple[list[str], float]:
        """One truck of bales, each weighed on the platform."""
        true_kg = BALES * BALE_KG + self.chance.uniform(-50, 50)
        delivery = self.truck("bales", true_kg)
        answer = self.plant.post(f"/v1/deliveries/{delivery}/bales", {"count": BALES})
        codes = [bale["code"] for bale in answer["bales"]]
        for place, code in enumerate(codes):
            read = round((true_kg / BALES + self.chance.gauss(0, 0.3)) * 2) / 2
            weighing = {"instrument": "PLATFORM", "mass_kg": str(read), "weighed_at": at(0.3 + place / 100)}
            self.plant.post(f"/v1/lots/{code}/weighings", weighing)
        return codes, true_kg * 0.96

    def wash(self, lots: list[str], dry: float, unbooked_kg: int, hour: float) -> tuple[int, str]:
        run = start(self.plant, "wash")
        for lot in lots:
            feed(self.plant, run, lot)
        booked = {"flake": dry * 0.8, "side": dry * 0.2 - unbooked_kg}
        kg = {name: str(round((value + self.chance.gauss(0, 1)) / 2) * 2) for name, value in booked.items()}
        scale = {"instrument": "HOPPER"}
        [flake, _] = discharge(
            self.plant,
            run,
            out("flake", "FLAKE", "product", "clear_flake", kg["flake"]) | scale,
            out("by_product", "SIDE", "by_product", "fines", kg["side"]) | scale,
        )
        close(self.plant, run, hour=hour)
        return run, flake


def week(plant: Plant, hidden: Hidden | None = None) -> Told:
    """Load the week: three wash runs, two of loose loads and one of weighed bales."""
    hidden = hidden or Hidden()
    scale = {"site": "MILL", "code": "HOPPER", "name": "Hopper behind the line", "kind": "platform"}
    plant.post("/v1/instruments", scale | {"accuracy_class": "III", "max_kg": "60000", "e_kg": "10"})
    # A sampled loose load is known better than single bales are: a plant's own setting.
    sampled = {"key": "moisture_u_fraction", "scope": "loose", "value": "0.001", "source": "nine samples a load"}
    plant.post("/v1/settings", sampled | {"valid_from": "2026-01-01T00:00:00Z"})
    told = _Week(plant, hidden)
    runs = [
        told.wash(*told.loose(), 0, 10),
        told.wash(*told.loose(), hidden.unbooked_kg, 11),
        told.wash(*told.bales(), 0, 12),
    ]
    [site] = [each["id"] for each in plant.get("/v1/sites") if each["code"] == "MILL"]
    return Told(site, tuple(run for run, _ in runs), tuple(flake for _, flake in runs))
