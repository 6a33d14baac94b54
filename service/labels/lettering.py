"""How wide text is and how it is drawn, on machines with whatever fonts they have.

The font that Pillow brings knows little more than ASCII, but it is the same everywhere, so text it covers
gives the same label on every machine. Other text is drawn with the first font of the machine that has all
of its characters; where there is none, accents are dropped and what is still unknown shows as empty boxes.
"""

import unicodedata
from functools import lru_cache

from PIL import Image, ImageDraw, ImageFont, features

ELLIPSIS = "…"
ALLOWANCE = 1.25
"""A browser's sans-serif has letters up to 1.25 times as wide as the bundled font (measured: DejaVu Sans)."""

# Signs differ more between fonts than letters do: the least that is reckoned for one.
_SLIM_SIGNS = " .,:;!'|-()[]/"
_SLIM_SIGN_EM = 0.34
_SIGN_EM = 0.77
BUNDLED = ""
MACHINE_FONTS = ("NotoSans-Regular.ttf", "DejaVuSans.ttf", "LiberationSans-Regular.ttf", "arial.ttf")
_MEASURE_PX = 100
_UNKNOWN_EM = 0.85  # a letter unlike any in the bundled font; wide scripts count as 1
_NO_CHARACTER = "\uffff"  # guaranteed never to be one, so every font shows its "unknown" box
_ORDERING_MARKS = {chr(mark) for mark in (0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A))}
_RIGHT_TO_LEFT = {"R", "AL"}
# Letters that Unicode does not take apart into a plain letter and an accent.
_WITHOUT_ACCENT = {
    "ß": "ss", "ø": "o", "Ø": "O", "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ı": "i", "æ": "ae", "Æ": "AE",
    "œ": "oe", "Œ": "OE", "þ": "th", "Þ": "Th", "ð": "d", "Ð": "D", "–": "-", "—": "-", "×": "x", "€": "EUR",
}  # fmt: skip


def clean(text: str) -> str:
    """One line without what would break a label: control characters, marks that turn the reading direction.

    XML forbids most control characters, and an unclosed direction mark turns all that follows it around.
    """
    spaced = " ".join(text.split())
    kept = (
        character
        for character in unicodedata.normalize("NFC", spaced)
        if character not in _ORDERING_MARKS and unicodedata.category(character) not in {"Cc", "Cs", "Cn"}
    )
    return "".join(kept)


def width_em(text: str) -> float:
    """Estimated width in letter sizes, on the wide side for the fonts of other machines."""
    return ALLOWANCE * sum(_character_em(character) for character in text)


@lru_cache(maxsize=4096)
def _character_em(character: str) -> float:
    if unicodedata.combining(character) or unicodedata.category(character) in {"Cf", "Mn", "Me"}:
        return 0.0
    if unicodedata.east_asian_width(character) in {"W", "F"}:
        return 1.0
    plain = _plainer(character)
    if not _covers(BUNDLED, plain):
        return _UNKNOWN_EM
    least_em = 0.0 if plain.isalnum() else _SLIM_SIGN_EM if plain in _SLIM_SIGNS else _SIGN_EM
    return max(least_em, _bundled(_MEASURE_PX).getlength(plain) / _MEASURE_PX)


def cut_to_width(text: str, room_em: float) -> str:
    """The text, or as much of its beginning as fits with an ellipsis.

    Examples
    --------
    >>> cut_to_width("Washed flake", 20)
    'Washed flake'
    >>> cut_to_width("Washed flake", 5)
    'Washe…'
    """
    if width_em(text) <= room_em:
        return text
    kept = _beginning(text, room_em - width_em(ELLIPSIS)).rstrip()
    # A joiner belongs to the letter after it: none may hang on the ellipsis.
    while kept and unicodedata.category(kept[-1]) == "Cf":
        kept = kept[:-1]
    return kept + ELLIPSIS


def _beginning(text: str, room_em: float) -> str:
    """As much of the text as fits; accents have no width, so they stay with their letter."""
    used_em = 0.0
    for end, character in enumerate(text):
        used_em += width_em(character)
        if used_em > room_em:
            return text[:end]
    return text


def wrapped(text: str, room_em: float, lines_max: int) -> list[str]:
    """The text on at most `lines_max` lines, broken at spaces where it has them, the last one cut."""
    lines: list[str] = []
    rest = text
    while rest and len(lines) < lines_max - 1 and width_em(rest) > room_em:
        fitting = _beginning(rest, room_em)
        at_space = rest.rfind(" ", 0, len(fitting) + 1)
        line = rest[:at_space] if at_space > 0 else fitting
        if not line:
            break
        lines.append(line)
        rest = rest[len(line) :].lstrip()
    return [*lines, cut_to_width(rest, room_em)]


def reads_right_to_left(text: str) -> bool:
    """Whether the first letter with a direction is of a right-to-left script."""
    directions = (unicodedata.bidirectional(character) for character in text)
    first = next((direction for direction in directions if direction in {"L", *_RIGHT_TO_LEFT}), "L")
    return first in _RIGHT_TO_LEFT


def drawn_text(text: str, size_px: int, box_px: tuple[int, int]) -> Image.Image:
    """Ink (255) of the text on an empty box, baseline `size_px` below its top; what leaves it is clipped."""
    box = Image.new("L", box_px, 0)
    font, shown = _font_for(text, size_px)
    pen = ImageDraw.Draw(box)
    if reads_right_to_left(shown):
        direction = "rtl" if font.layout_engine == ImageFont.Layout.RAQM else None
        pen.text((box_px[0], size_px), shown, fill=255, font=font, anchor="rs", direction=direction)
    else:
        pen.text((0, size_px), shown, fill=255, font=font, anchor="ls")
    return box


def _font_for(text: str, size_px: int) -> tuple[ImageFont.FreeTypeFont, str]:
    """A font and the text as this font can show it."""
    if not _covers(BUNDLED, text):
        # Without the library for complex scripts, letters would stand in the wrong order: boxes are honest.
        in_order = features.check("raqm") or not any(map(reads_right_to_left, text))
        for name in MACHINE_FONTS if in_order else ():
            font = _font(name, size_px)
            if font is not None and _covers(name, text):
                return font, text
        text = "".join(_plainer(character) for character in text)
    return _bundled(size_px), "".join(character for character in text if unicodedata.category(character) != "Cf")


def _plainer(character: str) -> str:
    """The character, or what comes closest to it in the bundled font."""
    if _knows(BUNDLED, character):
        return character
    if unicodedata.category(character) in {"Mn", "Me"}:
        return ""
    plain = _WITHOUT_ACCENT.get(character) or unicodedata.normalize("NFD", character)[0]
    return plain if _covers(BUNDLED, plain) else character


def _covers(name: str, text: str) -> bool:
    return all(_knows(name, character) for character in text)


@lru_cache(maxsize=8192)
def _knows(name: str, character: str) -> bool:
    font = _font(name, _MEASURE_PX)
    if font is None:
        return False
    if character.isspace() or unicodedata.category(character) == "Cf":
        return True  # nothing of its own to draw
    return bytes(font.getmask(character)) != bytes(font.getmask(_NO_CHARACTER))


@lru_cache(maxsize=64)
def _font(name: str, size_px: int) -> ImageFont.FreeTypeFont | None:
    """A font of this machine, or None if it has none of that name; `BUNDLED` is always there."""
    if name == BUNDLED:
        return _bundled(size_px)
    try:
        return ImageFont.truetype(name, size_px)
    except OSError:
        return None


@lru_cache(maxsize=64)
def _bundled(size_px: int) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(size_px)
    if not isinstance(font, ImageFont.FreeTypeFont):
        raise RuntimeError("this Pillow cannot scale its font: install the Pillow wheel of the package index")
    # The same layout everywhere, whether or not the machine has a library for complex scripts.
    return font.font_variant(layout_engine=ImageFont.Layout.BASIC)
