"""What the browser tests share: a served plant, and a window on it."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from fastapi import FastAPI
from plant_fixture import KEY, Plant
from playwright.sync_api import Page

from service.demo.load import Loaded

SIZES = {"phone": {"width": 390, "height": 844}, "desktop": {"width": 1366, "height": 768}}


@contextmanager
def serving(app: FastAPI) -> Iterator[str]:
    """Serve an application on a free port of this machine; gives its address."""
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning", ws="none"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    give_up = time.monotonic() + 30
    while not server.started:
        if time.monotonic() > give_up:
            raise RuntimeError("the server did not start within 30 s")
        time.sleep(0.01)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(timeout=10)


@dataclass
class Visit:
    """A browser window on a served plant, and whatever it complained about."""

    address: str
    page: Page
    complaints: list[str]

    def open(self, path: str) -> Page:
        self.page.goto(f"{self.address}{path}")
        return self.page

    def look(self, name: str) -> None:
        """Keep a picture for a person to look at, where the variable SCREENSHOTS names a folder."""
        folder = os.environ.get("SCREENSHOTS")
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            self.page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)

    def log_in(self, key: str = KEY) -> None:
        self.open("/log-in")
        self.page.get_by_label("Your key").fill(key)
        self.page.keyboard.press("Enter")
        self.page.wait_for_url(f"{self.address}/")


Visiting = Callable[..., Visit]


@dataclass
class Served:
    """A plant and the address it is served under."""

    plant: Plant
    address: str


@dataclass
class ServedDemo:
    """The demo week, served; shared by the tests of one worker, which only read it."""

    address: str
    loaded: Loaded
    key: str
