"""
One reading against the truth of its photograph, and many of these as one table of numbers. Pure: plain values
in and out.

Truth has the form ``crestgauge.truth/1`` (see `crestgauge.synthetic_data`), a reading
``crestgauge.reading/1``. Any source of photographs that writes such truth files can be scored, whoever drew
or labelled them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np

CLASSES: Final = ("0.5", "1.5", "2.5", "3.5", "4.5", "5.5", "6.5", "7.5", "8.5+")
WIDE_BAND_PX: Final = 8.0
"""Ratios are judged on crests whose dentine and enamel are at least this wide in the photograph. [px]"""
K95: Final = 1.96
"""Half width of a 95 % interval in standard uncertainties (normal law)."""
SEASON: Final = (0.3, 0.7)
"""Part of a year past whole years of age in which most deer are aged: autumn and winter, for animals born
around the beginning of June (common practice). In spring one class ends and the next has not begun."""
IN_SEASON: Final = "autumn and winter"
SAME_BOX: Final = 0.1
"""Boxes that overlap less than this (intersection over union) are not the same tooth."""

Record = dict[str, Any]


def score_photo(truth: Record, reading: Record | None, error: str | None = None) -> Record:
    """
    What one reading got right.

    Parameters
    ----------
    truth : dict
        ``crestgauge.truth/1``.
    reading : dict or None
        ``crestgauge.reading/1``; None where the file could not be read.
    error : str, optional
        Why not.

    Returns
    -------
    dict
        Plain values: one row of ``photos.jsonl``.
    """
    row: Record = {
        "file": truth["file"],
        "family": truth.get("family"),
        "usable": truth["usable"],
        "error": error,
        "true_reasons": list(truth.get("unusable", [])),
        "true_class": truth.get("age_class"),
        "true_class_by_key": truth.get("age_class_by_key"),
        "groups": groups_of(truth),
        "outcome": None,
        "refused": False,
        "reasons": [],
        "age_class": None,
        "class_by_values": None,
        "possible": [],
        "side_right": None,
        "tilt_error_deg": None,
        "teeth": [],
        "crests": [],
    }
    if reading is None:
        return row
    row["outcome"] = reading["outcome"]
    row["refused"] = reading["outcome"] == "retake"
    row["reasons"] = [each["reason"] for each in reading["retake"]]
    row["age_class"], row["possible"] = reading["age_class"], list(reading["possible"])
    if truth.get("side") is not None and reading["teeth"]:
        row["side_right"] = reading["side"] == truth["side"]
    if reading["tilt_deg"] is not None and truth.get("tilt_deg") is not None and truth.get("teeth"):
        row["tilt_error_deg"] = reading["tilt_deg"]["value"] - truth["tilt_deg"]
    row["teeth"] = match_teeth(truth.get("teeth", []), reading["teeth"])
    row["crests"] = match_crests(truth.get("teeth", []), reading["teeth"])
    return row


def groups_of(truth: Record) -> dict[str, str]:
    """Groups that a photograph is counted in, by name of the grouping; numeric conditions make none."""
    conditions = truth.get("conditions") or {}
    groups = {name: str(value) for name, value in conditions.items() if isinstance(value, str | bool)}
    groups["class"] = str(truth.get("age_class"))
    if truth.get("age_years") is not None:
        groups["season"] = season_of(float(truth["age_years"]))
    for name, value, edges, unit in (
        ("tilt", truth.get("tilt_deg"), (5, 10, 15), "deg"),
        ("scale", truth.get("px_per_mm"), (15, 20, 30), "px/mm"),
        ("blur", truth.get("blur_px"), (1, 2, 4), "px"),
    ):
        groups[name] = "unknown" if value is None else _bin(float(value), edges, unit)
    return groups


def season_of(age_years: float) -> str:
    """Autumn and winter within `SEASON`, else spring and summer."""
    return IN_SEASON if SEASON[0] <= age_years % 1 <= SEASON[1] else "spring and summer"


def match_teeth(truth: Sequence[Record], read: Sequence[Record]) -> list[Record]:
    """
    For every tooth that the photograph shows: the number that the reading gives the crown there, or None.
    """
    rows = []
    for tooth in truth:
        if tooth.get("box") is None or tooth["state"] not in ("erupted", "erupting", "broken"):
            continue
        overlaps = [
            (box_overlap(tooth["box"], other["box"]), other) for other in read if other["box"] is not None
        ]
        best = max(overlaps, key=lambda pair: pair[0], default=(0.0, None))
        found = best[1] if best[0] >= SAME_BOX else None
        rows.append(
            {
                "position": tooth["position"],
                "found": None if found is None else found["position"],
                "true_state": tooth["state"],
                "state": None if found is None else found["state"],
                "true_milk": tooth.get("milk"),
                "milk": None if found is None else found["milk"],
            }
        )
    return rows


def match_crests(truth: Sequence[Record], read: Sequence[Record]) -> list[Record]:
    """Every true crest with a ratio beside what the reading says of the same lobe of the same tooth."""
    said = {(tooth["position"], crest["lobe"]): crest for tooth in read for crest in tooth["crests"]}
    rows = []
    for tooth in truth:
        for crest in tooth.get("crests", []):
            other = said.get((tooth["position"], crest["lobe"]))
            ratio = None if other is None else other["ratio"]
            rows.append(
                {
                    "position": tooth["position"],
                    "lobe": crest["lobe"],
                    "true_ratio": crest["ratio"],
                    "true_u": crest.get("ratio_u") or 0.0,
                    "true_gone": crest["infundibulum_gone"],
                    "gone": None if other is None else "infundibulum_gone" in other["flags"],
                    "ratio": None if ratio is None else ratio["value"],
                    "u": None if ratio is None else ratio["u"],
                    "dentine_px": crest.get("dentine_px"),
                    "enamel_px": crest.get("enamel_px"),
                    "read_dentine_px": _value(other, "dentine_px"),
                    "read_enamel_px": _mean(
                        _value(other, "enamel_outer_px"), _value(other, "enamel_inner_px")
                    ),
                }
            )
    return rows


def box_overlap(one: Sequence[float], other: Sequence[float]) -> float:
    """Intersection over union of two boxes (x0, y0, x1, y1)."""
    width = min(one[2], other[2]) - max(one[0], other[0])
    height = min(one[3], other[3]) - max(one[1], other[1])
    if width <= 0 or height <= 0:
        return 0.0
    both = width * height
    areas = ((b[2] - b[0]) * (b[3] - b[1]) for b in (one, other))
    return float(both / (sum(areas) - both))


def class_distance(true: str | None, said: str | None) -> int | None:
    """Steps between two age classes in `CLASSES`; None where one is open or unknown."""
    if true not in CLASSES or said not in CLASSES:
        return None
    return abs(CLASSES.index(true) - CLASSES.index(said))


def summarise(rows: Sequence[Record]) -> Record:
    """
    All numbers of an evaluation.

    Every share comes as ``{"share", "of", "count", "low", "high"}`` with a 95 % Wilson interval; None where
    there is nothing to count.

    Parameters
    ----------
    rows : sequence of dict
        From `score_photo`.
    """
    usable = [r for r in rows if r["usable"]]
    spoilt = [r for r in rows if not r["usable"]]
    summary: Record = {
        "photos": len(rows),
        "usable": len(usable),
        "unreadable": sum(r["error"] is not None for r in rows),
        **core_numbers(usable),
        "unusable_refused": share(r["refused"] for r in spoilt),
        "unusable_right_reason": share(bool(set(r["reasons"]) & set(r["true_reasons"])) for r in spoilt),
        "by_reason": {
            reason: {
                "refused": share(r["refused"] for r in spoilt if reason in r["true_reasons"]),
                "right_reason": share(reason in r["reasons"] for r in spoilt if reason in r["true_reasons"]),
                "said": count(x for r in spoilt if reason in r["true_reasons"] for x in r["reasons"]),
            }
            for reason in sorted({x for r in spoilt for x in r["true_reasons"]})
        },
        "false_refusal_reasons": count(x for r in usable if r["refused"] for x in r["reasons"]),
        "confusion": confusion(usable),
    }
    season = core_numbers([r for r in usable if r["groups"].get("season") == IN_SEASON])
    summary["exact_in_season"], summary["borderline_in_season"] = season["exact"], season["borderline"]
    names = sorted({name for r in usable for name in r["groups"]})
    summary["groups"] = {
        name: {
            value: core_numbers([r for r in usable if r["groups"].get(name) == value])
            for value in sorted({r["groups"][name] for r in usable if name in r["groups"]})
        }
        for name in names
    }
    return summary


def core_numbers(usable: Sequence[Record]) -> Record:
    """Numbers that are asked of any group of usable photographs."""
    read = [r for r in usable if r["outcome"] in ("clear", "borderline")]
    aged = [r for r in read if r["true_class"] in CLASSES]
    distance = [class_distance(r["true_class"], r["age_class"]) for r in aged]
    wrong = [r for r, d in zip(aged, distance, strict=True) if d != 0]
    teeth = [t for r in read for t in r["teeth"]]
    known = [t for t in teeth if t["found"] is not None]
    tilts = [abs(r["tilt_error_deg"]) for r in read if r["tilt_error_deg"] is not None]
    return {
        "count": len(usable),
        "read": len(read),
        "refused": share(r["refused"] or r["error"] is not None for r in usable),
        "exact": share(d == 0 for d in distance),
        "exact_by_key": share(
            r["age_class"] == r["true_class_by_key"] for r in aged if r["true_class_by_key"] is not None
        ),
        "exact_by_values": share(
            r["class_by_values"] == r["true_class"] for r in aged if r.get("class_by_values") is not None
        ),
        "within_one": share(d is not None and d <= 1 for d in distance),
        "borderline": share(r["outcome"] == "borderline" for r in read),
        "exact_when_clear": share(
            d == 0 for r, d in zip(aged, distance, strict=True) if r["outcome"] == "clear"
        ),
        "wrong_marked": share(r["outcome"] == "borderline" for r in wrong),
        "truth_among_possible": share(r["true_class"] in r["possible"] for r in aged),
        "side_right": share(r["side_right"] for r in read if r["side_right"] is not None),
        "teeth_found": share(t["found"] is not None for t in teeth),
        "teeth_numbered_right": share(t["found"] == t["position"] for t in known),
        "state_right": share(t["state"] == t["true_state"] for t in known),
        "milk_right": share(t["milk"] == t["true_milk"] for t in known if t["true_milk"] is not None),
        "tilt_error_deg_median": _quantile(tilts, 0.5),
        "tilt_error_deg_95": _quantile(tilts, 0.95),
        **ratio_numbers([c for r in read for c in r["crests"]]),
    }


def ratio_numbers(crests: Sequence[Record]) -> Record:
    """Errors of crest ratios: on wide bands, and coverage of the stated intervals on these and on all."""
    wide = [c for c in crests if is_wide(c)]
    both = [c for c in wide if c["ratio"] is not None]
    relative = [abs(c["ratio"] / c["true_ratio"] - 1) for c in both]
    signed = [c["ratio"] / c["true_ratio"] - 1 for c in both]
    everywhere = [c for c in crests if c["ratio"] is not None and c["true_ratio"] is not None]
    return {
        "wide_crests": len(wide),
        "wide_crests_measured": share(c["ratio"] is not None for c in wide),
        "ratio_error_median": _quantile(relative, 0.5),
        "ratio_error_95": _quantile(relative, 0.95),
        "ratio_bias_median": _quantile(signed, 0.5),
        "coverage_wide": share(_covers(c) for c in both),
        "coverage_all": share(_covers(c) for c in everywhere),
        "gone_right": share(c["gone"] == c["true_gone"] for c in crests if c["gone"] is not None),
    }


def is_wide(crest: Record) -> bool:
    """Whether a crest has a true ratio above 0 and both bands at least `WIDE_BAND_PX` wide."""
    widths = (crest["dentine_px"], crest["enamel_px"])
    return bool(crest["true_ratio"]) and all(w is not None and w >= WIDE_BAND_PX for w in widths)


def confusion(rows: Sequence[Record]) -> dict[str, dict[str, int]]:
    """Counts by true class and by what was said ("open" = no class, "refused")."""
    table: dict[str, dict[str, int]] = {}
    for r in rows:
        said = "refused" if r["refused"] or r["error"] is not None else r["age_class"] or "open"
        line = table.setdefault(str(r["true_class"]), {})
        line[said] = line.get(said, 0) + 1
    return dict(sorted(table.items()))


def share(answers: Iterable[bool]) -> Record | None:
    """
    Share of True with its 95 % Wilson interval (Wilson 1927, J. Am. Stat. Assoc. 22:209); None for no
    answers.
    """
    listed = [bool(a) for a in answers]
    n, k = len(listed), sum(listed)
    if n == 0:
        return None
    p, z2 = k / n, K95**2
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = K95 * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    # The exact ends for 0 and n of n; rounding would miss them by a hair.
    low, high = (0.0 if k == 0 else middle - half), (1.0 if k == n else middle + half)
    return {"share": p, "count": k, "of": n, "low": low, "high": high}


def count(values: Iterable[str]) -> dict[str, int]:
    """How often each value comes, most frequent first."""
    table: dict[str, int] = {}
    for value in values:
        table[value] = table.get(value, 0) + 1
    return dict(sorted(table.items(), key=lambda pair: (-pair[1], pair[0])))


def _covers(crest: Record) -> bool:
    return bool(abs(crest["ratio"] - crest["true_ratio"]) <= K95 * crest["u"])


def _quantile(values: Sequence[float], q: float) -> float | None:
    return float(np.quantile(values, q)) if len(values) else None


def _value(crest: Record | None, name: str) -> float | None:
    return None if crest is None or crest[name] is None else float(crest[name]["value"])


def _mean(one: float | None, other: float | None) -> float | None:
    known = [v for v in (one, other) if v is not None]
    return sum(known) / len(known) if known else None


def _bin(value: float, edges: Sequence[float], unit: str) -> str:
    for low, high in zip((0, *edges[:-1]), edges, strict=True):
        if value < high:
            return f"{low:g}-{high:g} {unit}"
    return f"{edges[-1]:g}+ {unit}"
