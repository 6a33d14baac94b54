"""What the demo's lots are made of, worked out a second time from the raw events, in fractions.

Nothing of the service is used: the rules stand here again as a plant's accountant would apply them on paper.
A run mixes all it is fed by dry mass. A mixed vessel mixes each charge with all that is in it; the reactor
gives out what came in first. A bale weighs its share of the truck's net less ties. Events are taken at the
times at which things happened, with the moistures known at the end.

Lots are named by the references of the events, for instance ``$t3.bales[17].code``.
"""

import json
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

SEED = Path(__file__).parents[2] / "seed_data"
DEFAULT_BALE_MOISTURE = Fraction(5, 100)  # the plant's setting for bales; common practice, no source

Composition = dict[str, Fraction]

# The five largest shares of the lot worth tracing, by this file's own arithmetic, to 12 decimals.
FIVE_LARGEST = (
    ("$flake_heel.code", "0.058148382270"),
    ("$v1.bales[0].code", "0.054254258057"),
    ("$l1.bales[0].code", "0.031154720908"),
    ("$reactor_bed.code", "0.007560712082"),
    ("$bay_rest.code", "0.006318347381"),
)


@dataclass
class Truck:
    """What was recorded of one delivery."""

    supplier: str | None
    noted: int | None
    readings: dict[str, tuple[datetime, Fraction]] = field(default_factory=dict)
    bales: int = 0
    left_on_truck: set[int] = field(default_factory=set)
    platform: dict[int, Fraction] = field(default_factory=dict)
    moisture: Fraction = DEFAULT_BALE_MOISTURE


@dataclass(frozen=True)
class Move:
    """Mass of a lot into or out of a run or vessel; `kg` None stands for all that no other move takes."""

    lot: str
    kg: Fraction | None
    start: datetime
    end: datetime


class DemoByHand:
    """The events, sorted into trucks, lots and moves."""

    def __init__(self) -> None:
        self.trucks: dict[str, Truck] = {}
        self.ties: dict[str, Fraction] = {}
        self.kg: dict[str, Fraction] = {}
        self.moisture: dict[str, Fraction] = {}
        self.made_by: dict[str, tuple[str, Move]] = {}
        self.fed: dict[str, list[Move]] = defaultdict(list)
        self.drawn: dict[str, list[Move]] = defaultdict(list)
        self.tares: dict[str, Fraction] = {}
        self.vessels: dict[str, str] = {}
        self._worked_out: dict[str, Composition] = {}
        files = [json.loads((SEED / name).read_text(encoding="utf-8")) for name in ("plant.json", "week.json")]
        self.worth_tracing: str = files[1]["worth_tracing"]
        for event in [event for file in files for event in file["events"]]:
            taker = getattr(self, f"_{event['do']}", None)
            if taker is not None:
                taker(event.get("as"), event.get("on", "").removesuffix(".id"), event.get("body"))

    # What each event means ------------------------------------------------------------------------------

    def _register_contract(self, _name: str, _on: str, body: Any) -> None:
        self.ties[body["partner"]] = Fraction(body.get("tie_kg", 0))

    def _register_vessel(self, name: str, _on: str, body: Any) -> None:
        self.vessels[f"${name}"] = body["mixing"]

    def _register_container_type(self, _name: str, _on: str, body: Any) -> None:
        self.tares[body["code"]] = Fraction(body["tare_kg"])

    def _register_opening_lot(self, name: str, _on: str, body: Any) -> None:
        self.kg[f"${name}.code"] = Fraction(body["mass_kg"])
        self.moisture[f"${name}.code"] = Fraction(body["moisture_fraction"])

    def _open_delivery(self, name: str, _on: str, body: Any) -> None:
        self.trucks[f"${name}"] = Truck(body.get("supplier"), body.get("note_count"))
        self._weigh_truck(name, f"${name}", {"kind": "gross"} | body["gross"])

    def _weigh_truck(self, _name: str, on: str, body: Any) -> None:
        if body.get("origin", "own") == "own":
            self.trucks[on].readings[body["kind"]] = (_time(body["weighed_at"]), Fraction(body["mass_kg"]))

    def _register_bales(self, _name: str, on: str, body: Any) -> None:
        self.trucks[on].bales = body["count"]

    def _register_load(self, _name: str, on: str, _body: Any) -> None:
        self.trucks[on].bales = 1
        self.trucks[on].noted = None

    def _reject_bales(self, _name: str, on: str, body: Any) -> None:
        if body["on_truck_at_tare"]:
            self.trucks[on].left_on_truck |= {_place(code) for code in body["bales"]}

    def _weigh_lot(self, _name: str, on: str, body: Any) -> None:
        self.trucks[on.split(".")[0]].platform[_place(on)] = Fraction(body["mass_kg"])

    def _measure_delivery(self, _name: str, on: str, body: Any) -> None:
        self.trucks[on].moisture = Fraction(body["moisture_fraction"])

    def _feed_run(self, _name: str, on: str, body: Any) -> None:
        self.fed[on] += [_move(feed["lot"], feed) for feed in body["feeds"]]

    def _discharge_run(self, _name: str, on: str, body: Any) -> None:
        for out in body["discharges"]:
            tare = sum(self.tares[tare["container_type"]] * tare["pieces"] for tare in out.get("tares", []))
            kg = Fraction(out["mass_kg"]) if "mass_kg" in out else Fraction(out["gross_kg"]) - tare
            for _ in range(out.get("pieces", 1)):
                lot = f"{on}.lots[{len(self.drawn[on])}]"
                self._made(on, lot, kg, out)

    def _charge_vessel(self, _name: str, on: str, body: Any) -> None:
        self.fed[on].append(_move(body["lot"], body))

    def _draw_from_vessel(self, name: str, on: str, body: Any) -> None:
        self._made(on, f"${name}.drawn_lot", Fraction(body["mass_kg"]), body)

    def _made(self, by: str, lot: str, kg: Fraction, body: Any) -> None:
        move = Move(lot, kg, _time(body["start_at"]), _time(body.get("end_at", body["start_at"])))
        self.kg[lot], self.moisture[lot] = kg, Fraction(body["moisture_fraction"])
        self.made_by[lot] = (by, move)
        self.drawn[by].append(move)

    # Masses ---------------------------------------------------------------------------------------------

    def bale_kg(self, lot: str) -> Fraction:
        """Mass of a bale or load: net less ties, over all bales that came off the truck, to the whole gram."""
        truck = self.trucks[lot.split(".")[0]]
        staying = [place for place in range(truck.bales) if place not in truck.left_on_truck]
        ties = Fraction(0)
        if truck.noted is not None and truck.supplier is not None:
            ties = (truck.noted - len(truck.left_on_truck)) * self.ties[truck.supplier]
        material = truck.readings["gross"][1] - truck.readings["tare"][1] - ties
        place = _place(lot)
        if place in truck.platform:
            return truck.platform[place]
        sharing = [other for other in staying if other not in truck.platform]
        grams = int((material - sum(truck.platform.values())) * 1000)
        each = grams // len(sharing)
        return Fraction(grams - each * (len(sharing) - 1) if place == sharing[-1] else each, 1000)

    def lot_kg(self, lot: str) -> Fraction:
        return self.kg[lot] if lot in self.kg else self.bale_kg(lot)

    def dry_kg(self, move: Move) -> Fraction:
        kg = move.kg
        if kg is None:
            others = [other.kg for moves in self.fed.values() for other in moves if other.lot == move.lot]
            kg = self.lot_kg(move.lot) - sum(other for other in others if other is not None)
        moisture = (
            self.moisture[move.lot] if move.lot in self.moisture else self.trucks[move.lot.split(".")[0]].moisture
        )
        return kg * (1 - moisture)

    # Composition ----------------------------------------------------------------------------------------

    def made_of(self, lot: str) -> Composition:
        """Share of each origin lot in the dry mass of a lot."""
        if lot not in self._worked_out:
            self._worked_out[lot] = self._made_of(lot)
        return self._worked_out[lot]

    def _made_of(self, lot: str) -> Composition:
        if lot not in self.made_by:
            return {lot: Fraction(1)}
        by, move = self.made_by[lot]
        match self.vessels.get(by):
            case None:
                return _mixed([(self.made_of(fed.lot), self.dry_kg(fed)) for fed in self.fed[by]])
            case "first_in_first_out":
                return self._out_of_first_in(by, move)
            case _:
                return self._out_of_mixture(by, move)

    def _out_of_mixture(self, vessel: str, draw: Move) -> Composition:
        """Run the vessel's book forward: a charge mixes with what is there, a draw takes of the mixture."""
        inside: Composition = {}
        kg = Fraction(0)
        moves = [(move, True) for move in self.fed[vessel]] + [(move, False) for move in self.drawn[vessel]]
        moves.sort(key=lambda entry: entry[0].start)
        for earlier, later in pairwise(moves):
            assert earlier[0].end <= later[0].start, "this file does no sums for moves at the same time"
        for move, is_charge in moves:
            if is_charge:
                inside = _mixed([(inside, kg), (self.made_of(move.lot), self.dry_kg(move))])
                kg += self.dry_kg(move)
            else:
                kg -= self.dry_kg(move)
                assert kg >= 0, "more drawn than was there"
            if move is draw:
                return inside
        raise AssertionError(f"{draw} is no draw of {vessel}")

    def _out_of_first_in(self, vessel: str, draw: Move) -> Composition:
        """What came in first goes out first, by cumulative dry mass."""
        before = sum(self.dry_kg(move) for move in self.drawn[vessel] if move.start < draw.start)
        first, last = before, before + self.dry_kg(draw)
        parts = []
        top = Fraction(0)
        for charge in sorted(self.fed[vessel], key=lambda move: move.start):
            bottom, top = top, top + self.dry_kg(charge)
            overlap = min(top, last) - max(bottom, first)
            if overlap > 0:
                parts.append((self.made_of(charge.lot), overlap))
        return _mixed(parts)

    def may_contain(self, lot: str) -> set[str]:
        """Every origin lot that may be in a lot: all that was fed, and all charged before a draw had ended."""
        if lot not in self.made_by:
            return {lot}
        by, move = self.made_by[lot]
        fed = [other for other in self.fed[by] if by not in self.vessels or other.start < move.end]
        return {origin for other in fed for origin in self.may_contain(other.lot)}


def _mixed(parts: list[tuple[Composition, Fraction]]) -> Composition:
    total = sum(kg for _, kg in parts)
    shares: Composition = defaultdict(Fraction)
    for composition, kg in parts:
        for origin, share in composition.items():
            shares[origin] += share * kg / total
    return dict(shares)


def _move(lot: str, body: Any) -> Move:
    kg = Fraction(body["mass_kg"]) if body["amount"] == "mass" else None
    return Move(lot, kg, _time(body["start_at"]), _time(body.get("end_at", body["start_at"])))


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _place(lot: str) -> int:
    return int(lot.split("[")[1].split("]")[0])
