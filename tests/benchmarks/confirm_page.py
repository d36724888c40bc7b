"""
How long the review page's domain takes for one example photo: reading it from the ledger, the answer to a
drag, profiles, the whole page and its JSON. Targets: a drag under 100 ms, its key under 10 ms, a page under
400 ms.

usage: python tests/benchmarks/confirm_page.py [PHOTO]     prints wall and CPU time, the median of 15
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

from crestgauge.inference.confirm.corrected import answer, corrected_reading
from crestgauge.inference.confirm.corrections import Corrections, edges_from_widths
from crestgauge.inference.confirm.pages import JawOptions, jaw_page
from crestgauge.inference.confirm.profiles import crest_profiles
from crestgauge.inference.confirm.views import Viewer
from crestgauge.inference.ledger.paging import QueueIndex
from crestgauge.inference.ledger.record import PhotoFacts, add_photo, add_reading
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.photo import decode_photo
from crestgauge.inference.pipeline import Reader, ReadOptions
from crestgauge.inference.reading import Reading


def timed(name: str, action: Callable[[], Any], repeats: int = 15) -> Any:
    """Run an action some times and print how long it took; its last result."""
    wall, cpu = [], []
    for _ in range(repeats):
        clock, own = time.perf_counter(), time.process_time()
        result = action()
        wall.append(1000 * (time.perf_counter() - clock))
        cpu.append(1000 * (time.process_time() - own))
    print(f"{name}: wall median {statistics.median(wall):.1f} ms, cpu median {statistics.median(cpu):.1f} ms")
    return result


def main() -> None:
    example = files("crestgauge.inference").joinpath("examples/alder-fork-104.jpg")
    data = Path(sys.argv[1]).read_bytes() if len(sys.argv) > 1 else example.read_bytes()
    reader = Reader(ReadOptions(threads=1))
    photo = decode_photo(data, name="photo.jpg")
    reading = reader.read(photo).reading
    text, key = reading.to_json(), reader.criteria
    crest = next(c for t in reading.teeth[3:] for c in t.crests if c.dentine_px is not None)
    tooth = next(t.position for t in reading.teeth[3:] if crest in t.crests)
    drag = Corrections(
        edges=(
            edges_from_widths(
                tooth, crest.lobe, dentine_px=2.0, enamel_outer_px=20.0, enamel_inner_px=20.0, zoom=4.0
            ),
        )
    )
    print(f"{photo.width} x {photo.height} px, {reading.outcome}, {reading.age_class}")
    assert timed("reading from its JSON", lambda: Reading.from_json(text)) == reading
    assert answer(reading, drag, key) != answer(reading, Corrections(), key)
    timed("evidence corrected and key answered", lambda: answer(reading, drag, key))
    assert corrected_reading(reading, Corrections(), key) == reading
    timed("corrected reading", lambda: corrected_reading(reading, drag, key))
    timed("photo decoded", lambda: decode_photo(data, name="photo.jpg"), 5)
    profiles = timed("profiles of teeth 4 to 6", lambda: crest_profiles(reading, photo.pixels))
    with tempfile.TemporaryDirectory() as folder, Ledger(f"{folder}/l.db") as ledger:
        with ledger.writing() as connection:
            facts = PhotoFacts(
                sha256=photo.sha256,
                width=photo.width,
                height=photo.height,
                format=photo.format,
                picture_hash="0" * 64,
            )
            photo_id = add_photo(connection, ledger, facts)
            add_reading(connection, ledger, photo_id, reading.to_dict(), text)
        index, viewer = QueueIndex(ledger), Viewer(person="A")

        def page(draft: Corrections | None = None) -> str:
            options = JawOptions(profiles=profiles, index=index, draft=draft)
            made = jaw_page(ledger, key, viewer, photo_id, options)
            return json.dumps(made.to_dict())

        assert json.loads(page())["age_class"] == reading.age_class
        print(f"page as JSON: {len(page()) / 1000:.0f} kB")
        timed("page with profiles, to JSON text", page)
        timed("answer to a drag, to JSON text", lambda: page(drag))


if __name__ == "__main__":
    main()
