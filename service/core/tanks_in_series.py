"""Equal stirred tanks in series: the expected share of each charge by the distribution of residence.

Here: the distribution in the domain of mass (see `vessel_book` for positions), so that stops and changing
rates need no case of their own. The mass charged between the entry and the exit of a particle is gamma
(Erlang) distributed, with the number of tanks as its shape and the content at the exit as its mean. That is
exact while the content is constant, and a statement about what is likely otherwise. Not here: one stirred
tank, which is solved exactly (`mixing`), and what may be in a draw, which is everything.

The distribution has no end, the book has a beginning: the vessel was proven empty. So its first filling, the
first mass as large as the present content, counts as mixed evenly over all tanks, and what the distribution
puts into that mass or before it goes to the charges of the first filling by mass.

Invariants: weights and cut sum to what was asked for exactly; what stands of a charge is never more than the
charge, but for a microgram of rounding.

Source : O. Levenspiel, Chemical Reaction Engineering, 3rd ed. (1999), the chapter on the tanks-in-series
model: E(t) and its cumulative form; H. S. Fogler, Elements of Chemical Reaction Engineering, the chapter on
residence time distributions. The formula from memory, checked against `scipy.stats.gamma` in the tests.
"""

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal, localcontext

from service.core.apportion import SCALE, apportion
from service.core.exponential import DIGITS, exp_of_minus
from service.core.vessel_book import Entry, divide_among_charges, passages_of

__all__ = ["tank_contents", "tank_sources"]

# In units of one tank's content: of up to 51 tanks, less than 10**-70 is older.
OLDEST = 300
HALF = Decimal("0.5")


class _Tanks:
    """The tanks while mass is charged from one position to another, their content standing still.

    Parameters
    ----------
    tanks : int, 1..50
    twice_content_ug : int, twice the content in micrograms, since the middle of two contents is asked for
    charged_from, charged_to : positions
    """

    def __init__(self, tanks: int, twice_content_ug: int, charged_from: int, charged_to: int) -> None:
        self._tanks = tanks
        self._content = Decimal(twice_content_ug) / 2
        self._charged_from, self._charged_to = charged_from, charged_to
        self._leaving_of_first_filling = 1 - self._leaving(self._content)
        self._standing_of_first_filling = 1 - self._standing(self._content)

    def leaving(self, position: int) -> Decimal:
        """Part of what leaves meanwhile that entered after a position, 0..1."""
        if position >= self._content:
            return self._leaving(Decimal(position))
        return 1 - self._leaving_of_first_filling * position / self._content

    def standing(self, position: int) -> Decimal:
        """Part of what stands in the end that entered after a position, 0..1."""
        if position >= self._content:
            return self._standing(Decimal(position))
        return 1 - self._standing_of_first_filling * position / self._content

    def _leaving(self, position: Decimal) -> Decimal:
        first, last = self._charged_from - position, self._charged_to - position
        if self._charged_from == self._charged_to:
            return 1 - self._survivals(last)[0]
        return (self._sum_of_left(last) - self._sum_of_left(first)) / (self._charged_to - self._charged_from)

    def _standing(self, position: Decimal) -> Decimal:
        newer = max(self._charged_to - position, Decimal(0))
        return (newer - self._sum_of_left(newer)) / self._content if self._content else Decimal(0)

    def _sum_of_left(self, age: Decimal) -> Decimal:
        """Integral of the cumulative distribution over the ages up to this one (mass charged since entry)."""
        if age <= 0:
            return Decimal(0)
        survival, survival_of_one_more = self._survivals(age)
        return age * (1 - survival) - self._content * (1 - survival_of_one_more)

    def _survivals(self, age: Decimal) -> tuple[Decimal, Decimal]:
        """Part older than an age, with this number of tanks of this size and with one more of them."""
        if age <= 0:
            return Decimal(1), Decimal(1)
        if self._content == 0 or self._tanks * age > OLDEST * self._content:
            return Decimal(0), Decimal(0)
        turns = self._tanks * age / self._content
        term, survival = exp_of_minus(turns), Decimal(0)
        for tank in range(1, self._tanks + 1):
            survival += term
            term = term * turns / tank
        return survival, survival + term


def tank_sources(
    book: Sequence[Entry], asked: Mapping[int, int], tanks: int, cut_off: int
) -> tuple[dict[int, int], int]:
    """Weights of the charges behind the weights asked of steps, and the weight not named.

    Where the content changes during a step, the step is passed in pieces, each with its middle content.

    Parameters
    ----------
    asked : weight by place in the book, of what the draws of the step found in the vessel
    tanks : 2..50
    cut_off : per SCALE of each step: once less than this is unnamed the walk into the past stops; 0 names all
    """
    named: dict[int, int] = {}
    cut = 0
    with localcontext(DIGITS):
        for place, weight in asked.items():
            passages = passages_of(book[place])
            parts = apportion(weight, [passage.taken_ug for passage in passages]) if passages else []
            for passage, part in zip(passages, parts, strict=True):
                both = passage.heel_ug + passage.content_ug
                through = _Tanks(tanks, both, passage.charged_from, passage.charged_to)
                cut += _name_backward(book, place, part, through.leaving, part * cut_off // SCALE, named)
    return named, cut


def tank_contents(book: Sequence[Entry], tanks: int) -> dict[int, int]:
    """Weights of the charges in what stands at the end of the book; they sum to SCALE."""
    named: dict[int, int] = {}
    last = book[-1]
    if last.content_ug:
        with localcontext(DIGITS):
            through = _Tanks(tanks, 2 * last.content_ug, last.charged_to, last.charged_to)
            _name_backward(book, len(book) - 1, SCALE, through.standing, 0, named)
    return named


def _name_backward(
    book: Sequence[Entry],
    place: int,
    weight: int,
    newer_than: Callable[[int], Decimal],
    cut_off: int,
    named: dict[int, int],
) -> int:
    """Divide a weight among the charges up to a step, from the newest on, and return what was not named."""
    left = weight
    while place >= 0 and left >= max(cut_off, 1):
        entry = book[place]
        if entry.charged_to > entry.charged_from:
            older = 0
            if entry.charged_from > 0:
                older = weight - int(newer_than(entry.charged_from) * weight + HALF)
            older = min(max(older, 0), left)
            divide_among_charges(left - older, entry, into=named)
            left = older
        place -= 1
    return left
