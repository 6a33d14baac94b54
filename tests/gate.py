"""Steps of the gate over HTTP that several tests share; every one answers the whole delivery."""

from datetime import timedelta
from typing import Any

from plant_fixture import START, Plant

DAY = START.replace(hour=0)


def at(hour: float) -> str:
    """A moment of the test day, before the frozen clock stands at 06:00 UTC."""
    return (DAY + timedelta(hours=hour)).isoformat()


def stamp(plant: Plant) -> str:
    """A moment for `known_at` after everything recorded so far; the clock moves on behind it.

    While the clock stands still, entries are told apart by microseconds, so a second covers them all.
    """
    moment = plant.clock.advance(seconds=1).isoformat().replace("+00:00", "Z")
    plant.clock.advance(minutes=1)
    return moment


def supplier(plant: Plant, code: str = "NORTH", **more: Any) -> Any:
    return plant.post("/v1/partners", {"code": code, "name": f"{code.title()} Sorting", "is_supplier": True} | more)


def contract(plant: Plant, formula: str = "additive", **more: Any) -> Any:
    body = {
        "partner": "NORTH",
        "material": "PET-BALES",
        "moisture_allowance_fraction": "0.02",
        "payable_formula": formula,
        "tie_kg": "1.5",
        "valid_from": "2026-01-01T00:00:00Z",
    }
    return plant.post("/v1/contracts", body | more)


def ticket(**more: Any) -> dict[str, Any]:
    """Body of a ticket: 48 bales of North, first weighing 39,860 kg."""
    return {
        "site": "MILL",
        "supplier": "NORTH",
        "material": "PET-BALES",
        "form": "bales",
        "arrived_at": at(5),
        "note_no": "0007731",
        "note_count": 48,
        "gross": reading("39860"),
    } | more


def reading(kg: str, instrument: str = "BRIDGE", hour: float = 5, **more: Any) -> dict[str, Any]:
    return {"instrument": instrument, "mass_kg": kg, "weighed_at": at(hour)} | more


def arrive(plant: Plant, **more: Any) -> Any:
    return plant.post("/v1/deliveries", ticket(**more))


def weigh(plant: Plant, delivery: Any, kind: str, kg: str, *, status: int = 201, **more: Any) -> Any:
    body = {"kind": kind, "mass_kg": kg, "weighed_at": at(5.5), "instrument": "BRIDGE"} | more
    if body.get("origin", "own") != "own":
        del body["instrument"]
    return plant.post(f"/v1/deliveries/{delivery['id']}/weighings", body, status=status)


def act(plant: Plant, delivery: Any, what: str, *, status: int = 201, **body: Any) -> Any:
    """POST to one of the delivery's operations."""
    return plant.post(f"/v1/deliveries/{delivery['id']}/{what}", body, status=status)


def p01(plant: Plant, **more: Any) -> Any:
    """P01: North's contract, gross 39,860 kg, tare 15,420 kg, 48 bales with 1.5 kg wire each."""
    supplier(plant)
    contract(plant)
    return weigh(plant, arrive(plant, **more), "tare", "15420")


def p03(plant: Plant, **more: Any) -> Any:
    """P03: 47 bales found instead of 48; 46 bear tags, one of which another supplier's bale bears too."""
    supplier(plant, "SOUTH")
    other = plant.post("/v1/deliveries", ticket(supplier="SOUTH", note_count=1, gross=reading("20000")))
    act(plant, other, "bales", count=1, tags=["000123"])
    tags = [f"{number:06d}" for number in range(123, 123 + 46)]
    return act(plant, p01(plant, **more), "bales", count=47, tags=tags)


def grams(kg: str) -> int:
    return int(kg.replace(".", ""))


def bale_sum_g(delivery: Any) -> int:
    return sum(grams(bale["material_kg"]) for bale in delivery["bales"] if bale["material_kg"] is not None)


def masses_of(delivery: Any) -> list[str]:
    return [bale["material_kg"] for bale in delivery["bales"]]


def wash_run(plant: Plant) -> int:
    return int(plant.post("/v1/runs", {"site": "MILL", "step": "wash", "started_at": at(5.6)})["id"])


def feed(plant: Plant, run: int, *codes: str, status: int = 201, **more: Any) -> Any:
    feeds = [{"lot": code, "amount": "whole", "start_at": at(5.7)} | more for code in codes]
    return plant.post(f"/v1/runs/{run}/feeds", {"feeds": feeds}, status=status)
