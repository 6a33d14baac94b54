"""Goal: a site's balance can be read and printed, and a count be counted and approved, on a phone and on a desk.

Method: headless Chromium on a small plant with a week of washes. Source: WCAG 2.2 AA by axe-core; ISO 216 for A4.
"""

from __future__ import annotations

import pypdfium2
import pytest
from axe_check import violations
from line_steps import DAY, close, discharge, feed, opening, out, start
from plant_fixture import SECOND_KEY, Plant
from playwright.sync_api import expect
from visits import Served, Visiting

pytestmark = pytest.mark.browser
POINTS_PER_MM = 72 / 25.4


def washes(plant: Plant) -> str:
    """Seven washes on the day before, each with a loss of its own; the code of a lot that is left."""
    for hour, made in enumerate(("970", "955", "975", "940", "950", "990", "1005")):
        run = start(plant, "wash", hour=1 + hour)
        begin = DAY.replace(hour=1 + 3 * hour).isoformat()
        feed(plant, run, opening(plant, "loose", "PET-LOOSE", "1000", "0.02"), start_at=begin)
        discharge(plant, run, out("flake", "FLAKE", "product", "flake", made, "0.01", hour=22) | {"start_at": begin})
        close(plant, run, hour=23)
    return opening(plant, "flake", "FLAKE", "500")


@pytest.mark.parametrize("size", ["phone", "desktop"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_balance_is_read_and_a_count_approved_by_another(
    served: Served, visiting: Visiting, size: str, scheme: str
) -> None:
    lot = washes(served.plant)
    visit = visiting(served.address, size=size, scheme=scheme)
    visit.log_in()
    page = visit.open("/balance?period=week&day=2026-03-08&step=wash")
    expect(page.get_by_role("heading", level=1)).to_contain_text("2026-W10")
    expect(page.get_by_role("img", name="Unexplained dry mass of Wash")).to_be_visible()
    assert violations(page) == []
    visit.look(f"balance-{size}-{scheme}")
    page.get_by_role("link", name="Stock counts").click()
    page.get_by_label("Codes of the lots").fill(lot)
    page.get_by_label("Mass in kg").fill("488")
    assert violations(page) == []
    visit.look(f"counts-{size}-{scheme}")
    page.get_by_role("button", name="Record it").click()
    expect(page.get_by_text("Another person approves.")).to_be_visible()
    expect(page.get_by_role("button", name="Approve and book")).to_have_count(0)
    assert violations(page) == []
    visit.look(f"count-{size}-{scheme}")
    address = page.url.removeprefix(served.address)
    other = visiting(served.address, size=size, scheme=scheme)
    other.log_in(SECOND_KEY)
    approving = other.open(address)
    approving.get_by_label("What explains them").fill("weighed twice")
    approving.get_by_role("button", name="Approve and book").click()
    expect(approving.get_by_role("heading", name="Approved and booked")).to_be_visible()
    expect(approving.get_by_text("taken off the lot")).to_be_visible()
    assert violations(approving) == []
    other.look(f"count-approved-{size}-{scheme}")
    for one in (page, approving):
        assert one.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") == 0


def test_a_balance_prints_on_a4(served: Served, visiting: Visiting, tmp_path_factory: pytest.TempPathFactory) -> None:
    washes(served.plant)
    visit = visiting(served.address)
    visit.log_in()
    page = visit.open("/balance?period=day&day=2026-03-08")
    sheet = pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True))
    width, height = sheet[0].get_size()
    assert (round(width / POINTS_PER_MM), round(height / POINTS_PER_MM)) == (210, 297)
    words = "".join(one.get_textpage().get_text_range() for one in sheet)
    assert "Stands here at the end" in words
    assert "Another period" not in words
