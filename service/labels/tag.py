"""The label of a lot: A6 landscape, black on white, once as SVG for a browser and once as PNG for a printer.

Both are drawn from one list of lines with places in millimetres, so they cannot say different things. A
number, a code and the notice are never cut: they shrink until they fit. A name is cut with an ellipsis.
The paper says nothing about holds or release: that changes after printing, so only the scan page tells it.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from xml.sax.saxutils import escape

from PIL import Image, ImageDraw

from service.core.codes import normalise
from service.labels.lettering import (
    clean,
    cut_to_width,
    drawn_text,
    reads_right_to_left,
    width_em,
    wrapped,
)
from service.labels.qr import QrMatrix, png_bytes, qr_image, qr_matrix, svg_path

NOTICE = "Not assessed for food contact, no claim."
"""Stands on every label, page and paper until a release exists; food contact is not decided here."""

WIDTH_MM, HEIGHT_MM = 148.0, 105.0
DOTS_PER_INCH = 300
SMALLEST_MM = 2.5  # letters below this cannot be read at arm's length
_MARGIN_MM = 5.0
_QR_MM = 60.0  # from the corner of the label: the quiet zone inside serves as its margin
_COLUMN_MM = 64.0  # left edge of the text beside the QR code
_RIGHT_MM = WIDTH_MM - _MARGIN_MM
_NAME_LINES = 2
_SHA256_SHOWN = 16


class TagTextTooLong(ValueError):
    """A text that must not be cut does not fit the label in letters of a readable size."""


@dataclass(frozen=True)
class TagContent:
    """What a label says.

    Parameters
    ----------
    code : the lot's code.
    product : name of the material; long names are cut.
    net_kg : net mass in kilograms, as text.
    made_on : day the lot was made.
    site : name of the plant; long names are cut.
    recycled_percent_text : computed post-consumer share in percent, already cut down; None says nothing.
    record_sha256 : SHA-256 of the lot record (hex) if one was issued; its first 16 characters are printed.
    issue : number of that issue, printed with the record only.
    notice : sentence in the frame; never empty.
    """

    code: str
    product: str
    net_kg: str
    made_on: date
    site: str
    recycled_percent_text: str | None = None
    record_sha256: str | None = None
    issue: int = 1
    notice: str = NOTICE

    def __post_init__(self) -> None:
        if not self.notice.strip():
            raise ValueError("expected a notice such as TagContent's own, got an empty one: leave it out to use that")


@dataclass(frozen=True)
class _Line:
    """One line of text: baseline, letter size and the room it has, in millimetres."""

    x_mm: float
    baseline_mm: float
    size_mm: float
    room_mm: float
    text: str

    @property
    def top_mm(self) -> float:
        return self.baseline_mm - self.size_mm

    @property
    def height_mm(self) -> float:
        return 1.3 * self.size_mm


_BAR = (60.5, 6.0, 1.6, 20.5)  # x, y, width, height: the thick mark left of the heading
_FRAME = (_MARGIN_MM, 86.0, WIDTH_MM - 2 * _MARGIN_MM, 10.0)
_FRAME_STROKE_MM = 0.7


def grouped_code(code: str) -> str:
    """A code as it is read aloud: two groups of five."""
    return f"{code[:5]} {code[5:]}"


def recycled_line(percent_text: str) -> str:
    """The recycled share in words, the same on label and page."""
    return f"{percent_text} % post-consumer, computed, not certified"


def tag_svg(content: TagContent, url: str) -> str:
    """The label as an SVG document of 148 mm x 105 mm.

    Parameters
    ----------
    content : what it says.
    url : scan address of the same lot, see `service.labels.qr.scan_url`.

    Raises
    ------
    TagTextTooLong
        If a text that must not be cut does not fit.
    ValueError
        If the address leads to another code than the one printed.
    """
    matrix = _matrix_of(content, url)
    scale = round(_QR_MM / matrix.side_modules, 5)
    drawn = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM:g}mm" height="{HEIGHT_MM:g}mm" '
        f'viewBox="0 0 {WIDTH_MM:g} {HEIGHT_MM:g}" font-family="sans-serif" role="img">',
        f"<title>Label of lot {escape(content.code)}</title>",
        f'<rect width="{WIDTH_MM:g}" height="{HEIGHT_MM:g}" fill="#fff"/>',
        f'<path transform="scale({scale:g})" shape-rendering="crispEdges" d="{svg_path(matrix)}"/>',
        '<rect x="{:g}" y="{:g}" width="{:g}" height="{:g}"/>'.format(*_BAR),
        '<rect x="{:g}" y="{:g}" width="{:g}" height="{:g}" fill="none" stroke="#000" stroke-width="{:g}"/>'.format(
            *_FRAME, _FRAME_STROKE_MM
        ),
        *(_svg_line(line) for line in _lines(content)),
        "</svg>\n",
    ]
    return "\n".join(drawn)


def _svg_line(line: _Line) -> str:
    # The inner svg clips: a browser's font that is wider than estimated cannot run into its neighbour.
    turn, x_mm = (' direction="rtl"', line.room_mm) if reads_right_to_left(line.text) else ("", 0.0)
    return (
        f'<svg x="{line.x_mm:g}" y="{line.top_mm:.5g}" '
        f'width="{line.room_mm:g}" height="{line.height_mm:.5g}">'
        f'<text x="{x_mm:g}" y="{line.size_mm:.5g}" font-size="{line.size_mm:.5g}"{turn}>'
        f"{escape(line.text)}</text></svg>"
    )


def tag_png(content: TagContent, url: str) -> bytes:
    """The label as a PNG of 300 dots per inch; parameters and refusals as `tag_svg`."""
    matrix = _matrix_of(content, url)
    label = Image.new("L", (_px(WIDTH_MM), _px(HEIGHT_MM)), 255)
    module_px = _px(_QR_MM) // matrix.side_modules  # whole pixels: a blurred edge costs reading distance
    code = qr_image(matrix, module_px)
    inset_px = (_px(_QR_MM) - code.width) // 2
    label.paste(code, (inset_px, inset_px))
    pen = ImageDraw.Draw(label)
    pen.rectangle(_corners_px(_BAR), fill=0)
    pen.rectangle(_corners_px(_FRAME), outline=0, width=_px(_FRAME_STROKE_MM))
    for line in _lines(content):
        box_px = (_px(line.room_mm), _px(line.height_mm))
        ink = drawn_text(line.text, _px(line.size_mm), box_px)
        label.paste(0, (_px(line.x_mm), _px(line.top_mm)), ink)
    return png_bytes(label, DOTS_PER_INCH)


def _px(length_mm: float) -> int:
    return round(length_mm * DOTS_PER_INCH / 25.4)


def _corners_px(box_mm: tuple[float, float, float, float]) -> tuple[int, int, int, int]:
    x, y, width, height = box_mm
    return _px(x), _px(y), _px(x + width), _px(y + height)


def _matrix_of(content: TagContent, url: str) -> QrMatrix:
    if normalise(url.rsplit("/", 1)[-1]) != content.code:
        raise ValueError(f"expected the address of lot {content.code}, got {url!r}: the two codes of one label differ")
    return qr_matrix(url)


def _lines(content: TagContent) -> Iterator[_Line]:
    """Every line of the label, cut or shrunk to its room."""
    column_mm = _RIGHT_MM - _COLUMN_MM
    half_mm = column_mm / 2
    full_mm = WIDTH_MM - 2 * _MARGIN_MM
    yield _Line(_COLUMN_MM, 9.0, 3.2, column_mm, "Product")
    for number, part in enumerate(wrapped(clean(content.product), column_mm / 7.0, _NAME_LINES)):
        yield _Line(_COLUMN_MM, 16.5 + 8.5 * number, 7.0, column_mm, part)
    yield _Line(_COLUMN_MM, 31.5, 3.2, column_mm, "Net mass")
    yield _shrunk(_Line(_COLUMN_MM, 42.0, 12.0, column_mm, f"{content.net_kg} kg"), "net_kg")
    yield _Line(_COLUMN_MM, 49.0, 3.2, half_mm - 2, "Made on")
    yield _shrunk(_Line(_COLUMN_MM, 56.0, 6.0, half_mm - 2, content.made_on.isoformat()), "made_on")
    yield _Line(_COLUMN_MM + half_mm, 49.0, 3.2, half_mm, "Site")
    yield _cut(_Line(_COLUMN_MM + half_mm, 56.0, 6.0, half_mm, content.site), smallest_mm=4.2)
    yield _shrunk(_Line(_MARGIN_MM, 74.0, 16.0, full_mm, grouped_code(content.code)), "code")
    if content.recycled_percent_text is not None:
        recycled = recycled_line(content.recycled_percent_text)
        yield _shrunk(_Line(_MARGIN_MM, 82.5, 5.2, full_mm, recycled), "recycled_percent_text")
    yield _shrunk(_Line(_MARGIN_MM + 3, 93.1, 6.0, full_mm - 6, content.notice), "notice")
    if content.record_sha256 is not None:
        record = f"Lot record issue {content.issue}, sha256 {content.record_sha256[:_SHA256_SHOWN]}"
        yield _shrunk(_Line(_MARGIN_MM, 101.0, 3.2, 84.0, record), "issue")
    yield _shrunk(_Line(_MARGIN_MM + 86, 101.0, 3.2, full_mm - 86, "Scan before you touch it."), "foot")


def _cut(line: _Line, smallest_mm: float) -> _Line:
    """The same line with a name on it: first in smaller letters, then cut."""
    name = clean(line.text)
    size_mm = max(smallest_mm, min(line.size_mm, line.room_mm / max(width_em(name), 1e-9)))
    return replace(line, size_mm=round(size_mm, 3), text=cut_to_width(name, line.room_mm / size_mm))


def _shrunk(line: _Line, field: str) -> _Line:
    """The same line in the largest letters, up to its own size, in which the whole text fits."""
    text = clean(line.text)
    size_mm = min(line.size_mm, line.room_mm / max(width_em(text), 1e-9))
    if size_mm < SMALLEST_MM:
        raise TagTextTooLong(
            f"{field}: {line.text[:80]!r} ({len(line.text)} characters) does not fit {line.room_mm:g} mm "
            f"of the label in letters of {SMALLEST_MM} mm: shorten it"
        )
    return replace(line, size_mm=round(size_mm, 3), text=text)
