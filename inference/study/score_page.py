"""The results of a study as a page that stands alone, as JSON, and as CSV tables; all from one `Score`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import fields
from typing import Any, Final

from markupsafe import Markup

from crestgauge.inference.compare import svg
from crestgauge.inference.compare.estimate import Estimate, fixed, format_p
from crestgauge.inference.compare.files import csv_text
from crestgauge.inference.compare.gauge import GUIDE
from crestgauge.inference.compare.measures import Repeatability
from crestgauge.inference.compare.report import BIOLOGY, CAUTION, plain
from crestgauge.inference.compare.study import PairResult
from crestgauge.inference.compare.tables import report_tables
from crestgauge.inference.study.score import Score, WidthError

SCHEMA: Final = "crestgauge.study-score/1"
PAGE: Final = "study.html"
JSON: Final = "study.json"
WORDS: Final = {
    "ratio": "ratio", "dentine_mm": "dentine", "outer_enamel_mm": "outer enamel",
    "inner_enamel_mm": "inner enamel", "infundibulum_left": "infundibulum left", "age class": "age called",
}  # fmt: skip
ESTIMATE: Final = ("value", "low", "high", "unit", "n", "note")


def score_files(score: Score) -> dict[str, str]:
    """Every file of the results by name."""
    tables = {f"comparison_{name}": text for name, text in report_tables(score.report).items()}
    tables["problems.csv"] = tables.pop("comparison_problems.csv")
    return {PAGE: score_html(score), JSON: score_json(score), **_tables(score), **tables}


def score_json(score: Score) -> str:
    """All results as JSON."""
    data = {f.name: plain(getattr(score, f.name)) for f in fields(score)}
    methods = {"text": score.methods, "sources": score.sources}
    document = {"schema": SCHEMA, "caution": CAUTION, **data, "methods": methods}
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def score_html(score: Score) -> str:
    """The page: one file, no script, nothing loaded from elsewhere."""
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    loader = ChoiceLoader(
        [PackageLoader("crestgauge.inference.study"), PackageLoader("crestgauge.inference.compare")]
    )
    environment = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {"p": format_p, "fixed": fixed}
    return environment.get_template("score.html").render(
        s=score, r=score.report, study=score.report.study, caution=CAUTION, biology=BIOLOGY, guide=GUIDE,
        words=WORDS, gauges=_gauges(score), forest_width=_forest(score.widths), short=in_short(score),
        confusion=_marked(svg.confusion), age_bias_plot=_marked(svg.age_bias_plot),
        difference_plot=_marked(svg.difference_plot), sets=_sets(score), against=_against(score),
    )  # fmt: skip


def _marked(draw: Any) -> Any:
    """The drawings escape every text they hold themselves."""
    return lambda *args, **kwargs: Markup(draw(*args, **kwargs))


def _against(score: Score) -> list[PairResult]:
    study = score.report.study
    return [p for p in study.pairs if p.to_reference] if study is not None else []


def _sets(score: Score) -> list[str]:
    return list(score.classes[0].right) if score.classes else []


def _forest(widths: Sequence[WidthError]) -> Markup | str:
    rows = [(f"tooth {w.tooth}, {WORDS[w.quantity]}", w.relative) for w in widths]
    if not rows:
        return ""
    label = "Relative bias of the tool against callipers"
    return Markup(svg.forest(rows, label=label, unit="percent; right of the line: the tool finds wider"))


def _gauges(score: Score) -> list[tuple[str, Repeatability]]:
    """What repeats, of each kind the block with the most people, so that no result stands there twice."""
    out = [("tool, two photos", r) for r in score.of_tool]
    for kind, results in (("readers, two readings", score.of_readers), ("by hand", score.by_hand)):
        several = {(r.quantity, r.tooth) for r in results if len(r.readers) > 1}
        out += [
            (kind, r)
            for r in results
            if len(r.readers) > 1 or (r.quantity, r.tooth) not in several or kind.startswith("readers")
        ]
    return out


def in_short(score: Score) -> list[str]:
    """The main results, one sentence each."""
    out = []
    for p in _against(score):
        if p.second in ("cementum",):
            continue
        out.append(
            f"{p.second}: same class as {p.first} in {p.exact.sentence(0)} of {p.n} animals, within one "
            f"class in {p.within_one.sentence(0)}; mean bias {p.bias.sentence(2)}."
        )
    for w in score.widths:
        if w.quantity == "ratio" and w.relative.value is not None:
            out.append(
                f"Ratio of tooth {w.tooth}, tool against callipers: relative bias {w.relative.sentence(1)} "
                f"on {w.relative.n} animals; {w.covered.sentence(0)} of values by hand in stated intervals."
            )
    for r in score.of_tool:
        if r.quantity == "ratio" and r.within_sd.value is not None:
            out.append(
                f"Ratio of tooth {r.tooth}, two photos of one jaw: repeat SD {r.within_sd.sentence(3)} on "
                f"{r.n_items} jaws."
            )
    missing = sum(p.wanted - p.found for p in score.pairs)
    wanted = sum(p.wanted for p in score.pairs)
    out.append(f"{missing} of {wanted} pairs are missing; each with its reason below.")
    return out


def _cells(e: Estimate) -> list[Any]:
    return [e.value, e.low, e.high, e.unit, e.n, e.reason or e.no_interval or ""]


def _tables(score: Score) -> dict[str, str]:
    widths = [
        [w.quantity, w.tooth, name, *_cells(e)]
        for w in score.widths
        for name, e in (
            ("mean difference", w.limits.mean_difference), ("lower limit", w.limits.lower_limit),
            ("upper limit", w.limits.upper_limit), ("relative bias", w.relative),
            ("relative SD", w.relative_sd), ("slope", w.line.slope), ("intercept", w.line.intercept),
            ("by hand in stated interval", w.covered),
        )
    ]  # fmt: skip
    repeats = [
        [kind, r.quantity, r.tooth, "; ".join(r.readers), "; ".join(r.trials), name, *_cells(e)]
        for kind, r in _gauges(score)
        for name, e in (("repeat SD", r.within_sd), *r.icc.items())
    ]
    gauge = [
        [kind, r.quantity, r.tooth, g.study.method, g.study.n_parts, g.study.n_readers, g.study.n_trials,
         g.study.repeatability, g.study.reproducibility, g.study.parts, g.study.percent["gauge"],
         g.study.categories]
        for kind, r in _gauges(score)
        for g in (r.by_range, r.by_anova)
        if g.study is not None
    ]  # fmt: skip
    classes = [[row.label, row.n, name, *_cells(e)] for row in score.classes for name, e in row.right.items()]
    pairs = [[p.first, p.second, p.wanted, p.found, p.wanted - p.found] for p in score.pairs]
    missing = [[p.first, p.second, animal, why] for p in score.pairs for animal, why in p.missing]
    made = {
        "width_error.csv": (("quantity", "tooth", "statistic", *ESTIMATE), widths),
        "repeats.csv": (("kind", "quantity", "tooth", "people", "trials", "statistic", *ESTIMATE), repeats),
        "gauge.csv": (
            ("kind", "quantity", "tooth", "method", "jaws", "people", "trials", "repeat_sd", "people_sd",
             "jaws_sd", "percent_gauge", "categories"), gauge,
        ),
        "class_table.csv": (("class", "n", "set", *ESTIMATE), classes),
        "pairs.csv": (("first", "second", "wanted", "found", "missing"), pairs),
        "missing.csv": (("first", "second", "animal", "why"), missing),
    }  # fmt: skip
    return {
        name: csv_text(header, rows) for name, (header, rows) in made.items() if rows or name == "missing.csv"
    }
