"""The queue, one animal, who reads, pairing a device."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final
from urllib.parse import parse_qsl, urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crestgauge.cli.review.errors import Refused
from crestgauge.cli.review.web import (
    go_to,
    html_answer,
    json_answer,
    read_form,
    session_of,
    site_of,
    wants_json,
)
from crestgauge.inference.confirm.calls import reader as reader_name
from crestgauge.inference.confirm.queue import queue_page
from crestgauge.inference.confirm.queue_pages import QueueAsk
from crestgauge.inference.confirm.station import specimen_page
from crestgauge.inference.errors import CrestgaugeError, InputError
from crestgauge.inference.ledger.paging import HEAPS
from crestgauge.inference.ledger.specimen import AGE_CLASSES

PARTS: Final = ("heap", "q", "todo", "class", "page")
"""Names of the queue's query."""
MOST_PAGE: Final = 100_000
MAX_EXPERIENCE: Final = 120


def ask_of(query: str) -> QueueAsk:
    """
    What part of the queue a query means; what is empty is left at its default.

    Raises
    ------
    InputError
        If a value is none of its list.
    """
    given = {name: value for name, value in parse_qsl(query) if name in PARTS and value}
    heap, todo, page = given.get("heap"), given.get("todo", "mine"), given.get("page", "1")
    for name, value, words in (
        ("heap", heap, (None, *HEAPS)),
        ("class", given.get("class"), (None, *AGE_CLASSES)),
    ):
        if value not in words:
            raise InputError(f"{name}: needs one of {', '.join(str(w) for w in words if w)}.")
    if not (page.isascii() and page.isdigit() and len(page) <= 6 and 1 <= int(page) <= MOST_PAGE):
        raise InputError(f"page: needs a number from 1 to {MOST_PAGE}.")
    return QueueAsk(
        outcomes=HEAPS if heap is None else tuple(each for each in HEAPS if each == heap),
        todo=todo,  # type: ignore[arg-type]  # any text: QueueAsk refuses what it does not know
        age_class=given.get("class"),
        search=given.get("q", "").strip(),
        page=int(page),
    )


async def home(request: Request) -> Response:
    """GET /: to the queue."""
    return go_to("/queue")


async def queue(request: Request) -> Response:
    """GET /queue and /queue.json: what needs an eye first."""
    site, session = site_of(request), session_of(request)
    asked = request.url.query
    ask = ask_of(asked)
    viewer = site.viewer(session)
    page = await site.in_thread(queue_page, site.ledger, viewer, ask, index=site.index)
    if wants_json(request):
        return json_answer(page.to_dict())
    kept = urlencode([(name, value) for name, value in parse_qsl(asked) if name in PARTS and name != "page"])
    if kept != session.ask:  # "next" on a jaw's page follows the queue that was looked at last
        await site.in_thread(site.state.keep, replace(session, ask=kept))
    notice = site.said.pop(session.id, "")
    return html_answer(await site.in_thread(site.render, "queue.html", session, page=page, notice=notice))


async def specimen(request: Request) -> Response:
    """GET /specimen/{id} and /specimen/{id}.json: one animal."""
    site, session = site_of(request), session_of(request)
    name = request.path_params["specimen_id"]
    page = await site.in_thread(specimen_page, site.ledger, site.viewer(session), name)
    if wants_json(request):
        return json_answer(page.to_dict())
    return html_answer(await site.in_thread(site.render, "specimen.html", session, page=page))


async def reader(request: Request) -> Response:
    """GET and POST /reader: who reads, and whether blind; once a session."""
    site, session = site_of(request), session_of(request)
    if request.method != "POST":
        return html_answer(site.render("reader.html", session))
    form = await read_form(request)
    try:
        person = await site.in_thread(reader_name, site.ledger, form.get("person", ""))
        experience = form.get("experience", "").strip()
        if len(experience) > MAX_EXPERIENCE or not (experience.isprintable()):
            raise InputError(f"experience: needs at most {MAX_EXPERIENCE} characters that print.")
        if form.get("mode", "open") not in ("open", "blind"):
            raise InputError("mode: needs open or blind.")
        if site.settings.blind and form.get("mode") == "open":
            raise InputError("mode: everybody reads blind here (the server was started with --blind).")
    except CrestgaugeError as error:
        if wants_json(request):
            raise
        return html_answer(site.render("reader.html", session, error=str(error)), 422)
    blind = form.get("mode", "blind" if site.settings.blind else "open") == "blind"
    named = replace(session, reader=person, experience=experience, blind=blind)
    await site.in_thread(site.state.keep, named)
    if wants_json(request):
        return json_answer({"reader": person, "mode": "blind" if blind else "open"})
    return go_to("/queue")


async def pair(request: Request) -> Response:
    """GET and POST /pair: give this device a session, for the code on the computer's screen."""
    site, session = site_of(request), session_of(request)
    if session.id:
        return go_to("/queue")
    if request.method != "POST":
        # The code in the address comes from the QR on the screen. It is not used up by looking, since
        # messengers and cameras fetch addresses to show what is behind them.
        code = request.query_params.get("code", "")[:40]
        return html_answer(site.render("pair.html", session, code=code))
    form = await read_form(request)
    address = request.client.host if request.client else ""
    wait_s = site.pairing.wait_s(address)
    if wait_s > 0:
        minutes = math.ceil(wait_s / 60)
        raise Refused(
            429, f"Too many wrong codes. Wait {minutes} minutes, then try again.", retry_s=math.ceil(wait_s)
        )
    if not site.pairing.try_code(form.get("code", ""), address):
        words = "This code is not right, or was used up by another device. Read it from the screen again."
        if wants_json(request):
            raise Refused(403, words)
        return html_answer(site.render("pair.html", session, code="", error=words), 403)
    token, _ = await site.in_thread(site.state.new_session)
    request.scope["state"]["set_token"](token)
    site.on_paired(site.pairing.code)
    return go_to("/reader")


ROUTES = (
    Route("/", home),
    Route("/queue", queue),
    Route("/queue.json", queue),
    Route("/specimen/{specimen_id:path}", specimen),
    Route("/reader", reader, methods=["GET", "POST"]),
    Route("/pair", pair, methods=["GET", "POST"]),
)
