"""Readings in words."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import pytest
from built_readings import BLURRED, READINGS, read
from evidence_rows import CLASS_ROWS, bare, crest, molar, row, yearling_row

from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.explain import MARGINS, METHOD, decided, explain
from crestgauge.inference.rules import propose

KEY = load_criteria()


def test_a_step_in_words() -> None:
    explanation = explain(read(CLASS_ROWS["3.5"]))
    sentences = [step.sentence for step in explanation.steps]
    assert sentences[3] == (
        "Tooth 4 (m1): dentine 1.40 ± 0.06 times the enamel beside it; needs at least 1: yes -> at least 3.5"
    )
    assert sentences[-1] == (
        "Tooth 5 (m2): dentine 0.70 ± 0.06 times the enamel beside it; needs at least 1: no -> 3.5"
    )
    assert decided(read(CLASS_ROWS["3.5"])) == sentences[-1]


def test_what_stands_behind_a_value_is_said_once() -> None:
    """Two standard uncertainties, as on pictures and pages (JCGM 100:2008, 7.2.4: say which)."""
    explanation = explain(read(CLASS_ROWS["3.5"]))
    assert explanation.text().count(MARGINS) == explanation.html().count(MARGINS) == 1
    assert MARGINS not in explain(READINGS["no jaw"]).text()


@pytest.mark.parametrize("age_class", list(CLASS_ROWS))
def test_every_class_ends_with_accuracy_and_caution(age_class: str) -> None:
    explanation = explain(read(CLASS_ROWS[age_class]), remarks=KEY.remarks)
    lines = explanation.text().split("\n")
    assert lines[0] == f"Proposed age class {age_class} (clear)"
    assert lines[-1] == "A proposal for a trained person to confirm."
    assert lines[-2] == METHOD
    assert sum(line.startswith("Coarse class") for line in lines) == len(KEY.groupings)
    assert sum(line.startswith("Published: ") for line in lines) == len(KEY.remarks)
    assert sum(line.startswith("  > ") for line in lines) == 1


def test_a_milk_tooth_is_called_by_its_name() -> None:
    assert "Tooth 3 (dp4): milk tooth, 3 lobes" in explain(read(yearling_row())).text()


def test_borderline_says_what_else_is_possible_and_that_the_key_was_read_on() -> None:
    explanation = explain(read(row(molar(4, 0.98))))
    assert explanation.headline == "Proposed age class 2.5 (borderline; also possible: 3.5)"
    assert explanation.possible == "Also possible: 3.5; the younger class is kept."
    assert "borderline -> 2.5, or at least 3.5" in explanation.steps[3].sentence
    assert [step.beyond for step in explanation.steps] == [False] * 4 + [True]
    assert "read on:" in explanation.text()


def test_the_definition_that_changes_the_class_is_named() -> None:
    crests = tuple(crest(lobe, 1.2, definitions={"inner": 0.9}) for lobe in (1, 2))
    text = explain(read(row(molar(4, 1.2, crests=crests)))).text()
    assert "It changes with the definition of the ratio (inner)." in text
    assert "0.90 against the inner (infundibulum-side) enamel band alone" in text


def test_an_open_class_says_at_least() -> None:
    explanation = explain(read(row(bare(5, "missing"), molar(4, 1.5))))
    assert explanation.headline == "No age class (borderline): at least 3.5; possible: 3.5, 4.5"
    assert explanation.steps[-2].then == "3.5, or at least 4.5"
    assert "Look at: Tooth 5 (m2): missing." in explanation.text()


def test_a_step_taken_as_passed_says_so() -> None:
    explanation = explain(read(row(bare(4, "broken"), molar(5, 1.5))))
    assert explanation.steps[3].answer == "unseen, taken as passed"
    assert explanation.steps[3].then == "at least 3.5"


def test_a_refused_photo_gives_reason_value_limit_and_advice() -> None:
    reading = READINGS["blurred"]
    explanation = explain(reading, remarks=KEY.remarks)
    assert explanation.steps == () and explanation.accuracy == ()
    assert explanation.retake == (f"blurred (measured 6.25, limit 4). {BLURRED.advice}",)
    assert decided(reading) == explanation.retake[0]
    assert explanation.text().endswith("A proposal for a trained person to confirm.")


class _Text(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text, self.open = "", []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize("name", list(READINGS))
def test_html_says_what_the_text_says_and_escapes_it(name: str) -> None:
    reading = replace(READINGS[name], notes=("<script>alert(1)</script> & more",))
    explanation = explain(reading, remarks=KEY.remarks)
    html = explanation.html()
    assert "<script>" not in html
    parser = _Text()
    parser.feed(html)
    parser.close()
    assert parser.open == []
    parts = [explanation.headline, explanation.caution, *explanation.notes, *explanation.retake]
    for part in [*parts, *explanation.accuracy, *(step.sentence for step in explanation.steps)]:
        assert part in parser.text


def test_no_words_promise_more_than_a_proposal() -> None:
    for evidence in CLASS_ROWS.values():
        text = explain(read(evidence), remarks=KEY.remarks).text().lower()
        assert propose(evidence, KEY).age_class is not None
        assert not {"certain", "legal", "licence", "license", "tag"} & set(text.replace(",", " ").split())
