"""A vessel as a queue of parcels, to check flow and times against: exact fractions, without `service`.

Goal: know what leaves when, by moving matter and never by cumulative positions or formulas. Two vessels:
`Queue` lets parcels out strictly in order, `Jostling` lets any parcel overtake others as long as it is no
further from its turn than the spread allows. Rates change and stop wherever a flow begins or ends.

Amounts are micrograms, times microseconds.
"""

from collections import defaultdict, deque
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from random import Random


@dataclass(frozen=True)
class Flow:
    """Into or out of a vessel during [start, end), or at the instant start == end."""

    key: int
    start: int
    end: int
    amount: int

    def within(self, start: int, end: int) -> Fraction:
        """Amount in an instant (t, t), or in a slice of time in which no flow begins or ends."""
        if self.start == self.end or start == end:
            return Fraction(self.amount if (self.start, self.end) == (start, end) else 0)
        if self.start <= start and end <= self.end:
            return Fraction(self.amount * (end - start), self.end - self.start)
        return Fraction(0)


def windows_of(flows: list[Flow], more: tuple[int, ...] = ()) -> list[tuple[int, int]]:
    """Instants and the slices between them, in order of time."""
    cuts = sorted({time for flow in flows for time in (flow.start, flow.end)} | set(more))
    windows = [(cuts[0], cuts[0])] if cuts else []
    for before, after in pairwise(cuts):
        windows += [(before, after), (after, after)]
    return windows


@dataclass
class Parcel:
    """Matter that entered together, evenly from one time to another: the first of it leaves first."""

    amounts: dict[int, Fraction]
    entered_from: Fraction
    entered_to: Fraction

    @property
    def mass(self) -> Fraction:
        return sum(self.amounts.values(), Fraction(0))

    def cut(self, mass: Fraction) -> tuple["Parcel", "Parcel"]:
        part = mass / self.mass
        middle = self.entered_from + part * (self.entered_to - self.entered_from)
        front = {key: amount * part for key, amount in self.amounts.items()}
        back = {key: amount * (1 - part) for key, amount in self.amounts.items()}
        return Parcel(front, self.entered_from, middle), Parcel(back, middle, self.entered_to)


@dataclass(frozen=True)
class Leaving:
    """What left in one window, by draw, and what was wanted and not there."""

    start: int
    end: int
    parcels: list[Parcel]
    parts: dict[int, Fraction]
    missing: Fraction


class Queue:
    """First in, first out.

    Parameters
    ----------
    more_cuts : times at which somebody will ask
    """

    def __init__(self, charges: list[Flow], draws: list[Flow], more_cuts: tuple[int, ...] = ()) -> None:
        self.standing: deque[Parcel] = deque()
        self.left: list[Leaving] = []
        self.standing_at: dict[int, Fraction] = {}
        for start, end in windows_of(charges + draws, more_cuts):
            if start == end:
                self.standing_at[start] = self.mass
            entering = {charge.key: charge.within(start, end) for charge in charges if charge.within(start, end)}
            if entering:
                self.standing.append(Parcel(entering, Fraction(start), Fraction(end)))
            wanted = {draw.key: draw.within(start, end) for draw in draws if draw.within(start, end)}
            total = sum(wanted.values(), Fraction(0))
            if total:
                parcels, missing = self._take(total)
                parts = {key: amount / total for key, amount in wanted.items()}
                self.left.append(Leaving(start, end, parcels, parts, missing))

    @property
    def mass(self) -> Fraction:
        return sum((parcel.mass for parcel in self.standing), Fraction(0))

    def _take(self, wanted: Fraction) -> tuple[list[Parcel], Fraction]:
        taken = []
        while wanted and self.standing:
            front = self.standing.popleft()
            if front.mass > wanted:
                front, back = front.cut(wanted)
                self.standing.appendleft(back)
            wanted -= front.mass
            taken.append(front)
        return taken, wanted

    def in_draw(self, key: int) -> tuple[dict[int, Fraction], Fraction]:
        """Amounts by charge in a draw, and what came from nowhere."""
        amounts: dict[int, Fraction] = defaultdict(Fraction)
        missing = Fraction(0)
        for leaving in self.left:
            part = leaving.parts.get(key, Fraction(0))
            missing += leaving.missing * part
            for parcel in leaving.parcels:
                for charge, amount in parcel.amounts.items():
                    if amount * part:
                        amounts[charge] += amount * part
        return dict(amounts), missing

    def is_overdrawn_by(self, time: int) -> bool:
        return any(leaving.missing for leaving in self.left if leaving.start < time)

    def entered(self, out_from: int, out_to: int) -> tuple[Fraction, Fraction] | None:
        """When the first and the last of what left in an interval had entered."""
        parcels = [parcel for leaving in self.left if out_from <= leaving.start < out_to for parcel in leaving.parcels]
        if not parcels:
            return None
        return min(parcel.entered_from for parcel in parcels), max(parcel.entered_to for parcel in parcels)

    def out_by(self, time: int) -> Fraction | None:
        """When the last of what stood in the vessel before a time has left; an instant is a microsecond long."""
        inside = self.standing_at[time]
        for leaving in self.left:
            if leaving.start < time:
                continue
            mass = sum((parcel.mass for parcel in leaving.parcels), Fraction(0))
            if mass >= inside:
                if leaving.start == leaving.end:
                    return Fraction(leaving.start + 1)
                return leaving.start + inside / mass * (leaving.end - leaving.start)
            inside -= mass
        return None


class Jostling:
    """Small parcels, of which any may leave that is no further from its turn than the spread times the content.

    Its turn is when as much has left as had entered before it. The vessel runs until no parcel fits: from there
    on nothing is claimed.

    Parameters
    ----------
    quantum : mass of a parcel; every flow is a whole number of them in each tick
    spread : part of the content
    """

    def __init__(
        self, charges: list[Flow], draws: list[Flow], quantum: int, tick: int, spread: Fraction, chance: Random
    ) -> None:
        self.in_draw: dict[int, set[int]] = defaultdict(set)
        inside: list[tuple[Fraction, int]] = []
        entered = left = Fraction(0)
        ticks = tuple(range(0, max(flow.end for flow in charges + draws) + 1, tick))
        for start, end in windows_of(charges + draws, ticks):
            entering = sum((charge.within(start, end) for charge in charges), Fraction(0))
            leaving = sum((draw.within(start, end) for draw in draws), Fraction(0))
            # An instant's charges are all in before the first draw; in a slice both go on evenly.
            first_out = Fraction(1) if start == end else Fraction(0)
            moments = [(part, False, key) for part, key in self._middles(charges, start, end, quantum)]
            moments += [(first_out + part, True, key) for part, key in self._middles(draws, start, end, quantum)]
            for when, is_out, key in sorted(moments):
                if not is_out:
                    inside.append((entered + when * entering, key))
                    continue
                turn = left + (when - first_out) * leaving
                content = entered + min(when, Fraction(1)) * entering - turn
                fitting = [parcel for parcel in inside if abs(parcel[0] - turn) <= spread * content]
                if not fitting:
                    return
                chosen = min(fitting) if chance.random() < 0.4 else chance.choice(fitting)
                inside.remove(chosen)
                self.in_draw[key].add(chosen[1])
            entered += entering
            left += leaving

    @staticmethod
    def _middles(flows: list[Flow], start: int, end: int, quantum: int) -> list[tuple[Fraction, int]]:
        """When the middle of each parcel passes, as a part of the window."""
        middles = []
        for flow in flows:
            count = int(flow.within(start, end) / quantum)
            middles += [(Fraction(2 * place + 1, 2 * count), flow.key) for place in range(count)]
        return middles
