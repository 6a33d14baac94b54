"""An account of claimable plastic: what is available at a moment, and when too much was ever claimed.

Here: running balances over effective time, their minimum, and breaches. Not here: claims and the containers they name
(``claim_ledger``); which mass is claimable at all (``recycled_content``, release).

A debit needs cover from its moment on for ever, not just then: a claim that takes today what yesterday's is due to take
tomorrow is none. What is posted back in time may break what stood; such a posting is taken (facts are facts) and its
breaches are listed, never swallowed.

Times are microseconds since 1970-01-01T00:00Z. All entries of one instant count together.

Invariant: masses are whole grams.

Source : at most one claim for each kilogram and a balance never below zero at any moment: common practice, no source
for mechanical recycling. Implementing Decision (EU) 2026/1425, text not read in full (second hand), asks the latter of
mass-balance accounting, by facility and in periods of at most three months; neither is kept here.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import accumulate

__all__ = [
    "Account",
    "Balances",
    "Breach",
    "Entry",
    "MixedAccounts",
    "NotAnEntry",
    "Side",
    "balances_of",
    "breaches_of",
]


class NotAnEntry(ValueError):
    """A posting of no mass, or of a negative one."""


class MixedAccounts(ValueError):
    """Entries of several accounts where one was asked about."""


class Side(StrEnum):
    """Claimable output released, or returned, is credited; what is claimed is debited."""

    CREDIT = "credit"
    DEBIT = "debit"


@dataclass(frozen=True, slots=True, order=True)
class Account:
    """What may be claimed together: grams never move from one account to another.

    Parameters
    ----------
    owner : who owns the plastic; of toll work the customer who does, and nobody else may claim it
    """

    site: int
    owner: int
    grade: str
    market: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One posting.

    Parameters
    ----------
    effective_us : when it is so, not when it was learned
    mass_g : > 0

    Raises
    ------
    NotAnEntry
        If the mass is not above zero.
    """

    account: Account
    side: Side
    effective_us: int
    mass_g: int

    def __post_init__(self) -> None:
        if self.mass_g <= 0:
            raise NotAnEntry(f"a {self.side} of {self.mass_g} g: give a mass above zero, and the side it is meant for")

    @property
    def signed_g(self) -> int:
        return self.mass_g if self.side is Side.CREDIT else -self.mass_g


@dataclass(frozen=True, slots=True)
class Breach:
    """A stretch of time in which more was claimed than there was.

    Parameters
    ----------
    from_us, to_us : half-open; `to_us` is None if it lasts
    short_g : grams missing at its worst, > 0
    """

    from_us: int
    to_us: int | None
    short_g: int


@dataclass(frozen=True, slots=True)
class Balances:
    """Running balance of one account; `moments` are the effective instants at which it changes, in order.

    Parameters
    ----------
    balances_g : after all entries of the moment; before the first it is 0
    lowest_g : for each moment the lowest balance from there on
    """

    moments: tuple[int, ...]
    balances_g: tuple[int, ...]
    lowest_g: tuple[int, ...]

    def at(self, time_us: int) -> int:
        """Balance at a moment, its own entries included, grams."""
        place = bisect_right(self.moments, time_us)
        return self.balances_g[place - 1] if place else 0

    def minimum(self) -> int:
        """Lowest balance over all moments, grams; the empty account of the beginning is one of them."""
        return min(self.lowest_g[0], 0) if self.lowest_g else 0

    def available_at(self, time_us: int) -> int:
        """Grams that can be debited at a moment without a breach then or later; 0 where there is one already."""
        place = bisect_right(self.moments, time_us)
        later = self.lowest_g[place] if place < len(self.moments) else self.at(time_us)
        return max(min(self.at(time_us), later), 0)

    def breaches(self) -> tuple[Breach, ...]:
        """All stretches in which the balance is below zero, in order."""
        found: list[Breach] = []
        start, short = None, 0
        for moment, balance in zip(self.moments, self.balances_g, strict=True):
            if balance < 0:
                start, short = (moment, -balance) if start is None else (start, max(short, -balance))
            elif start is not None:
                found.append(Breach(start, moment, short))
                start = None
        if start is not None:
            found.append(Breach(start, None, short))
        return tuple(found)


def balances_of(entries: Iterable[Entry]) -> Balances:
    """Running balance of an account out of its entries, in any order.

    Raises
    ------
    MixedAccounts
        If they are of more than one account: what one owner has covers no claim of another.

    Examples
    --------
    >>> mill = Account(1, 7, "clear pellets", "EU")
    >>> balances = balances_of([Entry(mill, Side.CREDIT, 10, 20_000), Entry(mill, Side.DEBIT, 30, 14_000)])
    >>> balances.at(20), balances.available_at(20), balances.available_at(5)
    (20000, 6000, 0)
    """
    listed = list(entries)
    accounts = {entry.account for entry in listed}
    if len(accounts) > 1:
        raise MixedAccounts(
            f"{len(accounts)} accounts at once: ask about one of {', '.join(map(str, sorted(accounts)))}"
        )
    changes: dict[int, int] = {}
    for entry in listed:
        changes[entry.effective_us] = changes.get(entry.effective_us, 0) + entry.signed_g
    moments = tuple(sorted(changes))
    running = tuple(accumulate(changes[moment] for moment in moments))
    lowest = tuple(accumulate(reversed(running), min))[::-1]
    return Balances(moments, running, lowest)


def breaches_of(before: Sequence[Entry], posted: Sequence[Entry]) -> tuple[Breach, ...]:
    """Breaches that postings bring, or make worse, among entries that stood; such as a lot's mass corrected down.

    Returns
    -------
    every stretch below zero that was not, or not so deep, without them

    Raises
    ------
    MixedAccounts
        As ``balances_of``.
    """
    stood, now = balances_of(before), balances_of([*before, *posted])
    found: list[Breach] = []
    for breach in now.breaches():
        first = bisect_left(now.moments, breach.from_us)
        last = len(now.moments) if breach.to_us is None else bisect_left(now.moments, breach.to_us)
        if any(now.balances_g[place] < min(stood.at(now.moments[place]), 0) for place in range(first, last)):
            found.append(breach)
    return tuple(found)
