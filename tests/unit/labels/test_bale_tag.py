"""Goal: the tag of a bale leads to its bale after a hard week in the yard, and tells no supplier.

Method: an independent reader (zxing-cpp) on the PNG at 203 dots per inch, turned, blurred, stained, torn and
photographed small; the SVG parsed as XML, the extent of every text estimated; names of any length and script.
"""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
from dataclasses import fields, replace
from datetime import date
from typing import Any

import pytest
import zxingcpp
from PIL import Image, ImageFilter

from service.labels.bale_tag import (
    HEIGHT_MM,
    PRINTER_DOTS_PER_INCH,
    WIDTH_MM,
    BaleTagContent,
    bale_tag_png,
    bale_tag_svg,
)
from service.labels.lettering import width_em
from service.labels.qr import scan_url
from service.labels.sheet import TagTextTooLong
from service.labels.tag import NOTICE

SVG = "{http://www.w3.org/2000/svg}"
CODE = "Q2ZTMZMYEJ"
URL = scan_url("https://trace.example.com", CODE)
CONTENT = BaleTagContent(
    code=CODE,
    material="PET bottle bales, clear",
    ticket_no="T000012",
    bale_no=7,
    bales=48,
    arrived_on=date(2026, 3, 9),
    supplier_tag="A001",
    mass_kg="518.468",
    mass_basis="estimated",
)
NAMES = {
    "long": "W" * 200,
    "right to left": "حزم قوارير شفافة " * 12,
    "markup": """<script>alert("x")</script> & 'so' ]]> --""",
    "turned around": "clear\u202eEVIL\u202c\u0000\u001b",
    "stacked accents": "a" + "\u0301" * 199,
    "empty": "",
}


def paper(content: BaleTagContent = CONTENT) -> Image.Image:
    return Image.open(io.BytesIO(bale_tag_png(content, URL))).convert("L")


def px(length_mm: float) -> int:
    return round(length_mm * PRINTER_DOTS_PER_INCH / 25.4)


def read(image: Image.Image) -> list[str]:
    return [code.text for code in zxingcpp.read_barcodes(image)]


def texts(svg: str) -> list[str]:
    return [text.text or "" for text in ET.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("degrees", [0, 12, 90, 180, 258])
def test_both_codes_lead_to_the_bale_when_turned(degrees: int):
    turned = paper().rotate(degrees, Image.Resampling.BILINEAR, expand=True, fillcolor=255)
    assert read(turned) == [URL, URL]


@pytest.mark.parametrize("radius_mm", [0.3, 0.6])
def test_a_blurred_photograph_leads_to_the_bale(radius_mm: float):
    assert URL in read(paper().filter(ImageFilter.GaussianBlur(px(radius_mm))))


@pytest.mark.parametrize("ink", [0, 255], ids=["dirt", "glare"])
@pytest.mark.parametrize("corner_mm", [(20.0, 36.0), (38.0, 40.0), (26.0, 56.0)])
def test_a_stain_on_a_tenth_of_the_large_code_does_not_matter(corner_mm: tuple[float, float], ink: int):
    image = paper()
    # The small code away, so that the stained one is the one that is read.
    image.paste(255, (px(69), px(119), image.width, image.height))
    assert read(image) == [URL]
    x_mm, y_mm = corner_mm
    side_mm = (0.1 * 51.7**2) ** 0.5  # of the code without its quiet zone
    image.paste(ink, (px(x_mm), px(y_mm), px(x_mm + side_mm), px(y_mm + side_mm)))
    assert read(image) == [URL]


def test_a_stained_turned_and_blurred_tag_leads_to_the_bale():
    image = paper()
    image.paste(0, (px(38), px(40), px(54), px(56)))
    worn = image.rotate(12, Image.Resampling.BILINEAR, expand=True, fillcolor=128)
    assert URL in read(worn.filter(ImageFilter.GaussianBlur(px(0.3))))


@pytest.mark.parametrize("lost", ["top", "bottom"])
def test_half_a_tag_leads_to_the_bale(lost: str):
    image = paper()
    middle = px(84)
    kept = (0, middle, image.width, image.height) if lost == "top" else (0, 0, image.width, middle)
    assert read(image.crop(kept)) == [URL]


def test_a_tag_that_is_small_in_the_photograph_leads_to_the_bale():
    photograph = Image.new("L", (1280, 720), 128)
    photograph.paste(paper().resize((200, 300), Image.Resampling.LANCZOS), (500, 200))
    assert URL in read(photograph)


@pytest.mark.parametrize("dots_per_inch", [203, 300])
def test_png_has_the_size_of_the_label(dots_per_inch: int):
    image = Image.open(io.BytesIO(bale_tag_png(CONTENT, URL, dots_per_inch)))
    across, down = (pixels / image.info["dpi"][0] * 25.4 for pixels in image.size)
    assert (round(across), round(down)) == (WIDTH_MM, HEIGHT_MM) == (100, 150)
    assert read(image.convert("L")) == [URL, URL]


def test_svg_has_the_size_of_the_label_and_both_codes():
    root = ET.fromstring(bale_tag_svg(CONTENT, URL))
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("100mm", "150mm", "0 0 100 150")
    paths = root.findall(f"{SVG}path")
    assert len({path.attrib["d"] for path in paths}) == 1
    # 37 modules with the quiet zones: 66 mm at the left edge below the code in letters, 31 mm in the corner.
    assert [path.attrib["transform"] for path in paths] == [
        f"translate(0 16) scale({66 / 37:.5f})",
        f"translate(69 119) scale({31 / 37:.5f})",
    ]


def test_tag_says_everything():
    said = texts(bale_tag_svg(CONTENT, URL))
    for words in (
        "Q2ZTM ZMYEJ",
        "Q2ZTM",
        "ZMYEJ",
        "PET bottle bales, clear",
        "Ticket T000012 · bale 7 of 48",
        "A001",
        "2026-03-09",
        "518.468 kg estimated",
        NOTICE,
    ):
        assert words in said
    assert "May it be touched? Scan first." in " ".join(said)


def test_the_code_is_larger_than_anything_else_on_the_tag():
    sizes = {
        text.text: float(text.attrib["font-size"])
        for text in ET.fromstring(bale_tag_svg(CONTENT, URL)).iter(f"{SVG}text")
    }
    code_sizes = [sizes.pop(words) for words in ("Q2ZTM ZMYEJ", "Q2ZTM", "ZMYEJ")]
    assert min(code_sizes) > 9
    assert min(code_sizes) > max(sizes.values())


def test_a_tag_can_name_no_supplier_and_makes_no_claim_on_food():
    assert {field.name for field in fields(BaleTagContent)} == {
        "code", "material", "ticket_no", "bale_no", "bales", "arrived_on", "supplier_tag", "mass_kg", "mass_basis",
    }  # fmt: skip
    said = [words for words in texts(bale_tag_svg(CONTENT, URL)) if "food" in words.lower()]
    assert said == [NOTICE]


def test_what_is_not_known_is_not_printed():
    said = texts(bale_tag_svg(replace(CONTENT, supplier_tag=None, mass_kg=None, mass_basis=None), URL))
    assert not [words for words in said if "kg" in words or "tag" in words or "None" in words]
    assert NOTICE in said


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
@pytest.mark.parametrize("field", ["material", "supplier_tag"])
def test_no_name_breaks_the_tag(field: str, name: str):
    content = BaleTagContent(**(vars(CONTENT) | {field: name}))
    svg = bale_tag_svg(content, URL)
    boxes = [box for box in ET.fromstring(svg).findall(f"{SVG}svg") if box.find(f"{SVG}text") is not None]
    assert len(boxes) == len(texts(svg)) >= 13
    for box in boxes:
        text = box.find(f"{SVG}text")
        assert text is not None
        room_mm = float(box.attrib["width"])
        # Sizes are written with five digits: the estimate may end a thousandth beyond its room.
        assert width_em(text.text or "") * float(text.attrib["font-size"]) <= room_mm + 0.05
        assert float(box.attrib["x"]) >= 4
        assert float(box.attrib["x"]) + room_mm <= WIDTH_MM - 4
        # A line box has room for descenders: the last code's may hang over the edge, as it has none but Q and J.
        assert float(box.attrib["y"]) + float(box.attrib["height"]) <= HEIGHT_MM + 1.5
    assert "\u202e" not in svg
    assert "<script" not in svg
    assert read(paper(content)) == [URL, URL]


def test_no_text_lies_on_another_or_on_a_code():
    root = ET.fromstring(bale_tag_svg(replace(CONTENT, material="W" * 200, supplier_tag="W" * 64), URL))
    # Letters stand from the baseline to about 0.75 of their size above it (capitals, common practice, no source).
    areas = []
    for box in root.findall(f"{SVG}svg"):
        text = box.find(f"{SVG}text")
        assert text is not None
        size = float(text.attrib["font-size"])
        baseline = float(box.attrib["y"]) + float(text.attrib["y"])
        width = width_em(text.text or "") * size
        areas.append((float(box.attrib["x"]), baseline - 0.75 * size, width, 0.75 * size))
    # The codes without their quiet zones of 4 of 37 modules.
    areas += [(0 + 66 * 4 / 37, 16 + 66 * 4 / 37, 66 * 29 / 37, 66 * 29 / 37)]
    areas += [(69 + 31 * 4 / 37, 119 + 31 * 4 / 37, 31 * 29 / 37, 31 * 29 / 37)]
    for place, (x, y, width, height) in enumerate(areas):
        for other_x, other_y, other_width, other_height in areas[place + 1 :]:
            apart_across = x + width <= other_x + 0.05 or other_x + other_width <= x + 0.05
            apart_down = y + height <= other_y + 0.05 or other_y + other_height <= y + 0.05
            assert apart_across or apart_down


def test_a_long_ticket_number_stands_on_a_line_of_its_own():
    said = texts(bale_tag_svg(replace(CONTENT, ticket_no="T9" * 16, bale_no=1999, bales=2000), URL))
    assert f"Ticket {'T9' * 16}" in said
    assert "bale 1999 of 2000" in said


@pytest.mark.parametrize(
    ("field", "value"), [("ticket_no", "W" * 64), ("mass_kg", "9" * 90), ("mass_basis", "estimated " * 20)]
)
def test_what_must_not_be_cut_and_cannot_be_read_is_refused(field: str, value: str):
    content = BaleTagContent(**(vars(CONTENT) | {field: value}))
    for draw in (bale_tag_svg, bale_tag_png):
        with pytest.raises(TagTextTooLong, match=rf"^{field.replace('basis', 'kg')}: '.*shorten it$"):
            draw(content, URL)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bale_no": 0}, "bale_no: expected a number from 1 to 48, got 0"),
        ({"bale_no": 49}, "bale_no: expected a number from 1 to 48, got 49"),
        ({"mass_basis": None}, "expected a mass with its basis or neither, got '518.468' kg and None"),
        ({"mass_kg": None}, "got None kg and 'estimated'"),
        ({"mass_basis": ""}, "got '518.468' kg and ''"),
    ],
)
def test_a_tag_that_contradicts_itself_is_refused(changes: dict[str, Any], words: str):
    with pytest.raises(ValueError, match=words):
        replace(CONTENT, **changes)


def test_two_codes_on_one_tag_are_refused():
    with pytest.raises(ValueError, match="differ"):
        bale_tag_svg(CONTENT, scan_url("https://trace.example.com", "4T2E1YYE36"))


def test_same_content_same_bytes():
    assert bale_tag_png(CONTENT, URL) == bale_tag_png(replace(CONTENT), URL)
    assert bale_tag_svg(CONTENT, URL) == bale_tag_svg(replace(CONTENT), URL)
