"""Corrections and calls: what is written when people decide, alone, in pairs and in turn."""

from __future__ import annotations

import dataclasses
import json

import pytest
from built_readings import KEY
from confirm_pages import ANN, BEN, CY, PAIR, call, narrow, page

from crestgauge.inference.confirm.calls import (
    CallInput,
    file_call,
    file_corrections,
    person_name,
    reader,
    same_person,
    stored_corrections,
)
from crestgauge.inference.confirm.corrections import Corrections, CrestMark, ToothMark
from crestgauge.inference.confirm.pages import JawOptions, jaw_page
from crestgauge.inference.confirm.queue import queue_page
from crestgauge.inference.confirm.queue_pages import QueueAsk
from crestgauge.inference.confirm.views import Viewer
from crestgauge.inference.errors import InputError
from crestgauge.inference.ledger.measurements import measurements_of
from crestgauge.inference.ledger.paging import QueueIndex
from crestgauge.inference.ledger.queries import standing_calls
from crestgauge.inference.ledger.readers import calls_of


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


def test_a_request_for_a_second_reader_is_taken_back(season):
    """By whoever asked, and by nobody else; the photo is open to them again, and one call settles it."""
    ledger, photos = season
    call(season, ANN, action="leave")
    offered = {who.person: [c.value for c in page(season, who).form.actions] for who in (ANN, BEN)}
    assert "alone" in offered[ANN.person] and "leave" not in offered[ANN.person]
    assert "leave" in offered[BEN.person] and "alone" not in offered[BEN.person]
    with pytest.raises(InputError, match="cannot be chosen"):
        call(season, BEN, action="alone")
    assert call(season, ANN, action="alone").call_id is None
    assert photos["borderline"] in [row.photo_id for row in queue_page(ledger, ANN).rows]
    assert not queue_page(ledger, CY, QueueAsk(todo="second")).rows
    assert not page(season, ANN).calls.second_wanted
    call(season, ANN, action="leave")
    assert page(season, ANN).calls.asked_by_viewer


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
    assert jaw_page(ledger, KEY, ANN, order[-1], JawOptions(index=index)).next_photo_id is None
