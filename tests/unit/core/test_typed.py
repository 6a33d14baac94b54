"""Goal: what a person types is read as that person meant it, or refused with what to type instead.

Method: literal tables; masses written in every accepted style and read back; a slow reader that tries
every meaning of every mark, against which random texts are judged; clock changes of published rules.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.core.quantities import MASS_LIMIT_G, kg_text
from service.core.typed import (
    COUNT_MAX,
    AmbiguousLocalTime,
    AmbiguousMass,
    NoSuchLocalTime,
    Unreadable,
    UnreadableCount,
    UnreadableMass,
    UnreadablePercentage,
    UnreadableTime,
    parse_local_time,
    parse_typed_count,
    parse_typed_kg,
    parse_typed_percent,
    typed_kg_text,
)

MASSES_G = st.one_of(st.integers(0, MASS_LIMIT_G), st.integers(0, 2_000_000))
NARROW, NO_BREAK = "\u202f", "\u00a0"


@pytest.mark.parametrize(
    ("text", "mass_g"),
    [
        ("24440", 24_440_000),
        ("18420,5", 18_420_500),
        ("17999.25", 17_999_250),
        ("0.440", 440),
        ("0,005", 5),
        ("000.440", 440),
        ("0", 0),
        ("24 440", 24_440_000),
        (f"24{NARROW}440", 24_440_000),
        (f"24{NO_BREAK}440,5", 24_440_500),
        ("24'440", 24_440_000),
        ("24’440.125", 24_440_125),
        ("24.440,5", 24_440_500),
        ("24,440.5", 24_440_500),
        ("24.440,500", 24_440_500),
        ("1.234.567", 1_234_567_000),
        ("1,234,567.8", 1_234_567_800),
        ("1 234.567", 1_234_567),
        ("1234.567", 1_234_567),
        ("24.4400", 24_440),
        ("518,4680", 518_468),
        ("24440 kg", 24_440_000),
        ("24440,5KG", 24_440_500),
        (f" 24440{NO_BREAK}kg ", 24_440_000),
        ("٢٤٤٤٠٫٥", 24_440_500),
        ("٢٤٬٤٤٠٫٥", 24_440_500),
        ("２４４４０．５", 24_440_500),
        ("1000000000", MASS_LIMIT_G),
    ],
)
def test_a_mass_with_one_meaning_is_read_exactly(text: str, mass_g: int):
    assert parse_typed_kg(text) == mass_g


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("24.440", ("24440", "24.44")),
        ("24,440", ("24440", "24,44")),
        ("1.000", ("1000", "1")),
        ("518.468 kg", ("518468", "518.4680")),
        ("518,468", ("518468", "518,4680")),
        ("024.440", ("24440", "24.44")),
    ],
)
def test_a_mass_with_two_meanings_is_refused_with_both(text: str, readings: tuple[str, str]):
    one, other = readings
    with pytest.raises(AmbiguousMass) as refusal:
        parse_typed_kg(text)
    assert str(refusal.value) == f"{text!r} may be {one} kg or {other} kg: type {one} or {other}"
    # What the message says can be typed can be read, and means what it says.
    assert parse_typed_kg(one) == 1_000_000 * parse_typed_kg(other) // 1_000


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "got nothing: type"),
        ("  ", "got nothing: type"),
        ("24.4 t", "not tonnes, got '24.4 t': type 24400 for 24.4 t"),
        ("24,440T", "not tonnes, got '24,440T'"),
        ("24 Tonnes", "not tonnes"),
        ("-5", "without a sign, got '-5'"),
        ("+5", "without a sign, got '+5'"),
        ("−5", "without a sign, got '−5'"),
        ("24440.1255", "at most 3 decimals, got '24440.1255'"),
        ("1e3", "got '1e3': type digits"),
        ("24440 lb", "got '24440 lb'"),
        ("24440 kgs", "got '24440 kgs'"),
        (".5", "got '.5'"),
        ("5.", "got '5.'"),
        ("24.440,", "got '24.440,'"),
        ("2 4440", "got '2 4440'"),
        ("24  440", "got '24  440'"),
        ("0 440", "got '0 440'"),
        ("24.44,5", "got '24.44,5'"),
        ("1.234,567.8", "got '1.234,567.8'"),
        ("1 234'567", 'got "1 234'),
        ("24.4 5", "got '24.4 5'"),
        ("24\n440", "got '24\\n440'"),
        ("2٤", "got '2٤'"),
        ("²", "got '²'"),
        ("½", "got '½'"),
        ("two", "got 'two'"),
        ("NaN", "got 'NaN'"),
        ("1_000", "got '1_000'"),
        ("<script>", "got '<script>'"),
        ("1000000000.001", "at most 1000000000 kg, got '1000000000.001'"),
        pytest.param("9" * 5_000, "got '9999", id="5000 nines"),
    ],
)
def test_what_is_no_mass_is_refused_with_the_value_and_the_remedy(text: str, words: str):
    with pytest.raises(UnreadableMass) as refusal:
        parse_typed_kg(text)
    assert words in str(refusal.value)
    assert "expected" in str(refusal.value)
    assert ": " in str(refusal.value)
    assert len(str(refusal.value)) < 250


def written(mass_g: int, thousands: str, decimal_mark: str, decimals: int) -> str:
    """A mass as someone writes it; decimals beyond those it needs are zeros."""
    whole, part = kg_text(mass_g).split(".")
    part = part.rstrip("0").ljust(decimals, "0")
    marked = f"{int(whole):,}".replace(",", thousands)
    return f"{marked}{decimal_mark}{part}" if part else marked


@pytest.mark.parametrize("decimal_mark", [".", ","])
@given(MASSES_G, st.sampled_from(["", " ", NARROW, NO_BREAK, "'", "’", "other"]), st.integers(0, 3), st.booleans())
def test_a_mass_written_in_any_style_is_read_back_or_called_ambiguous(
    decimal_mark: str, mass_g: int, thousands: str, decimals: int, has_unit: bool
):
    other_mark = {".": ",", ",": "."}[decimal_mark]
    text = written(mass_g, other_mark if thousands == "other" else thousands, decimal_mark, decimals)
    marks = [sign for sign in text if not sign.isdigit()]
    doubtful = len(marks) == 1 and marks[0] in ".," and len(text.split(marks[0])[1]) == 3 and mass_g >= 1_000
    doubtful = doubtful and len(text.split(marks[0])[0]) <= 3
    typed = f"{text} kg" if has_unit else text
    if doubtful:
        with pytest.raises(AmbiguousMass):
            parse_typed_kg(typed)
    else:
        assert parse_typed_kg(typed) == mass_g


@given(MASSES_G)
@example(518_468)
@example(1_000)
@example(0)
def test_text_for_a_form_is_read_back_with_either_mark(mass_g: int):
    text = typed_kg_text(mass_g)
    assert parse_typed_kg(text) == mass_g
    assert parse_typed_kg(text.replace(".", ",")) == mass_g


def meanings_kg(text: str, *, may_begin_with_zero: bool) -> set[int]:
    """Every mass in grams a text can mean, by trying each mark as decimal mark and as thousands mark."""
    found = set()
    for decimal_mark in ("", ".", ","):
        if decimal_mark and text.count(decimal_mark) != 1:
            continue
        whole, part = text.split(decimal_mark) if decimal_mark else (text, "")
        if decimal_mark and not (part.isdigit() and (len(part) <= 3 or (len(part) == 4 and part[3] == "0"))):
            continue
        for thousands in {"", " ", "'", ".", ","} - ({decimal_mark} - {""}):
            first, *others = whole.split(thousands) if thousands else [whole]
            if not first.isdigit() or not all(len(group) == 3 and group.isdigit() for group in others):
                continue
            if thousands and (not others or len(first) > 3 or int(first) == 0):
                continue
            if thousands and first.startswith("0") and not may_begin_with_zero:
                continue
            found.add(int(first + "".join(others)) * 1_000 + int(part[:3].ljust(3, "0")))
    return found


@given(st.text(alphabet="0012345.,,. '", min_size=1, max_size=12).filter(lambda text: text == text.strip()))
@example("24.440")
@example("024.440")
@example("1.234.567,8")
def test_a_text_is_read_only_if_every_way_to_read_it_gives_the_same(text: str):
    meanings = meanings_kg(text, may_begin_with_zero=False)
    # '024.440' is odd as thousands, yet a person may mean them: refused rather than guessed.
    if len(meanings) == 1 == len(meanings_kg(text, may_begin_with_zero=True)):
        assert parse_typed_kg(text) in meanings
    else:
        with pytest.raises(AmbiguousMass if meanings else UnreadableMass):
            parse_typed_kg(text)


@pytest.mark.parametrize(
    ("text", "ppm"),
    [("5.2", 52_000), ("5,2 %", 52_000), ("0", 0), ("100%", 10**6), ("100.0000", 10**6), ("0,0001", 1),
     ("5.250", 52_500)],
)  # fmt: skip
def test_percentages_are_read_exactly(text: str, ppm: int):
    assert parse_typed_percent(text) == ppm


@given(st.integers(0, 10**6), st.sampled_from(".,"))
def test_a_percentage_is_read_back(ppm: int, mark: str):
    whole, part = divmod(ppm, 10_000)
    assert parse_typed_percent(f"{whole}{mark}{part:04d} %") == ppm


@pytest.mark.parametrize(
    "text", ["", "%", "100.0001", "101", "-1", "5.12345", "5 % %", "5‰", "1e1", ".5", "5.", "five", "1 000", "9" * 99]
)
def test_what_is_no_percentage_is_refused(text: str):
    with pytest.raises(UnreadablePercentage, match=r"from 0 to 100 .* got '.*: type it such as 5\.2 or 5,2"):
        parse_typed_percent(text)


@pytest.mark.parametrize(("text", "count"), [("48", 48), (" 0 ", 0), ("٤٨", 48), (str(COUNT_MAX), COUNT_MAX)])
def test_counts_are_read(text: str, count: int):
    assert parse_typed_count(text) == count


@pytest.mark.parametrize("text", ["", "48.0", "1.000", "1 000", "-1", "+1", "1e2", "48 bales", "1000000", "²"])
def test_what_is_no_count_is_refused(text: str):
    with pytest.raises(UnreadableCount, match=r"whole number from 0 to 999999, got .*: type it in plain digits"):
        parse_typed_count(text)


BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    ("text", "zone", "moment"),
    [
        ("2026-03-09T08:00", "Europe/Berlin", "2026-03-09T08:00:00+01:00"),
        ("2026-03-09 08:00:30", "Europe/Berlin", "2026-03-09T08:00:30+01:00"),
        ("2026-07-09T08:00:00.5", "Europe/Berlin", "2026-07-09T08:00:00.500000+02:00"),
        ("2026-07-09T08:00", "Asia/Kathmandu", "2026-07-09T08:00:00+05:45"),
        ("2028-02-29T23:59", "UTC", "2028-02-29T23:59:00+00:00"),
        ("2026-03-29T01:59", "Europe/Berlin", "2026-03-29T01:59:00+01:00"),
        ("2026-03-29T03:00", "Europe/Berlin", "2026-03-29T03:00:00+02:00"),
        # Summer time ends on the last Sunday of October at 1:00 UTC. Source: Directive 2000/84/EC, article 3.
        ("2026-10-25T02:30 (first)", "Europe/Berlin", "2026-10-25T02:30:00+02:00"),
        ("2026-10-25T02:30 (second)", "Europe/Berlin", "2026-10-25T02:30:00+01:00"),
        ("2026-10-25T03:00 (second)", "Europe/Berlin", "2026-10-25T03:00:00+01:00"),
    ],
)
def test_a_local_time_becomes_its_moment(text: str, zone: str, moment: str):
    assert parse_local_time(text, ZoneInfo(zone)).isoformat() == moment


@pytest.mark.parametrize(
    ("text", "zone", "next_time"),
    [
        # Summer time begins on the last Sunday of March at 1:00 UTC. Source: Directive 2000/84/EC, article 2.
        ("2026-03-29T02:00", "Europe/Berlin", "2026-03-29T03:00"),
        ("2026-03-29T02:59:59", "Europe/Berlin", "2026-03-29T03:00"),
        ("2026-03-29T02:30 (second)", "Europe/Berlin", "2026-03-29T03:00"),
        # Half an hour, and a whole day left out. Source: tz database, Australia/Lord_Howe and Pacific/Apia.
        ("2026-10-04T02:15", "Australia/Lord_Howe", "2026-10-04T02:30"),
        ("2011-12-30T10:00", "Pacific/Apia", "2011-12-31T00:00"),
    ],
)
def test_a_time_the_clock_skipped_is_refused_with_the_next_one(text: str, zone: str, next_time: str):
    with pytest.raises(NoSuchLocalTime, match=f"never was in {zone}: .* the next time is {next_time}: type that"):
        parse_local_time(text, ZoneInfo(zone))
    assert parse_local_time(next_time, ZoneInfo(zone)).strftime("%Y-%m-%dT%H:%M") == next_time


def test_a_time_that_was_twice_is_refused_with_both_moments():
    with pytest.raises(
        AmbiguousLocalTime, match=r"was twice .* the first \(UTC\+0200\) or the second \(UTC\+0100\)"
    ) as r:
        parse_local_time("2026-10-25T02:30", BERLIN)
    assert r.value.first == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert r.value.second - r.value.first == timedelta(hours=1)


def test_moments_of_one_night_compare_by_their_moment():
    first, second = (parse_local_time(f"2026-10-25T02:30 ({which})", BERLIN) for which in ("first", "second"))
    assert first < second


@pytest.mark.parametrize(
    "text",
    [
        "", "now", "2026-03-09", "08:00", "2026-02-30T08:00", "2026-03-09T24:01", "2026-03-09T08:60",
        "09.03.2026 08:00",
        "0026-03-09T08:00", "1969-12-31T23:59", "2200-01-01T00:00", "2026-03-09T08:00Z", "2026-03-09T08:00+01:00",
        "2026-10-25T02:30 (third)", "٢٠٢٦-03-09T08:00", "2026-3-9T8:00", "x" * 500,
    ],
)  # fmt: skip
def test_what_is_no_local_time_is_refused(text: str):
    with pytest.raises(UnreadableTime, match=r"a date and time from 1970 to 2199, got .*: type it such as") as refusal:
        parse_local_time(text, BERLIN)
    assert type(refusal.value) is UnreadableTime
    assert len(str(refusal.value)) < 200


@given(
    st.datetimes(datetime(1980, 1, 1), datetime(2100, 1, 1)).map(lambda moment: moment.replace(microsecond=0)),
    st.sampled_from(["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Pacific/Apia", "UTC"]),
)
@example(datetime(2026, 10, 25, 0, 30), "Europe/Berlin")
@example(datetime(2026, 10, 25, 1, 30), "Europe/Berlin")
def test_every_moment_can_be_typed(moment: datetime, zone: str):
    local = moment.replace(tzinfo=UTC).astimezone(ZoneInfo(zone))
    typed = f"{local:%Y-%m-%dT%H:%M:%S} ({'second' if local.fold else 'first'})"
    assert parse_local_time(typed, ZoneInfo(zone)) == moment.replace(tzinfo=UTC)


@pytest.mark.parametrize("read", [parse_typed_kg, parse_typed_percent, parse_typed_count])
@given(text=st.text(max_size=60))
def test_no_text_brings_anything_but_a_number_or_a_refusal(read, text: str):
    try:
        value = read(text)
    except Unreadable:
        return
    assert isinstance(value, int)
    assert value >= 0
