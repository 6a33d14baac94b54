"""Goal: a recall can be asked, started and searched for on a phone and on a desk, and its list prints on A4.

Method: headless Chromium on a small plant with the story of a bad bale (recall_story). Source: WCAG 2.2 AA by axe-core;
ISO 216 for A4; weight limit 100 kB as for every page.
"""

from __future__ import annotations

import re

import pypdfium2
import pytest
from axe_check import violations
from playwright.sync_api import expect
from recall_story import CAUSE, forward
from visits import Served, Visiting

pytestmark = pytest.mark.browser
POINTS_PER_MM = 72 / 25.4


@pytest.mark.parametrize("size", ["phone", "desktop"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_mock_recall_from_the_start_page_to_the_first_lot_found(
    served: Served, visiting: Visiting, size: str, scheme: str
) -> None:
    story = forward(served.plant)
    visit = visiting(served.address, size=size, scheme=scheme)
    visit.log_in()
    page = visit.open("/")
    page.get_by_role("link", name="Recall").click()
    assert violations(page) == []
    visit.look(f"recall-ask-{size}-{scheme}")
    page.get_by_label("Code on the label").fill(story.bale)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Recall list: lot {story.bale}")
    assert violations(page) == []
    visit.look(f"recall-list-{size}-{scheme}")
    page.get_by_label("Why?").fill(CAUSE)
    page.get_by_label("Mock: hold nothing").check()
    page.get_by_role("button", name="Start").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Mock recall of")
    code = page.get_by_label("Code of the lot")
    expect(code).to_be_focused()
    code.fill(story.pl1)
    page.get_by_label("Where").fill("Hall 2")
    page.get_by_role("button", name="Record it").first.click()
    expect(page.get_by_text("32.1 %")).to_be_visible()
    expect(page.get_by_label("Where")).to_have_value("Hall 2")
    assert violations(page) == []
    visit.look(f"recall-search-{size}-{scheme}")
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide == 0


def test_the_clock_goes_on_between_two_looks(served: Served, visiting: Visiting) -> None:
    story = forward(served.plant)
    number = served.plant.post("/v1/recalls", {"lot": story.bale, "cause": CAUSE, "is_mock": True})["id"]
    visit = visiting(served.address)
    visit.log_in()
    page = visit.open(f"/recall/{number}")
    # The clock of this server stands still, so what goes on is the page's own.
    expect(page.locator("[data-clock]")).to_have_text(re.compile(r"^[2-9] s$"))


def test_the_list_prints_on_a4_with_all_its_lots_and_no_buttons(served: Served, visiting: Visiting) -> None:
    story = forward(served.plant)
    visit = visiting(served.address)
    visit.log_in()
    page = visit.open(f"/recall/list?lot={story.bale}")
    document = pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True))
    sizes = [(sheet.get_width() / POINTS_PER_MM, sheet.get_height() / POINTS_PER_MM) for sheet in document]
    assert sizes == [pytest.approx((210, 297), abs=0.4)] * len(sizes)
    text = "".join(sheet.get_textpage().get_text_range() for sheet in document)
    document.close()
    assert re.search(r"34\W?210 kg", text)
    for words in (story.pl1[:5], story.pl2[:5], "1.75 %", "SILO-1", "responsible quality person"):
        assert words in text
    assert not {"Start", "Print the list", "As a file (CSV)", "Log out"} & {line.strip() for line in text.splitlines()}


@pytest.mark.parametrize("path", ["/recall", "/recall/list?lot={bale}", "/recall/{number}"])
def test_a_page_weighs_little(served: Served, visiting: Visiting, path: str) -> None:
    story = forward(served.plant)
    number = served.plant.post("/v1/recalls", {"lot": story.bale, "cause": CAUSE})["id"]
    visit = visiting(served.address)
    visit.log_in()
    weights: list[int] = []
    visit.page.on("response", lambda answer: weights.append(len(answer.body())))
    visit.open(path.format(bale=story.bale, number=number))
    visit.page.wait_for_load_state("networkidle")
    assert 5_000 < sum(weights) < 100_000
