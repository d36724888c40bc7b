"""Pages: what a person sees of a jaw, an animal and a message."""

from __future__ import annotations

import dataclasses
import json

import pytest
from built_readings import KEY, READINGS, read
from confirm_pages import ANN, BLIND, call, page
from evidence_rows import CLASS_ROWS

from crestgauge.inference.confirm.pages import jaw_page, retake_message_page
from crestgauge.inference.confirm.queue import queue_page
from crestgauge.inference.confirm.station import new_jaw_page, specimen_page
from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger.record import add_specimen
from crestgauge.inference.ledger.specimen import AGE_CLASSES, Specimen


def test_the_jaw_page_shows_the_reading(season):
    shown, reading = page(season, ANN), READINGS["borderline"]
    assert (shown.age_class, shown.possible, shown.outcome) == (
        reading.age_class,
        reading.possible,
        "borderline",
    )
    assert [step.id for step in shown.ladder] == [step.id for step in reading.steps]
    assert [step.id for step in shown.ladder if step.decided] == [reading.deciding]
    fourth = [crest for crest in shown.crests if crest.tooth == 4]
    assert [crest.ratio.value for crest in fourth] == [0.98, 0.98]
    assert {crest.against_one for crest in fourth} == {"across"}
    assert [(t.position, t.state) for t in shown.teeth] == [(t.position, t.state) for t in reading.teeth]
    assert shown.ladder[3].box == reading.teeth[3].box
    assert shown.ladder[3].crests == ((4, 1), (4, 2))
    assert shown.caution == reading.caution


def test_intervals_are_two_standard_uncertainties_wide(season):
    ratio = page(season, ANN).crests[0].ratio
    assert (ratio.low, ratio.high) == pytest.approx((0.98 - 2 * ratio.u, 0.98 + 2 * ratio.u))
    assert ratio.text == f"0.98 ± {2 * ratio.u:.2f}"


def test_published_facts_come_with_their_source(season):
    """
    Every rung, every accuracy and every remark names where it stands; without the criteria none is shown.
    """
    shown = page(season, ANN)
    for step in shown.ladder:
        assert step.sources
        assert all(source.text and source.where for source in (*step.sources, step.threshold_source))
    accuracy = [a for coarse in shown.coarse for a in coarse.accuracy]
    assert accuracy
    assert all(a.source for a in accuracy)
    assert len(shown.remarks) == len(KEY.remarks)
    for words, remark in zip(shown.remarks, KEY.remarks, strict=True):
        assert f"{remark.accuracy.percent:g} %" in words
        assert remark.accuracy.source.text in words
    ledger, photos = season
    other = jaw_page(ledger, dataclasses.replace(KEY, version="9"), ANN, photos["borderline"])
    assert all(not step.sources and step.threshold_source is None for step in other.ladder)
    assert (other.remarks, other.can_correct) == ((), False)


def test_a_refused_photo_says_why_and_gives_no_class(season):
    shown = page(season, ANN, "blurred")
    assert (shown.age_class, shown.outcome) == (None, "retake")
    assert [reason.reason for reason in shown.retake] == ["blurred"]
    assert "6.25" in shown.retake[0].words
    assert "confirm" not in [choice.value for choice in shown.form.actions]
    nothing = page(season, ANN, "no jaw")
    assert (nothing.crests, nothing.can_correct, nothing.level.found) == ((), False, False)


def test_what_a_photo_cannot_show_is_said_on_every_page(season):
    for name in READINGS:
        shown = page(season, ANN, name)
        assert any("differ" in words for words in shown.cannot_show)
    assert any("Tooth 4" in words for words in page(season, ANN, "unseen").cannot_show)


def test_other_photos_of_the_animal_that_disagree_are_named(season):
    """ "clear" (4.5) and "yearling" (1.5) are two photos of one animal in this season."""
    shown = page(season, ANN, "clear")
    assert [s.file for s in shown.siblings] == ["jaw-1.jpg"]
    assert "jaw-1.jpg" in shown.disagreement
    assert "No class is possible on all" in shown.disagreement


def test_html_and_json_have_the_same_fields(season):
    """The JSON of a page has exactly the fields of its class, at every depth, and is finite JSON."""
    ledger, photos = season
    found = [
        page(season, ANN),
        page(season, BLIND),
        queue_page(ledger, ANN),
        queue_page(ledger, BLIND),
        specimen_page(ledger, ANN, "A-0"),
        new_jaw_page(ANN),
        retake_message_page(ledger, photos["blurred"]),
    ]
    for made in found:
        plain = json.loads(json.dumps(made.to_dict(), allow_nan=False))
        _same_shape(made, plain)


def _same_shape(value, plain):
    if dataclasses.is_dataclass(value):
        assert set(plain) == {f.name for f in dataclasses.fields(value)}
        for f in dataclasses.fields(value):
            _same_shape(getattr(value, f.name), plain[f.name])
    elif isinstance(value, tuple):
        assert len(value) == len(plain)
        for inner, other in zip(value, plain, strict=True):
            _same_shape(inner, other)


def test_a_photo_that_is_not_there(season):
    with pytest.raises(LedgerError, match="not in the ledger"):
        jaw_page(season[0], KEY, ANN, 999)
    with pytest.raises(LedgerError, match="not in the ledger"):
        specimen_page(season[0], ANN, "Z-9")


def test_the_page_of_an_animal(season):
    ledger, _ = season
    add_specimen(ledger, Specimen(specimen_id="A-0", sex="female", lactating=True))
    call(season, ANN, "clear", action="confirm")
    shown = specimen_page(ledger, ANN, "A-0")
    assert [(fact.label, fact.value) for fact in shown.facts] == [("Sex", "female"), ("Lactating", "yes")]
    assert [photo.age_class for photo in shown.photos] == ["4.5", "1.5"]
    assert "disagree" in shown.disagreement
    assert [c.age_class for c in shown.calls] == ["4.5"]


def test_the_message_for_a_new_photo(season):
    ledger, photos = season
    made = retake_message_page(ledger, photos["blurred"])
    assert "Hold the phone still." in made.text
    assert "jaw-5.jpg" in made.text
    wished = retake_message_page(ledger, photos["clear"], asked="Please dry the teeth.")
    assert "Please dry the teeth." in wished.text


def test_the_class_list_is_that_of_the_ledger(season):
    assert [choice.value for choice in page(season, ANN).form.classes] == list(AGE_CLASSES)
    keys = [choice.key for choice in page(season, ANN).form.classes]
    assert len(set(keys)) == len(keys)


def test_old_jaws_are_shown_without_ratios_they_do_not_have(season):
    shown = page(season, ANN, "dished")
    assert shown.age_class == "8.5+"
    fourth = [crest for crest in shown.crests if crest.tooth == 4]
    assert all(crest.ratio is None and "no infundibulum" in crest.words for crest in fourth)
    assert read(CLASS_ROWS["8.5+"]).age_class == "8.5+"
