"""Quantities with their doubt, kept by cause, so that what is shared is never averaged away.

A mass is exact; how far it may be from the truth is not one number but a sum over causes: the reading of a scale, the
span error all readings of that scale share, the moisture sample a whole delivery rests on, a pallet's listed tare. Two
quantities that rest on one cause are correlated. Here each quantity carries a signed part per cause, in micrograms;
sums and differences add parts of the same cause before anything is squared. Thirty trucks on one scale therefore keep
its span error whole, and a difference of two masses that rest on one moisture sample all but loses that doubt.

Kept here: propagation to first order, the expanded uncertainty, and what dominates it.
Not here: how large a cause is (``weighing`` for scales; dated settings and certificates of the plant for the rest).

Source : JCGM 100:2008 (GUM), 5.1.2 and 5.2.2 (combined standard uncertainty of correlated inputs), G.4.1
(Welch-Satterthwaite); clause numbers from memory.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from types import MappingProxyType

from service.core.quantities import PPM, dry_ug

# Two-sided coverage of a normal distribution at k = 2, the level weighing certificates state (EA-4/02).
COVERAGE = 0.9545
INFINITE = math.inf


class CauseKind(StrEnum):
    """What makes a quantity doubtful; a closed list, since the reader is told what dominates."""

    READING = "reading"  # one indication of one instrument
    SPAN = "span"  # what all indications of one instrument share, in proportion
    MOISTURE = "moisture"  # one moisture value, whatever rests on it
    TARE = "tare"  # one listed tare, whatever is packed in it
    ALLOCATION = "allocation"  # a bale's part of its truck, estimated and not weighed
    LEVEL = "level"  # one level reading of a vessel
    DENSITY = "density"  # the bulk density levels are multiplied by
    ESTIMATE = "estimate"  # a loss stated as a fraction, not weighed
    UNSTATED = "unstated"  # nothing is known of how it was measured: the plant's worst default


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of doubt, named so that every quantity that rests on it names the same.

    Parameters
    ----------
    name : what it is, unique within its kind: an identity with its version, or a text.
    degrees_of_freedom : of the standard uncertainty's own estimate; infinite for limits and certificates.
    """

    kind: CauseKind
    name: str
    degrees_of_freedom: float = INFINITE


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one kind of cause adds to a variance. `share` is of the whole variance, 0 to 1; they sum to 1."""

    kind: CauseKind
    u_ug: float
    share: float


@dataclass(frozen=True, slots=True)
class Measured:
    """A dry mass in micrograms, exact as booked, with the standard uncertainty each cause brings.

    Parameters
    ----------
    value_ug : micrograms dry.
    parts : micrograms by cause, with the sign in which the cause moves the value.

    Examples
    --------
    Ten masses of 1 kg weighed against one standard of 0.1 g do not average it away (after GUM 5.2.2, from memory):

    >>> standard = Cause(CauseKind.SPAN, "standard")
    >>> ten = total(Measured(10**9, {standard: 1e5}) for _ in range(10))
    >>> ten.value_ug, ten.u_ug
    (10000000000, 1000000.0)
    """

    value_ug: int
    parts: Mapping[Cause, float] = field(default_factory=lambda: MappingProxyType({}))

    def __add__(self, other: "Measured") -> "Measured":
        return total((self, other))

    def __sub__(self, other: "Measured") -> "Measured":
        return total((self, -other))

    def __neg__(self) -> "Measured":
        return Measured(-self.value_ug, {cause: -u_ug for cause, u_ug in self.parts.items()})

    @property
    def variance_ug2(self) -> float:
        return math.fsum(u_ug * u_ug for u_ug in self.parts.values())

    @property
    def u_ug(self) -> float:
        """Combined standard uncertainty, micrograms."""
        return math.sqrt(self.variance_ug2)

    @property
    def effective_degrees_of_freedom(self) -> float:
        """Welch-Satterthwaite over the causes; infinite if all are."""
        lost = math.fsum(u_ug**4 / cause.degrees_of_freedom for cause, u_ug in self.parts.items())
        return self.variance_ug2**2 / lost if lost else INFINITE

    @property
    def coverage_factor(self) -> float:
        """k for 95.45 %: 2 for infinitely many degrees of freedom, else of Student's distribution."""
        return coverage_factor(self.effective_degrees_of_freedom)

    @property
    def expanded_ug(self) -> float:
        """U95: the standard uncertainty times the coverage factor, micrograms."""
        return self.coverage_factor * self.u_ug

    def covariance_ug2(self, other: "Measured") -> float:
        """What two quantities share, micrograms squared."""
        fewer, more = sorted((self.parts, other.parts), key=len)
        return math.fsum(u_ug * more.get(cause, 0.0) for cause, u_ug in fewer.items())

    def contributions(self) -> tuple[Contribution, ...]:
        """What each kind of cause adds, the largest first; empty if nothing is in doubt."""
        whole = self.variance_ug2
        if not whole:
            return ()
        by_kind: dict[CauseKind, float] = defaultdict(float)
        for cause, u_ug in self.parts.items():
            by_kind[cause.kind] += u_ug * u_ug
        ranked = sorted(by_kind.items(), key=lambda item: (-item[1], item[0]))
        return tuple(Contribution(kind, math.sqrt(part), part / whole) for kind, part in ranked)


def total(quantities: Iterable[Measured]) -> Measured:
    """The sum, parts of one cause added before they are squared."""
    value_ug = 0
    parts: dict[Cause, float] = defaultdict(float)
    for quantity in quantities:
        value_ug += quantity.value_ug
        for cause, u_ug in quantity.parts.items():
            parts[cause] += u_ug
    return Measured(value_ug, dict(parts))


def dry(
    mass_g: int, mass_parts_g: Mapping[Cause, float], moisture_ppm: int, moisture: Mapping[Cause, float]
) -> Measured:
    """Dry mass of a wet mass, both in doubt: wet x (1 - moisture).

    Parameters
    ----------
    mass_g : grams wet; `mass_parts_g` standard uncertainties of it by cause, grams.
    moisture_ppm : of the wet mass; `moisture` standard uncertainties of it by cause, as fraction of the wet mass.

    Examples
    --------
    One bale moisture of 0.75 % absolute doubts 24 t more than its scale does:

    >>> scale, sample = Cause(CauseKind.READING, "ticket 7"), Cause(CauseKind.MOISTURE, "delivery 7")
    >>> load = dry(24_368_000, {scale: 32_660.0}, 52_000, {sample: 0.0075})
    >>> [(part.kind.value, round(part.u_ug / 1e9, 1)) for part in load.contributions()]
    [('moisture', 182.8), ('reading', 31.0)]
    """
    kept = (PPM - moisture_ppm) / PPM
    parts: dict[Cause, float] = defaultdict(float)
    for cause, u_g in mass_parts_g.items():
        parts[cause] += u_g * PPM * kept
    for cause, u_fraction in moisture.items():
        parts[cause] -= mass_g * PPM * u_fraction
    return Measured(dry_ug(mass_g, moisture_ppm), dict(parts))


def estimated(of: Measured, fraction_ppm: int, value_ug: int, relative: Mapping[Cause, float]) -> Measured:
    """A loss stated as a fraction of another quantity: it follows that quantity's doubt and adds its own.

    Parameters
    ----------
    value_ug : the loss as booked, micrograms (the fraction of `of`, as the balance rounds it).
    relative : standard uncertainties of the fraction by cause, relative to the fraction itself.
    """
    fraction = fraction_ppm / PPM
    parts = defaultdict(float, {cause: u_ug * fraction for cause, u_ug in of.parts.items()})
    for cause, u_relative in relative.items():
        parts[cause] += value_ug * u_relative
    return Measured(value_ug, dict(parts))


def part_of(quantity: Measured, share: Fraction, value_ug: int) -> Measured:
    """A part of a quantity cut off in a known proportion (a run split at midnight): doubt follows in proportion."""
    ratio = float(share)
    return Measured(value_ug, {cause: u_ug * ratio for cause, u_ug in quantity.parts.items()})


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known only to lie within limits (GUM 4.3.7, clause from memory)."""
    return half_width / math.sqrt(3)


def coverage_factor(degrees_of_freedom: float) -> float:
    """k of 95.45 % two-sided coverage; degrees of freedom are cut down to a whole number, as the GUM asks (G.6.4).

    Examples
    --------
    >>> coverage_factor(INFINITE), round(coverage_factor(10.7), 2)
    (2.0, 2.28)
    """
    if math.isinf(degrees_of_freedom):
        return 2.0
    # Loaded only where a certificate states degrees of freedom: most plants never do.
    from scipy.special import stdtrit

    return float(stdtrit(max(1, math.floor(degrees_of_freedom)), (1 + COVERAGE) / 2))
