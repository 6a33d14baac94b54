"""The start page, the log-in, the choice of a plant and the help: what stands before any desk."""

import json

from fastapi import Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy import select
from sqlmodel import Session, col

from service.access.queries import credential_behind
from service.access.sessions import LENGTH, choose_site, end_session, find_session, start_session
from service.errors import Unauthenticated
from service.journal.read import current
from service.lots.tables import Process
from service.pages.desk import (
    AtDesk,
    Fields,
    NeedsLogIn,
    Visitor,
    cookie_name,
    local_path,
    log_in_page,
    page_router,
)
from service.pages.forms import KEY_FIELD, PostedIn
from service.pages.frame import PAGE_HEADERS, page
from service.plant.queries import get_by_code
from service.plant.tables import Site
from service.runs.queries import count_open_runs
from service.unit_of_work import Writer
from service.web import NO_XML_CHARACTER, Read
from service.weighbridge.tables import Delivery
from service.weighbridge.ticket_list import list_deliveries

routes = page_router()
OPEN_TICKETS_MAX = 100


@routes.get("/")
def get_home(desk: Visitor, session: Read) -> Response:
    """What to do next; for a stranger, what this is."""
    if desk is None:
        return page("home.html", is_new=not _is_there(session, Site))
    tickets = list_deliveries(session, site_no=desk.site.site_no, open_only=True, limit=OPEN_TICKETS_MAX)
    open_runs = count_open_runs(session, desk.site.site_no)
    return page("home.html", desk=desk, open_tickets=len(tickets), open_runs=open_runs, place="/")


@routes.get("/help")
def get_help(desk: Visitor, session: Read) -> Response:
    """How the first run goes, and a paragraph for each desk."""
    done = {
        "plant": _is_there(session, Site),
        "truck": _is_there(session, Delivery),
        "run": _is_there(session, Process),
    }
    return page("help.html", desk=desk, done=done, place="/help")


def _is_there(session: Session, table: type[Site] | type[Delivery] | type[Process]) -> bool:
    return session.execute(select(col(table.id)).limit(1)).first() is not None


@routes.get("/log-in")
def get_log_in(desk: Visitor, path: str = "/") -> Response:
    """The form for a key."""
    if desk is not None:
        return RedirectResponse(local_path(path), 303, PAGE_HEADERS)
    return log_in_page(200, path=path)


@routes.post("/log-in")
def post_log_in(request: Request, posted: PostedIn, session: Read) -> Response:
    """Check a key, give a cookie, and go on where the person was stopped."""
    writer: Writer = request.app.state.writer
    path, kept = local_path(posted.one("path")), kept_fields(posted.one("kept"))
    key = posted.one("key").strip()
    try:
        credential_behind(session, key, writer.clock())  # before anything is written: a guess costs one read
        cookie = writer.database.write(lambda writing: start_session(writing, key, writer.clock(), None))
    except Unauthenticated:
        fault = "This key is unknown, has expired or was taken back. Keys are made on the server: keys add."
        return log_in_page(401, path=path, kept=kept, fault=fault)
    if kept:
        shown = [(name.replace("_", " "), value) for name, value in kept if value and name != KEY_FIELD]
        response: Response = page("resume.html", path=path, kept=kept, shown=shown, back="/")
    else:
        response = RedirectResponse(path, 303, PAGE_HEADERS)
    is_https = request.url.scheme == "https"
    response.set_cookie(
        cookie_name(request),
        cookie,
        max_age=int(LENGTH.total_seconds()),
        path="/",
        secure=is_https,
        httponly=True,
        samesite="lax",  # strict would ask for the key again after each scan with the phone's own camera
    )
    return response


def kept_fields(text: str) -> Fields:
    """The fields of a form that was stopped by the log-in; whatever else stands there counts as none."""
    try:
        pairs = json.loads(text) if text else []
        return tuple(
            (NO_XML_CHARACTER.sub("", name), NO_XML_CHARACTER.sub("", value))
            for name, value in pairs
            if isinstance(name, str) and isinstance(value, str)
        )
    except (ValueError, TypeError, RecursionError):
        return ()


@routes.post("/log-out")
def post_log_out(request: Request) -> Response:
    """End this log-in on the server, and forget the cookie."""
    writer: Writer = request.app.state.writer
    name = cookie_name(request)
    if cookie := request.cookies.get(name):
        writer.database.write(lambda session: end_session(session, cookie, writer.clock()))
    response = RedirectResponse("/", 303, PAGE_HEADERS)
    response.delete_cookie(name, path="/", secure=request.url.scheme == "https", httponly=True, samesite="lax")
    return response


@routes.get("/site")
def get_site(desk: AtDesk, session: Read, path: str = "/") -> Response:
    """Which plant one works at."""
    sites = session.execute(current(Site).order_by(col(Site.site_no))).scalars().all()
    return page("site.html", desk=desk, sites=sites, path=local_path(path))


@routes.post("/site")
def post_site(request: Request, posted: PostedIn, session: Read) -> Response:
    """Work at another plant from now on."""
    writer: Writer = request.app.state.writer
    cookie = request.cookies.get(cookie_name(request))
    if cookie is None or find_session(session, cookie, writer.clock()) is None:
        raise NeedsLogIn("/site")
    site_no = get_by_code(session, Site, NO_XML_CHARACTER.sub("", posted.one("site"))).site_no
    writer.database.write(lambda writing: choose_site(writing, cookie, site_no))
    return RedirectResponse(local_path(posted.one("path")), 303, PAGE_HEADERS)
