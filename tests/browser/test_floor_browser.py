"""Goal: the floor pages can be used with a hand scanner and wet gloves: by keyboard alone, on a phone and a screen.

Method: headless Chromium. A scanner is a keyboard that types a code and Enter. Accessibility by axe-core (WCAG 2.2,
levels A and AA) in light and dark; a console message fails the test (see conftest).
"""

from __future__ import annotations

import pytest
from axe_check import violations
from line_steps import at, charge, discharge, feed, opening, out, start, vessel
from plant_fixture import Plant
from playwright.sync_api import Page, expect
from visits import Served, ServedDemo, Visit, Visiting

pytestmark = pytest.mark.browser
SMALLEST_TARGET_PX = 44  # WCAG 2.2, 2.5.5 (enhanced); 2.5.8 asks for 24


def scan(page: Page, *codes: str) -> None:
    """What a hand scanner does: each code and Enter."""
    expect(page.get_by_label("Codes", exact=True)).to_be_focused()
    for code in codes:
        page.keyboard.type(code)
        page.keyboard.press("Enter")


def at_work(visiting: Visiting, served: Served, **how: str) -> Visit:
    visit = visiting(served.address, **how)
    visit.log_in()
    return visit


def open_everything(page: Page) -> None:
    page.locator("main details").evaluate_all("(all) => all.forEach((details) => { details.open = true; })")


def tab_to(page: Page, name: str) -> None:
    """Tab until the control with this name has the focus; fails if the keyboard does not reach it."""
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("() => document.activeElement.textContent.trim()") == name:
            return
    raise AssertionError(f"40 tabs did not reach {name!r}")


def test_three_bales_are_fed_and_the_run_ended_by_keyboard_alone(visiting: Visiting, served: Served):
    bales = [opening(served.plant, "bale", "PET-BALES", kg, "0.05") for kg in ("500", "510", "520.5")]
    visit = at_work(visiting, served)
    page = visit.open("/floor")
    tab_to(page, "Start a wash batch")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Codes", exact=True)).to_be_focused()

    scan(page, *bales)
    expect(page.get_by_text("3 lines")).to_be_visible()
    page.keyboard.press("Enter")  # on the empty line
    expect(page.get_by_text("3 lots fed.")).to_be_visible()
    expect(page.get_by_role("heading", name="Went in: 1\u202f530.500 kg of 3 lots")).to_be_visible()
    expect(page.get_by_label("Codes", exact=True)).to_be_focused()

    served.plant.clock.advance(hours=1)
    tab_to(page, "End the run")
    page.keyboard.press("Enter")
    tab_to(page, "End it and show the balance")
    page.keyboard.press("Enter")

    expect(page.locator(".verdict .word")).to_have_text("Loss above the tolerance")
    expect(page.locator(".verdict")).to_contain_text("1\u202f454.0 kg dry went in")
    expect(page.get_by_text("+1453.975 kg (loss)")).to_be_visible()


def test_a_second_enter_only_sends_on_an_empty_line_and_kilograms_choose_the_part(visiting: Visiting, served: Served):
    bale = opening(served.plant, "bale", "PET-BALES", "523.5", "0.05")
    visit = at_work(visiting, served, size="phone")
    page = visit.open(f"/floor/runs/{start(served.plant, 'wash')}")
    page.keyboard.press("Enter")  # nothing is there to be sent
    page.keyboard.type(bale)
    expect(page.get_by_text("1 line", exact=True)).to_be_visible()
    page.get_by_label("How many kg, for a part").fill("310,0")
    expect(page.get_by_label("A part of it")).to_be_checked()
    page.get_by_label("How many kg, for a part").fill("")
    expect(page.get_by_label("All of it")).to_be_checked()
    page.get_by_label("How many kg, for a part").fill("310,0")
    page.keyboard.press("Enter")
    expect(page.get_by_text("1 lot fed.")).to_be_visible()
    assert served.plant.get(f"/v1/lots/{bale}")["on_hand_kg"] == "213.500"


def test_after_a_refusal_the_next_scan_goes_on_its_own_line(visiting: Visiting, served: Served):
    good, held = (opening(served.plant, "bale", "PET-BALES", "500", "0.05") for _ in range(2))
    served.plant.post("/v1/holds", {"lot": held, "cause": "fuel canister found"})
    visit = at_work(visiting, served)
    page = visit.open(f"/floor/runs/{start(served.plant, 'wash')}")
    scan(page, held, "")
    expect(page.get_by_text("On hold: do not touch")).to_be_visible()
    expect(page.get_by_text("fuel canister found").first).to_be_visible()
    expect(page.get_by_text("Lifted only by another person")).to_be_visible()
    expect(page.get_by_label("Codes", exact=True)).to_be_focused()
    page.keyboard.type(good)
    assert page.get_by_label("Codes", exact=True).input_value().split() == [held, good]


def test_a_bag_is_filled_and_its_code_stands_large_on_the_phone(visiting: Visiting, served: Served):
    run = start(served.plant, "wash")
    feed(served.plant, run, opening(served.plant, "loose", "PET-LOOSE", "1000", "0.05"))
    visit = at_work(visiting, served, size="phone")
    page = visit.open(f"/floor/runs/{run}")
    page.get_by_text("Fill a bag, or several alike").click()
    form = page.locator("form[action$='/bags']")
    form.get_by_label("or net, kg").fill("900,5")
    form.get_by_label("Moisture, %").fill("0,7")
    form.get_by_label("Material").select_option("FLAKE")
    form.get_by_role("button", name="Book it and show its code").click()
    code = page.locator(".made .code")
    expect(code).to_be_visible()
    height = code.bounding_box()
    assert height is not None
    assert height["height"] >= 24
    expect(page.get_by_role("link", name="Print its label")).to_be_visible()


def floor_of(plant: Plant) -> dict[str, str]:
    """One of everything, and the addresses that show it."""
    done = start(plant, "wash")
    feed(plant, done, opening(plant, "loose", "PET-LOOSE", "1000", "0.05"))
    discharge(plant, done, out("flake", "FLAKE", "product", "clear_flake", "990", "0.01"))
    plant.post(f"/v1/runs/{done}/close", {"ended_at": at(20)})
    going_on = start(plant, "extrusion")
    lines = feed(plant, going_on, opening(plant, "flake", "FLAKE", "500", "0.01"), "100")["lines"]
    discharge(plant, going_on, out("pellets", "PELLETS", "product", "pellets", "90", "0.001"))
    silo = vessel(plant, "SILO")
    charge(plant, silo, opening(plant, "flake", "FLAKE", "1000"), 1)
    plant.post(
        f"/v1/vessels/{silo}/draws",
        {"kind": "flake", "material": "FLAKE", "mass_kg": "1200", "moisture_fraction": "0", "start_at": at(3)},
    )
    return {
        "board": "/floor",
        "open": f"/floor/runs/{going_on}",
        "ended": f"/floor/runs/{done}",
        "late": f"/floor/runs/{done}?late=yes",
        "vessel": f"/floor/vessels/{silo}",
        "line": f"/floor/lines/{lines[0]['id']}",
    }


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", ["phone", "desktop"])
def test_every_page_keeps_the_rules_of_accessibility(visiting: Visiting, served: Served, size: str, scheme: str):
    visit = at_work(visiting, served, size=size, scheme=scheme)
    addresses = floor_of(served.plant)
    for name, path in addresses.items():
        page = visit.open(path)
        open_everything(page)
        assert violations(page) == [], name
        width = page.evaluate("() => document.documentElement.scrollWidth")
        assert width <= page.viewport_size["width"], f"{name} scrolls sideways"  # type: ignore[index]

    page = visit.open(addresses["open"])
    scan(page, "4T2E1YYE36", "")
    expect(page.get_by_text("There is no lot 4T2E1YYE36")).to_be_visible()
    assert violations(page) == [], "refused"


def test_everything_to_press_is_large_enough_for_a_glove(visiting: Visiting, served: Served):
    visit = at_work(visiting, served, size="phone")
    for name, path in floor_of(served.plant).items():
        page = visit.open(path)
        open_everything(page)
        targets = page.locator("main :is(button, summary, input:not([type=hidden]), select, textarea, table a, h3 a)")
        for target in targets.all():
            box = target.bounding_box()
            if box is None:
                continue
            label = target.evaluate("(e) => (e.closest('label') || e).getBoundingClientRect().height")
            assert label >= SMALLEST_TARGET_PX, (name, target.evaluate("(e) => e.outerHTML.slice(0, 120)"), label)


def test_the_demo_week_is_drawn_without_a_word_on_the_console(visiting: Visiting, served_demo: ServedDemo):
    visit = visiting(served_demo.address)
    visit.log_in(served_demo.key)
    page = visit.open("/floor")
    links = [link.get_attribute("href") for link in page.locator("main a[href^='/floor/']").all()]
    assert len(links) >= 12 + 4, "the last twelve runs and four vessels"
    for link in links:
        page = visit.open(str(link))
        expect(page.locator("h1")).to_be_visible()
