"""One running server: its ledger, its key, what it keeps in memory. Handed to every page."""

from __future__ import annotations

import asyncio
import functools
import hashlib
import mimetypes
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, ParamSpec, TypeVar

import jinja2
from starlette.concurrency import run_in_threadpool

from crestgauge.cli.review.ahead import Ahead
from crestgauge.cli.review.drawing import FILTERS
from crestgauge.cli.review.jobs import Jobs
from crestgauge.cli.review.pairing import Pairing
from crestgauge.cli.review.photos import FIRST_WIDTH, Photos, picture_width, width_of
from crestgauge.cli.review.state import Session, State
from crestgauge.cli.review.uploads import INCOMING, clear_stale
from crestgauge.inference.confirm.lookups import newest_reading
from crestgauge.inference.confirm.pages import JawOptions, jaw_page
from crestgauge.inference.confirm.photo_files import PhotoStore, default_folder
from crestgauge.inference.confirm.queue import queue_page
from crestgauge.inference.confirm.queue_pages import QueueAsk
from crestgauge.inference.confirm.views import Viewer
from crestgauge.inference.criteria import Criteria, load_criteria
from crestgauge.inference.errors import CrestgaugeError, LedgerError
from crestgauge.inference.ledger.paging import QueueIndex
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.photo import PhotoLimits
from crestgauge.inference.pipeline import ReadOptions
from crestgauge.inference.screening.run import reader_factory
from crestgauge.model.local import find_set

_P = ParamSpec("_P")
_R = TypeVar("_R")
STATE_SUFFIX: Final = ".review"
"""A ledger ``season.db`` has its server's own file at ``season.db.review``."""
MAX_BYTES: Final = 64 * 2**20
"""
Largest photo taken in over the network; ours: a 108-megapixel phone writes some 40 MB of JPEG. [byte]
"""
MOST_UPLOADS: Final = 40
"""Uploads received at the same time; each needs some 2 MB of memory, the rest lies on disk."""
MOST_SAID: Final = 10_000
MOST_STORING: Final = 2
"""Photos cleaned and stored at the same time; each needs three times its size in memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """
    What the command line says.

    Parameters
    ----------
    photos : Path or None
        Folder of uploads; None takes one beside an SQLite ledger.
    host, port : str, int
        Where the server listens.
    network : bool
        Devices have to be paired.
    blind : bool
        Everybody reads blind.
    readers : int
        1 or 2 for each photo.
    lanes : int
        Photos read at the same time.
    read : ReadOptions
    max_bytes : int
        Largest upload.
    """

    photos: Path | None = None
    host: str = "127.0.0.1"
    port: int = 8431
    network: bool = False
    blind: bool = False
    readers: int = 1
    lanes: int = 1
    read: ReadOptions = field(default_factory=ReadOptions)
    max_bytes: int = MAX_BYTES


class Site:
    """
    A server on one ledger.

    Parameters
    ----------
    ledger : Ledger
    settings : Settings
    on_paired : callable
        Called with the next code when a device was paired.

    Raises
    ------
    LedgerError
        If there is no place for uploads and sessions.
    CriteriaError, WeightsError
        If key or weights cannot be used.
    """

    def __init__(
        self, ledger: Ledger, settings: Settings, *, on_paired: Callable[[str], None] = lambda _: None
    ) -> None:
        self.ledger, self.settings = ledger, settings
        self.host, self.port = settings.host, settings.port
        self.network, self.max_bytes = settings.network, settings.max_bytes
        self.criteria: Criteria = load_criteria(settings.read.criteria)
        model = find_set(settings.read.weights, manifest=settings.read.manifest).model
        folder = settings.photos or default_folder(ledger)
        if folder is None:
            raise LedgerError(
                f"{ledger.name}: no file beside which uploads could be kept. Say where: --photos FOLDER."
            )
        self.folder = folder.absolute()
        self.state = State(_state_path(ledger, self.folder))
        self.store = PhotoStore(self.folder, limits=PhotoLimits(max_bytes=self.max_bytes))
        self.incoming = self.folder / INCOMING
        clear_stale(self.incoming)
        self.photos = Photos(ledger, self.store)
        self.index = QueueIndex(ledger)
        self.ahead = Ahead(self.warm)
        self.jobs = Jobs(
            ledger,
            self.state,
            reader_factory(settings.read),
            model=model,
            criteria=self.criteria.label,
            lanes=settings.lanes,
            on_filed=self.ahead.ask,
        )
        self.pairing = Pairing()
        self.on_paired = on_paired
        self.uploads = asyncio.Semaphore(MOST_UPLOADS)
        self.storing = asyncio.Semaphore(MOST_STORING)
        self.said = Said()
        self.templates = page_templates()
        self.static = _static_files()

    def close(self) -> None:
        """Stop the readers and close the file of sessions."""
        self.jobs.stop()
        self.ahead.stop()
        self.state.close()

    async def in_thread(self, work: Callable[_P, _R], *args: _P.args, **kwargs: _P.kwargs) -> _R:
        """Run what blocks in a thread."""
        return await run_in_threadpool(functools.partial(work, *args, **kwargs))

    def warm(self, photo_id: int) -> None:
        """Make ready what the page of a photo that is probably looked at next will need."""
        row = newest_reading(self.ledger, photo_id)
        self.photos.profiles(row["sha256"], row["id"], row["reading"])
        self.photos.image(row["sha256"], picture_width(FIRST_WIDTH, width_of(row)))

    def warm_first(self) -> None:
        """The same for the first photo of the queue, with all else that a first page would wait for."""
        try:
            page = queue_page(self.ledger, Viewer(), QueueAsk(page_size=1), index=self.index)
            for row in page.rows:
                self.warm(row.photo_id)
                options = JawOptions(index=self.index)
                shown = jaw_page(self.ledger, self.criteria, Viewer(), row.photo_id, options)
                self.render("jaw.html", Session(id="", csrf=""), page=shown)
        except CrestgaugeError:
            return  # whoever opens it is told

    def random_token(self) -> str:
        """A token for a browser that is not paired yet."""
        return secrets.token_urlsafe(32)

    def blind(self, session: Session) -> bool:
        """Whether a session reads blind."""
        return self.settings.blind or session.blind

    def viewer(self, session: Session, photo_id: int | None = None) -> Viewer:
        """
        Who looks. With ``photo_id``: at that photo, for which nobody is blind any more who has seen its
        proposal in the open, whatever they choose now; else the record would say they had not seen it.
        """
        blind = self.blind(session)
        if blind and photo_id is not None and self.state.has_seen(session, photo_id):
            blind = False
        return Viewer(person=session.reader, blind=blind, readers_wanted=self.settings.readers)

    def render(self, name: str, session: Session, **values: Any) -> str:
        """A page as HTML."""
        return self.templates.get_template(name).render(
            csrf=session.csrf,
            reader=session.reader,
            mode="blind" if self.blind(session) else "open",
            **values,
        )


class Said:
    """One sentence for the next page of a session, such as what was just kept. Lost when the server stops."""

    def __init__(self) -> None:
        self._words: dict[str, str] = {}

    def put(self, session_id: str, words: str) -> None:
        """Say it on the next page."""
        if len(self._words) > MOST_SAID:
            self._words.clear()
        self._words[session_id] = words

    def pop(self, session_id: str, default: str) -> str:
        """What is to be said, once."""
        return self._words.pop(session_id, default)


@dataclass(frozen=True, slots=True)
class StaticFile:
    """A shipped file, in memory: no request can name a path."""

    data: bytes
    kind: str
    etag: str


def _state_path(ledger: Ledger, folder: Path) -> Path:
    if ledger.url.get_backend_name() == "sqlite" and ledger.name != ":memory:":
        return Path(ledger.name + STATE_SUFFIX).absolute()
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return folder / f"server{STATE_SUFFIX}"


@functools.cache
def page_templates() -> jinja2.Environment:
    """All templates of the page with their filters, compiled."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(str(files("crestgauge.cli.review").joinpath("templates"))),
        autoescape=True,
        auto_reload=False,
    )
    environment.filters.update(FILTERS)
    for name in environment.list_templates():
        environment.get_template(name)  # compiled now: the first page would wait 0.2 s for it
    return environment


@functools.cache
def _static_files() -> dict[str, StaticFile]:
    found = {}
    for entry in files("crestgauge.cli.review").joinpath("static").iterdir():
        if entry.is_file():
            data = entry.read_bytes()
            kind = {"js": "text/javascript", "svg": "image/svg+xml"}.get(entry.name.rpartition(".")[2])
            kind = kind or mimetypes.guess_type(entry.name)[0] or "application/octet-stream"
            if kind.startswith("text/"):
                kind += "; charset=utf-8"
            found[entry.name] = StaticFile(data, kind, f'"{hashlib.sha256(data).hexdigest()[:20]}"')
    return found
