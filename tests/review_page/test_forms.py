"""Plain forms of the page: what a browser without script sends, as typed input."""

from __future__ import annotations

import json

import pytest

from crestgauge.cli.review.forms import call_from_form, corrections_from_form
from crestgauge.inference.confirm.corrections import BandEdges, Corrections
from crestgauge.inference.errors import InputError

UNTOUCHED = {
    "corrections": "",
    "mark-4-1": "",
    "state-3": "",
    "milk-3": "",
    "side": "",
    "ruler_mm": "",
    "csrf": "x",
}


def test_an_untouched_form_corrects_nothing():
    assert not corrections_from_form(UNTOUCHED)


def test_the_script_sends_corrections_whole():
    wanted = Corrections(edges=(BandEdges(tooth=4, lobe=1, edges_px=(5.0, 2.0, -2.0, -5.0), zoom=8.0),))
    form = UNTOUCHED | {"corrections": json.dumps(wanted.to_dict()), "mark-5-1": "unusable"}
    assert corrections_from_form(form) == wanted


def test_widths_become_edges():
    """Dentine 4 px wide with 3 px of enamel on the tongue side and 2 px on the other, about the line."""
    found = corrections_from_form(UNTOUCHED | {"dentine-4-2": "4", "outer-4-2": "3", "inner-4-2": "2,0"})
    (edges,) = found.edges
    assert (edges.tooth, edges.lobe, edges.edges_px) == (4, 2, (5.0, 2.0, -2.0, -4.0))


def test_a_mark_stands_instead_of_widths():
    found = corrections_from_form(
        {
            "mark-4-1": "unusable",
            "dentine-4-1": "4",
            "outer-4-1": "3",
            "inner-4-1": "2",
            "mark-6-3": "no_dentine",
        }
    )
    assert not found.edges
    assert [(c.tooth, c.lobe, c.mark) for c in found.crests] == [(4, 1, "unusable"), (6, 3, "no_dentine")]


def test_teeth_side_and_ruler():
    ruler = {"ruler_x1": "10", "ruler_y1": "20", "ruler_x2": "110", "ruler_y2": "20", "ruler_mm": "10"}
    found = corrections_from_form(
        {"state-2": "missing", "milk-3": "no", "side": "right", "crests_stand": "yes"} | ruler
    )
    assert [(t.tooth, t.state, t.milk) for t in found.teeth] == [(2, "missing", None), (3, None, False)]
    assert found.side is not None and (found.side.side, found.side.crests_stand) == ("right", True)
    assert found.ruler is not None and found.ruler.length_mm == 10


@pytest.mark.parametrize(
    ("form", "word"),
    [
        ({"dentine-4-1": "4"}, "outer-4-1, inner-4-1: empty"),
        ({"dentine-4-1": "wide", "outer-4-1": "1", "inner-4-1": "1"}, "needs a number"),
        ({"dentine-4-1": "inf", "outer-4-1": "1", "inner-4-1": "1"}, "needs a number"),
        ({"mark-4-1": "nice"}, "mark-4-1: 'nice'"),
        ({"state-3": "gone"}, "state-3: 'gone'"),
        ({"side": "up"}, "side: 'up'"),
        ({"milk-3": "maybe"}, "milk-3: 'maybe'"),
        ({"corrections": "{"}, "not valid JSON"),
    ],
)
def test_what_a_form_cannot_mean_is_said(form, word):
    with pytest.raises(InputError, match=word):
        corrections_from_form(form)


def test_fields_that_are_no_crest_are_left_alone():
    assert not corrections_from_form({"mark-²-1": "unusable", "mark-4": "unusable", "outer--": "1"})


def test_a_call_joins_ready_and_own_words():
    call = call_from_form(
        {
            "action": "change",
            "age_class": "3.5",
            "reason_ready": "Bands misplaced",
            "reason": " food ",
            "confidence": "H",
        }
    )
    assert (call.action, call.age_class, call.reason, call.confidence) == (
        "change",
        "3.5",
        "Bands misplaced. food",
        "H",
    )
    assert call_from_form({"action": "leave", "age_class": ""}).age_class is None


def test_an_action_that_no_form_has():
    with pytest.raises(InputError, match="action: 'delete'"):
        call_from_form({"action": "delete"})
