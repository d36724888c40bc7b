"""
What a network loses on conditions that it was never shown.

One network is trained on everything, and one more for each condition with that condition left out, all alike
and for the same time. Both are then judged on pictures of that condition alone: the difference is what having
seen it is worth, and so how far the generator's range, rather than the network, carries a result. A large
fall says: widen there.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import torch

from crestgauge.inference.errors import InputError
from crestgauge.training.batch import Draw
from crestgauge.training.config import TrainConfig, read_config
from crestgauge.training.drawing import drawing
from crestgauge.training.evaluate import EvaluateConfig, device_names, draw_photos, evaluate_folder
from crestgauge.training.export import copy_default, export, load_run
from crestgauge.training.fit import train
from crestgauge.training.metrics import pixel_scores
from crestgauge.training.record import RECORD, without_nan
from crestgauge.training.stored import StoredDraw

PIXEL_METRICS = ("iou_enamel_band", "iou_dentine", "iou_infundibulum", "tooth_right", "lingual_right")
PIPELINE_METRICS = ("exact", "within_one", "borderline", "refused", "side_right", "teeth_numbered_right")
RATIO_METRICS = ("ratio_error_median", "ratio_error_95")
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
    together : bool
        One network without any of the conditions in place of one for each: two runs in all, so that each gets
        the more time. Each condition is then judged on pictures with none of the others.
    seconds : float or None
        Wall-clock time of each run; None = as the config says. [s]
    pictures : int
        Pictures of each condition for the pixel metrics.
    photos : int
        Photographs of each condition through the whole pipeline; 0 = pixel metrics only.
    manifest : Path or None
        Weights whose coarse network is used for these; None = the shipped ones.
    dataset : dict
        Further options of the photographs by name, see `crestgauge.synthetic_data.dataset.DatasetOptions`.
    workers, drawers : int
        Processes that read and that draw photographs.
    """

    config: str = "fine"
    conditions: tuple[str, ...] = ("light:flash", "background:grass", "stain:black", "shape:irregular")
    together: bool = False
    seconds: float | None = None
    pictures: int = 64
    photos: int = 0
    manifest: Path | None = None
    dataset: dict[str, Any] = field(default_factory=dict)
    workers: int = 2
    drawers: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """One run: its folder and what it leaves out."""

    name: str
    hold_out: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Training:
    """What all runs share: folder, settings, wall-clock time of each [s], and where pictures come from."""

    out: Path
    base: TrainConfig
    seconds: float | None
    draw_for: Callable[[TrainConfig], Draw]


def study(
    out: Path,
    config: HoldoutConfig,
    devices: str | Sequence[str] | None = None,
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
    devices : str or sequence of str, optional
        Runs are shared out among these, side by side where there are several, and photographs are drawn on
        them; all GPUs, else the CPU, by default.
    draw_for : callable
        Gives the drawing function of a training config; with several devices it must survive pickling.
    log : callable

    Returns
    -------
    dict
        ``conditions``: for each, numbers of the network that saw it and of the one that did not.
    """
    base = read_config(config.config)
    named = (devices,) if isinstance(devices, str) else tuple(devices or device_names())
    target = torch.device(named[0])
    apart = {condition: tuple(condition.split("+")) for condition in config.conditions}
    every = tuple(part for parts in apart.values() for part in parts)
    plans = [_Plan(name="all", hold_out=())]
    if config.together:
        plans.append(_Plan(name="without", hold_out=every))
    else:
        plans += [_Plan(name=f"without-{_plain(c)}", hold_out=parts) for c, parts in apart.items()]
    training = _Training(out=out, base=base, seconds=config.seconds, draw_for=draw_for)
    _train_all(training, plans, named, log)
    results: dict[str, Any] = {}
    for condition, parts in apart.items():
        name = _plain(condition)
        others = tuple(part for part in every if part not in parts) if config.together else ()
        only = {"only": list(parts), **({"hold_out": list(others)} if others else {})}
        draw = StoredDraw(draw_for(replace(base, draw={**base.draw, **only})), out / "pictures" / name)
        photos = out / "photos" / name
        if config.photos:
            _draw_photos(photos, only, config, named, log)
        row: dict[str, Any] = {}
        for what, run in (("seen", "all"), ("unseen", "without" if config.together else f"without-{name}")):
            network, _ = load_run(out / run)
            row[what] = pixel_scores(network.to(target), draw, config.pictures, target)
            if config.photos:
                row[what] |= pipeline_numbers(
                    out / run, photos, out / "readings" / f"{name}-{what}", config, log
                )
        results[condition] = row
        log(
            f"{condition}: "
            + ", ".join(
                f"{key.removeprefix('iou_')} {number_of(row['seen'][key])} -> {number_of(row['unseen'][key])}"
                for key in PIXEL_METRICS
            )
        )
    record: dict[str, Any] = without_nan(
        {
            "config": config.config,
            "seconds": config.seconds,
            "together": config.together,
            "runs": {p.name: {"hold_out": list(p.hold_out), **_used(out / p.name)} for p in plans},
            "conditions": results,
        }
    )
    (out / RESULTS).write_text(json.dumps(record, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    (out / REPORT).write_text(table(record), encoding="utf-8")
    return record


def _plain(condition: str) -> str:
    return condition.replace(":", "-").replace("+", "-")


def _used(run: Path) -> dict[str, Any]:
    """What a run had for its training: steps, pictures, seconds."""
    record = json.loads((run / RECORD).read_text(encoding="utf-8"))
    return {key: record[key] for key in ("steps", "pictures_drawn", "pictures_used", "seconds")}


def _train_all(
    training: _Training, plans: Sequence[_Plan], devices: tuple[str, ...], log: Callable[[str], None]
) -> None:
    """Runs in turn on one device, or side by side in a process for each device."""
    out = training.out
    left = [plan for plan in plans if not (out / plan.name / RECORD).is_file()]
    if len(devices) == 1 or len(left) < 2:
        for plan in left:
            _train_one(training, plan, devices[0], log)
        return
    context = multiprocessing.get_context("spawn")
    processes = []
    for k, device in enumerate(devices):
        share = left[k :: len(devices)]
        if share:  # no daemons: each of them starts drawing processes of its own
            process = context.Process(target=_train_share, args=(training, share, device))
            process.start()
            processes.append(process)
    for process in processes:
        process.join()
    missing = [plan.name for plan in left if not (out / plan.name / RECORD).is_file()]
    if missing:
        raise InputError(
            f"{out}: the runs {', '.join(missing)} did not finish; needs all runs to compare. "
            "Read their last lines above, and start the study again: finished runs are kept."
        )


def _train_share(training: _Training, plans: Sequence[_Plan], device: str) -> None:
    for plan in plans:
        _train_one(training, plan, device, _say)


def _say(line: str) -> None:
    print(line, flush=True)


def _train_one(training: _Training, plan: _Plan, device: str, log: Callable[[str], None]) -> None:
    base = training.base
    draw = {**base.draw, **({"hold_out": list(plan.hold_out)} if plan.hold_out else {})}
    settings = replace(base, name=f"{base.name}-{plan.name}", draw=draw)
    out, draw_pictures = training.out / plan.name, training.draw_for(settings)
    train(settings, out, device, training.seconds, draw=draw_pictures, log=log)


def _draw_photos(
    folder: Path,
    only: dict[str, Any],
    config: HoldoutConfig,
    devices: tuple[str, ...],
    log: Callable[[str], None],
) -> None:
    """Photographs of one condition, drawn once for all networks."""
    settings = EvaluateConfig(
        photos=config.photos,
        drawers=config.drawers,
        devices=devices,
        dataset={**config.dataset, **only},
    )
    done = sum(1 for _ in draw_photos(folder, settings))
    log(f"{folder.name}: {done} photographs drawn")


def pipeline_numbers(
    run: Path, photos: Path, out: Path, config: HoldoutConfig, log: Callable[[str], None]
) -> dict[str, float | None]:
    """Numbers of the whole pipeline with the fine network of ``run``, on a folder of photographs."""
    copy_default(config.manifest, "coarse", out / "model")
    export(run, out / "model")
    settings = EvaluateConfig(workers=config.workers, manifest=out / "model" / "weights.toml")
    summary = evaluate_folder(photos, out, settings, log=log)
    numbers = {key: summary[key]["share"] for key in PIPELINE_METRICS if summary[key] is not None}
    return numbers | {key: summary[key] for key in RATIO_METRICS}


def table(record: dict[str, Any]) -> str:
    """The study as a Markdown page: seen -> unseen for every number."""
    rows = record["conditions"]
    keys = list(PIXEL_METRICS)
    for row in rows.values():
        for part in row.values():
            keys += [k for k in (*PIPELINE_METRICS, *RATIO_METRICS) if k in part and k not in keys]
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
        cells = (f"{number_of(row['seen'].get(key))} -> {number_of(row['unseen'].get(key))}" for key in keys)
        lines.append(f"| {condition} | " + " | ".join(cells) + " |")
    lines += ["", "| run | left out | steps | pictures drawn | used | seconds |", "|" + "---|" * 6]
    lines += [
        f"| {name} | {', '.join(run['hold_out']) or 'nothing'} | {run['steps']} | {run['pictures_drawn']} "
        f"| {run['pictures_used']} | {run['seconds']:.0f} |"
        for name, run in record["runs"].items()
    ]
    return "\n".join(lines) + "\n"


def number_of(value: float | None) -> str:
    """A metric in a table; a dash for none."""
    return "-" if value is None or value != value else f"{value:.3f}"


def main(arguments: Sequence[str] | None = None) -> None:
    """The command: python -m crestgauge.training.holdout OUT ..."""
    defaults = HoldoutConfig()
    parser = argparse.ArgumentParser(prog="python -m crestgauge.training.holdout", description=__doc__)
    add = parser.add_argument
    add("out", type=Path, help="folder for runs, photographs and the table")
    add("--config", default=defaults.config, help="training config, by name or path")
    add("--conditions", nargs="+", default=list(defaults.conditions), metavar="FAMILY:CONDITION")
    add("--together", action="store_true", help="one network without all of them: two runs")
    add("--seconds", type=float, default=None, help="wall-clock time of each run [s]")
    add("--pictures", type=int, default=defaults.pictures, help="of each condition, judged by pixel")
    add("--photos", type=int, default=defaults.photos, help="of each condition, through the whole pipeline")
    add("--long-side", type=int, nargs=2, default=None, metavar="PX", help="range, of the photographs")
    add("--devices", nargs="+", default=None, help="such as cuda:0 cuda:1; all GPUs by default")
    add("--workers", type=int, default=defaults.workers, help="processes that read")
    add("--drawers", type=int, default=defaults.drawers, help="processes that draw photographs")
    asked = parser.parse_args(arguments)
    config = HoldoutConfig(
        config=asked.config,
        conditions=tuple(asked.conditions),
        together=asked.together,
        seconds=asked.seconds,
        pictures=asked.pictures,
        photos=asked.photos,
        dataset={"long_side_px": asked.long_side} if asked.long_side else {},
        workers=asked.workers,
        drawers=asked.drawers,
    )
    study(asked.out, config, asked.devices, log=_say)
    print((asked.out / REPORT).read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
