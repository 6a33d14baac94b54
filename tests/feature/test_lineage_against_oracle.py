"""Goal: what the database answers about a plant equals what an independent simulation says of the same plant.

Method: random small plants are booked through the real verbs (opening lots, runs, vessels with heels, part
feeds, rework) and simulated forward in exact fractions by `plant_oracle`, which knows nothing of the product.
Shares may differ by one unit of 10^-12 (the last printed place); sets must be equal.
"""

import itertools
from dataclasses import dataclass, field
from fractions import Fraction

import plant_oracle as oracle
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from line_steps import at, charge, discharge, draw, feed, opening, out, start, vessel
from plant_fixture import Plant
from stored_lineage import Told, told_in_advance

UG_PER_KG = 10**9
NUMBERS = itertools.count(1)


@dataclass
class Books:
    """One random plant, booked and simulated side by side; lots are known by the simulation's number."""

    plant: Plant
    draw_from: st.DataObject
    codes: dict[int, str] = field(default_factory=dict)
    left_kg: dict[int, int] = field(default_factory=dict)
    steps: list[oracle.Arrival | oracle.Run | oracle.Campaign] = field(default_factory=list)
    hour: float = 1.0

    def later(self) -> float:
        self.hour += 0.1
        return self.hour

    def keep(self, code: str, kg: int) -> int:
        lot = len(self.codes) + 1
        self.codes[lot] = code
        self.left_kg[lot] = kg
        return lot

    def choose(self, strategy: st.SearchStrategy[int]) -> int:
        return self.draw_from.draw(strategy)

    def arrive(self) -> None:
        kg = self.choose(st.integers(1, 900))
        self.steps.append(oracle.Arrival(self.keep(opening(self.plant, "flake", "FLAKE", str(kg)), kg)))

    def portion(self) -> tuple[int, int]:
        """A lot with something left, and how much of it to take."""
        lot = self.choose(st.sampled_from([lot for lot, kg in self.left_kg.items() if kg]))
        kg = self.choose(st.integers(1, self.left_kg[lot]))
        self.left_kg[lot] -= kg
        return lot, kg

    def run(self) -> None:
        run, fed = start(self.plant, "flake_sorting", self.hour), self.later()
        inputs = []
        for _ in range(self.choose(st.integers(1, 3))):
            if any(self.left_kg.values()):
                inputs.append(self.portion())
                feed(self.plant, run, self.codes[inputs[-1][0]], str(inputs[-1][1]), start_at=at(fed))
        made = [self.choose(st.integers(1, 500)) for _ in range(self.choose(st.integers(1, 2)))]
        self.later()
        pieces = [out("flake", "FLAKE", "product", "accepts", str(kg), hour=self.hour) for kg in made]
        lots = [self.keep(code, kg) for code, kg in zip(discharge(self.plant, run, *pieces), made, strict=True)]
        outputs = tuple((lot, kg * UG_PER_KG) for lot, kg in zip(lots, made, strict=True))
        self.steps.append(oracle.Run(tuple((lot, kg * UG_PER_KG) for lot, kg in inputs), outputs))

    def silo(self, number: int, is_first_in_first_out: bool) -> None:
        """One charge or one draw of a vessel that keeps its heel from step to step."""
        named = oracle.Vessel(number, is_first_in_first_out, False)
        when = self.later()
        time = round(when * 3_600_000_000)
        charges: tuple[oracle.Flow, ...] = ()
        draws: tuple[oracle.Flow, ...] = ()
        if any(self.left_kg.values()) and self.choose(st.booleans()):
            lot, kg = self.portion()
            charge(self.plant, number, self.codes[lot], when, str(kg))
            charges = (oracle.Flow(lot, time, time, kg * UG_PER_KG),)
        else:
            kg = self.choose(st.integers(1, 400))  # often more than there is: the rest is from nowhere
            lot = self.keep(draw(self.plant, number, str(kg), when), kg)
            draws = (oracle.Flow(lot, time, time, kg * UG_PER_KG),)
        self.steps.append(oracle.Campaign(named, charges, draws))


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_the_database_agrees_with_the_independent_simulation(plant: Plant, data: st.DataObject) -> None:
    books = Books(plant, data)
    mixed = vessel(plant, f"MIXED-{next(NUMBERS)}")
    queued = vessel(plant, f"QUEUED-{next(NUMBERS)}", "first_in_first_out")
    books.arrive()
    for step in data.draw(st.lists(st.sampled_from(["arrive", "run", "mixed", "queued"]), min_size=4, max_size=12)):
        match step:
            case "arrive":
                books.arrive()
            case "run" if any(books.left_kg.values()):
                books.run()
            case "mixed":
                books.silo(mixed, False)
            case "queued":
                books.silo(queued, True)
    truth = oracle.Plant(books.steps)
    origins = {books.codes[step.lot]: step.lot for step in books.steps if isinstance(step, oracle.Arrival)}
    for lot, code in books.codes.items():
        told = plant.get(f"/v1/lots/{code}/trace")
        shown = {origins[row["bale"]]: Fraction(row["share"]) for row in told["shares"]}
        unit = Fraction(1, 10**12)
        for origin in origins.values():
            assert abs(shown.get(origin, Fraction(0)) - truth.share(lot, origin)) <= unit
        assert abs(Fraction(told["remainder"]) - truth.from_nowhere(lot)) <= unit
        assert sum(shown.values()) + Fraction(told["remainder"]) == 1
        assert {origins[bale] for bale in told["may_contain"]} == truth.may_contain(lot)
        stored = stored_answer(plant, code)
        if stored is not None:
            allowed = stored.cut + 2 * unit
            for origin in origins.values():
                named = {origins[bale]: share for bale, share in stored.shares.items()}
                assert abs(named.get(origin, Fraction(0)) - truth.share(lot, origin)) <= allowed
            assert abs(stored.remainder - truth.from_nowhere(lot)) <= allowed
            assert sum(stored.shares.values()) + stored.remainder == 1
            assert {origins[bale] for bale in stored.may_contain} == truth.may_contain(lot)
            assert stored.unattributed == set(told["unattributed_lots"])


def stored_answer(plant: Plant, code: str) -> Told | None:
    with plant.database.read() as session:
        return told_in_advance(session, code)
