"""What a blind reader never sees, however much has been said."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping

import pytest
from built_readings import KEY, READINGS
from confirm_ledger import keep
from confirm_pages import ANN, BEN, BLIND, PAIR, call, narrow, page

from crestgauge.inference.confirm.calls import (
    calls_view,
    file_corrections,
)
from crestgauge.inference.confirm.jaw_pages import BlindJawPage, JawPage
from crestgauge.inference.confirm.pages import jaw_page
from crestgauge.inference.confirm.queue import queue_page
from crestgauge.inference.confirm.queue_pages import BlindQueuePage, QueueAsk
from crestgauge.inference.confirm.station import specimen_page
from crestgauge.inference.confirm.views import Viewer
from crestgauge.inference.errors import InputError
from crestgauge.inference.ledger.queries import standing_calls
from crestgauge.inference.ledger.record import add_specimen
from crestgauge.inference.ledger.specimen import Specimen
from crestgauge.inference.ledger.store import Ledger

TELLING = (
    "outcome",
    "class",
    "possible",
    "ratio",
    "doubt",
    "step",
    "ladder",
    "retake",
    "headline",
    "heap",
    "crest",
    "tooth",
    "teeth",
    "side",
    "note",
    "coarse",
    "machine",
    "proposal",
    "measurement",
    "calls",
    "disagree",
    "fact",
)
"""Parts of field names that would carry what a blind reader must not know."""
ALLOWED = {"form.classes", "form.coarse_classes", "form.confirm_class"}
"""The classes to choose from, the same on every page, and the class to confirm, which is null."""


def walk(value, path=""):
    """Every path of an object with its value, all the way down."""
    if dataclasses.is_dataclass(value):
        value = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        for name, inner in value.items():
            here = f"{path}.{name}" if path else str(name)
            yield here, inner
            yield from walk(inner, here)
    elif isinstance(value, tuple | list):
        for inner in value:
            yield from walk(inner, path)


def leaks(made):
    """Field names that tell, outside what is the same on every page."""
    return [
        path
        for path, _ in walk(made)
        if not any(path.startswith(free) for free in ALLOWED)
        and any(word in path.rsplit(".", 1)[-1] for word in TELLING)
    ]


def everything_said(season):
    """A season in which a lot has been said about every photo by others."""
    ledger, photos = season
    add_specimen(
        ledger,
        Specimen(specimen_id="A-0", age_years=4.5, age_kind="known", age_basis="tagged as fawn", sex="male"),
    )
    for name in photos:
        shown = page(season, ANN, name)
        action = "confirm" if shown.age_class else "retake"
        call(season, ANN, name, action=action, reason="seen" if action == "retake" else "")
    file_corrections(ledger, BEN, page(season, BEN).reading_id, narrow())
    call(season, BEN, action="change", age_class="3.5", reason="wider than drawn")


def test_the_walk_itself_finds_what_an_open_page_says(season):
    """Else the tests of blindness could not fail."""
    assert len(leaks(page(season, ANN))) > 40
    assert leaks(queue_page(season[0], ANN))


def test_a_blind_page_holds_nothing_that_was_said_before(season):
    ledger, photos = season
    everything_said(season)
    for photo in photos.values():
        made = jaw_page(ledger, KEY, BLIND, photo)
        assert isinstance(made, BlindJawPage)
        assert leaks(made) == []
        assert made.form.confirm_class is None
        text = json.dumps(made.to_dict())
        # "retake" is also something to choose, on every page.
        for other in ("Ann", "Ben", "tagged", "wider than drawn", "borderline", "clear"):
            assert other not in text
    same = [jaw_page(ledger, KEY, BLIND, photo) for photo in photos.values()]
    assert len({repr(dataclasses.replace(made.form, shown="")) for made in same}) == 1


def test_a_blind_page_does_not_change_with_what_is_hidden(season, tmp_path):
    """
    Two ledgers, same photos, every reading and call another one: the blind pages are equal but for the box.
    """
    everything_said(season)
    kinds = list(READINGS)
    with Ledger(str(tmp_path / "other.db"), by="test") as other:
        for k, name in enumerate(kinds):
            reading = READINGS["clear"] if name in ("borderline", "yearling", "dished") else READINGS[name]
            keep(other, k, reading, specimen_id=f"A-{k // 2}")
        for name in ("borderline", "yearling", "dished"):
            k = kinds.index(name) + 1
            assert jaw_page(other, KEY, BLIND, k).to_dict() == page(season, BLIND, name).to_dict()
        ours, theirs = (queue_page(where, BLIND).to_dict() for where in (season[0], other))
        order = [row["photo_id"] for row in ours["rows"]]
        assert order == [row["photo_id"] for row in theirs["rows"]]


def test_a_blind_queue_knows_neither_heap_nor_doubt(season):
    ledger, photos = season
    everything_said(season)
    made = queue_page(ledger, BLIND, QueueAsk(outcomes=("borderline",), age_class="2.5", todo="disagree"))
    assert isinstance(made, BlindQueuePage)
    assert leaks(made) == []
    hashes = [row.sha256 for row in made.rows]
    assert hashes == sorted(hashes)
    assert {row.photo_id for row in made.rows} == set(photos.values())
    assert (made.done, made.all) == (0, len(photos))
    shown = specimen_page(ledger, BLIND, "A-0")
    assert (shown.facts, shown.photos, shown.calls, shown.disagreement) == ((), (), (), "")
    assert len(shown.photo_ids) == 2


def test_after_the_blind_call_the_page_opens(season):
    ledger, _ = season
    everything_said(season)
    with pytest.raises(InputError, match="blind"):
        page(season, BLIND, draft=narrow())
    with pytest.raises(InputError, match="cannot be chosen"):
        call(season, BLIND, action="confirm")
    call(season, BLIND, action="own", age_class="3.5", confidence="M")
    row = next(row for row in standing_calls(ledger) if row["person"] == "Dora")
    assert (row["decision"], row["saw"], row["reading_id"]) == ("own", "photo", None)
    assert json.loads(row["saw_detail"]) == {"blind": True}
    opened = page(season, BLIND)
    assert isinstance(opened, JawPage)
    assert opened.age_class == "2.5"
    assert isinstance(page(season, BLIND, "clear"), BlindJawPage)
    call(season, BLIND, action="withdraw")
    assert isinstance(page(season, BLIND), JawPage)  # what was seen cannot be unseen
    again = call(season, BLIND, action="settle", age_class="4.5", reason="second thought")
    row = next(row for row in standing_calls(ledger) if row["id"] == again.call_id)
    assert row["saw"] == "proposal"
    assert queue_page(ledger, BLIND).done == 1


def test_calls_of_others_stay_hidden_from_a_blind_reader_of_two(season):
    ledger, photos = season
    call(season, PAIR[0], action="confirm")
    blind = Viewer(person="Dora", blind=True, readers_wanted=2)
    call(season, blind, action="own", age_class="2.5")
    seen = calls_view(ledger, blind, photos["borderline"])
    assert (seen.state, len(seen.calls)) == ("agreed", 2)
    third = Viewer(person="Eve", blind=True, readers_wanted=2)
    unseen = calls_view(ledger, third, photos["borderline"])
    assert (unseen.calls, unseen.hidden, unseen.final, unseen.may_settle) == ((), 2, None, False)
