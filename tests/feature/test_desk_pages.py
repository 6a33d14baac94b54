"""Goal: only people of the plant get in, from this server's own pages, and nobody loses what he typed.

Method: the real application over HTTP on both engines, with and without the headers a browser sends.
Source of the rules: OWASP Cross-Site Request Forgery Prevention Cheat Sheet (origin check by standard headers,
log-in form included); RFC 6265bis for the cookie's attributes.
"""

from datetime import timedelta

import pytest
from fastapi.testclient import TestClient
from page_client import PageClient, read_page
from plant_fixture import KEY, SECOND_KEY, Plant
from sqlalchemy import select, update
from sqlmodel import col
from whole_database import everything_in

from service.access.keys import list_keys, revoke_key
from service.access.record import key_digest
from service.access.sessions import LENGTH
from service.access.tables import BrowserSession, Credential
from service.pages.frame import PAGE_HEADERS

COOKIE = "b2p-desk"
FOREIGN = [
    {},
    {"Origin": "https://elsewhere.example"},
    {"Origin": "null"},
    {"Origin": "http://testserver.elsewhere.example"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site", "Origin": "http://testserver"},
]
OWN = [{"Origin": "http://testserver"}, {"Sec-Fetch-Site": "same-origin"}, {"Sec-Fetch-Site": "none"}]


def test_a_key_opens_and_logging_out_closes_for_every_copy_of_the_cookie(plant: Plant):
    person = PageClient(plant)
    assert "first" in person.get("/").text
    copied = TestClient(plant.app, cookies={COOKIE: person.client.cookies[COOKIE]})
    assert "first" in copied.get("/").text

    person.send("/log-out", {})

    assert "Log out" not in copied.get("/").text
    assert "Log in" in person.get("/").text


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(plant: Plant):
    answer = TestClient(plant.app, follow_redirects=False).post(
        "/log-in", data={"key": KEY}, headers={"Origin": "http://testserver"}
    )
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert "Secure" not in cookie

    over_https = TestClient(plant.app, base_url="https://testserver", follow_redirects=False).post(
        "/log-in", data={"key": KEY}, headers={"Origin": "https://testserver"}
    )
    cookie = over_https.headers["set-cookie"]
    assert cookie.startswith("__Host-")
    assert "Secure" in cookie
    assert "Path=/" in cookie
    assert "Domain" not in cookie
    assert "max-age" in over_https.headers["strict-transport-security"]
    assert over_https.headers["cross-origin-opener-policy"] == "same-origin"


@pytest.mark.parametrize("headers", FOREIGN)
@pytest.mark.parametrize("path", ["/log-in", "/log-out", "/site"])
def test_a_form_from_elsewhere_is_refused_and_changes_nothing(sqlite_url: str, path: str, headers: dict[str, str]):
    plant = _sqlite_plant(sqlite_url)
    person = PageClient(plant)
    before = everything_in(plant.database)

    answer = person.client.post(path, data={"key": KEY, "site": "MILL"}, headers=headers)

    assert answer.status_code == 403
    assert "was not sent by a page of this server" in answer.text
    assert everything_in(plant.database) == before
    assert "first" in person.get("/").text, "still logged in"


@pytest.mark.parametrize("headers", OWN)
def test_a_form_of_this_server_is_taken(sqlite_url: str, headers: dict[str, str]):
    plant = _sqlite_plant(sqlite_url)
    answer = TestClient(plant.app).post("/log-in", data={"key": KEY}, headers=headers)
    assert "first" in read_page(answer).text


def test_a_wrong_key_opens_nothing_and_shows_nothing_of_it(plant: Plant):
    answer = PageClient(plant, key=None).send("/log-in", {"key": "b2p_not-a-key", "path": "/"}, status=401)
    assert "unknown" in answer.text
    assert "b2p_not-a-key" not in answer.html


def test_a_log_in_ends_with_the_shift_with_its_key_and_when_it_is_taken_back(plant: Plant):
    person = PageClient(plant)
    plant.clock.advance(seconds=LENGTH.total_seconds() - 1)
    assert "Log out" in person.get("/").text
    plant.clock.advance(seconds=1)
    assert "Log out" not in person.get("/").text

    second = PageClient(plant, key=SECOND_KEY)
    with plant.database.read() as session:
        key_id = next(key.key_id for key in list_keys(session) if key.name == "second")
    plant.database.write(lambda session: revoke_key(session, key_id, plant.clock()))
    assert "Log out" not in second.get("/").text


def test_no_log_in_outlives_its_key(plant: Plant):
    expires_at = plant.clock() + timedelta(hours=1)
    plant.database.write(
        lambda session: session.execute(
            update(Credential).where(col(Credential.sha256) == key_digest(SECOND_KEY)).values(expires_at=expires_at)
        )
    )
    PageClient(plant, key=SECOND_KEY)
    with plant.database.read() as session:
        ends = session.execute(select(col(BrowserSession.expires_at))).scalar_one()
    assert ends == expires_at


def test_the_page_asked_for_comes_after_the_log_in_and_never_another_server(plant: Plant):
    stranger = PageClient(plant, key=None)
    asked = stranger.get("/site?path=%2Fhelp", status=401)
    assert asked.form("/log-in").value("path") == "/site?path=%2Fhelp"

    for elsewhere in ("https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example", "javascript:x"):
        answer = TestClient(plant.app, follow_redirects=False).post(
            "/log-in", data={"key": KEY, "path": elsewhere}, headers={"Origin": "http://testserver"}
        )
        assert answer.headers["location"] == "/"


def test_nothing_typed_is_lost_when_the_log_in_ended_meanwhile(plant: Plant):
    person = PageClient(plant)
    plant.clock.advance(hours=LENGTH / timedelta(hours=1))
    typed = {"site": "MILL", "path": "/help", "note": 'ünïcode "quotes" <b>\nsecond line', "form_key": "k1"}

    stopped = person.send("/gate/new/k1", typed, status=401)
    assert "Nothing you typed is lost" in stopped.text
    back = person.fill(stopped, "/log-in", key=KEY)

    resumed = back.form("/gate/new/k1")
    assert {name: value.replace("\r\n", "\n") for name, value in resumed.fields} == typed
    assert 'ünïcode "quotes" <b>' in back.text


def test_every_page_carries_the_policy_and_is_kept_nowhere(plant: Plant):
    person = PageClient(plant)
    for path in ("/", "/help", "/log-in", "/scan", "/site"):
        headers = person.get(path).headers
        assert headers["cache-control"] == "no-store"
        for name, value in PAGE_HEADERS.items():
            assert headers[name] == value, (path, name)


def test_the_cookie_does_not_open_the_interface_nor_the_key_the_pages(plant: Plant):
    person = PageClient(plant)
    body = {"code": "X", "name": "X", "zone": "UTC"}
    answer = person.client.post("/v1/sites", json=body, headers={"Idempotency-Key": "k", "Origin": "http://testserver"})
    assert answer.status_code == 401

    stranger = TestClient(plant.app, headers={"Authorization": f"Bearer {KEY}"})
    assert "Log out" not in stranger.get("/").text


def test_with_two_plants_one_is_chosen_and_can_be_changed(plant: Plant):
    plant.post("/v1/sites", {"code": "QUAY", "name": "Quay works", "zone": "Europe/Lisbon"})
    person = PageClient(plant)
    choice = person.get("/", status=409)
    page = person.fill(choice, "/site", button="QUAY")
    assert "Quay works" in page.text
    page = person.fill(person.get("/site"), "/site", button="MILL")
    assert "Mill on the river" in page.text


def _sqlite_plant(url: str) -> Plant:
    from service.db import Database

    return Plant(Database(url))
