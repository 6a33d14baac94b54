"""Goal: a photograph of a label gives its code; anything else gives nothing or a plain refusal, and harms nobody.

Method: labels of this service in pictures of each format, size and mode; files cut, changed and blown up.
"""

from __future__ import annotations

import io
import random
import struct
import zlib

import pytest
import zxingcpp
from PIL import Image

from service.core.codes import code_for
from service.labels.qr import qr_image, qr_matrix, scan_url
from service.labels.read import SMALL_PIXELS, ImageTooLarge, NotAnImage, code_in, read_codes

CODE = "Q2ZTMZMYEJ"
URL = scan_url("https://trace.example.com", CODE)
FORMATS = ["JPEG", "PNG", "WEBP"]


def label(text: str = URL, module_px: int = 6) -> Image.Image:
    return qr_image(qr_matrix(text), module_px)


def file_of(image: Image.Image, kind: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


def yard(width: int, height: int) -> Image.Image:
    return Image.effect_noise((width, height), 40)


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_a_photograph_of_a_label_gives_its_text(kind: str, mode: str):
    photograph = yard(1280, 720)
    photograph.paste(label().rotate(12, expand=True, fillcolor=255), (400, 200))
    assert read_codes(file_of(photograph.convert(mode), kind)) == [URL]


@pytest.mark.parametrize("kind", FORMATS)
def test_a_blank_photograph_gives_nothing(kind: str):
    assert read_codes(file_of(yard(640, 480).convert("RGB"), kind)) == []
    assert read_codes(file_of(Image.new("RGB", (640, 480), "white"), kind)) == []


def test_two_labels_give_two_texts_and_one_label_seen_twice_gives_one():
    other = scan_url("https://trace.example.com", code_for(5))
    photograph = Image.new("L", (900, 300), 255)
    for place, text in enumerate((URL, other, URL)):
        photograph.paste(label(text), (300 * place, 20))
    texts = read_codes(file_of(photograph, "PNG"))
    assert sorted(texts) == sorted([URL, other])


def test_codes_that_are_no_qr_codes_are_left_alone():
    # A bar code of lines is found by the reader, but no label of ours is one.
    lines = Image.new("L", (400, 200), 255)
    # "2 of 5 interleaved" of 1234, drawn by its table of narrow and wide lines. Source: ISO/IEC 16390, from memory.
    wide = {"1": "10001", "2": "01001", "3": "11000", "4": "00101"}
    widths = [1, 1, 1, 1]
    for first, second in ("12", "34"):
        for line, gap in zip(wide[first], wide[second], strict=True):
            widths += [3 if line == "1" else 1, 3 if gap == "1" else 1]
    widths += [3, 1, 1]
    x = 60
    for number, width in enumerate(widths):
        if number % 2 == 0:
            lines.paste(0, (x, 40, x + 4 * width, 160))
        x += 4 * width
    assert [code.text for code in zxingcpp.read_barcodes(lines)] == ["1234"]
    assert read_codes(file_of(lines, "PNG")) == []


@pytest.mark.parametrize("kind", FORMATS)
def test_a_large_photograph_is_read(kind: str):
    photograph = Image.new("RGB", (3000, 2000), (90, 90, 90))
    photograph.paste(label(module_px=20).convert("RGB"), (1200, 400))
    assert read_codes(file_of(photograph, kind)) == [URL]


def test_a_code_too_fine_for_the_small_picture_is_found_at_full_size():
    photograph = Image.new("L", (6000, 4000), 255)
    photograph.paste(label(module_px=2), (3001, 1001))
    small = photograph.resize((1730, 1153), Image.Resampling.BOX)
    assert small.width * small.height <= SMALL_PIXELS
    assert read_codes(file_of(small, "PNG")) == []
    assert read_codes(file_of(photograph, "PNG")) == [URL]


@pytest.mark.parametrize("mode", ["1", "P", "CMYK", "I;16", "RGBA", "LA", "inverted"])
def test_pictures_of_other_kinds_are_read(mode: str):
    code = label()
    if mode == "I;16":
        # Dark and light both above 255: what the low eight bits say is nothing.
        picture = Image.new("I;16", code.size)
        picture.putdata([60_000 if luminance else 20_000 for luminance in code.tobytes()])
    elif mode in {"RGBA", "LA"}:
        # Black ink on transparent black paper.
        picture = Image.new(mode, code.size, 0)
        ink = Image.eval(code, lambda luminance: 255 - luminance)
        picture.putalpha(ink)
    elif mode == "inverted":
        picture = Image.eval(code, lambda luminance: 255 - luminance)
    else:
        picture = code.convert(mode)
    assert read_codes(file_of(picture, "JPEG" if mode == "CMYK" else "PNG")) == [URL]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xff\xd8\xff",
        b"not a picture at all",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"%PDF-1.7",
        file_of(label(), "GIF"),
        file_of(label(), "BMP"),
        file_of(label(), "TIFF"),
        file_of(label(), "PNG")[:-200],
        file_of(label().convert("RGB"), "JPEG")[:300],
        file_of(label().convert("RGB"), "WEBP")[:100],
    ],
    ids=["empty", "three bytes", "text", "svg", "pdf", "gif", "bmp", "tiff", "cut png", "cut jpeg", "cut webp"],
)
def test_what_is_no_picture_is_refused(content: bytes):
    with pytest.raises(
        NotAnImage, match=r"expected a JPEG, PNG or WebP picture, got .* bytes .*: take the photo again"
    ):
        read_codes(content)


def png_of_zeros(width: int, height: int) -> bytes:
    """A PNG whose pixels all have one colour: a thousandth of its unpacked size."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    packer = zlib.compressobj(9)
    row = bytes(1 + width)
    body = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def test_a_picture_that_unpacks_to_too_much_is_refused_before_it_does():
    bomb = png_of_zeros(8_000, 5_001)
    assert len(bomb) < 100_000
    with pytest.raises(ImageTooLarge, match="at most 40 million pixels, got 8000 x 5001 pixels: take the photo"):
        read_codes(bomb)
    # Cut behind its header it is refused for the same reason: nothing after the header was looked at.
    with pytest.raises(ImageTooLarge):
        read_codes(bomb[:60])


@pytest.mark.parametrize("side", [10_000, 14_000, 30_000])
def test_a_header_alone_is_enough_to_refuse(side: int):
    # Beyond 90 million pixels Pillow itself warns, beyond 180 million it refuses: both must stay one refusal.
    header = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    start = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + b"IHDR" + header
    with pytest.raises(ImageTooLarge, match="take the photo with a lower resolution"):
        read_codes(start + struct.pack(">I", zlib.crc32(b"IHDR" + header)) + png_of_zeros(1, 1)[33:])


def test_forty_million_pixels_are_read():
    assert read_codes(png_of_zeros(8_000, 5_000)) == []


@pytest.mark.filterwarnings("ignore::UserWarning")  # Pillow's, about broken camera data beside the picture
@pytest.mark.parametrize("kind", FORMATS)
def test_changed_files_are_read_or_refused(kind: str):
    camera = Image.Exif()
    camera[0x0112], camera[0x010E] = 6, "yard"
    whole = file_of(label(module_px=4).convert("RGB"), kind, exif=camera)
    chance = random.Random(kind)
    outcomes: set[type] = set()
    for _ in range(400):
        changed = bytearray(whole[: chance.randrange(1, len(whole))] if chance.random() < 0.3 else whole)
        for _ in range(chance.randint(1, 5)):
            changed[chance.randrange(len(changed) if chance.random() < 0.4 else min(200, len(changed)))] = (
                chance.randrange(256)
            )
        try:
            texts = read_codes(bytes(changed))
        except (NotAnImage, ImageTooLarge) as refusal:
            outcomes.add(type(refusal))
        else:
            outcomes.add(list)
            assert texts in ([], [URL])
    assert outcomes >= {NotAnImage, list}


@pytest.mark.parametrize(
    ("text", "public_host", "code"),
    [
        (URL, None, CODE),
        (URL.lower(), "TRACE.example.com", CODE),
        ("https://192.168.0.7:8000/l/q2ztm-zmyej", None, CODE),
        (CODE, None, CODE),
        ("q2ztm zmyej", "trace.example.com", CODE),
        (URL, "elsewhere.example", None),
        ("Q2ZTMZMYEX", None, None),
        (URL[:-1] + "X", None, None),
        ("https://trace.example.com/menu", None, None),
        ("WIFI:S:yard;T:WPA;P:secret;;", None, None),
        ("javascript:alert(1)//L/" + CODE, None, None),
        ("", None, None),
        ("9" * 5_000, None, None),
    ],
)
def test_only_codes_of_lots_are_taken_from_a_scanned_text(text: str, public_host: str | None, code: str | None):
    assert code_in(text, public_host) == code


def test_what_a_label_says_leads_back_to_its_code():
    assert [code_in(text) for text in read_codes(file_of(label(), "PNG"))] == [CODE]
