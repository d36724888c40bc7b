"""
One photo: its page, its pictures, the answer to corrections, and what is kept of them.

Parsing is asynchronous, everything that blocks runs in a thread. What a blind viewer may see is decided by
`crestgauge.inference.confirm.pages`; what shows where the machine found a crest is refused here.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crestgauge.cli.review.errors import Refused, status_of
from crestgauge.cli.review.forms import call_from_form, corrections_from_form
from crestgauge.cli.review.photos import FIRST_WIDTH, picture_width, width_of
from crestgauge.cli.review.queue_routes import ask_of
from crestgauge.cli.review.site import Site
from crestgauge.cli.review.state import Session
from crestgauge.cli.review.web import (
    go_to,
    html_answer,
    is_json,
    json_answer,
    problem,
    read_form,
    read_json,
    session_of,
    site_of,
    wants_json,
)
from crestgauge.inference.confirm.calls import CallInput, Filed, file_call, file_corrections
from crestgauge.inference.confirm.corrections import Corrections
from crestgauge.inference.confirm.jaw_pages import BlindJawPage, JawPage
from crestgauge.inference.confirm.lookups import newest_reading
from crestgauge.inference.confirm.pages import JawOptions, jaw_page, retake_message_page
from crestgauge.inference.errors import CrestgaugeError, InputError, PhotoError

MOST_ID = 2**63 - 1
"""Row numbers of the databases are not larger."""
HIDDEN = "hidden while you read blind. Call the photo first."


def photo_id_of(request: Request) -> int:
    """The photo in the path."""
    photo_id = int(request.path_params["photo_id"])
    if photo_id > MOST_ID:
        raise Refused(404, "photo: is not in the ledger.")
    return photo_id


async def jaw(request: Request) -> Response:
    """GET /photo/{id} and /photo/{id}.json: all that was measured and concluded."""
    site, session, photo_id = site_of(request), session_of(request), photo_id_of(request)
    page = await site.in_thread(shown_page, site, session, photo_id)
    if wants_json(request):
        return json_answer(page.to_dict())
    notice = site.said.pop(session.id, "")
    answer = html_answer(await site.in_thread(jaw_html, site, session, page, notice=notice))
    if page.next_photo_id is not None:
        site.ahead.ask(page.next_photo_id)  # made ready while this one is looked at
    return answer


def shown_page(site: Site, session: Session, photo_id: int) -> JawPage | BlindJawPage:
    """The page of a photo for one viewer; that they saw the proposal is noted."""
    page = build_page(site, session, photo_id)
    if isinstance(page, JawPage):
        site.state.note_seen(session, photo_id)
    return page


def build_page(
    site: Site, session: Session, photo_id: int, *, draft: Corrections | None = None
) -> JawPage | BlindJawPage:
    """The page of a photo, with profiles where they may be seen."""
    viewer = site.viewer(session, photo_id)
    row = newest_reading(site.ledger, photo_id)
    profiles = None
    if not viewer.blind or draft is not None:
        profiles = site.photos.profiles(row["sha256"], row["id"], row["reading"])
    page = jaw_page(
        site.ledger,
        site.criteria,
        viewer,
        photo_id,
        JawOptions(profiles=profiles, draft=draft, index=site.index, ask=ask_of(session.ask)),
    )
    if viewer.blind and isinstance(page, JawPage):  # they have called: now everything is shown
        profiles = site.photos.profiles(row["sha256"], row["id"], row["reading"])
        shown = tuple(replace(c, profile=profiles.get((c.tooth, c.lobe))) for c in page.crests)
        page = replace(page, crests=shown)
    return page


def jaw_html(
    site: Site, session: Session, page: JawPage | BlindJawPage, *, notice: str = "", error: str = ""
) -> str:
    """The page as HTML."""
    message = ""
    # The prepared message names the machine's reasons, so a blind reader gets none.
    if isinstance(page, JawPage) and any(choice.value == "retake" for choice in page.form.actions):
        message = retake_message_page(site.ledger, page.photo.photo_id).text
    return site.render("jaw.html", session, page=page, message=message, notice=notice, error=error)


async def answer(request: Request) -> Response:
    """POST /photo/{id}/answer: what the key says with corrections that are not kept."""
    site, session, photo_id = site_of(request), session_of(request), photo_id_of(request)
    body = await read_json(request)

    def work() -> tuple[JawPage | BlindJawPage, str]:
        page = build_page(site, session, photo_id, draft=Corrections.from_json(body))
        return page, "" if wants_json(request) else site.render("answer.html", session, page=page)

    page, text = await site.in_thread(work)
    return json_answer(page.to_dict()) if wants_json(request) else html_answer(text)


async def measure(request: Request) -> Response:
    """POST /photo/{id}/measure: keep a person's corrections beside the machine's reading."""
    site, session, photo_id = site_of(request), session_of(request), photo_id_of(request)
    if is_json(request):
        body = await read_json(request)
        form = {"corrections": body.decode("utf-8", "replace")}
    else:
        form = await read_form(request)

    def work() -> int:
        page = build_page(site, session, photo_id)
        if not isinstance(page, JawPage):
            raise InputError(f"corrections: {HIDDEN}")
        if not page.can_correct:
            raise InputError(
                "corrections: this reading cannot be corrected (no row of teeth, or read with another key)."
            )
        return file_corrections(site.ledger, page.viewer, page.reading_id, corrections_from_form(form))

    try:
        rows = await site.in_thread(work)
    except CrestgaugeError as error:
        return await said_no(request, error)
    if wants_json(request) or is_json(request):
        return json_answer({"rows": rows})
    site.said.put(session.id, "Your measurements are kept beside the machine's." if rows else "Nothing new.")
    return go_to(f"/photo/{photo_id}")


async def call(request: Request) -> Response:
    """POST /photo/{id}/call: keep a call; on to the next photo, or stay where a request is taken back."""
    site, session, photo_id = site_of(request), session_of(request), photo_id_of(request)
    form = await read_form(request)
    try:
        given = replace(call_from_form(form), experience=session.experience or None)
        filed, following = await site.in_thread(_file, site, session, photo_id, given)
        following = photo_id if given.action == "alone" else following
    except CrestgaugeError as error:
        return await said_no(request, error)
    if wants_json(request):
        return json_answer({"call_id": filed.call_id, "words": filed.words, "next_photo_id": following})
    site.said.put(session.id, filed.words)
    return go_to("/queue" if following is None else f"/photo/{following}")


async def undo(request: Request) -> Response:
    """POST /photo/{id}/undo: take the own standing call back, by a new row."""
    site, session, photo_id = site_of(request), session_of(request), photo_id_of(request)
    form = await read_form(request)
    try:
        given = CallInput(action="withdraw", reason=form.get("reason", ""))
        filed, _ = await site.in_thread(_file, site, session, photo_id, given)
    except CrestgaugeError as error:
        return await said_no(request, error)
    if wants_json(request):
        return json_answer({"call_id": filed.call_id, "words": filed.words, "next_photo_id": None})
    site.said.put(session.id, filed.words)
    return go_to(f"/photo/{photo_id}")


def _file(site: Site, session: Session, photo_id: int, given: CallInput) -> tuple[Filed, int | None]:
    """File a call on the page as it is now; what was written, and the photo that followed it."""
    page = build_page(site, session, photo_id)
    return file_call(site.ledger, page.viewer, page, given), page.next_photo_id


async def said_no(request: Request, error: CrestgaugeError) -> Response:
    """A form that cannot be kept: the same page again with the reason, or an object."""
    site, session, photo_id = site_of(request), session_of(request), photo_id_of(request)
    status = 422 if isinstance(error, InputError) else status_of(error)
    if wants_json(request) or is_json(request):
        return json_answer(problem(status, str(error)), status, kind="application/problem+json")

    def work() -> str:
        return jaw_html(site, session, shown_page(site, session, photo_id), error=str(error))

    return html_answer(await site.in_thread(work), status)


async def image(request: Request) -> Response:
    """GET /photo/{id}/image?w=N: the upright photo at one of its widths."""
    site, photo_id = site_of(request), photo_id_of(request)
    asked = request.query_params.get("w", str(FIRST_WIDTH))
    if not (asked.isascii() and asked.isdigit() and len(asked) < 7):
        raise Refused(400, "w: needs a width in pixels.")

    def work() -> Response:
        row = newest_reading(site.ledger, photo_id)
        width = picture_width(int(asked), width_of(row))
        return _picture(
            request, f"{row['sha256'][:24]}-{width}", lambda: site.photos.image(row["sha256"], width)
        )

    return await site.in_thread(work)


async def thumb(request: Request) -> Response:
    """GET /photo/{id}/thumb: the tooth row turned level. Whoever sees it may open the photo next."""
    site, photo_id = site_of(request), photo_id_of(request)

    def work() -> Response:
        row = newest_reading(site.ledger, photo_id)
        tag = f"{row['sha256'][:24]}-row-{row['id']}"
        return _picture(request, tag, lambda: site.photos.thumb(row["sha256"], row["id"], row["reading"]))

    shown = await site.in_thread(work)
    site.ahead.ask(photo_id)
    return shown


async def crest(request: Request) -> Response:
    """GET /photo/{id}/crest/{tooth}-{lobe}.jpg: one crest magnified."""
    site, session, photo_id = site_of(request), session_of(request), photo_id_of(request)
    tooth, lobe = request.path_params["tooth"], request.path_params["lobe"]

    def work() -> Response:
        page = build_page(site, session, photo_id)
        if not isinstance(page, JawPage):
            raise InputError(f"crest: {HIDDEN}")
        found = next((c.profile for c in page.crests if (c.tooth, c.lobe) == (tooth, lobe)), None)
        if found is None:
            raise Refused(404, "crest: none there that could be magnified.")
        tag = f"{page.photo.sha256[:24]}-{page.reading_id}-{tooth}-{lobe}"
        sha256, reading_id = page.photo.sha256, page.reading_id
        return _picture(request, tag, lambda: site.photos.crest(sha256, reading_id, found))

    return await site.in_thread(work)


def _picture(request: Request, tag: str, make: Any) -> Response:
    """A JPEG by its content's tag; 304 where the browser has it."""
    headers = {"etag": f'"{tag}"', "cache-control": "private, no-cache"}
    if headers["etag"] in [each.strip() for each in request.headers.get("if-none-match", "").split(",")]:
        return Response(status_code=304, headers=headers)
    try:
        return Response(make(), media_type="image/jpeg", headers=headers)
    except PhotoError as error:
        raise Refused(404, str(error)) from error


ROUTES = (
    Route("/photo/{photo_id:int}", jaw),
    Route("/photo/{photo_id:int}.json", jaw),
    Route("/photo/{photo_id:int}/answer", answer, methods=["POST"]),
    Route("/photo/{photo_id:int}/measure", measure, methods=["POST"]),
    Route("/photo/{photo_id:int}/call", call, methods=["POST"]),
    Route("/photo/{photo_id:int}/undo", undo, methods=["POST"]),
    Route("/photo/{photo_id:int}/image", image),
    Route("/photo/{photo_id:int}/thumb", thumb),
    Route("/photo/{photo_id:int}/crest/{tooth:int}-{lobe:int}.jpg", crest),
)
