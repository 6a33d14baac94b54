"""Goal: a pasted or scanned list gives what stands in it, in its order, or names each entry that is wrong.

Method: literal tables; codes of random identities written in random ways and read back.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.codes import code_for
from service.core.typed_lists import (
    ENTRIES_MAX,
    TypedCodes,
    UnreadableCodes,
    UnreadableTags,
    code_in_address,
    expand_range,
    split_codes,
    split_tags,
)

A, B, C = (code_for(number) for number in (1, 2, 3))


def grouped(code: str) -> str:
    return f"{code[:5]} {code[5:]}"


@pytest.mark.parametrize(
    "text",
    [
        f"{A}\n{B}\n{C}",
        f"{A}\r\n\r\n {B} \r\n{C}\r\n",
        f"{A},{B};{C}",
        f"{A}\t{B}\t{C}\t",
        f"{A} {B} {C}",
        f"{grouped(A)}\n{grouped(B)}\n{grouped(C)}",
        f"{grouped(A)}, {grouped(B)}, {grouped(C)}",
        f"{grouped(A)} {grouped(B)} {C}",
        f"{A[:5]}-{A[5:]} {B} {C}".lower(),
        f"{A[:2]} {A[2:6]} {A[6:]}\n{B[:5]}\t{B[5:]}\n{C[:3]}-{C[3:7]}-{C[7:]}",
        f"HTTPS://TRACE.EXAMPLE.COM/L/{A}\nhttps://trace.example.com/l/{B.lower()}\nhttp://10.0.0.5:8000/L/{C}/",
        f"https://a.example/L/{A}?from=scan, https://b.example/L/{B}#top https://c.example/L/{C[:5]}-{C[5:]}",
    ],
)
def test_codes_are_read_in_their_order(text: str):
    assert split_codes(text) == TypedCodes((A, B, C), ())


@pytest.mark.parametrize("text", ["", " \n\t\n", ",;,"])
def test_nothing_is_an_empty_list(text: str):
    assert split_codes(text) == TypedCodes((), ())


def test_a_code_scanned_again_is_kept_once_and_named():
    assert split_codes(f"{B}\n{A}\n{B}\n{A.lower()}\n{B}\n{C}") == TypedCodes((B, A, C), (B, A))


def test_every_wrong_entry_is_named_with_its_line_and_nothing_is_read():
    wrong = A[:9] + ("0" if A[9] != "0" else "1")
    with pytest.raises(UnreadableCodes) as refusal:
        split_codes(f"{A}\n{wrong}\n{B}, ABC\nhttps://elsewhere.example/menu")
    words = str(refusal.value)
    assert f"line 2: the check character of {wrong!r} does not fit" in words
    assert "line 3: expected a code of 10 characters, got 3 in 'ABC': type it again" in words
    assert "line 4: expected a code of 10 characters, got 30" in words
    assert "line 1" not in words


def test_two_halves_that_do_not_belong_together_are_shown_together():
    with pytest.raises(UnreadableCodes, match=f"line 1: .*'{A[:5]} {B[:5]}'"):
        split_codes(f"{A[:5]} {B[:5]} {C}")


def test_a_long_list_of_faults_is_cut():
    with pytest.raises(UnreadableCodes, match=r"line 5: .*; and 995 more$") as refusal:
        split_codes("nonsense\n" * 1_000)
    assert len(str(refusal.value)) < 1_000


def test_too_many_codes_are_refused():
    codes = [code_for(number) for number in range(ENTRIES_MAX + 1)]
    assert len(split_codes("\n".join(codes[:-1])).codes) == ENTRIES_MAX
    with pytest.raises(
        UnreadableCodes, match=f"at most {ENTRIES_MAX} codes, got {ENTRIES_MAX + 1}: send them in parts"
    ):
        split_codes("\n".join(codes))


@given(
    st.lists(st.integers(0, 2**32 - 1), unique=True, max_size=12),
    st.sampled_from(["\n", "\r\n", ", ", ";", "\t", " ", " \n"]),
    st.lists(st.sampled_from([str, str.lower, grouped, "HTTPS://T.EXAMPLE/L/{}".format]), min_size=12, max_size=12),
)
def test_codes_written_in_any_way_are_read_back(numbers: list[int], between: str, styles: list[Callable[[str], str]]):
    codes = [code_for(number) for number in numbers]
    text = between.join(style(code) for style, code in zip(styles, codes, strict=False))
    assert split_codes(text) == TypedCodes(tuple(codes), ())


@pytest.mark.parametrize(
    ("text", "public_host", "code"),
    [
        (f"https://trace.example.com/L/{A}", None, A),
        (f"HTTPS://TRACE.EXAMPLE.COM/L/{A}", "trace.example.com", A),
        (f"https://127.0.0.1:8000/l/{A.lower()}/", "127.0.0.1:8000", A),
        (f"https://trace.example.com/L/{A}", "other.example.com", None),
        (f"https://trace.example.com/L/{A}/more", None, None),
        (f"https://trace.example.com/{A}", None, None),
        (f"https://me@trace.example.com/L/{A}", None, None),
        (f"ftp://trace.example.com/L/{A}", None, None),
        (f"see https://trace.example.com/L/{A}", None, None),
        ("https://trace.example.com/L/0123456789", None, None),
        (A, None, None),
    ],
)
def test_a_scan_address_holds_its_code(text: str, public_host: str | None, code: str | None):
    assert code_in_address(text, public_host) == code


@pytest.mark.parametrize(
    ("text", "tags"),
    [
        ("A001\nA002\nA003", ["A001", "A002", "A003"]),
        ("A001\r\n\r\nA003\r\n", ["A001", None, "A003"]),
        ("\n\n A001 \n\n\nA004\n\n", ["A001", None, None, "A004"]),
        ("A001\tA002\nA003\t", ["A001", "A002", "A003"]),
        ("A001;A002,A003", ["A001", "A002", "A003"]),
        ("A001;;A003;;", ["A001", None, "A003"]),
        (";A002", [None, "A002"]),
        ("A001\n;;\nA003", ["A001", None, "A003"]),
        ("A001\nA001", ["A001", "A001"]),
        ("PL 17-A/4", ["PL 17-A/4"]),
        ("A001-A048", ["A001-A048"]),
        ("A008..A011\nX", ["A008", "A009", "A010", "A011", "X"]),
        ("مصنع-1", ["مصنع-1"]),
        ("", []),
        ("\n \n", []),
    ],
)
def test_tags_keep_their_order_and_their_gaps(text: str, tags: list[str | None]):
    assert split_tags(text) == tags


def test_a_wrong_range_among_tags_is_named_with_its_line():
    with pytest.raises(UnreadableTags, match=r"^line 2: .*'A1\.\.B2': type it such as A001\.\.A048$"):
        split_tags("A001\nA1..B2\nA003")


@pytest.mark.parametrize("text", ["X\n" * (ENTRIES_MAX + 1), "A0001..A1999\nB1..B3", "A0001..A2000\n" * 10_000])
def test_too_many_tags_are_refused(text: str):
    with pytest.raises(
        UnreadableTags, match=f"at most {ENTRIES_MAX} bales, got more at line .*: check what was pasted"
    ):
        split_tags(text)


@pytest.mark.parametrize(
    ("text", "first", "last", "count"),
    [
        ("A001..A048", "A001", "A048", 48),
        ("A001-A048", "A001", "A048", 48),
        ("A001 – A048", "A001", "A048", 48),
        ("A001…A048", "A001", "A048", 48),
        ("A001..048", "A001", "A048", 48),
        ("A98..A102", "A98", "A102", 5),
        ("001..048", "001", "048", 48),
        ("AB-001-AB-048", "AB-001", "AB-048", 48),
        ("2026-001..2026-048", "2026-001", "2026-048", 48),
        ("A007..A007", "A007", "A007", 1),
        ("A0001..A2000", "A0001", "A2000", 2_000),
    ],
)
def test_a_range_is_every_tag_of_it(text: str, first: str, last: str, count: int):
    tags = expand_range(text)
    assert (tags[0], tags[-1], len(tags), len(set(tags))) == (first, last, count, count)
    assert {len(tag) for tag in tags} <= {len(first), len(last)}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("A001", "begin alike and end in digits, got 'A001': type it such as A001..A048"),
        ("", "begin alike"),
        ("A001..B048", "begin alike"),
        ("A..B", "begin alike"),
        ("A048..A001", "got 048 to 001 in 'A048..A001': type the lower number first"),
        ("A0001..A2001", "a range of 1 to 2000 tags"),
        ("A1..A99999999999999999", "a range of 1 to 2000 tags"),
        ("A001..A48", "the same width, got 001 and 48"),
        ("A08..A102", "the same width, got 08 and 102"),
        ("A" * 500 + "1.." + "A" * 500 + "2", "begin alike"),
    ],
)
def test_what_is_no_range_is_refused_with_the_value_and_the_remedy(text: str, words: str):
    with pytest.raises(UnreadableTags) as refusal:
        expand_range(text)
    assert words in str(refusal.value)
    assert len(str(refusal.value)) < 250
