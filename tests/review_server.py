"""A small season of painted jaws, and a server on a copy of it, for the tests of the review server."""

from __future__ import annotations

import io
import json
import re
import shutil
import sqlite3
from pathlib import Path

import painted_jaws
from PIL import Image
from starlette.testclient import TestClient

from crestgauge.cli.review.app import make_app
from crestgauge.cli.review.site import Settings, Site
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.pipeline import ReadOptions
from crestgauge.inference.screening.outcome import keep, read_item
from crestgauge.inference.screening.sources import Item

SEASON = {"adult": "P-1", "borderline": "P-2", "bare": "P-3"}
"""Painted photos in the ledger, by the animal that they are linked to; ids of photos are 1, 2, 3."""
ADULT, BORDERLINE, BARE = 1, 2, 3
HERE = "http://127.0.0.1:8431"


def make_season(folder: Path) -> Path:
    """A ledger with the photos of `SEASON`, read by the painted networks."""
    reader = painted_jaws.reader()
    path = folder / "season.db"
    with Ledger(str(path), by="test") as ledger:
        for name, animal in SEASON.items():
            item = Item(location=str(painted_jaws.photo(name)), specimen_id=animal)
            keep(
                ledger, item, read_item(reader, item), model=reader.versions.model,
                criteria=reader.versions.criteria,
            )  # fmt: skip
    return path


def settings(**changes: object) -> Settings:
    """Settings that read with the painted networks."""
    return Settings(**({"read": ReadOptions(manifest=painted_jaws.manifest(), threads=1)} | changes))


class Server:
    """An application on a ledger; browsers of it come from `browser`."""

    def __init__(self, ledger: Path | str, **changes: object) -> None:
        self.path = ledger
        self.codes: list[str] = []
        self.ledger = Ledger(str(ledger), by="test")
        try:
            self.site = Site(self.ledger, settings(**changes), on_paired=self.codes.append)
        except BaseException:
            self.ledger.close()
            raise
        self.app = make_app(self.site)
        self.first = TestClient(self.app, base_url=HERE, follow_redirects=False)

    def __enter__(self) -> Server:
        self.first.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self.first.__exit__(*error)
        self.ledger.close()

    def browser(self, name: str = "", *, blind: bool = False, client: TestClient | None = None) -> Browser:
        """A browser of its own, on the page under a name."""
        made = client or TestClient(self.app, base_url=HERE, follow_redirects=False)
        browser = Browser(made)
        if name:
            answer = browser.post("/reader", {"person": name, "mode": "blind" if blind else "open"})
            assert answer.status_code == 303, answer.text
        return browser

    def rows(self, query: str) -> list[tuple]:
        """Rows of the ledger, past all our code."""
        with sqlite3.connect(self.path) as connection:
            return connection.execute(query).fetchall()


class Browser:
    """What a browser does: keeps its cookie, and sends the token of the page's form."""

    def __init__(self, client: TestClient) -> None:
        self.client = client
        self._csrf = ""

    @property
    def csrf(self) -> str:
        if not self._csrf:
            page = self.client.get("/reader").text
            self._csrf = re.search(r'name="csrf" value="(\w+)"', page).group(1)
        return self._csrf

    def get(self, path: str, **headers: str):
        return self.client.get(path, headers=headers)

    def json(self, path: str):
        answer = self.client.get(path, headers={"accept": "application/json"})
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, fields: dict[str, str] | None = None, **headers: str):
        """A plain form."""
        return self.client.post(path, data={"csrf": self.csrf, **(fields or {})}, headers=headers)

    def send(self, path: str, values: object, *, accept: str = "application/json"):
        """JSON, as the page's script sends it."""
        headers = {"content-type": "application/json", "x-csrf-token": self.csrf, "accept": accept}
        return self.client.post(path, content=json.dumps(values), headers=headers)

    def call(self, photo: int, action: str, **fields: str):
        return self.post(f"/photo/{photo}/call", {"action": action, **fields})

    def upload(self, data: bytes, animal: str = "P-9", *, name: str = "jaw.png", **headers: str):
        return self.client.post(
            "/new",
            data={"csrf": self.csrf, "specimen_id": animal},
            files={"photo": (name, data, "application/octet-stream")},
            headers={"accept": "application/json", **headers},
        )


def corrections(**parts: object) -> dict[str, object]:
    """A ``crestgauge.corrections/1`` object."""
    empty = {"edges": [], "crests": [], "teeth": [], "side": None, "ruler": None}
    return {"schema": "crestgauge.corrections/1", **empty, **parts}


def narrow_edges(page: dict) -> list[dict]:
    """Edges on tooth 4 of a jaw page that leave the dentine half as wide as the mean of its enamel bands."""
    found = []
    for crest in page["crests"]:
        if crest["tooth"] == 4:
            _, _, inner_line, inner = crest["edges_px"]
            enamel = inner_line - inner
            line = inner_line + enamel / 2
            edges = [line + enamel, line, inner_line, inner]
            found.append({"tooth": 4, "lobe": crest["lobe"], "at": 0.5, "edges_px": edges, "zoom": 4.0})
    return found


def copied(season: Path, folder: Path) -> Path:
    """The season's ledger, copied."""
    return Path(shutil.copy(season, folder / "season.db"))


def plain_png(number: int) -> bytes:
    """A black photo, another one for each number; read fast, since there is no row of teeth to measure."""
    target = io.BytesIO()
    Image.new("RGB", (640 + number, 480)).save(target, "PNG")
    return target.getvalue()


def png_with_place(name: str) -> bytes:
    """A painted photo as PNG with a position, a camera and a date in its EXIF."""
    exif = Image.Exif()
    exif[0x010F] = "Camera Works"
    exif[0x0132] = "2026:11:20 07:00:00"
    place = exif.get_ifd(0x8825)
    place[1], place[2] = "N", (44.0, 58.0, 30.0)
    place[3], place[4] = "W", (93.0, 15.0, 0.0)
    target = io.BytesIO()
    Image.open(painted_jaws.photo(name)).save(target, "PNG", exif=exif, compress_level=1)
    return target.getvalue()


def no_reader() -> None:
    """A reader that cannot be made; here, since a worker process can import this module but no test."""
    raise RuntimeError("the weights are gone")
