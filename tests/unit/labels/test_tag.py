"""Goal: a printed label leads to its own lot, says what it must, and no name breaks it.

Method: an independent reader on the PNG, straight, turned and small; the SVG parsed as XML, its code read
back, the extent of every text estimated; names of 200 characters, of scripts and of markup.
"""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import date

import pytest
import zxingcpp
from PIL import Image, ImageChops

from service.labels import lettering
from service.labels.lettering import width_em
from service.labels.qr import QUIET_MODULES, qr_matrix, scan_url
from service.labels.sheet import SMALLEST_MM, TagTextTooLong
from service.labels.tag import HEIGHT_MM, NOTICE, WIDTH_MM, TagContent, tag_png, tag_svg

SVG = "{http://www.w3.org/2000/svg}"
CODE = "Q2ZTMZMYEJ"
URL = scan_url("https://trace.example.com", CODE)
CONTENT = TagContent(
    code=CODE,
    product="rPET pellets, clear, food candidate",
    net_kg="1050.000",
    made_on=date(2026, 3, 12),
    site="Harbour Mill",
    recycled_percent_text="62.4",
    record_sha256="1a2b3c4d5e6f7a8b" * 4,
    issue=2,
)
NAMES = {
    "long": "W" * 200,
    "long words": "Washed and sorted pellets " * 8,
    "right to left": "حبيبات بولي إيثيلين شفافة معاد تدويرها " * 5,
    "markup": """<script>alert("x")</script> & 'so' ]]> --""",
    "turned around": "clear\u202eEVIL\u202c\u0000\u001b",
    "stacked accents": "a" + "\u0301" * 199,
    "empty": "",
}


def picture(png: bytes) -> Image.Image:
    return Image.open(io.BytesIO(png)).convert("L")


def texts(svg: str) -> list[str]:
    return [text.text or "" for text in ET.fromstring(svg).iter(f"{SVG}text")]


def decoded(image: Image.Image) -> tuple[str, str]:
    found = zxingcpp.read_barcodes(image)
    assert len(found) == 1
    return found[0].text, found[0].ec_level


@pytest.mark.parametrize("degrees", [0, 12, 90, 180])
def test_png_leads_to_the_lot_when_turned(degrees: int):
    turned = picture(tag_png(CONTENT, URL)).rotate(degrees, expand=True, fillcolor=255)
    text, level = decoded(turned)
    assert text == URL == URL.upper()
    assert level in {"Q", "H"}


def test_png_leads_to_the_lot_at_half_size():
    image = picture(tag_png(CONTENT, URL))
    assert decoded(image.resize((image.width // 2, image.height // 2)))[0] == URL


def test_png_leads_to_the_lot_with_a_stain_on_a_tenth_of_the_code():
    image = picture(tag_png(CONTENT, URL))
    image.paste(255, (330, 330, 500, 500))
    assert decoded(image)[0] == URL


def test_png_is_a6_at_its_stated_resolution():
    image = Image.open(io.BytesIO(tag_png(CONTENT, URL)))
    across, down = (pixels / image.info["dpi"][0] * 25.4 for pixels in image.size)
    assert (round(across), round(down)) == (WIDTH_MM, HEIGHT_MM) == (148, 105)


def test_a_short_address_gets_the_strongest_level():
    short = scan_url("https://pet.example", CODE)
    assert len(short) <= 35
    assert decoded(picture(tag_png(CONTENT, short))) == (short, "H")


def test_svg_code_is_read_back():
    root = ET.fromstring(tag_svg(CONTENT, URL))
    path = root.find(f"{SVG}path")
    assert path is not None
    side = qr_matrix(URL).side_modules
    code = Image.new("L", (side, side), 255)
    for run in path.attrib["d"].removesuffix("z").split("z"):
        corner, width = run.removeprefix("M").split("v1")[0].split("h")
        x, y = map(int, corner.split(" "))
        assert QUIET_MODULES <= x < side - QUIET_MODULES
        code.paste(0, (x, y, x + int(width), y + 1))
    assert decoded(code.resize((side * 8, side * 8), Image.Resampling.NEAREST))[0] == URL


def test_label_says_everything():
    said = texts(tag_svg(CONTENT, URL))
    for words in (
        "Q2ZTM ZMYEJ",
        "rPET pellets, clear,",
        "food candidate",
        "1050.000 kg",
        "2026-03-12",
        "Harbour Mill",
        "62.4 % post-consumer, computed, not certified",
        "Not assessed for food contact, no claim.",
        "Lot record issue 2, sha256 1a2b3c4d5e6f7a8b",
    ):
        assert words in said


def test_what_is_not_known_is_not_printed():
    said = texts(tag_svg(replace(CONTENT, recycled_percent_text=None, record_sha256=None), URL))
    assert not [words for words in said if "%" in words or "sha256" in words or "None" in words]
    assert NOTICE in said


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
@pytest.mark.parametrize("field", ["product", "site"])
def test_no_name_breaks_the_label(field: str, name: str):
    content = TagContent(**(vars(CONTENT) | {field: name}))
    svg = tag_svg(content, URL)
    root = ET.fromstring(svg)
    boxes = [box for box in root.findall(f"{SVG}svg") if box.find(f"{SVG}text") is not None]
    assert len(boxes) == len(texts(svg)) >= 12
    for box in boxes:
        text = box.find(f"{SVG}text")
        assert text is not None
        room_mm = float(box.attrib["width"])
        # Sizes are written with five digits: the estimate may end a thousandth beyond its room.
        assert width_em(text.text or "") * float(text.attrib["font-size"]) <= room_mm + 0.05
        assert float(box.attrib["x"]) >= 5
        assert float(box.attrib["x"]) + room_mm <= WIDTH_MM - 5
        assert float(box.attrib["y"]) + float(box.attrib["height"]) <= HEIGHT_MM
    assert "\u202e" not in svg
    assert decoded(picture(tag_png(content, URL)))[0] == URL


@pytest.mark.parametrize("field", ["product", "site"])
def test_a_name_only_changes_its_own_place_on_the_paper(field: str):
    plain = picture(tag_png(replace(CONTENT, product="", site=""), URL))
    named = picture(tag_png(TagContent(**(vars(CONTENT) | {"product": "", "site": "", field: "Ŵ" * 200})), URL))
    changed = ImageChops.difference(plain, named).getbbox()
    assert changed is not None
    left_mm, top_mm, right_mm, bottom_mm = (edge / 300 * 25.4 for edge in changed)
    assert left_mm >= 63.9
    assert right_mm <= 143.1
    assert (top_mm, bottom_mm) > (9, 9)
    assert bottom_mm <= {"product": 28, "site": 60}[field]


def test_a_cut_name_ends_in_an_ellipsis():
    said = texts(tag_svg(replace(CONTENT, product="A" * 200, site="B" * 200), URL))
    assert [words[-1] for words in said if words.startswith(("AAA", "BBB"))] == ["A", "…", "…"]


def test_right_to_left_names_are_marked_so():
    root = ET.fromstring(tag_svg(replace(CONTENT, site="مصنع"), URL))
    turned = [text.text for text in root.iter(f"{SVG}text") if text.get("direction") == "rtl"]
    assert turned == ["مصنع"]


def test_numbers_shrink_and_are_never_cut():
    root = ET.fromstring(tag_svg(replace(CONTENT, net_kg="1000000.000"), URL))
    mass = next(text for text in root.iter(f"{SVG}text") if text.text == "1000000.000 kg")
    assert SMALLEST_MM < float(mass.attrib["font-size"]) < 12


@pytest.mark.parametrize(("field", "value"), [("net_kg", "9" * 90), ("notice", "No claim. " * 20)])
def test_what_must_not_be_cut_and_cannot_be_read_is_refused(field: str, value: str):
    content = TagContent(**(vars(CONTENT) | {field: value}))
    for draw in (tag_svg, tag_png):
        with pytest.raises(TagTextTooLong, match=f"^{field}: '{value[:10]}"):
            draw(content, URL)


def test_a_label_without_notice_is_refused():
    with pytest.raises(ValueError, match="notice"):
        replace(CONTENT, notice=" ")


def test_two_codes_on_one_label_are_refused():
    with pytest.raises(ValueError, match="differ"):
        tag_svg(CONTENT, scan_url("https://trace.example.com", "4T2E1YYE36"))


@pytest.mark.parametrize("machine_fonts", [(), lettering.MACHINE_FONTS], ids=["no fonts", "fonts of this machine"])
def test_same_content_same_bytes(machine_fonts: tuple[str, ...], monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(lettering, "MACHINE_FONTS", machine_fonts)
    content = replace(CONTENT, product="Köln 聚", site="مصنع")
    first = tag_png(content, URL), tag_svg(content, URL)
    for cached in (lettering._font, lettering._bundled, lettering._knows, lettering._character_em):
        cached.cache_clear()
    assert (tag_png(content, URL), tag_svg(content, URL)) == first


def test_plain_text_does_not_depend_on_the_fonts_of_the_machine(monkeypatch: pytest.MonkeyPatch):
    with_fonts = tag_png(CONTENT, URL)
    monkeypatch.setattr(lettering, "MACHINE_FONTS", ())
    assert tag_png(CONTENT, URL) == with_fonts
