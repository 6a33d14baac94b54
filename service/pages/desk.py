"""Who stands at a page, and where a form comes from.

A person logs in with the bearer key of an actor and gets a cookie that the server can take back. Pages look
at the cookie only and the `/v1` interface at the bearer key only, so neither can be used for the other.
"""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Path, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from sqlmodel import Session, col

from service.access.sessions import find_session
from service.access.tables import Actor
from service.errors import DomainError, Forbidden
from service.journal.read import current, find_current, text_of
from service.pages.frame import HTTPS_ONLY, page
from service.plant.tables import Site
from service.problems import status_of
from service.unit_of_work import Writer
from service.web import IDS_END, NO_XML_CHARACTER, Read

log = logging.getLogger("service")

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
PathId = Annotated[int, Path(ge=1, lt=IDS_END)]
Fields = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Desk:
    """A person logged in at a plant.

    Parameters
    ----------
    session : one snapshot of the database for the whole request.
    site : the plant worked at.
    sites : how many plants there are; with one there is nothing to choose.
    """

    writer: Writer
    session: Session
    actor_id: int
    name: str
    site: Site
    sites: int
    now: datetime
    request_id: str

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.site.zone)

    def local(self, moment: datetime) -> datetime:
        """A moment in the plant's own time, for people."""
        return moment.astimezone(self.zone)


@dataclass
class NeedsLogIn(Exception):
    """A page that only people of the plant may open was asked for without a log-in that is valid now.

    Parameters
    ----------
    path : where to go on afterwards.
    kept : the fields of the form that was sent, so that nothing typed is lost.
    """

    path: str
    kept: Fields = ()


@dataclass
class NeedsSite(Exception):
    """Logged in, but there is more than one plant, or none, and none was chosen."""

    path: str
    sites: list[Site]


def cookie_name(request: Request) -> str:
    """On HTTPS the browser itself sees to it that a `__Host-` cookie is ours alone (RFC 6265bis section 4.1.3)."""
    return "__Host-b2p-desk" if request.url.scheme == "https" else "b2p-desk"


def find_desk(request: Request, session: Session) -> Desk | None:
    """Who is logged in and where; None for a stranger.

    Raises
    ------
    NeedsSite : logged in, with no plant chosen.
    """
    writer: Writer = request.app.state.writer
    now = writer.clock()
    browser = find_session(session, request.cookies.get(cookie_name(request)), now)
    if browser is None:
        return None
    sites = list(session.execute(current(Site).order_by(col(Site.site_no))).scalars())
    site = next((site for site in sites if site.site_no == browser.site_no), None)
    if site is None and len(sites) == 1:
        site = sites[0]
    if site is None:
        raise NeedsSite(asked_for(request), sites)
    actor = find_current(session, Actor, browser.actor_id)
    name = (actor and text_of(session, actor.name_id)) or "(name erased)"
    return Desk(writer, session, browser.actor_id, name, site, len(sites), now, request.state.request_id)


def _visitor(request: Request, session: Read) -> Desk | None:
    return find_desk(request, session)


def _desk(request: Request, session: Read) -> Desk:
    desk = find_desk(request, session)
    if desk is None:
        raise NeedsLogIn(asked_for(request))
    return desk


Visitor = Annotated[Desk | None, Depends(_visitor)]
AtDesk = Annotated[Desk, Depends(_desk)]


def asked_for(request: Request) -> str:
    """Path and query of the page asked for."""
    query = f"?{request.url.query}" if request.url.query else ""
    return f"{request.url.path}{query}"


def local_path(path: str | None, otherwise: str = "/") -> str:
    """A path on this server to go on to; anything that could lead elsewhere becomes `otherwise`.

    Examples
    --------
    >>> local_path("/gate/tickets/7?done=tare"), local_path("//elsewhere.example/x"), local_path("https://x.example")
    ('/gate/tickets/7?done=tare', '/', '/')
    """
    if path is None or not path.startswith("/") or path.startswith("//") or "\\" in path or not path.isprintable():
        return otherwise
    return path


def refuse_foreign(request: Request) -> None:
    """Refuse a form that another site's page had this browser send.

    `Sec-Fetch-Site` says where a request comes from; browsers leave it out on plain HTTP, and then `Origin`
    must name this very server. Programs that send neither have no business with the pages; they use `/v1`.

    Raises
    ------
    Forbidden : the form comes from elsewhere, or does not say where it comes from.
    """
    fetched_from = request.headers.get("sec-fetch-site")
    origin = request.headers.get("origin")
    if fetched_from is not None:
        own = fetched_from in ("same-origin", "none")
    else:
        # Compared as text: an origin has one spelling (RFC 6454 section 6.2), and no address has to be parsed.
        own = origin == f"{request.url.scheme}://{request.headers.get('host', '')}"
    if not own:
        raise Forbidden(
            "form-from-elsewhere",
            "This form was not sent by a page of this server; nothing was changed.",
            "Open the page here and send it again. A program uses the interface under /v1 with a bearer key.",
        )


class PageRoute(APIRoute):
    """A route for people: forms are checked for where they come from, and every refusal is a page in words."""

    def get_route_handler(self) -> Callable[[Request], Any]:
        handler = super().get_route_handler()

        async def in_words(request: Request) -> Response:
            try:
                if request.method not in SAFE_METHODS:
                    refuse_foreign(request)
                if any(NO_XML_CHARACTER.search(str(part)) for part in stated(request)):
                    return page("nothing_here.html", 404)
                response: Response = await handler(request)
            except NeedsLogIn as lack:
                response = log_in_page(401, path=lack.path, kept=lack.kept)
            except NeedsSite as lack:
                response = page("site.html", 409 if lack.sites else 503, path=lack.path, sites=lack.sites)
            except DomainError as error:
                response = refusal_page(error)
            except RequestValidationError:
                response = page("nothing_here.html", 404)
            except Exception:  # its text goes to the log, never to a person
                request_id = request.state.request_id
                log.exception("unexpected failure in %s %s, request %s", request.method, request.url.path, request_id)
                response = page("our_fault.html", 500, request_id=request_id)
            if request.url.scheme == "https":
                response.headers.update(HTTPS_ONLY)
            return response

        return in_words


def stated(request: Request) -> list[object]:
    """Everything an address says; a character that nothing stored can hold names nothing here."""
    return [*request.path_params.values(), *(value for _, value in request.query_params.multi_items())]


def page_router() -> APIRouter:
    """A router for pages; they are no part of the API description."""
    return APIRouter(include_in_schema=False, route_class=PageRoute)


def log_in_page(status: int, *, path: str, kept: Fields = (), fault: str = "") -> Response:
    """The page to log in, carrying along whatever had been typed into a form."""
    return page("log_in.html", status, path=local_path(path), kept=kept, fault=fault)


def refusal_page(error: DomainError) -> Response:
    """A refusal that belongs to no form: what, and what to do."""
    return page("refusal.html", status_of(error), error=error)
