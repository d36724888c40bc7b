"""
What a network loses on conditions that it was never shown.

One network is trained on everything, and one more for each condition with that condition left out, all alike
and for the same time. Both are then judged on pictures of that condition alone: the difference is what having
seen it is worth, and so how far the generator's range, rather than the network, carries a result. A large
fall says: widen there.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import torch

from crestgauge.training.batch import Draw
from crestgauge.training.config import TrainConfig, read_config
from crestgauge.training.evaluate import EvaluateConfig, evaluate_fresh
from crestgauge.training.export import copy_default, export, load_run
from crestgauge.training.fit import RECORD, drawing, pixel_scores, train, without_nan

PIXEL_METRICS = ("iou_enamel_band", "iou_dentine", "iou_infundibulum", "tooth_right", "lingual_right")
PIPELINE_METRICS = ("exact", "within_one", "borderline", "refused", "side_right", "teeth_numbered_right")
RESULTS, REPORT = "holdout.json", "holdout.md"


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldoutConfig:
    """
    A study of held-out conditions.

    Parameters
    ----------
    config : str
        Training config that all runs start from, by name or path.
    conditions : tuple of str
        Each "family:condition" of `crestgauge.synthetic_data.options.FAMILIES`; "a:b+a:c" leaves out two at
        once.
    seconds : float or None
        Wall-clock time of each run; None = as the config says. [s]
    pictures : int
        Pictures of each condition for the pixel metrics.
    photos : int
        Photographs of each condition through the whole pipeline; 0 = pixel metrics only.
    manifest : Path or None
        Weights whose coarse network is used for these; None = the shipped ones.
    workers, drawers : int
        Processes that read and that draw.
    """

    config: str = "fine"
    conditions: tuple[str, ...] = ("light:flash", "background:grass", "stain:black", "shape:irregular")
    seconds: float | None = None
    pictures: int = 64
    photos: int = 0
    manifest: Path | None = None
    workers: int = 2
    drawers: int = 1


def study(
    out: Path,
    config: HoldoutConfig,
    device: str | None = None,
    *,
    draw_for: Callable[[TrainConfig], Draw] = drawing,
    log: Callable[[str], None] = print,
) -> dict[str, Any]:
    """
    Train, judge and write ``holdout.json`` and ``holdout.md``; finished runs in ``out`` are not run again.

    Parameters
    ----------
    out : Path
    config : HoldoutConfig
    device : str, optional
    draw_for : callable
        Gives the drawing function of a training config.
    log : callable

    Returns
    -------
    dict
        ``conditions``: for each, numbers of the network that saw it and of the one that did not.
    """
    base = read_config(config.config)
    target = torch.device(device or ("cuda:0" if torch.cuda.is_available() else "cpu"))

    def trained(name: str, hold_out: tuple[str, ...]) -> Path:
        settings = replace(
            base,
            name=f"{base.name}-{name}",
            draw={**base.draw, **({"hold_out": list(hold_out)} if hold_out else {})},
        )
        if not (out / name / RECORD).is_file():
            train(settings, out / name, str(target), config.seconds, draw=draw_for(settings), log=log)
        return out / name

    whole = trained("all", ())
    results: dict[str, Any] = {}
    for condition in config.conditions:
        parts = tuple(condition.split("+"))
        name = condition.replace(":", "-").replace("+", "-")
        without = trained(f"without-{name}", parts)
        only = draw_for(replace(base, draw={**base.draw, "only": list(parts)}))
        row: dict[str, Any] = {}
        for what, run in (("seen", whole), ("unseen", without)):
            _, network, _ = load_run(run)
            row[what] = pixel_scores(network.to(target), only, config.pictures, target)
            if config.photos:
                row[what] |= pipeline_numbers(run, parts, out / "readings" / f"{name}-{what}", config, log)
        results[condition] = row
        log(
            f"{condition}: "
            + ", ".join(
                f"{key.removeprefix('iou_')} {row['seen'][key]:.3f} -> {row['unseen'][key]:.3f}"
                for key in PIXEL_METRICS
            )
        )
    record: dict[str, Any] = without_nan(
        {"config": config.config, "seconds": config.seconds, "conditions": results}
    )
    (out / RESULTS).write_text(json.dumps(record, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    (out / REPORT).write_text(table(record), encoding="utf-8")
    return record


def pipeline_numbers(
    run: Path, only: tuple[str, ...], out: Path, config: HoldoutConfig, log: Callable[[str], None]
) -> dict[str, float]:
    """Numbers of the whole pipeline with the fine network of ``run``, on photographs of one condition."""
    copy_default(config.manifest, "coarse", out / "model")
    export(run, out / "model")
    settings = EvaluateConfig(
        photos=config.photos,
        workers=config.workers,
        drawers=config.drawers,
        manifest=out / "model" / "weights.toml",
        dataset={"only": list(only)},
    )
    summary = evaluate_fresh(out, settings, log=log)
    numbers = {key: summary[key]["share"] for key in PIPELINE_METRICS if summary[key] is not None}
    return numbers | {"ratio_error_median": summary["ratio_error_median"]}


def table(record: dict[str, Any]) -> str:
    """The study as a Markdown page: seen -> unseen for every number."""
    rows = record["conditions"]
    keys = list(PIXEL_METRICS)
    for row in rows.values():
        keys += [k for k in (*PIPELINE_METRICS, "ratio_error_median") if k in row["seen"] and k not in keys]
    lines = [
        "# Conditions held out of training",
        "",
        "Each cell: the network that saw the condition -> the one that did not, both judged on that "
        "condition alone.",
        "",
        "| condition | " + " | ".join(key.removeprefix("iou_").replace("_", " ") for key in keys) + " |",
        "|" + "---|" * (len(keys) + 1),
    ]
    for condition, row in rows.items():
        cells = (f"{_number(row['seen'].get(key))} -> {_number(row['unseen'].get(key))}" for key in keys)
        lines.append(f"| {condition} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"
