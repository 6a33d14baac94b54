"""Masses, fractions, shares and percentages as exact integers, and their text forms.

Kept here: the only places where text becomes a number of the plant and where a number is rounded.
Not here: what a mass is for (``receipt``, ``mass_balance``) and its uncertainty (``weighing``).
Kept invariant: no binary float ever holds a mass, so a value read, stored and printed is the same value.

=================  ==========================================  ============================
quantity           held as                                     1 unit of text
=================  ==========================================  ============================
mass               signed integer grams                        1 kg = 1 000
fraction           integer parts per million (ppm)             1 = 1 000 000
dry mass           signed integer micrograms                   1 kg = 1 000 000 000
share of a lot     integer parts per 10**12                    1 = 1 000 000 000 000
=================  ==========================================  ============================
"""

import re
from collections.abc import Iterable
from decimal import Decimal

GRAMS_PER_KG = 1_000
GROUP_MARK = "\u202f"
PPM = 1_000_000
UG_PER_KG = 1_000_000_000
SHARE_ONE = 10**12

# A million tonnes: far above any plant's year, and its dry mass in micrograms (10**18) still fits a
# signed 64-bit column. Anything larger is a typing or unit error, not a mass.
MASS_LIMIT_G = 10**12

_KG_TEXT = re.compile(r"(?P<sign>[+-]?)(?P<whole>[0-9]+)(?:\.(?P<part>[0-9]{1,3}))?")
_FRACTION_TEXT = re.compile(r"(?P<whole>[0-9]+)(?:\.(?P<part>[0-9]{1,6}))?")
_LONGEST_TEXT = 40


class NotAMass(ValueError):
    """The value given is not a mass in kilograms with at most three decimals."""


class NotAFraction(ValueError):
    """The value given is not a fraction from 0 to 1 with at most six decimals."""


class NoDenominator(ValueError):
    """A percentage of nothing was asked for."""


def parse_kg(value: str | int | Decimal) -> int:
    """Mass in kilograms as people and machines write it, read exactly.

    A decimal comma, a unit, an exponent (``1e3``), spaces, more than three decimals and binary floats
    are refused rather than guessed: each has been the cause of a mass wrong by a factor of a thousand.

    Parameters
    ----------
    value : str, int or Decimal, kg
        With an optional sign; whether a negative mass makes sense is for the caller to say.

    Returns
    -------
    int
        Grams.

    Raises
    ------
    NotAMass
        If the value is anything else, or beyond a million tonnes.

    Examples
    --------
    >>> parse_kg("24368.5")
    24368500
    >>> parse_kg("24,368")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    service.core.quantities.NotAMass: expected kilograms as plain digits ... got '24,368'
    """
    match = _KG_TEXT.fullmatch(_plain_text(value))
    if match is None:
        raise NotAMass(
            "expected kilograms as plain digits with a decimal point and at most 3 decimals, "
            f"such as 24368.500, got {_shown(value)}"
        )
    magnitude_g = int(match["whole"]) * GRAMS_PER_KG + int((match["part"] or "").ljust(3, "0"))
    if magnitude_g > MASS_LIMIT_G:
        raise NotAMass(f"expected at most {MASS_LIMIT_G // GRAMS_PER_KG} kg, got {_shown(value)}: is it in kilograms?")
    return -magnitude_g if match["sign"] == "-" else magnitude_g


def grouped(figure: str) -> str:
    """A decimal figure with its digits before the point in groups of three, for a person to read.

    The mark is a narrow no-break space and no comma or point, since half of the readers take either for the
    decimal sign. Source: ISO 80000-1, figures in groups of three separated by a small space (from memory).

    Examples
    --------
    >>> [grouped(figure).replace("\u202f", "_") for figure in ("24440.5", "-1234567", "-0.25")]
    ['24_440.5', '-1_234_567', '-0.25']
    """
    sign = "-" if figure.startswith("-") else ""
    whole, point, decimals = figure.removeprefix("-").partition(".")
    return f"{sign}{int(whole):,}".replace(",", GROUP_MARK) + point + decimals


def kg_text(mass_g: int) -> str:
    """Mass in kilograms with exactly three decimals.

    Examples
    --------
    >>> kg_text(24368000)
    '24368.000'
    >>> kg_text(-5)
    '-0.005'
    """
    return _fixed_text(mass_g, 3)


def parse_fraction(value: str | int | Decimal) -> int:
    """Fraction from 0 to 1 (moisture, allowance, tolerance), read exactly.

    Returns
    -------
    int
        Parts per million.

    Raises
    ------
    NotAFraction
        If the value has more than six decimals, lies outside 0 to 1 (a percentage was typed), or is
        a float, an exponent, or no number at all.

    Examples
    --------
    >>> parse_fraction("0.052")
    52000
    """
    match = _FRACTION_TEXT.fullmatch(_plain_text(value))
    if match is not None:
        ppm = int(match["whole"]) * PPM + int((match["part"] or "").ljust(6, "0"))
        if ppm <= PPM:
            return ppm
    raise NotAFraction(
        f"expected a fraction from 0 to 1 with at most 6 decimals, such as 0.052 for 5.2 %, got {_shown(value)}"
    )


def require_fraction_ppm(ppm: int) -> int:
    """The same ppm, if it is a fraction from 0 to 1; otherwise ``NotAFraction``."""
    if not 0 <= ppm <= PPM:
        raise NotAFraction(f"expected a fraction from 0 to {PPM} ppm, got {ppm} ppm")
    return ppm


def fraction_text(ppm: int) -> str:
    """Fraction with exactly six decimals.

    Examples
    --------
    >>> fraction_text(52000)
    '0.052000'
    """
    return _fixed_text(ppm, 6)


def share_text(share_e12: int) -> str:
    """Share of a lot with exactly twelve decimals, so that printed shares still add up to 1.

    Examples
    --------
    >>> share_text(10**12 // 3)
    '0.333333333333'
    """
    # Every share but a whole one is below one.
    return f"0.{share_e12:012d}" if 0 <= share_e12 < SHARE_ONE else _fixed_text(share_e12, 12)


def share_texts(shares_e12: Iterable[int]) -> list[str]:
    """`share_text` of many shares: a trace prints thousands of them.

    Examples
    --------
    >>> share_texts([5, 10**12])
    ['0.000000000005', '1.000000000000']
    """
    return [f"0.{share:012d}" if 0 <= share < SHARE_ONE else share_text(share) for share in shares_e12]


def dry_ug(mass_g: int, moisture_ppm: int) -> int:
    """Dry mass: wet mass x (1 - moisture), with moisture as a fraction of the wet mass. Exact.

    Parameters
    ----------
    mass_g : int, grams wet
    moisture_ppm : int, ppm of the wet mass, 0 to 10**6

    Returns
    -------
    int
        Micrograms dry.

    Raises
    ------
    NotAFraction
        If the moisture lies outside 0 to 1.

    Examples
    --------
    >>> dry_kg_text(dry_ug(24_368_000, 52_000))
    '23100.864'
    """
    return mass_g * (PPM - require_fraction_ppm(moisture_ppm))


def dry_kg_text(dry_ug: int) -> str:
    """Dry mass in kilograms, rounded half up (away from zero) to three decimals for people to read."""
    return _fixed_text(divide_half_up(dry_ug, PPM), 3)


def dry_kg_exact(dry_ug: int) -> Decimal:
    """Dry mass in kilograms with all nine decimals, unrounded."""
    return Decimal(_fixed_text(dry_ug, 9))


def dry_kg_rounded(exact: str) -> str:
    """What `dry_kg_exact` said, as `dry_kg_text` says it to people.

    Examples
    --------
    >>> dry_kg_rounded("20.000500000"), dry_kg_rounded("-0.000499999")
    ('20.001', '0.000')
    """
    return dry_kg_text(int(Decimal(exact).scaleb(9)))


def divide_half_up(numerator: int, denominator: int) -> int:
    """Quotient rounded to the nearest integer, ties away from zero (the tradesman's rounding).

    Raises
    ------
    NoDenominator
        If the denominator is zero.

    Examples
    --------
    >>> divide_half_up(5, 2), divide_half_up(-5, 2), divide_half_up(7, 3)
    (3, -3, 2)
    """
    if denominator == 0:
        raise NoDenominator(f"{numerator} cannot be divided by 0")
    quotient, rest = divmod(abs(numerator), abs(denominator))
    if 2 * rest >= abs(denominator):
        quotient += 1
    return -quotient if (numerator < 0) != (denominator < 0) else quotient


def percent_cut_down(numerator: int, denominator: int, decimals: int = 1) -> Decimal:
    """Percentage for a claim: the surplus digits are cut off, toward zero, so it never states too much.

    Raises
    ------
    NoDenominator
        If the denominator is zero.

    Examples
    --------
    >>> percent_cut_down(2996, 10000)
    Decimal('29.9')
    """
    if denominator == 0:
        raise NoDenominator(f"{numerator} cannot be stated as a percentage of 0")
    steps = abs(numerator) * 100 * 10**decimals // abs(denominator)
    return Decimal(_fixed_text(-steps if (numerator < 0) != (denominator < 0) else steps, decimals))


def percent_half_up(numerator: int, denominator: int, decimals: int = 2) -> Decimal:
    """Percentage to read, not to claim: rounded half up (away from zero).

    Raises
    ------
    NoDenominator
        If the denominator is zero.

    Examples
    --------
    >>> percent_half_up(-40075, 940000)
    Decimal('-4.26')
    """
    if denominator == 0:
        raise NoDenominator(f"{numerator} cannot be stated as a percentage of 0")
    return Decimal(_fixed_text(divide_half_up(numerator * 100 * 10**decimals, denominator), decimals))


def _fixed_text(value: int, decimals: int) -> str:
    """Integer count of 10**-decimals as plain decimal text; never '-0', never an exponent."""
    sign = "-" if value < 0 else ""
    whole, part = divmod(abs(value), 10**decimals)
    return f"{sign}{whole}.{part:0{decimals}d}" if decimals else f"{sign}{whole}"


def _plain_text(value: object) -> str:
    """Text to match against a pattern; '' (which matches nothing) for what may not be read as a number."""
    if isinstance(value, int):
        # Python refuses to print integers of thousands of digits; no mass needs more than 40 characters.
        # True and False print as words, which no pattern matches.
        return str(value) if abs(value) < 10**_LONGEST_TEXT else ""
    if isinstance(value, str | Decimal):
        # str() of a Decimal shows its exponent (1E+3, 1E-7, NaN), so the pattern refuses it.
        text = str(value)
        return text if len(text) <= _LONGEST_TEXT else ""
    return ""


def _shown(value: object) -> str:
    """The value for an error message, cut to a length that fits one."""
    if isinstance(value, int) and abs(value) >= 10**_LONGEST_TEXT:
        return f"an integer of {value.bit_length()} bits"
    text = repr(value)
    return text if len(text) <= 2 * _LONGEST_TEXT else f"{text[: 2 * _LONGEST_TEXT]}..."
