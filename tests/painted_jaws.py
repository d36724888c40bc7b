"""Photos of painted jaws with known widths, and a reader that can read them; made once per test run."""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from drawn_row import DrawnLobe, DrawnRow, draw, plain_row
from painted import paint, write_manifest
from PIL import Image

from crestgauge.inference.pipeline import Reader, ReadOptions

SIZE, ENLARGE = (1800, 1200), 1.05
"""Photo size, and photo pixels per crop pixel: 16 px per nominal mm."""


def with_dentine(row: DrawnRow, widths: dict[int, float]) -> DrawnRow:
    """The row with another dentine width on each tooth; enamel bands stay 9 wide."""
    teeth = {
        position: replace(tooth, lobes=tuple(replace(lobe, dentine=widths[position]) for lobe in tooth.lobes))
        for position, tooth in row.teeth.items()
    }
    return replace(row, teeth=teeth)


def jaw(widths: dict[int, float] | None = None, **options: object) -> DrawnRow:
    """A permanent row with these dentine widths in row px, or all 14 wide."""
    settings = {"size": SIZE, "enlarge": ENLARGE, "fine": 2, **options}
    row = plain_row(**settings)
    return with_dentine(row, widths) if widths else row


AT_3_5 = {1: 6.0, 2: 8.0, 3: 9.0, 4: 14.0, 5: 5.0, 6: 4.0}
"""Tooth 4 at ratio 1.56, teeth 5 and 6 at 0.56 and 0.44: the key stops at 3.5."""
AT_THE_EDGE = AT_3_5 | {4: 9.0}
"""Tooth 4 at ratio 1.00: 2.5 or 3.5."""
ROWS: dict[str, DrawnRow] = {
    "adult": jaw(AT_3_5, turn_deg=12),
    "borderline": jaw(AT_THE_EDGE, turn_deg=-160, side="right"),
    "cut": jaw(shift=(600, 0)),
    "small": jaw(enlarge=0.5),
    "fawn": plain_row(
        DrawnLobe(dentine=5), milk=True, positions=range(1, 5), size=SIZE, enlarge=ENLARGE, fine=2
    ),
}


@functools.cache
def folder() -> Path:
    """Folder with the networks' manifest and every photo made so far."""
    path = Path(tempfile.mkdtemp(prefix="painted-jaws-"))
    atexit.register(shutil.rmtree, path, ignore_errors=True)
    write_manifest(path)
    return path


@functools.cache
def photo(name: str) -> Path:
    """Path of one painted photo: a key of `ROWS`, or "bare" for a photo with no jaw."""
    path = folder() / f"{name}.png"
    pixels = np.zeros((900, 1200, 3), dtype=np.uint8) if name == "bare" else paint(draw(ROWS[name]))
    Image.fromarray(pixels).save(path, compress_level=1)
    return path


def manifest() -> Path:
    """Path of the painted networks' manifest."""
    return folder() / "weights.toml"


@functools.cache
def reader() -> Reader:
    """One reader with the painted networks."""
    return Reader(ReadOptions(manifest=manifest(), threads=1))


@functools.cache
def result(name: str):
    """Result of reading one painted photo."""
    return reader().read(photo(name), keep_maps=name == "adult")
