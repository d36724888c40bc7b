"""
The report as one value object, and its three forms: a self-contained page, JSON, CSV tables. All from this
object.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np

from crestgauge.inference.compare import svg
from crestgauge.inference.compare.align import Problem
from crestgauge.inference.compare.estimate import Estimate, fixed, format_p
from crestgauge.inference.compare.gauge import GUIDE
from crestgauge.inference.compare.icc import MODELS
from crestgauge.inference.compare.measures import MethodPair, Repeatability
from crestgauge.inference.compare.methods import methods_paragraph, used_sources
from crestgauge.inference.compare.separation import ByAge, Overlap
from crestgauge.inference.compare.study import PairResult, Study
from crestgauge.inference.compare.thresholds import Calibration

SCHEMA = "crestgauge.comparison/1"
CAUTION = "Every age by tooth wear is a proposal for a trained person to confirm."
BIOLOGY = (
    "Animals of one age differ in wear, so even a perfect measurement does not give a perfect age: ratios "
    "measured on photographs of 67 known-age deer did not clearly separate 2.5, 3.5 and 4.5 years (Proc. "
    "SEAFWA 2006)."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OrdinalSummary:
    """
    The second, separate proposal: a monotone ordinal model on all measured values, and what it reaches.

    Parameters
    ----------
    names, left_out : tuple of str
        Values that are used, and values that too few animals have.
    center, scale, weights, cuts : tuple of float
        The model, see `crestgauge.inference.compare.ordinal.OrdinalModel`; ``classes`` are those it knows.
    ids, known, proposed : tuple of str
        Each animal with its known class and the class that a model fitted without it proposes.
    """

    names: tuple[str, ...]
    left_out: tuple[str, ...]
    center: tuple[float, ...]
    scale: tuple[float, ...]
    weights: tuple[float, ...]
    cuts: tuple[float, ...]
    ids: tuple[str, ...]
    known: tuple[str, ...]
    proposed: tuple[str, ...]
    classes: tuple[str, ...]
    n: int
    n_left_out: int
    right: Estimate
    within_one: Estimate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Report:
    """
    Everything that the page, the JSON and the CSV tables say.

    Parameters
    ----------
    title, created : str
        Heading, and ISO date and time.
    inputs : tuple of str
        Files with their hashes.
    versions, settings : mapping of str to str
        Programs; options as given.
    problems : tuple of Problem
        Every row that was not used, or was rewritten.
    neighbours : Estimate or None
        Nearest neighbours on the overall ratio among 2.5, 3.5 and 4.5, to set beside the published 54 %.
    """

    title: str
    created: str
    inputs: tuple[str, ...]
    versions: Mapping[str, str]
    settings: Mapping[str, str]
    problems: tuple[Problem, ...]
    study: Study | None = None
    repeatability: tuple[Repeatability, ...] = ()
    method_pairs: tuple[MethodPair, ...] = ()
    by_age: tuple[ByAge, ...] = ()
    overlaps: tuple[Overlap, ...] = ()
    thresholds: Mapping[tuple[str, int], float] = field(default_factory=lambda: MappingProxyType({}))
    neighbours: Estimate | None = None
    calibration: Calibration | None = None
    ordinal: OrdinalSummary | None = None

    @property
    def methods(self) -> str:
        """Paragraph to paste."""
        return methods_paragraph(
            study=self.study, calibration=self.calibration, has_repeats=bool(self.repeatability),
            has_pairs=bool(self.method_pairs), versions=self.versions,
        )  # fmt: skip


def plain(value: Any) -> Any:
    """A value object as plain JSON values; endless numbers become the text "gone"."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {_key(k): plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, (np.floating, float)):
        number = float(value)
        return "gone" if math.isinf(number) else None if math.isnan(number) else number
    if isinstance(value, np.integer):
        return int(value)
    return value


def _key(key: Any) -> str:
    return " ".join(str(k) for k in key) if isinstance(key, tuple) else str(key)


def report_json(report: Report) -> str:
    """The whole report as JSON."""
    methods = {"text": report.methods, "sources": used_sources(report.methods)}
    document = {"schema": SCHEMA, "caution": CAUTION, **plain(report), "methods": methods}
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def pair_estimates(pair: PairResult) -> list[tuple[str, Estimate]]:
    """Every estimate of a pair with its name, in the order of the tables."""
    return [
        ("exact agreement", pair.exact), ("agreement within one class", pair.within_one), ("bias", pair.bias),
        ("mean absolute error", pair.mae), ("root mean square error", pair.rmse),
        ("average percent error", pair.ape), ("average coefficient of variation", pair.acv),
        *((f"kappa, {kind}", e) for kind, e in pair.kappas.items()),
    ]  # fmt: skip


def report_html(report: Report) -> str:
    """The page: one file, no script, nothing loaded from elsewhere."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("crestgauge.inference.compare"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters |= {"p": format_p, "fixed": fixed}
    # The drawings escape every text they hold themselves (svg._text).
    drawings = {name: _marked(Markup, getattr(svg, name)) for name in DRAWINGS}
    template = environment.get_template("report.html")
    return template.render(
        r=report, study=report.study, caution=CAUTION, biology=BIOLOGY, guide=GUIDE, icc_models=MODELS,
        sources=used_sources(report.methods), pair_estimates=pair_estimates, thresholds=report.thresholds,
        quantities=_by_tooth(report.by_age), pair_names=_pair_names, stratum_names=_stratum_names,
        gauge_bars=_gauge_bars, **drawings,
    )  # fmt: skip


DRAWINGS = ("forest", "confusion", "age_bias_plot", "ratio_plot", "difference_plot", "stacked")


def _marked(mark: Any, draw: Any) -> Any:
    return lambda *args, **kwargs: mark(draw(*args, **kwargs))


def _by_tooth(rows: Sequence[ByAge]) -> dict[tuple[str, int], list[ByAge]]:
    out: dict[tuple[str, int], list[ByAge]] = {}
    for row in rows:
        out.setdefault((row.quantity, row.tooth), []).append(row)
    return out


def _pair_names(pairs: Sequence[PairResult], what: str) -> list[tuple[str, Estimate]]:
    return [
        (p.second if p.to_reference else f"{p.second} against {p.first}", getattr(p, what)) for p in pairs
    ]


def _stratum_names(pairs: Sequence[PairResult]) -> list[tuple[str, Estimate]]:
    return [(p.stratum if p.to_reference else f"{p.stratum}, against {p.first}", p.bias) for p in pairs]


def _gauge_bars(results: Sequence[Repeatability]) -> list[tuple[str, list[tuple[str, float]]]]:
    """Shares of variance [%] of each gauge study by analysis of variance."""
    out = []
    for r in results:
        if (study := r.by_anova.study) is None:
            continue
        parts = {"repeats": study.repeatability, "readers": study.reproducibility, "jaws": study.parts}
        shares = [(name, 100 * (sd / study.total) ** 2) for name, sd in parts.items()]
        out.append((f"tooth {r.tooth}, {r.quantity.replace('_', ' ')}", shares))
    return out
