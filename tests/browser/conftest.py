"""A real browser on a real server: headless Chromium, driven by Playwright, on loopback.

Where there is no Chromium the tests are skipped with one clear line; on the build server they fail, because
`.ci/run` has installed one.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import Any

import pytest
from plant_fixture import Plant
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Playwright, sync_playwright
from visits import SIZES, Served, ServedDemo, Visit, Visiting, serving

from service.app import create_app, make_writer
from service.db import Database, migrate
from service.demo.load import load_demo
from service.settings import Settings

# Background work of the browser only makes noise where there is no network.
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]


@pytest.fixture(scope="session")
def chromium_path() -> str:
    path = shutil.which(os.environ.get("CHROMIUM", "chromium"))
    if path is None:
        words = "no Chromium here: install the package 'chromium' or name one in the variable CHROMIUM"
        if os.environ.get("CI") == "true":
            pytest.fail(words)
        pytest.skip(words)
    return path


@pytest.fixture(scope="session")
def playwright_driver() -> Iterator[Playwright]:
    with sync_playwright() as driver:
        yield driver


@pytest.fixture(scope="session")
def chromium(playwright_driver: Playwright, chromium_path: str) -> Iterator[Browser]:
    browser = playwright_driver.chromium.launch(executable_path=chromium_path, args=FLAGS)
    yield browser
    browser.close()


@pytest.fixture
def visiting(chromium: Browser) -> Iterator[Visiting]:
    """Opens a window: `visiting(address, size="phone", scheme="dark")`. A console message fails the test."""
    contexts: list[BrowserContext] = []
    visits: list[Visit] = []

    def visit(address: str, *, size: str = "desktop", scheme: Any = "light", **more: Any) -> Visit:
        context = chromium.new_context(viewport=SIZES[size], color_scheme=scheme, **more)  # type: ignore[arg-type]
        contexts.append(context)
        page = context.new_page()
        opened = Visit(address, page, [])

        def complain(message: ConsoleMessage) -> None:
            if "status of 4" not in message.text:  # the browser reports every refused form; those are meant
                opened.complaints.append(f"{message.type}: {message.text}")

        page.on("console", complain)
        page.on("pageerror", lambda error: opened.complaints.append(f"error: {error}"))
        visits.append(opened)
        return opened

    yield visit
    for context in contexts:
        context.close()
    assert [complaint for one in visits for complaint in one.complaints] == []


@pytest.fixture
def served(sqlite_url: str) -> Iterator[Served]:
    """The small invented plant of the feature tests, with a browser's address."""
    database = Database(sqlite_url)
    plant = Plant(database)
    with serving(plant.app) as address:
        yield Served(plant, address)
    database.close()


@pytest.fixture(scope="session")
def served_demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedDemo]:
    from service.cli import register_installation

    url = f"sqlite:///{tmp_path_factory.mktemp('demo') / 'demo.db'}"
    migrate(url)
    database = Database(url)
    loaded = load_demo(database, register_installation, lambda done, total: None)
    assert loaded.visitor_key is not None
    app = create_app(Settings(url, "https://trace.example.com"), make_writer(database))
    with serving(app) as address:
        yield ServedDemo(address, loaded, loaded.visitor_key)
    database.close()
