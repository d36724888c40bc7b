"""
A person's corrections go through the one key: answers change as they should, and no step is ever skipped.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from built_readings import KEY, READINGS, read
from evidence_rows import CLASS_ROWS, crest, milk_row, molar, row, yearling_row
from hypothesis import given, settings
from hypothesis import strategies as st

from crestgauge.inference.build import evidence_of
from crestgauge.inference.confirm.corrected import answer, corrected, corrected_reading, ruler_scale
from crestgauge.inference.confirm.corrections import (
    BY_PERSON,
    BandEdges,
    Corrections,
    CrestMark,
    Pointing,
    Ruler,
    SideMark,
    ToothMark,
    edges_from_widths,
    from_parts,
    parts_of,
)
from crestgauge.inference.errors import InputError

ADULT = read(CLASS_ROWS["3.5"])
"""Tooth 4 at 1.4, tooth 5 at 0.7, tooth 6 at 0.4: 3.5."""
WITH_TEETH = {name: reading for name, reading in READINGS.items() if reading.teeth}


def edges(tooth, lobe, ratio, *, enamel=20.0, at=0.5, zoom=8.0):
    """Edges that give a ratio on two equal bands."""
    return edges_from_widths(
        tooth,
        lobe,
        dentine_px=ratio * enamel,
        enamel_outer_px=enamel,
        enamel_inner_px=enamel,
        at=at,
        zoom=zoom,
    )


def both(tooth, ratio, **more):
    """Both main crests of a tooth at a ratio, measured at three places, so that no taper is left open."""
    return tuple(edges(tooth, lobe, ratio, at=at, **more) for lobe in (1, 2) for at in (0.25, 0.5, 0.75))


@pytest.mark.parametrize("name", WITH_TEETH)
def test_nothing_corrected_is_the_machines_reading(name):
    """Not alike but equal: evidence, classes, steps, notes, to the last digit."""
    reading = WITH_TEETH[name]
    assert corrected_reading(reading, Corrections(), KEY) == reading
    assert corrected(reading, Corrections()) == evidence_of(reading)


def test_dragging_edges_moves_the_class_down_and_up():
    """Expected classes by the key itself: tooth 4 below 1 stops at 2.5; tooth 5 above 1 goes on to 4.5."""
    assert answer(ADULT, Corrections(), KEY).age_class == "3.5"
    assert answer(ADULT, Corrections(edges=both(4, 0.5)), KEY).age_class == "2.5"
    assert answer(ADULT, Corrections(edges=both(5, 1.6)), KEY).age_class == "4.5"
    assert answer(ADULT, Corrections(edges=both(5, 1.6) + both(6, 1.6)), KEY).age_class == "5.5"


def test_a_width_near_the_limit_is_borderline_by_its_own_uncertainty():
    """2 % above 1 with bands of 20 px, each edge known to half a pixel: too near to tell."""
    proposal = answer(ADULT, Corrections(edges=both(4, 1.02)), KEY)
    assert proposal.outcome == "borderline"
    assert proposal.possible == ("2.5", "3.5")


def test_an_unusable_crest_leaves_the_other_one():
    reading = read(row(molar(4, 1.4, crests=(crest(1, 0.4), crest(2, 1.6)))))
    assert answer(reading, Corrections(), KEY).outcome == "borderline"
    one = answer(reading, Corrections(crests=(CrestMark(tooth=4, lobe=1, mark="unusable"),)), KEY)
    assert one.age_class == "3.5"
    assert one.tooth_ratios[4].value == 1.6
    none = tuple(CrestMark(tooth=4, lobe=lobe, mark="unusable") for lobe in (1, 2))
    proposal = answer(reading, Corrections(crests=none), KEY)
    assert (proposal.age_class, proposal.unseen_teeth) == (None, (4,))


def test_marks_of_no_dentine_and_of_a_gone_infundibulum():
    fresh = tuple(CrestMark(tooth=4, lobe=lobe, mark="no_dentine") for lobe in (1, 2))
    assert answer(ADULT, Corrections(crests=fresh), KEY).age_class == "2.5"
    gone = tuple(
        CrestMark(tooth=tooth, lobe=lobe, mark="infundibulum_gone") for tooth in (4, 5, 6) for lobe in (1, 2)
    )
    assert answer(ADULT, Corrections(crests=gone), KEY).age_class == "8.5+"


def test_tooth_3_milk_or_permanent():
    """
    A milk tooth 3 with tooth 6 up is 1.5; a row read as a yearling's whose tooth 3 is permanent is older.
    """
    as_milk = Corrections(teeth=(ToothMark(tooth=3, milk=True),))
    assert answer(ADULT, as_milk, KEY).age_class == "1.5"
    yearling = read(yearling_row())
    as_permanent = Corrections(teeth=(ToothMark(tooth=3, milk=False),))
    assert answer(yearling, Corrections(), KEY).age_class == "1.5"
    assert answer(yearling, as_permanent, KEY).steps[1].answer != "no"
    fawn = read(milk_row())
    assert answer(fawn, Corrections(), KEY).age_class == "0.5"


def test_a_tooth_said_to_be_lost_or_broken_says_nothing_of_wear():
    for state in ("missing", "broken", "unseen"):
        proposal = answer(ADULT, Corrections(teeth=(ToothMark(tooth=4, state=state),)), KEY)
        step = next(s for s in proposal.steps if s.tooth == 4)
        assert step.answer == "unseen"
        assert step.measured is None
        assert proposal.outcome == ("retake" if state == "unseen" else "borderline")


def test_the_other_side_throws_away_crests_of_the_cheek_side():
    """Unless the person says that they lie on the tongue side after all."""
    swapped = answer(ADULT, Corrections(side=SideMark(side="right")), KEY)
    assert swapped.age_class is None
    assert set(swapped.unseen_teeth) >= {4}
    kept = answer(ADULT, Corrections(side=SideMark(side="right", crests_stand=True)), KEY)
    assert kept.age_class == "3.5"
    assert answer(ADULT, Corrections(side=SideMark(side="left")), KEY).age_class == "3.5"
    shown = corrected_reading(ADULT, Corrections(side=SideMark(side="right", crests_stand=True)), KEY)
    assert shown.side == "right"


def test_a_refused_photo_stays_refused_whatever_is_corrected():
    blurred = READINGS["blurred"]
    shown = corrected_reading(blurred, Corrections(edges=both(4, 1.6)), KEY)
    assert (shown.outcome, shown.age_class) == ("retake", None)
    assert [item.reason for item in shown.retake] == ["blurred"]


def test_a_tooth_that_was_not_seen_can_be_answered_by_a_person():
    """The refusal came from the key, and the key is asked anew."""
    unseen = read(row(molar(4, None), molar(5, 0.4)))
    assert unseen.outcome == "retake"
    assert corrected_reading(unseen, Corrections(edges=both(4, 0.4)), KEY).age_class == "2.5"


def test_a_corrected_crest_is_marked_and_the_reading_stays_as_it_was():
    before = ADULT.to_json()
    shown = corrected_reading(ADULT, Corrections(edges=(edges(4, 1, 0.5),)), KEY)
    first, second = shown.teeth[3].crests
    assert BY_PERSON in first.flags
    assert BY_PERSON not in second.flags
    assert first.dentine_px.value == pytest.approx(10.0, abs=0.001)  # three decimals are kept
    assert ADULT.to_json() == before


def test_pointing_error_agrees_with_simulation():
    """
    Four edges with independent Gaussian errors, drawn many times; the spread of the ratio is what is stated.

    20,000 draws know a spread to 0.5 %; the formula is first order (JCGM 100:2008, 5.1.2) and misses 2 %
    where an edge error is a twentieth of a band.
    """
    pointing = Pointing()
    drawn = both(4, 1.2)
    stated = corrected(ADULT, Corrections(edges=drawn)).teeth[3].crests[0].ratio
    sigma = pointing.edge_px(8.0)
    rng = np.random.default_rng(7)
    a, b, c, d = np.asarray(drawn[0].edges_px)[:, None] + rng.normal(0, sigma, (4, 20_000))
    ratio = 2 * (b - c) / ((a - b) + (c - d))
    assert stated.value == pytest.approx(1.2, abs=1e-4)
    assert stated.u == pytest.approx(float(ratio.std()), rel=0.03)


def test_zooming_in_makes_a_width_surer_but_never_certain():
    """1.5 screen pixels over the zoom, and half a photo pixel that no zoom removes."""
    u = [
        corrected(ADULT, Corrections(edges=both(4, 1.2, zoom=zoom))).teeth[3].crests[0].ratio.u
        for zoom in (0.5, 1.0, 4.0, 64.0)
    ]
    assert u == sorted(u, reverse=True)
    assert Pointing().edge_px(1.0) == pytest.approx(math.hypot(1.5, 0.5))
    assert Pointing().edge_px(1e9) == pytest.approx(0.5)


def test_one_place_is_less_sure_than_the_whole_middle_half():
    """The definition is the median over the middle half; what the taper can do is in the uncertainty."""
    one = corrected(ADULT, Corrections(edges=(edges(4, 1, 1.2),))).teeth[3].crests[0].ratio
    three = corrected(ADULT, Corrections(edges=both(4, 1.2))).teeth[3].crests[0].ratio
    assert one.value == three.value
    assert one.u >= three.u
    tapering = read(row(molar(4, 1.4, crests=(crest(1, 1.0, definitions={"middle": 1.23}), crest(2, 1.0)))))
    tapered = corrected(tapering, Corrections(edges=(edges(4, 1, 1.2),))).teeth[3].crests[0].ratio
    # 0.23 of the ratio as a rectangular distribution, JCGM 100:2008, 4.3.7.
    assert tapered.u == pytest.approx(math.hypot(three.u, 1.2 * 0.23 / math.sqrt(3)), abs=2e-4)


def test_several_places_are_taken_by_their_median_and_by_definition():
    drawn = tuple(edges(4, 1, r, at=at) for r, at in ((0.8, 0.25), (1.1, 0.5), (0.9, 0.75)))
    found = corrected(ADULT, Corrections(edges=drawn)).teeth[3].crests[0]
    assert found.ratio.value == pytest.approx(0.9)
    assert found.ratio_by_definition["middle"] == pytest.approx(1.1)
    assert found.ratio_by_definition["widest"] == pytest.approx(1.1)


def test_two_ruler_points_make_a_scale():
    """500 px over 50 mm are 10 px/mm; two points of sigma s are sqrt(2) s apart."""
    ruler = Ruler(first=(100.0, 100.0), second=(400.0, 500.0), length_mm=50.0, zoom=2.0)
    scale = ruler_scale(ruler)
    assert scale.value == pytest.approx(10.0)
    assert scale.u == pytest.approx(math.sqrt(2) * math.hypot(0.75, 0.5) / 50)
    assert corrected_reading(ADULT, Corrections(ruler=ruler), KEY).px_per_mm == pytest.approx(10.0)


GOOD = (20.0, 8.0, -8.0, -20.0)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Corrections(edges=(BandEdges(tooth=4, lobe=1, edges_px=(1.0, 2.0, 0.0, -1.0)),)), "fall"),
        (lambda: Corrections(edges=(BandEdges(tooth=4, lobe=1, edges_px=(5.0, 2.0, 3.0, -1.0)),)), "fall"),
        (
            lambda: Corrections(edges=(BandEdges(tooth=4, lobe=1, edges_px=(math.nan, 2.0, 0.0, -1.0)),)),
            "finite",
        ),
        (
            lambda: Corrections(edges=(BandEdges(tooth=4, lobe=1, edges_px=(2.05, 2.0, 0.0, -1.0)),)),
            "at least",
        ),
        (lambda: Corrections(edges=(BandEdges(tooth=4, lobe=1, edges_px=GOOD, zoom=0.0),)), "zoom"),
        (lambda: Corrections(edges=(BandEdges(tooth=4, lobe=1, edges_px=GOOD, at=1.2),)), "0 to 1"),
        (lambda: Corrections(edges=(BandEdges(tooth=4, lobe=1, edges_px=(9e3, 2.0, 0.0, -1.0)),)), "at most"),
        (lambda: Corrections(edges=(BandEdges(tooth=7, lobe=1, edges_px=GOOD),)), "1 to 6"),
        (lambda: Corrections(edges=(BandEdges(tooth=4, lobe=4, edges_px=GOOD),)), "1 to 3"),
        (lambda: Corrections(edges=(BandEdges(tooth=4, lobe=1, edges_px=GOOD),) * 2), "twice"),
        (
            lambda: Corrections(
                edges=(BandEdges(tooth=4, lobe=1, edges_px=GOOD),),
                crests=(CrestMark(tooth=4, lobe=1, mark="unusable"),),
            ),
            "one of them",
        ),
        (lambda: Corrections(teeth=(ToothMark(tooth=5, milk=True),)), "no milk"),
        (lambda: Corrections(teeth=(ToothMark(tooth=5),)), "one of them"),
        (lambda: Corrections(ruler=Ruler(first=(1.0, 1.0), second=(2.0, 1.0), length_mm=10.0)), "apart"),
        (lambda: Corrections(ruler=Ruler(first=(1.0, 1.0), second=(90.0, 1.0), length_mm=0.0)), "1000 mm"),
    ],
)
def test_bad_corrections_get_one_clear_sentence(make, words):
    with pytest.raises(InputError, match=words):
        make()


def test_corrections_must_fit_the_reading():
    for wrong in (
        Corrections(edges=(edges(4, 3, 1.0),)),
        Corrections(crests=(CrestMark(tooth=1, lobe=1, mark="unusable"),)),
        Corrections(ruler=Ruler(first=(1.0, 1.0), second=(9000.0, 1.0), length_mm=10.0)),
    ):
        with pytest.raises(InputError, match="corrections: "):
            corrected(ADULT, wrong)
    with pytest.raises(InputError, match="no tooth row"):
        corrected(READINGS["no jaw"], Corrections())
    other = replace(ADULT, versions=replace(ADULT.versions, criteria="other 1.0"))
    with pytest.raises(InputError, match="criteria"):
        corrected_reading(other, Corrections(), KEY)


def test_json_says_what_is_wrong():
    plain = Corrections(edges=(edges(4, 1, 1.2),)).to_dict()
    for change, words in (
        ({"schema": "other/1"}, r"\$\.schema"),
        ({"more": 1}, "unknown key"),
        ({"side": {"side": "middle", "crests_stand": False}}, r"\$\.side\.side"),
        ({"edges": [{**plain["edges"][0], "edges_px": [1, 2, 3]}]}, "a list of 4"),
        ({"edges": [{**plain["edges"][0], "tooth": "4"}]}, "whole number"),
    ):
        with pytest.raises(InputError, match=words) as caught:
            Corrections.from_dict(plain | change)
        assert "photo" not in str(caught.value)
    with pytest.raises(InputError, match="not valid JSON"):
        Corrections.from_json(b"{")


def _numbers(low, high):
    return st.floats(low, high, allow_nan=False).map(lambda v: round(v, 3))


@st.composite
def any_corrections(draw):
    """Corrections of every kind that fit the crests of teeth 4 to 6."""
    crests = draw(st.lists(st.tuples(st.integers(4, 6), st.integers(1, 2)), unique=True))
    drawn, marks = [], []
    for tooth, lobe in crests:
        if draw(st.booleans()):
            mark = draw(st.sampled_from(["unusable", "no_dentine", "infundibulum_gone"]))
            marks.append(CrestMark(tooth=tooth, lobe=lobe, mark=mark))
            continue
        outer, dentine, inner = draw(_numbers(1, 60)), draw(_numbers(0, 90)), draw(_numbers(1, 60))
        top = draw(_numbers(-20, 60))
        places = [round(top - v, 3) for v in (0.0, outer, outer + dentine, outer + dentine + inner)]
        drawn.append(BandEdges(tooth=tooth, lobe=lobe, edges_px=tuple(places), zoom=draw(_numbers(0.1, 50))))
    states = st.sampled_from(["erupted", "erupting", "absent", "missing", "broken", "unseen"])
    teeth = [
        ToothMark(tooth=tooth, state=draw(states))
        for tooth in draw(st.lists(st.integers(1, 6), unique=True, max_size=3))
    ]
    if all(mark.tooth != 3 for mark in teeth) and draw(st.booleans()):
        teeth.append(ToothMark(tooth=3, state="erupted", milk=draw(st.booleans())))
    side = draw(
        st.none() | st.builds(SideMark, side=st.sampled_from(["left", "right"]), crests_stand=st.booleans())
    )
    return Corrections(edges=tuple(drawn), crests=tuple(marks), teeth=tuple(teeth), side=side)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(given_=any_corrections(), name=st.sampled_from(sorted(CLASS_ROWS)))
def test_no_correction_makes_the_key_skip_a_step(given_, name):
    """
    Whatever a person corrects, the steps are the first questions of the file in their order, up to the first
    no, and the class is one that those steps allow.
    """
    proposal = answer(_OLD[name], _fitting(given_, _OLD[name]), KEY)
    asked = [step.id for step in proposal.steps]
    assert asked == [criterion.id for criterion in KEY.key][: len(asked)]
    answers = [step.answer for step in proposal.steps]
    assert "no" not in answers[:-1]
    assert answers[-1] == "no" or len(asked) == len(KEY.key)
    assert proposal.deciding in asked
    assert proposal.age_class is None or proposal.age_class in proposal.possible
    assert set(proposal.possible) <= set(KEY.classes)


def _fitting(given_, reading):
    """Without what the reading has no crest for."""
    there = {(tooth.position, crest.lobe) for tooth in reading.teeth for crest in tooth.crests}
    return replace(
        given_,
        edges=tuple(e for e in given_.edges if (e.tooth, e.lobe) in there),
        crests=tuple(c for c in given_.crests if (c.tooth, c.lobe) in there),
    )


_OLD = {name: read(evidence) for name, evidence in CLASS_ROWS.items()}


@settings(max_examples=80, deadline=None, derandomize=True)
@given(given_=any_corrections())
def test_json_and_parts_there_and_back(given_):
    assert Corrections.from_json(json.dumps(given_.to_dict())) == given_
    parts = parts_of(given_)
    assert len({part.key for part in parts}) == len(parts)
    back = from_parts((part.kind, part.value) for part in parts)
    assert sorted(map(repr, parts_of(back))) == sorted(map(repr, parts))


def test_a_later_part_wins_and_marks_and_edges_exclude_each_other():
    first, second = edges(4, 1, 1.0), edges(4, 1, 1.3)
    mark = CrestMark(tooth=4, lobe=1, mark="unusable")
    one, two = parts_of(Corrections(edges=(first,)))[0], parts_of(Corrections(edges=(second,)))[0]
    marked = parts_of(Corrections(crests=(mark,)))[0]
    kept = [(part.kind, part.value) for part in (one, two)]
    assert from_parts(kept).edges == (second,)
    assert from_parts([*kept, (marked.kind, marked.value)]) == Corrections(crests=(mark,))
    assert from_parts([(marked.kind, marked.value), *kept]).edges == (second,)
