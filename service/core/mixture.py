"""What a lot or the content of a vessel is made of, by source: a small vector that can be stored and mixed again.

Here: mixing by mass with a stated cut-off. Not here: which sources there are, books of vessels, the database.

A *source* is a number: a group of origin lots that were fed together (positive), or a lot part of which came from
nothing on record (its number negative). Weights are integers per FINE.

Invariants: weights and cut sum to FINE exactly; what is recycled is carried beside the weights, so that a cut-off
never lowers a claim; mixing the same parts in the same order gives the same result on any machine.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

__all__ = ["FINE", "NOTHING_CUT", "Mixture", "fraction_of", "from_nowhere", "mix", "of_source", "withheld"]

# Fits the 64 bits that both engines store. A step rounds by less than one part in 10**18, so after ten thousand
# steps the 10**-12 in which shares are shown still stand.
FINE = 10**18
NOTHING_CUT = 0


@dataclass(frozen=True, slots=True)
class Mixture:
    """Composition by source; `weights` and `cut` sum to FINE.

    Parameters
    ----------
    weights : weight per FINE by source, each > 0
    cut : int per FINE, from sources too small to be named any more
    recycled : int per FINE, part that counts as post-consumer, the cut part included
    claims : as `weights`, less what was withheld on the way; None where nothing was
    recycled_claimable : int per FINE, as `recycled`, less what was withheld
    """

    weights: Mapping[int, int]
    cut: int
    recycled: int
    claims: Mapping[int, int] | None
    recycled_claimable: int

    @property
    def unattributed(self) -> int:
        """Part that came from nothing on record, per FINE; never part of `cut` unless it was too small to name."""
        return sum(weight for source, weight in self.weights.items() if source < 0)


def of_source(source: int, recycled: int) -> Mixture:
    """All of one source.

    Parameters
    ----------
    recycled : int per FINE, part of it that counts as post-consumer
    """
    return Mixture({source: FINE}, 0, recycled, None, recycled)


def from_nowhere(lot: int) -> Mixture:
    """Mass of a lot that nothing on record explains."""
    return Mixture({-lot: FINE}, 0, 0, None, 0)


def mix(parts: Sequence[tuple[Mixture, int]], cut_off: int = NOTHING_CUT) -> Mixture:
    """Mix parts by mass.

    Parameters
    ----------
    parts : (mixture, mass) in any unit, masses >= 0 with a positive sum
    cut_off : int per FINE; a source whose merged weight is below it is not named any further

    Raises
    ------
    ValueError
        If there is no mass at all, or a mass is negative.

    Examples
    --------
    >>> mixed = mix([(of_source(1, FINE), 3), (of_source(2, 0), 1)])
    >>> mixed.weights[1] * 4 // FINE, mixed.recycled * 4 // FINE
    (3, 3)
    """
    real = [(mixture, mass) for mixture, mass in parts if mass]
    if not real or any(mass < 0 for _, mass in real):
        raise ValueError(f"cannot mix masses {[mass for _, mass in parts]}: give some above zero and none below it")
    if len(real) == 1:
        return real[0][0] if cut_off == NOTHING_CUT else _cut(real[0][0], cut_off)
    total = sum(mass for _, mass in real)
    weights, cut = _weights(real, total, cut_off)
    claims = None
    if any(mixture.claims is not None for mixture, _ in real):
        claims = _claims(real, total, weights)
    return Mixture(
        weights,
        cut,
        sum(mixture.recycled * mass for mixture, mass in real) // total,
        claims,
        sum(mixture.recycled_claimable * mass for mixture, mass in real) // total,
    )


def _weights(parts: Sequence[tuple[Mixture, int]], total: int, cut_off: int) -> tuple[dict[int, int], int]:
    merged: dict[int, int] = {}
    cut = 0
    for mixture, mass in parts:
        cut += mixture.cut * mass
        for source, weight in mixture.weights.items():
            merged[source] = merged.get(source, 0) + weight * mass
    least = max(cut_off, 1) * total
    kept = {source: weight // total for source, weight in merged.items() if weight >= least}
    if len(kept) < len(merged):
        cut += sum(weight for weight in merged.values() if weight < least)
    cut //= total
    # Each floor lost less than one unit; the largest source takes them, so that the sum is exact.
    lost = FINE - cut - sum(kept.values())
    if not kept:
        return kept, cut + lost
    kept[max(kept, key=lambda source: (kept[source], -source))] += lost
    return kept, cut


def _claims(parts: Sequence[tuple[Mixture, int]], total: int, weights: Mapping[int, int]) -> dict[int, int]:
    merged = dict.fromkeys(weights, 0)
    for mixture, mass in parts:
        for source, weight in (mixture.weights if mixture.claims is None else mixture.claims).items():
            if source in merged:
                merged[source] += weight * mass
    return {source: min(claim // total, weights[source]) for source, claim in merged.items()}


def _cut(mixture: Mixture, cut_off: int) -> Mixture:
    if all(weight >= cut_off for weight in mixture.weights.values()):
        return mixture
    weights = {source: weight for source, weight in mixture.weights.items() if weight >= cut_off}
    claims = mixture.claims
    if claims is not None:
        claims = {source: claims[source] for source in weights}
    return Mixture(weights, FINE - sum(weights.values()), mixture.recycled, claims, mixture.recycled_claimable)


def withheld(mixture: Mixture, kept: Fraction) -> Mixture:
    """The same composition, of which only a fraction stays claimable.

    Parameters
    ----------
    kept : fraction 0..1
    """
    if kept == 1:
        return mixture
    if not 0 <= kept < 1:
        raise ValueError(f"a fraction of {kept} cannot stay claimable, expected 0 to 1")
    before = mixture.weights if mixture.claims is None else mixture.claims
    claims = {source: claim * kept.numerator // kept.denominator for source, claim in before.items()}
    left = mixture.recycled_claimable * kept.numerator // kept.denominator
    return Mixture(mixture.weights, mixture.cut, mixture.recycled, claims, left)


def fraction_of(weight: int) -> Fraction:
    """A weight per FINE as a fraction in whole parts of 10**12, cut down.

    The lift keeps a true 90 % from standing as 89.99...9 after the roundings of many steps.
    """
    lifted = min(weight + 10**5, FINE) if weight else 0
    return Fraction(lifted * 10**12 // FINE, 10**12)
