"""A photo as it comes from a phone, and as it is kept: small, upright, and without what the phone wrote into it."""

import threading
from dataclasses import dataclass
from io import BytesIO

from PIL import Image, ImageOps

from service.core.jpeg_passes import PASSES_MAX, has_too_many_passes

FORMATS = ("JPEG", "PNG", "WEBP")
MEDIA_TYPE = "image/jpeg"
PIXELS_MAX = 50_000_000
"""Four bytes each while it is decoded, and a copy while it is made smaller: 0.4 GB is what one photo may cost."""
SIDE_MIN = 16
BOX = (1600, 1600)
QUALITY = 82
_ONE_AT_A_TIME = threading.Lock()  # so that many photos at once cost the memory of one
ANOTHER_PHOTO = "Send a JPEG, PNG or WebP photo as a phone takes it."


@dataclass
class PhotoRefused(Exception):
    """What was sent cannot be kept as a photo.

    Parameters
    ----------
    detail : what is wrong with it, with the value found.
    remedy : what to do.
    """

    detail: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.detail}. {self.remedy}"


def stored_photo(raw: bytes) -> bytes:
    """The photo in the form in which it is kept: JPEG, upright, inside 1600 x 1600 pixels, no metadata.

    A phone notes place, time and device in a photo; nothing of that is kept. Where a picture has transparent
    parts they become white. Takes tens of milliseconds, so it is done before a write and not inside one.

    Raises
    ------
    PhotoRefused : it is no readable JPEG, PNG or WebP; it has more pixels than are decoded here, or too few to
        show anything.
    """
    if has_too_many_passes(raw):
        raise PhotoRefused(f"the picture comes in more than {PASSES_MAX} passes", ANOTHER_PHOTO)
    with _ONE_AT_A_TIME:
        image = _opened(raw)
        _check_size(image)
        try:
            if image.mode in ("P", "PA"):
                image = image.convert("RGBA")  # numbers of colours cannot be averaged
            image.thumbnail(BOX, reducing_gap=2.0)  # decodes a JPEG at a fraction of its size at once
            kept = BytesIO()
            _on_white(_upright(image)).save(kept, "JPEG", quality=QUALITY)
        except Exception as fault:  # a decoder of foreign bytes raises whatever it stumbles over
            raise PhotoRefused(f"the picture is damaged or cut off ({fault})", ANOTHER_PHOTO) from fault
    return kept.getvalue()


def is_kept_form(content: bytes) -> bool:
    """Whether bytes are what `stored_photo` gives: a JPEG of that size with no metadata beside it; reads the header."""
    try:
        image = Image.open(BytesIO(content), formats=("JPEG",))
    except Exception:
        return False
    beside = {name for name in image.info if not str(name).startswith("jfif")}
    return not beside and image.size[0] <= BOX[0] and image.size[1] <= BOX[1]


def _opened(raw: bytes) -> Image.Image:
    """The picture by its header; nothing of it is decoded yet."""
    try:
        return Image.open(BytesIO(raw), formats=FORMATS)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as bomb:
        raise _too_many_pixels(str(bomb)) from bomb
    except Exception as fault:
        raise PhotoRefused(f"these {len(raw):,} bytes are no picture of a known kind", ANOTHER_PHOTO) from fault


def _check_size(image: Image.Image) -> None:
    width, height = image.size
    if width * height > PIXELS_MAX:
        raise _too_many_pixels(f"{width} x {height} pixels")
    if min(width, height) < SIDE_MIN:
        raise PhotoRefused(f"{width} x {height} pixels show nothing", f"Send at least {SIDE_MIN} pixels each way.")


def _too_many_pixels(found: str) -> PhotoRefused:
    most = f"at most {PIXELS_MAX // 1_000_000} million pixels"
    return PhotoRefused(f"the picture is too large to be opened: {found}", f"Send {most}; a smaller photo will do.")


def _upright(image: Image.Image) -> Image.Image:
    """Turned as the camera was held; a photo whose notes are damaged stays as it lies."""
    try:
        return ImageOps.exif_transpose(image)
    except Exception:
        return image


def _on_white(image: Image.Image) -> Image.Image:
    """Colours alone, in pixels of their own: what stood beside them in the file stays behind."""
    if image.mode.startswith("I"):  # 16 bits of grey, of which a plain conversion keeps the lower ones
        image = image.point(lambda value: value * (1 / 256) + 0).convert("L")
    plain = Image.new("RGB", image.size, "white")
    mask = image.convert("RGBA").getchannel("A") if image.has_transparency_data else None
    plain.paste(image.convert("RGB"), mask=mask)
    return plain
