"""
Which encoder, from which start weights, with what frozen: all alike in everything else, judged on conditions
that none of them was shown.

    python -m crestgauge.training.starts OUT --seconds 400 --devices cuda:0 cuda:1

Every arm takes its steps on the same pictures, drawn once, none of which has any of the held-out conditions.
Each is then judged by pixel on pictures of every held-out condition, on pictures like those of the training,
and, if asked for, on a folder of labelled photographs from another source. Writes ``starts.json`` and
``starts.md``. Arms on one device run side by side, so each gets a share of it; with CUDA's multi-process
service running they get equal ones.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Final

import torch

from crestgauge.inference.errors import InputError
from crestgauge.training.batch import Draw, Labelled
from crestgauge.training.config import TrainConfig, read_config
from crestgauge.training.drawing import CHECK_SEED, SEED_SPAN, drawing
from crestgauge.training.evaluate import device_names
from crestgauge.training.export import load_run
from crestgauge.training.files import as_batch, list_photos, read_view
from crestgauge.training.fit import train
from crestgauge.training.holdout import PIXEL_METRICS, number_of
from crestgauge.training.metrics import pixel_scores
from crestgauge.training.record import RECORD, without_nan
from crestgauge.training.stored import StoredDraw, draw_ahead

RESULT, PAGE = "starts.json", "starts.md"
PER_CHECK: Final = 8
"""Pictures of one batch of a check, as `pixel_scores` asks for them."""
LITE0, LITE2, RESNET = "tu-tf_efficientnet_lite0", "tu-tf_efficientnet_lite2", "resnet18"
ARMS: Final[Mapping[str, Mapping[str, Any]]] = {
    "lite0, ImageNet, rate 0.3": {"network.encoder": LITE0, "network.start": "imagenet"},
    "lite0, ImageNet, rate 0.1": {"network.start": "imagenet", "schedule.encoder_rate": 0.1},
    "lite0, ImageNet, frozen for 0.3": {"network.start": "imagenet", "schedule.frozen_share": 0.3},
    "lite0, ImageNet, frozen": {"network.start": "imagenet", "schedule.encoder_rate": 0.0},
    "lite0, from nothing": {"network.start": "none", "schedule.encoder_rate": 1.0},
    "lite2, ImageNet, rate 0.3": {"network.encoder": LITE2, "network.start": "imagenet"},
    "resnet18, from nothing": {
        "network.encoder": RESNET, "network.start": "none", "schedule.encoder_rate": 1.0,
    },
}  # fmt: skip
"""Changes of the config, as "part.field"; the rate is that of the encoder as a share of the rest's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StartsConfig:
    """
    A comparison.

    Parameters
    ----------
    config : str
        Training config that all arms start from, by name or path.
    arms : mapping
        Changes by name of the arm, as `ARMS`.
    conditions : tuple of str
        "family:condition" that no arm is shown, as in `crestgauge.training.holdout`.
    seconds : float or None
        Wall-clock time of each arm; None = as the config says. [s]
    pictures : int
        Pictures of each condition; a multiple of `PER_CHECK` is used.
    photos : Path or None
        Labelled photographs of another source.
    drawers : int
        Drawing processes.
    """

    config: str = "holdout"
    arms: Mapping[str, Mapping[str, Any]] | None = None
    conditions: tuple[str, ...] = ("light:flash", "background:grass", "stain:black", "shape:irregular")
    seconds: float | None = None
    pictures: int = 32
    photos: Path | None = None
    drawers: int = 1


def changed(base: TrainConfig, changes: Mapping[str, Any]) -> TrainConfig:
    """
    ``base`` with some fields of its parts changed.

    Raises
    ------
    InputError
        If there is no such field.
    """
    for name, value in changes.items():
        part, _, key = name.partition(".")
        known = {f.name for f in fields(getattr(base, part))} if hasattr(base, part) and key else set()
        if key not in known:
            raise InputError(f"{name}: no field of a training config; needs part.field")
        base = replace(base, **{part: replace(getattr(base, part), **{key: value})})
    return base


def compare_starts(
    out: Path,
    config: StartsConfig,
    devices: Sequence[str] = (),
    *,
    draw_for: Callable[[TrainConfig], Draw] = drawing,
    log: Callable[[str], None] = print,
) -> dict[str, Any]:
    """
    Draw, train every arm, judge all; what is there already is not made again.

    Parameters
    ----------
    out : Path
    config : StartsConfig
    devices : sequence of str
        All GPUs, else the CPU, by default.
    draw_for : callable
        Gives the drawing function of a training config; it must survive pickling.
    log : callable

    Returns
    -------
    dict
        As in ``starts.json``.

    Raises
    ------
    InputError
        If an arm names no field of a config, or did not finish.
    """
    named = tuple(devices or device_names())
    base = read_config(config.config)
    arms = dict(ARMS if config.arms is None else config.arms)
    held = [part for condition in config.conditions for part in condition.split("+")]
    # Drawn ahead and then fixed: arms differ in nothing but what they are named for.
    base = replace(
        base,
        draw={**base.draw, "hold_out": held},
        pool=replace(base.pool, workers=0, keep_drawing=False),
    )
    plans = {name: changed(base, changes) for name, changes in arms.items()}
    stored = StoredDraw(draw_for(base), out / "pictures" / "training")
    first, batches = base.seed * SEED_SPAN, -(-base.pool.start // base.pool.draw)
    draw_ahead(stored, range(first, first + batches), base.pool.draw, named, config.drawers)
    log(f"{batches * base.pool.draw} pictures to train with")
    checks = {"like training": StoredDraw(draw_for(base), out / "pictures" / "like-training")}
    for condition in config.conditions:
        only = {"only": condition.split("+"), "hold_out": [c for c in held if c not in condition.split("+")]}
        folder = out / "pictures" / condition.replace(":", "-").replace("+", "-")
        checks[condition] = StoredDraw(draw_for(replace(base, draw={**base.draw, **only})), folder)
    # The arms leave these processors free.
    seeds = range(CHECK_SEED, CHECK_SEED + -(-config.pictures // PER_CHECK))
    for check in checks.values():
        draw_ahead(check, seeds, PER_CHECK, named, config.drawers)
    log(f"{len(checks)} x {len(seeds) * PER_CHECK} pictures to judge by")
    _train_arms(out, plans, stored, named, config.seconds)
    target = torch.device(named[0])
    result: dict[str, Any] = {
        "config": config.config, "seconds": config.seconds, "held_out": list(config.conditions), "arms": {}
    }  # fmt: skip
    for name in plans:
        network, record = load_run(out / _plain(name))
        network = network.to(target)
        scores = {
            what: pixel_scores(network, draw, len(seeds) * PER_CHECK, target) for what, draw in checks.items()
        }
        if config.photos is not None:
            scores[config.photos.name] = pixel_scores(
                network, _photos(config.photos), PER_CHECK * (len(list_photos(config.photos)) // PER_CHECK),
                target, first_seed=0,
            )  # fmt: skip
        used = {key: record[key] for key in ("steps", "seconds", "parameters")}
        result["arms"][name] = {**used, "changes": dict(arms[name]), "scores": scores}
        log(f"{name}: {_line(result, name)}")
    result = without_nan(result)
    (out / RESULT).write_text(json.dumps(result, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    (out / PAGE).write_text(page(result), encoding="utf-8")
    return result


def _photos(folder: Path) -> Draw:
    """Labelled photographs in order: batch k holds those from `PER_CHECK` k on."""
    photos = list_photos(folder)

    def draw(seed: int, count: int, device: torch.device) -> Labelled:
        chosen = [photos[(seed * count + k) % len(photos)] for k in range(count)]
        return as_batch([read_view(photo, "fine") for photo in chosen], device)

    return draw


def _train_arms(
    out: Path,
    plans: Mapping[str, TrainConfig],
    stored: StoredDraw,
    devices: Sequence[str],
    seconds: float | None,
) -> None:
    """Arms in turn on a CPU; else all at once, shared out among the devices."""
    left = [name for name in plans if not (out / _plain(name) / RECORD).is_file()]
    if torch.device(devices[0]).type == "cpu":
        for name in left:
            _train_arm(out / _plain(name), plans[name], stored, devices[0], seconds)
    else:
        context = multiprocessing.get_context("spawn")
        arguments = (
            (out / _plain(name), plans[name], stored, devices[k % len(devices)], seconds)
            for k, name in enumerate(left)
        )
        processes = [context.Process(target=_train_arm, args=each) for each in arguments]
        for process in processes:
            process.start()
        for process in processes:
            process.join()
    missing = [name for name in left if not (out / _plain(name) / RECORD).is_file()]
    if missing:
        raise InputError(
            f"{out}: {'; '.join(missing)} did not finish; needs all arms to compare. Read their last lines "
            "above, and start again: finished ones are kept."
        )


def _train_arm(
    out: Path, config: TrainConfig, stored: StoredDraw, device: str, seconds: float | None
) -> None:
    name = f"{config.name}-{out.name}"
    train(replace(config, name=name), out, device, seconds, draw=stored, log=_say)


def _plain(name: str) -> str:
    return "".join(sign if sign.isalnum() else "-" for sign in name.lower()).strip("-").replace("--", "-")


def _say(line: str) -> None:
    print(line, flush=True)


def _line(result: Mapping[str, Any], name: str) -> str:
    scores = result["arms"][name]["scores"]
    return ", ".join(f"{what} {number_of(held['iou_enamel_band'])}" for what, held in scores.items())


def mean_held_out(result: Mapping[str, Any], name: str, metric: str) -> float | None:
    """Mean of one metric over the held-out conditions; None where one is missing."""
    scores = result["arms"][name]["scores"]
    values = [scores[condition][metric] for condition in result["held_out"]]
    return None if any(v is None or v != v for v in values) else sum(values) / len(values)


def page(result: Mapping[str, Any]) -> str:
    """The comparison as Markdown."""
    arms = result["arms"]
    whats = list(next(iter(arms.values()))["scores"])
    lines = [
        f"Held out of training: {', '.join(result['held_out'])}. Mean over these conditions:",
        "",
        "| arm | steps | parameters | "
        + " | ".join(key.removeprefix("iou_").replace("_", " ") for key in PIXEL_METRICS)
        + " |",
        "|---" * (3 + len(PIXEL_METRICS)) + "|",
    ]
    for name, arm in arms.items():
        cells = [number_of(mean_held_out(result, name, key)) for key in PIXEL_METRICS]
        size = f"{arm['parameters'] / 1e6:.1f} M"
        lines.append(f"| {name} | {arm['steps']} | {size} | " + " | ".join(cells) + " |")
    lines += ["", "Enamel band / dentine (overlap), one column for each kind of picture:", ""]
    lines += ["| arm | " + " | ".join(whats) + " |", "|---" * (1 + len(whats)) + "|"]
    for name, arm in arms.items():
        cells = [
            " / ".join(number_of(arm["scores"][what][key]) for key in ("iou_enamel_band", "iou_dentine"))
            for what in whats
        ]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def main(arguments: Sequence[str] | None = None) -> None:
    """The command: python -m crestgauge.training.starts OUT ..."""
    defaults = StartsConfig()
    parser = argparse.ArgumentParser(prog="python -m crestgauge.training.starts", description=__doc__)
    add = parser.add_argument
    add("out", type=Path, help="folder for pictures, runs and the table")
    add("--config", default=defaults.config, help="training config, by name or path")
    add("--arms", nargs="+", default=list(ARMS), choices=list(ARMS), metavar="ARM", help="; ".join(ARMS))
    add("--conditions", nargs="+", default=list(defaults.conditions), metavar="FAMILY:CONDITION")
    add("--seconds", type=float, default=None, help="wall-clock time of each arm [s]")
    add("--pictures", type=int, default=defaults.pictures, help="of each condition")
    add("--photos", type=Path, default=None, help="folder of labelled photographs of another source")
    add("--devices", nargs="+", default=[], help="such as cuda:0 cuda:1; all GPUs by default")
    add("--drawers", type=int, default=defaults.drawers, help="drawing processes")
    asked = parser.parse_args(arguments)
    config = StartsConfig(
        config=asked.config,
        arms={name: ARMS[name] for name in asked.arms},
        conditions=tuple(asked.conditions),
        seconds=asked.seconds,
        pictures=asked.pictures,
        photos=asked.photos,
        drawers=asked.drawers,
    )
    compare_starts(asked.out, config, asked.devices, log=_say)
    print((asked.out / PAGE).read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
