"""What every page is drawn with: templates, style sheet and scripts, and the headers that go with them.

Static files live under an address that holds the digest of all of them, so a browser may keep them for ever
and one script may import another by a relative name.
"""

import hashlib
from pathlib import Path
from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from service.core.quantities import grouped
from service.labels.tag import NOTICE, grouped_code

HERE = Path(__file__).parent
STATIC = HERE / "static"
MEDIA_TYPES = {".css": "text/css", ".js": "text/javascript"}

# Nothing inline and nothing from elsewhere, so escaped text that slips through still runs nothing.
PAGE_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
        "connect-src 'self'; font-src 'self'; media-src 'self' blob:; worker-src 'self'; "
        "manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # Not no-referrer: a form would then be posted with the origin "null", which the origin check refuses.
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), microphone=(), geolocation=()",
    "Cross-Origin-Resource-Policy": "same-origin",
}
# Sent where HTTPS is in use already: elsewhere browsers ignore a year of HTTPS only (RFC 6797 section 8.1), and
# complain about the other one on each page.
HTTPS_ONLY = {"Strict-Transport-Security": "max-age=31536000", "Cross-Origin-Opener-Policy": "same-origin"}

_FILES = {file.name: file.read_bytes() for file in sorted(STATIC.iterdir()) if file.suffix in MEDIA_TYPES}
_VERSION = hashlib.sha256(b"".join(_FILES.values())).hexdigest()[:12]

templates = Environment(
    loader=FileSystemLoader(HERE / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)


def static_url(name: str) -> str:
    """Address of a style sheet or script.

    Raises
    ------
    KeyError : there is no such file.
    """
    if name not in _FILES:
        raise KeyError(name)
    return f"/static/{_VERSION}/{name}"


templates.globals |= {"static_url": static_url, "notice": NOTICE}
templates.filters |= {
    "code": grouped_code,
    "kg": lambda text: None if text is None else kg_shown(text),
}


def kg_shown(text: str) -> str:
    """A mass for a person: 24440.000 is read more surely as 24 440; to compute with it, take it from the interface."""
    return grouped(text.removesuffix(".000"))


def page(template: str, status: int = 200, *, headers: dict[str, str] | None = None, **words: Any) -> HTMLResponse:
    """A page as a response, never cached: a hold placed a minute ago must be on it.

    Parameters
    ----------
    template : file under templates/.
    words : what the template names; one that is missing is an error, not an empty place. `desk` (who is
        logged in, or None) is always there.
    """
    words.setdefault("desk", None)
    html = templates.get_template(template).render(**words)
    return HTMLResponse(html, status, PAGE_HEADERS | {"Cache-Control": "no-store"} | (headers or {}))


static_routes = APIRouter(include_in_schema=False)


@static_routes.get("/static/{version}/{name}")
def get_static(version: str, name: str) -> Response:
    """A style sheet or script."""
    if name not in _FILES:
        return Response("No such file.", 404, media_type="text/plain", headers=PAGE_HEADERS)
    # An address of an earlier release still gets an answer, but nothing it could keep.
    keep = "public, max-age=31536000, immutable" if version == _VERSION else "no-cache"
    media_type = MEDIA_TYPES[Path(name).suffix]
    return Response(_FILES[name], media_type=media_type, headers=PAGE_HEADERS | {"Cache-Control": keep})
