"""Steps of the line for feature tests, each one or two requests: opening stock, runs, feeds, discharges, closing.

Opening lots stand for what the weighbridge would have brought, so that a test says only what it is about.
"""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from plant_fixture import START, Plant

DAY = (START - timedelta(days=1)).replace(hour=0)


def at(hour: float) -> str:
    """A moment on the day before the frozen clock, in hours after midnight UTC."""
    return (DAY + timedelta(hours=hour)).isoformat()


def opening(plant: Plant, kind: str, material: str, kg: str, moisture: str = "0", **more: str) -> str:
    body = {
        "site": "MILL",
        "kind": kind,
        "material": material,
        "mass_kg": kg,
        "moisture_fraction": moisture,
        "found_at": at(0),
    }
    return str(plant.post("/v1/opening-lots", body | more)["code"])


def load(plant: Plant, supplier: str, kg: int, *, form: str = "loose", material: str = "PET-LOOSE", **more: str) -> str:
    """One loose or packed load, weighed on the bridge; gives the code of its lot.

    `supplier` in capitals is the code of a partner, else the name of somebody nobody knows yet.
    """
    delivery = plant.post(
        "/v1/deliveries",
        {
            "site": "MILL",
            "supplier" if supplier.isupper() else "supplier_name": supplier,
            "material": material,
            "form": form,
            "arrived_at": at(0),
            "gross": {"instrument": "BRIDGE", "mass_kg": str(kg + 15_000), "weighed_at": at(0)},
        }
        | more,
    )
    tare = {"kind": "tare", "origin": "own", "instrument": "BRIDGE", "mass_kg": "15000", "weighed_at": at(0.2)}
    plant.post(f"/v1/deliveries/{delivery['id']}/weighings", tare)
    moisture = {"moisture_fraction": "0", "basis": "measured", "taken_at": at(0.1), "reason": "dry by construction"}
    plant.post(f"/v1/deliveries/{delivery['id']}/moisture", moisture)
    return str(plant.post(f"/v1/deliveries/{delivery['id']}/lot", {})["bales"][0]["code"])


def start(plant: Plant, step: str, hour: float = 1) -> int:
    return int(plant.post("/v1/runs", {"site": "MILL", "step": step, "started_at": at(hour)})["id"])


def feed(plant: Plant, run: int, lot: str, kg: str | None = None, *, status: int = 201, **more: Any) -> Any:
    one = {"lot": lot, "amount": "mass" if kg else more.pop("amount", "whole"), "start_at": at(2)} | more
    if kg:
        one["mass_kg"] = kg
    return plant.post(f"/v1/runs/{run}/feeds", {"feeds": [one]}, status=status)


def out(
    kind: str, material: str, category: str, stream: str, kg: str, moisture: str = "0", hour: float = 3
) -> dict[str, Any]:
    return {
        "kind": kind,
        "material": material,
        "category": category,
        "stream": stream,
        "mass_kg": kg,
        "moisture_fraction": moisture,
        "start_at": at(hour),
    }


def discharge(plant: Plant, run: int, *outs: dict[str, Any], **more: Any) -> list[str]:
    """Take lots out of a run; gives their codes in order."""
    answer = plant.post(f"/v1/runs/{run}/discharges", {"discharges": list(outs)} | more)
    return [line["lot"] for line in answer["lines"] if line["direction"] == "out" and line["lot"]][-len(outs) :]


def close(plant: Plant, run: int, *, status: int = 201, hour: float = 20) -> Any:
    return plant.post(f"/v1/runs/{run}/close", {"ended_at": at(hour)}, status=status)


def made(plant: Plant, step: str, inputs: Mapping[str, str | None], out_of_it: dict[str, Any], hour: float = 2) -> str:
    """A run that takes `inputs` (lot: kg, None for all of it) and makes one lot; closed."""
    run = start(plant, step)
    for lot, kg in inputs.items():
        feed(plant, run, lot, kg, start_at=at(hour))
    [lot] = discharge(plant, run, out_of_it)
    close(plant, run)
    return lot


def vessel(plant: Plant, code: str, mixing: str = "well_mixed", **more: Any) -> int:
    body = {
        "site": "MILL",
        "code": code,
        "name": code,
        "kind": "silo",
        "capacity_kg": "60000",
        "mixing": mixing,
        "in_use_from": at(0),
    }
    return int(plant.post("/v1/vessels", body | more)["id"])


def charge(plant: Plant, silo: int, lot: str, hour: float, kg: str | None = None, **more: Any) -> Any:
    one: dict[str, Any] = {"lot": lot, "amount": "mass" if kg else "whole", "start_at": at(hour)}
    if kg:
        one["mass_kg"] = kg
    return plant.post(f"/v1/vessels/{silo}/charges", one, **more)


def draw(plant: Plant, silo: int, kg: str, hour: float, kind: str = "flake", material: str = "FLAKE") -> str:
    one = {"kind": kind, "material": material, "mass_kg": kg, "moisture_fraction": "0", "start_at": at(hour)}
    return str(plant.post(f"/v1/vessels/{silo}/draws", one)["drawn_lot"])


def trace(plant: Plant, lot: str) -> Any:
    return plant.get(f"/v1/lots/{lot}/trace")


def shares(plant: Plant, lot: str) -> dict[str, float]:
    return {row["bale"]: float(row["share"]) for row in trace(plant, lot)["shares"]}
