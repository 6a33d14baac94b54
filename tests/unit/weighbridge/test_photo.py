"""Goal: whatever a phone sends is kept small, upright and without what it notes; what is no photo is refused in words.

Method: pictures made here, read back with Pillow. Where the first pixel must come to lie for each orientation is
from the Exif standard (CIPA DC-008, tag 274; the table from memory). Limits are the project's own.
"""

import pytest
from pictures import CAMERA, corner_photo, decoded, encoded, png_of_size, scans
from PIL import Image

from service.core.jpeg_passes import PASSES_MAX
from service.weighbridge.photo import BOX, PIXELS_MAX, PhotoRefused, is_kept_form, stored_photo

KINDS = ("JPEG", "PNG", "WEBP")


@pytest.mark.parametrize("kind", KINDS)
def test_place_time_and_device_are_dropped(kind: str):
    sent = corner_photo(kind)
    assert decoded(sent).getexif().get_ifd(0x8825)
    assert CAMERA.encode() in sent
    kept = stored_photo(sent)
    image = decoded(kept)
    assert image.format == "JPEG"
    assert dict(image.getexif()) == {}
    assert set(image.info) == {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    for trace in (CAMERA.encode(), b"Exif", b"GPS", b"http", b"ICC"):
        assert trace not in kept
    assert is_kept_form(kept)
    assert not is_kept_form(sent)


def test_text_colour_profile_and_comment_are_dropped():
    profile = b"an invented colour profile"
    kept = stored_photo(encoded(Image.new("RGB", (64, 32)), comment=b"said by nobody", icc_profile=profile))
    assert b"said by nobody" not in kept
    assert profile not in kept


# The corner in which the first pixel of the file is seen, and whether the picture lies on its side in the file.
ORIENTATIONS = {
    1: ("top", "left", False),
    2: ("top", "right", False),
    3: ("bottom", "right", False),
    4: ("bottom", "left", False),
    5: ("top", "left", True),
    6: ("top", "right", True),
    7: ("bottom", "right", True),
    8: ("bottom", "left", True),
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_the_photo_is_turned_as_the_camera_was_held(kind: str, orientation: int):
    image = decoded(stored_photo(corner_photo(kind, orientation))).convert("L")
    upright, across, is_turned = ORIENTATIONS[orientation]
    assert image.size == ((32, 64) if is_turned else (64, 32))
    width, height = image.size
    dark = {
        (vertical, horizontal)
        for vertical, y in (("top", height // 4), ("bottom", 3 * height // 4))
        for horizontal, x in (("left", width // 4), ("right", 3 * width // 4))
        if image.getpixel((x, y)) == 0
    }
    assert dark == {(upright, across)}


@pytest.mark.filterwarnings("ignore:Corrupt EXIF")
def test_damaged_notes_of_the_camera_do_not_cost_the_photo():
    notes = b"Exif\0\0II*\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0\x06\0\0\0"  # ends inside its directory
    kept = decoded(stored_photo(encoded(Image.new("RGB", (64, 32)), exif=notes)))
    assert max(kept.size) == 64


@pytest.mark.parametrize(
    ("sent", "kept"),
    [((4000, 3000), (1600, 1200)), ((1000, 4000), (400, 1600)), ((1600, 1600), (1600, 1600)), ((20, 16), (20, 16))],
)
def test_large_photos_fit_the_box_and_small_ones_stay(sent: tuple[int, int], kept: tuple[int, int]):
    assert BOX == (1600, 1600)
    assert decoded(stored_photo(encoded(Image.new("RGB", sent)))).size == kept


@pytest.mark.parametrize(
    ("image", "more", "grey"),
    [
        (Image.new("RGBA", (32, 32), (0, 0, 0, 0)), {}, 255),  # transparent: white
        (Image.new("RGBA", (32, 32), (0, 0, 0, 255)), {}, 0),
        (Image.new("LA", (32, 32), (0, 0)), {}, 255),
        (Image.new("P", (32, 32), 0), {"transparency": 0}, 255),
        (Image.new("RGB", (32, 32), (9, 9, 9)), {"transparency": (9, 9, 9)}, 255),
        (Image.new("L", (32, 32), 128), {}, 128),
        (Image.new("1", (32, 32), 1), {}, 255),
        (Image.new("I;16", (32, 32), 128 * 256), {}, 128),  # 16 bits of grey keep their upper ones
    ],
)
def test_every_way_of_storing_colours_becomes_colours_on_white(image: Image.Image, more: dict[str, object], grey: int):
    kept = decoded(stored_photo(encoded(image, "PNG", **more)))
    assert kept.mode == "RGB"
    assert all(abs(int(value) - grey) <= 1 for value in kept.getpixel((16, 16)))  # type: ignore[union-attr]


def test_a_palette_is_made_smaller_by_colours_and_not_by_dropping_lines():
    """Columns of black and white in turn are grey from afar, also where the file numbers its colours."""
    columns = Image.new("L", (3200, 16), 0)
    columns.putdata([255 * (place % 2) for place in range(3200)] * 16)
    kept = decoded(stored_photo(encoded(columns.convert("P"), "PNG"))).convert("L")
    assert 120 <= kept.resize((1, 1)).getpixel((0, 0)) <= 136  # type: ignore[operator]
    assert all(100 <= kept.getpixel((x, 4)) <= 155 for x in range(100, 1500, 7))  # type: ignore[operator]


JPEG = encoded(Image.effect_noise((640, 480), 60).convert("RGB"))
NO_PHOTOS = {
    "nothing": (b"", "0 bytes are no picture"),
    "words": (b"A letter, not a photo.", "22 bytes are no picture"),
    "a page": (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "no picture of a known kind"),
    "another kind of picture": (encoded(Image.new("RGB", (64, 64)), "GIF"), "no picture of a known kind"),
    "data URL read as base64": (b"u\xabZ\x8a\x89\xe1" + JPEG, "no picture of a known kind"),
    "cut off": (JPEG[: len(JPEG) // 2], "damaged or cut off"),
    "no pixels": (png_of_size(0, 16), "no picture of a known kind"),
    "one pixel": (encoded(Image.new("RGB", (1, 1)), "PNG"), "1 x 1 pixels show nothing"),
    "just too narrow": (encoded(Image.new("RGB", (15, 300)), "PNG"), "15 x 300 pixels show nothing"),
    "just too many pixels": (png_of_size(10_000, 5_001), "10000 x 5001 pixels"),
    "a bomb": (png_of_size(12_000, 9_000), "108000000 pixels"),
    "a bigger bomb": (png_of_size(100_000, 100_000), "10000000000 pixels"),
    "a slow bomb": (scans(1_000), f"more than {PASSES_MAX} passes"),
}


@pytest.mark.parametrize("name", NO_PHOTOS)
def test_what_is_no_photo_is_refused_in_words(name: str):
    content, words = NO_PHOTOS[name]
    with pytest.raises(PhotoRefused) as refusal:
        stored_photo(content)
    assert words in refusal.value.detail
    assert refusal.value.remedy.startswith("Send ")


def test_the_limit_of_pixels_itself_is_decoded():
    """Just below it nothing is refused by its header: the picture is opened, and found to be cut off."""
    assert PIXELS_MAX == 10_000 * 5_000
    with pytest.raises(PhotoRefused) as refusal:
        stored_photo(png_of_size(10_000, 5_000))
    assert "cut off" in refusal.value.detail


def test_a_usual_progressive_photo_is_kept():
    assert decoded(stored_photo(scans(0))).size == (64, 64)
