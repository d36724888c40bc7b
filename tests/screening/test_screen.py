"""A folder is read once, whatever lies in it and whatever kills the processes."""

from __future__ import annotations

import shutil
from dataclasses import replace
from functools import partial

import pytest
import sqlalchemy as sa
from screen_help import mortal, save_meadow

from crestgauge.inference.errors import ExchangeError, PhotoError, WeightsError
from crestgauge.inference.ledger.queries import heaps, newest_readings, specimens
from crestgauge.inference.ledger.tables import Base
from crestgauge.inference.pipeline import Reader
from crestgauge.inference.screening.outcome import read_item
from crestgauge.inference.screening.pool import WorkersFailed, read_all, read_here
from crestgauge.inference.screening.run import ScreenOptions, screen
from crestgauge.inference.screening.sources import Found, Item, find_photos, read_bytes

T = Base.metadata.tables


def rows(ledger, table):
    with ledger.reading() as connection:
        return [dict(r) for r in connection.execute(sa.select(T[table]).order_by(T[table].c.id)).mappings()]


def here(options):
    """Read in this process: faster to start than workers."""
    return partial(read_here, reader=Reader(options))


def counts(ledger):
    return {name: len(rows(ledger, name)) for name in ("photos", "sightings", "readings", "failures")}


def test_a_folder_is_screened_once(season, ledger, options):
    """
    Nine places: one jaw twice, four meadows (one in a ZIP), two broken files; run again, nothing is added.
    """
    found = find_photos([str(season)])
    assert len(found.items) == 8
    assert found.other_files == 2
    told = []
    progress = screen(
        found, ledger, ScreenOptions(read=options, workers=2), on_progress=lambda p: told.append(p.finished)
    )
    assert (progress.total, progress.read, progress.failed, progress.duplicates) == (8, 5, 2, 1)
    assert (progress.clear, progress.borderline, progress.retake) == (1, 0, 4)
    assert told == sorted(told)
    assert told[-1] == 8
    assert heaps(ledger) == {"clear": 1, "borderline": 0, "retake": 4}
    assert counts(ledger) == {"photos": 5, "sightings": 8, "readings": 5, "failures": 2}
    assert {r["kind"] for r in rows(ledger, "failures")} == {"photo"}
    assert all(r["sha256"] for r in rows(ledger, "failures"))
    before = counts(ledger)
    again = screen(find_photos([str(season)]), ledger, ScreenOptions(read=options, workers=1))
    assert (again.read, again.failed, again.done_before, again.failed_before) == (0, 0, 5, 2)
    assert again.duplicates == 1
    assert counts(ledger) == before


def test_the_reading_is_that_of_a_single_photo(season, ledger, options):
    """Worker processes change nothing: the JSON text is that of a Reader in this process."""
    screen(find_photos([str(season / "jaw.png")]), ledger, ScreenOptions(read=options, workers=1))
    assert (
        rows(ledger, "readings")[0]["reading"] == Reader(options).read(season / "jaw.png").reading.to_json()
    )


def test_another_model_reads_again(season, ledger, options, tmp_path):
    """Content hash, model and criteria decide: a renamed fine network makes it another model."""
    place = str(season / "meadow0.jpg")
    screen(find_photos([place]), ledger, ScreenOptions(read=options, workers=1), read=here(options))
    folder = tmp_path / "other"
    shutil.copytree(options.manifest.parent, folder)
    text = (folder / "weights.toml").read_text().replace('"painted-fine"', '"painted-fine-2"')
    (folder / "weights.toml").write_text(text)
    other = replace(options, manifest=folder / "weights.toml")
    progress = screen(find_photos([place]), ledger, ScreenOptions(read=other, workers=1), read=here(other))
    assert progress.read == 1
    assert len(rows(ledger, "readings")) == 2
    assert len(newest_readings(ledger)) == 1


def test_list_with_specimens(season, ledger, options, tmp_path):
    """A CSV list links photos to animals; bad rows are refused one by one and named by line."""
    table = tmp_path / "list.csv"
    table.write_text(
        "photo;specimen_id;sex;harvest_date\n"
        f"{season}/meadow0.jpg;A-1;male;2026-11-14\n"
        f"{season}/meadow1.jpg;A-1;male;2026-11-14\n"
        f"{season}/meadow2.jpg;A-2;stag;2026-11-14\n"
        ";A-3;male;\n"
        f"{season}/meadow2.jpg;A-1;female;2026-11-14\n"
        f"{tmp_path}/gone.jpg;A-4;;\n"
    )
    progress = screen(
        find_photos([str(table)]), ledger, ScreenOptions(read=options, workers=1), read=here(options)
    )
    assert [a["specimen_id"] for a in specimens(ledger)] == ["A-1", "A-4"]
    assert [r["specimen_id"] for r in newest_readings(ledger)] == ["A-1", "A-1"]
    reasons = "\n".join(f"{r.where} {r.why}" for r in progress.refused)
    assert "list.csv:4 sex 'stag'" in reasons
    assert "list.csv:5 no photo" in reasons
    assert "list.csv:6 specimen A-1 has other values" in reasons
    assert "gone.jpg: cannot be read (No such file or directory)" in reasons
    assert progress.read == 2
    assert progress.failed == 1


def test_list_that_comes_after_the_reading_still_links(season, ledger, options, tmp_path):
    place = season / "meadow0.jpg"
    screen(find_photos([str(place)]), ledger, ScreenOptions(read=options, workers=1), read=here(options))
    (tmp_path / "l.csv").write_text(f"photo,specimen_id\n{place},A-9\n")
    progress = screen(
        find_photos([str(tmp_path / "l.csv")]),
        ledger,
        ScreenOptions(read=options, workers=1),
        read=here(options),
    )
    assert progress.done_before == 1
    assert newest_readings(ledger)[0]["specimen_id"] == "A-9"


@pytest.mark.parametrize(
    ("card_id", "listed", "linked"),
    [
        ("A-1", None, "A-1"),
        (" A-1 ", None, "A-1"),
        ("A\n-1", None, None),
        ("x" * 65, None, None),
        ("", None, None),
        ("A-1", "B-2", "B-2"),
    ],
)
def test_the_card_names_the_animal_unless_a_list_does(season, ledger, options, card_id, listed, linked):
    """Whatever a stranger prints into a code, it links or is left alone, and never stops a run."""
    item = Item(location=str(season / "meadow0.jpg"), specimen_id=listed)

    def read(items):
        for one in items:
            yield one, replace(read_item(Reader(options), one), card_id=card_id)

    progress = screen(Found(items=[item]), ledger, ScreenOptions(read=options), read=read)
    assert newest_readings(ledger)[0]["specimen_id"] == linked
    assert bool(progress.refused) == (listed is not None)


def test_shards_cover_everything_once(season, ledger, options):
    """Three shards one after the other do what one run does."""
    found = find_photos([str(season)])
    read = [
        screen(found, ledger, ScreenOptions(read=options, workers=1, shard=(i, 3))).total for i in (1, 2, 3)
    ]
    assert sum(read) == 8
    assert counts(ledger)["photos"] == 5


def test_killed_workers_lose_nothing(tmp_path, manifest, ledger, options):
    """
    SIGKILL inside a worker: once, the photo is tried again; twice, it is reported, and all others are read.
    """
    folder = tmp_path / "f"
    folder.mkdir()
    for k, name in enumerate(("a", "once1", "b", "poison", "once2", "c", "bug", "d")):
        save_meadow(folder / f"{name}.jpg", k)
    read = partial(read_all, make_reader=mortal(manifest, tmp_path), workers=2)
    progress = screen(find_photos([str(folder)]), ledger, ScreenOptions(read=options), read=read)
    assert (progress.read, progress.failed) == (6, 2)
    failures = {r["location"].rsplit("/", 1)[-1]: r for r in rows(ledger, "failures")}
    assert failures["poison.jpg"]["kind"] == "killed"
    assert "died on it" in failures["poison.jpg"]["message"]
    assert failures["poison.jpg"]["sha256"]
    assert failures["bug.jpg"]["kind"] == "bug"
    assert "ZeroDivisionError: by design (screen_help.py" in failures["bug.jpg"]["message"]
    assert counts(ledger)["readings"] == 6
    again = screen(find_photos([str(folder)]), ledger, ScreenOptions(read=options), read=read)
    assert (again.read, again.failed, again.done_before, again.failed_before) == (0, 0, 6, 2)
    retried = screen(
        find_photos([str(folder)]),
        ledger,
        ScreenOptions(read=options, workers=1, retry_failures=True),
        read=here(options),
    )
    assert (retried.read, retried.failed) == (2, 0)


def test_a_photo_that_takes_too_long_is_given_up(tmp_path, manifest):
    # The next photo is one that breaks at once: reading would race the clock on a busy machine.
    items = [Item(location=str(save_meadow(tmp_path / f"{name}.jpg", 1))) for name in ("slow", "bug")]
    outcomes = dict(read_all(items, mortal(manifest, tmp_path), workers=1, timeout_s=5.0))
    kinds = {item.location.rsplit("/", 1)[-1]: outcome.kind for item, outcome in outcomes.items()}
    assert kinds == {"slow.jpg": "killed", "bug.jpg": "bug"}
    assert "longer than 5 s" in outcomes[items[0]].message


def test_weights_that_cannot_be_loaded_stop_before_the_first_photo(season, ledger, options, tmp_path):
    with pytest.raises(WeightsError):
        screen(
            find_photos([str(season)]),
            ledger,
            ScreenOptions(read=replace(options, manifest=tmp_path / "no.toml")),
        )
    with pytest.raises(WorkersFailed, match=r"no\.toml"):
        list(read_all([Item(location="x")], mortal(tmp_path / "no.toml", tmp_path), workers=1))


def test_places(season, tmp_path):
    with pytest.raises(ExchangeError, match="is not there"):
        find_photos([str(tmp_path / "gone")])
    with pytest.raises(ExchangeError, match="no known kind"):
        find_photos([str(season / "note.txt")])
    (tmp_path / "l.csv").write_text("file\nx.jpg\n")
    with pytest.raises(ExchangeError, match="one called photo"):
        find_photos([str(tmp_path / "l.csv")])
    (tmp_path / "broken.zip").write_bytes(b"PK\x03\x04 no archive")
    assert "archive cannot be read" in find_photos([str(tmp_path)]).refused[0].why
    with pytest.raises(PhotoError, match="cannot be read"):
        read_bytes(f"{season}/mail.zip!gone.jpg")
    assert len(read_bytes(f"{season}/mail.zip!deer/inside.jpg")) > 100


def test_fsspec_urls(season, ledger, options):
    """Any fsspec URL: here its memory and file systems."""
    fsspec = pytest.importorskip("fsspec")
    with fsspec.open("memory://bucket/m.jpg", "wb") as stream:
        stream.write((season / "meadow1.jpg").read_bytes())
    assert [i.location for i in find_photos(["memory://bucket/"]).items] == ["memory:///bucket/m.jpg"]
    assert read_bytes("memory:///bucket/m.jpg") == (season / "meadow1.jpg").read_bytes()
    progress = screen(
        find_photos([f"file://{season}/meadow1.jpg"]),
        ledger,
        ScreenOptions(read=options, workers=1),
        read=here(options),
    )
    assert progress.read == 1
