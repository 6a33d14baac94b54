"""The one shape of every refusal: RFC 9457 problem details with a code, a remedy and findings by field."""

import re
from typing import Any

MEMBERS = {"type", "title", "status", "detail", "instance", "code", "remedy", "errors"}


def problem_of(response: Any, status: int, code: str) -> Any:
    """The body of a refusal, after everything that every refusal has was checked.

    `instance` names the request, and the header X-Request-Id names the same one.
    """
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    body = response.json()
    assert set(body) == MEMBERS
    assert (body["status"], body["code"]) == (status, code), body
    assert body["type"] == f"urn:bale-to-pellet:problem:{code}"
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", code)
    assert re.fullmatch(r"urn:bale-to-pellet:request:[0-9a-f]{16}", body["instance"])
    assert response.headers["x-request-id"] == body["instance"].rpartition(":")[2]
    for words in ("title", "detail", "remedy"):
        assert body[words].strip(), words
    for finding in body["errors"]:
        assert set(finding) == {"pointer", "detail", "remedy"}
        assert finding["pointer"] == "" or finding["pointer"].startswith("/")
        assert finding["detail"].strip()
        assert finding["remedy"].strip()
    return body
