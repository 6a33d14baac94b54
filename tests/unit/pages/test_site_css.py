"""Goal: everything on the pages can be read in light, dark and print.

Method: the tokens are read out of the style sheet and their contrast computed.
Source: WCAG 2.2, relative luminance and success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (signs and
borders, 3:1).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

SHEET = (Path(__file__).parents[3] / "service" / "pages" / "static" / "site.css").read_text(encoding="utf-8")
ROOT_BLOCK = re.compile(r":root \{(.*?)\}", re.DOTALL)
TOKEN = re.compile(r"--([a-z-]+): (#[0-9a-f]{6});")
THEMES = dict(
    zip(("light", "dark", "print"), (dict(TOKEN.findall(block)) for block in ROOT_BLOCK.findall(SHEET)), strict=True)
)
TEXT_PAIRS = [
    ("ink", "paper"), ("ink", "card"), ("mute", "paper"), ("mute", "card"), ("warn", "card"),
    ("on-bad", "bad"), ("on-accent", "accent"), ("accent", "card"), ("accent", "paper"), ("bad", "card"),
]  # fmt: skip
SIGN_PAIRS = [
    ("line", "paper"), ("line", "card"), ("accent", "paper"), ("bad", "paper"), ("bad", "card"),
    ("focus", "paper"), ("focus", "card"), ("warn", "paper"),
    *((f"flow-{band}", ground) for band in "abcde" for ground in ("card", "paper")),
]  # fmt: skip


def luminance(colour: str) -> float:
    channels = (int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))
    red, green, blue = (
        channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4 for channel in channels
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(first: str, second: str) -> float:
    darker, lighter = sorted((luminance(first), luminance(second)))
    return (lighter + 0.05) / (darker + 0.05)


def test_the_formula_gives_the_published_extremes():
    # WCAG 2.2: contrast ratios range from 1 to 21.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#777777") == 1


@pytest.mark.parametrize("theme", ["light", "dark", "print"])
@pytest.mark.parametrize(("pair", "least"), [(p, 4.5) for p in TEXT_PAIRS] + [(p, 3.0) for p in SIGN_PAIRS])
def test_pair_can_be_told_apart(theme: str, pair: tuple[str, str], least: float):
    tokens = THEMES[theme]
    assert contrast(tokens[pair[0]], tokens[pair[1]]) >= least


def test_every_theme_has_every_token_and_colours_are_tokens_only():
    assert set(THEMES["light"]) == set(THEMES["dark"]) == set(THEMES["print"])
    assert set(re.findall(r"var\(--([a-z-]+)\)", SHEET)) == set(THEMES["light"])
    rules = ROOT_BLOCK.sub("", SHEET)
    assert not re.findall(r"#[0-9a-f]{3,8}\b|rgb\(|hsl\(|opacity", rules)


def test_what_is_pressed_is_large_enough_for_a_thumb():
    # 52 px: above the 44 px of WCAG 2.2, success criterion 2.5.5. A rule must give it, not only the page happen to.
    large = re.findall(r"([^{}]+)\{[^{}]*min-height: 52px;", SHEET)
    selectors = {selector.strip() for group in large for selector in group.split(",")}
    assert {"select", "textarea", "button", ".button", ".bar nav a", "details > summary", ".box"} <= selectors
