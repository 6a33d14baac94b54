"""What a yard does to a label, on its picture: none of it may cost the code."""

from collections.abc import Callable

import zxingcpp
from PIL import Image, ImageDraw, ImageFilter

Damage = Callable[[Image.Image], Image.Image]


def clean(label: Image.Image) -> Image.Image:
    return label


def blurred(label: Image.Image) -> Image.Image:
    return label.filter(ImageFilter.GaussianBlur(3))


def turned(label: Image.Image) -> Image.Image:
    return label.rotate(12, expand=True, fillcolor=255)


def stained(label: Image.Image) -> Image.Image:
    """A dark blot in the middle of each code, a tenth of its area: level H mends up to 30 % (ISO/IEC 18004)."""
    spots = label.copy()
    pen = ImageDraw.Draw(spots)
    for code in zxingcpp.read_barcodes(label):
        near, far = code.position.top_left, code.position.bottom_right
        x, y = (near.x + far.x) / 2, (near.y + far.y) / 2
        radius = (0.1 * abs(far.x - near.x) * abs(far.y - near.y) / 3.14) ** 0.5
        pen.ellipse((x - radius, y - radius, x + radius, y + radius), fill=60)
    assert spots.tobytes() != label.tobytes(), "the stain hit no code"
    return spots


DAMAGES: tuple[Damage, ...] = (clean, blurred, turned, stained)
