"""Every refusal as RFC 9457 problem details, in one place. Nothing below the routes knows a status number."""

import json
import logging
from reprlib import Repr
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
    "The body is too large; nothing was changed.",
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


# What to do about each kind of fault that the schema finds; the fallback names the documentation.
REMEDY_OF = {
    "missing": "Add this field.",
    "extra_forbidden": "Remove this field, or check its spelling.",
    "json_invalid": "Send valid JSON (RFC 8259).",
    "enum": "Use one of the listed words.",
    "literal_error": "Use one of the listed words.",
    "model_attributes_type": "Send a JSON object here, with Content-Type: application/json.",
    "list_type": "Send a list here, in square brackets.",
    "string_type": "Send text in quotation marks.",
    "int_parsing": "Send a whole number.",
    "int_type": "Send a whole number.",
    "unstorable_text": "Take this character out.",
    "timezone_aware": "Give the time with its offset, e.g. 2026-03-09T08:00:00+01:00, or with Z.",
    "datetime_from_date_parsing": "Give date, time and offset, e.g. 2026-03-09T08:00:00Z.",
    "datetime_parsing": "Give an RFC 3339 time, e.g. 2026-03-09T08:00:00Z.",
    "value_error": "Correct the value as the message says.",
    "rule": "Correct the fields as the message says.",
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
    request_id = getattr(request.state, "request_id", "unknown")
    body = {
        "type": f"urn:bale-to-pellet:problem:{code}",
        "title": title,
        "status": status,
        "detail": detail,
        "instance": f"urn:bale-to-pellet:request:{request_id}",
        "code": code,
        "remedy": remedy,
        "errors": [vars(finding) for finding in findings],
    }
    # An unknown field may be named by half a surrogate pair, which UTF-8 cannot write.
    content = json.dumps(body, ensure_ascii=False).encode(errors="backslashreplace")
    # The answer to a crash is made outside of what names every other answer, so it is named here.
    named = {"X-Request-Id": request_id} | (headers or {})
    return Response(content, status_code=status, media_type=MEDIA_TYPE, headers=named)


def finding_of(error: dict[str, Any]) -> Finding:
    """One schema fault in this project's words, with the value that was given."""
    kind = str(error["type"])
    if kind == "json_invalid":
        # The location is a byte offset, not a field: a pointer to "/1" would name nothing.
        where = error["loc"][-1] if error["loc"] else "?"
        reason = error.get("ctx", {}).get("error", "")
        return Finding("", f"not valid JSON at character {where}: {reason}", REMEDY_OF[kind])
    context = error.get("ctx") or {}
    pointer = "".join(f"/{str(part).replace('~', '~0').replace('/', '~1')}" for part in error["loc"][1:])
    pointer += str(context.get("below", ""))
    given = "" if kind == "missing" else f" (given: {_SHORT.repr(error.get('input'))})"
    message = str(error["msg"]).removeprefix("Value error, ")
    if error["loc"][0] != "body":
        message = f"{error['loc'][0]} parameter: {message}"
    if kind == "missing" and not pointer:
        return Finding("", "there is no body", REMEDY_OF["model_attributes_type"])
    remedy = REMEDY_OF.get(kind, "Correct the value; the API description lists what is accepted.")
    return Finding(pointer, f"{message}{given}", remedy)


# Bounded in depth as well as in length: a value may be nested as deeply as the reader of JSON allows.
_SHORT = Repr()
_SHORT.maxlevel = _SHORT.maxdict = _SHORT.maxlist = 3
_SHORT.maxstring = _SHORT.maxlong = _SHORT.maxother = 60


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
        request_id = getattr(request.state, "request_id", "unknown")
        log.exception(
            "unexpected failure in %s %s, request %s", request.method, request.url.path, request_id, exc_info=error
        )
        return problem_response(
            request,
            500,
            "internal-failure",
            "Our fault",
            "Something failed here; nothing was stored.",
            "Send it again with the same idempotency key; if it fails again, report the instance number.",
        )
