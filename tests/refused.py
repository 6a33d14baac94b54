"""Sending what must be refused, and looking that it was: right status, right field, nothing changed."""

import json
from dataclasses import dataclass, field
from typing import Any

from gate import arrive, at, reading, supplier
from plant_fixture import Plant
from problem_shape import problem_of
from whole_database import everything_in

LOT_KG = "1000"


@dataclass
class Gate:
    """A plant with one of each thing that a bad request may name.

    `ticket` is a delivery with a gross weighing, ticket number W1, and no tare; `lot` holds 1,000 kg; `run` is
    open; `vessel` is empty.
    """

    plant: Plant
    before: str = field(init=False)

    def __post_init__(self) -> None:
        plant = self.plant
        supplier(plant)
        self.ticket = arrive(plant, gross=reading("39860", ticket_no="W1"))["id"]
        self.lot = plant.post("/v1/opening-lots", opening())["code"]
        self.run = plant.post("/v1/runs", {"site": "MILL", "step": "wash", "started_at": at(1)})["id"]
        vessel = {"site": "MILL", "code": "BAY", "name": "Bay", "kind": "bay", "capacity_kg": "9", "in_use_from": at(0)}
        self.vessel = plant.post("/v1/vessels", vessel | {"mixing": "well_mixed"})["id"]
        self.before = everything_in(plant.database)

    def refuses(self, path: str, body: Any, status: int, code: str, *pointers: str) -> Any:
        """POST; every pointer, and no other, must be named. `body` as bytes is sent as it is."""
        sent = body if isinstance(body, bytes) else json.dumps(body).encode()
        response = self.plant.request("POST", path, sent)
        problem = problem_of(response, status, code)
        if pointers:
            assert sorted({finding["pointer"] for finding in problem["errors"]}) == sorted(pointers), problem
        self.is_unchanged()
        return problem

    def is_unchanged(self) -> None:
        assert everything_in(self.plant.database) == self.before

    def feed(self, **more: Any) -> dict[str, Any]:
        """Body of one feed of the lot."""
        return {"feeds": [{"lot": self.lot, "amount": "whole", "start_at": at(2)} | more]}


def opening(**more: Any) -> dict[str, Any]:
    """Body of an opening lot that is accepted."""
    body = {"site": "MILL", "kind": "flake", "material": "FLAKE", "mass_kg": LOT_KG, "moisture_fraction": "0.01"}
    return body | {"found_at": at(0.5)} | more


def flake(**more: Any) -> dict[str, Any]:
    """Body of one discharge that is accepted."""
    body = {"kind": "flake", "material": "FLAKE", "category": "product", "stream": "clear_flake", "mass_kg": "100"}
    return {"discharges": [body | {"moisture_fraction": "0.01", "start_at": at(3)} | more]}
