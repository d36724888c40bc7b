"""
What stands before every page: the host's name, the size of the body, the session, and the headers of every
answer.

A plain ASGI wrapper, so that nothing behind it can be reached, or can answer, without it.

- Host: another site whose name is made to point here (DNS rebinding) arrives with its own name, and is
  refused. Addresses in numbers cannot be rebound.
- Origin: a form that another site sends is refused. Pages here send no referrer, so browsers call the origin
  of their forms "null" (Fetch standard, "append a request Origin header"); then Sec-Fetch-Site decides where
  the browser sends it, and the form token of the session always must be right (`crestgauge.cli.review.web`).
- Session: on the loopback address every browser gets one; on a network a device has to be paired first.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import MutableMapping
from typing import Any, Final

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from crestgauge.cli.review.errors import Refused
from crestgauge.cli.review.site import Site
from crestgauge.cli.review.state import SESSION_DAYS, Session, csrf_of
from crestgauge.cli.review.web import refusal, wants_json

BODY_BYTES: Final = 1 << 20
"""Of every request but an upload; corrections of a whole row are some 10 kB. [byte]"""
FORM_BYTES: Final = 1 << 16
"""What an upload's form may weigh beside the file. [byte]"""
CSP: Final = "; ".join(
    (
        "default-src 'none'",
        "img-src 'self'",
        "style-src 'self'",
        "script-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS: Final = {
    "content-security-policy": CSP,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "permissions-policy": "camera=(self), geolocation=(), microphone=(), payment=(), usb=(), serial=()",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "x-robots-tag": "noindex, nofollow",
}
OPEN_PATHS: Final = ("/pair", "/static/")
"""What a device that is not paired can reach."""
_HOST: Final = re.compile(r"(?:(?P<plain>[a-z0-9._-]{1,253})|\[(?P<six>[0-9a-f:.%]{2,64})\])(?::\d{1,5})?")
LOOPBACK: Final = frozenset({"localhost", "127.0.0.1", "::1"})


class Guard:
    """
    An application behind its guard.

    Parameters
    ----------
    app : ASGI application
    site : Site
    """

    def __init__(self, app: ASGIApp, site: Site) -> None:
        self.app, self.site = app, site
        self.cookie = f"crestgauge-{site.port}"
        self.own_names = LOOPBACK if not site.network else LOOPBACK | own_names(site.host)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        request = Request(scope)
        cookies: list[str] = []
        answer = with_headers(send, cookies)
        try:
            self._check_host(request)
            self._check_origin(request)
            limit = self._limit(request)
            session, new_token = await self._session(request)
            if new_token is not None:
                cookies.append(self._cookie(new_token, scope))
            scope.setdefault("state", {})
            scope["state"]["session"] = session
            scope["state"]["set_token"] = lambda token: cookies.append(self._cookie(token, scope))
            await self.app(scope, limited(receive, limit), answer)
        except Refused as refused:
            if refused.status == 401 and not wants_json(request) and request.method == "GET":
                await answer(
                    {"type": "http.response.start", "status": 303, "headers": [(b"location", b"/pair")]}
                )
                await answer({"type": "http.response.body", "body": b""})
                return
            await refusal(self.site, request, refused)(scope, receive, answer)

    def _check_host(self, request: Request) -> None:
        hosts = request.headers.getlist("host")
        name = host_name(hosts[0]) if len(hosts) == 1 else None
        if name is None or not (name in self.own_names or (self.site.network and is_address(name))):
            raise Refused(421, "This name does not lead here. Use the address that crestgauge printed.")

    def _check_origin(self, request: Request) -> None:
        if request.method in ("GET", "HEAD"):
            return
        origin = request.headers.get("origin", "null")
        if origin != "null" and origin != f"{request.scope['scheme']}://{request.headers['host']}":
            raise Refused(403, "This form was sent by another site. Use the page itself.")
        if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            raise Refused(403, "This form was sent by another site. Use the page itself.")

    def _limit(self, request: Request) -> int:
        """Bytes that the body may have."""
        upload = request.method == "POST" and request.url.path == "/new"
        limit = self.site.max_bytes + FORM_BYTES if upload else BODY_BYTES
        length = request.headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit():
            raise Refused(400, "content-length: no number.")
        if len(length) > 15 or int(length) > limit:
            raise Refused(413, f"Too large; at most {limit / 2**20:.0f} MB are taken here.")
        return limit

    async def _session(self, request: Request) -> tuple[Session, str | None]:
        """The session of a request and, where it is new, its token."""
        token = request.cookies.get(self.cookie, "")
        session = self.site.state.session(token) if token else None
        if session is not None:
            return session, None
        path = request.url.path
        if self.site.network:
            if not path.startswith(OPEN_PATHS):
                raise Refused(401, "This device is not paired. Open /pair and type the code of the computer.")
            if path != "/pair":
                return Session(id="", csrf=""), None
            # Not kept anywhere: it only ties the form to the browser that asked for it.
            fresh = token or self.site.random_token()
            return Session(id="", csrf=csrf_of(fresh)), (None if token else fresh)
        if request.headers.get("sec-fetch-site") == "cross-site":
            # A strict cookie is not sent when another site leads here; a new session would take its place.
            raise Refused(403, "You come from another site. Go on to the queue from here.")
        if request.method != "GET" or path.startswith("/static/"):
            return Session(id="", csrf=""), None
        made, opened = await self.site.in_thread(self.site.state.new_session)
        return opened, made

    def _cookie(self, token: str, scope: Scope) -> str:
        secure = "; Secure" if scope["scheme"] == "https" else ""
        age = SESSION_DAYS * 86_400
        return f"{self.cookie}={token}; Path=/; Max-Age={age}; HttpOnly; SameSite=Strict{secure}"


def with_headers(send: Send, cookies: list[str]) -> Send:
    """``send`` that adds the headers of every answer."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(raw=list(message.get("headers", ())))
            for name, value in HEADERS.items():
                headers[name] = value
            headers.setdefault("cache-control", "no-store")
            for cookie in cookies:
                headers.append("set-cookie", cookie)
            message = {**message, "headers": headers.raw}
        await send(message)

    return sending


def limited(receive: Receive, limit: int) -> Receive:
    """``receive`` that refuses once the body is longer than ``limit``, whatever its headers said."""
    got = 0

    async def receiving() -> MutableMapping[str, Any]:
        nonlocal got
        message = await receive()
        if message["type"] == "http.request":
            got += len(message.get("body", b""))
            if got > limit:
                raise Refused(413, f"Too large; at most {limit / 2**20:.0f} MB are taken here.")
        return message

    return receiving


def host_name(host: str) -> str | None:
    """The name in a Host header, without port and brackets; None where it is malformed."""
    found = _HOST.fullmatch(host.lower())
    return None if found is None else found.group("plain") or found.group("six")


def is_address(name: str) -> bool:
    """Whether a host name is an address in numbers."""
    try:
        ipaddress.ip_address(name.split("%")[0])
    except ValueError:
        return False
    return True


def own_names(host: str) -> frozenset[str]:
    """Names under which this computer is known on its network."""
    name = socket.gethostname().lower()
    short = name.split(".")[0]
    return frozenset({host.lower(), name, short, f"{short}.local"})
