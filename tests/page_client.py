"""A person at a page, without a browser: logs in, opens pages, fills forms in and sends them as a browser would.

Forms are read out of the HTML, hidden fields and all, so a test cannot send what the page does not offer.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import urlsplit

from fastapi.testclient import TestClient
from httpx2 import Response
from plant_fixture import KEY, Plant

from service.core.quantities import GROUP_MARK

Pairs = list[tuple[str, str]]


@dataclass
class FormSeen:
    """A form of a page: where it goes, and what stands in it."""

    action: str
    method: str
    fields: Pairs = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    buttons: Pairs = field(default_factory=list)

    def value(self, name: str) -> str:
        return dict(self.fields)[name]


@dataclass
class PageSeen:
    """What a person sees of an answer."""

    status: int
    path: str
    html: str
    text: str
    forms: list[FormSeen]
    links: list[str]
    headers: Any

    def form(self, action_end: str) -> FormSeen:
        """The one form whose action ends so."""
        found = [form for form in self.forms if form.action.endswith(action_end)]
        assert len(found) == 1, f"{len(found)} forms go to …{action_end}: {[form.action for form in self.forms]}"
        return found[0]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[FormSeen] = []
        self.links: list[str] = []
        self.words: list[str] = []
        self._area: str | None = None
        self._select: str | None = None
        self._first_option: str | None = None
        self._chosen: str | None = None
        self._silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag in ("script", "style", "title"):
            self._silent += 1
        if tag == "a" and "href" in given:
            self.links.append(given["href"])
        if tag == "form":
            self.forms.append(FormSeen(given.get("action", ""), given.get("method", "get").lower()))
        if not self.forms:
            return
        form, name = self.forms[-1], given.get("name", "")
        if tag in ("input", "select", "textarea") and name:
            form.names.append(name)
        if tag == "input" and name and given.get("type") != "file":
            chosen = given.get("type") not in ("checkbox", "radio") or "checked" in given
            if chosen:
                form.fields.append((name, given.get("value", "")))
        elif tag == "textarea" and name:
            self._area = name
            form.fields.append((name, ""))
        elif tag == "select" and name:
            self._select, self._first_option, self._chosen = name, None, None
        elif tag == "option" and self._select:
            self._first_option = self._first_option if self._first_option is not None else given.get("value", "")
            if "selected" in given:
                self._chosen = given.get("value", "")
        elif tag == "button" and name:
            form.buttons.append((name, given.get("value", "")))

    def handle_endtag(self, tag: str) -> None:
        if tag in ("script", "style", "title"):
            self._silent -= 1
        if tag == "textarea":
            self._area = None
        if tag == "select" and self._select:
            chosen = self._chosen if self._chosen is not None else self._first_option
            self.forms[-1].fields.append((self._select, chosen or ""))
            self._select = None

    def handle_data(self, data: str) -> None:
        if self._area is not None:
            name, value = self.forms[-1].fields[-1]
            self.forms[-1].fields[-1] = (name, (value + data).removeprefix("\n") if not value else value + data)
        elif not self._silent:
            self.words.append(data)


def read_page(response: Response) -> PageSeen:
    reader = _Reader()
    reader.feed(response.text)
    # Digits are grouped for the eye by a space of their own; tests compare figures, not how they are set.
    text = " ".join(" ".join(reader.words).replace(GROUP_MARK, "").split())
    path = urlsplit(str(response.url)).path
    return PageSeen(response.status_code, path, response.text, text, reader.forms, reader.links, response.headers)


class PageClient:
    """A browser without the window: keeps cookies, follows redirects, says where a form comes from."""

    def __init__(self, plant: Plant, *, key: str | None = KEY) -> None:
        self.plant = plant
        self.client = TestClient(plant.app, raise_server_exceptions=False)
        self.origin = {"Origin": "http://testserver"}
        if key is not None:
            self.log_in(key)

    def log_in(self, key: str = KEY) -> PageSeen:
        page: PageSeen = self.send("/log-in", {"key": key, "path": "/"})
        return page

    def get(self, path: str, *, status: int = 200) -> PageSeen:
        page = read_page(self.client.get(path))
        assert page.status == status, page.text
        return page

    def send(self, path: str, fields: dict[str, Any] | Pairs, *, files: Any = None, status: int | None = None) -> Any:
        """Post fields as a browser does; a list value sends the field several times."""
        response = self.client.post(path, data=dict_of(fields), files=files, headers=self.origin)
        page = read_page(response)
        assert status is None or page.status == status, f"{page.status}: {page.text}"
        return page

    def fill(
        self, page: PageSeen, action_end: str, *, status: int = 200, files: Any = None, button: str = "", **typed: Any
    ) -> PageSeen:
        """Fill in a form of a page and send it; what is not named stays as the page has it."""
        form = page.form(action_end)
        unknown = set(typed) - set(form.names)
        assert not unknown, f"the form has no fields {sorted(unknown)}, only {form.names}"
        kept = [(name, value) for name, value in form.fields if name not in typed]
        given: Pairs = []
        for name, value in typed.items():
            given += [(name, one) for one in (value if isinstance(value, list) else [value])]
        if button:
            given.append(next(pair for pair in form.buttons if button in pair))
        sent: PageSeen = self.send(form.action, kept + given, files=files, status=status)
        return sent


def dict_of(fields: dict[str, Any] | Pairs) -> dict[str, Any]:
    """Fields by name, with a list where one stands several times."""
    if isinstance(fields, dict):
        return fields
    found: dict[str, Any] = {}
    for name, value in fields:
        if name not in found:
            found[name] = value
        else:
            earlier = found[name] if isinstance(found[name], list) else [found[name]]
            found[name] = [*earlier, value]
    return found
