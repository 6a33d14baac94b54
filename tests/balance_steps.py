"""Steps of balances with doubt that several tests share, and their independent computation with `uncertainties`."""

from math import sqrt
from typing import Any

from gate import act
from line_steps import at, feed, out, start
from plant_fixture import Plant
from uncertainties import UFloat, ufloat

from service.balances.compute import ComputedBalance, compute_balance, tolerance_of
from service.balances.queries import find_balance
from service.balances.tables import RunBalance
from service.lots.queries import get_process

ROOT3 = sqrt(3)
LINE_U, LINE_SPAN = 2.5, 0.0003  # kg, fraction: the certificate of the scale at the end of the line
U_MOISTURE = {"bales": 0.0075, "flake": 0.0005, "side": 0.025}


def line_scale(plant: Plant, code: str = "LINE", **more: Any) -> Any:
    """A scale at the end of the line, with a certificate of its own."""
    body = {
        "site": "MILL",
        "code": code,
        "name": code.title(),
        "kind": "platform",
        "accuracy_class": "III",
        "max_kg": "20000",
        "e_kg": "5",
        "u_reading_kg": "2.5",
        "u_span_fraction": "0.0003",
        "calibrated_from": "2026-01-01T00:00:00Z",
        "calibrated_to": "2027-01-01T00:00:00Z",
    }
    return plant.post("/v1/instruments", body | more)


def truck(plant: Plant, net_kg: float, moisture: str, hour: float = 0) -> Any:
    """A loose load of the bridge with a measured moisture; its one lot is the whole load."""
    body = {
        "site": "MILL",
        "supplier_name": "Somebody",
        "material": "PET-LOOSE",
        "form": "loose",
        "arrived_at": at(hour),
        "gross": {"instrument": "BRIDGE", "mass_kg": str(net_kg + 15_000), "weighed_at": at(hour)},
    }
    delivery = plant.post("/v1/deliveries", body)
    tare = {"kind": "tare", "origin": "own", "instrument": "BRIDGE", "mass_kg": "15000", "weighed_at": at(hour + 0.2)}
    plant.post(f"/v1/deliveries/{delivery['id']}/weighings", tare)
    if moisture:
        act(
            plant,
            delivery,
            "moisture",
            moisture_fraction=moisture,
            basis="measured",
            taken_at=at(hour + 0.1),
            reason="oven, two bales",
        )
    return act(plant, delivery, "lot")


# P07, weighed: the truck on the bridge, flake and light blue on a certified scale, sludge on the bridge again, the
# other by-products by nobody knows what. Names, kg, moisture, scale.
P07_OUT = (
    ("clear_flake", 14210, 0.007, "LINE"),
    ("light_blue", 1180, 0.007, "LINE"),
    ("colour_reject", 640, 0.008, None),
    ("po_flake", 1515, 0.03, None),
    ("labels", 610, 0.08, None),
    ("metal_pvc", 160, 0.01, None),
    ("fines", 395, 0.02, None),
)
P07_LOST = (("sludge", 1450, 0.55, "BRIDGE"), ("wire", 60, 0.0, None))


def wash_p07(plant: Plant) -> int:
    """The run of P07, open."""
    line_scale(plant)
    delivery = truck(plant, 20_600, "0.045")
    run = start(plant, "wash")
    feed(plant, run, delivery["bales"][0]["code"])
    p07_out(plant, run)
    p07_lost(plant, run)
    return run


def p07_out(plant: Plant, run: int) -> None:
    outs = []
    for stream, kg, moisture, scale in P07_OUT:
        is_clear = stream == "clear_flake"
        kind = ("flake", "FLAKE", "product") if is_clear else ("by_product", "SIDE", "by_product")
        outs.append(out(*kind, stream, str(kg), str(moisture)) | ({"instrument": scale} if scale else {}))
    plant.post(f"/v1/runs/{run}/discharges", {"discharges": outs})


def p07_lost(plant: Plant, run: int) -> None:
    losses: list[dict[str, Any]] = [{"stream": "effluent", "fraction_of_dry_in": "0.015", "at": at(4)}]
    for stream, kg, moisture, scale in P07_LOST:
        loss = {
            "stream": stream,
            "category": "waste",
            "mass_kg": str(kg),
            "moisture_fraction": str(moisture),
            "at": at(4),
        }
        losses.append(loss | ({"instrument": scale} if scale else {}))
    plant.post(f"/v1/runs/{run}/losses", {"losses": losses})


def bridge_span(limit_at_max_kg: float = 60.0, max_kg: float = 60_000.0) -> UFloat:
    """Relative error of the bridge of the fixture: class III, e = 20 kg, 60 kg in service at Max."""
    return ufloat(0, limit_at_max_kg / max_kg / ROOT3)


def p07_unexplained(sample: Any = None) -> Any:
    """P07 by hand in kg dry, each input one variable; with `sample` (a maker of draws) instead of `ufloat`, simulated.

    In-service limits of class III at e = 20 kg: 20 kg to 10 t, 40 kg to 40 t, 60 kg above.
    """
    variable = sample or (lambda value, u, rectangular=False: ufloat(value, u))
    span_bridge = variable(0, 60 / 60_000 / ROOT3, True)
    span_line = variable(0, LINE_SPAN)
    unstated = variable(0, 0.02 / ROOT3, True)
    gross, tare = variable(35_600, 40 / ROOT3, True), variable(15_000, 40 / ROOT3, True)
    dry_in = (gross - tare) * (1 + span_bridge) * (1 - variable(0.045, 0.0075))
    dry_out = 0
    for stream, kg, moisture, scale in (*P07_OUT, *P07_LOST):
        mass = kg * (1 + unstated)
        if scale == "LINE":
            mass = variable(kg, LINE_U) * (1 + span_line)
        elif scale == "BRIDGE":
            mass = variable(kg, 20 / ROOT3, True) * (1 + span_bridge)
        dry_out = dry_out + mass * (1 - variable(moisture, 0.0005 if stream == "clear_flake" else 0.025))
    return dry_in - dry_out - variable(0.015, 0.015 * 0.5 / ROOT3, True) * dry_in


def recorded(plant: Plant, run: int) -> RunBalance:
    """The balance that stands."""
    with plant.database.read() as session:
        row = find_balance(session, run)
    assert row is not None
    return row


def computed(plant: Plant, run: int) -> ComputedBalance:
    with plant.database.read() as session:
        process = get_process(session, run)
        return compute_balance(session, process, tolerance_of(session, process))
