"""The report as CSV tables, one number or one row of the input a line."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from typing import Any

from crestgauge.inference.compare.age_bias import AgeBiasRow
from crestgauge.inference.compare.estimate import Estimate, TestResult
from crestgauge.inference.compare.measures import Repeatability
from crestgauge.inference.compare.report import Report, pair_estimates
from crestgauge.inference.compare.separation import ByAge
from crestgauge.inference.compare.study import PairResult, Study
from crestgauge.inference.compare.thresholds import StepFit

PAIR = ("first", "second", "stratum")
ESTIMATE = ("value", "low", "high", "unit", "n", "interval", "note")
TEST = ("test", "statistic", "df", "p", "p_holm", "n", "note")


def report_tables(report: Report) -> dict[str, str]:
    """CSV text by file name; a table without anything to hold is left out, problems.csv is always there."""
    problems = [[p.set_name, p.row, p.id, p.used, p.what] for p in report.problems]
    header: tuple[str, ...]
    tables = {"problems.csv": _csv(("set", "row", "id", "used", "what"), problems)}
    if report.study is not None:
        tables |= _study_tables(report.study)
    if report.repeatability:
        rows = [row for r in report.repeatability for row in _repeat_rows(r)]
        tables["repeatability.csv"] = _csv(("quantity", "tooth", "statistic", *ESTIMATE), rows)
    if report.method_pairs:
        rows = [
            [m.quantity, m.tooth, m.first, m.second, name, *_estimate_cells(getattr(m.limits, name))]
            for m in report.method_pairs
            for name in ("mean_difference", "lower_limit", "upper_limit", "sd")
        ]
        header = ("quantity", "tooth", "first", "second", "statistic", *ESTIMATE)
        tables["limits_of_agreement.csv"] = _csv(header, rows)
    if report.by_age:
        header = (
            "quantity",
            "tooth",
            "known_age",
            "n",
            "n_gone",
            "p10",
            "p25",
            "p50",
            "p75",
            "p90",
            "percent_passing",
        )
        tables["by_age.csv"] = _csv(header, [_age_row(b) for b in report.by_age])
    if report.overlaps:
        rows = [[o.quantity, o.tooth, o.younger, o.older, *_estimate_cells(o.auc)] for o in report.overlaps]
        tables["separation.csv"] = _csv(("quantity", "tooth", "younger", "older", *ESTIMATE), rows)
    if report.calibration is not None:
        header = ("criterion", "default", "fitted", "low", "high", "n_younger", "n_older", "moves", "why")
        tables["calibration.csv"] = _csv(header, [_step_row(s) for s in report.calibration.steps])
    if report.ordinal is not None:
        o = report.ordinal
        tables["ordinal.csv"] = _csv(
            ("id", "known", "proposed_without_it"), zip(o.ids, o.known, o.proposed, strict=True)
        )
    return tables


def _csv(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([_cell(v) for v in row] for row in rows)
    return out.getvalue()


def _cell(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: a text that begins like one gets an apostrophe."""
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return value if re.fullmatch(r"[-+]?[\d.]+", value) else "'" + value
    return "" if value is None else value


def _estimate_cells(e: Estimate) -> list[Any]:
    return [e.value, e.low, e.high, e.unit, e.n, e.method, e.reason or e.no_interval]


def _test_cells(t: TestResult) -> list[Any]:
    return [t.name, t.statistic, t.df, t.p, t.p_holm, t.n, t.reason]


def _age_row(b: ByAge) -> list[Any]:
    points = ["gone" if math.isinf(v) else v for v in (b.low, b.quartile_1, b.median, b.quartile_3, b.high)]
    return [b.quantity, b.tooth, b.age_class, b.n, b.n_gone, *points, b.share_passing.value]


def _step_row(s: StepFit) -> list[Any]:
    fitted = s.fitted
    return [
        s.criterion,
        s.default,
        fitted.value,
        fitted.low,
        fitted.high,
        s.n_younger,
        s.n_older,
        s.moves,
        s.why,
    ]


def _repeat_rows(r: Repeatability) -> list[list[Any]]:
    head = [r.quantity, r.tooth]
    rows = [[*head, "within-animal SD", *_estimate_cells(r.within_sd)]]
    rows += [[*head, f"{name} over {r.icc_columns}", *_estimate_cells(e)] for name, e in r.icc.items()]
    for outcome in (r.by_range, r.by_anova):
        if outcome.study is None:
            rows.append([*head, "gauge study", None, None, None, "", r.n_items, "", outcome.reason])
            continue
        for name, percent in outcome.study.percent.items():
            note = "; ".join(outcome.study.notes)
            label = f"{name}, {outcome.study.method}"
            rows.append([*head, label, percent, None, None, "% of total SD", r.n_items, "", note])
    return rows


def _bias_row(r: AgeBiasRow) -> list[Any]:
    mean, test = r.mean, r.test
    return [
        r.reference, mean.n, mean.value, mean.low, mean.high, r.smallest, r.largest, test.statistic, test.p,
        test.p_holm, test.reason,
    ]  # fmt: skip


def _who(pair: PairResult) -> list[Any]:
    return [pair.first, pair.second, pair.stratum]


def _study_tables(study: Study) -> dict[str, str]:
    every = [*study.pairs, *study.strata]
    labels = study.aligned.scale.labels
    tests = [[*_who(p), *_test_cells(t)] for p in every for t in p.tests]
    tests += [[c.first, c.second, "", *_test_cells(c.test)] for c in study.contests]
    tests += [["", t.set_name, t.by, *_test_cells(t.test)] for t in study.stratum_tests]
    numbers = [[*_who(p), name, *_estimate_cells(e)] for p in every for name, e in pair_estimates(p)]
    counts = [
        [*_who(p), label, *row] for p in every for label, row in zip(labels, p.table.tolist(), strict=True)
    ]
    bias_header = ("age_first", "n", "mean", "low", "high", "smallest", "largest", "t", "p", "p_holm", "note")
    tables = {
        "ages.csv": _ages(study),
        "statistics.csv": _csv((*PAIR, "statistic", *ESTIMATE), numbers),
        "tests.csv": _csv((*PAIR, *TEST), tests),
        "counts.csv": _csv((*PAIR, "age_first", *labels), counts),
        "age_bias.csv": _csv(
            (*PAIR, *bias_header), [[*_who(p), *_bias_row(r)] for p in every for r in p.age_bias]
        ),
    }
    if study.group is not None:
        g = study.group
        named = {"exact": g.exact, "within one class": g.within_one, "average percent error": g.ape}
        named |= {"average coefficient of variation": g.acv, **g.icc}
        named |= {f"Krippendorff's alpha, {level}": e for level, e in g.alpha.items()}
        rows = [[name, *_estimate_cells(e)] for name, e in named.items()]
        tables["all_sets.csv"] = _csv(("statistic", *ESTIMATE), rows)
    if study.consensus is not None:
        both = zip(study.aligned.ids, study.consensus.mode, study.consensus.median, strict=True)
        rows = [
            [key, _label(m.code, labels), m.votes, m.readers, m.why, _label(d.code, labels)]
            for key, m, d in both
        ]
        tables["consensus.csv"] = _csv(("id", "mode", "votes", "readers", "note", "median"), rows)
    return tables


def _ages(study: Study) -> str:
    aligned, labels = study.aligned, study.aligned.scale.labels
    rows = []
    for i, (key, codes) in enumerate(zip(aligned.ids, aligned.codes, strict=True)):
        ages = [labels[c] if c >= 0 else "" for c in codes]
        rows.append([key, *ages, *(values[i] for values in aligned.strata.values())])
    return _csv(("id", *aligned.names, *aligned.strata), rows)


def _label(code: int | None, labels: Sequence[str]) -> str:
    return "" if code is None else labels[code]
