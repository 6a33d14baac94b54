"""A random history of a plant as facts that may be told in any order, each as soon as those it refers to are known.

Everything is known by a name of its own, since codes and identities follow from the order of telling. Some facts are
told wrong first and corrected later, some never were and are withdrawn: those corrections are facts of their own.
"""

import heapq
import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from random import Random
from typing import Any

from hypothesis import strategies as st
from line_steps import at, discharge, feed, load, opening, out, start, vessel
from plant_fixture import Plant
from sqlalchemy import func, select
from sqlmodel import col
from time_steps import REPORT, residence, run_over

from service.lots.tables import Line

NUMBERS = itertools.count(1)
SLOT = 0.1
# A drawn lot holds at least this, and is used for less.
LEAST_DRAWN_KG, MOST_USED_KG = 50, 9
MISTAKES = ("right", "right", "mass", "never")
REGIMES: dict[str, dict[str, Any]] = {
    "well_mixed": {},
    "first_in_first_out": {},
    "plug_flow": {"spread_fraction": "0.2"},
    "tanks_in_series": {"tanks": 3},
}


@dataclass
class Telling:
    """One telling of a history to a plant: what became of each name."""

    plant: Plant
    vessels: dict[str, int] = field(default_factory=dict)
    runs: dict[str, int] = field(default_factory=dict)
    codes: dict[str, str] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)

    def newest_line(self) -> int:
        with self.plant.database.read() as session:
            found: int = session.execute(select(func.max(col(Line.id)))).scalar_one()
            return found

    def correct(self, name: str, **change: Any) -> None:
        path = f"/v1/lines/{self.lines[name]}/corrections"
        self.plant.post(path, {"reason": "the sheet says otherwise"} | change)


@dataclass(frozen=True)
class Fact:
    """Something to tell once all that it needs has been told."""

    name: str
    needs: tuple[str, ...]
    tell: Callable[[Telling], None]


@dataclass
class History:
    """Draws a history; time goes on from fact to fact, so that it makes no circles in whatever order it is told."""

    data: st.DataObject
    facts: list[Fact] = field(default_factory=list)
    lots: dict[str, float] = field(default_factory=dict)  # when each was there
    after: dict[str, tuple[str, ...]] = field(default_factory=dict)  # what lines of a vessel must wait for
    ended: dict[str, float] = field(default_factory=dict)  # when the last line of a vessel was over
    settled: dict[str, tuple[str, ...]] = field(default_factory=dict)  # what users of a lot must wait for
    hour: float = 1.0
    numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1))

    def choose(self, *options: Any) -> Any:
        return self.data.draw(st.sampled_from(options))

    def kilograms(self, least: int, most: int) -> str:
        return str(self.data.draw(st.integers(least, most)))

    def add(self, needs: tuple[str, ...], tell: Callable[[Telling], None], name: str = "") -> str:
        name = name or f"fact-{next(self.numbers)}"
        self.facts.append(Fact(name, needs, tell))
        return name

    def later(self) -> float:
        self.hour = round(self.hour + SLOT, 6)
        return self.hour

    # Facts --------------------------------------------------------------------------------------------

    def use_vessel(self, name: str, mixing: str, **more: Any) -> None:
        def tell(telling: Telling) -> None:
            code = f"{name}-{next(NUMBERS)}"
            telling.vessels[name] = vessel(telling.plant, code, mixing, **more)

        self.add((), tell, name)
        self.after[name], self.ended[name] = (name,), 0.0

    def state_residence(self, name: str, regime: str, from_hour: float, to_hour: float, **more: Any) -> None:
        stated = REGIMES[regime] | more | {"valid_from": at(from_hour), "valid_to": at(to_hour)}
        self.add((name,), lambda telling: residence(telling.plant, telling.vessels[name], regime, **stated))

    def arrive(self) -> None:
        kg, moisture = self.kilograms(400, 900), self.choose(None, None, "0.1", "0.03")
        name = f"origin-{len(self.lots)}"

        def tell(telling: Telling) -> None:
            telling.codes[name] = opening(telling.plant, "flake", "FLAKE", kg)

        self.add((), tell, name)
        self.lots[name] = 0.0
        if moisture is not None:
            self.add((name,), lambda telling: late_moisture(telling, name, moisture))

    def deliver(self) -> None:
        """A load of a supplier: the only kind of lot here that counts as post-consumer."""
        kg, name = self.data.draw(st.integers(400, 900)), f"loaded-{len(self.lots)}"

        def tell(telling: Telling) -> None:
            telling.codes[name] = load(telling.plant, f"Sorting plant {next(NUMBERS)}", kg)

        self.add((), tell, name)
        self.lots[name] = 0.25

    def a_lot(self, before: float) -> str:
        """A lot that was there, whole, before some hour; nothing is put into it any more."""
        lot = str(self.choose(*(name for name, born in self.lots.items() if born < before)))
        self.settled.setdefault(lot, (lot,))
        return lot

    def span(self) -> tuple[dict[str, str], float]:
        """An instant, or an interval that may run beside others; and when it is over."""
        begun, length = self.later(), self.choose(0, 0, 0.05, 0.23)
        return {"start_at": at(begun)} | ({"end_at": at(begun + length)} if length else {}), begun + length

    def charge(self, name: str) -> None:
        (span, end), line = self.span(), f"line-{len(self.facts)}"
        lot, kg, kind = self.a_lot(self.hour), self.kilograms(1, MOST_USED_KG), self.choose(*MISTAKES)
        self.ended[name] = max(self.ended[name], end)
        told_kg = str(int(kg) + 3) if kind == "mass" else kg

        def tell(telling: Telling) -> None:
            body = {"lot": telling.codes[lot], "amount": "mass", "mass_kg": told_kg} | span
            telling.plant.post(f"/v1/vessels/{telling.vessels[name]}/charges", body)
            telling.lines[line] = telling.newest_line()

        self.add((*self.after[name], *self.settled[lot]), tell, line)
        if kind == "mass":
            self.add((line,), lambda telling: telling.correct(line, mass_kg=kg))
        elif kind == "never":
            self.add((line,), lambda telling: telling.correct(line, withdraw=True))

    def draw(self, name: str) -> None:
        kind = self.choose(*MISTAKES, "time")
        kg, (span, end), lot = self.kilograms(LEAST_DRAWN_KG, 70), self.span(), f"drawn-{len(self.facts)}"
        self.ended[name] = max(self.ended[name], end)
        told = {"kind": "flake", "material": "FLAKE", "mass_kg": kg, "moisture_fraction": "0"} | span
        if kind == "mass":
            told["mass_kg"] = str(int(kg) + 11)
        elif kind == "time":
            told["start_at"] = at(self.hour - 0.04)

        def tell(telling: Telling) -> None:
            answer = telling.plant.post(f"/v1/vessels/{telling.vessels[name]}/draws", told)
            telling.codes[lot], telling.lines[lot] = str(answer["drawn_lot"]), telling.newest_line()

        self.add(self.after[name], tell, lot)
        if kind == "never":
            self.add((lot,), lambda telling: telling.correct(lot, withdraw=True))
            return
        self.lots[lot] = end
        if kind == "mass":
            self.add((lot,), lambda telling: telling.correct(lot, mass_kg=kg))
        elif kind == "time":
            self.add((lot,), lambda telling: telling.correct(lot, start_at=span["start_at"]))

    def prove_empty(self, name: str) -> None:
        when = self.hour = max(self.hour, self.ended[name]) + SLOT

        def tell(telling: Telling) -> None:
            note = {"at": at(when), "note": "emptied and inspected"}
            telling.plant.post(f"/v1/vessels/{telling.vessels[name]}/proven-empty", note)

        # Told before anything that was booked after it, else it was not empty then.
        self.after[name] = (self.add(self.after[name], tell),)

    def run(self) -> None:
        begun, fed_at, made_at = self.hour, self.later(), self.later()
        run = self.add((), lambda telling: _start_run(telling, run, begun), f"run-{len(self.facts)}")
        for _ in range(self.choose(1, 2, 3)):
            self._feed(run, fed_at, fed_at, self.choose(*MISTAKES))
        for _ in range(self.choose(1, 2)):
            self._make(run, made_at, into=None)

    def top_up(self) -> None:
        """A run that fills up a bag of an earlier one, or one that was drawn from a vessel; or is said to have."""
        bags = [name for name in self.lots if name.startswith(("made", "drawn")) and name not in self.settled]
        if not bags:
            return
        begun, fed_at, made_at = self.hour, self.later(), self.later()
        run = self.add((), lambda telling: _start_run(telling, run, begun), f"run-{len(self.facts)}")
        into, kind = str(self.choose(*bags)), self.choose(*MISTAKES)
        # What is in the bag already may not go into what fills it up.
        self._feed(run, fed_at, self.lots[into], "right")
        topped = self._make(run, made_at, into=into)
        self.settled[into] = (into, topped)
        self.lots[into] = max(self.lots[into], made_at)
        if kind == "never":
            undone = self.add((topped,), lambda telling: telling.correct(topped, withdraw=True))
            self.settled[into] = (into, undone)

    def _feed(self, run: str, hour: float, born_before: float, kind: str) -> None:
        lot, kg, line = self.a_lot(born_before), self.kilograms(1, MOST_USED_KG), f"line-{len(self.facts)}"

        def tell(telling: Telling) -> None:
            told_kg = str(int(kg) + 2) if kind == "mass" else kg
            feed(telling.plant, telling.runs[run], telling.codes[lot], told_kg, start_at=at(hour))
            telling.lines[line] = telling.newest_line()

        self.add((run, *self.settled[lot]), tell, line)
        if kind == "mass":
            self.add((line,), lambda telling: telling.correct(line, mass_kg=kg))
        elif kind == "never":
            self.add((line,), lambda telling: telling.correct(line, withdraw=True))

    def _make(self, run: str, hour: float, into: str | None) -> str:
        name, kg = f"made-{len(self.facts)}", self.kilograms(LEAST_DRAWN_KG, 70)

        def tell(telling: Telling) -> None:
            one = out("flake", "FLAKE", "product", "accepts", kg, hour=hour)
            if into is not None:
                one["into_lot"] = telling.codes[into]
            codes = discharge(telling.plant, telling.runs[run], one)
            telling.lines[name] = telling.newest_line()
            if into is None:
                [telling.codes[name]] = codes

        self.add((run,) if into is None else (run, into), tell, name)
        if into is None:
            self.lots[name] = hour
        return name

    def wash(self, line: str) -> None:
        """Something goes into a run over a line, and a bag comes out of it by the clock of the line."""
        begun, kg, bag_kg = self.later(), self.kilograms(300, 900), self.kilograms(LEAST_DRAWN_KG, 70)
        fed, bag = f"bale-{len(self.lots)}", f"made-{len(self.facts)}"

        def tell_fed(telling: Telling) -> None:
            telling.codes[fed] = opening(telling.plant, "bale", "PET-BALES", kg)
            one = {"lot": telling.codes[fed], "amount": "whole", "start_at": at(begun), "end_at": at(begun + 0.2)}
            telling.plant.post(f"/v1/runs/{telling.runs[run]}/feeds", {"feeds": [one]})

        def tell_bag(telling: Telling) -> None:
            one = out("flake", "FLAKE", "product", "clear_flake", bag_kg)
            one |= {"start_at": at(begun + 0.15), "end_at": at(begun + 0.3)}
            [telling.codes[bag]] = discharge(telling.plant, telling.runs[run], one)

        def tell_run(telling: Telling) -> None:
            code = telling.plant.get(f"/v1/vessels/{telling.vessels[line]}")["code"]
            telling.runs[run] = run_over(telling.plant, code, at(begun - 0.05))

        run = self.add((line,), tell_run, f"run-{len(self.facts)}")
        self.add((run,), tell_fed, fed)
        self.add((run,), tell_bag, bag)
        self.hour = begun + 0.3
        self.lots[bag] = self.hour


def _start_run(telling: Telling, run: str, hour: float) -> None:
    telling.runs[run] = start(telling.plant, "flake_sorting", hour)


def late_moisture(telling: Telling, lot: str, fraction: str) -> None:
    body = {"moisture_fraction": fraction, "basis": "measured", "taken_at": at(0.5), "reason": "from the laboratory"}
    telling.plant.post(f"/v1/lots/{telling.codes[lot]}/moisture", body)


def random_history(data: st.DataObject, most: int = 9) -> History:
    """Two vessels with a regime each that may change and be proven, a line with windows, runs and bags."""
    history = History(data)
    regime = history.choose(*REGIMES)
    history.use_vessel("SILO", "well_mixed")
    history.use_vessel("TOWER", "first_in_first_out", capacity_kg="400")
    history.use_vessel("WASH", "well_mixed", kind="wash_line")
    report = {"report_sha256": REPORT} if history.choose(True, False) else {}
    history.state_residence("TOWER", regime, 1.45, history.choose(2.05, 20), **report)
    history.state_residence(
        "WASH", "plug_flow", 0, history.choose(1.6, 20), residence_min_s=60, residence_max_s=900, **report
    )
    history.deliver()
    history.arrive()
    steps = data.draw(st.lists(st.sampled_from(STEPS), min_size=4, max_size=most))
    # Something goes through a vessel in any case.
    for step in ("charge", "charge", *steps, "draw", "draw"):
        match step:
            case "charge" | "draw" | "prove_empty":
                getattr(history, step)(history.choose("SILO", "TOWER"))
            case "wash":
                history.wash("WASH")
            case "arrive" | "run" | "top_up":
                getattr(history, step)()
    return history


STEPS = ("arrive", "run", "top_up", "wash", "charge", "charge", "charge", "draw", "draw", "draw", "prove_empty")


def told(
    plant: Plant,
    facts: list[Fact],
    order: Random | None = None,
    after_each: Callable[[Telling], None] = lambda telling: None,
) -> Telling:
    """Tell all facts: in the order in which they happened, or in any other that what they refer to allows."""
    telling = Telling(plant)
    for fact in facts if order is None else shuffled(facts, order):
        fact.tell(telling)
        after_each(telling)
    return telling


def shuffled(facts: list[Fact], order: Random) -> list[Fact]:
    waiting = {fact.name: set(fact.needs) for fact in facts}
    by_name = {fact.name: fact for fact in facts}
    ready = [(order.random(), name) for name, needs in waiting.items() if not needs]
    heapq.heapify(ready)
    found: list[Fact] = []
    while ready:
        _, name = heapq.heappop(ready)
        found.append(by_name[name])
        for other, needs in waiting.items():
            if name in needs:
                needs.discard(name)
                if not needs:
                    heapq.heappush(ready, (order.random(), other))
    assert len(found) == len(facts), "every fact needs only such as are there"
    return found
