"""The QR code of a label: what it holds, how strong it is, and how it is drawn.

The text is the address of the scan page in capitals: the alphanumeric mode of a QR code has no small
letters, and in it the same address fits a coarser code that is read from farther away. The host of an
address means the same in capitals (RFC 3986, 3.2.2) and the scan page answers to /L/ as well as /l/.
"""

import io
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import qrcode
from PIL import Image
from qrcode.constants import ERROR_CORRECT_H, ERROR_CORRECT_Q
from qrcode.util import QRData

from service.core.codes import normalise

QUIET_MODULES = 4
"""Empty border on each side, in modules. Source: ISO/IEC 18004 (value from memory)."""

# Weakest accepted level first. A label in the yard loses a corner to film, glue or a scratch.
_LEVELS = (("Q", ERROR_CORRECT_Q), ("H", ERROR_CORRECT_H))


class PublicUrlUnfit(ValueError):
    """The public address cannot be printed as the beginning of a scan address."""


def scan_url(public_url: str, code: str) -> str:
    """The address that a label's QR code holds, in capitals: ``HTTPS://HOST/L/CODE``.

    Parameters
    ----------
    public_url : scheme and host, with a port where one is needed; nothing after it.
    code : code of a lot as typed or scanned.

    Raises
    ------
    PublicUrlUnfit
        If the address has no http(s) scheme or host, or has a path, which capitals would change.
    service.core.codes.NotACode
        If the code is mistyped.

    Examples
    --------
    >>> scan_url("https://trace.example.com", "q2zt mzmyej")
    'HTTPS://TRACE.EXAMPLE.COM/L/Q2ZTMZMYEJ'
    """
    parts = urlsplit(public_url.strip().rstrip("/"))
    extra = parts.path or parts.query or parts.fragment or parts.username
    if parts.scheme not in {"http", "https"} or not parts.hostname or extra or not parts.netloc.isascii():
        raise PublicUrlUnfit(
            f"expected scheme and host such as https://trace.example.com, got {public_url[:80]!r}: "
            "set the public address to one without path or user, and a host in its ASCII spelling"
        )
    return f"{parts.scheme}://{parts.netloc}/L/{normalise(code)}".upper()


@dataclass(frozen=True)
class QrMatrix:
    """The dark and light modules of one QR code, without the quiet zone.

    Parameters
    ----------
    text : what a reader gives back.
    version : 1 to 40; the side is 17 + 4 x version modules.
    level : error correction, "Q" or "H".
    rows : modules from top to bottom, left to right; true is dark.
    """

    text: str
    version: int
    level: str
    rows: tuple[tuple[bool, ...], ...]

    @property
    def side_modules(self) -> int:
        """Side with the quiet zone on both ends."""
        return len(self.rows) + 2 * QUIET_MODULES


def qr_matrix(text: str) -> QrMatrix:
    """The QR code of a text: smallest version at level Q, then the highest level that keeps this version.

    A higher level that needs a larger version would shrink the modules of a label of fixed size, and small
    modules are lost to blur sooner than strong correction wins them back.
    """
    weakest, *stronger = _LEVELS
    best, best_level = _fitted(text, weakest[1]), weakest[0]
    for level, constant in stronger:
        candidate = _fitted(text, constant)
        if candidate.version == best.version:
            best, best_level = candidate, level
    best.make(fit=False)  # the slow part, so only for the one that is drawn
    rows = tuple(tuple(bool(module) for module in row) for row in best.modules)
    return QrMatrix(text, int(best.version), best_level, rows)


def _fitted(text: str, level: int) -> "qrcode.QRCode[Any]":
    """An encoder whose version is the smallest that holds the text."""
    code = qrcode.QRCode(version=None, error_correction=level, border=0)
    # One segment: the library would otherwise cut long texts into pieces of different modes.
    code.add_data(QRData(text), optimize=0)
    code.best_fit()
    return code


def svg_path(matrix: QrMatrix) -> str:
    """Path data that fills the dark modules, one unit a module, with the quiet zone around them."""
    runs = []
    for y, row in enumerate(matrix.rows, start=QUIET_MODULES):
        start = None
        for x, dark in enumerate((*row, False), start=QUIET_MODULES):
            if dark and start is None:
                start = x
            elif not dark and start is not None:
                runs.append(f"M{start} {y}h{x - start}v1h{start - x}z")
                start = None
    return "".join(runs)


def qr_svg(matrix: QrMatrix) -> str:
    """The code alone as an SVG document, one millimetre a module, on white."""
    side = matrix.side_modules
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{side}mm" height="{side}mm" '
        f'viewBox="0 0 {side} {side}" shape-rendering="crispEdges">'
        f'<path fill="#fff" d="M0 0h{side}v{side}h-{side}z"/><path d="{svg_path(matrix)}"/></svg>\n'
    )


def qr_image(matrix: QrMatrix, module_px: int) -> Image.Image:
    """The code with its quiet zone, black on white, each module a square of `module_px` pixels."""
    side = matrix.side_modules
    image = Image.new("L", (side, side), 255)
    for y, row in enumerate(matrix.rows, start=QUIET_MODULES):
        for x, dark in enumerate(row, start=QUIET_MODULES):
            if dark:
                image.putpixel((x, y), 0)
    return image.resize((side * module_px, side * module_px), Image.Resampling.NEAREST)


def qr_png(matrix: QrMatrix, module_px: int = 10) -> bytes:
    """`qr_image` as a PNG file."""
    return png_bytes(qr_image(matrix, module_px))


def png_bytes(image: Image.Image, dots_per_inch: int | None = None) -> bytes:
    """A PNG file without time or software marks: the same picture gives the same bytes."""
    buffer = io.BytesIO()
    image.save(buffer, "PNG", **({"dpi": (dots_per_inch, dots_per_inch)} if dots_per_inch else {}))
    return buffer.getvalue()
