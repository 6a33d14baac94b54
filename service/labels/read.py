"""What the QR codes in a photograph say.

A photograph comes from anybody's phone, so its size is looked at before it is unpacked: a few kilobytes
can unpack to gigabytes. Large pictures are read small first, which is faster and forgives noise.
"""

import io
import struct
import zlib
from collections.abc import Iterator

import zxingcpp
from PIL import Image

from service.core.codes import NotACode, normalise
from service.core.jpeg_passes import PASSES_MAX, has_too_many_passes
from service.core.typed_lists import code_in_address

PIXELS_MAX = 40_000_000
"""More than the cameras of ordinary phones deliver (common practice, no source)."""

SMALL_PIXELS = 2_000_000
FORMATS = ("JPEG", "PNG", "WEBP")

_WHITE = 255
# What Pillow raises for broken files, by format and place of the damage.
_BROKEN = (OSError, SyntaxError, ValueError, EOFError, IndexError, KeyError, struct.error, zlib.error)


class NotAnImage(ValueError):
    """The bytes are no JPEG, PNG or WebP picture that can be unpacked."""


class ImageTooLarge(ValueError):
    """The picture would unpack to more pixels than are read here."""


def read_codes(image_bytes: bytes) -> list[str]:
    """Texts of the QR codes in a picture, each once; empty where none can be read.

    Parameters
    ----------
    image_bytes : a JPEG, PNG or WebP file.

    Raises
    ------
    NotAnImage
        If it is another format or broken.
    ImageTooLarge
        If its header states more than `PIXELS_MAX` pixels, or it is a JPEG of more than `PASSES_MAX` passes;
        nothing was unpacked then.
    """
    if has_too_many_passes(image_bytes):
        raise ImageTooLarge(_too_large(f"one that comes in more than {PASSES_MAX} passes"))
    for picture in _tries(image_bytes):
        found = zxingcpp.read_barcodes(picture, formats=zxingcpp.barcode_formats_from_str("QRCode"))
        texts = [code.text for code in found if code.text]
        if texts:
            return list(dict.fromkeys(texts))
    return []


def code_in(text: str, public_host: str | None = None) -> str | None:
    """The code of a lot in a scanned text: a scan address or the bare code; None for anything else.

    Parameters
    ----------
    text : as read from a QR code.
    public_host : the only host to accept in an address, with its port if it has one; None accepts any.

    Examples
    --------
    >>> code_in("https://trace.example.com/l/q2ztmzmyej"), code_in("Q2ZTM ZMYEJ"), code_in("WIFI:S:yard;;")
    ('Q2ZTMZMYEJ', 'Q2ZTMZMYEJ', None)
    """
    code = code_in_address(text, public_host)
    if code is not None:
        return code
    try:
        return normalise(text)
    except NotACode:
        return None


def _tries(image_bytes: bytes) -> Iterator[Image.Image]:
    """The picture in grey, made small if it is large, then as it is."""
    try:
        picture = _opened(image_bytes)
        if picture.width * picture.height > SMALL_PIXELS:
            yield _small(picture)
            picture = _opened(image_bytes)
        picture.draft("L", picture.size)
        yield _grey(picture)
    except ImageTooLarge:
        raise
    except _BROKEN as fault:
        raise NotAnImage(
            f"expected a JPEG, PNG or WebP picture, got {len(image_bytes)} bytes that cannot be unpacked: "
            "take the photo again"
        ) from fault


def _opened(image_bytes: bytes) -> Image.Image:
    """The picture with its header read and nothing unpacked."""
    try:
        picture = Image.open(io.BytesIO(image_bytes), formats=FORMATS)
        width, height = picture.size
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as fault:
        raise ImageTooLarge(_too_large("more than Pillow opens")) from fault
    if width * height > PIXELS_MAX:
        raise ImageTooLarge(_too_large(f"{width} x {height} pixels"))
    return picture


def _too_large(size: str) -> str:
    return (
        f"expected a picture of at most {PIXELS_MAX // 1_000_000} million pixels, got {size}: "
        "take the photo with a lower resolution"
    )


def _small(picture: Image.Image) -> Image.Image:
    """The picture in grey with about `SMALL_PIXELS` pixels."""
    scale = (SMALL_PIXELS / (picture.width * picture.height)) ** 0.5
    size = max(1, round(picture.width * scale)), max(1, round(picture.height * scale))
    # JPEG alone can leave out detail while it unpacks; the rest is done on the pixels.
    picture.draft("L", size)
    return _grey(picture).resize(size, Image.Resampling.BOX)


def _grey(picture: Image.Image) -> Image.Image:
    """Luminance only; what is transparent counts as white paper."""
    if picture.mode.startswith("I"):  # 16 bits a pixel: Pillow would cut off all above the lowest eight
        return picture.convert("I").point(lambda luminance: luminance / 256).convert("L")
    if picture.has_transparency_data:
        paper = Image.new("RGBA", picture.size, (_WHITE, _WHITE, _WHITE, _WHITE))
        return Image.alpha_composite(paper, picture.convert("RGBA")).convert("L")
    return picture.convert("L")
