"""Goal: the QR code leads to the scan page, is strong, and what is drawn is what a reader reads.

Method: an independent reader (zxing-cpp) on the PNG; the SVG path parsed back to a matrix, painted and
read; choice of version and level against the capacities of the standard.
"""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET

import pytest
import zxingcpp
from PIL import Image

from service.core.codes import NotACode
from service.labels.qr import (
    QUIET_MODULES,
    PublicUrlUnfit,
    QrMatrix,
    qr_image,
    qr_matrix,
    qr_png,
    qr_svg,
    scan_url,
)

CODE = "Q2ZTMZMYEJ"
URL = f"HTTPS://TRACE.EXAMPLE.COM/L/{CODE}"
SVG = "{http://www.w3.org/2000/svg}"
RUN = re.compile(r"M(\d+) (\d+)h(\d+)v1h-(\d+)z")


def picture_of_path(path: str, side: int, module_px: int = 8) -> Image.Image:
    """Paint path data of rectangles one module high; anything else in it is an error."""
    image = Image.new("L", (side, side), 255)
    assert RUN.sub("", path) == ""
    for x, y, width, back in (map(int, run) for run in RUN.findall(path)):
        assert width == back
        for column in range(x, x + width):
            image.putpixel((column, y), 0)
    return image.resize((side * module_px, side * module_px), Image.Resampling.NEAREST)


def test_the_address_is_upper_case_and_the_code_is_normalised():
    assert scan_url("https://trace.example.com", " q2ztm-zmyej ") == URL
    assert scan_url("https://trace.example.com/", CODE) == URL


def test_port_and_scheme_are_kept():
    assert scan_url("http://127.0.0.1:8000", CODE) == f"HTTP://127.0.0.1:8000/L/{CODE}"


@pytest.mark.parametrize(
    "public_url",
    ["trace.example.com", "ftp://trace.example.com", "https://", "https://a.example/plant", "https://me@a.example",
     "https://a.example?x=1", "https://wörk.example"],
)  # fmt: skip
def test_an_unfit_public_address_is_refused_with_the_value(public_url: str):
    with pytest.raises(PublicUrlUnfit) as refusal:
        scan_url(public_url, CODE)
    assert repr(public_url) in str(refusal.value)


def test_a_mistyped_code_is_not_printed():
    with pytest.raises(NotACode):
        scan_url("https://trace.example.com", "Q2ZTMZMYEX")


# Capacity in alphanumeric characters: 2-Q 29, 2-H 20, 3-Q 47, 3-H 35, 4-Q 67, 4-H 50.
# Source: ISO/IEC 18004, table of data capacity (values from memory).
@pytest.mark.parametrize(
    ("length", "version", "level"),
    [(20, 2, "H"), (21, 2, "Q"), (29, 2, "Q"), (30, 3, "H"), (35, 3, "H"), (36, 3, "Q"), (47, 3, "Q"),
     (48, 4, "H"), (50, 4, "H"), (51, 4, "Q"), (67, 4, "Q"), (68, 5, "Q")],
)  # fmt: skip
def test_version_and_level_follow_the_capacities(length: int, version: int, level: str):
    text = (URL * 3)[:length]
    matrix = qr_matrix(text)
    assert (matrix.version, matrix.level) == (version, level)
    assert len(matrix.rows) == 17 + 4 * version
    read = zxingcpp.read_barcode(qr_image(matrix, 6))
    assert read is not None
    assert (read.text, read.ec_level) == (text, level)


def test_small_letters_would_need_a_finer_code():
    assert qr_matrix(URL).version < qr_matrix(URL.lower()).version


def test_png_is_read_back_at_level_q_or_better():
    read = zxingcpp.read_barcode(Image.open(io.BytesIO(qr_png(qr_matrix(URL)))))
    assert read is not None
    assert read.text == URL
    assert read.ec_level in {"Q", "H"}


def test_svg_is_read_back():
    matrix = qr_matrix(URL)
    root = ET.fromstring(qr_svg(matrix))
    code = root.findall(f"{SVG}path")[-1]
    assert root.get("viewBox") == f"0 0 {matrix.side_modules} {matrix.side_modules}"
    read = zxingcpp.read_barcode(picture_of_path(code.attrib["d"], matrix.side_modules))
    assert read is not None
    assert read.text == URL


def test_quiet_zone_is_light_on_every_side():
    matrix = QrMatrix("", 1, "Q", ((True, True), (True, True)))
    image = qr_image(matrix, 1)
    assert image.size == (2 + 2 * QUIET_MODULES,) * 2
    dark_box = Image.eval(image, lambda luminance: 255 - luminance).getbbox()
    assert dark_box == (QUIET_MODULES, QUIET_MODULES, QUIET_MODULES + 2, QUIET_MODULES + 2)
