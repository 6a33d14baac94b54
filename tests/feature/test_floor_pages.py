"""Goal: the shift leader's pages do what the interface does, and nothing typed wrongly, twice or late is lost.

Method: forms are filled in as the pages offer them, over HTTP, on both engines. Scenarios P05, P06, P07, P10 and
P19 are driven through the pages; their figures were recomputed with fractions, as in test_runs and test_vessels.
"""

import html
import re
from datetime import timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from line_steps import at, charge, discharge, feed, opening, out, start, vessel
from page_client import PageClient, PageSeen
from plant_fixture import KEY, SECOND_KEY, Plant
from sqlalchemy import event

from service.access.sessions import LENGTH
from service.core.quantities import GROUP_MARK

SCRIPT = '<script>alert("x")</script>'
LONG = "W" * 200
RIGHT_TO_LEFT = "\u202eשלום בקבוקים\u202c"
CODE = re.compile(r'<span class="code">([0-9A-Z]{5}) ([0-9A-Z]{5})</span>')
NOT_A_CODE = "WIFI:S:canteen;T:WPA;P:12345678;;"


@pytest.fixture
def person(plant: Plant) -> PageClient:
    return PageClient(plant)


def local(hour: float) -> str:
    """A moment as the page's time field sends it; the plant's clock shows UTC in winter."""
    return at(hour)[:16]


def begun(person: PageClient, step: str, hour: float = 1) -> PageSeen:
    """The page of a run that was started through the floor page."""
    board = person.get("/floor")
    return person.fill(board, "/floor/runs", step=step, started=local(hour), note="")


def run_of(page: PageSeen) -> int:
    return int(page.path.removeprefix("/floor/runs/").partition("/")[0])


def fed(person: PageClient, page: PageSeen, codes: str, *, status: int = 200, **more: str) -> PageSeen:
    return person.fill(page, "/feeds", status=status, codes=codes, **({"when": local(2)} | more))


def bagged(person: PageClient, page: PageSeen, *, status: int = 200, **typed: str) -> PageSeen:
    given = {"material": "FLAKE", "kind": "flake", "moisture": "0", "begun": local(3)} | typed
    return person.fill(page, "/bags", status=status, **given)


def ended(person: PageClient, page: PageSeen, hour: float = 20, *, status: int = 200) -> PageSeen:
    return person.fill(page, "/end", status=status, ended=local(hour))


def codes_shown(page: PageSeen) -> list[str]:
    """The codes of what was just made, as they stand large on the page."""
    return ["".join(groups) for groups in CODE.findall(page.html)]


def on_hand(plant: Plant, lot: str) -> str:
    return str(plant.get(f"/v1/lots/{lot}")["on_hand_kg"])


# Scenarios --------------------------------------------------------------------------------------------


def test_p05_part_bale_then_too_much_then_the_rest(plant: Plant, person: PageClient):
    bale = opening(plant, "bale", "PET-BALES", "523.5", "0.05")
    page = fed(person, begun(person, "wash"), bale, amount="mass", mass_kg="310,0")
    assert "1 lot fed." in page.text
    assert "Went in: 310 kg of 1 lot" in page.text
    assert "213.500 kg left" in page.text or "213.5 kg left" in page.text

    refused = fed(person, page, bale, status=422, amount="mass", mass_kg="220.0")
    assert "6.500 kg more than it held" in refused.text
    assert "213.500 of 523.500" in refused.text, "what is left stands beside the code"
    assert refused.form("/feeds").value("mass_kg") == "220.0"
    assert on_hand(plant, bale) == "213.500"

    page = fed(person, refused, bale, amount="rest", mass_kg="")
    assert "Went in: 523.500 kg of 1 lot" in page.text
    assert plant.get(f"/v1/runs/{run_of(page)}")["lines"][-1]["mass_kg"] == "213.500"
    assert on_hand(plant, bale) == "0.000"


def packed(plant: Plant, person: PageClient, **tares: Any) -> PageSeen:
    """A packing run of 22,000 kg with 20 octabins and one bag in it."""
    for code, kg in (("PALLET", "22"), ("BOX", "26")):
        body = {"code": code, "name": code.title(), "tare_kg": kg, "u_tare_kg": "0.5", "valid_from": at(0)}
        plant.post("/v1/container-types", body)
    lot = opening(plant, "pellets", "PELLETS", "22000", "0.002")
    page = fed(person, begun(person, "packing"), lot)
    as_usual: dict[str, Any] = {"kind": "container", "material": "PELLETS", "moisture": "0,2"}
    page = bagged(person, page, gross_kg="1098", pieces="20", **as_usual, **tares)
    octabins = set(codes_shown(page))
    assert len(octabins) == 20
    none: dict[str, Any] = {"tare-PALLET": "", "tare-BOX": ""}
    page = bagged(person, page, net_kg="1000", gross_kg="", pieces="", **as_usual, **none)
    [bag] = codes_shown(page)
    assert bag not in octabins, "what is shown large is what was booked last"
    return page


def test_p19_twenty_octabins_and_a_bag_close_to_the_gram(plant: Plant, person: PageClient):
    page = packed(plant, person, **{"tare-PALLET": "1", "tare-BOX": "1"})
    assert "Came out: 22000 kg in 21 lots" in page.text
    closed = ended(person, page)
    assert "The balance closes" in closed.text
    assert "nothing is missing" in closed.text
    assert plant.get(f"/v1/runs/{run_of(page)}/balances")[0]["unexplained_kg"] == "0.000"


def test_p19_a_forgotten_pallet_is_refused_at_the_end_with_all_figures(plant: Plant, person: PageClient):
    page = packed(plant, person, **{"tare-BOX": "1"})
    refused = ended(person, page, status=422)
    for figure in ("22440.000 kg", "22000.000 kg", "440.000 kg too much", "102.0 %"):
        assert figure in refused.text
    assert "tare that was forgotten" in refused.text
    assert refused.form("/end").value("ended") == local(20)
    assert plant.get(f"/v1/runs/{run_of(page)}")["is_closed"] is False


def test_p07_wash_balance_stands_on_the_page_at_once(plant: Plant, person: PageClient):
    bales = opening(plant, "loose", "PET-LOOSE", "20600", "0.045")
    page = fed(person, begun(person, "wash"), bales)
    page = bagged(person, page, net_kg="14 210", moisture="0,7", stream="Clear flake")
    side = [
        ("Light blue", "1180", "0.7"),
        ("colour reject", "640,0", "0,8"),
        ("PO flake", "1515", "3"),
        ("labels", "610", "8"),
        ("metal-PVC", "160", "1"),
        ("fines", "395", "2"),
    ]
    for stream, kg, moisture in side:
        made = person.fill(
            page, "/by-products", material="SIDE", stream=stream, net_kg=kg, moisture=moisture, begun=local(3)
        )
        assert len(codes_shown(made)) == 1
        page = made
    for stream, kg, moisture in (("sludge", "1450", "55"), ("wire", "60", "0")):
        page = person.fill(page, "/losses", stream=stream, mass_kg=kg, moisture=moisture, when=local(4))
    page = person.fill(page, "/losses", stream="effluent", category="loss", percent="1,5", when=local(4))
    assert "The loss is booked" in page.text

    closed = ended(person, page)
    for words in (
        "The balance closes",
        "19673.0 kg dry went in",
        "172.0 kg are missing, 0.87 % of the dry input, within the tolerance of 3 %",
        "(loss)",
        "metal pvc",
    ):
        assert words in closed.text
    assert "+17" in closed.text, "a loss has the sign plus"
    assert "The balance closes, provisional" not in closed.text, "every moisture was given"

    [stored] = plant.get(f"/v1/runs/{run_of(closed)}/balances")
    assert stored["verdict"] == "closes"
    assert stored["sentence"].replace(GROUP_MARK, "") in closed.text
    assert stored["sentence"].replace(GROUP_MARK, "") in person.get("/floor").text, (
        "the list says the same sentence as the page"
    )


def test_p06_loose_loads_in_a_bay_mix(plant: Plant, person: PageClient):
    bay = vessel(plant, "BAY-3")
    first, second = (opening(plant, "loose", "PET-LOOSE", kg) for kg in ("8900", "7450"))
    page = person.get(f"/floor/vessels/{bay}")
    page = person.fill(page, "/charges", codes=first, when=local(1))
    page = person.fill(page, "/charges", codes=f"https://trace.example.com/L/{second}", when=local(2))
    assert "16350 kg" in page.text
    assert "54.43" in page.text
    assert "45.57" in page.text
    page = person.fill(page, "/draws", mass_kg="1000", kind="loose", material="PET-LOOSE", moisture="0", begun=local(3))
    [drawn] = codes_shown(page)
    assert f"/lots/{drawn}/label" in page.links
    assert set(plant.get(f"/v1/lots/{drawn}/trace")["may_contain"]) == {first, second}


# Feeding ----------------------------------------------------------------------------------------------


def test_several_codes_are_fed_at_once_however_they_were_scanned(plant: Plant, person: PageClient):
    bales = [opening(plant, "bale", "PET-BALES", kg, "0.05") for kg in ("500", "510", "520")]
    scanned = (
        f"{bales[0]}\r\nHTTPS://TRACE.EXAMPLE.COM/L/{bales[1]}\r\n{bales[2][:5].lower()} {bales[2][5:]}\r\n{bales[0]}"
    )
    page = fed(person, begun(person, "wash"), scanned)
    assert "3 lots fed. 1 was scanned more than once and counts once." in page.text
    assert "Went in: 1530 kg of 3 lots" in page.text


def test_feeds_are_taken_all_or_none_with_every_code_told(plant: Plant, person: PageClient):
    good, other = (opening(plant, "bale", "PET-BALES", "500", "0.05") for _ in range(2))
    page = fed(person, begun(person, "wash"), other)
    refused = fed(person, page, f"{good}\n{other}\n4T2E1YYE36", status=422)
    assert "There is no lot 4T2E1YYE36" in refused.text
    assert "Unknown here" in refused.text
    assert "Nothing is left of it" in refused.text
    assert "May be used" in refused.text
    assert refused.form("/feeds").value("codes").split() == [good, other, "4T2E1YYE36"]
    assert on_hand(plant, good) == "500.000", "nothing of the good one was taken"
    assert f"lot {other} was fed in part" in refused.text.replace("Lot", "lot")


def test_a_held_lot_says_so_why_and_who_lifts_it(plant: Plant, person: PageClient):
    bale, good = (opening(plant, "bale", "PET-BALES", "500", "0.05") for _ in range(2))
    plant.post("/v1/holds", {"lot": bale, "cause": f"fuel canister found {SCRIPT}"})
    refused = fed(person, begun(person, "wash"), f"{good}\n{bale}", status=409)
    assert "On hold" in refused.text
    assert "Do not use it" in refused.text
    assert f"fuel canister found {SCRIPT}" in refused.text
    assert "Lifted only by another person than the one who placed it" in refused.text
    assert SCRIPT not in refused.html
    assert on_hand(plant, good) == "500.000"


def test_a_code_of_another_plant_is_refused_by_name(plant: Plant, person: PageClient):
    page = begun(person, "wash")
    plant.post("/v1/sites", {"code": "QUAY", "name": "Quay works", "zone": "Europe/Lisbon"})
    body = {"site": "QUAY", "kind": "bale", "material": "PET-BALES", "mass_kg": "500", "moisture_fraction": "0"}
    foreign = plant.post("/v1/opening-lots", body | {"found_at": at(0)})["code"]
    person.send("/site", {"site": "MILL", "path": "/floor"})
    refused = fed(person, person.get(page.path), foreign, status=422)
    assert f"Lot {foreign} belongs to another site" in refused.text
    assert "Of another plant" in refused.text

    person.send("/site", {"site": "QUAY", "path": "/floor"})
    assert "This plant has no run" in person.get(page.path, status=404).text
    assert "No run is open" in person.get("/floor").text


@pytest.mark.parametrize(("typed", "words"), [
    (NOT_A_CODE, "expected"),
    ("https://elsewhere.example/menu", "expected"),
    (SCRIPT, "expected"),
    (LONG, "expected"),
    (RIGHT_TO_LEFT, "expected"),
    (" , ", "No code stands here"),
])  # fmt: skip
def test_what_is_no_code_is_named_and_kept(plant: Plant, person: PageClient, typed: str, words: str):
    page = begun(person, "wash")
    refused = fed(person, page, typed, status=422)
    assert words in refused.text
    assert refused.form("/feeds").value("codes").strip() == typed.strip()
    assert SCRIPT not in refused.html
    assert plant.get(f"/v1/runs/{run_of(page)}")["lines"] == []


def test_a_part_is_of_one_lot_and_kilograms_belong_to_a_part(plant: Plant, person: PageClient):
    first, second = (opening(plant, "bale", "PET-BALES", "500", "0.05") for _ in range(2))
    page = begun(person, "wash")
    refused = fed(person, page, f"{first} {second}", status=422, amount="mass", mass_kg="100")
    assert "A part in kg is of one lot; 2 codes were given" in refused.text
    assert "Type how many kg" in fed(person, page, first, status=422, amount="mass", mass_kg="").text
    assert "choose 'A part of it'" in fed(person, page, first, status=422, amount="whole", mass_kg="100").text
    assert "may be" in fed(person, page, first, status=422, amount="mass", mass_kg="1.234").text
    assert plant.get(f"/v1/runs/{run_of(page)}")["lines"] == []


def test_sent_twice_it_is_fed_once(plant: Plant, person: PageClient):
    bale = opening(plant, "bale", "PET-BALES", "500", "0.05")
    page = begun(person, "wash")
    for _ in range(2):
        again = fed(person, page, bale, amount="mass", mass_kg="100")
        assert "1 lot fed" in again.text
    assert len(plant.get(f"/v1/runs/{run_of(page)}")["lines"]) == 1
    assert on_hand(plant, bale) == "400.000"


def test_back_after_sending_and_other_content_is_refused_once_then_taken(plant: Plant, person: PageClient):
    bale = opening(plant, "bale", "PET-BALES", "500", "0.05")
    page = begun(person, "wash")
    fed(person, page, bale, amount="mass", mass_kg="100")
    back = fed(person, page, bale, status=409, amount="mass", mass_kg="50")
    assert "was sent before with other content" in back.text
    assert on_hand(plant, bale) == "400.000"
    assert back.form("/feeds").value("mass_kg") == "50"
    fed(person, back, bale, amount="mass", mass_kg="50")
    assert on_hand(plant, bale) == "350.000"


def test_an_ended_log_in_keeps_every_field_of_a_feed(plant: Plant, person: PageClient):
    bale = opening(plant, "bale", "PET-BALES", "500", "0.05")
    page = begun(person, "wash")
    plant.clock.advance(hours=LENGTH / timedelta(hours=1))
    stopped = fed(person, page, f"{bale}\n", status=401, amount="mass", mass_kg="310,5")
    assert on_hand(plant, bale) == "500.000"

    resumed = person.fill(stopped, "/log-in", key=KEY)
    kept = dict(resumed.form("/feeds").fields)
    assert kept["codes"].split() == [bale]
    assert (kept["amount"], kept["mass_kg"], kept["when"]) == ("mass", "310,5", local(2))
    assert "1 lot fed" in person.fill(resumed, "/feeds").text
    assert on_hand(plant, bale) == "189.500"


def test_what_comes_out_and_goes_back_into_its_run_counts_once(plant: Plant, person: PageClient):
    flake = opening(plant, "flake", "FLAKE", "1000", "0.01")
    page = fed(person, begun(person, "flake_sorting"), flake)
    page = bagged(person, page, net_kg="100", moisture="1", stream="ejects", goes_round="yes")
    [looped] = codes_shown(page)
    page = bagged(person, page, net_kg="990", moisture="1", stream="accepts", goes_round="")
    refused = fed(person, page, looped, status=422, when=local(5))
    assert "made from this very process" in refused.text
    page = fed(person, refused, looped, when=local(5), goes_round="yes")
    assert "goes round in this run" in page.text
    closed = ended(person, page)
    assert "990.0 kg dry went in, 980.1 kg dry came out weighed" in closed.text


# Coming out -------------------------------------------------------------------------------------------


def test_the_code_of_a_filled_bag_stands_large_with_the_way_to_its_label(plant: Plant, person: PageClient):
    page = fed(person, begun(person, "wash"), opening(plant, "loose", "PET-LOOSE", "1000", "0.05"))
    page = bagged(person, page, net_kg="900", done=local(3.5))
    [code] = codes_shown(page)
    assert f"/lots/{code}/label" in page.links
    [line] = [line for line in plant.get(f"/v1/runs/{run_of(page)}")["lines"] if line["direction"] == "out"]
    assert line["lot"] == code
    assert (line["start_at"][:16], line["end_at"][:16]) == (local(3), local(3.5))
    assert line["stream"] == "flake", "the first time, the stream is called as its material"


def test_the_next_bag_is_offered_as_the_last_one_was(plant: Plant, person: PageClient):
    plant.post(
        "/v1/container-types",
        {"code": "BAG", "name": "Big bag", "tare_kg": "2.2", "u_tare_kg": "0.1", "valid_from": at(0)},
    )
    page = fed(person, begun(person, "wash"), opening(plant, "loose", "PET-LOOSE", "3000", "0.05"))
    assert (page.form("/bags").value("kind"), page.form("/bags").value("material")) == ("flake", "")
    one_bag: dict[str, Any] = {"tare-BAG": "1"}
    page = bagged(person, page, gross_kg="1002,2", stream="clear flake", **one_bag)
    form = page.form("/bags")
    assert (form.value("material"), form.value("tare-BAG"), form.value("gross_kg")) == ("FLAKE", "1", "")
    page = person.fill(page, "/bags", gross_kg="1002.2", moisture="0", begun=local(4))
    lines = [line for line in plant.get(f"/v1/runs/{run_of(page)}")["lines"] if line["direction"] == "out"]
    assert [(line["mass_kg"], line["stream"]) for line in lines] == [("1000.000", "clear_flake")] * 2

    another = begun(person, "wash", 5)
    assert another.form("/bags").value("material") == "FLAKE", "the next batch begins where the last one ended"


def test_a_bag_is_topped_up_the_next_day_without_asking_what_it_holds(plant: Plant, person: PageClient):
    page = fed(person, begun(person, "wash"), opening(plant, "loose", "PET-LOOSE", "1000", "0.05"))
    page = bagged(person, page, net_kg="400")
    [bag] = codes_shown(page)
    later = fed(person, begun(person, "wash", 5), opening(plant, "loose", "PET-LOOSE", "1000", "0.05"), when=local(6))
    later = bagged(person, later, net_kg="500", material="", into_lot=bag, begun=local(7))
    assert codes_shown(later) == [bag]
    view = plant.get(f"/v1/lots/{bag}")
    assert view["mass_kg"] == "900.000"
    assert view["made_by"] == sorted([run_of(page), run_of(later)])

    unknown = bagged(person, later, status=422, net_kg="5", into_lot="4T2E1YYE36", begun=local(7))
    assert "There is no lot 4T2E1YYE36" in unknown.text


def test_gross_and_net_a_missing_material_and_too_much_packaging_are_each_named(plant: Plant, person: PageClient):
    body = {"code": "BAG", "name": "Big bag", "tare_kg": "2.2", "u_tare_kg": "0.1", "valid_from": at(0)}
    plant.post("/v1/container-types", body)
    page = begun(person, "wash")
    both = bagged(person, page, status=422, gross_kg="10", net_kg="9")
    assert "not both" in both.text
    neither = bagged(person, page, status=422)
    assert "Fill in the gross mass, or the net mass" in neither.text
    nothing = bagged(person, page, status=422, net_kg="9", material="")
    assert "Fill this in" in nothing.text
    bags: dict[str, Any] = {"tare-BAG": "5"}
    heavy = bagged(person, page, status=422, gross_kg="9,5", **bags)
    assert "packaging of 11.000 kg leaves -1.500 kg net" in heavy.text.replace("Packaging", "packaging")
    bags = {"tare-BAG": "two"}
    words = bagged(person, page, status=422, gross_kg="9,5", **bags)
    assert "Expected a whole number" in words.text
    assert plant.get(f"/v1/runs/{run_of(page)}")["lines"] == []


@pytest.mark.parametrize("typed", [SCRIPT, LONG, RIGHT_TO_LEFT])
def test_any_text_in_any_text_field_is_stored_as_typed_or_refused_by_name(plant: Plant, person: PageClient, typed: str):
    page = person.fill(person.get("/floor"), "/floor/runs", step="wash", started=local(1), note=typed)
    assert typed in page.text
    assert typed in person.get("/floor").text
    page = fed(person, page, opening(plant, "loose", "PET-LOOSE", "1000", "0.05"))
    page = bagged(person, page, net_kg="500", note=typed)
    [bag] = codes_shown(page)
    assert plant.get(f"/v1/lots/{bag}")["note"] == typed
    for action, fields in (
        ("/bags", {"net_kg": "5", "material": "FLAKE"}),
        ("/by-products", {"net_kg": "5", "material": "SIDE"}),
        ("/losses", {"percent": "1"}),
    ):
        refused = person.fill(page, action, status=422, stream=typed, **fields)
        assert "Expected the name of a stream" in refused.text
        assert refused.form(action).value("stream") == typed
        assert SCRIPT not in refused.html
    [line] = [line for line in plant.get(f"/v1/runs/{run_of(page)}")["lines"] if line["direction"] == "out"]
    corrected = person.fill(
        person.get(f"/floor/lines/{line['id']}"), f"/lines/{line['id']}", mass_kg="499", reason=typed
    )
    assert corrected.status == 200
    closed = ended(person, corrected)
    assert "/feeds" not in closed.html, "an ended run shows its balance first, and its forms on request"
    late = person.fill(
        person.get(f"{corrected.path}?late=yes"),
        "/losses",
        stream="dust",
        mass_kg="1",
        moisture="0",
        when=local(4),
        late_reason=typed,
    )
    assert late.status == 200
    assert SCRIPT not in late.html
    silo = vessel(plant, "SILO")
    emptied = person.fill(person.get(f"/floor/vessels/{silo}"), "/proven-empty", at=local(5), note=typed)
    assert emptied.status == 200
    assert "Proven empty" in emptied.text


# The end, late entries, corrections -------------------------------------------------------------------


def test_two_windows_end_the_same_run_and_the_second_is_told(plant: Plant, person: PageClient):
    page = fed(person, begun(person, "wash"), opening(plant, "loose", "PET-LOOSE", "1000", "0.05"))
    second = PageClient(plant, key=SECOND_KEY)
    other = second.get(page.path)
    assert "The run has ended" in ended(person, page).text
    told = ended(second, other, 21, status=409)
    assert "had been ended before" in told.text
    assert "Loss above the tolerance" in told.text, "its balance stands there all the same"
    assert plant.get(f"/v1/runs/{run_of(page)}")["ended_at"][:16] == local(20)


def test_what_is_scanned_into_a_run_that_ended_meanwhile_is_kept_and_taken_with_a_reason(
    plant: Plant, person: PageClient
):
    first, second = (opening(plant, "bale", "PET-BALES", "500", "0.05") for _ in range(2))
    page = fed(person, begun(person, "wash"), first)
    stale = person.get(page.path)
    ended(person, page)
    refused = fed(person, stale, second, status=409, when=local(3))
    assert "is closed" in refused.text
    assert "late_reason" not in refused.text
    assert refused.form("/feeds").value("codes").strip() == second
    taken = fed(person, refused, second, when=local(3), late_reason="stood behind the breaker")
    assert "Version 2; 1 earlier" in taken.text
    assert [row["dry_in_kg"] for row in plant.get(f"/v1/runs/{run_of(page)}/balances")] == ["475.000", "950.000"]


def test_a_moisture_by_default_makes_the_balance_provisional_and_a_gain_is_not_claimable(
    plant: Plant, person: PageClient
):
    page = fed(person, begun(person, "wash"), opening(plant, "loose", "PET-LOOSE", "10000", "0.06"))
    page = bagged(person, page, net_kg="9850", moisture="")
    closed = ended(person, page)
    assert "Gain above the tolerance, provisional" in closed.text
    [balance] = plant.get(f"/v1/runs/{run_of(page)}/balances")
    assert balance["provisional"] is True
    assert f"−{balance['unexplained_kg'][1:]} kg (gain)" in closed.text
    assert f"Not claimable {balance['not_claimable_kg']} kg" in closed.text
    assert "provisional" in person.get("/floor").text


def test_times_that_cannot_be_are_refused_by_the_plants_own_clock(plant: Plant, person: PageClient):
    bale = opening(plant, "bale", "PET-BALES", "500", "0.05")
    page = begun(person, "wash")
    early = fed(person, page, bale, status=422, when=local(0.5))
    assert "which runs from 2026-03-08 01:00 to open" in early.text
    late = fed(person, page, bale, status=422, when="2026-03-10T06:00")
    assert "2026-03-10 06:00 lies in the future" in late.text
    page = fed(person, page, bale)
    before = ended(person, page, 1.5, status=422)
    assert "ies outside the process" in before.text, before.text
    assert plant.get(f"/v1/runs/{run_of(page)}")["is_closed"] is False


def test_a_line_is_corrected_or_withdrawn_with_its_reason(plant: Plant, person: PageClient):
    bale = opening(plant, "bale", "PET-BALES", "500", "0.05")
    page = fed(person, begun(person, "wash"), bale, amount="mass", mass_kg="300")
    [link] = [link for link in page.links if link.startswith("/floor/lines/")]
    form = person.get(link)
    nothing = person.fill(form, link, status=422, reason="why not")
    assert "Fill in below what is to be corrected" in nothing.text
    no_reason = person.fill(form, link, status=422, mass_kg="310", reason="")
    assert "Fill this in" in no_reason.text
    page = person.fill(form, link, mass_kg="310,5", moisture="4", reason="scale read again")
    assert page.path == f"/floor/runs/{run_of(page)}"
    assert "The line is corrected" in page.text
    [line] = plant.get(f"/v1/runs/{run_of(page)}")["lines"]
    assert (line["version"], line["mass_kg"], line["moisture_fraction"]) == (2, "310.500", "0.040000")

    both = person.fill(person.get(link), link, status=422, way="withdraw", mass_kg="1", reason="wrong bale")
    assert "leave the fields below empty" in both.text
    page = person.fill(person.get(link), link, way="withdraw", reason="wrong bale")
    assert "The line is withdrawn" in page.text
    assert plant.get(f"/v1/runs/{run_of(page)}")["lines"] == []
    assert on_hand(plant, bale) == "500.000"
    assert "There is no line" in person.get(link, status=404).text


# Vessels ----------------------------------------------------------------------------------------------


def test_a_vessel_shows_what_stands_in_it_and_says_plainly_when_it_is_overdrawn(plant: Plant, person: PageClient):
    silo = vessel(plant, "SILO")
    empty = person.get(f"/floor/vessels/{silo}")
    assert "empty by the book" in empty.text
    assert "Charge the first lot" in empty.text
    f1, f2 = (opening(plant, "flake", "FLAKE", kg) for kg in ("3200", "18000"))
    charge(plant, silo, f1, 1)
    charge(plant, silo, f2, 2)
    page = person.get(f"/floor/vessels/{silo}")
    assert "21200 kg" in page.text
    assert "about a third full (35 %)" in page.text
    assert "15.09" in page.text, "P10: 3,200 of 21,200"
    assert "84.91" in page.text, "P10: 18,000 of 21,200"
    page = person.fill(page, "/draws", mass_kg="22 000", moisture="0", material="FLAKE", kind="flake", begun=local(3))
    assert "Overdrawn by 800 kg dry" in page.text
    board = person.get("/floor").text
    assert "Overdrawn" in board
    assert "800 kg more drawn than was booked in" in board


def test_a_vessel_takes_part_or_rest_one_lot_at_a_time(plant: Plant, person: PageClient):
    silo = vessel(plant, "SILO")
    first, second = (opening(plant, "flake", "FLAKE", "1000") for _ in range(2))
    page = person.get(f"/floor/vessels/{silo}")
    two = person.fill(page, "/charges", status=422, codes=f"{first}\n{second}", when=local(1))
    assert "One code is taken here at a time, 2 were given" in two.text
    page = person.fill(page, "/charges", codes=first, amount="mass", mass_kg="400,5", when=local(1))
    page = person.fill(page, "/charges", codes=first, amount="rest", mass_kg="", when=local(2))
    assert on_hand(plant, first) == "0.000"
    plant.post("/v1/holds", {"lot": second, "cause": "smells of diesel"})
    held = person.fill(page, "/charges", status=409, codes=second, amount="whole", when=local(3))
    assert "smells of diesel" in held.text
    assert "On hold" in held.text


def test_a_vessel_proven_empty_forgets_and_one_with_later_lines_is_refused(plant: Plant, person: PageClient):
    silo = vessel(plant, "SILO")
    charge(plant, silo, opening(plant, "flake", "FLAKE", "1000"), 3)
    page = person.get(f"/floor/vessels/{silo}")
    refused = person.fill(page, "/proven-empty", status=409, at=local(2), note="looked inside")
    assert "really was empty" in refused.text
    page = person.fill(refused, "/proven-empty", at=local(4), note="looked inside")
    assert "Never empty since 2026-03-08 04:00" in page.text
    assert plant.get(f"/v1/vessels/{silo}")["may_contain"] == []


def test_a_charge_of_a_vessel_can_be_withdrawn_from_its_page(plant: Plant, person: PageClient):
    silo = vessel(plant, "SILO")
    lot = opening(plant, "flake", "FLAKE", "1000")
    charge(plant, silo, lot, 1)
    page = person.get(f"/floor/vessels/{silo}")
    [link] = [link for link in page.links if link.startswith("/floor/lines/")]
    page = person.fill(person.get(link), link, way="withdraw", reason="other silo")
    assert page.path == f"/floor/vessels/{silo}"
    assert on_hand(plant, lot) == "1000.000"


# What is going on -------------------------------------------------------------------------------------


def test_an_empty_floor_names_the_next_step(person: PageClient):
    page = person.get("/floor")
    assert "No run is open. Start a wash batch" in page.text
    assert "No silo or bay is registered yet" in page.text
    page = person.fill(page, "/floor/wash-batches")
    assert "Wash batch of 2026-03-09 06:00" in page.text
    assert "Scan the first code" in page.text


def test_the_floor_shows_every_open_run_with_what_went_in_and_came_out(plant: Plant, person: PageClient):
    page = fed(person, begun(person, "wash"), opening(plant, "loose", "PET-LOOSE", "1000", "0.05"))
    bagged(person, page, net_kg="900,5")
    begun(person, "extrusion", 4)
    board = person.get("/floor").text
    assert "Fed: 1 lot, 1000 kg Out: 1 lot, 900.500 kg" in board
    assert board.index("Wash batch") < board.index("Extrusion run"), "in the order of the plant"
    assert "Fed: nothing yet" in board


def test_more_runs_and_vessels_cost_no_more_queries(plant: Plant, person: PageClient):
    def statements(path: str) -> int:
        seen: list[str] = []

        def see(*call: Any) -> None:
            seen.append(call[2])

        event.listen(plant.database.engine, "before_cursor_execute", see)
        person.get(path)
        event.remove(plant.database.engine, "before_cursor_execute", see)
        return len(seen)

    def grow(hour: float) -> int:
        run = start(plant, "wash", hour)
        feed(plant, run, opening(plant, "loose", "PET-LOOSE", "1000", "0.05"), start_at=at(hour + 0.1))
        discharge(plant, run, out("flake", "FLAKE", "product", "clear_flake", "900", "0.01", hour + 0.2))
        charge(plant, vessel(plant, f"SILO-{hour}"), opening(plant, "flake", "FLAKE", "10"), 1)
        return run

    first = grow(1)
    few = statements("/floor"), statements(f"/floor/runs/{first}")
    for hour in (2, 3, 4):
        grow(hour)
        feed(plant, first, opening(plant, "loose", "PET-LOOSE", "1000", "0.05"), start_at=at(hour))
    assert statements("/floor") == few[0] > 0
    assert statements(f"/floor/runs/{first}") <= few[1] + 1


def test_only_people_of_the_plant_see_the_floor(plant: Plant):
    stranger = PageClient(plant, key=None)
    for path in ("/floor", "/floor/runs/1", "/floor/vessels/1", "/floor/lines/1"):
        assert "Your key" in stranger.get(path, status=401).text


def test_the_address_of_a_form_leads_to_its_page_and_what_is_no_run_is_not_found(plant: Plant, person: PageClient):
    run, silo = start(plant, "wash"), vessel(plant, "SILO")
    for action in ("feeds", "bags", "by-products", "losses", "end"):
        assert person.get(f"/floor/runs/{run}/{action}").path == f"/floor/runs/{run}"
    for action in ("charges", "draws", "proven-empty"):
        assert person.get(f"/floor/vessels/{silo}/{action}").path == f"/floor/vessels/{silo}"
    assert person.get("/floor/runs").path == "/floor"
    assert "There is no run" in person.get("/floor/runs/7", status=404).text
    assert person.get(f"/floor/runs/{silo}", status=404)
    assert person.get(f"/floor/vessels/{run}", status=404)
    assert person.get("/floor/runs/9999999999999999999", status=404)
    assert (
        "wash" not in person.get(f"/floor/runs/{run}?made=1&pieces=5&said=%3Cb%3E&fed=3").html.split("<main")[1][:200]
    )


def test_a_script_in_the_name_of_a_vessel_or_material_stays_text(plant: Plant, person: PageClient):
    silo = vessel(plant, "SILO", name=SCRIPT)
    material = {"code": "ODD", "name": RIGHT_TO_LEFT, "form": "flake", "polymer": "PET", "colour": "clear"}
    plant.post("/v1/materials", material | {"waste_class": "post_consumer", "food_candidate": True})
    charge(plant, silo, opening(plant, "flake", "ODD", "1000"), 1)
    page = person.get(f"/floor/vessels/{silo}")
    assert SCRIPT in page.text
    assert SCRIPT not in page.html
    assert f"<bdi>{html.escape(RIGHT_TO_LEFT)}</bdi>" in page.html
    assert SCRIPT not in person.get("/floor").html


def test_the_address_after_a_feed_says_nothing_but_counts(plant: Plant, person: PageClient):
    bale = opening(plant, "bale", "PET-BALES", "500", "0.05")
    page = begun(person, "wash")
    form = page.form("/feeds")
    fields = {name: value for name, value in form.fields if name not in ("codes", "when")}
    answer = person.client.post(
        form.action, data=fields | {"codes": bale, "when": local(2)}, headers=person.origin, follow_redirects=False
    )
    assert answer.status_code == 303
    assert parse_qs(urlsplit(answer.headers["location"]).query) == {"fed": ["1"], "twice": ["0"]}


def test_a_lot_scanned_elsewhere_stands_in_the_form_to_be_fed(plant: Plant, person: PageClient):
    page = person.fill(person.get("/floor"), "/floor/runs", step="wash", started=local(1))
    code = opening(plant, "loose", "PET-LOOSE", "1000", "0.05")
    scanned = person.get(f"{page.path}?code={code}")
    assert scanned.form("/feeds").value("codes") == code
    for other in ("javascript:alert(1)", "<b>", "Q2ZTMZMYEX"):
        assert person.get(f"{page.path}?code={other}").form("/feeds").value("codes") == ""
