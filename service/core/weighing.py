"""How far a weighing may be wrong: error limits by accuracy class, and the doubt of a net mass.

The limits are those of non-automatic weighing instruments (OIML R 76-1), as functions of the
verification scale interval e and the load. Weighing in motion is not covered.

Deliberately not here: the span error of an instrument, which every reading of it shares and which
therefore does not average out over loads. It is stored per instrument as ppm of the net and combined
where several weighings of one instrument are added; a single net states only the part of its two
readings. Scale intervals below one gram cannot be expressed.
"""

from dataclasses import dataclass
from decimal import Decimal, localcontext
from enum import StrEnum
from fractions import Fraction
from typing import assert_never

from service.core.quantities import kg_text

_DIGITS = 28


class AccuracyClass(StrEnum):
    """Accuracy class marked on the instrument; weighbridges and platforms in this trade are III."""

    I = "I"  # noqa: E741 (the name is the mark on the instrument)
    II = "II"
    III = "III"
    IIII = "IIII"


class OutsideClass(ValueError):
    """The load lies where the instrument's class promises no error limit."""


def maximum_permissible_error_g(
    accuracy_class: AccuracyClass, e_g: int, load_g: int, max_g: int | None = None
) -> Fraction:
    """Error limit at verification, plus or minus, for a load on a non-automatic weighing instrument.

    ============  ===========  ==========  =========  ========
    limit         I            II          III        IIII
    ============  ===========  ==========  =========  ========
    0.5 e up to   50 000 e     5 000 e     500 e      50 e
    1.0 e up to   200 000 e    20 000 e    2 000 e    200 e
    1.5 e up to   (no bound)   100 000 e   10 000 e   1 000 e
    ============  ===========  ==========  =========  ========

    Upper bounds belong to the smaller limit.

    Parameters
    ----------
    accuracy_class : AccuracyClass
    e_g : int, grams, > 0
        Verification scale interval.
    load_g : int, grams, >= 0
    max_g : int, grams, optional
        Maximum capacity; give it and a load above it is refused.

    Returns
    -------
    Fraction
        Grams, exact (half an interval of an odd e is no whole gram).

    Raises
    ------
    OutsideClass
        If the load is negative, above the class's last bound or above Max, or e is not positive.

    Notes
    -----
    Source : OIML R 76-1, table of maximum permissible errors on initial verification, read in
    UK SI 1995/1907, Schedule 2, paragraph 4, table 3. That print gives 20 000 e for the first band of
    class II, where its second band begins at 5 000 e: a misprint, 5 000 e is used.

    Examples
    --------
    >>> maximum_permissible_error_g(AccuracyClass.III, 20_000, 39_860_000)
    Fraction(20000, 1)
    """
    if e_g <= 0:
        raise OutsideClass(f"the verification scale interval has to be positive, got {e_g} g")
    if load_g < 0:
        raise OutsideClass(f"no error limit holds for a negative load, got {kg_text(load_g)} kg")
    if max_g is not None and load_g > max_g:
        raise OutsideClass(f"{kg_text(load_g)} kg is above the instrument's Max of {kg_text(max_g)} kg")
    for half_intervals, bound_e in _bands(accuracy_class):
        if bound_e is None or load_g <= bound_e * e_g:
            return Fraction(half_intervals * e_g, 2)
    raise OutsideClass(
        f"{kg_text(load_g)} kg is above the last bound of class {accuracy_class} "
        f"for an interval of {kg_text(e_g)} kg: check class and interval of the instrument"
    )


def in_service_error_g(accuracy_class: AccuracyClass, e_g: int, load_g: int, max_g: int | None = None) -> Fraction:
    """Error limit of an instrument in use: twice the limit at verification, in grams.

    Raises
    ------
    OutsideClass
        As ``maximum_permissible_error_g``.

    Notes
    -----
    Source : UK SI 1995/1907, Schedule 2 (errors in service are double those at verification).
    """
    return 2 * maximum_permissible_error_g(accuracy_class, e_g, load_g, max_g)


def over_range(load_g: int, max_g: int, e_g: int) -> bool:
    """Whether an indication should not exist: above Max + 9 e the instrument has to show none.

    Such a value was typed, or read from an instrument set up with the wrong capacity.

    Notes
    -----
    Source : OIML R 76-1, limits of indication (from memory; check the clause before citing).
    """
    return load_g > max_g + 9 * e_g


def standard_uncertainty_reading_g(
    accuracy_class: AccuracyClass, e_g: int, load_g: int, max_g: int | None = None
) -> Decimal:
    """Standard uncertainty of one reading, taking the in-service limit as a rectangular half-width.

    u = limit / sqrt(3), in grams. Rectangular because only the limit is known, not what lies inside it.

    Raises
    ------
    OutsideClass
        As ``maximum_permissible_error_g``.

    Notes
    -----
    Source : JCGM 100:2008 (GUM), 4.3.7 (rectangular distribution; clause from memory).
    """
    return _square_root(in_service_error_g(accuracy_class, e_g, load_g, max_g) ** 2 / 3)


@dataclass(frozen=True, slots=True)
class Reading:
    """One indication of one instrument, with what is needed to say how far it may be wrong."""

    indication_g: int
    accuracy_class: AccuracyClass
    e_g: int
    max_g: int | None = None

    @property
    def in_service_error_g(self) -> Fraction:
        """In-service limit at this indication, plus or minus, grams; may raise ``OutsideClass``."""
        return in_service_error_g(self.accuracy_class, self.e_g, self.indication_g, self.max_g)


@dataclass(frozen=True, slots=True)
class NetWeighing:
    """Gross and tare readings of one load, taken on the same or on two instruments."""

    gross: Reading
    tare: Reading

    @property
    def net_g(self) -> int:
        """Gross less tare, grams; its sign is not judged here."""
        return self.gross.indication_g - self.tare.indication_g

    def expanded_uncertainty_g(self, coverage_factor: int | Decimal = 2) -> Decimal:
        """Expanded uncertainty U = k x sqrt(u_gross^2 + u_tare^2), grams; ``coverage_factor`` k > 0.

        The two readings count as independent (fill level, zero, draught, place on the bridge). What they
        share, the span error, largely stays in the difference and is not part of this number.

        Raises
        ------
        OutsideClass
            If a reading lies outside its instrument's class or above its Max.
        """
        variance_g2 = (self.gross.in_service_error_g**2 + self.tare.in_service_error_g**2) / 3
        factor = Fraction(coverage_factor)
        return _square_root(variance_g2 * factor**2)


def net_expanded_uncertainty_g(
    gross_g: int,
    tare_g: int,
    accuracy_class: AccuracyClass,
    e_g: int,
    coverage_factor: int | Decimal = 2,
) -> Decimal:
    """Expanded uncertainty of a net mass when gross and tare come from instruments of one kind, grams.

    Raises
    ------
    OutsideClass
        If a reading lies outside the class.

    Examples
    --------
    >>> round(net_expanded_uncertainty_g(39_860_000, 15_420_000, AccuracyClass.III, 20_000) / 1000, 1)
    Decimal('65.3')
    """
    net = NetWeighing(Reading(gross_g, accuracy_class, e_g), Reading(tare_g, accuracy_class, e_g))
    return net.expanded_uncertainty_g(coverage_factor)


def _bands(accuracy_class: AccuracyClass) -> tuple[tuple[int, int | None], ...]:
    """Half intervals allowed, and up to how many intervals of load; None = no upper bound."""
    match accuracy_class:
        case AccuracyClass.I:
            return (1, 50_000), (2, 200_000), (3, None)
        case AccuracyClass.II:
            return (1, 5_000), (2, 20_000), (3, 100_000)
        case AccuracyClass.III:
            return (1, 500), (2, 2_000), (3, 10_000)
        case AccuracyClass.IIII:
            return (1, 50), (2, 200), (3, 1_000)
        case _:
            assert_never(accuracy_class)


def _square_root(square: Fraction) -> Decimal:
    """Square root to 28 digits, whatever decimal context the caller runs in."""
    with localcontext() as context:
        context.prec = _DIGITS
        return (Decimal(square.numerator) / Decimal(square.denominator)).sqrt()
