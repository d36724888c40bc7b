"""The numbers of an evaluation as a page of Markdown tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from crestgauge.training.score import CLASSES, WIDE_BAND_PX

Record = dict[str, Any]

AIMS = (
    ("exact class", "exact", "at least 97 %"),
    ("class of the measured values, every doubt set aside", "exact_by_values", ""),
    ("exact class, animals of autumn and winter only", "exact_in_season", ""),
    ("within one class", "within_one", "100 %"),
    ("wrong classes that were marked borderline", "wrong_marked", "100 %"),
    ("readings that end borderline", "borderline", "at most 20 %"),
    ("the same, animals of autumn and winter only", "borderline_in_season", "at most 20 %"),
    ("exact class where the reading is clear", "exact_when_clear", ""),
    ("truth among the possible classes", "truth_among_possible", ""),
    ("class as the key says of the true widths", "exact_by_key", ""),
    ("usable photographs refused", "refused", "at most 3 %"),
    ("side of jaw", "side_right", "at least 99 %"),
    ("teeth numbered right", "teeth_numbered_right", "at least 99 %"),
    ("visible teeth found", "teeth_found", ""),
    ("milk or permanent told right", "milk_right", ""),
    ("state of the tooth told right", "state_right", ""),
    ("infundibulum gone told right, by crest", "gone_right", ""),
)
"""(what, key of `crestgauge.training.score.summarise`, aim)"""


def markdown(summary: Record) -> str:
    """Page with the main numbers, the confusion matrix, refusals, and every group of conditions."""
    lines = [
        "# Evaluation",
        "",
        f"{summary['photos']} photographs, {summary['usable']} of them usable, "
        f"{summary['unreadable']} unreadable as files. Every age is a proposal for a trained person to "
        "confirm; here it is compared with drawn or declared truth.",
        "",
        *_table(
            ("on usable photographs", "result", "95 % interval", "aim"),
            [(what, percent(summary[key]), interval(summary[key]), aim) for what, key, aim in AIMS],
        ),
        "",
        *_wide_crests(summary),
        "",
        "## Photographs spoilt on purpose",
        "",
        *_spoilt(summary),
        "",
        f"Usable photographs were refused for: {_counts(summary['false_refusal_reasons']) or 'none'}.",
        "",
        "## Class said (columns) for each true class (rows)",
        "",
        *_confusion(summary["confusion"]),
        "",
    ]
    for name, values in summary["groups"].items():
        lines += [f"## By {name}", "", *_group(values), ""]
    if "edge_model" in summary:
        lines += ["## Edge model", "", _edge_model(summary["edge_model"]), ""]
    return "\n".join(lines)


def _wide_crests(summary: Record) -> list[str]:
    """Table of what was measured on crests with wide bands."""
    return _table(
        (f"crests with bands of at least {WIDE_BAND_PX:g} px", "result", "aim"),
        [
            ("crests", str(summary["wide_crests"]), ""),
            ("of these measured", percent(summary["wide_crests_measured"]), ""),
            ("ratio, median relative error", percent_of(summary["ratio_error_median"]), "at most 5 %"),
            ("ratio, 95th percentile", percent_of(summary["ratio_error_95"]), "at most 20 %"),
            ("ratio, median signed error", percent_of(summary["ratio_bias_median"]), ""),
            ("95 % intervals that hold the truth", percent(summary["coverage_wide"]), "92-98 %"),
            ("the same over all crests", percent(summary["coverage_all"]), ""),
            (
                "tilt error, median / 95th percentile",
                " / ".join(_number(summary[f"tilt_error_deg_{q}"]) for q in ("median", "95")) + " deg",
                "",
            ),
        ],
    )


def _spoilt(summary: Record) -> list[str]:
    """Table of the photographs that ought to be refused."""
    return _table(
        ("spoilt", "refused", "with the right reason", "reasons given"),
        [
            (
                "all",
                with_count(summary["unusable_refused"]),
                with_count(summary["unusable_right_reason"]),
                "",
            ),
            *(
                (reason, with_count(v["refused"]), with_count(v["right_reason"]), _counts(v["said"]))
                for reason, v in summary["by_reason"].items()
            ),
        ],
    )


def _edge_model(edge: Record) -> str:
    """What a fit of the edge model to these crests found."""
    return (
        f"{edge['crests']} crests. 95 % intervals held the truth in "
        f"{percent_of(edge['coverage_before'])} before, in {percent_of(edge['coverage_other_half'])} of "
        "the half that a new model was not fitted to, and in "
        f"{percent_of(edge['coverage_after'])} after a fit to all. As far as the tails of the "
        "errors show it, stated uncertainties are off crest by crest by a factor of "
        f"{math.exp(edge['untold_spread']):.2f} (1 standard deviation): so much is left for a number "
        "that tells hard crests from easy ones."
    )


def percent(share: Record | None) -> str:
    """A share of `crestgauge.training.score.share` in percent; a dash for none."""
    return "-" if share is None else percent_of(share["share"])


def with_count(share: Record | None) -> str:
    """A share with the counts that it comes from."""
    return "-" if share is None else f"{percent_of(share['share'])} ({share['count']} of {share['of']})"


def interval(share: Record | None) -> str:
    """The interval of a share, with the number of answers."""
    return (
        "-" if share is None else f"{100 * share['low']:.1f} to {100 * share['high']:.1f} % of {share['of']}"
    )


def _group(values: Record) -> list[str]:
    head = (
        "",
        "n",
        "exact",
        "within one",
        "borderline",
        "refused",
        "ratio error",
        "95 % held",
        "side",
        "numbers",
    )
    return _table(
        head,
        [
            (
                value,
                str(v["count"]),
                percent(v["exact"]),
                percent(v["within_one"]),
                percent(v["borderline"]),
                percent(v["refused"]),
                percent_of(v["ratio_error_median"]),
                percent(v["coverage_wide"]),
                percent(v["side_right"]),
                percent(v["teeth_numbered_right"]),
            )
            for value, v in values.items()
        ],
    )


def _confusion(table: Record) -> list[str]:
    columns = (*CLASSES, "open", "refused")
    rows = [(true, *(str(said.get(column, "")) for column in columns)) for true, said in table.items()]
    return _table(("true", *columns), rows)


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    return [
        "| " + " | ".join(head) + " |",
        "|" + "---|" * len(head),
        *("| " + " | ".join(row) + " |" for row in rows),
    ]


def percent_of(value: float | None) -> str:
    """A share in percent; a dash for none."""
    return "-" if value is None else f"{100 * value:.1f} %"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _counts(table: dict[str, int]) -> str:
    return ", ".join(f"{name} {n}" for name, n in table.items())
