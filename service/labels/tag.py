"""The label of a lot: A6 landscape, black on white, once as SVG for a browser and once as PNG for a printer.

The paper says nothing about holds or release: that changes after printing, so only the scan page tells it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from service.labels.lettering import clean, wrapped
from service.labels.sheet import Line, Mark, PlacedCode, Sheet, code_to, cut, sheet_png, sheet_svg, shrunk

NOTICE = "Not assessed for food contact, no claim."
"""Stands on every label, page and paper until a release exists; food contact is not decided here."""

WIDTH_MM, HEIGHT_MM = 148.0, 105.0
DOTS_PER_INCH = 300
_MARGIN_MM = 5.0
_QR_MM = 60.0  # from the corner of the label: the quiet zone inside serves as its margin
_COLUMN_MM = 64.0  # left edge of the text beside the QR code
_RIGHT_MM = WIDTH_MM - _MARGIN_MM
_NAME_LINES = 2
_SHA256_SHOWN = 16


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


_BAR = Mark(60.5, 6.0, 1.6, 20.5)  # the thick mark left of the heading
_FRAME = Mark(_MARGIN_MM, 86.0, WIDTH_MM - 2 * _MARGIN_MM, 10.0, stroke_mm=0.7)


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
    service.labels.sheet.TagTextTooLong
        If a text that must not be cut does not fit.
    ValueError
        If the address leads to another code than the one printed.
    """
    return sheet_svg(_sheet(content, url))


def tag_png(content: TagContent, url: str) -> bytes:
    """The label as a PNG of 300 dots per inch; parameters and refusals as `tag_svg`."""
    return sheet_png(_sheet(content, url), DOTS_PER_INCH)


def _sheet(content: TagContent, url: str) -> Sheet:
    return Sheet(
        WIDTH_MM,
        HEIGHT_MM,
        title=f"Label of lot {content.code}",
        codes=(PlacedCode(0.0, 0.0, _QR_MM, code_to(content.code, url)),),
        marks=(_BAR, _FRAME),
        lines=tuple(_lines(content)),
    )


def _lines(content: TagContent) -> Iterator[Line]:
    """Every line of the label, cut or shrunk to its room."""
    column_mm = _RIGHT_MM - _COLUMN_MM
    half_mm = column_mm / 2
    full_mm = WIDTH_MM - 2 * _MARGIN_MM
    yield Line(_COLUMN_MM, 9.0, 3.2, column_mm, "Product")
    for number, part in enumerate(wrapped(clean(content.product), column_mm / 7.0, _NAME_LINES)):
        yield Line(_COLUMN_MM, 16.5 + 8.5 * number, 7.0, column_mm, part)
    yield Line(_COLUMN_MM, 31.5, 3.2, column_mm, "Net mass")
    yield shrunk(Line(_COLUMN_MM, 42.0, 12.0, column_mm, f"{content.net_kg} kg"), "net_kg")
    yield Line(_COLUMN_MM, 49.0, 3.2, half_mm - 2, "Made on")
    yield shrunk(Line(_COLUMN_MM, 56.0, 6.0, half_mm - 2, content.made_on.isoformat()), "made_on")
    yield Line(_COLUMN_MM + half_mm, 49.0, 3.2, half_mm, "Site")
    yield cut(Line(_COLUMN_MM + half_mm, 56.0, 6.0, half_mm, content.site), smallest_mm=4.2)
    yield shrunk(Line(_MARGIN_MM, 74.0, 16.0, full_mm, grouped_code(content.code)), "code")
    if content.recycled_percent_text is not None:
        recycled = recycled_line(content.recycled_percent_text)
        yield shrunk(Line(_MARGIN_MM, 82.5, 5.2, full_mm, recycled), "recycled_percent_text")
    yield shrunk(Line(_MARGIN_MM + 3, 93.1, 6.0, full_mm - 6, content.notice), "notice")
    if content.record_sha256 is not None:
        record = f"Lot record issue {content.issue}, sha256 {content.record_sha256[:_SHA256_SHOWN]}"
        yield shrunk(Line(_MARGIN_MM, 101.0, 3.2, 84.0, record), "issue")
    yield shrunk(Line(_MARGIN_MM + 86, 101.0, 3.2, full_mm - 86, "Scan before you touch it."), "foot")
