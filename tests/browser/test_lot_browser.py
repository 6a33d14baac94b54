"""Goal: the page of a lot can be read and used on a phone and on a desk, its drawing keeps inside its box, and what is
printed from it comes out at its paper's size with a code that survives a yard.

Method: headless Chromium on the served demo week, whose pellet lot has 365 origin lots, and on a small plant. Papers
go through the browser's own PDF printer; codes are read back by zxing-cpp from the raster of the PDF (pypdfium2).
Sources: issue text 'page weight under 100 kB'; WCAG 2.2 AA by axe-core; ISO 216 for A6.
"""

from __future__ import annotations

from itertools import pairwise

import pypdfium2
import pytest
import zxingcpp
from axe_check import violations
from damage import DAMAGES, Damage
from gate import p03
from line_steps import load, opening
from PIL import Image
from plant_fixture import SECOND_KEY
from playwright.sync_api import Page, expect
from visits import SIZES, Served, ServedDemo, Visiting

pytestmark = pytest.mark.browser
POINTS_PER_MM = 72 / 25.4
PUBLIC = "HTTPS://TRACE.EXAMPLE.COM/L/"
# What label printers of the trade have (common practice, no source).
DOTS_PER_INCH = 203
WEIGHT_MAX = 100_000


def printed(page: Page) -> list[Image.Image]:
    """The pages of the printed PDF, grey, in the resolution of a label printer."""
    document = pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True))
    return [sheet.render(scale=DOTS_PER_INCH / 72, grayscale=True).to_pil().convert("L") for sheet in document]


def sizes_mm(page: Page) -> list[tuple[float, float]]:
    document = pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True))
    return [(sheet.get_width() / POINTS_PER_MM, sheet.get_height() / POINTS_PER_MM) for sheet in document]


# Paper ------------------------------------------------------------------------------------------------


def test_the_label_of_a_lot_is_one_page_of_a6(served_demo: ServedDemo, visiting: Visiting):
    visit = visiting(served_demo.address)
    visit.log_in(served_demo.key)
    page = visit.open(f"/lots/{served_demo.loaded.lot_code}")
    page.get_by_role("link", name="Print its label").click()
    expect(page.get_by_role("button", name="Print")).to_be_visible()
    [size_mm] = sizes_mm(page)
    assert size_mm == pytest.approx((148, 105), abs=0.4)
    text = pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True))[0].get_textpage().get_text_range()
    assert not {"Print", "Log out", "Back to the lot"} & {line.strip() for line in text.splitlines()}
    assert "Not assessed for food contact, no claim." in text


def test_the_tag_of_one_bale_is_one_page_of_its_size(served: Served, visiting: Visiting):
    bale = p03(served.plant)["bales"][2]["code"]
    visit = visiting(served.address)
    visit.log_in()
    page = visit.open(f"/lots/{bale}/tag")
    [size_mm] = sizes_mm(page)
    assert size_mm == pytest.approx((100, 150), abs=0.4)


@pytest.mark.parametrize("damage", DAMAGES)
def test_labels_and_tags_are_read_back_from_paper(served: Served, visiting: Visiting, damage: Damage):
    lot = opening(served.plant, "pellets", "PELLETS", "1050")
    bale = p03(served.plant)["bales"][2]["code"]
    visit = visiting(served.address)
    visit.log_in()
    for code, paper in ((lot, "label"), (bale, "tag")):
        [sheet] = printed(visit.open(f"/lots/{code}/{paper}"))
        found = {read.text for read in zxingcpp.read_barcodes(damage(sheet))}
        assert found == {PUBLIC + code}


# Looks ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", list(SIZES))
def test_every_page_of_a_lot_is_accessible_and_fits_its_screen(
    served_demo: ServedDemo, visiting: Visiting, size: str, scheme: str
):
    visit = visiting(served_demo.address, size=size, scheme=scheme)
    visit.log_in(served_demo.key)
    code = served_demo.loaded.lot_code
    told = visit.page.request.get(f"{served_demo.address}/v1/lots/{code}/trace").json()
    bale = told["may_contain"][-1]
    for path in (f"/lots/{code}", f"/lots/{bale}", f"/lots/{code}/label", f"/L/{code}", f"/L/{bale}"):
        page = visit.open(path)
        page.evaluate("document.querySelectorAll('main details').forEach(one => { one.open = true; })")
        assert violations(page) == [], path
        beyond = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert beyond <= 0, f"{path} is {beyond} px wider than the screen"
        levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3')].map(head => Number(head.tagName[1]))")
        assert levels[0] == 1, path
        assert levels.count(1) == 1, path
        assert all(after - before <= 1 for before, after in pairwise(levels)), path


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_held_lot_with_hostile_names_is_accessible_and_breaks_nothing(
    served: Served, visiting: Visiting, scheme: str
):
    lot = load(served.plant, "<script>window.hit = 1</script>" + "W" * 160, 500)
    served.plant.post("/v1/holds", {"lot": lot, "cause": "مفتوح <img src=x onerror='window.hit=1'>" + "W" * 300})
    for key in (None, SECOND_KEY):
        visit = visiting(served.address, size="phone", scheme=scheme)
        visit.log_in(*([key] if key else []))
        for path in (f"/lots/{lot}", f"/L/{lot}", f"/lots/{lot}/label"):
            page = visit.open(path)
            assert page.evaluate("window.hit") is None
            assert violations(page) == [], path
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path


def test_every_text_of_the_drawing_is_inside_it(served_demo: ServedDemo, visiting: Visiting):
    visit = visiting(served_demo.address)
    visit.log_in(served_demo.key)
    page = visit.open(f"/lots/{served_demo.loaded.lot_code}")
    outside = page.evaluate("""() => {
      const svg = document.querySelector("svg.flow"), box = svg.getBoundingClientRect();
      return [...svg.querySelectorAll("text")].filter((text) => {
        const at = text.getBoundingClientRect();
        return at.left < box.left - 2 || at.right > box.right + 2 || at.top < box.top || at.bottom > box.bottom;
      }).map((text) => text.textContent);
    }""")
    assert outside == []
    assert page.locator("svg.flow text").count() > 20


def test_on_a_phone_drawing_and_table_scroll_in_their_own_boxes_by_keyboard(
    served_demo: ServedDemo, visiting: Visiting
):
    visit = visiting(served_demo.address, size="phone")
    visit.log_in(served_demo.key)
    page = visit.open(f"/lots/{served_demo.loaded.lot_code}")
    drawing = page.get_by_role("region", name="Drawing of the sources")
    drawing.focus()
    expect(drawing).to_be_focused()
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(400)
    assert drawing.evaluate("box => box.scrollLeft") > 0
    smallest = page.evaluate(
        "Math.min(...[...document.querySelectorAll('svg.flow text')].map(text => text.getBoundingClientRect().height))"
    )
    assert smallest > 10, f"letters of {smallest} px cannot be read"


def test_the_page_of_a_lot_with_365_origins_weighs_less_than_100_kb(served_demo: ServedDemo, visiting: Visiting):
    visit = visiting(served_demo.address)
    visit.log_in(served_demo.key)
    code = served_demo.loaded.lot_code
    weights: dict[str, int] = {}
    visit.page.on("response", lambda answer: weights.update({answer.url: len(answer.body())}))
    for path in (f"/lots/{code}", f"/L/{code}", "/scan"):
        weights.clear()
        visit.page.goto(served_demo.address + path, wait_until="networkidle")
        assert len(weights) >= 2, "the page and its style sheet at least"
        assert sum(weights.values()) < WEIGHT_MAX, weights


def test_a_hold_is_placed_with_the_thumb_and_the_answer_is_there(served: Served, visiting: Visiting):
    lot = opening(served.plant, "flake", "FLAKE", "500")
    visit = visiting(served.address, size="phone")
    visit.log_in()
    page = visit.open(f"/L/{lot}")
    page.get_by_role("link", name="Open the lot").click()
    page.get_by_text("Put on hold", exact=True).first.click()
    page.get_by_label("Why must nobody use it?").fill("Smells of solvent")
    page.get_by_role("button", name="Put on hold").click()
    expect(page.get_by_text("On hold: do not touch")).to_be_visible()
    expect(page.get_by_text("Another person has to lift it.")).to_be_visible()
    assert len(served.plant.get(f"/v1/lots/{lot}")["holds"]) == 1
