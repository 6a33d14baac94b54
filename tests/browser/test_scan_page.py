"""Goal: pages and labels look right in a real browser: phone and desktop, light and dark.

Method: headless Chromium on a server on this machine takes screenshots; their colours are compared with the
tokens of the style sheet. For the label the browser measures every line against its room with its own fonts.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from html import unescape
from pathlib import Path
from types import SimpleNamespace

import pytest
import uvicorn
import zxingcpp
from fastapi import FastAPI
from PIL import Image

from service.db import Database
from service.labels.qr import scan_url
from service.labels.tag import TagContent, tag_svg
from service.lots.statuses import HoldSubject, LotKind, MassBasis
from service.pages.scan import LotCard, Sources, pages_router

pytestmark = pytest.mark.browser

CODE = "Q2ZTMZMYEJ"
FREE = LotCard(
    code=CODE,
    kind=LotKind.PELLETS,
    product="rPET pellets, clear",
    net_g=1_050_000,
    mass_basis=MassBasis.WEIGHED,
    site="Harbour Mill",
    made_on=date(2026, 3, 12),
    holds=(),
    recycled_percent_text="62.4",
    sources=Sources(bales=95, deliveries=2),
    answered_at=datetime(2026, 3, 12, 14, 5, tzinfo=UTC),
)
HELD = replace(FREE, code="4T2E1YYE36", product="W" * 200, holds=(HoldSubject.LOT,))
CARDS = {card.code: card for card in (FREE, HELD)}
SIZES = {"phone": (390, 844), "desktop": (1366, 768)}
SCHEMES = {"light": "1", "dark": "0"}
SHEET = (Path(__file__).parents[2] / "service" / "pages" / "static" / "site.css").read_text(encoding="utf-8")
TOKENS = dict(
    zip(
        ("light", "dark"),
        (dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block)) for block in SHEET.split(":root {")[1:3]),
        strict=True,
    )
)

Browse = Callable[..., str]


@pytest.fixture(scope="module")
def browse(tmp_path_factory: pytest.TempPathFactory) -> Browse:
    """Runs the browser once and gives what it printed."""
    executable = shutil.which(os.environ.get("CHROMIUM", "chromium"))
    if executable is None:
        pytest.skip("no Chromium here: install the package 'chromium' or name one in the variable CHROMIUM")
    profile = tmp_path_factory.mktemp("profile")

    def run(*arguments: str) -> str:
        done = subprocess.run(
            [
                executable,
                "--headless",
                "--no-sandbox",  # its own sandbox does not start for root, as in a container
                "--disable-gpu",
                "--hide-scrollbars",
                "--disable-background-networking",
                f"--user-data-dir={profile}",
                *arguments,
            ],
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        )
        return done.stdout

    return run


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Scheme, host and port of a running server with the pages."""
    app = FastAPI()
    database = Database(f"sqlite:///{tmp_path_factory.mktemp('pages') / 'empty.sqlite3'}")
    app.state.writer = SimpleNamespace(database=database)
    app.include_router(pages_router(lambda _session, code: CARDS.get(code)))
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="error"))
    thread = threading.Thread(target=server.run)
    thread.start()
    deadline = time.monotonic() + 10
    while not server.started and time.monotonic() < deadline:
        time.sleep(0.02)
    assert server.started
    (port,) = (socket.getsockname()[1] for one in server.servers for socket in one.sockets)
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join()
    database.close()


def colour(token: str) -> tuple[int, int, int]:
    return int(token[1:3], 16), int(token[3:5], 16), int(token[5:7], 16)


def shares(picture: Image.Image) -> dict[tuple[int, ...], float]:
    """Share of the area of each exact colour."""
    counted = picture.getcolors(picture.width * picture.height)
    assert counted is not None
    area = picture.width * picture.height
    return {pixel: count / area for count, pixel in counted if isinstance(pixel, tuple)}


@pytest.fixture
def shoot(browse: Browse, address: str, tmp_path: Path) -> Callable[[str, str, str], Image.Image]:
    """Screenshot of a page at a size and in a colour scheme."""

    def picture(path: str, size: str, scheme: str) -> Image.Image:
        width, height = SIZES[size]
        file = tmp_path / "screen.png"
        browse(
            f"--window-size={width},{height}",
            f"--blink-settings=preferredColorScheme={SCHEMES[scheme]}",
            f"--screenshot={file}",
            address + path,
        )
        return Image.open(file).convert("RGB")

    return picture


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("size", SIZES)
def test_a_held_lot_fills_its_sign_and_a_free_one_does_not(
    shoot: Callable[[str, str, str], Image.Image], size: str, scheme: str
):
    tokens = {name: colour(value) for name, value in TOKENS[scheme].items()}
    held, free = (shoot(f"/L/{card.code}", size, scheme) for card in (HELD, FREE))
    assert held.size == free.size == SIZES[size]
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


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("size", SIZES)
def test_an_unknown_code_gives_a_page_with_a_field_and_a_button(
    shoot: Callable[[str, str, str], Image.Image], size: str, scheme: str
):
    tokens = {name: colour(value) for name, value in TOKENS[scheme].items()}
    found = shares(shoot("/scan?code=Q2ZTMZMYEX", size, scheme))
    assert found[tokens["warn"]] > 0.002
    assert found[tokens["accent"]] > 0.003
    assert found[tokens["bad"]] > 0.0005  # border of the field that must be corrected


NAMES = {
    "plain": ("rPET pellets, clear, food candidate", "Harbour Mill"),
    "long": ("W" * 200, "M" * 200),
    "signs": ("{}<>&#%@" * 25, '"%' * 100),
    "right to left": ("حبيبات بولي إيثيلين شفافة معاد تدويرها " * 5, "מפעל"),
    "accents": ("Żółć gęślą jaźń " * 12, "Größe Süd"),
}
MEASURE = """
<script>
  const found = [...document.querySelectorAll("svg svg text")].map((text) => {
    const line = text.getBBox(), box = text.parentNode;
    return [text.textContent, line.x, line.x + line.width, box.width.baseVal.value];
  });
  document.body.textContent = JSON.stringify(found);
</script>
"""


@pytest.mark.parametrize("name", NAMES)
def test_every_line_of_a_label_fits_in_the_fonts_of_the_browser(browse: Browse, tmp_path: Path, name: str):
    product, site = NAMES[name]
    content = TagContent(CODE, product, "1000000.000", date(2026, 3, 12), site, "100.0", "8f" * 32, 12)
    page = tmp_path / "label.html"
    svg = tag_svg(content, scan_url("https://trace.example.com", CODE))
    page.write_text(f'<!doctype html><meta charset="utf-8"><body>{svg}{MEASURE}</body>', encoding="utf-8")
    printed = browse("--dump-dom", page.as_uri())
    body = re.search(r"<body>(.*)</body>", printed, re.DOTALL)
    assert body is not None
    lines = json.loads(unescape(body.group(1)))
    assert len(lines) >= 12
    for text, left_mm, right_mm, room_mm in lines:
        assert left_mm >= -0.1, text
        assert right_mm <= room_mm + 0.1, text


def test_the_label_on_the_screen_leads_to_the_lot(browse: Browse, tmp_path: Path):
    url = scan_url("https://trace.example.com", CODE)
    content = TagContent(CODE, "rPET pellets", "1050.000", date(2026, 3, 12), "Harbour Mill")
    label, picture = tmp_path / "label.svg", tmp_path / "label.png"
    label.write_text(tag_svg(content, url), encoding="utf-8")
    browse("--window-size=600,420", f"--screenshot={picture}", label.as_uri())
    read = zxingcpp.read_barcode(Image.open(picture).convert("L"))
    assert read is not None
    assert read.text == url
