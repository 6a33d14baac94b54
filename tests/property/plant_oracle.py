"""A second, slower plant to check the lineage against: forward in time, in fractions, without `service`.

Goal: know for every lot what it is made of, by a method that shares nothing with the product. The product
walks backward over weights; here matter is moved forward, step by step: each lot and each vessel carries a
list of amounts by origin, mixing adds lists, drawing takes the same fraction of every entry, and the set of
lots ever present travels along with the matter. All of it is exact but for one number: the part of the heel
that stays in a stirred vessel while mass comes and goes, which is taken to 60 digits.

A plant is a list of steps in order of time. Amounts are micrograms, times microseconds.
"""

from collections import deque
from dataclasses import dataclass, field
from decimal import Decimal, localcontext
from fractions import Fraction

Amounts = dict[tuple[str, int], Fraction]
NOWHERE = ("nowhere", 0)


@dataclass(frozen=True)
class Arrival:
    """A lot from outside: bale, loose load, virgin, additive, opening stock."""

    lot: int


@dataclass(frozen=True)
class Run:
    """Inputs mixed completely, outputs alike; an output lot that exists already is topped up."""

    inputs: tuple[tuple[int, int], ...]
    outputs: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Flow:
    """A lot into or out of a vessel during [start, end), or at the instant start == end."""

    lot: int
    start: int
    end: int
    amount: int


@dataclass(frozen=True)
class Vessel:
    number: int
    is_first_in_first_out: bool
    is_proven: bool


@dataclass(frozen=True)
class Campaign:
    """Overlapping flows of one vessel, after everything booked before; drawn lots exist from its end on."""

    vessel: Vessel
    charges: tuple[Flow, ...]
    draws: tuple[Flow, ...]


@dataclass
class Matter:
    """Some mass: what it is made of (amounts by label and origin) and every lot that may be in it."""

    mass: Fraction
    amounts: Amounts
    ever: frozenset[int]


@dataclass
class State:
    """One vessel: layers from old to new (a mixing one has at most one) and what was ever charged."""

    layers: deque[Matter] = field(default_factory=deque)
    ever: frozenset[int] = frozenset()
    was_overdrawn: bool = False
    overdrawn: Fraction = Fraction(0)

    @property
    def mass(self) -> Fraction:
        return sum((layer.mass for layer in self.layers), Fraction(0))


class Plant:
    """Runs the steps; afterwards `lots` and `vessels` say what everything is made of.

    Parameters
    ----------
    steps : in order of time
    passed : fraction of a lot that stays claimable when it is made; lots not named keep all of it
    """

    def __init__(self, steps: list[Arrival | Run | Campaign], passed: dict[int, Fraction] | None = None) -> None:
        self.lots: dict[int, Matter] = {}
        self.origins: set[int] = set()
        self.vessels: dict[int, State] = {}
        self._passed = passed or {}
        self._unfinished: dict[int, Matter] = {}
        for step in steps:
            if isinstance(step, Arrival):
                self.origins.add(step.lot)
                whole = {("mass", step.lot): Fraction(1), ("claim", step.lot): Fraction(1)}
                self.lots[step.lot] = Matter(Fraction(1), whole, frozenset([step.lot]))
            elif isinstance(step, Run):
                self._run(step)
            else:
                self._campaign(step)

    def share(self, lot: int, origin: int) -> Fraction:
        return self.lots[lot].amounts.get(("mass", origin), Fraction(0))

    def claim(self, lot: int, origin: int) -> Fraction:
        return self.lots[lot].amounts.get(("claim", origin), Fraction(0))

    def from_nowhere(self, lot: int) -> Fraction:
        return self.lots[lot].amounts.get(NOWHERE, Fraction(0))

    def may_contain(self, lot: int) -> frozenset[int]:
        return frozenset(self.lots[lot].ever & self.origins)

    def _run(self, run: Run) -> None:
        pot = together([self._portion(lot, Fraction(amount)) for lot, amount in run.inputs])
        for lot, amount in run.outputs:
            self._make(lot, fraction_of(pot, Fraction(amount) / pot.mass))

    def _campaign(self, campaign: Campaign) -> None:
        state = self.vessels.setdefault(campaign.vessel.number, State())
        flows = campaign.charges + campaign.draws
        cuts = sorted({flow.start for flow in flows} | {flow.end for flow in flows})
        drawn: dict[int, list[Matter]] = {}
        for at, until in zip(cuts, [*cuts[1:], None], strict=True):
            windows = [(at, at)] if until is None else [(at, at), (at, until)]
            for window in windows:
                charged = [
                    self._portion(flow.lot, amount_in(flow, window))
                    for flow in campaign.charges
                    if runs_in(flow, window)
                ]
                leaving = [flow for flow in campaign.draws if runs_in(flow, window)]
                wanted = sum((amount_in(flow, window) for flow in leaving), Fraction(0))
                is_stirred_slice = window[0] < window[1] and not campaign.vessel.is_first_in_first_out
                if is_stirred_slice and charged and 0 < wanted < state.mass + together(charged).mass and state.mass:
                    taken = flow_through(state, together(charged), wanted)
                else:
                    if charged:
                        fill(state, together(charged), campaign.vessel.is_first_in_first_out)
                    taken = take(state, wanted)
                for flow in leaving:
                    narrow = campaign.vessel.is_first_in_first_out and campaign.vessel.is_proven
                    part = fraction_of(taken, amount_in(flow, window) / taken.mass)
                    if not narrow:
                        part = Matter(part.mass, part.amounts, state.ever)
                    drawn.setdefault(flow.lot, []).append(part)
                    if state.was_overdrawn:
                        drawn[flow.lot].append(Matter(Fraction(0), {}, state.ever))
        for lot, parts in drawn.items():
            self._make(lot, together(parts))

    def _portion(self, lot: int, amount: Fraction) -> Matter:
        made = self.lots[lot]
        return Matter(amount, {label: share * amount for label, share in made.amounts.items()}, made.ever)

    def _make(self, lot: int, produced: Matter) -> None:
        before = self._unfinished.get(lot)
        total = together([before, produced]) if before else produced
        self._unfinished[lot] = total
        passed = self._passed.get(lot, Fraction(1))
        shares = {
            label: amount / total.mass * (passed if label[0] == "claim" else 1)
            for label, amount in total.amounts.items()
        }
        self.lots[lot] = Matter(Fraction(1), shares, total.ever | {lot})


def together(parts: list[Matter]) -> Matter:
    """Everything in one pot."""
    amounts: Amounts = {}
    for part in parts:
        for label, amount in part.amounts.items():
            amounts[label] = amounts.get(label, Fraction(0)) + amount
    ever = frozenset(lot for part in parts for lot in part.ever)
    return Matter(sum((part.mass for part in parts), Fraction(0)), amounts, ever)


def fraction_of(matter: Matter, fraction: Fraction) -> Matter:
    amounts = {label: amount * fraction for label, amount in matter.amounts.items()}
    return Matter(matter.mass * fraction, amounts, matter.ever)


def fill(state: State, matter: Matter, is_first_in_first_out: bool) -> None:
    state.ever |= matter.ever
    if is_first_in_first_out or not state.layers:
        state.layers.append(matter)
    else:
        state.layers[0] = together([state.layers[0], matter])


def flow_through(state: State, charged: Matter, wanted: Fraction) -> Matter:
    """Into and out of a stirred vessel at constant rates: the heel thins out, the rest is what came in."""
    heel = state.layers.popleft()
    state.ever |= charged.ever
    survived = surviving(heel.mass, charged.mass, wanted)
    old_out, old_left = fraction_of(heel, 1 - survived), fraction_of(heel, survived)
    new_out = (wanted - old_out.mass) / charged.mass
    state.layers.append(together([old_left, fraction_of(charged, 1 - new_out)]))
    return together([old_out, fraction_of(charged, new_out)])


def surviving(before: Fraction, charged: Fraction, wanted: Fraction) -> Fraction:
    """Fraction of the heel's mass still there: its loss is wanted * mass / content at every moment."""
    with localcontext(prec=60, Emin=-999_999, Emax=999_999):
        if charged == wanted:
            return Fraction((-ratio(wanted, before)).exp())
        return Fraction(ratio(before + charged - wanted, before) ** ratio(wanted, wanted - charged))


def ratio(numerator: Fraction, denominator: Fraction) -> Decimal:
    quotient = numerator / denominator
    return Decimal(quotient.numerator) / Decimal(quotient.denominator)


def take(state: State, wanted: Fraction) -> Matter:
    """The oldest layers first; what the vessel does not hold comes from nowhere."""
    parts, missing = [], wanted
    while missing and state.layers:
        oldest = state.layers.popleft()
        if oldest.mass > missing:
            parts.append(fraction_of(oldest, missing / oldest.mass))
            state.layers.appendleft(fraction_of(oldest, 1 - missing / oldest.mass))
            missing = Fraction(0)
        else:
            parts.append(oldest)
            missing -= oldest.mass
    if missing:
        state.was_overdrawn = True
        state.overdrawn += missing
        parts.append(Matter(missing, {NOWHERE: missing}, frozenset()))
    return together(parts)


def runs_in(flow: Flow, window: tuple[int, int]) -> bool:
    """Whether a flow is running in an instant (t, t) or in a slice that no flow begins or ends within."""
    if window[0] == window[1] or flow.start == flow.end:
        return (flow.start, flow.end) == window
    return flow.start <= window[0] and window[1] <= flow.end


def amount_in(flow: Flow, window: tuple[int, int]) -> Fraction:
    if flow.start == flow.end:
        return Fraction(flow.amount)
    return Fraction(flow.amount) * (window[1] - window[0]) / (flow.end - flow.start)
