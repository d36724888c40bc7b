"""Written ages to classes, and sets side by side: what every odd cell gets."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestgauge.inference.compare.ages import SCALES, LabelRules, place, scale_named
from crestgauge.inference.compare.align import AgeSet, Row, align
from crestgauge.inference.errors import InputError

YEARS = SCALES["years"]
FREE = LabelRules(whole_years="add-half", between="nearest")


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("0.5", "0.5"), ("3.5", "3.5"), ("3.50", "3.5"), ("3 1/2", "3.5"), ("3-1/2", "3.5"), ("3½", "3.5"),
        ("½", "0.5"), ("3.5 yrs", "3.5"), ("3.5yr", "3.5"), ("3.5 years", "3.5"), ("3,5", "3.5"),
        (" 3.5 ", "3.5"),
        ("8.5+", "8.5+"), ("8.5", "8.5+"), ("8.5 +", "8.5+"), ("8.5+ yrs", "8.5+"), (">8.5", "8.5+"),
        (">= 8.5", "8.5+"), ("≥8.5", "8.5+"), ("9.5", "8.5+"), ("9.5+", "8.5+"), ("12 1/2", "8.5+"),
        ("3.5 years old", "3.5"), ("3.5 y.o.", "3.5"),
    ],
)  # fmt: skip
def test_ways_to_write_an_age(text, label):
    placed = place(text, YEARS)
    assert placed.code is not None, placed.problem
    assert YEARS.labels[placed.code] == label
    assert placed.notes or text.strip() in YEARS.labels  # every rewriting is told


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "empty"), ("NA", "no age"), ("?", "no age"), ("3", "whole year"), ("3 yrs", "whole year"),
        ("3.2", "between"), ("old", "no age"), ("3.5.1", "no age"), ("-1.5", "no age"), ("3.5+", "open"),
        ("1e3", "no age"), ("inf", "no age"), ("nan", "no age"),
        ("no class, retake", "no age: no class"),
        ("3.5 1/2", "no age"), ("3.5-4.5", "no age"),
    ],
)  # fmt: skip
def test_what_is_no_age_says_why(text, word):
    placed = place(text, YEARS)
    assert placed.code is None
    assert word in placed.problem


def test_whole_years_and_ages_between_follow_the_rules():
    assert YEARS.labels[place("3", YEARS, FREE).code] == "3.5"
    assert YEARS.labels[place("3.9", YEARS, FREE).code] == "3.5"
    assert YEARS.labels[place("0.2", YEARS, FREE).code] == "0.5"
    assert YEARS.labels[place("8", YEARS, FREE).code] == "8.5+"
    assert "whole year 3 read as 3.5" in place("3", YEARS, FREE).notes


def test_outside_a_scale():
    adult = SCALES["adult-from-3.5"]
    assert adult.labels[place("7.5", adult).code] == "3.5+"
    assert adult.labels[place("3.5+", adult).code] == "3.5+"
    assert "collapsed" not in str(place("3.5+", adult).notes)
    stages = SCALES["stages"]
    assert stages.labels[place("4.5", stages).code] == "3.5-5.5"
    assert "4.5 collapsed into 3.5-5.5" in place("4.5", stages).notes
    assert stages.labels[place("3.5–5.5", stages).code] == "3.5-5.5"
    assert stages.labels[place("8.5+", stages).code] == "6.5+"


def test_unknown_scale_is_named():
    with pytest.raises(InputError, match="age scale"):
        scale_named("months")


@given(st.text(max_size=12))
def test_any_text_gets_a_class_or_a_reason(text):
    for scale in SCALES.values():
        placed = place(text, scale, FREE)
        assert (placed.code is None) == bool(placed.problem)
        assert placed.code is None or 0 <= placed.code < len(scale.labels)


def _set(name, *cells):
    return AgeSet(
        name=name, rows=tuple(Row(row=i + 2, id=key, age=age) for i, (key, age) in enumerate(cells))
    )


def test_every_row_is_in_the_table_or_in_the_report():
    a = _set(
        "a", ("D1", "3.5"), ("D2", "2.5"), ("D2", "2.5"), ("D3", "1.5"), ("D3", "4.5"), ("D4", ""),
        ("D5", "99 x"), ("", "2.5"), ("D6", "3 1/2"), ("D7", "3"), ("D9", "8.5+"),
    )  # fmt: skip
    b = _set(
        "b", ("D1", "3.5"), ("D2", "2.5"), ("D3", "1.5"), ("D4", "2.5"), ("D6", "4.5"), ("D8", "1.5"),
        ("D9", "7.5"),
    )  # fmt: skip
    found = align([a, b], YEARS)
    both = dict(zip(found.ids, found.codes.tolist(), strict=True))
    assert both["D1"] == [3, 3] and both["D2"] == [2, 2] and both["D6"] == [3, 4] and both["D9"] == [8, 7]
    assert both["D3"] == [-1, 1] and both["D8"] == [-1, 1]
    told = {(p.set_name, p.row): p for p in found.problems}
    expected = {
        4: "duplicate id with the same age as row 3", 5: "different ages", 6: "different ages", 7: "empty",
        8: "no age", 9: "no id", 11: "whole year",
    }  # fmt: skip
    for row, word in expected.items():
        assert word in told["a", row].what and not told["a", row].used
    assert told["a", 10].used and "3.5" in told["a", 10].what
    assert "no usable age in a" in told["b", 4].what  # D3: its rows in a contradict each other
    assert "in no other set" in told["b", 7].what
    # Nothing is lost: every row number is used or told.
    used = {2, 3, 10, 12}
    assert used | {row for name, row in told if name == "a" and not told[name, row].used} == set(range(2, 13))


def test_sets_need_two_names():
    with pytest.raises(InputError, match="at least 2"):
        align([_set("a")], YEARS)
    with pytest.raises(InputError, match="own name"):
        align([_set("a"), _set("a")], YEARS)
