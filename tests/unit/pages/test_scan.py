"""Goal: a scan is answered in words, safely, and tells a stranger nothing about partners.

Method: the router in a bare application over HTTP with cards made by hand; the HTML parsed, not searched
for tags.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from service.db import Database
from service.labels.tag import NOTICE
from service.lots.statuses import HoldSubject, LotKind, MassBasis
from service.pages.frame import static_routes
from service.pages.scan import (
    FIELD_LENGTH_MAX,
    LotCard,
    Sources,
    basis_words,
    hold_words,
    kind_words,
    pages_router,
    sources_words,
)
from service.unit_of_work import system_clock

PELLETS = LotCard(
    code="Q2ZTMZMYEJ",
    kind=LotKind.PELLETS,
    product="rPET pellets, clear",
    net_g=1_050_000,
    mass_basis=MassBasis.WEIGHED,
    site="Harbour Mill",
    made_on=date(2026, 3, 12),
    holds=(),
    recycled_percent_text="62.4",
    sources=Sources(bales=95, deliveries=2),
    answered_at=datetime(2026, 3, 12, 14, 5, tzinfo=ZoneInfo("Europe/Berlin")),
)
HELD = replace(PELLETS, code="4T2E1YYE36", holds=(HoldSubject.DELIVERY, HoldSubject.LOT, HoldSubject.LOT))
MARKUP = """<script>alert(1)</script><img src=x onerror=alert(1)>"'&"""
HOSTILE = replace(PELLETS, code="P6G4QX70VB", product=MARKUP, site=MARKUP, recycled_percent_text=MARKUP)
BALE = replace(
    PELLETS,
    code="ZJ0QQVAKNY",
    kind=LotKind.BALE,
    net_g=None,
    mass_basis=None,
    recycled_percent_text=None,
    sources=None,
)
CARDS = {card.code: card for card in (PELLETS, HELD, HOSTILE, BALE)}
UNKNOWN = "YYBNNTN54C"
MISTYPED = "Q2ZTMZMYEX"


class Reader(HTMLParser):
    """Elements, attributes and text of a page, as a browser would take them apart."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())

    def field(self) -> dict[str, str | None]:
        """The one field for a code."""
        (attributes,) = (attributes for tag, attributes in self.elements if tag == "input")
        return attributes


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    file = tmp_path_factory.mktemp("pages") / "empty.sqlite3"
    app = FastAPI()
    database = Database(f"sqlite:///{file}")
    app.state.writer = SimpleNamespace(database=database, clock=system_clock)
    app.include_router(static_routes)
    app.include_router(pages_router(lambda _session, code, _desk: CARDS.get(code)))
    yield TestClient(app, follow_redirects=False)
    database.close()


def read(answer: Any) -> Reader:
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    return Reader(answer.text)


def test_a_lot_without_hold_in_words(client: TestClient):
    answer = client.get("/L/Q2ZTMZMYEJ")
    assert answer.status_code == 200
    text = read(answer).text
    for words in (
        "May be touched; not yet judged",
        "Pellet lot, rPET pellets, clear",
        "1050.000 kg weighed",
        "2026-03-12, Harbour Mill",
        "62.4 % post-consumer, computed, not certified",
        "Made from 95 bales of 2 deliveries",
        "State of 2026-03-12 14:05 CET.",
        "Not assessed for food contact, no claim.",
    ):
        assert words in text
    assert "do not touch" not in text


def test_a_held_lot_says_so_with_every_category_once(client: TestClient):
    text = read(client.get("/L/4T2E1YYE36")).text
    assert "On hold: do not touch" in text
    assert "May be touched" not in text
    assert text.count("A hold on a delivery it may contain material from.") == 1
    assert text.count("A hold on this lot, or on a lot it may contain.") == 1
    assert "supplier" not in text


@pytest.mark.parametrize("code", ["Q2ZTMZMYEJ", "4T2E1YYE36"])
def test_the_state_has_a_sign_beside_the_word(client: TestClient, code: str):
    elements = read(client.get(f"/L/{code}")).elements
    signs = [attributes for tag, attributes in elements if tag == "svg"]
    assert [sign["aria-hidden"] for sign in signs] == ["true"]


def test_the_two_states_have_different_signs(client: TestClient):
    drawn = [
        [attributes.get("d") for tag, attributes in read(client.get(f"/L/{code}")).elements if tag == "path"]
        for code in ("Q2ZTMZMYEJ", "4T2E1YYE36")
    ]
    assert drawn[0] != drawn[1]


@pytest.mark.parametrize(
    "path",
    ["/L/q2ztmzmyej", "/l/Q2ZTMZMYEJ", "/l/q2ztm-zmyej", "/L/Q2ZTM%20ZMYEJ", "/L/ZJOQQVAKNY", "/l/zjoqqvakny"],
)
def test_case_groups_and_misread_letters_do_not_matter(client: TestClient, path: str):
    assert client.get(path).status_code == 200


def test_what_is_not_known_is_said_so(client: TestClient):
    text = read(client.get("/L/ZJ0QQVAKNY")).text
    assert "Not yet weighed" in text
    assert "Recycled share Not computed" in text
    assert "Registered on 2026-03-12" in text
    assert "None" not in text
    assert "Where it came from" not in text


@pytest.mark.parametrize(
    ("path", "typed", "reason"),
    [
        ("/L/YYBNNTN54C", "YYBNNTN54C", "No lot of this plant has the code YYBNN TN54C."),
        ("/l/yybnntn54c", "yybnntn54c", "No lot of this plant has the code YYBNN TN54C."),
        ("/scan?code=Q2ZTMZMYEX", "Q2ZTMZMYEX", "The check character of 'Q2ZTMZMYEX' does not fit"),
        ("/L/Q2ZTMZMYEX", "Q2ZTMZMYEX", "The check character of 'Q2ZTMZMYEX' does not fit"),
        ("/scan?code=Q2ZTM", "Q2ZTM", "Expected a code of 10 characters, got 5"),
        ("/L/Q2ZTM/ZMYEJ", "Q2ZTM/ZMYEJ", "Expected a code of 10 characters, got 11"),
        ("/L/", "", "Expected a code of 10 characters, got 0"),
        ("/scan?code=QUZTMZMYEJ", "QUZTMZMYEJ", "Expected digits and letters without U, got 'U'"),
        ("/scan?code=" + "A" * 5000, "A" * FIELD_LENGTH_MAX, "Expected a code of 10 characters, got 5000"),
    ],
    ids=range(9),
)
def test_an_unknown_or_mistyped_code_is_404_in_words_and_kept(client: TestClient, path: str, typed: str, reason: str):
    answer = client.get(path)
    assert answer.status_code == 404
    page = read(answer)
    assert reason in page.text
    assert "Not known: leave it where it is" in page.text
    assert page.field()["value"] == typed
    assert page.field()["aria-describedby"] == "reason"
    assert "reason" in [attributes.get("id") for _, attributes in page.elements]


def test_the_form_asks_and_leads_to_the_page(client: TestClient):
    asked = client.get("/scan")
    assert asked.status_code == 200
    page = read(asked)
    assert page.field()["value"] == ""
    assert "aria-invalid" not in page.field()
    (form,) = (attributes for tag, attributes in page.elements if tag == "form")
    assert (form["action"], form["method"]) == ("/scan", "get")
    assert "code" in [attributes.get("for") for tag, attributes in page.elements if tag == "label"]
    answer = client.get("/scan", params={"code": " q2ztm zmyej"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/L/Q2ZTMZMYEJ")


PATHS = ["/L/Q2ZTMZMYEJ", "/L/4T2E1YYE36", "/L/P6G4QX70VB", "/scan", f"/L/{UNKNOWN}", f"/scan?code={MISTYPED}"]


@pytest.mark.parametrize("path", PATHS)
def test_every_page_is_guarded_and_never_cached(client: TestClient, path: str):
    headers = client.get(path).headers
    rules = dict(rule.strip().split(" ", 1) for rule in headers["content-security-policy"].split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == rules["style-src"] == rules["form-action"] == "'self'"
    assert rules["base-uri"] == rules["frame-ancestors"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", [*PATHS, f"/scan?code={MARKUP}", f"/L/{MARKUP}"])
def test_nothing_is_inline_and_everything_is_escaped(client: TestClient, path: str):
    page = read(client.get(path))
    tags = {tag for tag, _ in page.elements}
    assert not tags & {"script", "style", "img", "iframe", "object", "base"}
    names = {name for _, attributes in page.elements for name in attributes}
    assert "style" not in names
    assert not [name for name in names if name.startswith("on")]


def test_hostile_names_are_shown_as_text(client: TestClient):
    text = read(client.get("/L/P6G4QX70VB")).text
    assert text.count(MARKUP) == 4  # heading, what it is, site, recycled share


@pytest.mark.parametrize("path", PATHS)
def test_every_page_has_one_heading_and_says_what_it_does_not_decide(client: TestClient, path: str):
    page = read(client.get(path))
    assert [tag for tag, _ in page.elements].count("h1") == 1
    assert ("html", {"lang": "en"}) in page.elements
    assert "decided by the applicable law, the competent authority and the responsible quality person" in page.text


@pytest.mark.parametrize("code", ["Q2ZTMZMYEJ", "4T2E1YYE36", "ZJ0QQVAKNY"])
def test_every_lot_page_carries_the_notice(client: TestClient, code: str):
    assert NOTICE in read(client.get(f"/L/{code}")).text


def test_the_style_sheet_is_where_the_pages_look(client: TestClient):
    page = read(client.get("/scan"))
    (link,) = (attributes for _, attributes in page.elements if attributes.get("rel") == "stylesheet")
    answer = client.get(str(link["href"]))
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/css")
    assert "immutable" in answer.headers["cache-control"]
    sheet = Path(__file__).parents[3] / "service" / "pages" / "static" / "site.css"
    assert answer.content == sheet.read_bytes()


def test_pages_are_not_part_of_the_described_interface(client: TestClient):
    assert client.get("/openapi.json").json()["paths"] == {}


@pytest.mark.parametrize(
    ("sources", "words"),
    [
        (Sources(1, 1), "Made from 1 bale of 1 delivery"),
        (Sources(95, 2), "Made from 95 bales of 2 deliveries"),
        (Sources(95, 2, 3), "Made from 95 bales of 2 deliveries and 3 lots that are no bales"),
        (Sources(0, 0, 1), "Made from 1 lot that is no bale"),
        (Sources(0, 0), "Nothing recorded that it was made from"),
    ],
)
def test_sources_in_counts(sources: Sources, words: str):
    assert sources_words(sources) == words


def test_every_kind_basis_and_hold_has_words_of_its_own():
    for words in (
        [kind_words(kind) for kind in LotKind],
        [basis_words(basis) for basis in MassBasis],
        [hold_words(subject) for subject in HoldSubject],
    ):
        assert len(set(words)) == len(words) > 0


def test_a_mass_without_its_basis_is_refused():
    with pytest.raises(ValueError, match="lot Q2ZTMZMYEJ: expected a mass with its basis"):
        replace(PELLETS, mass_basis=None)
