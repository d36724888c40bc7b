"""
From the last step of a retraining to a set of weights: export, uncertainties, start for the next time, card.

The set is made in the run's folder and moved to its place as the last act, so that a set that can be named is
whole.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import torch

from crestgauge.inference.edge_file import load_edge_model
from crestgauge.model.local import MANIFEST, START, WeightsSet, find_set
from crestgauge.training.beginning import halved
from crestgauge.training.export import copy_default, export
from crestgauge.training.job import PLAN, Listener, Log, Task
from crestgauge.training.label_truth import truth_of
from crestgauge.training.look_bias import Moves, follow_look, moved_on_drawn, own_looks
from crestgauge.training.own import OwnPhoto
from crestgauge.training.own_card import BIASES, calibration_words, write_own_card
from crestgauge.training.recalibrate import Judged, recalibrate
from crestgauge.training.record import CHECKPOINT, RECORD, WEIGHTS, without_nan
from crestgauge.training.replay import kept_pictures

CALIBRATION: Final = "calibration.json"


def finish(task: Task, plan: dict[str, Any], listener: Listener) -> WeightsSet:
    """
    Make the set of a run whose steps are done.

    Raises
    ------
    WeightsError
        If torch and onnxruntime differ by more than is allowed.
    """
    job = task.job
    made = job.run("fine") / "set"
    shutil.rmtree(made, ignore_errors=True)
    made.mkdir(parents=True)
    _export(task, plan, made, listener.log)
    calibration = _calibrate(task, made, listener)
    _write(made / CALIBRATION, calibration)
    _write(made / PLAN, plan)
    listener.log(calibration_words(calibration))
    write_own_card(made)
    for path in sorted(made.iterdir(), key=lambda each: each.name == MANIFEST):  # the manifest last
        target = job.home / path.name
        if target.is_dir():
            shutil.rmtree(target)
        path.replace(target)
    made.rmdir()
    for role in job.roles:
        (job.run(role) / CHECKPOINT).unlink(missing_ok=True)
    return find_set(job.name, folder=job.folder)


def _export(task: Task, plan: dict[str, Any], made: Path, log: Log) -> None:
    """Both networks with their records into ``made``, and what a next retraining starts from."""
    if not task.job.coarse:
        copy_default(task.base.manifest.path, "coarse", made)
    (made / START).mkdir()
    for role in task.job.roles:
        steps = task.job.run(role)
        _complete_record(steps, plan)
        entry = export(steps, made, by_content=True)
        size, parity = f"{entry.size / 1e6:.1f} MB", f"{entry.parity_max_abs:.1e}"
        log(f"{entry.name}: {size}, torch and onnxruntime agree to {parity}")
        state = torch.load(steps / WEIGHTS, map_location="cpu", weights_only=True)
        torch.save(halved(state), made / START / f"{entry.name}.pt")


def _calibrate(task: Task, made: Path, listener: Listener) -> dict[str, Any]:
    """Biases and uncertainties of the new networks, written into ``made``; returns what was done."""
    job, own, base = task.job, task.own, task.base
    edge = load_edge_model(base.folder)
    drawn = kept_pictures(job.drawn_file("fine"))
    moves = Moves()
    if drawn is not None:
        moves = moved_on_drawn(
            made,
            base,
            drawn,
            edge,
            own_looks(own.photos),
            tell=lambda done, of: listener.tell("Comparing drawn pictures", done, of),
        )
    kept_back = own.of([*task.split.check, *task.split.test])
    calibration = recalibrate(
        made,
        judged_photos(kept_back, job.run("fine") / "truth"),
        edge,
        start=base,
        move=moves.here,
        look=moves.look,
        workers=job.workers,
        tell=lambda done, of: listener.tell("Reading the animals kept back", done, of),
    )
    look = follow_look(
        made,
        base,
        [photo.paths.photo for photo in own.photos if photo.usable],
        moves.elsewhere,
        tell=lambda done, of: listener.tell("Looking at own photos", done, of),
    )
    calibration["drawn_moves"] = asdict(moves)
    calibration["elsewhere"] = None if look is None else {key: getattr(look, key) for key in BIASES}
    return calibration


def judged_photos(photos: Sequence[OwnPhoto], folder: Path) -> list[Judged]:
    """
    The photos with the truth of each, worked out from its labels where need be, as a file in ``folder``.
    """
    folder.mkdir(parents=True, exist_ok=True)
    judged = []
    for photo in photos:
        path = folder / f"{photo.name}.json"
        path.write_text(json.dumps(truth_of(photo.paths)) + "\n", encoding="utf-8")
        judged.append(Judged(animal=photo.animal, photo=photo.paths.photo, truth=path))
    return judged


def _complete_record(run: Path, plan: dict[str, Any]) -> None:
    """The plan becomes part of the record, which travels with the weights."""
    path = run / RECORD
    record = json.loads(path.read_text(encoding="utf-8"))
    record["retraining"] = {key: value for key, value in plan.items() if key != "config"}
    record["retraining"]["settings"] = plan["config"]
    _write(path, record)


def _write(path: Path, table: dict[str, Any]) -> None:
    text = json.dumps(without_nan(table), indent=1, allow_nan=False) + "\n"
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8")
    part.replace(path)
