"""Goal: text of any length and script stays inside its room and cannot turn a label around.

Method: literal cases; widths of random text in every font this machine has against the estimate.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ImageFont

from service.labels import lettering
from service.labels.lettering import (
    ELLIPSIS,
    clean,
    cut_to_width,
    drawn_text,
    reads_right_to_left,
    width_em,
    wrapped,
)

ARABIC = "حبيبات معاد تدويرها"
ANY_TEXT = st.text(max_size=60).map(clean)


@pytest.mark.parametrize(
    ("text", "cleaned"),
    [
        ("two\nlines\tand  gaps ", "two lines and gaps"),
        ("a\x00b\x1bc\ufffe", "abc"),
        ("abc\u202egpj.exe\u2066", "abcgpj.exe"),
        ("e\u0301", "é"),
        ("<b>&\"'", "<b>&\"'"),
    ],
)
def test_clean_leaves_one_harmless_line(text: str, cleaned: str):
    assert clean(text) == cleaned


@given(ANY_TEXT, st.floats(2, 30))
def test_cut_text_fits_and_is_a_beginning(text: str, room_em: float):
    shown = cut_to_width(text, room_em)
    assert width_em(shown) <= room_em
    assert shown == text or (shown.endswith(ELLIPSIS) and text.startswith(shown.removesuffix(ELLIPSIS)))


@given(ANY_TEXT, st.floats(3, 30))
def test_wrapped_lines_fit_and_lose_nothing_before_the_cut(text: str, room_em: float):
    lines = wrapped(text, room_em, 2)
    assert 1 <= len(lines) <= 2
    assert all(width_em(line) <= room_em for line in lines)
    shown = "".join(lines).removesuffix(ELLIPSIS).replace(" ", "")
    assert text.replace(" ", "").startswith(shown) or text.replace(" ", "") == "".join(lines).replace(" ", "")


def test_text_is_broken_at_a_space():
    assert wrapped("rPET pellets, clear, food candidate", 11.4, 2) == [
        "rPET pellets, clear,",
        "food candidate",
    ]


def test_an_accent_does_not_hang_on_the_ellipsis():
    letter = "q\u0301"  # has no composed form
    shown = cut_to_width(letter * 9, width_em(letter * 3 + ELLIPSIS) + 0.01)
    assert shown == letter * 3 + ELLIPSIS


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=60))
def test_no_font_of_this_machine_is_wider_than_the_estimate(text: str):
    text = text.strip() or "x"
    estimate_px = width_em(text) * 50
    assert lettering._bundled(50).getlength(text) <= estimate_px
    for name in lettering.MACHINE_FONTS:
        font = lettering._font(name, 50)
        # One pixel a letter: fonts round their steps to whole pixels.
        assert font is None or font.getlength(text) <= estimate_px + len(text)


@pytest.mark.parametrize(
    ("text", "expected"), [(ARABIC, True), ("12 " + ARABIC, True), ("PET " + ARABIC, False), ("", False)]
)
def test_reading_direction_is_that_of_the_first_letter(text: str, expected: bool):
    assert reads_right_to_left(text) is expected


def test_ink_stays_in_the_box_and_there_is_some():
    box = drawn_text("W" * 300, 40, (200, 52))
    assert box.size == (200, 52)
    assert box.getbbox() is not None


def test_right_to_left_text_stands_at_the_right_edge():
    ink = drawn_text(ARABIC[:6], 40, (900, 52)).getbbox()
    assert ink is not None
    assert ink[0] > 600


@pytest.fixture
def no_machine_fonts(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(lettering, "MACHINE_FONTS", ())


@pytest.mark.usefixtures("no_machine_fonts")
def test_without_fonts_accents_are_dropped_and_unknown_letters_stay_visible():
    bundled, shown = lettering._font_for("Köln łódź 聚", 40)
    assert isinstance(bundled, ImageFont.FreeTypeFont)
    assert shown == "Koln lodz 聚"
    assert drawn_text("聚", 40, (60, 52)).getbbox() is not None


def test_a_missing_font_is_no_font():
    assert lettering._font("no such font.ttf", 20) is None


def test_plain_text_is_laid_out_alike_with_and_without_a_library_for_complex_scripts():
    assert lettering._bundled(20).layout_engine == ImageFont.Layout.BASIC
