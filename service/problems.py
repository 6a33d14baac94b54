"""Every refusal as RFC 9457 problem details, in one place. Nothing below the routes knows a status number."""

import json
import logging
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from service.errors import (
    BadRequest,
    Conflict,
    DomainError,
    Finding,
    Forbidden,
    NotFound,
    StorageBusy,
    Unacceptable,
    Unauthenticated,
)

log = logging.getLogger("service")

STATUS_OF: dict[type[DomainError], int] = {
    BadRequest: 400,
    NotFound: 404,
    Conflict: 409,
    Unacceptable: 422,
    Forbidden: 403,
    Unauthenticated: 401,
    StorageBusy: 503,
}
MEDIA_TYPE = "application/problem+json"
BODY_TOO_LARGE = (
    "body-too-large",
    "Too much in one request",
    "The body is too large; nothing was read of it.",
)


class ProblemError(BaseModel):
    """One field of the request and what is wrong with it."""

    pointer: str
    detail: str
    remedy: str


class Problem(BaseModel):
    """RFC 9457 problem details, with a stable code, the remedy and every finding of the request."""

    type: str
    title: str
    status: int
    detail: str
    instance: str
    code: str
    remedy: str
    errors: list[ProblemError]


REFUSALS: dict[int | str, dict[str, Any]] = {
    status: {"description": description, "content": {MEDIA_TYPE: {"schema": Problem.model_json_schema()}}}
    for status, description in {
        400: "The request cannot be read, or lacks a header it needs.",
        401: "No key, or one that is not known.",
        404: "There is no such thing.",
        409: "Collides with what is recorded; nothing was changed.",
        422: "A field or a rule refuses this; nothing was changed.",
    }.items()
}

# What to do about each kind of fault that the schema finds; the fallback names the documentation.
REMEDY_OF = {
    "missing": "Add this field.",
    "extra_forbidden": "Remove this field, or check its spelling.",
    "json_invalid": "Send valid JSON (RFC 8259).",
    "enum": "Use one of the listed words.",
    "timezone_aware": "Give the time with its offset, e.g. 2026-03-09T08:00:00+01:00, or with Z.",
    "datetime_from_date_parsing": "Give date, time and offset, e.g. 2026-03-09T08:00:00Z.",
    "datetime_parsing": "Give an RFC 3339 time, e.g. 2026-03-09T08:00:00Z.",
    "value_error": "Correct the value as the message says.",
}


def status_of(error: DomainError) -> int:
    for kind in type(error).__mro__:
        if kind in STATUS_OF:
            return STATUS_OF[kind]
    return 500


def problem_response(
    request: Request,
    status: int,
    code: str,
    title: str,
    detail: str,
    remedy: str,
    findings: tuple[Finding, ...] = (),
    headers: dict[str, str] | None = None,
) -> Response:
    body = {
        "type": f"urn:bale-to-pellet:problem:{code}",
        "title": title,
        "status": status,
        "detail": detail,
        "instance": f"urn:bale-to-pellet:request:{getattr(request.state, 'request_id', 'unknown')}",
        "code": code,
        "remedy": remedy,
        "errors": [vars(finding) for finding in findings],
    }
    return Response(json.dumps(body, ensure_ascii=False), status_code=status, media_type=MEDIA_TYPE, headers=headers)


def finding_of(error: dict[str, Any]) -> Finding:
    """One schema fault in this project's words, with the value that was given."""
    kind = str(error["type"])
    if kind == "json_invalid":
        # The location is a byte offset, not a field: a pointer to "/1" would name nothing.
        where = error["loc"][-1] if error["loc"] else "?"
        reason = error.get("ctx", {}).get("error", "")
        return Finding("", f"not valid JSON at character {where}: {reason}", REMEDY_OF[kind])
    pointer = "".join(f"/{str(part).replace('~', '~0').replace('/', '~1')}" for part in error["loc"][1:])
    given = "" if kind == "missing" else f" (given: {_shortened(error.get('input'))})"
    message = str(error["msg"]).removeprefix("Value error, ")
    remedy = REMEDY_OF.get(kind, "Correct the value; the API description lists what is accepted.")
    return Finding(pointer, f"{message}{given}", remedy)


def _shortened(value: Any) -> str:
    shown = repr(value)
    return shown if len(shown) <= 80 else shown[:77] + "..."


def register_problem_handlers(app: FastAPI) -> None:
    """One handler per family; the text of a crash goes to the log, never to the client."""

    @app.exception_handler(DomainError)
    def domain_error(request: Request, error: DomainError) -> Response:
        headers = {"Retry-After": "1"} if isinstance(error, StorageBusy) else None
        if isinstance(error, Unauthenticated):
            headers = {"WWW-Authenticate": "Bearer"}
        return problem_response(
            request,
            status_of(error),
            error.code,
            error.title,
            error.detail,
            error.remedy,
            error.findings,
            headers,
        )

    @app.exception_handler(RequestValidationError)
    def schema_error(request: Request, error: RequestValidationError) -> Response:
        findings = tuple(finding_of(dict(fault)) for fault in error.errors())
        unreadable = any(str(fault["type"]) == "json_invalid" for fault in error.errors())
        return problem_response(
            request,
            400 if unreadable else 422,
            "unreadable-json" if unreadable else "invalid-request",
            "The request cannot be read" if unreadable else "A field is not as it must be",
            f"{len(findings)} fault{'s' if len(findings) != 1 else ''} found; nothing was changed.",
            findings[0].remedy,
            findings,
        )

    @app.exception_handler(HTTPException)
    def http_error(request: Request, error: HTTPException) -> Response:
        words = {
            404: (
                "no-such-path",
                "There is nothing at this address.",
                "Look at /openapi.json for the paths.",
            ),
            405: ("method-not-allowed", "This address does not take that method.", "See the Allow header."),
        }
        code, detail, remedy = words.get(
            error.status_code, ("request-refused", str(error.detail), "Correct the request.")
        )
        headers = dict(error.headers) if error.headers else None
        return problem_response(request, error.status_code, code, "Refused", detail, remedy, (), headers)

    @app.exception_handler(Exception)
    def crash(request: Request, error: Exception) -> Response:
        log.exception("unexpected failure in %s %s", request.method, request.url.path, exc_info=error)
        return problem_response(
            request,
            500,
            "internal-failure",
            "Our fault",
            "Something failed here; nothing was stored.",
            "Send it again with the same idempotency key; if it fails again, report the instance number.",
        )
