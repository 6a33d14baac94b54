"""Pages of recalls: what is bad, the list, a recall started in one act, and the search of a mock recall.

Method: a person at a page (page_client) on the story of a bad bale (recall_story), on both engines; what the pages
record is checked through the interface.
"""

from __future__ import annotations

from urllib.parse import quote

import pytest
from line_steps import at, close, feed, load
from page_client import PageClient, PageSeen
from plant_fixture import SECOND_KEY, Plant
from recall_story import CAUSE, Story, ask, forward


@pytest.fixture
def desk(plant: Plant) -> PageClient:
    return PageClient(plant)


def begin(desk: PageClient, story: Story, kind: str) -> PageSeen:
    """From the list of the bale to a recall that was started, real or mock."""
    page = desk.get(f"/recall/list?lot={story.bale}")
    return desk.fill(page, "/recall/start", cause=CAUSE, kind=kind)


def test_the_start_page_leads_to_the_list_of_each_kind_of_source(plant: Plant, desk: PageClient) -> None:
    story = forward(plant)
    plant.post("/v1/partners", {"code": "REED", "name": "Reed Bank", "is_supplier": True, "country": "PT"})
    bad = load(plant, "REED", 1_000)
    delivery = plant.get(f"/v1/deliveries/{plant.get(f'/v1/lots/{bad}')['delivery_id']}")
    for query, lot in (
        (f"lot={story.bale.lower()}", story.pl1),
        (f"ticket={delivery['ticket_no'].lower()}", bad),
        ("supplier=reed+bank", bad),
        ("supplier=REED", bad),
        (f"vessel={story.silo}&begin=2026-03-08T05:00&end=2026-03-08T06:00", story.pl1),
    ):
        page = desk.get(f"/recall/find?{query}")
        assert (page.status, page.path) == (200, "/recall/list"), query
        assert f"/lots/{lot}" in page.links


@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ("lot=7F3K9QX2MA", 404, "check character"),
        ("lot=", 422, "Fill this in"),
        ("ticket=T999999", 422, "There is no ticket"),
        ("supplier=Nobody", 422, "Nobody is in the books"),
        ("vessel=&begin=&end=", 422, "Fill this in"),
        ("vessel={silo}&begin=2026-03-08T05:00&end=2026-03-08T04:00", 422, "runs backwards"),
        ("vessel={silo}&begin=2026-03-08T05:00&end=", 422, "Fill this in"),
        ("vessel=12&begin=2026-03-08T05:00&end=2026-03-08T06:00", 404, "no vessel 12"),
    ],
)
def test_what_was_typed_stays_and_the_fault_stands_at_it(
    plant: Plant, desk: PageClient, query: str, status: int, words: str
) -> None:
    silo = forward(plant).silo
    page = desk.get(f"/recall/find?{query.format(silo=silo)}", status=status)
    assert words in page.text
    assert "Not recorded" not in page.text
    typed = query.format(silo=silo).split("&")[0].partition("=")
    form = next(form for form in page.forms if typed[0] in form.names)
    assert form.value(typed[0]) == (typed[2] if typed[2] != "12" else "")  # another plant's vessel is no choice here


def test_the_list_shows_totals_lots_vessels_and_what_has_gone(plant: Plant, desk: PageClient) -> None:
    story = forward(plant)
    note = "Plate 12-AB-34 <order>"
    gate = plant.post("/v1/runs", {"site": "MILL", "step": "shipping", "started_at": at(8), "note": note})["id"]
    feed(plant, gate, story.pl2, "1000", start_at=at(9))
    close(plant, gate, hour=10)
    page = desk.get(f"/recall/list?lot={story.bale}")
    for kg in ("34210 kg", "31210 kg", "2000 kg", "1000 kg"):
        assert kg in page.text
    for words in ("Not all of it is on hold", "358.699 kg", "1.75 %", note, "never proven empty", "customer"):
        assert words in page.text
    assert "<order>" not in page.html
    assert {f"/lots/{lot}" for lot in (story.pl1, story.pl2, story.fl1, story.bale)} <= set(page.links)
    [csv] = [link for link in page.links if ".csv" in link]
    assert plant.client.get(csv).text.startswith("row,code")


def test_one_button_holds_all_of_it(plant: Plant, desk: PageClient) -> None:
    story = forward(plant)
    page = begin(desk, story, "real")
    assert "was placed on all of it" in page.text
    assert all(row["on_hold"] for row in ask(plant, f"lot={story.bale}")["lots"])
    assert "All of it is on hold" in desk.get(f"/recall/list?lot={story.bale}").text
    [head] = plant.get("/v1/recalls")
    assert (head["is_mock"], head["cause"]) == (False, CAUSE)


def test_a_vessel_s_time_is_started_from_the_page_as_it_was_asked(plant: Plant, desk: PageClient) -> None:
    story = forward(plant)
    found = desk.get(f"/recall/find?vessel={story.silo}&begin=2026-03-08T05:00&end=2026-03-08T06:00&inside=true")
    page = desk.fill(found, "/recall/start", cause=CAUSE, kind="mock")
    assert page.status == 200
    [recall] = plant.get("/v1/recalls")
    source = plant.get(f"/v1/recalls/{recall['id']}")["affected"]["source"]
    assert (source["suspect_discharge"], source["from_at"]) == (True, "2026-03-08T05:00:00.000000Z")
    again = next(link for link in page.links if link.startswith("/recall/list"))
    assert desk.get(again).status == 200


def test_a_recall_without_a_reason_is_asked_for_it_and_nothing_is_recorded(plant: Plant, desk: PageClient) -> None:
    story = forward(plant)
    page = desk.get(f"/recall/list?lot={story.bale}")
    refused = desk.fill(page, "/recall/start", status=422, cause="", kind="mock")
    assert "Fill this in." in refused.text
    assert plant.get("/v1/recalls") == []
    assert desk.fill(refused, "/recall/start", cause=CAUSE).status == 200
    assert plant.get("/v1/recalls")[0]["is_mock"] is True  # the choice made first was kept


def test_a_mock_recall_from_start_to_end(plant: Plant, desk: PageClient) -> None:
    story = forward(plant)
    page = begin(desk, story, "mock")
    assert "nothing is on hold" in page.text
    plant.clock.advance(minutes=17)
    page = desk.fill(page, "/found", codes=f"HTTPS://TRACE.EXAMPLE.COM/L/{story.pl1}", place="Hall 2")
    assert page.form("/found").value("place") == "Hall 2"  # who goes round finds the next one there too
    assert "32.1 %" in page.text
    assert "17 min" in page.text
    page = desk.fill(page, "/vessel", vessel=str(story.silo), content_kg="1 900,5")
    assert "37.7 %" in page.text  # (11,000 + 1,900.5) / 34,210 = 37.710 %
    plant.clock.advance(minutes=3)
    page = desk.fill(page, "/close", note="all places looked at")
    assert "It took" in page.text
    assert "20 min 0 s" in page.text
    assert [form for form in page.forms if form.action.endswith("/found")] == []
    missing = plant.get(f"/v1/recalls/{plant.get('/v1/recalls')[0]['id']}")
    assert {row["lot"] or row["vessel"] for row in missing["search"]["missing"]} == {story.pl2, "SILO-1"}


def test_what_was_found_is_withdrawn_with_its_reason(plant: Plant, desk: PageClient) -> None:
    story = forward(plant)
    page = desk.fill(begin(desk, story, "mock"), "/found", codes=story.pl1)
    refused = desk.fill(page, "/withdraw", status=422, reason="")
    assert "Fill this in." in refused.text
    assert "0.0 %" in desk.fill(refused, "/withdraw", reason="another lot").text


def test_a_code_found_twice_or_unknown_is_said_at_the_field_and_kept(plant: Plant, desk: PageClient) -> None:
    story = forward(plant)
    page = desk.fill(begin(desk, story, "mock"), "/found", codes=story.pl1)
    twice = desk.fill(page, "/found", status=422, codes=story.pl1)
    assert "was found before" in twice.text
    assert twice.form("/found").value("codes") == story.pl1
    assert "How much" in desk.fill(page, "/found", status=422, codes=f"{story.pl1}\n{story.pl2}", mass_kg="5").text
    assert "mass_kg" in desk.fill(page, "/found", status=422, codes=story.fl1).text


def test_only_people_of_the_plant_see_recalls(plant: Plant) -> None:
    story = forward(plant)
    number = plant.post("/v1/recalls", {"lot": story.bale, "cause": CAUSE})["id"]
    desk = PageClient(plant, key=None)
    for path in ("/recall", f"/recall/list?lot={story.bale}", f"/recall/{number}"):
        assert story.pl1 not in desk.get(path, status=401).html
    desk.log_in()
    other = {"code": "OTHER", "name": "Other mill", "zone": "Europe/Lisbon"}
    plant.post("/v1/sites", other)
    desk.send("/site", {"site": "OTHER", "path": "/"})
    for path in (f"/recall/list?lot={story.bale}", f"/recall/{number}"):
        refused = desk.get(path, status=404)
        assert story.pl1 not in refused.text


def test_the_pages_lead_to_each_other(plant: Plant, desk: PageClient) -> None:
    story = forward(plant)
    assert "/recall" in desk.get("/").links
    assert f"/recall/list?lot={story.bale}" in desk.get(f"/lots/{story.bale}").links
    number = plant.post("/v1/recalls", {"lot": story.bale, "cause": CAUSE}, key=SECOND_KEY)["id"]
    assert f"/recall/{number}" in desk.get("/recall").links
    assert f"/recall/list?lot={quote(story.bale)}" in desk.get(f"/recall/{number}").links
    assert CAUSE in desk.get(f"/lots/{story.pl1}").text
