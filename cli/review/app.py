"""The application: all pages behind their guard."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import ASGIApp

from crestgauge.cli.review import jaw_routes, new_routes, queue_routes
from crestgauge.cli.review.errors import Refused, status_of
from crestgauge.cli.review.guard import Guard
from crestgauge.cli.review.site import Site
from crestgauge.cli.review.web import refusal, site_of
from crestgauge.inference.errors import CrestgaugeError


async def static(request: Request) -> Response:
    """GET /static/{name}: a shipped file, from memory."""
    found = site_of(request).static.get(request.path_params["name"])
    if found is None:
        raise Refused(404, "There is no such page.")
    headers = {"etag": found.etag, "cache-control": "no-cache"}
    if request.headers.get("if-none-match") == found.etag:
        return Response(status_code=304, headers=headers)
    return Response(found.data, media_type=found.kind, headers=headers)


async def icon(request: Request) -> Response:
    """GET /favicon.ico: what browsers ask for by themselves."""
    request.path_params["name"] = "icon.svg"
    return await static(request)


def _error(request: Request, error: Exception) -> Response:
    """One sentence for whatever went wrong; a bug also ends in the server's terminal with its traceback."""
    if isinstance(error, Refused):
        refused = error
    elif isinstance(error, CrestgaugeError):
        refused = Refused(status_of(error), str(error))
    elif isinstance(error, HTTPException):
        words = {404: "There is no such page.", 405: "This page cannot be used in that way."}
        refused = Refused(error.status_code, words.get(error.status_code, "This cannot be answered."))
    else:
        refused = Refused(500, "Something went wrong on the computer; its terminal says what.")
    return refusal(site_of(request), request, refused)


def make_app(site: Site) -> ASGIApp:
    """
    The application of one server.

    Parameters
    ----------
    site : Site
        Closed when the application ends.
    """

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        site.jobs.start_if_needed()
        yield
        await site.in_thread(site.close)

    pages = Starlette(
        routes=[
            *queue_routes.ROUTES,
            *jaw_routes.ROUTES,
            *new_routes.ROUTES,
            Route("/static/{name:str}", static),
            Route("/favicon.ico", icon),
        ],
        exception_handlers={
            Refused: _error,
            CrestgaugeError: _error,
            HTTPException: _error,
            Exception: _error,
        },
        lifespan=life,
    )
    pages.state.site = site
    return Guard(pages, site)
