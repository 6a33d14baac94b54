"""The sums of a recall: where the affected mass stands, how much of it is expected to be the bad one, what was found.

Here: whole numbers only. Not here: which lots are affected (`lineage`), what their accounts say.

Invariants: what a lot held is what is on site, on a truck, shipped, sent back and used up, to the gram; what was used
up went into other lots of the same list, so it is never added to them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from service.core.quantities import SHARE_ONE, divide_half_up, percent_cut_down


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the mass of one affected lot, or of a vessel's content, stands now, in grams.

    Parameters
    ----------
    on_site_g : in the plant, by the book.
    loading_g : fed into a shipment that has not ended: on a truck that is still here.
    shipped_g : gone out with a shipment.
    returned_g : sent back to its supplier.
    share_e12 : expected share of the bad material, per 10**12.
    """

    on_site_g: int
    loading_g: int = 0
    shipped_g: int = 0
    returned_g: int = 0
    share_e12: int = 0

    @property
    def still_here_g(self) -> int:
        """What a search in the plant can find: also what is on a truck that has not left."""
        return self.on_site_g + self.loading_g

    @property
    def whole_g(self) -> int:
        """All of it that has not become something else."""
        return self.still_here_g + self.shipped_g + self.returned_g


def expected_g(mass_g: int, share_e12: int) -> int:
    """Mass expected to be the bad material, in grams, half up.

    Examples
    --------
    >>> expected_g(11_000_000, 17_475_728_155)
    192233
    """
    return divide_half_up(mass_g * share_e12, SHARE_ONE)


@dataclass(frozen=True, slots=True)
class Tally:
    """Sums over everything affected, in grams; each kilogram counts once, where it stands.

    Parameters
    ----------
    complete_g : whole lots and whole vessel contents: complete, for safety.
    expected_g : the same by their expected shares: small, for an idea of the size only.
    """

    complete_g: int
    expected_g: int
    on_site_g: int
    loading_g: int
    shipped_g: int
    returned_g: int


def tally(standings: Iterable[Standing]) -> Tally:
    """Add up where everything affected stands."""
    everything = list(standings)
    return Tally(
        complete_g=sum(one.whole_g for one in everything),
        expected_g=divide_half_up(sum(one.whole_g * one.share_e12 for one in everything), SHARE_ONE),
        on_site_g=sum(one.on_site_g for one in everything),
        loading_g=sum(one.loading_g for one in everything),
        shipped_g=sum(one.shipped_g for one in everything),
        returned_g=sum(one.returned_g for one in everything),
    )


@dataclass(frozen=True, slots=True)
class Search:
    """How far the search for what is wanted has come.

    Parameters
    ----------
    wanted_g, found_g : grams; more found of a thing than the book knows of counts only up to the book.
    percent : of the wanted mass, one decimal, cut down; None where nothing was wanted.
    missing_g : by thing, what is still to be found; nothing that was found in full.
    """

    wanted_g: int
    found_g: int
    percent: Decimal | None
    missing_g: Mapping[int, int]


def search(wanted_g: Mapping[int, int], found_g: Mapping[int, int]) -> Search:
    """Compare what is wanted with what was found, both by thing in grams.

    Examples
    --------
    >>> result = search({1: 600, 2: 400}, {1: 700, 3: 50})
    >>> result.found_g, result.percent, dict(result.missing_g)
    (600, Decimal('60.0'), {2: 400})
    """
    counted = {thing: min(found_g.get(thing, 0), mass_g) for thing, mass_g in wanted_g.items()}
    wanted, found = sum(wanted_g.values()), sum(counted.values())
    return Search(
        wanted_g=wanted,
        found_g=found,
        percent=percent_cut_down(found, wanted) if wanted else None,
        missing_g={thing: mass_g - counted[thing] for thing, mass_g in wanted_g.items() if mass_g > counted[thing]},
    )
