"""The tag of a bale: 100 mm x 150 mm upright for a weatherproof label, black on white, as SVG and as PNG.

Everybody in the yard reads it, so it names no supplier. Film, wire and forks take a part of most tags:
the QR code and the code in letters stand on it twice, at the top and at the bottom. The paper says nothing
about holds or release: that changes after printing, so only the scan page tells it.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date

from service.labels.lettering import clean, width_em, wrapped
from service.labels.sheet import (
    SMALLEST_MM,
    Line,
    Mark,
    PlacedCode,
    Sheet,
    code_to,
    cut,
    sheet_png,
    sheet_svg,
    shrunk,
)
from service.labels.tag import NOTICE, grouped_code

WIDTH_MM, HEIGHT_MM = 100.0, 150.0
PRINTER_DOTS_PER_INCH = 203
"""The coarser of the two resolutions that thermal label printers commonly have (common practice, no source)."""

SCAN_FIRST = ("May it be", "touched?", "Scan first.")

_MARGIN_MM = 4.0
_FULL_MM = WIDTH_MM - 2 * _MARGIN_MM
_NAME_LINES = 2
# The quiet zone inside each square serves as its margin.
_LARGE_QR = (0.0, 16.0, 66.0)  # x, y, side
_SMALL_QR = (WIDTH_MM - 31.0, HEIGHT_MM - 31.0, 31.0)
_COLUMN_MM = 67.0  # left edge of the text beside the large code
_COLUMN_ROOM_MM = WIDTH_MM - _MARGIN_MM - _COLUMN_MM
_BESIDE_SMALL_MM = _SMALL_QR[0] - _MARGIN_MM
_BAR = Mark(_COLUMN_MM, 21.5, _COLUMN_ROOM_MM, 1.6)
_FRAME = Mark(_MARGIN_MM, 111.5, _FULL_MM, 7.5, stroke_mm=0.6)


@dataclass(frozen=True)
class BaleTagContent:
    """What a bale tag says.

    Parameters
    ----------
    code : the bale's code.
    material : name of the material; long names are cut.
    ticket_no : number of the weighbridge ticket it came with.
    bale_no, bales : its place among the bales of that ticket, counted from 1.
    arrived_on : day of the plant's calendar on which the ticket was opened.
    supplier_tag : the tag it bore on arrival; None says nothing, long ones are cut.
    mass_kg : mass in kilograms, as text; None while it has none.
    mass_basis : how the mass is known, such as "weighed" or "estimated"; stands with a mass and only there.
    """

    code: str
    material: str
    ticket_no: str
    bale_no: int
    bales: int
    arrived_on: date
    supplier_tag: str | None = None
    mass_kg: str | None = None
    mass_basis: str | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.bale_no <= self.bales:
            raise ValueError(
                f"bale_no: expected a number from 1 to {self.bales}, got {self.bale_no}: count the bales of the ticket"
            )
        if (self.mass_kg is None) != (self.mass_basis is None) or self.mass_basis == "":
            raise ValueError(
                f"bale {self.code}: expected a mass with its basis or neither, "
                f"got {self.mass_kg!r} kg and {self.mass_basis!r}: a mass is never shown without how it is known"
            )


def bale_tag_svg(content: BaleTagContent, url: str) -> str:
    """The tag as an SVG document of 100 mm x 150 mm.

    Parameters
    ----------
    content : what it says.
    url : scan address of the same bale, see `service.labels.qr.scan_url`.

    Raises
    ------
    service.labels.sheet.TagTextTooLong
        If a text that must not be cut does not fit.
    ValueError
        If the address leads to another code than the one printed.
    """
    return sheet_svg(_sheet(content, url))


def bale_tag_png(content: BaleTagContent, url: str, dots_per_inch: int = PRINTER_DOTS_PER_INCH) -> bytes:
    """The tag as a PNG in the resolution of a printer; other parameters and refusals as `bale_tag_svg`."""
    return sheet_png(_sheet(content, url), dots_per_inch)


def _sheet(content: BaleTagContent, url: str) -> Sheet:
    matrix = code_to(content.code, url)
    return Sheet(
        WIDTH_MM,
        HEIGHT_MM,
        title=f"Tag of bale {content.code}",
        codes=(PlacedCode(*_LARGE_QR, matrix), PlacedCode(*_SMALL_QR, matrix)),
        marks=(_BAR, _FRAME),
        lines=tuple(_lines(content)),
    )


def _lines(content: BaleTagContent) -> Iterator[Line]:
    """Every line of the tag, cut or shrunk to its room, from top to bottom."""
    yield shrunk(Line(_MARGIN_MM, 15.0, 16.0, _FULL_MM, grouped_code(content.code)), "code")
    yield from _beside_large_code(content)
    for number, part in enumerate(wrapped(clean(content.material), _FULL_MM / 6.2, _NAME_LINES)):
        yield Line(_MARGIN_MM, 87.5 + 6.8 * number, 6.2, _FULL_MM, part)
    yield from _place_on_ticket(content)
    if content.mass_kg is not None:
        mass = f"{content.mass_kg} kg {content.mass_basis}"
        yield shrunk(Line(_MARGIN_MM, 109.0, 6.4, _FULL_MM, mass), "mass_kg")
    yield shrunk(Line(_MARGIN_MM + 2, 117.0, 5.2, _FULL_MM - 4, NOTICE), "notice")
    for group, baseline_mm in zip(grouped_code(content.code).split(" "), (133.0, 147.0), strict=True):
        yield shrunk(Line(_MARGIN_MM, baseline_mm, 14.0, _BESIDE_SMALL_MM, group), "code")


def _beside_large_code(content: BaleTagContent) -> Iterator[Line]:
    for number, words in enumerate(SCAN_FIRST):
        yield shrunk(Line(_COLUMN_MM, 29.5 + 6.0 * number, 5.2, _COLUMN_ROOM_MM, words), "scan first")
    yield Line(_COLUMN_MM, 52.0, 3.2, _COLUMN_ROOM_MM, "Arrived")
    yield shrunk(Line(_COLUMN_MM, 57.5, 5.2, _COLUMN_ROOM_MM, content.arrived_on.isoformat()), "arrived_on")
    if content.supplier_tag is not None:
        yield Line(_COLUMN_MM, 66.5, 3.2, _COLUMN_ROOM_MM, "Supplier's tag")
        yield cut(Line(_COLUMN_MM, 72.5, 5.2, _COLUMN_ROOM_MM, content.supplier_tag), smallest_mm=3.2)


def _place_on_ticket(content: BaleTagContent) -> Iterator[Line]:
    """Ticket and bale on one line, or on two small ones where the ticket's number is long."""
    ticket, bale = f"Ticket {content.ticket_no}", f"bale {content.bale_no} of {content.bales}"
    one = Line(_MARGIN_MM, 101.0, 4.8, _FULL_MM, f"{ticket} \N{MIDDLE DOT} {bale}")
    if width_em(clean(one.text)) * SMALLEST_MM <= _FULL_MM:
        yield shrunk(one, "ticket_no")
    else:
        yield shrunk(replace(one, baseline_mm=98.6, size_mm=2.8, text=ticket), "ticket_no")
        yield shrunk(replace(one, baseline_mm=102.0, size_mm=2.8, text=bale), "bales")
