"""Goal: the page of a lot says what it is, may it be touched, where it came from to the last kilogram, and what
was lost on the way; a hold is placed and lifted on it; its label and the tag of a bale are printed from it.

Method: small lots through real runs over HTTP on both engines. Figures of the page are compared with what the
interface answers, and added up anew from the page's own cells.
"""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal
from html.parser import HTMLParser
from typing import Any

import pytest
from gate import p03
from line_steps import at, charge, close, discharge, draw, feed, load, made, opening, out, start, vessel
from page_client import PageClient
from plant_fixture import SECOND_KEY, Plant
from whole_database import everything_in

from service.core.quantities import GROUP_MARK
from service.labels.tag import NOTICE
from service.pages.lots import sources

SUPPLIERS = {"Reed Bank Sorters": 9_000, "Bright Quay Deposit": 6_000, "Polymer House": 5_000}


def pellets_of(plant: Plant) -> str:
    """A pellet lot of three suppliers, two of them with one load, one with two."""
    loads: dict[str, str | None] = {load(plant, name, kg): None for name, kg in SUPPLIERS.items()}
    loads[load(plant, "Polymer House", 1_000)] = None
    flake = made(plant, "wash", loads, out("flake", "FLAKE", "product", "clear_flake", "20900"))
    return made(plant, "extrusion", {flake: None}, out("pellets", "PELLETS", "product", "pellets", "20800", hour=5), 4)


class Table(HTMLParser):
    """Rows of the table of sources: texts of its cells."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self._open = False
        self._cell: list[str] | None = None
        self.feed(html[html.index('<table class="sources">') :].partition("</table>")[0])

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        if tag == "tr":
            self.rows.append([])
        elif tag in ("th", "td"):
            self._cell = []

    def handle_endtag(self, tag: str) -> None:
        if tag in ("th", "td") and self._cell is not None:
            self.rows[-1].append(" ".join("".join(self._cell).split()))
            self._cell = None

    def handle_data(self, data: str) -> None:
        if self._cell is not None:
            self._cell.append(data)


def sources_table(plant: Plant, code: str) -> list[list[str]]:
    return Table(PageClient(plant).get(f"/lots/{code}").html).rows[1:]


# What it says -----------------------------------------------------------------------------------------


def test_only_people_of_the_plant_open_it(plant: Plant):
    lot = opening(plant, "flake", "FLAKE", "4000")
    page = PageClient(plant, key=None).get(f"/lots/{lot}", status=401)
    assert page.form("/log-in").value("path") == f"/lots/{lot}"


@pytest.mark.parametrize("typed", ["{0}", "{0[0]}{0[1]}-{0[2]}"])
def test_a_code_is_found_however_it_is_typed(plant: Plant, typed: str):
    lot = opening(plant, "flake", "FLAKE", "4000")
    page = PageClient(plant).get(
        "/lots/" + typed.format(lot.lower() if "-" not in typed else [lot[:2], lot[2:5], lot[5:]])
    )
    assert f"{lot[:5]} {lot[5:]}" in page.text


@pytest.mark.parametrize("code", ["Q2ZTMZMYEX", "nothing", "Q2ZTMZMYEJ", "<script>alert(1)"])
def test_a_code_that_leads_nowhere_is_answered_in_words(plant: Plant, code: str):
    page = PageClient(plant).get(f"/lots/{code}", status=404)
    assert "not a lot code" in page.text or "There is no lot" in page.text
    assert "<script>alert" not in page.html


def test_what_it_holds_with_how_each_figure_is_known(plant: Plant):
    delivery = p03(plant)
    code = delivery["bales"][0]["code"]
    page = PageClient(plant).get(f"/lots/{code}")
    for words in (
        "Bale, Pet-Bales",
        "518.468 kg estimated: its part of a weighed load",
        "On hand 518.468 kg",
        "Wire or straps on it 1.500 kg",
        "Moisture Not known",
        "Supplier's tag 000123",
        f"Ticket {delivery['ticket_no']} of North Sorting",
        "May be touched; not yet judged",
        NOTICE,
        "Nothing of it was taken yet.",
    ):
        assert words in page.text, words
    assert f"/gate/tickets/{delivery['id']}" in page.links
    assert "Where it came from" not in page.text


def test_every_mass_a_bale_was_given_stands_there_with_the_reason(plant: Plant):
    delivery = p03(plant)
    code = delivery["bales"][3]["code"]
    weighing = {"instrument": "PLATFORM", "mass_kg": "502.5", "weighed_at": "2026-03-09T05:40:00Z"}
    plant.post(f"/v1/lots/{code}/weighings", weighing)
    text = PageClient(plant).get(f"/lots/{code}").text
    assert "Every mass it was given: 2" in text
    assert re.search(r"518\.468 estimated: its part of a weighed load .* 502\.500 weighed", text)
    assert "Net mass 502.500 kg weighed" in text


def test_the_rows_are_those_of_the_trace(plant: Plant):
    code = pellets_of(plant)
    trace = plant.get(f"/v1/lots/{code}/trace")
    rows = sources_table(plant, code)

    by_ticket = {found[1]: row for row in rows if (found := re.search(r"Ticket (\S+) of 2026-03-08", row[0]))}
    assert {ticket: row[1:3] for ticket, row in by_ticket.items()} == {
        row["ticket_no"]: [rounded(row["share"]), str(row["lots"])] for row in trace["deliveries"]
    }
    assert len(by_ticket) == 4

    names = [row[0].partition("Ticket")[0].strip() for row in rows]
    by_name = {name: row[1:3] for name, row in zip(names, rows, strict=True) if name in SUPPLIERS}
    assert by_name == {row["supplier"]: [rounded(row["share"]), str(row["lots"])] for row in trace["suppliers"]}
    # Largest first; a supplier with one delivery needs one row, one with several has each of them beneath.
    assert names == [
        "Reed Bank Sorters",
        "Bright Quay Deposit",
        "Polymer House",
        "",
        "",
        "Not attributed to anything recorded",
        "The whole lot",
    ]


def rounded(share: str) -> str:
    """A share of the interface as a percentage with two decimals, half up."""
    return f"{(Decimal(share) * 100).quantize(Decimal('0.01'), ROUND_HALF_UP)} %"


def test_masses_and_counts_of_the_rows_add_up_to_the_lot(plant: Plant):
    code = pellets_of(plant)
    rows = sources_table(plant, code)
    # 9,000, 6,000 and 5,000 + 1,000 of 21,000 kg, all dry; the lot weighs 20,800 kg.
    suppliers = [row for row in rows if row[0].startswith(tuple(SUPPLIERS))]
    remainder, whole = rows[-2:]
    assert sorted(row[1:] for row in suppliers) == [
        ["28.57 %", "1", "5942.857"],
        ["28.57 %", "2", "5942.857"],
        ["42.86 %", "1", "8914.286"],
    ]
    assert remainder == ["Not attributed to anything recorded", "0 %", "", "0.000"]
    assert whole == ["The whole lot", "100 %", "4", "20800.000"]
    assert sum(Decimal(row[3]) for row in [*suppliers, remainder]) == Decimal(whole[3])
    assert sum(int(row[2]) for row in suppliers) == int(whole[2])
    house = [row for row in rows if row[0].startswith("Ticket")]
    assert [row[3] for row in house] == ["4952.381", "990.476"], "5,000 and 1,000 of 21,000 kg"


def test_thirds_add_up_too(plant: Plant):
    thirds: dict[str, str | None] = {load(plant, name, 1_000): None for name in SUPPLIERS}
    lot = made(plant, "wash", thirds, out("flake", "FLAKE", "product", "clear_flake", "1000"))
    *suppliers, _, whole = sources_table(plant, lot)
    assert sorted(row[3] for row in suppliers) == ["333.333", "333.333", "333.334"]
    assert whole[3] == "1000.000"


def test_what_nothing_explains_has_its_own_row(plant: Plant):
    silo = vessel(plant, "SILO-1")
    charge(plant, silo, opening(plant, "flake", "FLAKE", "3000"), 1)
    drawn = draw(plant, silo, "4000", 2)
    rows = sources_table(plant, drawn)
    assert rows[0] == ["Before records began", "75.00 %", "1", "3000.000"]
    assert rows[-2] == ["Not attributed to anything recorded", "25.00 %", "", "1000.000"]
    assert rows[-1] == ["The whole lot", "100 %", "1", "4000.000"]


def test_the_drawing_says_what_the_table_says(plant: Plant):
    silo = vessel(plant, "SILO-1")
    charge(plant, silo, pellets_of(plant), 8)
    charge(plant, silo, opening(plant, "pellets", "PELLETS", "200"), 9)
    code = draw(plant, silo, "22000", 10, "pellets", "PELLETS")
    page = PageClient(plant).get(f"/lots/{code}")
    drawn = page.html[page.html.index('class="flow"') :].partition("</svg>")[0]
    drawn_percents = re.findall(r">([0-9.]+ %|below 0\.01 %|none expected)</text>", drawn)
    rows = Table(page.html).rows[1:-1]
    # One band for each delivery; a supplier with several has a row of its own in the table, and none in the drawing.
    parts = [
        row
        for place, row in enumerate(rows)
        if not (place + 1 < len(rows) and rows[place + 1][0].startswith("Ticket")) or row[0].startswith("Ticket")
    ]
    assert sorted(drawn_percents) == sorted(row[1] for row in parts)
    assert len(drawn_percents) == 6  # four loads, the opening stock, and what nothing explains
    assert "none expected" not in drawn


def test_the_lots_it_may_contain_are_all_listed(plant: Plant):
    code = pellets_of(plant)
    page = PageClient(plant).get(f"/lots/{code}")
    assert "The lots it may contain: 4" in page.text
    for origin in plant.get(f"/v1/lots/{code}/trace")["may_contain"]:
        assert f"/lots/{origin}" in page.links


def test_a_long_list_is_cut_and_its_figures_are_not(plant: Plant, monkeypatch: pytest.MonkeyPatch):
    code = pellets_of(plant)
    monkeypatch.setattr(sources, "DELIVERIES_SHOWN", 2)
    monkeypatch.setattr(sources, "SUPPLIERS_SHOWN", 1)
    monkeypatch.setattr(sources, "CODES_SHOWN", 1)
    page = PageClient(plant).get(f"/lots/{code}")
    rows = Table(page.html).rows[1:]
    assert rows[0][1:] == ["42.86 %", "1", "8914.286"]
    assert rows[-3] == ["2 further suppliers", "57.14 %", "3", "11885.714"]
    assert rows[-1] == ["The whole lot", "100 %", "4", "20800.000"]
    assert "2 further suppliers" in page.html[page.html.index('class="flow"') :].partition("</svg>")[0]
    assert len([link for link in page.links if re.fullmatch("/lots/[0-9A-Z]{10}", link)]) == 1
    assert f"/v1/lots/{code}/trace?expand=true" in page.links


def test_the_balances_behind_it_in_their_own_sentences(plant: Plant):
    code = pellets_of(plant)
    page = PageClient(plant).get(f"/lots/{code}")
    steps = plant.get(f"/v1/lots/{code}/trace")["steps"]
    assert len(steps) == 2
    for run in steps:
        [balance] = plant.get(f"/v1/runs/{run}/balances")
        assert balance["sentence"].replace(GROUP_MARK, "") in page.text
        assert f"/floor/runs/{run}" in page.links
    assert "100.0 kg are missing" in page.text


def test_a_run_still_going_on_and_a_gain_are_said_so(plant: Plant):
    washing = start(plant, "wash")
    feed(plant, washing, load(plant, "Reed Bank", 1_000))
    [flake] = discharge(plant, washing, out("flake", "FLAKE", "product", "clear_flake", "1100"))
    assert "Going on; its balance comes when it has ended." in PageClient(plant).get(f"/lots/{flake}").text
    close(plant, washing)
    text = PageClient(plant).get(f"/lots/{flake}").text
    assert "Gain above the tolerance" in text
    assert "100.0 kg too much came out" in text


def test_where_it_went_and_what_was_issued(plant: Plant):
    code = pellets_of(plant)
    shipping = start(plant, "shipping", 10)
    feed(plant, shipping, code, "800", start_at=at(11))
    vessel_id = vessel(plant, "SILO-7")
    charge(plant, vessel_id, code, 12, "500")
    record = plant.post(f"/v1/lots/{code}/records", {})
    page = PageClient(plant).get(f"/lots/{code}")
    assert re.search(r"Dispatch 2026-03-08 10:00 to now: 800\.000 kg of it", page.text)
    assert re.search(r"Vessel SILO-7 2026-03-08 00:00 to now: 500\.000 kg of it", page.text)
    assert {f"/floor/runs/{shipping}", f"/floor/vessels/{vessel_id}", f"/v1/lots/{code}/records/1"} <= set(page.links)
    assert "On hand 19500 kg" in page.text
    assert f"sha256 {record['sha256'][:16]}" in page.text


def test_a_late_moisture_is_on_the_page_at_once(plant: Plant):
    code = pellets_of(plant)
    plant.post(
        f"/v1/lots/{code}/moisture",
        {"moisture_fraction": "0.004", "basis": "measured", "taken_at": at(6), "reason": "laboratory"},
    )
    page = PageClient(plant).get(f"/lots/{code}")
    assert "Moisture 0.40 %, measured" in page.text
    assert "Dry mass 20716.800 kg" in page.text
    assert Table(page.html).rows[-1] == ["The whole lot", "100 %", "4", "20716.800"]


# Holds ------------------------------------------------------------------------------------------------


def test_a_hold_stops_everything_it_went_into_and_another_person_lifts_it(plant: Plant):
    code = pellets_of(plant)
    origin = plant.get(f"/v1/lots/{code}/trace")["may_contain"][0]
    first, second = PageClient(plant), PageClient(plant, key=SECOND_KEY)

    held = first.fill(first.get(f"/lots/{origin}"), "/hold", cause="Smells of solvent")
    assert held.path == f"/lots/{origin}"
    assert "On hold: do not touch" in held.text
    assert "Smells of solvent . Since" in held.text
    assert "Another person has to lift it." in held.text
    assert not [form for form in held.forms if form.action.endswith("/lift")]
    assert f"It reaches this lot through {origin[:5]} {origin[5:]}" in first.get(f"/lots/{code}").text

    page = second.get(f"/lots/{code}")
    assert "Lift the hold: Smells of solvent" in page.text
    free = second.fill(page, "/lift", reason="Laboratory found nothing")
    assert free.path == f"/lots/{code}"
    assert "May be touched; not yet judged" in free.text
    assert plant.get(f"/v1/lots/{origin}")["holds"] == []


def test_who_placed_a_hold_cannot_lift_it_whatever_he_sends(plant: Plant):
    lot = opening(plant, "flake", "FLAKE", "4000")
    hold = plant.post("/v1/holds", {"lot": lot, "cause": "colour"})["id"]
    person = PageClient(plant)
    sent = {"form_key": "by-hand-1", "reason": "I say so"}
    page = person.send(f"/lots/{lot}/holds/{hold}/lift", sent, status=409)
    assert "The person who placed a hold may not lift it." in page.text
    assert "On hold: do not touch" in page.text
    assert plant.get(f"/v1/lots/{lot}")["holds"] != []


def test_a_hold_lifted_meanwhile_in_another_window_is_said_so(plant: Plant):
    lot = opening(plant, "flake", "FLAKE", "4000")
    hold = plant.post("/v1/holds", {"lot": lot, "cause": "colour"})["id"]
    second = PageClient(plant, key=SECOND_KEY)
    page = second.get(f"/lots/{lot}")
    plant.post(f"/v1/holds/{hold}/lift", {"reason": "plaque is fine"}, key=SECOND_KEY)
    late = second.fill(page, "/lift", reason="plaque is fine", status=409)
    assert f"Hold {hold} was lifted before." in late.text
    assert "May be touched; not yet judged" in late.text


@pytest.mark.parametrize(
    ("cause", "words"), [("", "Fill this in."), ("x", "at least 3 characters"), ("x" * 401, "400")]
)
def test_a_hold_without_a_readable_cause_is_refused_and_keeps_what_was_typed(plant: Plant, cause: str, words: str):
    lot = opening(plant, "flake", "FLAKE", "4000")
    person = PageClient(plant)
    before = everything_in(plant.database)
    page = person.fill(person.get(f"/lots/{lot}"), "/hold", cause=cause, status=422)
    assert words in page.text
    assert page.form("/hold").value("cause") == cause
    assert "May be touched" in page.text
    assert everything_in(plant.database) == before


def test_a_hold_sent_twice_is_one_hold(plant: Plant):
    lot = opening(plant, "flake", "FLAKE", "4000")
    person = PageClient(plant)
    page = person.get(f"/lots/{lot}")
    person.fill(page, "/hold", cause="wet and dirty")
    person.fill(page, "/hold", cause="wet and dirty")
    assert len(plant.get(f"/v1/lots/{lot}")["holds"]) == 1
    other = person.fill(page, "/hold", cause="something else", status=409)
    assert "sent before with other content" in other.text
    assert len(plant.get(f"/v1/lots/{lot}")["holds"]) == 1


def test_holds_on_a_delivery_and_on_a_supplier_say_what_they_lie_on(plant: Plant):
    delivery = p03(plant)
    code = delivery["bales"][5]["code"]
    plant.post("/v1/holds", {"delivery_id": delivery["id"], "cause": "note does not fit"})
    plant.post("/v1/holds", {"partner": "NORTH", "cause": "approval withdrawn"})
    text = PageClient(plant).get(f"/lots/{code}").text
    assert f"note does not fit . On the delivery with ticket {delivery['ticket_no']} . Since" in text
    assert "approval withdrawn . On all material of North Sorting . Since" in text


# Paper ------------------------------------------------------------------------------------------------


def test_a_lot_has_a_label_and_a_bale_its_tag(plant: Plant):
    code = pellets_of(plant)
    person = PageClient(plant)
    label = person.get(f"/lots/{code}/label")
    assert 'width="148mm" height="105mm"' in label.html
    assert "label-sheet" in label.html
    assert "data-print" in label.html
    # The very label of the interface; it names no supplier.
    assert plant.client.get(f"/v1/lots/{code}/label.svg").text.strip() in label.html
    assert "Reed Bank" not in label.html

    bale = p03(plant)["bales"][1]["code"]
    tag = person.get(f"/lots/{bale}/tag")
    assert 'width="100mm" height="150mm"' in tag.html
    assert "tag-sheet" in tag.html
    ticket = plant.get(f"/v1/lots/{bale}")["delivery_id"]
    among_all = person.client.get(f"/gate/tickets/{ticket}/papers/tags/{bale}.svg").text
    assert among_all.strip() in tag.html, "one tag is the same as among all tags of its ticket"


def test_each_lot_has_one_kind_of_paper(plant: Plant):
    code, person = pellets_of(plant), PageClient(plant)
    assert person.get(f"/lots/{code}/tag").path == f"/lots/{code}/label"
    bale = p03(plant)["bales"][1]["code"]
    assert person.get(f"/lots/{bale}/label").path == f"/lots/{bale}/tag"
    old = opening(plant, "bale", "PET-BALES", "500")
    assert person.get(f"/lots/{old}/tag").path == f"/lots/{old}/label"


def test_a_rejected_bale_gets_no_tag_any_more(plant: Plant):
    delivery = p03(plant)
    bale = delivery["bales"][1]["code"]
    refused = {"bales": [bale], "on_truck_at_tare": False, "reason": "burst and full of sand"}
    plant.post(f"/v1/deliveries/{delivery['id']}/rejections", refused)
    assert "was rejected and is not here" in PageClient(plant).get(f"/lots/{bale}/tag", status=409).text


def test_a_load_without_tare_has_no_label_yet_and_says_why(plant: Plant):
    delivery = plant.post(
        "/v1/deliveries",
        {
            "site": "MILL",
            "supplier_name": "Reed Bank",
            "material": "PET-LOOSE",
            "form": "loose",
            "arrived_at": at(0),
            "gross": {"instrument": "BRIDGE", "mass_kg": "20000", "weighed_at": at(0)},
        },
    )
    code = plant.post(f"/v1/deliveries/{delivery['id']}/lot", {})["bales"][0]["code"]
    person = PageClient(plant)
    page = person.get(f"/lots/{code}")
    assert "Not yet weighed" in page.text
    assert not [link for link in page.links if link.endswith(("/label", "/tag"))]
    assert "has no mass yet" in person.get(f"/lots/{code}/label", status=409).text
