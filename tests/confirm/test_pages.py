"""Pages: what a person sees, what a blind one never sees, and what is written when they decide."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping

import pytest
from built_readings import KEY, READINGS, read
from confirm_ledger import keep
from evidence_rows import CLASS_ROWS

from crestgauge.inference.confirm.calls import (
    CallInput,
    calls_view,
    file_call,
    file_corrections,
    person_name,
    reader,
    same_person,
    stored_corrections,
)
from crestgauge.inference.confirm.corrections import Corrections, CrestMark, ToothMark, edges_from_widths
from crestgauge.inference.confirm.jaw_pages import BlindJawPage, JawPage
from crestgauge.inference.confirm.pages import jaw_page, retake_message_page
from crestgauge.inference.confirm.queue import queue_page
from crestgauge.inference.confirm.queue_pages import BlindQueuePage, QueueAsk
from crestgauge.inference.confirm.station import new_jaw_page, specimen_page
from crestgauge.inference.confirm.views import Viewer
from crestgauge.inference.errors import InputError, LedgerError
from crestgauge.inference.ledger.measurements import measurements_of
from crestgauge.inference.ledger.paging import QueueIndex
from crestgauge.inference.ledger.queries import standing_calls
from crestgauge.inference.ledger.readers import calls_of
from crestgauge.inference.ledger.record import add_specimen
from crestgauge.inference.ledger.specimen import AGE_CLASSES, Specimen
from crestgauge.inference.ledger.store import Ledger

ANN, BEN, CY = (Viewer(person=name) for name in ("Ann", "Ben", "Cy"))
BLIND = Viewer(person="Dora", blind=True)
PAIR = [Viewer(person=name, readers_wanted=2) for name in ("Ann", "Ben", "Cy")]


def page(season, viewer, name="borderline", **more):
    ledger, photos = season
    return jaw_page(ledger, KEY, viewer, photos[name], **more)


def call(season, viewer, name="borderline", **given):
    ledger, _ = season
    return file_call(ledger, viewer, page(season, viewer, name), CallInput(**given))


def narrow(tooth=4, ratio=0.4):
    """Edges on both crests of a tooth that make it clearly narrow or wide."""
    return Corrections(
        edges=tuple(
            edges_from_widths(
                tooth, lobe, dentine_px=20 * ratio, enamel_outer_px=20, enamel_inner_px=20, at=at, zoom=8
            )
            for lobe in (1, 2)
            for at in (0.25, 0.5, 0.75)
        )
    )


# -------------------------------------------------------------------------------- what is shown


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


# -------------------------------------------------------------------------------- correcting


def test_a_draft_is_answered_and_not_kept(season):
    ledger, _ = season
    before = page(season, ANN)
    shown = page(season, ANN, draft=narrow())
    assert (shown.age_class, shown.outcome) == ("2.5", "clear")
    assert shown.machine.outcome == "borderline"
    assert {c.by_person for c in shown.crests if c.tooth == 4} == {True}
    assert shown.crests[0].machine_ratio.value == 0.98
    assert page(season, ANN) == before
    assert measurements_of(ledger, before.reading_id, history=True) == []


def test_corrections_are_kept_beside_the_reading_and_seen_by_their_maker(season):
    ledger, _ = season
    reading_id = page(season, ANN).reading_id
    wide = narrow(ratio=1.6)
    assert file_corrections(ledger, ANN, reading_id, wide) == 6
    assert file_corrections(ledger, ANN, reading_id, wide) == 0
    assert stored_corrections(ledger, ANN, reading_id) == wide
    assert (page(season, ANN).age_class, page(season, BEN).age_class) == ("3.5", "2.5")
    assert len(page(season, BEN).measurements) == 6
    changed = dataclasses.replace(wide, edges=wide.edges[:5])
    assert file_corrections(ledger, ANN, reading_id, changed) == 1
    marked = Corrections(
        crests=(CrestMark(tooth=4, lobe=1, mark="unusable"),), teeth=(ToothMark(tooth=3, milk=False),)
    )
    assert file_corrections(ledger, ANN, reading_id, marked) == 7
    assert stored_corrections(ledger, ANN, reading_id) == marked
    assert file_corrections(ledger, ANN, reading_id, Corrections()) == 2
    assert page(season, ANN).age_class == "2.5"
    history = measurements_of(ledger, reading_id, history=True)
    assert len(history) == 6 + 1 + 7 + 2
    assert measurements_of(ledger, reading_id) == []


def test_confirming_what_one_measured_oneself_is_a_change_of_the_proposal(season):
    ledger, _ = season
    file_corrections(ledger, ANN, page(season, ANN).reading_id, narrow(ratio=1.6))
    call(season, ANN, action="confirm")
    (row,) = standing_calls(ledger)
    assert (row["decision"], row["age_class"]) == ("changed", "3.5")
    assert "own measurement" in row["reason"]
    saw = json.loads(row["saw_detail"])
    assert (saw["machine"], saw["shown"], saw["corrections"]) == ("2.5", "3.5", 6)


def test_corrections_that_do_not_fit_are_not_kept(season):
    ledger, _ = season
    reading_id = page(season, ANN).reading_id
    wrong = Corrections(crests=(CrestMark(tooth=4, lobe=3, mark="unusable"),))
    with pytest.raises(InputError, match="no crest there"):
        file_corrections(ledger, ANN, reading_id, wrong)
    with pytest.raises(InputError, match="name"):
        file_corrections(ledger, Viewer(), reading_id, narrow())
    assert measurements_of(ledger, reading_id, history=True) == []


# -------------------------------------------------------------------------------- calling


def test_a_call_says_what_was_seen_and_what_was_chosen(season):
    ledger, photos = season
    filed = call(season, ANN, action="confirm", confidence="H", experience="20 seasons")
    (row,) = standing_calls(ledger)
    assert row["id"] == filed.call_id
    assert (row["person"], row["decision"], row["age_class"]) == ("Ann", "confirmed", "2.5")
    assert (row["photo_id"], row["saw"], row["confidence"]) == (photos["borderline"], "proposal", "H")
    assert json.loads(row["saw_detail"])["others_calls"] == 0
    assert page(season, ANN).calls.final == "2.5"


def test_another_class_needs_a_reason_and_undoing_is_a_new_call(season):
    ledger, photos = season
    with pytest.raises(InputError, match="reason"):
        call(season, ANN, action="change", age_class="3.5")
    with pytest.raises(InputError, match="Confirm it"):
        call(season, ANN, action="change", age_class="2.5", reason="x")
    first = call(season, ANN, action="change", age_class="3.5", reason="bands misdrawn").call_id
    second = call(season, ANN, action="confirm").call_id
    third = call(season, ANN, action="withdraw").call_id
    rows = calls_of(ledger, photos["borderline"])
    assert [(r["id"], r["replaces"]) for r in rows] == [(first, None), (second, first), (third, second)]
    assert [row["standing"] for row in rows] == [False, False, False]
    assert page(season, ANN).calls.state == "none"
    with pytest.raises(InputError, match="cannot be chosen"):
        call(season, ANN, action="withdraw")
    call(season, ANN, action="retake", reason="glare")
    (row,) = standing_calls(ledger)
    assert (row["decision"], row["age_class"], row["reason"]) == ("none", None, "retake: glare")


def test_a_form_never_confirms_what_was_not_on_its_page(season):
    ledger, _ = season
    old = page(season, ANN)
    file_corrections(ledger, ANN, old.reading_id, narrow(ratio=1.6))
    new = page(season, ANN)
    with pytest.raises(InputError, match="has changed"):
        file_call(ledger, ANN, new, CallInput(action="confirm", shown=old.form.shown))
    with pytest.raises(InputError, match=r"proposes 3\.5"):
        file_call(ledger, ANN, new, CallInput(action="confirm", age_class="2.5", shown=new.form.shown))
    file_call(ledger, ANN, new, CallInput(action="confirm", age_class="3.5", shown=new.form.shown))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"action": "own", "age_class": "3.5"}, "cannot be chosen"),
        ({"action": "settle", "age_class": "3.5"}, "cannot be chosen"),
        ({"action": "change", "age_class": "9.5", "reason": "x"}, "needs one of"),
        ({"action": "change", "reason": "x"}, "needs one of"),
        ({"action": "erase"}, "cannot be chosen"),
    ],
)
def test_calls_that_cannot_be(season, given, words):
    with pytest.raises(InputError, match=words):
        call(season, ANN, **given)
    assert standing_calls(season[0]) == []


def test_names():
    assert person_name("  Ann   Lee ") == "Ann Lee"
    assert same_person("ann lee", "Ann  Lee")
    for bad in ("", "  ", "x" * 121, "a\x00b"):
        with pytest.raises(InputError, match="name"):
            person_name(bad)


def test_a_reader_keeps_one_spelling(season):
    call(season, ANN, action="confirm")
    assert reader(season[0], " ANN ") == "Ann"
    assert reader(season[0], "Anna") == "Anna"
    with pytest.raises(InputError, match="name"):
        call(season, Viewer(), action="confirm")


# -------------------------------------------------------------------------------- two readers


def test_two_readers_do_not_see_each_other_until_both_have_called(season):
    ann, ben, cy = PAIR
    call(season, ann, action="confirm")
    before = page(season, ben)
    assert (before.calls.calls, before.calls.hidden, before.calls.state) == ((), 1, "second_wanted")
    assert "Ann" not in json.dumps(before.to_dict())
    own = page(season, ann)
    assert [c.person for c in own.calls.calls] == ["Ann"]
    assert own.calls.final is None
    call(season, ben, action="change", age_class="3.5", reason="wider than drawn")
    for viewer in PAIR:
        seen = page(season, viewer).calls
        assert [(c.person, c.age_class) for c in seen.calls] == [("Ann", "2.5"), ("Ben", "3.5")]
        assert (seen.state, seen.final) == ("disagree", None)
    assert [page(season, v).calls.may_settle for v in PAIR] == [False, False, True]
    assert [choice.value for choice in page(season, cy).form.actions] == ["settle"]


def test_measurements_stay_hidden_with_the_calls(season):
    ledger, _ = season
    ann, ben, _ = PAIR
    file_corrections(ledger, ann, page(season, ann).reading_id, narrow())
    call(season, ann, action="confirm")
    assert page(season, ben).measurements == ()
    assert page(season, ben).machine is None
    call(season, ben, action="confirm")
    assert len(page(season, ben).measurements) == 6


def test_a_third_reader_settles_and_may_change_their_mind(season):
    ann, ben, cy = PAIR
    call(season, ann, action="confirm")
    call(season, ben, action="change", age_class="3.5", reason="wider than drawn")
    with pytest.raises(InputError, match="reason"):
        call(season, cy, action="settle", age_class="3.5")
    call(season, cy, action="settle", age_class="3.5", reason="looked at both, wide along the middle")
    seen = page(season, ann).calls
    assert (seen.state, seen.final) == ("settled", "3.5")
    call(season, cy, action="withdraw")
    assert page(season, ann).calls.state == "disagree"


def test_two_readers_who_agree_need_no_third(season):
    ann, ben, cy = PAIR
    call(season, ann, action="confirm")
    call(season, ben, action="confirm")
    seen = page(season, cy).calls
    assert (seen.state, seen.final, seen.may_settle) == ("agreed", "2.5", False)


def test_leaving_for_a_second_reader(season):
    """
    Without two-reader sessions: one asks, the photo then needs two readers, and is gone from the asker's
    list.
    """
    ledger, photos = season
    assert call(season, ANN, action="leave", reason="stained").call_id is None
    mine = [row.photo_id for row in queue_page(ledger, ANN).rows]
    others = [row.photo_id for row in queue_page(ledger, BEN).rows]
    assert photos["borderline"] not in mine
    assert photos["borderline"] in others
    call(season, BEN, action="confirm")
    assert page(season, CY).calls.state == "second_wanted"
    wanted = queue_page(ledger, CY, QueueAsk(todo="second"))
    assert [row.photo_id for row in wanted.rows] == [photos["borderline"]]
    call(season, CY, action="confirm")
    assert page(season, ANN).calls.state == "agreed"


# -------------------------------------------------------------------------------- queue


def test_borderline_first_then_retake_then_clear(season):
    ledger, _ = season
    shown = queue_page(ledger, ANN)
    assert [row.outcome for row in shown.rows] == sorted(
        (row.outcome for row in shown.rows), key=("borderline", "retake", "clear").index
    )
    assert shown.rows[0].photo_id == season[1]["borderline"]
    assert "Tooth 4 (m1)" in shown.rows[0].words
    assert {h.outcome: h.total for h in shown.heaps} == {"borderline": 1, "retake": 3, "clear": 3}


def test_filters_search_and_pages(season):
    ledger, photos = season
    assert [r.photo_id for r in queue_page(ledger, ANN, QueueAsk(age_class="4.5")).rows] == [photos["clear"]]
    assert {r.specimen_id for r in queue_page(ledger, ANN, QueueAsk(search="a-1")).rows} == {"A-1"}
    assert queue_page(ledger, ANN, QueueAsk(search="%")).rows == ()
    rows = [
        row.photo_id
        for number in (1, 2, 3)
        for row in queue_page(ledger, ANN, QueueAsk(page=number, page_size=3)).rows
    ]
    assert rows == [row.photo_id for row in queue_page(ledger, ANN).rows]
    assert queue_page(ledger, ANN, QueueAsk(page_size=3)).pages == 3
    for wrong in ({"page": 0}, {"page_size": 0}, {"page_size": 1000}, {"outcomes": ("best",)}, {"todo": "x"}):
        with pytest.raises(InputError):
            QueueAsk(**wrong)


def test_a_called_photo_leaves_the_list_and_the_next_one_comes(season):
    ledger, photos = season
    index = QueueIndex(ledger)
    order = [row.photo_id for row in queue_page(ledger, ANN, index=index).rows]
    assert page(season, ANN, index=index).next_photo_id == order[1]
    call(season, ANN, action="confirm")
    after = queue_page(ledger, ANN, index=index)
    assert [row.photo_id for row in after.rows] == order[1:]
    assert {h.outcome: h.to_do for h in after.heaps}["borderline"] == 0
    done = queue_page(ledger, ANN, QueueAsk(todo="done"), index=index)
    assert [(row.photo_id, row.own_call) for row in done.rows] == [(photos["borderline"], "2.5")]
    assert jaw_page(ledger, KEY, ANN, order[-1], index=index).next_photo_id is None


# -------------------------------------------------------------------------------- blindness

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


# -------------------------------------------------------------------------------- animal, station, retake


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
