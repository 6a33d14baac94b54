"""The HTTP service: routers, refusals, request ids, body limit. No logic of its own."""

import re
import secrets
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Request, Response
from sqlalchemy import text

from service.balances.derive import derive_lineage
from service.balances.record import revise_balances
from service.balances.routes import routes as balance_routes
from service.balances.routes_period import routes as period_routes
from service.counts.routes import routes as count_routes
from service.db import Database
from service.examples import described
from service.lineage.routes import routes as lineage_routes
from service.lots.routes import routes as lot_routes
from service.pages.balances.routes import routes as balance_pages
from service.pages.card import find_card
from service.pages.floor.routes import routes as floor_pages
from service.pages.frame import static_routes
from service.pages.gate.routes import routes as gate_pages
from service.pages.home import routes as home_pages
from service.pages.lots.routes import routes as lot_pages
from service.pages.recall.routes import routes as recall_pages
from service.pages.scan import pages_router
from service.papers.routes import routes as paper_routes
from service.partners.routes import routes as partner_routes
from service.plant.routes import routes as plant_routes
from service.problems import BODY_TOO_LARGE, problem_response, register_problem_handlers
from service.recall.routes import routes as recall_routes
from service.runs.routes import routes as run_routes
from service.settings import Settings
from service.unit_of_work import FollowUp, Writer
from service.vessels.routes import routes as vessel_routes
from service.weighbridge.routes import routes as weighbridge_routes

FEATURE_ROUTES = (
    plant_routes,
    partner_routes,
    weighbridge_routes,
    lot_routes,
    run_routes,
    vessel_routes,
    lineage_routes,
    balance_routes,
    period_routes,
    count_routes,
    paper_routes,
    recall_routes,
)
PAGES = (static_routes, home_pages, gate_pages, floor_pages, lot_pages, recall_pages, balance_pages)
# Forms with a photo straight from a phone; everything else keeps to the ordinary limit.
TAKES_A_PHOTO = re.compile(r"/gate/tickets/\d+/remarks|/scan/photo")
FOLLOW_UPS: tuple[FollowUp, ...] = (revise_balances, derive_lineage)


def make_writer(database: Database, **replaced: Any) -> Writer:
    """The writer that the service, the command line and the demo share: the same verbs, the same follow-ups."""
    return Writer(database, FOLLOW_UPS, **replaced)


class Service(FastAPI):
    """The application; its OpenAPI document carries examples, refusals, keys and headers."""

    def openapi(self) -> dict[str, Any]:
        if self.openapi_schema is None:
            self.openapi_schema = described(super().openapi())
        return self.openapi_schema


def random_request_id() -> str:
    return secrets.token_hex(8)


def create_app(
    settings: Settings, writer: Writer | None = None, request_id: Callable[[], str] = random_request_id
) -> Service:
    """The service on one database.

    Parameters
    ----------
    settings : see `service.settings`.
    writer : for tests: one with a frozen clock.
    request_id : replaceable so that a test can repeat an answer byte for byte: the journal covers it.
    """
    own_writer = writer or make_writer(Database(settings.database_url))

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        own_writer.database.close()

    app = Service(
        title="bale-to-pellet",
        version="1",
        summary="Lot lineage and mass balance of a food-grade PET recycling line.",
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
    )
    app.state.writer = own_writer
    app.state.settings = settings
    register_problem_handlers(app)
    for routes in FEATURE_ROUTES:
        app.include_router(routes)
    for routes in (*PAGES, pages_router(find_card)):
        app.include_router(routes)
    _identify_and_limit(app, settings, request_id)
    app.get("/healthz", tags=["service"])(get_healthz)
    app.get("/readyz", tags=["service"])(get_readyz)
    return app


def _identify_and_limit(app: FastAPI, settings: Settings, request_id: Callable[[], str]) -> None:
    @app.middleware("http")
    async def identify_and_limit(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
        request.state.request_id = request_id()
        with_photo = TAKES_A_PHOTO.fullmatch(request.url.path) is not None
        body_bytes_max = settings.photo_bytes_max if with_photo else settings.body_bytes_max
        if await _exceeds(request, body_bytes_max):
            response = problem_response(
                request, 413, *BODY_TOO_LARGE, f"Send at most {body_bytes_max:,} bytes in one request."
            )
        else:
            response = await call_next(request)
        response.headers["X-Request-Id"] = request.state.request_id
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response


async def _exceeds(request: Request, body_bytes_max: int) -> bool:
    """Whether a body is too large; one that does not say its length is read only as far as the limit."""
    declared = request.headers.get("content-length", "")
    if declared.isdecimal():
        return len(declared) > 18 or int(declared) > body_bytes_max
    if "transfer-encoding" not in request.headers:
        return False
    received = b""
    async for chunk in request.stream():
        received += chunk
        if len(received) > body_bytes_max:
            return True
    request._body = received  # read once; the routes find it where Starlette keeps a read body
    return False


def get_healthz() -> dict[str, str]:
    """The process answers."""
    return {"status": "alive"}


def get_readyz(request: Request) -> dict[str, str]:
    """The database answers."""
    with request.app.state.writer.database.read() as session:
        session.execute(text("SELECT 1"))
    return {"status": "ready"}
