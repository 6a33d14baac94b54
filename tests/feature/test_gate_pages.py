"""Goal: a clerk records a truck, its bales and everything that goes wrong with it, and nothing he types is lost.

Method: forms read out of the pages and sent as a browser sends them, on both engines. Scenarios P01, P03 and P19's
gate side carry the figures of the plan's acceptance list: net 24,440 kg, ties 72.0 kg, material 24,368.0 kg; 47 bales
of 518.468 kg with the rounding rest on the last. Form texts with markup, right-to-left and 200 characters are from
common practice, no source.
"""

import base64
import io
import re
from typing import Any

import pytest
from page_client import PageClient, PageSeen
from PIL import Image
from plant_fixture import Plant
from whole_database import everything_in

from service.core.quantities import grouped

MARKUP = "<script>alert(1)</script>\"'&"
RIGHT_TO_LEFT = "مصنع التدوير"
LONG = "W" * 200


@pytest.fixture
def clerk(plant: Plant) -> PageClient:
    """Logged in at a plant that knows one supplier with a contract of 1.5 kg wire per bale."""
    plant.post("/v1/partners", {"code": "REED", "name": "Reed Sorting", "is_supplier": True})
    plant.post("/v1/partners", {"code": "REEDY", "name": "Reedy Bank Sorting", "is_supplier": True})
    plant.post(
        "/v1/contracts",
        {
            "partner": "REED",
            "material": "PET-BALES",
            "moisture_allowance_fraction": "0.02",
            "payable_formula": "additive",
            "tie_kg": "1.5",
            "valid_from": "2026-01-01T00:00:00Z",
        },
    )
    return PageClient(plant)


def new_truck(clerk: PageClient, **typed: Any) -> PageSeen:
    """Open the form for a truck and send it."""
    form = clerk.get("/gate/new")
    key = form.path.rsplit("/", 1)[1]
    given: dict[str, Any] = {"supplier": "Reed Sorting", "material": "PET-BALES"} | typed
    return clerk.fill(form, f"/gate/new/{key}", **given)


def tickets(plant: Plant) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = plant.get("/v1/deliveries")["deliveries"]
    return found


# The ordinary truck ---------------------------------------------------------------------------------


def test_p01_p03_a_truck_from_the_plate_to_47_bales(plant: Plant, clerk: PageClient):
    ticket = new_truck(clerk, plate="ab-12 cd", gross_kg="39860", note_count="48")
    assert "Weigh the empty truck" in ticket.text
    plant.clock.advance(minutes=20)
    ticket = clerk.fill(ticket, "/tare", mass_kg="15420")
    assert "24440 kg" in ticket.text
    assert "72 kg" in ticket.text
    assert "24368 kg" in ticket.text

    # 47 found, 46 tags of which one is another supplier's number too, one without.
    tags = "\n".join(["", *[f"{number:06d}" for number in range(123, 169)]])
    assert ticket.form("/bales").value("count") == "48", "the note's count stands there to be corrected"
    ticket = clerk.fill(ticket, "/bales", count="47", tags=tags)

    told = plant.get(f"/v1/deliveries/{tickets(plant)[0]['id']}")
    assert len(told["bales"]) == 47
    assert len({bale["code"] for bale in told["bales"]}) == 47
    assert [bale["supplier_tag"] for bale in told["bales"]] == [f"{number:06d}" for number in range(123, 169)] + [None]
    masses = [bale["material_kg"] for bale in told["bales"]]
    assert masses[0] == "518.468"
    assert sum(round(float(mass) * 1000) for mass in masses) == 24_368_000
    assert "-1" in ticket.text
    assert ticket.text.count("estimated") == 47
    assert "Tags for 47 bales" in ticket.text


def test_an_empty_line_in_the_middle_is_a_bale_without_a_tag(plant: Plant, clerk: PageClient):
    ticket = clerk.fill(new_truck(clerk, gross_kg="20000"), "/tare", mass_kg="15000")
    clerk.fill(ticket, "/bales", count="", tags="A1\n\nA3")
    told = plant.get(f"/v1/deliveries/{tickets(plant)[0]['id']}")
    assert [bale["supplier_tag"] for bale in told["bales"]] == ["A1", None, "A3"]


def test_the_plate_brings_what_came_last_time_in_any_spelling_and_into_no_address(plant: Plant, clerk: PageClient):
    clerk.fill(new_truck(clerk, plate="AB-12 CD", gross_kg="39860"), "/tare", mass_kg="15420")
    plant.clock.advance(hours=5)

    known = clerk.client.post("/gate/plate", data={"plate": "ab12cd"}, headers=clerk.origin).json()
    assert (known["supplier"], known["material"]) == ("Reed Sorting", "PET-BALES")
    assert f"tare {grouped('15420')} kg" in known["words"]
    assert "2026-03-09" in known["words"]

    form = clerk.get("/gate/new")
    brought = clerk.send(f"{form.path}/plate", {"plate": "ab12cd", "note_count": "12", "form_key": "x"})
    fields = dict(brought.forms[-1].fields)
    assert fields["supplier"] == "Reed Sorting"
    assert fields["note_count"] == "12", "what was typed stays"
    assert len(tickets(plant)) == 1, "looking a plate up records nothing"
    assert clerk.client.post("/gate/plate", data={"plate": "zz"}, headers=clerk.origin).json() == {}


def test_ticket_numbers_have_no_gaps_also_after_refusals(plant: Plant, clerk: PageClient):
    new_truck(clerk, gross_kg="20000")
    refused = clerk.get("/gate/new")
    clerk.fill(refused, refused.path, supplier="Reed Sorting", material="PET-BALES", gross_kg="999999", status=422)
    new_truck(clerk, gross_kg="20000")
    assert [ticket["ticket_no"] for ticket in tickets(plant)] == ["T000001", "T000002"]


@pytest.mark.parametrize(
    ("typed", "grams"),
    [("18420,5", 18_420_500), ("18420.5", 18_420_500), ("18 420", 18_420_000), ("18.420,5", 18_420_500)],
)
def test_decimal_comma_and_point_mean_the_same(sqlite_plant, typed: str, grams: int):
    plant, clerk = sqlite_plant
    new_truck(clerk, gross_kg=typed)
    assert round(float(tickets(plant)[0]["gross_kg"]) * 1000) == grams


def test_a_figure_that_may_mean_two_masses_is_asked_back_and_kept(sqlite_plant):
    plant, clerk = sqlite_plant
    back = new_truck_status(clerk, 422, gross_kg="24.440")
    assert "24440" in back.text
    assert "24.44" in back.text
    assert dict(back.forms[-1].fields)["gross_kg"] == "24.440"
    assert tickets(plant) == []


@pytest.fixture
def sqlite_plant(sqlite_url: str):
    """A plant on SQLite alone, for what does not depend on the engine."""
    from service.db import Database

    database = Database(sqlite_url)
    plant = Plant(database)
    plant.post("/v1/partners", {"code": "REED", "name": "Reed Sorting", "is_supplier": True})
    yield plant, PageClient(plant)
    database.close()


def new_truck_status(clerk: PageClient, status: int, **typed: Any) -> PageSeen:
    form = clerk.get("/gate/new")
    given: dict[str, Any] = {"supplier": "Reed Sorting", "material": "PET-BALES"} | typed
    return clerk.fill(form, form.path, status=status, **given)


# Whom the clerk means -------------------------------------------------------------------------------


def test_an_unknown_supplier_stops_no_truck_and_blocks_payment_and_food(plant: Plant, clerk: PageClient):
    ticket = new_truck(clerk, supplier="Quite Another Company", gross_kg="20000")
    assert "not in the books" in ticket.text
    assert "blocked for payment and food use" in ticket.text


def test_a_name_like_a_known_one_is_asked_back_with_the_choices(plant: Plant, clerk: PageClient):
    back = new_truck_status(clerk, 422, supplier="sorting", gross_kg="20000")
    assert "Reed Sorting" in back.text
    assert "Reedy Bank Sorting" in back.text
    assert "Somebody new" in back.text
    key = back.path.rsplit("/", 1)[1]
    clerk.fill(back, f"/gate/new/{key}", supplier_meant="REEDY")
    assert tickets(plant)[0]["supplier"] == "REEDY"

    back = new_truck_status(clerk, 422, supplier="sorting", gross_kg="20000")
    clerk.fill(back, back.path, supplier_meant="new")
    assert tickets(plant)[1]["supplier_is_mapped"] is False


# Sent twice, gone back, two tabs --------------------------------------------------------------------


def test_a_form_sent_twice_opens_one_ticket(plant: Plant, clerk: PageClient):
    form = clerk.get("/gate/new")
    typed: dict[str, Any] = {"supplier": "Reed Sorting", "material": "PET-BALES", "gross_kg": "20000"}
    first = clerk.fill(form, form.path, **typed)
    second = clerk.fill(form, form.path, **typed)
    assert first.path == second.path
    assert len(tickets(plant)) == 1

    gone_back = clerk.get(form.path)
    assert "This truck is recorded already" in gone_back.text
    assert first.path in gone_back.links

    changed = clerk.fill(form, form.path, status=409, **(typed | {"gross_kg": "21000"}))
    assert "sent before with other content" in changed.text
    assert len(tickets(plant)) == 1


def test_a_changed_form_is_recorded_when_it_is_sent_a_second_time_on_purpose(plant: Plant, clerk: PageClient):
    form = clerk.get("/gate/new")
    typed: dict[str, Any] = {"supplier": "Reed Sorting", "material": "PET-BALES", "gross_kg": "20000"}
    clerk.fill(form, form.path, **typed)
    warned = clerk.fill(form, form.path, status=409, **(typed | {"gross_kg": "21000"}))
    meant = warned.forms[-1]
    assert meant.value("form_key") != form.forms[-1].value("form_key")
    clerk.fill(warned, meant.action, status=200)
    assert [ticket["gross_kg"] for ticket in tickets(plant)] == ["20000.000", "21000.000"]


def test_a_form_without_its_key_is_refused(plant: Plant, clerk: PageClient):
    before = everything_in(plant.database)
    for key in ({}, {"form_key": ""}, {"form_key": "k" * 300}, {"form_key": "ключ"}):
        typed = {"supplier": "Reed Sorting", "material": "PET-BALES", "gross_kg": "20000", "scale": "BRIDGE"}
        refused = clerk.send("/gate/new/k", typed | key, status=400)
        assert "lacks its key" in refused.text
    assert everything_in(plant.database) == before


def test_another_photo_under_the_same_key_is_another_form(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    for size, status in (((400, 300), 200), ((300, 400), 409)):
        files = {"photo": ("p.jpg", photo(size), "image/jpeg")}
        sent = clerk.fill(ticket, "/remarks", kind="wet", files=files, status=status)
    assert "sent before with other content" in sent.text


def test_a_supplier_nobody_offered_is_not_chosen(plant: Plant, clerk: PageClient):
    plant.post("/v1/partners", {"code": "FAR", "name": "Far away", "is_supplier": True})
    back = new_truck_status(clerk, 422, supplier="sorting", gross_kg="20000")
    refused = clerk.fill(back, back.path, status=422, supplier_meant="FAR")
    assert "Who is meant" in refused.text
    assert tickets(plant) == []


def test_a_correction_sent_twice_is_recorded_once_and_not_refused(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    page = clerk.get(f"{ticket.path}/correction")
    first = clerk.fill(page, "/correction", plate="BB-22", reason="misread")
    second = clerk.fill(page, "/correction", plate="BB-22", reason="misread")
    assert first.path == second.path == ticket.path
    assert "Not recorded" not in second.text


def test_a_second_tare_from_another_tab_is_asked_back(plant: Plant, clerk: PageClient):
    ticket = new_truck(clerk, gross_kg="20000")
    other_tab = clerk.get(ticket.path)
    clerk.fill(ticket, "/tare", mass_kg="15000")
    back = clerk.fill(other_tab, "/tare", status=422, mass_kg="15100")
    assert "There is a tare reading of 15000 kg already" in back.text
    told = plant.get(f"/v1/deliveries/{tickets(plant)[0]['id']}")
    assert told["masses"]["net_kg"] == "5000.000"


def test_two_tabs_are_two_trucks(plant: Plant, clerk: PageClient):
    left, right = clerk.get("/gate/new"), clerk.get("/gate/new")
    for form in (left, right):
        clerk.fill(form, form.path, supplier="Reed Sorting", material="PET-BALES", gross_kg="20000")
    assert len(tickets(plant)) == 2


def test_a_tare_sent_twice_is_one_reading(plant: Plant, clerk: PageClient):
    ticket = new_truck(clerk, gross_kg="20000")
    clerk.fill(ticket, "/tare", mass_kg="15000")
    clerk.fill(ticket, "/tare", mass_kg="15000")
    told = plant.get(f"/v1/deliveries/{tickets(plant)[0]['id']}")
    assert [one["kind"] for one in told["weighings"]] == ["gross", "tare"]


# What is refused keeps what was typed, and changes nothing ------------------------------------------


def test_refusals_name_the_field_keep_the_text_and_change_nothing(plant: Plant, clerk: PageClient):
    ticket = new_truck(clerk, gross_kg="20000")
    before = everything_in(plant.database)
    for action, typed, words in (
        ("/tare", {"mass_kg": "21000"}, "against gross 20000.000 kg"),
        ("/tare", {"mass_kg": "abc"}, "abc"),
        ("/tare", {"mass_kg": ""}, "Fill this in"),
        ("/tare", {"mass_kg": "15000", "weighed_at": "2027-01-01T00:00"}, "future"),
        ("/bales", {"count": "0", "tags": ""}, "greater than or equal to 1"),
        ("/bales", {"count": "0", "tags": "A\nB"}, "greater than or equal to 1"),
        ("/bales", {"count": "1", "tags": "A\nB"}, "2 tags are given for 1"),
        ("/bales", {"count": "", "tags": "A9..A1"}, "lower number first"),
        ("/count", {"counted": "48", "reason": ""}, "Fill this in"),
        ("/rejection", {"reason": "smells of fuel"}, "Tick the bales"),
        ("/reversal", {"reason": "x"}, "at least 3"),
    ):
        back = clerk.fill(ticket, action, status=422, **typed)
        assert words in back.text, (action, words, back.text[-400:])
        for name, value in typed.items():
            assert dict(back.form(action).fields)[name].strip() == value, (action, name)
        assert "Not recorded" in back.text
    assert everything_in(plant.database) == before


@pytest.mark.parametrize("text", [MARKUP, RIGHT_TO_LEFT, LONG[:64], LONG])
def test_any_text_in_any_field_stands_there_as_text(plant: Plant, clerk: PageClient, text: str):
    form = clerk.get("/gate/new")
    fields = dict.fromkeys(("plate", "note_no", "order_no", "driver"), text)
    typed = {"supplier": text, "material": "PET-BALES", "gross_kg": "20000"} | fields
    sent = clerk.send(form.path, typed | {"form_key": form.path.rsplit("/", 1)[1], "scale": "BRIDGE"})
    if len(text) > 100:
        assert sent.status == 422
        assert "at most 64" in sent.text
        assert dict(sent.forms[-1].fields)["note_no"] == text
    else:
        assert sent.status == 200
        assert sent.path.startswith("/gate/tickets/")
        assert text in sent.text
        noted = clerk.fill(sent, "/remarks", kind="other", note=text)
        assert text in noted.text
        assert text in clerk.get("/gate").text
    assert "<script>alert" not in sent.html


# What goes wrong with a truck -----------------------------------------------------------------------


def weighed(clerk: PageClient, bales: int = 4) -> PageSeen:
    """A ticket with gross, tare and bales."""
    ticket = clerk.fill(new_truck(clerk, gross_kg="20000", note_count=str(bales)), "/tare", mass_kg="18000")
    return clerk.fill(ticket, "/bales", count=str(bales), tags="")


def test_a_mistyped_tare_is_corrected_with_a_reason_and_stays_readable(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    told = plant.get(f"/v1/deliveries/{tickets(plant)[0]['id']}")
    tare = next(one for one in told["weighings"] if one["kind"] == "tare")
    page = clerk.get(f"{ticket.path}/correction")

    after = clerk.fill(page, f"/readings/{tare['id']}", mass_kg="17900", reason="two digits swapped")

    assert "2100 kg" in after.text
    versions = clerk.get(f"{ticket.path}/versions")
    assert "18000" in versions.text
    assert "17900" in versions.text
    assert "two digits swapped" in versions.text


def test_a_wrong_supplier_is_corrected_and_only_what_was_changed_is_sent(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    page = clerk.get(f"{ticket.path}/correction")
    after = clerk.fill(page, "/correction", supplier="Reedy Bank Sorting", reason="read the wrong line")
    assert "Reedy Bank Sorting" in after.text

    unchanged = clerk.fill(clerk.get(f"{ticket.path}/correction"), "/correction", status=422, reason="nothing")
    assert "Nothing in the form was changed" in unchanged.text


def test_part_of_a_load_goes_back_before_and_after_the_tare(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    codes = [code for name, code in ticket.form("/rejection").fields if name == "bales"]
    assert codes == [], "nothing is ticked beforehand"
    bales = [bale["code"] for bale in plant.get(f"/v1/deliveries/{tickets(plant)[0]['id']}")["bales"]]

    after = clerk.fill(ticket, "/rejection", bales=bales[:2], where="unloaded", reason="smells of fuel")

    assert "part of it rejected" in after.text
    note = clerk.get(f"{ticket.path}/papers/rejection-note")
    assert "smells of fuel" in note.text
    assert "2 of 4 bales" in note.text
    for code in bales[:2]:
        assert f"{code[:5]} {code[5:]}" in note.text
    tags = clerk.get(f"{ticket.path}/papers/tags")
    assert "2 tags" in tags.text


def test_a_whole_load_can_be_sent_away_before_its_tare(plant: Plant, clerk: PageClient):
    ticket = new_truck(clerk, gross_kg="20000")
    after = clerk.fill(ticket, "/rejection", what="whole", where="truck", reason="fuel canisters in it")
    assert "Whole load rejected" in after.text
    assert "No truck waits" in clerk.get("/gate").text


def test_a_reversed_ticket_stays_on_the_list_with_its_number(plant: Plant, clerk: PageClient):
    ticket = new_truck(clerk, gross_kg="20000")
    after = clerk.fill(ticket, "/reversal", reason="entered twice")
    assert "Reversed" in after.text
    assert "T000001" in clerk.get("/gate").text
    assert "Reversed" in clerk.get("/gate").text


def test_a_loose_load_becomes_one_lot(plant: Plant, clerk: PageClient):
    ticket = new_truck(clerk, material="PET-LOOSE", gross_kg="20000")
    ticket = clerk.fill(ticket, "/tare", mass_kg="11100")
    assert "Register the load as one lot" in ticket.text
    after = clerk.fill(ticket, "/load", supplier_tag="L-7")
    assert "1 lot" in after.text
    assert "The ticket is complete" in after.text


# What was noticed -----------------------------------------------------------------------------------


def photo(size: tuple[int, int] = (2400, 1800)) -> bytes:
    buffer = io.BytesIO()
    Image.linear_gradient("L").resize(size).convert("RGB").save(buffer, "JPEG", quality=90)
    return buffer.getvalue()


def test_damage_is_noted_with_a_photo_larger_than_the_interface_takes(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    noise = io.BytesIO()
    Image.effect_noise((3000, 2000), 90).save(noise, "JPEG", quality=95)
    assert len(noise.getvalue()) > 1_000_000
    after = clerk.fill(
        ticket, "/remarks", kind="wet", note="rain", files={"photo": ("p.jpg", noise.getvalue(), "image/jpeg")}
    )
    assert "Wet" in after.text
    assert "rain" in after.text
    address = re.search(r'src="(/gate/tickets/\d+/remarks/\d+/photo)"', after.html)
    assert address is not None
    kept = clerk.client.get(address[1])
    assert kept.headers["content-type"] == "image/jpeg"
    assert max(Image.open(io.BytesIO(kept.content)).size) == 1600
    assert PageClient(plant, key=None).client.get(address[1]).status_code == 401


def test_a_remark_without_a_photo_and_its_withdrawal(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    after = clerk.fill(ticket, "/remarks", kind="odour")
    assert "Smells" in after.text
    gone = clerk.fill(after, "/withdrawal", reason="it was the truck")
    assert "Nothing was noticed" in gone.text


@pytest.mark.parametrize(
    ("content", "words"), [(b"not a picture", "picture"), (base64.b64decode("iVBORw0KGgo="), "picture")]
)
def test_a_photo_that_is_none_is_refused_and_the_words_are_kept(
    plant: Plant, clerk: PageClient, content: bytes, words: str
):
    ticket = weighed(clerk)
    before = everything_in(plant.database)
    back = clerk.fill(
        ticket, "/remarks", kind="odour", note="sour", files={"photo": ("p.jpg", content, "image/jpeg")}, status=422
    )
    assert words in back.text.lower()
    assert dict(back.form("/remarks").fields)["note"] == "sour"
    assert everything_in(plant.database) == before


# Finding and printing -------------------------------------------------------------------------------


def test_yesterdays_ticket_is_found_by_day_number_and_plate(plant: Plant, clerk: PageClient):
    new_truck(clerk, plate="AB-12 CD", gross_kg="20000")
    plant.clock.advance(days=1)
    clerk.log_in()
    today = clerk.get("/gate")
    assert "T000001" in today.text, "yesterday stands below today"
    for typed in ("1", "t000001", "T000001", "ab12cd"):
        assert clerk.send("/gate/find", {"find": typed}).path.startswith("/gate/tickets/"), typed
    assert "No such ticket" in clerk.send("/gate/find", {"find": "T000099"}).text
    assert "No such ticket" in clerk.send("/gate/find", {"find": MARKUP}).text
    assert "T000001" in clerk.get("/gate?day=2026-03-09").text
    for odd in ("2026-13-45", "x", "9999-12-31"):
        assert "Gate" in clerk.get(f"/gate?day={odd}").text


def test_papers_carry_what_they_must(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    paper = clerk.get(f"{ticket.path}/papers/ticket")
    assert paper.text.count("Weigh ticket T000001") == 2
    assert "For the driver" in paper.text
    assert "For the plant" in paper.text
    assert paper.text.count("Net 2000 ") == 2
    note = clerk.get(f"{ticket.path}/papers/receiving-note")
    assert "1994 kg" in note.text
    assert "responsible quality person" in note.text
    tags = clerk.get(f"{ticket.path}/papers/tags")
    addresses = re.findall(r'src="(/gate/tickets/\d+/papers/tags/\w+\.svg)"', tags.html)
    assert len(addresses) == 4
    for address in addresses:
        drawn = clerk.client.get(address)
        assert drawn.headers["content-type"] == "image/svg+xml"
        assert "Reed" not in drawn.text, "a tag hangs in the yard for everybody to read"
    assert clerk.client.get(addresses[0].replace(addresses[0][-14:-4], "Q2ZTMZMYEJ")).status_code == 404
    clerk.get(f"{ticket.path}/papers/rejection-note", status=409)


def test_two_nets_never_bear_the_same_entry_number(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    numbers = []
    for mass in ("17900", "17800"):
        plant.clock.advance(minutes=5)
        clerk.fill(clerk.get(ticket.path), "/again", kind="tare", mass_kg=mass)
        paper = clerk.get(f"{ticket.path}/papers/ticket").text
        numbers.append(re.findall(r"As of journal entry ([0-9]+)", paper))
    assert numbers[0][0] != numbers[1][0]


def test_a_rejection_note_gives_the_reasons_of_the_rejection_only(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    codes = [bale["code"] for bale in plant.get(f"/v1/deliveries/{tickets(plant)[0]['id']}")["bales"]]
    clerk.fill(ticket, "/rejection", bales=codes[:1], where="unloaded", reason="smells of fuel")
    clerk.fill(clerk.get(f"{ticket.path}/correction"), "/correction", plate="BB-22", reason="plate misread")
    note = clerk.get(f"{ticket.path}/papers/rejection-note").text
    assert "smells of fuel" in note
    assert "plate misread" not in note
    clerk.fill(clerk.get(ticket.path), "/reversal", reason="entered twice")
    assert "Reversed" in clerk.get(f"{ticket.path}/papers/rejection-note").text
    assert "0 tags" in clerk.get(f"{ticket.path}/papers/tags").text


def test_a_stranger_sees_nothing_of_the_gate(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    stranger = PageClient(plant, key=None)
    for path in ("/gate", "/gate/new", ticket.path, f"{ticket.path}/correction", f"{ticket.path}/papers/ticket"):
        seen = stranger.get(path, status=401)
        assert "Reed" not in seen.text
        assert "T000001" not in seen.text


def test_a_night_of_the_clock_change_is_typed_without_a_wrong_guess(plant: Plant, clerk: PageClient):
    # Europe/Lisbon, 2026-03-29: 01:00 to 02:00 does not exist; 2026-10-25: 01:00 to 02:00 comes twice.
    # Source: IANA time zone database.
    plant.clock.advance(days=240)
    clerk.log_in()
    back = new_truck_status(clerk, 422, gross_kg="20000", arrived_at="2026-03-29T01:30")
    assert "01:30" in back.text
    assert dict(back.forms[-1].fields)["arrived_at"] == "2026-03-29T01:30"

    asked = new_truck_status(clerk, 422, gross_kg="20000", arrived_at="2026-10-25T01:30")
    assert "The clock showed this time twice" in asked.text
    for which in ("first", "second"):
        clerk.fill(asked, asked.path, form_key=which, arrived_at_which=which)
    assert [ticket["arrived_at"][:16] for ticket in tickets(plant)] == ["2026-10-25T00:30", "2026-10-25T01:30"]


def test_one_address_beyond_all_numbers_is_a_page_in_words(plant: Plant, clerk: PageClient):
    assert "Nothing at this address" in clerk.get(f"/gate/tickets/{2**70}", status=404).text
    assert "no delivery" in clerk.get(f"/gate/tickets/{2**41}", status=404).text.lower()


def test_another_plants_ticket_is_neither_shown_nor_changed(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    form_key = ticket.form("/reversal").value("form_key")
    plant.post("/v1/sites", {"code": "QUAY", "name": "Quay works", "zone": "Europe/Lisbon"})
    elsewhere = PageClient(plant)
    elsewhere.fill(elsewhere.get("/", status=409), "/site", button="QUAY")
    before = everything_in(plant.database)

    assert "T000001" not in elsewhere.get("/gate").text
    assert "No truck waits" in elsewhere.get("/gate").text
    assert "No weighbridge is registered" in elsewhere.get("/gate/new").text
    for path in ("", "/correction", "/versions", "/papers/ticket", "/papers/tags", "/papers/receiving-note"):
        seen = elsewhere.get(f"{ticket.path}{path}", status=404)
        assert "another plant" in seen.text
        assert "Reed" not in seen.text
    told = plant.get(f"/v1/deliveries/{tickets(plant)[0]['id']}")
    reading = f"/readings/{told['weighings'][0]['id']}"
    for action in ("/reversal", "/tare", "/bales", "/count", "/remarks", "/rejection", "/correction", reading):
        sent = {"reason": "not mine", "form_key": form_key, "mass_kg": "1", "counted": "1"}
        assert "another plant" in elsewhere.send(f"{ticket.path}{action}", sent, status=404).text
    assert everything_in(plant.database) == before


def test_a_refusal_is_said_although_its_form_is_gone(plant: Plant, clerk: PageClient):
    ticket = new_truck(clerk, gross_kg="20000")
    clerk.fill(ticket, "/reversal", reason="entered twice")
    late = clerk.fill(ticket, "/tare", status=409, mass_kg="15000")
    assert "Not recorded" in late.text
    assert "reversed" in late.text


def test_a_correction_made_from_an_older_page_is_shown_before_it_is_recorded(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    older = clerk.get(f"{ticket.path}/correction")
    clerk.fill(clerk.get(f"{ticket.path}/correction"), "/correction", plate="BB-22", reason="misread")
    stopped = clerk.fill(older, "/correction", status=422, driver="Somebody", reason="forgotten")
    assert "Somebody corrected this ticket meanwhile" in stopped.text
    assert tickets(plant)[0]["plate"] == "BB-22"


def test_a_named_photo_without_content_is_blamed(plant: Plant, clerk: PageClient):
    ticket = weighed(clerk)
    back = clerk.fill(ticket, "/remarks", kind="wet", files={"photo": ("p.jpg", b"", "image/jpeg")}, status=422)
    assert "picture" in back.text.lower()


def test_characters_nobody_can_type_make_no_failure(plant: Plant, clerk: PageClient):
    clerk.get("/gate/new/%00", status=404)
    clerk.get("/gate?day=%00", status=404)
    assert clerk.send("/gate/find", {"find": "\x00"}).status == 200
    assert clerk.send("/site", {"site": "\x00"}).status == 404
    nested = clerk.send("/log-in", {"key": "x", "kept": "[" * 100_000})
    assert nested.status == 401
    answer = clerk.client.post("/log-out", headers={"Origin": "http://[bad"})
    assert answer.status_code == 403
