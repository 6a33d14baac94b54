"""A small sheet of paper: text, marks and QR codes at places in millimetres, black on white.

The same sheet is drawn as SVG for a browser and as PNG for a printer, so the two cannot say different
things. A number, a code and a notice are never cut: they shrink until they fit. A name is cut with an
ellipsis. Nothing here knows what a label says.
"""

from dataclasses import dataclass, replace
from xml.sax.saxutils import escape

from PIL import Image, ImageDraw

from service.core.codes import normalise
from service.labels.lettering import clean, cut_to_width, drawn_text, reads_right_to_left, width_em
from service.labels.qr import QrMatrix, png_bytes, qr_image, qr_matrix, svg_path

SMALLEST_MM = 2.5  # letters below this cannot be read at arm's length
_MM_PER_INCH = 25.4


class TagTextTooLong(ValueError):
    """A text that must not be cut does not fit the label in letters of a readable size."""


@dataclass(frozen=True)
class Line:
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


@dataclass(frozen=True)
class Mark:
    """A rectangle, in millimetres: filled, or a frame where it has a stroke."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    stroke_mm: float | None = None


@dataclass(frozen=True)
class PlacedCode:
    """A QR code with its quiet zone in a square, in millimetres from the corner of the sheet."""

    x_mm: float
    y_mm: float
    side_mm: float
    matrix: QrMatrix


@dataclass(frozen=True)
class Sheet:
    """All that is on one sheet; `title` is what a screen reader calls the picture."""

    width_mm: float
    height_mm: float
    title: str
    codes: tuple[PlacedCode, ...]
    marks: tuple[Mark, ...]
    lines: tuple[Line, ...]


def code_to(code: str, url: str) -> QrMatrix:
    """The QR code of an address that leads to the code printed beside it.

    Raises
    ------
    ValueError
        If the address leads to another code.
    """
    if normalise(url.rsplit("/", 1)[-1]) != code:
        raise ValueError(f"expected the address of lot {code}, got {url!r}: the two codes of one label differ")
    return qr_matrix(url)


def cut(line: Line, smallest_mm: float) -> Line:
    """The same line with a name on it: first in smaller letters, then cut."""
    name = clean(line.text)
    size_mm = max(smallest_mm, min(line.size_mm, line.room_mm / max(width_em(name), 1e-9)))
    return replace(line, size_mm=round(size_mm, 3), text=cut_to_width(name, line.room_mm / size_mm))


def shrunk(line: Line, field: str) -> Line:
    """The same line in the largest letters, up to its own size, in which the whole text fits.

    Parameters
    ----------
    field : name of what is written, for the refusal.

    Raises
    ------
    TagTextTooLong
        If that would need letters below `SMALLEST_MM`.
    """
    text = clean(line.text)
    size_mm = min(line.size_mm, line.room_mm / max(width_em(text), 1e-9))
    if size_mm < SMALLEST_MM:
        raise TagTextTooLong(
            f"{field}: {line.text[:80]!r} ({len(line.text)} characters) does not fit {line.room_mm:g} mm "
            f"of the label in letters of {SMALLEST_MM} mm: shorten it"
        )
    return replace(line, size_mm=round(size_mm, 3), text=text)


def sheet_svg(sheet: Sheet) -> str:
    """The sheet as an SVG document of its size in millimetres."""
    width, height = f"{sheet.width_mm:g}", f"{sheet.height_mm:g}"
    drawn = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}" font-family="sans-serif" role="img">',
        f"<title>{escape(sheet.title)}</title>",
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        *(_svg_code(code) for code in sheet.codes),
        *(_svg_mark(mark) for mark in sheet.marks),
        *(_svg_line(line) for line in sheet.lines),
        "</svg>\n",
    ]
    return "\n".join(drawn)


def _svg_code(code: PlacedCode) -> str:
    scale = round(code.side_mm / code.matrix.side_modules, 5)
    moved = f"translate({code.x_mm:g} {code.y_mm:g}) " if code.x_mm or code.y_mm else ""
    return f'<path transform="{moved}scale({scale:g})" shape-rendering="crispEdges" d="{svg_path(code.matrix)}"/>'


def _svg_mark(mark: Mark) -> str:
    place = f'x="{mark.x_mm:g}" y="{mark.y_mm:g}" width="{mark.width_mm:g}" height="{mark.height_mm:g}"'
    if mark.stroke_mm is None:
        return f"<rect {place}/>"
    return f'<rect {place} fill="none" stroke="#000" stroke-width="{mark.stroke_mm:g}"/>'


def _svg_line(line: Line) -> str:
    # The inner svg clips: a browser's font that is wider than estimated cannot run into its neighbour.
    turn, x_mm = (' direction="rtl"', line.room_mm) if reads_right_to_left(line.text) else ("", 0.0)
    return (
        f'<svg x="{line.x_mm:g}" y="{line.top_mm:.5g}" '
        f'width="{line.room_mm:g}" height="{line.height_mm:.5g}">'
        f'<text x="{x_mm:g}" y="{line.size_mm:.5g}" font-size="{line.size_mm:.5g}"{turn}>'
        f"{escape(line.text)}</text></svg>"
    )


def sheet_png(sheet: Sheet, dots_per_inch: int) -> bytes:
    """The sheet as a PNG file in the resolution of a printer."""

    def px(length_mm: float) -> int:
        return round(length_mm * dots_per_inch / _MM_PER_INCH)

    paper = Image.new("L", (px(sheet.width_mm), px(sheet.height_mm)), 255)
    for code in sheet.codes:
        module_px = px(code.side_mm) // code.matrix.side_modules  # whole pixels: a blurred edge costs reading distance
        picture = qr_image(code.matrix, module_px)
        inset_px = (px(code.side_mm) - picture.width) // 2
        paper.paste(picture, (px(code.x_mm) + inset_px, px(code.y_mm) + inset_px))
    pen = ImageDraw.Draw(paper)
    for mark in sheet.marks:
        corners_px = (
            px(mark.x_mm),
            px(mark.y_mm),
            px(mark.x_mm + mark.width_mm),
            px(mark.y_mm + mark.height_mm),
        )
        if mark.stroke_mm is None:
            pen.rectangle(corners_px, fill=0)
        else:
            pen.rectangle(corners_px, outline=0, width=px(mark.stroke_mm))
    for line in sheet.lines:
        ink = drawn_text(line.text, px(line.size_mm), (px(line.room_mm), px(line.height_mm)))
        paper.paste(0, (px(line.x_mm), px(line.top_mm)), ink)
    return png_bytes(paper, dots_per_inch)
