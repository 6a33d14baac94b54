"""Goal: the gate works for a clerk with a keyboard alone, on every screen, and prints what hangs in the yard.

Method: headless Chromium against a served plant. Keys are pressed as a person presses them and the filled fields are
counted. Papers go through the browser's own PDF printer at their paper size, and the codes on them are read back
by zxing-cpp from the raster of the PDF (pypdfium2), also blurred, turned and stained.
Sources: issue text 'truck to printed tags by keyboard alone in at most 12 filled fields'; WCAG 2.2 AA by axe-core.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from itertools import pairwise

import pypdfium2
import pytest
import zxingcpp
from axe_check import violations
from PIL import Image, ImageDraw, ImageFilter
from playwright.sync_api import Page, expect
from visits import SIZES, Served, ServedDemo, Visiting

from service.pages.forms import KEY_FIELD

pytestmark = pytest.mark.browser
POINTS_PER_MM = 72 / 25.4


@pytest.fixture
def gate(served: Served) -> Served:
    """A served plant that knows a supplier."""
    served.plant.post("/v1/partners", {"code": "REED", "name": "Reed Sorting", "is_supplier": True})
    return served


def typed_by_keyboard(page: Page, text: str) -> None:
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def test_p03_a_truck_to_printed_tags_by_keyboard_alone(gate: Served, visiting: Visiting):
    visit = visiting(gate.address)
    visit.log_in()
    page = visit.open("/gate/new")
    filled = 0
    expect(page.get_by_label("Number plate")).to_be_focused()
    for label, text in (
        ("Number plate", "AB-12-CD"),
        ("Supplier", "Reed Sorting"),
        ("Material", "PET-B"),
        ("Gross mass", "39860"),
        ("Bales on the delivery note", "48"),
    ):
        expect(page.get_by_label(label)).to_be_focused()
        typed_by_keyboard(page, text)
        filled += 1
    expect(page.get_by_role("heading", level=1)).to_have_text("Ticket T000001")
    expect(page.get_by_label("Tare from the scale")).to_be_focused()
    page.keyboard.type("15420")
    expect(page.locator("[data-net]")).to_have_text("Net 24\u202f440 kg")
    page.keyboard.press("Enter")
    filled += 1

    expect(page.get_by_label("Bales counted")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.insert_text("\n".join(f"{number:06d}" for number in range(123, 171)))
    filled += 1
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    tags = page.get_by_role("link", name="Tags for 48 bales")
    expect(tags).to_be_visible()
    tags.focus()
    page.keyboard.press("Enter")
    expect(page.locator(".tag-sheet img")).to_have_count(48)
    assert filled <= 12, f"{filled} fields were filled in"


def test_a_known_plate_fills_the_supplier_in_and_enter_passes_it_over(gate: Served, visiting: Visiting):
    visit = visiting(gate.address)
    visit.log_in()
    for plate in ("AB-12-CD", "ab 12 cd"):
        page = visit.open("/gate/new")
        page.get_by_label("Number plate").fill(plate)
        page.keyboard.press("Enter")
        if plate == "AB-12-CD":
            expect(page.locator("[data-plate-words]")).to_have_text("Not here before.")
            page.get_by_label("Supplier").fill("Reed Sorting")
            page.get_by_label("Material").select_option("PET-BALES")
            page.get_by_label("Gross mass").fill("20000")
            page.get_by_role("button", name="Open the ticket").click()
    expect(page.locator("[data-plate-words]")).to_contain_text("Last here on 2026-03-09")
    expect(page.get_by_label("Supplier")).to_have_value("Reed Sorting")
    expect(page.get_by_label("Gross mass")).to_be_focused()


def test_enter_on_a_choice_opens_the_ticket_and_does_not_look_the_plate_up_again(gate: Served, visiting: Visiting):
    visit = visiting(gate.address)
    visit.log_in()
    page = visit.open("/gate/new")
    page.get_by_label("Supplier").fill("Reed Sortin")
    page.get_by_label("Material").select_option("PET-BALES")
    page.get_by_role("button", name="Open the ticket").click()
    page.get_by_label("Reed Sorting REED").focus()
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Ticket T000001")


def test_a_double_click_and_the_way_back_record_one_truck(gate: Served, visiting: Visiting):
    visit = visiting(gate.address)
    visit.log_in()
    page = visit.open("/gate/new")
    page.get_by_label("Supplier").fill("Reed Sorting")
    page.get_by_label("Material").select_option("PET-BALES")
    page.get_by_role("button", name="Open the ticket").dblclick()
    expect(page.get_by_role("heading", level=1)).to_have_text("Ticket T000001")
    page.go_back()
    expect(page.get_by_role("heading", level=1)).to_have_text("This truck is recorded already")
    assert len(gate.plant.get("/v1/deliveries")["deliveries"]) == 1


def test_a_refusal_takes_the_keyboard_to_the_field_and_keeps_everything(gate: Served, visiting: Visiting):
    visit = visiting(gate.address)
    visit.log_in()
    page = visit.open("/gate/new")
    page.get_by_label("Supplier").fill("Reed Sorting")
    page.get_by_label("Material").select_option("PET-BALES")
    page.get_by_label("Gross mass").fill("24.440")
    page.get_by_role("button", name="Open the ticket").click()
    expect(page.get_by_role("alert")).to_contain_text("24440")
    expect(page.get_by_label("Gross mass")).to_be_focused()
    expect(page.get_by_label("Gross mass")).to_have_value("24.440")
    expect(page.get_by_label("Supplier")).to_have_value("Reed Sorting")


def test_without_scripts_the_gate_works_all_the_same(gate: Served, visiting: Visiting):
    visit = visiting(gate.address, java_script_enabled=False)
    visit.log_in()
    page = visit.open("/gate/new")
    page.get_by_label("Supplier").fill("Reed Sorting")
    page.get_by_label("Material").select_option("PET-BALES")
    page.get_by_label("Gross mass").fill("20000,5")
    page.get_by_role("button", name="Open the ticket").click()
    page.get_by_label("Tare from the scale").fill("15000")
    page.get_by_role("button", name="Record the tare").click()
    expect(page.locator(".net")).to_have_text("5\u202f000.500 kg")


def test_a_log_in_that_ended_in_mid_form_loses_nothing(gate: Served, visiting: Visiting):
    visit = visiting(gate.address)
    visit.log_in()
    page = visit.open("/gate/new")
    page.get_by_label("Supplier").fill("Reed Sorting")
    page.get_by_label("Material").select_option("PET-BALES")
    page.get_by_label("Gross mass").fill("20000")
    gate.plant.clock.advance(hours=15)
    page.get_by_role("button", name="Open the ticket").click()
    expect(page.get_by_text("Nothing you typed is lost")).to_be_visible()
    page.get_by_label("Your key").fill("test-key-of-the-first-actor")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Record it now").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Ticket T000001")
    expect(page.locator(".figures")).to_contain_text(["20\u202f000 kg", "Reed Sorting"])


# Papers ---------------------------------------------------------------------------------------------


def largest_ticket(page: Page, address: str) -> int:
    found = page.request.get(f"{address}/v1/deliveries?limit=50").json()["deliveries"]
    rejected = [ticket for ticket in found if ticket["decision"] == "part_rejected"]
    return int(max(rejected or found, key=lambda ticket: ticket["counted"] or 0)["id"])


@pytest.fixture
def demo_desk(served_demo: ServedDemo, visiting: Visiting) -> tuple[ServedDemo, Page]:
    visit = visiting(served_demo.address)
    visit.log_in(served_demo.key)
    return served_demo, visit.page


@pytest.mark.parametrize(
    ("paper", "width_mm", "height_mm", "pages"),
    [("ticket", 210, 148, 2), ("receiving-note", 210, 297, 1), ("rejection-note", 210, 297, 1)],
)
def test_papers_come_out_at_their_size(
    demo_desk: tuple[ServedDemo, Page], paper: str, width_mm: float, height_mm: float, pages: int
):
    demo, page = demo_desk
    page.goto(f"{demo.address}/gate/tickets/{largest_ticket(page, demo.address)}/papers/{paper}")
    document = pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True))
    assert len(document) == pages
    for sheet in document:
        width_pt, height_pt = sheet.get_size()
        assert width_pt == pytest.approx(width_mm * POINTS_PER_MM, abs=1)
        assert height_pt == pytest.approx(height_mm * POINTS_PER_MM, abs=1)
        text = sheet.get_textpage().get_text_range()
        assert not {"Print", "Log out"} & set(text.splitlines()), "what is for the screen is not on the paper"


def clean(tag: Image.Image) -> Image.Image:
    return tag


def blurred(tag: Image.Image) -> Image.Image:
    return tag.filter(ImageFilter.GaussianBlur(3))


def turned(tag: Image.Image) -> Image.Image:
    return tag.rotate(12, expand=True, fillcolor=255)


def stained(tag: Image.Image) -> Image.Image:
    """Thirty dark spots, a tenth of the area; seeded, so that the same stain falls in every run."""
    spots, chance = tag.copy(), random.Random(7)
    pen = ImageDraw.Draw(spots)
    radius = (0.1 * tag.width * tag.height / 30 / 3.14) ** 0.5
    for _ in range(30):
        x, y = chance.uniform(0, tag.width), chance.uniform(0, tag.height)
        pen.ellipse((x - radius, y - radius, x + radius, y + radius), fill=60)
    return spots


@pytest.fixture(scope="module")
def printed_tags() -> dict[str, list[Image.Image]]:
    return {}


@pytest.mark.parametrize("damage", [clean, blurred, turned, stained])
def test_every_tag_is_one_page_of_its_size_and_is_read_back(
    demo_desk: tuple[ServedDemo, Page],
    printed_tags: dict[str, list[Image.Image]],
    damage: Callable[[Image.Image], Image.Image],
):
    demo, page = demo_desk
    ticket_id = largest_ticket(page, demo.address)
    told = page.request.get(f"{demo.address}/v1/deliveries/{ticket_id}").json()
    staying = [bale["code"] for bale in told["bales"] if not bale["left_on_truck"] and not bale["sent_back"]]
    if not printed_tags:
        page.goto(f"{demo.address}/gate/tickets/{ticket_id}/papers/tags", wait_until="networkidle")
        document = pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True))
        sizes = {tuple(round(side / POINTS_PER_MM) for side in sheet.get_size()) for sheet in document}
        assert sizes == {(100, 150)}
        assert len(document) == len(staying)
        # 203 dots per inch: what label printers of the trade have (common practice, no source).
        printed_tags["tags"] = [
            sheet.render(scale=203 / 72, grayscale=True).to_pil().convert("L") for sheet in document
        ]
    read = [
        {found.text.rsplit("/", 1)[-1] for found in zxingcpp.read_barcodes(damage(tag))} for tag in printed_tags["tags"]
    ]
    assert read == [{code} for code in staying]


# Looks ----------------------------------------------------------------------------------------------

PAGES = ("/", "/help", "/gate", "/gate/new/look", "/gate/tickets/{big}", "/gate/tickets/{big}/correction")
MORE = (
    "/gate/tickets/{big}/versions",
    "/gate/tickets/{big}/papers/ticket",
    "/gate/tickets/{big}/papers/receiving-note",
)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", list(SIZES))
def test_every_page_of_the_gate_is_accessible_and_fits_its_screen(
    served_demo: ServedDemo, visiting: Visiting, size: str, scheme: str
):
    visit = visiting(served_demo.address, size=size, scheme=scheme)
    assert violations(visit.open("/log-in")) == []
    visit.log_in(served_demo.key)
    big = largest_ticket(visit.page, served_demo.address)
    for path in PAGES + MORE:
        page = visit.open(path.format(big=big))
        visit.look(f"{path.replace('{big}', 'n').strip('/').replace('/', '_') or 'start'}_{size}_{scheme}")
        page.evaluate("for (const folded of document.querySelectorAll('details')) folded.open = true")
        assert violations(page) == [], path
        beyond = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert beyond <= 0, f"{path} is {beyond} px wider than the screen"
        levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3')].map(head => Number(head.tagName[1]))")
        assert levels[0] == 1, path
        assert all(after - before <= 1 for before, after in pairwise(levels)), path


def test_the_control_a_page_with_faults_is_caught(served_demo: ServedDemo, visiting: Visiting):
    visit = visiting(served_demo.address)
    visit.log_in(served_demo.key)
    page = visit.open("/gate/new/control")
    page.evaluate(f"document.querySelectorAll('label').forEach(label => label.remove()); '{KEY_FIELD}'")
    assert any(fault.startswith("label") for fault in violations(page))


def test_a_refused_form_is_accessible_too(gate: Served, visiting: Visiting):
    visit = visiting(gate.address, scheme="dark")
    visit.log_in()
    page = visit.open("/gate/new")
    page.get_by_label("Supplier").fill("sorting")
    page.get_by_label("Material").select_option("PET-BALES")
    page.get_by_role("button", name="Open the ticket").click()
    expect(page.get_by_text("Who is meant by")).to_be_visible()
    assert violations(page) == []


def test_a_name_of_200_letters_and_one_from_right_to_left_break_no_page(gate: Served, visiting: Visiting):
    visit = visiting(gate.address, size="phone")
    visit.log_in()
    for name in ("W" * 200, "مصنع إعادة التدوير"):
        page = visit.open("/gate/new")
        page.get_by_label("Supplier").fill(name)
        page.get_by_label("Material").select_option("PET-BALES")
        page.get_by_role("button", name="Open the ticket").click()
        expect(page.get_by_role("heading", level=1)).to_contain_text("Ticket")
        beyond = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert beyond <= 0
