"""What a person types into a form, read strictly: masses, percentages, counts, local times.

Programs send plain digits with a decimal point (``quantities``). People write decimal commas, thousands
marks and units, each as in their country; whatever allows only one reading is accepted, and what allows
two is refused with both readings named, because a guess would be wrong by a factor of a thousand.
Lists of codes and tags are read in ``typed_lists``.
"""

import re
from datetime import datetime, timezone
from zoneinfo import ZoneInfo

from service.core.number_signs import LONGEST_TEXT, may_be_thousands, plain_signs, split_decimals
from service.core.quantities import GRAMS_PER_KG, MASS_LIMIT_G, kg_text

COUNT_MAX = 999_999
YEAR_MIN, YEAR_MAX = 1970, 2199

_KG_DECIMALS = 3
_PERCENT_DECIMALS = 4
_PPM_PER_PERCENT = 10_000  # one in the last of the four decimals

_KG_UNIT = re.compile(r" ?kg$", re.IGNORECASE)
_TONNES = re.compile(r"[0-9] ?(t|to|ton|tons|tonne|tonnes|mt)$", re.IGNORECASE)
_PERCENT = re.compile(r"(?P<whole>[0-9]{1,3})(?:[.,](?P<part>[0-9]{1,4}))? ?%?")
_LOCAL_TIME = re.compile(
    r"(?P<minute>[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2})(?P<second>:[0-9]{2}(?:\.[0-9]{1,6})?)?"
    r"(?: \((?P<which>first|second)\))?"
)


class Unreadable(ValueError):
    """What was typed cannot be read, or not in one way only; the message is for the person who typed it."""


class UnreadableMass(Unreadable):
    """The text is no mass in kilograms with at most three decimals."""


class AmbiguousMass(UnreadableMass):
    """The text may be one of two masses: a single mark with three digits behind it."""


class UnreadablePercentage(Unreadable):
    """The text is no percentage from 0 to 100 with at most four decimals."""


class UnreadableCount(Unreadable):
    """The text is no whole number in plain digits."""


class UnreadableTime(Unreadable):
    """The text is no date and time of day as a form sends it."""


class NoSuchLocalTime(UnreadableTime):
    """The clock of the place never showed this time: it was put forward over it."""


class AmbiguousLocalTime(UnreadableTime):
    """The clock of the place showed this time twice: it was put back.

    Parameters
    ----------
    first, second : the two moments, for a form that lets a person choose.
    """

    def __init__(self, message: str, first: datetime, second: datetime) -> None:
        super().__init__(message)
        self.first = first
        self.second = second


def parse_typed_kg(text: str) -> int:
    """Mass in kilograms as a person writes it.

    Accepted: digits of any one script; decimal comma or point; groups of three with spaces, apostrophes, or
    the comma or point that is not the decimal mark; 'kg' behind it. A fourth decimal may only be 0: it makes
    a mass like '518.468', which could be thousands, unmistakable ('518.4680').

    Returns
    -------
    int
        Grams, never negative.

    Raises
    ------
    AmbiguousMass
        If a single comma or point stands before exactly three digits and behind one to three: '24.440'.
    UnreadableMass
        If it is anything else; the message names the value and what to type.

    Examples
    --------
    >>> parse_typed_kg("18420,5"), parse_typed_kg("24.440,5 kg"), parse_typed_kg("24 440")
    (18420500, 24440500, 24440000)
    >>> parse_typed_kg("24.440")
    Traceback (most recent call last):
    ...
    service.core.typed.AmbiguousMass: '24.440' may be 24440 kg or 24.44 kg: type 24440 or 24.44
    """
    plain = plain_signs(text)
    if plain is None:
        raise UnreadableMass(_why_no_mass(text, plain))
    digits = _KG_UNIT.sub("", plain)
    whole, mark, part = split_decimals(digits)
    if not re.fullmatch("[0-9]+", whole) or not re.fullmatch("[0-9]{1,3}0?" if mark else "", part):
        raise UnreadableMass(_why_no_mass(text, plain))
    # A fourth decimal can only be 0; it shows that the mark is no thousands mark and adds nothing.
    part = part[:_KG_DECIMALS]
    mass_g = int(whole) * GRAMS_PER_KG + int(part.ljust(_KG_DECIMALS, "0"))
    if mass_g > MASS_LIMIT_G:
        raise UnreadableMass(
            f"expected at most {MASS_LIMIT_G // GRAMS_PER_KG} kg, got {text.strip()!r}: check it, and type kilograms"
        )
    if may_be_thousands(digits):
        as_thousands_g = GRAMS_PER_KG * int(whole + part)
        one, other = typed_kg_text(as_thousands_g), typed_kg_text(mass_g).replace(".", mark)
        raise AmbiguousMass(f"{text.strip()!r} may be {one} kg or {other} kg: type {one} or {other}")
    return mass_g


def typed_kg_text(mass_g: int) -> str:
    """A mass as text to stand in a form: the shortest that `parse_typed_kg` reads back as the same.

    Parameters
    ----------
    mass_g : int, grams, not negative

    Examples
    --------
    >>> typed_kg_text(24_440_000), typed_kg_text(518_500), typed_kg_text(518_468)
    ('24440', '518.5', '518.4680')
    """
    short = kg_text(mass_g).rstrip("0").removesuffix(".")
    return f"{short}0" if may_be_thousands(short) else short


def parse_typed_percent(text: str) -> int:
    """Percentage from 0 to 100 as a person writes it, with comma or point, with or without '%'.

    Returns
    -------
    int
        Parts per million.

    Raises
    ------
    UnreadablePercentage
        If it is anything else, has more than four decimals or is above 100.

    Examples
    --------
    >>> parse_typed_percent("5,2 %"), parse_typed_percent("100"), parse_typed_percent("0.0001")
    (52000, 1000000, 1)
    """
    match = _PERCENT.fullmatch(plain_signs(text) or "")
    if match is not None:
        ppm = int(match["whole"]) * _PPM_PER_PERCENT + int((match["part"] or "").ljust(_PERCENT_DECIMALS, "0"))
        if ppm <= 100 * _PPM_PER_PERCENT:
            return ppm
    raise UnreadablePercentage(
        f"expected a percentage from 0 to 100 with at most {_PERCENT_DECIMALS} decimals, got {_shown(text)}: "
        "type it such as 5.2 or 5,2"
    )


def parse_typed_count(text: str) -> int:
    """Number of things, 0 to `COUNT_MAX`, in plain digits of any one script.

    Raises
    ------
    UnreadableCount
        If it has marks, a sign, decimals or words, or is larger.

    Examples
    --------
    >>> parse_typed_count(" 48 ")
    48
    """
    plain = plain_signs(text) or ""
    if re.fullmatch("[0-9]+", plain) and int(plain) <= COUNT_MAX:
        return int(plain)
    raise UnreadableCount(
        f"expected a whole number from 0 to {COUNT_MAX}, got {_shown(text)}: type it in plain digits such as 48"
    )


def parse_local_time(text: str, zone: ZoneInfo) -> datetime:
    """Moment of a local date and time as a form sends it: '2026-03-09T08:00', with seconds or without.

    Parameters
    ----------
    text : str
        Where the clock showed this time twice, ' (first)' or ' (second)' behind it says which is meant;
        with any other time the hint changes nothing.
    zone : ZoneInfo
        Zone of the place.

    Returns
    -------
    datetime
        With the offset of that moment fixed in it: two times of one zone that share the zone compare by
        their clocks, which is wrong in the night when the clock is put back.

    Raises
    ------
    NoSuchLocalTime
        If the clock was put forward over it; the message names the next time there is.
    AmbiguousLocalTime
        If there were two such times and no hint.
    UnreadableTime
        If it is no date and time from 1970 to 2199.

    Examples
    --------
    >>> parse_local_time("2026-03-09T08:00", ZoneInfo("Europe/Berlin")).isoformat()
    '2026-03-09T08:00:00+01:00'
    """
    match = _LOCAL_TIME.fullmatch(text.strip())
    clock = _clock_time(match)
    if match is None or clock is None:
        raise UnreadableTime(
            f"expected a date and time from {YEAR_MIN} to {YEAR_MAX}, got {_shown(text)}: "
            "type it such as 2026-03-09T08:00"
        )
    first, second = (_fixed(clock.replace(tzinfo=zone, fold=fold)) for fold in (0, 1))
    if first == second:
        return first
    # Of a skipped time, the standard library gives the moments by the offsets before (0) and after (1): the
    # wrong way round, and neither shows this time. PEP 495.
    if first > second:
        resumed = _change_between(second, first, zone)
        raise NoSuchLocalTime(
            f"{clock:%Y-%m-%d %H:%M} never was in {zone.key}: the clock was put forward, "
            f"the next time is {resumed:%Y-%m-%dT%H:%M}: type that or a later one"
        )
    if match["which"] is not None:
        return first if match["which"] == "first" else second
    raise AmbiguousLocalTime(
        f"{clock:%Y-%m-%d %H:%M} was twice in {zone.key}, as the clock was put back: "
        f"say whether the first (UTC{first:%z}) or the second (UTC{second:%z}) is meant",
        first,
        second,
    )


def _why_no_mass(text: str, plain: str | None) -> str:
    wanted, remedy = f"kilograms with at most {_KG_DECIMALS} decimals", "digits and one decimal mark, such as 24440.5"
    if not text.strip():
        return "expected kilograms, got nothing: type the mass, such as 24440.5"
    if plain is not None and _TONNES.search(plain):
        wanted, remedy = "kilograms, not tonnes", "24400 for 24.4 t"
    elif plain is not None and plain[0] in "+-\N{MINUS SIGN}":
        wanted, remedy = "a mass without a sign", "the digits only, such as 24440.5"
    return f"expected {wanted}, got {_shown(text)}: type {remedy}"


def _clock_time(match: re.Match[str] | None) -> datetime | None:
    """What the clock showed; None where the calendar has no such time or the year is no year of a plant."""
    if match is None:
        return None
    try:
        clock = datetime.fromisoformat(match["minute"] + (match["second"] or ""))
    except ValueError:
        return None
    return clock if YEAR_MIN <= clock.year <= YEAR_MAX else None


def _fixed(moment: datetime) -> datetime:
    """The same moment and clock with the offset in it, no longer the zone."""
    offset = moment.utcoffset()
    if offset is None:
        raise ValueError(f"expected a time with its zone, got {moment.isoformat()}: give the zone")
    return moment.replace(tzinfo=timezone(offset), fold=0)


def _change_between(before: datetime, after: datetime, zone: ZoneInfo) -> datetime:
    """First moment, to the second, with the new offset: the clock of the zone then shows the next valid time."""
    low, high = (int(moment.timestamp()) for moment in (before, after))
    new_offset = datetime.fromtimestamp(high, zone).utcoffset()
    while high - low > 1:
        middle = (low + high) // 2
        if datetime.fromtimestamp(middle, zone).utcoffset() == new_offset:
            high = middle
        else:
            low = middle
    return datetime.fromtimestamp(high, zone)


def _shown(text: str) -> str:
    """The value for an error message, cut to a length that fits one."""
    shown = text.strip()
    return repr(shown if len(shown) <= LONGEST_TEXT else f"{shown[:LONGEST_TEXT]}...")
