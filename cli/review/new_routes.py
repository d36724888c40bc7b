"""Taking in a new photo, and how far it is read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crestgauge.cli.review.errors import Refused, status_of
from crestgauge.cli.review.site import MOST_UPLOADS, Site
from crestgauge.cli.review.state import Job
from crestgauge.cli.review.uploads import receive
from crestgauge.cli.review.web import (
    CSRF_FIELD,
    CSRF_HEADER,
    check_csrf,
    go_to,
    html_answer,
    json_answer,
    session_of,
    site_of,
    wants_json,
)
from crestgauge.inference.confirm.station import new_jaw_page
from crestgauge.inference.errors import CrestgaugeError, InputError
from crestgauge.inference.ledger.specimen import MAX_ID, check_id

PHOTO_FIELD = "photo"


async def new(request: Request) -> Response:
    """GET /new: take a picture, or choose one."""
    site, session = site_of(request), session_of(request)
    site.jobs.start()  # the readers load their networks while the picture is taken
    specimen_id = request.query_params.get("specimen_id", "")[:MAX_ID]
    page = replace(new_jaw_page(site.viewer(session), specimen_id=specimen_id), max_bytes=site.max_bytes)
    if wants_json(request):
        return json_answer(page.to_dict())
    return html_answer(site.render("new.html", session, page=page))


async def upload(request: Request) -> Response:
    """POST /new: a photo for an animal. It is answered once the photo cannot be lost any more."""
    site, session = site_of(request), session_of(request)
    fields: dict[str, str] = {}

    def may_send(given: dict[str, str]) -> None:
        """Before the first byte of the photo is kept: is it this session's form, and filled in?"""
        fields.update(given)
        check_csrf(session, request.headers.get(CSRF_HEADER) or given.get(CSRF_FIELD, ""))
        check_id("specimen_id", given.get("specimen_id", "").strip())

    try:
        job = await _take(site, request, may_send, session.reader)
    except (CrestgaugeError, Refused) as error:
        status = error.status if isinstance(error, Refused) else status_of(error)
        if wants_json(request) or status in (401, 403, 503):
            raise
        specimen_id = fields.get("specimen_id", "")[:MAX_ID]
        page = new_jaw_page(site.viewer(session), specimen_id=specimen_id, error=str(error))
        return html_answer(
            site.render("new.html", session, page=replace(page, max_bytes=site.max_bytes)), status
        )
    if wants_json(request):
        view = site.jobs.view(job.id)
        assert view is not None
        return json_answer(view.to_dict(), 202)
    return go_to(f"/new/{job.id}")


async def _take(site: Site, request: Request, may_send: Callable[[dict[str, str]], None], person: str) -> Job:
    """Receive, store and note one photo."""
    site.jobs.check_room()
    if site.uploads.locked():
        raise Refused(
            503, f"{MOST_UPLOADS} photos are being sent already. Wait a moment and send again.", retry_s=5
        )
    async with site.uploads:
        received = await receive(
            request.stream(),
            request.headers.get("content-type", ""),
            site.incoming,
            file_field=PHOTO_FIELD,
            max_bytes=site.max_bytes,
            may_send=may_send,
        )
        try:
            may_send(received.fields)  # again: fields may have come behind the file
            if received.path is None:
                raise InputError("photo: none was sent. Take one, or choose a file.")
            async with site.storing:
                specimen_id = received.fields["specimen_id"].strip()
                return await site.in_thread(_store, site, received.path, specimen_id, person)
        finally:
            if received.path is not None:
                received.path.unlink(missing_ok=True)


def _store(site: Site, path: Path, specimen_id: str, person: str) -> Job:
    stored = site.store.put(path.read_bytes())
    return site.jobs.add(stored, specimen_id, person)


async def job(request: Request) -> Response:
    """GET /new/{job}: how far a photo is."""
    site, session = site_of(request), session_of(request)
    view = await site.in_thread(site.jobs.view, request.path_params["job_id"])
    if view is None:
        raise Refused(404, "There is no such photo on its way. It may be in the queue by now.")
    if wants_json(request):
        return json_answer(view.to_dict())
    return html_answer(site.render("job.html", session, job=view))


ROUTES = (
    Route("/new", new),
    Route("/new", upload, methods=["POST"]),
    Route("/new/{job_id:str}", job),
)
