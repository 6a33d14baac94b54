"""Goal: a scan tells everybody what may be touched and only people of the plant whose it is; labels are read from
whatever a phone sends, and what is no label is answered in words.

Method: the real application over HTTP on both engines. What may not leak is read out of the database, not listed
by hand, and the same page with a log-in shows that the search would find it. Pictures are made of real labels.
"""

from __future__ import annotations

from html import escape
from typing import Any

import pytest
from line_steps import at, close, load, made, out, start
from page_client import PageClient
from pictures import encoded, png_of_size, scans
from PIL import Image
from plant_fixture import Plant
from sqlalchemy import select
from sqlmodel import col
from whole_database import everything_in

from service.core.jpeg_passes import PASSES_MAX
from service.journal.tables import PrivateText
from service.labels.qr import qr_image, qr_matrix, scan_url
from service.labels.read import PIXELS_MAX
from service.lots.tables import Lot
from service.partners.tables import Partner
from service.weighbridge.tables import Delivery

PUBLIC = "https://trace.example.com"
SUPPLIERS = ("Reed Bank Sorters", "Bright Quay Deposit", "Polymer House", "Fenwick Yard", "Pigment Works")


@pytest.fixture
def pellets(plant: Plant) -> str:
    """A pellet lot of five suppliers' material, by a wash batch and an extrusion run that have ended."""
    masses = zip(SUPPLIERS, (9_000, 6_000, 3_000, 1_500, 500), strict=True)
    loads = {load(plant, name, kg, note_no=f"NOTE-{kg}", order_no=f"ORDER-{kg}"): None for name, kg in masses}
    flake = made(plant, "wash", loads, out("flake", "FLAKE", "product", "clear_flake", "20000"))
    return made(plant, "extrusion", {flake: None}, out("pellets", "PELLETS", "product", "pellets", "20000", hour=5), 4)


def scan(person: PageClient, code: str) -> Any:
    return person.get(f"/L/{code}")


# Who sees what ---------------------------------------------------------------------------------------


def private_words(plant: Plant) -> set[str]:
    """Every private text, and every name, number and tag that tells whose something is."""
    with plant.database.read() as session:
        found = set(session.execute(select(col(PrivateText.text))).scalars())
        found |= set(session.execute(select(col(Partner.code))).scalars())
        for numbers in session.execute(select(col(Delivery.ticket_no), col(Delivery.note_no), col(Delivery.order_no))):
            found |= set(numbers)
        found |= set(session.execute(select(col(Lot.supplier_tag))).scalars())
    return {words for words in found if words}


def test_a_stranger_learns_no_supplier_no_number_and_no_cause(plant: Plant, pellets: str):
    plant.post("/v1/holds", {"lot": pellets, "cause": "Metal found by the customer Hollow Bottles"})
    secrets = private_words(plant)
    assert {*SUPPLIERS, "Metal found by the customer Hollow Bottles", "NOTE-9000", "ORDER-9000"} <= secrets

    told = scan(PageClient(plant, key=None), pellets).html
    assert [words for words in secrets if escape(words) in told] == []
    assert "/lots/" not in told
    assert "/floor/" not in told

    inside = scan(PageClient(plant), pellets).html
    assert {words for words in secrets if escape(words) in inside} >= {
        *SUPPLIERS[:3],
        "Metal found by the customer Hollow Bottles",
    }


@pytest.mark.parametrize("kind", ["loose", "flake", "pellets", "bale"])
def test_a_stranger_learns_nothing_more_of_any_other_lot(plant: Plant, pellets: str, kind: str):
    with plant.database.read() as session:
        codes = list(session.execute(select(col(Lot.code)).where(col(Lot.kind) == kind)).scalars())
    codes = codes or [_bale(plant)]
    stranger = PageClient(plant, key=None)
    for code in codes:
        told = scan(stranger, code).html
        assert [words for words in private_words(plant) if escape(words) in told] == []


def _bale(plant: Plant) -> str:
    delivery = plant.post(
        "/v1/deliveries",
        {
            "site": "MILL",
            "supplier_name": "Baler Brothers",
            "material": "PET-BALES",
            "form": "bales",
            "arrived_at": at(0),
            "plate": "ZZ-99-XX",
            "driver": "Wilhelmina Driver",
            "gross": {"instrument": "BRIDGE", "mass_kg": "16000", "weighed_at": at(0)},
        },
    )
    bales = plant.post(f"/v1/deliveries/{delivery['id']}/bales", {"count": 1, "tags": ["TAG-0815"]})["bales"]
    return str(bales[0]["code"])


def test_people_of_the_plant_see_the_largest_suppliers_with_their_shares(plant: Plant, pellets: str):
    text = scan(PageClient(plant), pellets).text
    assert "Reed Bank Sorters : 45.00 %" in text
    assert "Bright Quay Deposit : 30.00 %" in text
    assert "Polymer House : 15.00 %" in text
    assert "and 2 more, on the page of the lot" in text
    assert "Fenwick Yard" not in text


def test_people_of_the_plant_see_why_a_lot_is_held_through_what_and_since_when(plant: Plant, pellets: str):
    loose = plant.get(f"/v1/lots/{pellets}/trace")["may_contain"][0]
    plant.post("/v1/holds", {"lot": loose, "cause": "Smells of solvent", "placed_at": at(10)})

    text = scan(PageClient(plant), pellets).text
    assert "On hold: do not touch" in text
    assert f"Smells of solvent . It reaches this lot through {loose[:5]} {loose[5:]}" in text
    assert "Since 2026-03-08 10:00, placed by first" in text

    of_itself = scan(PageClient(plant), loose).text
    assert "Smells of solvent . Since 2026-03-08 10:00" in of_itself


def test_what_to_do_next_stands_there_only_for_those_who_can(plant: Plant, pellets: str):
    steps = (("packing", 15), ("split", 13), ("merge", 11), ("bagging", 12), ("shipping", 10))
    ended, newest, third, second, fourth = (start(plant, step, hour) for step, hour in steps)
    close(plant, ended)

    links = scan(PageClient(plant), pellets).links
    assert f"/lots/{pellets}" in links
    assert f"/lots/{pellets}/label" in links
    assert [link for link in links if link.startswith("/floor/runs")] == [
        f"/floor/runs/{run}?code={pellets}" for run in (newest, second, third, fourth)
    ]
    start(plant, "packing", 14)
    assert len([link for link in scan(PageClient(plant), pellets).links if "/floor/runs" in link]) == 4

    stranger = scan(PageClient(plant, key=None), pellets)
    assert not [link for link in stranger.links if link.startswith(("/lots/", "/floor/"))]
    assert f"/log-in?path=/L/{pellets}" in stranger.links


def test_nothing_is_offered_that_the_gate_would_refuse(plant: Plant, pellets: str):
    run = start(plant, "shipping", 9)
    person = PageClient(plant)
    assert f"/floor/runs/{run}?code={pellets}" in scan(person, pellets).links

    plant.post("/v1/holds", {"lot": pellets, "cause": "under suspicion"})
    assert not [link for link in scan(person, pellets).links if "/floor/runs" in link]

    flake = plant.get(f"/v1/lots/{pellets}")["made_by"][0]
    used_up = plant.get(f"/v1/runs/{flake}")["lines"][0]["lot"]
    assert not [link for link in scan(person, used_up).links if "/floor/runs" in link]


def test_a_load_without_tare_has_no_label_to_print(plant: Plant):
    bale = _bale(plant)
    links = scan(PageClient(plant), bale).links
    assert f"/lots/{bale}/tag" in links, "a tag can be printed before the tare"
    assert "Supplier Baler Brothers" in scan(PageClient(plant), bale).text


# The page for looking something up ------------------------------------------------------------------


def test_a_stranger_is_told_what_works_without_a_key(plant: Plant):
    page = PageClient(plant, key=None).get("/scan")
    assert "log in to use the camera or a photo here" in page.text
    assert "/log-in?path=/scan" in page.links
    assert [form.action for form in page.forms] == ["/scan"]
    assert "scan.js" not in page.html


def test_camera_photo_and_typed_code_stand_on_one_page(plant: Plant):
    page = PageClient(plant).get("/scan")
    assert [form.action for form in page.forms if form.action.startswith("/scan")] == ["/scan", "/scan/photo"]
    assert "needs JavaScript. A photo and the typed code work without." in page.text
    assert 'capture="environment"' in page.html
    assert "scan.js" in page.html


def test_a_pasted_scan_address_is_as_good_as_the_code(plant: Plant, pellets: str):
    answer = PageClient(plant, key=None).client.get("/scan", params={"code": scan_url(PUBLIC, pellets)})
    assert (answer.status_code, answer.url.path) == (200, f"/L/{pellets}")


# Frames of the camera -------------------------------------------------------------------------------


def picture(*texts: str, size: tuple[int, int] = (720, 720)) -> bytes:
    """A photograph-sized grey picture with these codes side by side."""
    paper = Image.new("L", size, 128)
    for place, text in enumerate(texts):
        code = qr_image(qr_matrix(text), 6)
        paper.paste(code, (30 + place * (code.width + 40), 30))
    return encoded(paper, quality=70)


def send_frame(person: PageClient, content: bytes, **headers: str) -> Any:
    return person.client.post(
        "/scan/frame", content=content, headers={"Content-Type": "image/jpeg", **person.origin, **headers}
    )


def test_a_frame_with_a_label_gives_its_code(plant: Plant, pellets: str):
    answer = send_frame(PageClient(plant), picture(scan_url(PUBLIC, pellets)))
    assert (answer.status_code, answer.json()) == (200, {"code": pellets, "words": ""})
    assert answer.headers["cache-control"] == "no-store"


def test_a_frame_with_anything_else_says_so_or_nothing(plant: Plant, pellets: str):
    person = PageClient(plant)
    assert send_frame(person, picture()).json() == {"code": None, "words": ""}
    foreign = send_frame(person, picture("https://shop.example/item/7")).json()
    assert foreign == {"code": None, "words": "This code is not a label of this plant: https://shop.example/item/7"}
    two = send_frame(person, picture(scan_url(PUBLIC, pellets), scan_url(PUBLIC, _bale(plant)))).json()
    assert two == {"code": None, "words": "More than one label is in the picture. Bring one closer."}


@pytest.mark.parametrize("content", [b"", b"no picture at all", b"\xff\xd8\xff", png_of_size(60_000, 60_000)])
def test_a_frame_that_is_no_picture_is_refused_in_words(sqlite_url: str, content: bytes):
    answer = send_frame(PageClient(_sqlite_plant(sqlite_url)), content)
    assert answer.status_code == 422
    assert answer.json()["code"] is None
    assert "expected a picture" in answer.json()["words"].lower() or "expected a jpeg" in answer.json()["words"].lower()


def test_frames_need_a_log_in_and_come_from_this_server_only(sqlite_url: str):
    plant = _sqlite_plant(sqlite_url)
    stranger = send_frame(PageClient(plant, key=None), picture())
    assert (stranger.status_code, stranger.json()["words"]) == (401, "Log in to use the camera here.")
    foreign = send_frame(PageClient(plant), picture(), Origin="https://elsewhere.example")
    assert foreign.status_code == 403


def test_too_many_frames_are_told_when_to_come_again(sqlite_url: str):
    plant = _sqlite_plant(sqlite_url)
    hasty, other = PageClient(plant), PageClient(plant)
    answers = [send_frame(hasty, picture(size=(64, 64))) for _ in range(60)]
    refused = [answer for answer in answers if answer.status_code == 429]
    assert refused, "sixty frames as fast as they go are more than six a second"
    assert {answer.status_code for answer in answers} == {200, 429}
    assert {answer.headers["retry-after"] for answer in refused} == {"1"}
    assert send_frame(other, picture(size=(64, 64))).status_code == 200, "another log-in has its own allowance"


def test_a_text_read_by_the_browser_is_judged_the_same(sqlite_url: str):
    plant = _sqlite_plant(sqlite_url)
    client = PageClient(plant, key=None).client
    assert client.get("/scan/text", params={"text": "q2ztm zmyej"}).json() == {"code": "Q2ZTMZMYEJ", "words": ""}
    words = client.get("/scan/text", params={"text": "<script>alert(1)</script>"}).json()["words"]
    assert words == "This code is not a label of this plant: <script>alert(1)</script>"
    assert client.get("/scan/text", params={"text": ""}).json() == {"code": None, "words": ""}


# Photos ---------------------------------------------------------------------------------------------


def send_photo(person: PageClient, content: bytes | None, **more: Any) -> Any:
    files = None if content is None else {"photo": ("photo.jpg", content, "image/jpeg")}
    return person.fill(person.get("/scan"), "/scan/photo", files=files, **more)


def test_a_photo_of_a_label_leads_to_its_lot_without_a_script(plant: Plant, pellets: str):
    page = send_photo(PageClient(plant), picture(scan_url(PUBLIC, pellets), size=(2400, 1800)))
    assert page.path == f"/L/{pellets}"


def test_several_labels_in_a_photo_are_offered_to_choose_from(plant: Plant, pellets: str):
    bale = _bale(plant)
    page = send_photo(PageClient(plant), picture(scan_url(PUBLIC, pellets), scan_url(PUBLIC, bale)))
    assert "Which one do you mean?" in page.text
    assert {link for link in page.links if link.startswith("/L/")} == {f"/L/{pellets}", f"/L/{bale}"}


BAD_PHOTOS = {
    "blank": (picture(), "fills about a third of the picture"),
    "something else": (picture("WIFI:S:yard;;"), "it is not a label of this plant: WIFI:S:yard;;"),
    "no picture": (b"%PDF-1.7 not a picture", "cannot be unpacked"),
    "cut off": (picture("WIFI:S:yard;;")[:900], ""),
    "bomb": (png_of_size(60_000, 60_000), f"at most {PIXELS_MAX // 1_000_000} million pixels"),
    "endless passes": (scans(2_000), f"more than {PASSES_MAX} passes"),
    "script": (picture("<script>alert(1)</script>"), "<script>alert(1)</script>"),
}


@pytest.mark.parametrize("name", BAD_PHOTOS)
def test_a_photo_without_a_label_is_answered_with_advice_and_kept_nowhere(sqlite_url: str, name: str):
    plant = _sqlite_plant(sqlite_url)
    person = PageClient(plant)
    before = everything_in(plant.database)
    content, words = BAD_PHOTOS[name]
    page = send_photo(person, content, status=422)
    assert "No label could be read in this photo" in page.text
    assert words in page.text
    assert [form.action for form in page.forms if form.action.startswith("/scan")] == ["/scan/photo", "/scan"]
    assert "<script>alert" not in page.html
    assert everything_in(plant.database) == before


def test_a_form_without_a_photo_says_that_none_came(sqlite_url: str):
    page = send_photo(PageClient(_sqlite_plant(sqlite_url)), None, status=422)
    assert "No photo came with the form" in page.text


def test_a_photo_needs_a_log_in_and_goes_on_to_the_page_afterwards(sqlite_url: str):
    plant = _sqlite_plant(sqlite_url)
    stranger = PageClient(plant, key=None)
    page = stranger.send("/scan/photo", {}, files={"photo": ("photo.jpg", picture(), "image/jpeg")}, status=401)
    assert page.form("/log-in").value("path") == "/scan"


def test_one_photo_after_the_other(sqlite_url: str):
    person = PageClient(_sqlite_plant(sqlite_url))
    content = picture(size=(64, 64))
    sent = {"photo": ("photo.jpg", content, "image/jpeg")}
    pages = [person.send("/scan/photo", {}, files=sent) for _ in range(4)]
    assert {page.status for page in pages} == {422, 429}
    assert "wait two seconds" in pages[-1].text


# Names nobody expects ---------------------------------------------------------------------------------

MARKUP = """<script>alert(1)</script>"'&"""
NAMES = (MARKUP, "Ww" * 100, "מפעל מיחזור " * 15, "حبيبات بولي إيثيلين")


@pytest.mark.parametrize("name", NAMES)
def test_any_name_is_shown_as_the_text_it_is(sqlite_url: str, name: str):
    plant = _sqlite_plant(sqlite_url)
    lot = load(plant, name, 500)
    plant.post("/v1/holds", {"lot": lot, "cause": name})
    for path in (f"/L/{lot}", f"/lots/{lot}"):
        page = PageClient(plant).get(path)
        assert " ".join(name.split()) in page.text
        assert "<script>alert" not in page.html
        assert (
            f"<bdi>{escape(name.strip(), quote=True).replace('&quot;', '&#34;').replace('&#x27;', '&#39;')}"
            in page.html
        )


def _sqlite_plant(url: str) -> Plant:
    from service.db import Database

    return Plant(Database(url))
