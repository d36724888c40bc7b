"""Small things that every page needs: forms with their token, JSON or HTML, errors as pages and objects."""

from __future__ import annotations

import hmac
import json
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final, cast
from urllib.parse import parse_qsl

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from crestgauge.cli.review.errors import Refused
from crestgauge.cli.review.state import Session

if TYPE_CHECKING:
    from crestgauge.cli.review.site import Site

MOST_FIELDS: Final = 400
CSRF_FIELD, CSRF_HEADER = "csrf", "x-csrf-token"
TITLES: Final = {
    400: "Not understood",
    401: "Not paired",
    403: "Not allowed",
    404: "Not here",
    409: "Changed meanwhile",
    413: "Too large",
    421: "Wrong address",
    422: "Not possible",
    429: "Too many tries",
    503: "Busy",
}


def session_of(request: Request) -> Session:
    """The session that the guard found."""
    return cast(Session, request.scope["state"]["session"])


def site_of(request: Request) -> Site:
    """The server that a request came to."""
    return cast("Site", request.app.state.site)


def wants_json(request: Request) -> bool:
    """Whether the answer is to be JSON: by the path's end, or what the client accepts."""
    if request.url.path.endswith(".json"):
        return True
    accepts = request.headers.get("accept", "")
    return "application/json" in accepts and "text/html" not in accepts


def check_csrf(session: Session, given: str) -> None:
    """
    Raises
    ------
    Refused
        If the form token is not this session's.
    """
    if not session.csrf or not hmac.compare_digest(given.encode(), session.csrf.encode()):
        raise Refused(403, "This page is no longer good for sending. Load it again, and send it once more.")


async def read_form(request: Request) -> dict[str, str]:
    """
    The fields of a plain form whose token is right.

    Raises
    ------
    Refused
        If it is no such form, or the token is wrong.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise Refused(415, "form: needs application/x-www-form-urlencoded, as the page sends it.")
    try:
        text = (await request.body()).decode("ascii")
        fields = dict(parse_qsl(text, keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict"))
    except ValueError as error:  # also UnicodeDecodeError
        raise Refused(400, "form: cannot be taken apart. Load the page again.") from error
    check_csrf(session_of(request), request.headers.get(CSRF_HEADER) or fields.get(CSRF_FIELD, ""))
    return fields


async def read_json(request: Request) -> bytes:
    """
    The body of a JSON request whose token is right.

    Raises
    ------
    Refused
        If it is no JSON request, or the token is wrong.
    """
    if not is_json(request):
        raise Refused(415, "needs application/json.")
    check_csrf(session_of(request), request.headers.get(CSRF_HEADER, ""))
    return await request.body()


def is_json(request: Request) -> bool:
    """Whether the body is JSON."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    return kind == "application/json"


def json_answer(values: object, status: int = 200, *, kind: str = "application/json") -> Response:
    """Plain values as JSON."""
    text = json.dumps(values, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Response(text, status_code=status, media_type=kind, headers={"vary": "Accept"})


def html_answer(text: str, status: int = 200) -> Response:
    """A page."""
    return HTMLResponse(text, status_code=status, headers={"vary": "Accept"})


def go_to(path: str) -> Response:
    """Answer to a form: look there (303)."""
    return RedirectResponse(path, status_code=303)


def problem(status: int, words: str) -> dict[str, Any]:
    """A problem as an object (RFC 9457), with ``error`` for our own script."""
    return {
        "type": "about:blank",
        "title": title_of(status),
        "status": status,
        "detail": words,
        "error": words,
    }


def title_of(status: int) -> str:
    """What a status is called on the page."""
    return TITLES.get(status) or HTTPStatus(status).phrase


def refusal(site: Site, request: Request, refused: Refused) -> Response:
    """An error as a page, or as an object where that was asked for."""
    if wants_json(request) or (is_json(request) and request.method == "POST"):
        answer = json_answer(
            problem(refused.status, refused.words), refused.status, kind="application/problem+json"
        )
    else:
        session = request.scope.get("state", {}).get("session") or Session(id="", csrf="")
        page = site.render("error.html", session, title=title_of(refused.status), error=refused.words)
        answer = html_answer(page, refused.status)
    if refused.retry_s is not None:
        answer.headers["retry-after"] = str(refused.retry_s)
    return answer
