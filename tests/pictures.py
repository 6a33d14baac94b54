"""Pictures for tests, made here: what a phone sends, and what nobody should send."""

import struct
import zlib
from base64 import b64encode
from io import BytesIO
from typing import Any

from PIL import Image

LATITUDE = (38.0, 42.0, 51.25)
CAMERA = "Invented Camera Works"


def encoded(image: Image.Image, kind: str = "JPEG", **more: Any) -> bytes:
    file = BytesIO()
    image.save(file, kind, **more)
    return file.getvalue()


def decoded(content: bytes) -> Image.Image:
    image = Image.open(BytesIO(content))
    image.load()
    return image


def corner_photo(kind: str = "JPEG", orientation: int = 1, size: tuple[int, int] = (64, 32)) -> bytes:
    """White with a black quarter at the corner that the file's first pixel is in, and all that a phone notes."""
    image = Image.new("RGB", size, "white")
    image.paste("black", (0, 0, size[0] // 2, size[1] // 2))
    notes = Image.Exif()
    notes[0x0112] = orientation
    notes[0x010F] = CAMERA
    notes.get_ifd(0x8825)[2] = LATITUDE
    return encoded(image, kind, exif=notes)


def png_of_size(width: int, height: int) -> bytes:
    """A PNG that states a size; its few compressed bytes are not that many pixels."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(64))) + chunk(b"IEND", b"")
    )


def scans(passes: int) -> bytes:
    """A progressive JPEG whose last pass comes `passes` more times."""
    once = encoded(Image.new("L", (64, 64), 100), progressive=True)
    last, end = once.rindex(b"\xff\xda"), once.rindex(b"\xff\xd9")
    return once[:end] + once[last:end] * passes + once[end:]


def base64(content: bytes) -> str:
    return b64encode(content).decode()
