"""The audit year of scenario P25, told over HTTP: tonnes of dry mass, all moistures nought, at the plant `MILL`.

Bales 1,850, flake 412 and pellets 236 stand there at the beginning; 31,200 of bales come in; 22,110 of products,
4,820 of by-products, 2,940 of waste and 640 of effluent go out; 1,630, 455 and 268 are left. What is missing, 835, was
lost in the June wash (700), the other washes (15 and 20) and the extrusion (100).
"""

from collections.abc import Iterator
from typing import Any

from plant_fixture import Plant

PIECE_T = 900  # the largest lot here is 1,000 t
FOUND = "2024-12-31T12:00:00Z"
ARRIVED = "2025-01-10T08:00:00Z"
# Month, fed, flake, by-products, waste, effluent.
WASHES = (
    ("03", 10_000, 7_145, 1_600, 1_000, 240),
    ("06", 11_420, 7_760, 1_720, 1_040, 200),
    ("09", 10_000, 7_380, 1_500, 900, 200),
)


def pieces(tonnes: int) -> Iterator[int]:
    while tonnes > 0:
        yield min(PIECE_T, tonnes)
        tonnes -= PIECE_T


def kg(tonnes: int) -> str:
    return str(tonnes * 1_000)


def stand(plant: Plant, kind: str, material: str, tonnes: int) -> list[tuple[str, int]]:
    found = []
    for part in pieces(tonnes):
        body = {"site": "MILL", "kind": kind, "material": material, "mass_kg": kg(part), "moisture_fraction": "0"}
        found.append((str(plant.post("/v1/opening-lots", body | {"found_at": FOUND})["code"]), part))
    return found


def receive(plant: Plant, tonnes: int) -> list[tuple[str, int]]:
    scale = {"site": "MILL", "code": "QUAY", "name": "Quay", "kind": "weighbridge", "accuracy_class": "III"}
    plant.post("/v1/instruments", scale | {"max_kg": "999999", "e_kg": "200"})
    found = []
    for part in pieces(tonnes):
        weighed = {"instrument": "QUAY", "weighed_at": ARRIVED}
        delivery = plant.post(
            "/v1/deliveries",
            {"site": "MILL", "supplier_name": "Somebody", "material": "PET-LOOSE", "form": "loose",
             "arrived_at": ARRIVED, "gross": weighed | {"mass_kg": str(part * 1_000 + 15_000)}},
        )  # fmt: skip
        address = f"/v1/deliveries/{delivery['id']}"
        plant.post(f"{address}/weighings", weighed | {"kind": "tare", "mass_kg": "15000"})
        dry = {"moisture_fraction": "0", "basis": "measured", "taken_at": ARRIVED, "reason": "dry by construction"}
        plant.post(f"{address}/moisture", dry)
        found.append((str(plant.post(f"{address}/lot", {})["bales"][0]["code"]), part))
    return found


def take(stock: list[tuple[str, int]], tonnes: int, at: str) -> list[dict[str, Any]]:
    """Feeds of so much from the front of a stock, which is left with the rest."""
    feeds = []
    while tonnes:
        code, left = stock.pop(0)
        used = min(left, tonnes)
        feeds.append({"lot": code, "amount": "mass", "mass_kg": kg(used), "start_at": at})
        tonnes -= used
        if left > used:
            stock.insert(0, (code, left - used))
    return feeds


def run(plant: Plant, step: str, month: str, feeds: list[dict[str, Any]], outs: list[dict[str, Any]],
        losses: list[dict[str, Any]]) -> dict[str, list[tuple[str, int]]]:  # fmt: skip
    """A run on the 10th of a month, 08:00 to 16:00 UTC; the lots made, by stream."""
    started, ended = f"2025-{month}-10T08:00:00Z", f"2025-{month}-10T16:00:00Z"
    number = plant.post("/v1/runs", {"site": "MILL", "step": step, "started_at": started})["id"]
    for place in range(0, len(feeds), 200):
        plant.post(f"/v1/runs/{number}/feeds", {"feeds": feeds[place : place + 200]})
    made: dict[str, list[tuple[str, int]]] = {}
    if outs:
        answer = plant.post(f"/v1/runs/{number}/discharges", {"discharges": outs})
        for line in answer["lines"]:
            if line["direction"] == "out":
                made.setdefault(line["stream"], []).append((line["lot"], int(float(line["mass_kg"])) // 1_000))
    if losses:
        plant.post(f"/v1/runs/{number}/losses", {"losses": losses})
    plant.post(f"/v1/runs/{number}/close", {"ended_at": ended})
    return made


def out(kind: str, material: str, category: str, stream: str, tonnes: int, month: str) -> list[dict[str, Any]]:
    what = {"kind": kind, "material": material, "category": category, "stream": stream, "moisture_fraction": "0"}
    at = {"start_at": f"2025-{month}-10T12:00:00Z"}
    return [what | at | {"mass_kg": kg(part)} for part in pieces(tonnes)]


def tell(plant: Plant) -> None:
    """The whole year."""
    bales = stand(plant, "loose", "PET-LOOSE", 1_850)
    flake = stand(plant, "flake", "FLAKE", 412)
    pellets = stand(plant, "pellets", "PELLETS", 236)
    bales += receive(plant, 31_200)
    side: list[tuple[str, int]] = []
    for month, fed, made_t, side_t, waste_t, effluent_t in WASHES:
        at = f"2025-{month}-10T10:00:00Z"
        outs = out("flake", "FLAKE", "product", "flake", made_t, month)
        outs += out("by_product", "SIDE", "by_product", "side", side_t, month)
        losses = [
            {"stream": stream, "category": category, "mass_kg": kg(part), "moisture_fraction": "0", "at": at}
            for stream, category, tonnes in (("sludge", "waste", waste_t), ("effluent", "loss", effluent_t))
            for part in pieces(tonnes)
        ]
        made = run(plant, "wash", month, take(bales, fed, at), outs, losses)
        flake += made["flake"]
        side += made["side"]
    at = "2025-10-10T09:00:00Z"
    feeds = take(flake, 412 + 22_285 - 455, at)
    made = run(plant, "extrusion", "10", feeds, out("pellets", "PELLETS", "product", "pellets", 22_142, "10"), [])
    pellets += made["pellets"]
    for stock, tonnes in ((pellets, 22_110), (side, 4_820)):
        run(plant, "shipping", "11", take(stock, tonnes, "2025-11-10T09:00:00Z"), [], [])
