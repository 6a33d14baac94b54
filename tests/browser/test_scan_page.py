"""Goal: a phone has its answer within a second of the camera seeing a label, and says in words why it has none.

Method: headless Chromium whose camera is a film made here: grey frames first, then a label, turned. What a camera
cannot do (refused, absent, no HTTPS, logged out, server away) is provoked for real wherever the browser allows it.
Colours on the screen are compared with the tokens of the style sheet.
Sources: issue text 'scan to answer under one second on loopback'; WCAG 2.2 AA by axe-core.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise
from pathlib import Path

import pytest
import zxingcpp
from axe_check import violations
from line_steps import opening
from pictures import encoded
from PIL import Image
from plant_fixture import Plant
from playwright.sync_api import Page, Playwright, Request, Route, expect
from visits import SIZES, Served, Visit, Visiting

from service.labels.qr import qr_image, qr_matrix, scan_url
from service.labels.tag import TagContent, tag_svg
from service.plant.record import record_material
from service.plant.schemas import MaterialIn

pytestmark = pytest.mark.browser

PUBLIC = "https://trace.example.com"
CODE = "Q2ZTMZMYEJ"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
CAMERA = ["--use-fake-device-for-media-stream"]
ALLOWED = ["--use-fake-ui-for-media-stream"]
REFUSED = ["--deny-permission-prompts"]
ANSWER_WITHIN_S = 1.0

SHEET = (Path(__file__).parents[2] / "service" / "pages" / "static" / "site.css").read_text(encoding="utf-8")
TOKENS = dict(
    zip(
        ("light", "dark"),
        (dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block)) for block in SHEET.split(":root {")[1:3]),
        strict=True,
    )
)


# A camera ---------------------------------------------------------------------------------------------


def film(text: str | None, *, empty_frames: int = 4) -> bytes:
    """Frames as a camera gives them, one JPEG after the other: grey, then the code of a text, turned.

    The browser shows the film round and round, so the empty frames also prove that it looks again and again.
    """
    grey = Image.new("L", (1280, 720), 150)
    frames = [grey] * empty_frames
    if text is not None:
        seen = grey.copy()
        label = qr_image(qr_matrix(text), 8).rotate(12, expand=True, fillcolor=150)
        seen.paste(label, ((seen.width - label.width) // 2, (seen.height - label.height) // 2))
        frames = frames + [seen] * 8
    return b"".join(encoded(frame.convert("RGB"), quality=80) for frame in frames)


@dataclass
class Phone:
    """A window with a camera, logged in; it remembers when it sent frames and what it complained about."""

    visit: Visit
    sent: list[tuple[float, Request]] = field(default_factory=list)

    @property
    def page(self) -> Page:
        return self.visit.page

    @property
    def words(self) -> str:
        return self.page.locator("#camera-words").inner_text()

    def start(self, query: str = "") -> None:
        self.visit.open(f"/scan{query}")
        self.page.get_by_role("button", name="Start the camera").click()

    def frames(self) -> list[float]:
        return [moment for moment, request in self.sent if request.url.endswith("/scan/frame")]


Phones = Callable[..., Phone]


@pytest.fixture
def phones(served: Served, playwright_driver: Playwright, chromium_path: str, tmp_path: Path) -> Iterator[Phones]:
    """Opens windows with a camera: `phones(film, *flags)`; None for a device without one."""
    made: list[Phone] = []
    with ExitStack() as stack:

        def open_phone(shown: bytes | None, *flags: str, address: str | None = None) -> Phone:
            options = [*FLAGS, *flags]
            if shown is not None:
                file = tmp_path / f"camera-{len(made)}.mjpeg"
                file.write_bytes(shown)
                options += [*CAMERA, f"--use-file-for-fake-video-capture={file}"]
            context = playwright_driver.chromium.launch_persistent_context(
                tmp_path / f"profile-{len(made)}",
                executable_path=chromium_path,
                args=options,
                viewport=SIZES["phone"],  # type: ignore[arg-type]
            )
            stack.callback(context.close)
            phone = Phone(Visit(address or served.address, context.pages[0], []))
            page = phone.page
            # What the browser says of refused requests is meant; anything else is a fault of the page.
            page.on(
                "console",
                lambda told: None if "status of 4" in told.text else phone.visit.complaints.append(told.text),
            )
            page.on("pageerror", lambda error: phone.visit.complaints.append(str(error)))
            page.on("request", lambda request: phone.sent.append((time.monotonic(), request)))
            phone.visit.log_in()
            phone.visit.complaints.clear()  # of the log-in page; its own tests look at it
            made.append(phone)
            return phone

        yield open_phone
    assert [complaint for phone in made for complaint in phone.visit.complaints] == []


def lot_and_film(plant: Plant) -> tuple[str, bytes]:
    code = opening(plant, "pellets", "PELLETS", "1050")
    return code, film(scan_url(PUBLIC, code))


def test_the_camera_reads_a_label_and_the_answer_is_there_within_a_second(served: Served, phones: Phones):
    code, shown = lot_and_film(served.plant)
    phone = phones(shown, *ALLOWED)
    took_s = []
    for _ in range(3):  # the machine may be busy once
        phone.sent.clear()
        phone.start()
        phone.page.wait_for_url(f"**/L/{code}", wait_until="load")
        took_s.append(time.monotonic() - phone.frames()[-1])
        expect(phone.page.get_by_text("May be touched; not yet judged")).to_be_visible()
    assert len(phone.frames()) >= 1
    print(f"scan to answer: {sorted(took_s)[0]:.3f} s at best of {[round(took, 3) for took in took_s]}")
    assert min(took_s) < ANSWER_WITHIN_S


# The browser does not show a test the bytes of a blob that a page sends.
NOTE_FRAMES = """
window.frames_made = [];
const toBlob = HTMLCanvasElement.prototype.toBlob;
HTMLCanvasElement.prototype.toBlob = function (done, ...how) {
  const noted = (blob) => {
    window.frames_made.push([this.width, this.height, blob.size, performance.now()]);
    done(blob);
  };
  toBlob.call(this, noted, ...how);
};
"""


def test_frames_go_out_about_three_times_a_second_and_are_small(served: Served, phones: Phones):
    phone = phones(film(None), *ALLOWED)
    phone.page.context.add_init_script(NOTE_FRAMES)
    phone.start()
    expect(phone.page.locator("#camera-words")).to_have_text("Hold the QR square in the middle of the picture.")
    phone.page.wait_for_timeout(2_500)
    assert phone.page.url.endswith("/scan"), "there is nothing to be read in grey"
    frames = phone.page.evaluate("window.frames_made")
    assert {tuple(frame[:2]) for frame in frames} == {(720, 720)}, "the square in the middle of the picture"
    assert all(0 < size < 200_000 for _, _, size, _ in frames)
    # By the clock of the page: what a test hears of requests comes in heaps on a busy machine.
    assert 3 <= len(frames) <= 8
    assert all(later[3] - earlier[3] > 250 for earlier, later in pairwise(frames))


def test_a_code_of_something_else_is_named_and_scanning_goes_on(served: Served, phones: Phones):
    phone = phones(film("WIFI:S:yard;T:WPA;P:secret;;"), *ALLOWED)
    phone.start()
    expect(phone.page.locator("#camera-words")).to_have_text(
        "This code is not a label of this plant: WIFI:S:yard;T:WPA;P:secret;;"
    )
    before = len(phone.frames())
    phone.page.wait_for_timeout(1_200)
    assert len(phone.frames()) > before
    assert phone.page.url.endswith("/scan")


def test_a_label_of_another_plant_is_answered_in_words(phones: Phones):
    phone = phones(film(scan_url("https://elsewhere.example", CODE)), *ALLOWED)
    phone.start()
    phone.page.wait_for_url(f"**/L/{CODE}")
    expect(phone.page.get_by_text("Not known: leave it where it is")).to_be_visible()
    expect(phone.page.get_by_text("the label is from another plant")).to_be_visible()


def test_the_camera_stops_when_told_and_while_nobody_looks(served: Served, phones: Phones):
    phone = phones(film(None), *ALLOWED)
    phone.start()
    picture = phone.page.locator("#camera-picture")
    expect(picture).to_be_visible()

    phone.page.get_by_role("button", name="Stop the camera").click()
    expect(picture).to_be_hidden()
    expect(phone.page.locator("#camera-words")).to_have_text("The camera is off.")
    assert phone.page.evaluate("document.getElementById('camera-picture').srcObject") is None
    expect(phone.page.get_by_role("button", name="Start the camera")).to_be_focused()
    stopped = len(phone.frames())
    phone.page.wait_for_timeout(900)
    assert len(phone.frames()) == stopped

    phone.page.get_by_role("button", name="Start the camera").click()
    expect(picture).to_be_visible()
    hide = "hidden => { Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});"
    hide += " document.dispatchEvent(new Event('visibilitychange')); }"
    phone.page.evaluate(hide, True)
    expect(picture).to_be_hidden()
    assert phone.page.evaluate("document.getElementById('camera-picture').srcObject") is None
    phone.page.evaluate(hide, False)
    expect(picture).to_be_visible()


def test_the_link_to_scan_the_next_one_starts_the_camera_at_once(served: Served, phones: Phones):
    code, shown = lot_and_film(served.plant)
    phone = phones(shown, *ALLOWED)
    phone.visit.open(f"/L/{opening(served.plant, 'flake', 'FLAKE', '100')}")
    phone.page.get_by_role("link", name="Scan the next one").click()
    phone.page.wait_for_url(f"**/L/{code}")


def test_a_refused_camera_is_said_with_what_works_instead(served: Served, phones: Phones):
    phone = phones(film(None), *REFUSED)
    phone.start()
    expect(phone.page.locator("#camera-words")).to_contain_text("The camera was refused. Allow it for this page")
    expect(phone.page.locator("#camera-picture")).to_be_hidden()
    expect(phone.page.get_by_role("button", name="Start the camera")).to_be_visible()
    assert phone.frames() == []


def test_a_device_without_a_camera_is_said_so(served: Served, phones: Phones):
    phone = phones(None, *ALLOWED)
    phone.start()
    expect(phone.page.locator("#camera-words")).to_contain_text("This device has no camera")


def test_plain_http_in_the_network_says_what_works_there(served: Served, phones: Phones):
    code = opening(served.plant, "pellets", "PELLETS", "1050")
    port = served.address.rsplit(":", 1)[1]
    phone = phones(
        film(None), *ALLOWED, "--host-resolver-rules=MAP plant.test 127.0.0.1", address=f"http://plant.test:{port}"
    )
    page = phone.visit.open("/scan")
    assert page.evaluate("window.isSecureContext") is False
    expect(page.locator("#camera-words")).to_have_text(
        "The camera inside the page works only over HTTPS with a certificate this phone trusts. "
        "What works here: the phone's own camera, a photo, and the typed code."
    )
    expect(page.get_by_role("button", name="Start the camera")).to_be_hidden()
    # Both of the others do work there.
    photo = encoded(qr_image(qr_matrix(scan_url(PUBLIC, code)), 8))
    page.set_input_files("#photo", {"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": photo})
    page.wait_for_url(f"**/L/{code}")
    page = phone.visit.open("/scan")
    page.get_by_label("The ten characters under the QR square").fill(code.lower())
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/L/{code}")
    # Over plain HTTP the browser notes that it leaves this header out of account; nothing else may be said.
    told = [words for words in phone.visit.complaints if "Cross-Origin-Opener-Policy" not in words]
    phone.visit.complaints[:] = told


def test_logged_out_meanwhile_leads_back_here(served: Served, phones: Phones):
    phone = phones(film(None), *ALLOWED)
    phone.start()
    expect(phone.page.locator("#camera-picture")).to_be_visible()
    phone.page.context.clear_cookies()
    link = phone.page.get_by_role("link", name="Log in again")
    expect(link).to_have_attribute("href", "/log-in?path=/scan")
    expect(phone.page.locator("#camera-picture")).to_be_hidden()


def test_a_server_that_cannot_be_reached_is_tried_again(served: Served, phones: Phones):
    code, shown = lot_and_film(served.plant)
    phone = phones(shown, *ALLOWED)
    phone.page.context.route("**/scan/frame", lambda route: route.abort())
    phone.start()
    expect(phone.page.locator("#camera-words")).to_have_text("The server cannot be reached. Trying again.")
    phone.visit.complaints.clear()  # the browser names each failed request
    phone.page.context.unroute("**/scan/frame")
    phone.page.wait_for_url(f"**/L/{code}")


def test_told_to_wait_the_page_waits(served: Served, phones: Phones):
    phone = phones(film(None), *ALLOWED)

    def too_many(route: Route) -> None:
        route.fulfill(status=429, headers={"Retry-After": "2"}, json={"code": None, "words": ""})

    phone.page.context.route("**/scan/frame", too_many)
    phone.start()
    expect(phone.page.locator("#camera-picture")).to_be_visible()
    phone.page.wait_for_timeout(3_000)
    moments = phone.frames()
    assert 1 <= len(moments) <= 3
    assert all(later - earlier > 1.5 for earlier, later in pairwise(moments))


OWN_READER = """
window.BarcodeDetector = class {
  static async getSupportedFormats() { return ["qr_code"]; }
  async detect() { return [{ rawValue: %r }]; }
};
"""


def test_a_browser_that_reads_codes_itself_sends_no_picture(served: Served, phones: Phones):
    code = opening(served.plant, "pellets", "PELLETS", "1050")
    phone = phones(film(None), *ALLOWED)
    phone.page.context.add_init_script(OWN_READER % scan_url(PUBLIC, code))
    phone.start()
    phone.page.wait_for_url(f"**/L/{code}")
    assert phone.frames() == []


def test_a_foreign_text_read_by_the_browser_is_asked_about_once(served: Served, phones: Phones):
    phone = phones(film(None), *ALLOWED)
    phone.page.context.add_init_script(OWN_READER % "<b>yard</b>")
    phone.start()
    expect(phone.page.locator("#camera-words")).to_have_text("This code is not a label of this plant: <b>yard</b>")
    phone.page.wait_for_timeout(1_200)
    assert len([1 for _, request in phone.sent if "/scan/text" in request.url]) == 1
    assert phone.frames() == []


def test_a_photo_works_without_a_script(served: Served, visiting: Visiting):
    code = opening(served.plant, "pellets", "PELLETS", "1050")
    visit = visiting(served.address, size="phone", java_script_enabled=False)
    visit.log_in()
    page = visit.open("/scan")
    expect(page.get_by_text("needs JavaScript")).to_be_visible()
    photo = encoded(qr_image(qr_matrix(scan_url(PUBLIC, code)), 8))
    page.set_input_files("#photo", {"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": photo})
    page.get_by_role("button", name="Read the photo").click()
    page.wait_for_url(f"**/L/{code}")


# Looks ------------------------------------------------------------------------------------------------


def colour(token: str) -> tuple[int, int, int]:
    return int(token[1:3], 16), int(token[3:5], 16), int(token[5:7], 16)


def shares(picture: Image.Image) -> dict[tuple[int, ...], float]:
    """Share of the area of each exact colour."""
    counted = picture.getcolors(picture.width * picture.height)
    assert counted is not None
    area = picture.width * picture.height
    return {pixel: count / area for count, pixel in counted if isinstance(pixel, tuple)}


def screen(page: Page, file: Path) -> Image.Image:
    page.screenshot(path=file)
    return Image.open(file).convert("RGB")


@pytest.fixture
def lots(served: Served) -> tuple[str, str]:
    """A free lot, and a held one whose product has a name of 200 letters."""
    plant = served.plant
    material = {"code": "LONG", "name": "W" * 200, "form": "pellets", "polymer": "PET", "colour": "clear"}
    plant.run(
        record_material, MaterialIn.model_validate(material | {"waste_class": "post_consumer", "food_candidate": True})
    )
    free, held = opening(plant, "pellets", "PELLETS", "1050"), opening(plant, "pellets", "LONG", "1050")
    plant.post("/v1/holds", {"lot": held, "cause": "Metal found"})
    return free, held


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", list(SIZES))
def test_a_held_lot_fills_its_sign_and_a_free_one_does_not(
    served: Served, lots: tuple[str, str], visiting: Visiting, tmp_path: Path, size: str, scheme: str
):
    tokens = {name: colour(value) for name, value in TOKENS[scheme].items()}
    visit = visiting(served.address, size=size, scheme=scheme)
    free, held = (screen(visit.open(f"/L/{code}"), tmp_path / f"{code}.png") for code in lots)
    for picture in (held, free):
        # Nothing runs to the edges: the page stays inside the screen, whatever the length of a name.
        for x in (0, picture.width - 1):
            assert shares(picture.crop((x, 0, x + 1, picture.height))) == {tokens["paper"]: 1.0}
        assert shares(picture)[tokens["ink"]] > 0.003
    # The hold is in the upper half of the first screen, also under a name of 200 letters.
    first_look = shares(held.crop((0, 0, held.width, held.height // 2)))
    assert first_look[tokens["bad"]] > 0.04
    assert first_look[tokens["on-bad"]] > 0.004
    assert tokens["bad"] not in shares(free)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", list(SIZES))
def test_an_unknown_code_gives_a_page_with_a_field_and_a_button(
    served: Served, visiting: Visiting, tmp_path: Path, size: str, scheme: str
):
    tokens = {name: colour(value) for name, value in TOKENS[scheme].items()}
    visit = visiting(served.address, size=size, scheme=scheme)
    found = shares(screen(visit.open("/scan?code=Q2ZTMZMYEX"), tmp_path / "unknown.png"))
    assert found[tokens["warn"]] > 0.002
    assert found[tokens["accent"]] > 0.003
    assert found[tokens["bad"]] > 0.0005  # border of the field that must be corrected


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", list(SIZES))
def test_every_scan_page_is_accessible_and_fits_its_screen(
    served: Served, lots: tuple[str, str], visiting: Visiting, size: str, scheme: str
):
    free, held = lots
    visit = visiting(served.address, size=size, scheme=scheme)
    public = (f"/L/{free}", f"/L/{held}", "/scan", "/scan?code=Q2ZTMZMYEX")
    for log_in in (False, True):
        if log_in:
            visit.log_in()
        for path in public:
            page = visit.open(path)
            assert violations(page) == [], path
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
    page = visit.open("/scan")
    blank = encoded(Image.new("L", (640, 480), 150))
    page.set_input_files("#photo", {"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": blank})
    expect(page.get_by_role("heading", level=1)).to_have_text("No label could be read in this photo")
    assert violations(page) == []


def test_the_camera_itself_is_accessible(phones: Phones):
    phone = phones(film(None), *ALLOWED)
    phone.start()
    expect(phone.page.locator("#camera-picture")).to_be_visible()
    assert violations(phone.page) == []


# Labels in the browser's own fonts ----------------------------------------------------------------------

NAMES = {
    "plain": ("rPET pellets, clear, food candidate", "Harbour Mill"),
    "long": ("W" * 200, "M" * 200),
    "signs": ("{}<>&#%@" * 25, '"%' * 100),
    "right to left": ("حبيبات بولي إيثيلين شفافة معاد تدويرها " * 5, "מפעל"),
    "accents": ("Żółć gęślą jaźń " * 12, "Größe Süd"),
}
MEASURE = """
() => [...document.querySelectorAll("svg svg text")].map((text) => {
  const line = text.getBBox(), box = text.parentNode;
  return [text.textContent, line.x, line.x + line.width, box.width.baseVal.value];
})
"""


@pytest.mark.parametrize("name", NAMES)
def test_every_line_of_a_label_fits_in_the_fonts_of_the_browser(visiting: Visiting, name: str):
    product, site = NAMES[name]
    content = TagContent(CODE, product, "1000000.000", date(2026, 3, 12), site, "100.0", "8f" * 32, 12)
    page = visiting("").page
    page.set_content(f'<!doctype html><meta charset="utf-8"><body>{tag_svg(content, scan_url(PUBLIC, CODE))}')
    lines = page.evaluate(MEASURE)
    assert len(lines) >= 12
    for text, left_mm, right_mm, room_mm in lines:
        assert left_mm >= -0.1, text
        assert right_mm <= room_mm + 0.1, text


def test_the_label_on_the_screen_leads_to_the_lot(visiting: Visiting, tmp_path: Path):
    url = scan_url(PUBLIC, CODE)
    content = TagContent(CODE, "rPET pellets", "1050.000", date(2026, 3, 12), "Harbour Mill")
    page = visiting("").page
    page.set_content(f"<!doctype html><body>{tag_svg(content, url)}")
    read = zxingcpp.read_barcode(screen(page, tmp_path / "label.png").convert("L"))
    assert read is not None
    assert read.text == url
