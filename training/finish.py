"""
From the last step of a retraining to a set of weights: export, uncertainties, start for the next time, card.

The set is made in the run's folder and moved to its place as the last act, so that a set that can be named is
whole.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import torch

from crestgauge.inference.edge_file import load_edge_model
from crestgauge.model.local import MANIFEST, START, WeightsSet, find_set
from crestgauge.training.beginning import halved
from crestgauge.training.export import copy_default, export
from crestgauge.training.files import read_view
from crestgauge.training.fit import CHECKPOINT, RECORD, WEIGHTS, without_nan
from crestgauge.training.label_truth import truth_of
from crestgauge.training.look_bias import MOST_PHOTOS, Moves, follow_look, moved_on_drawn
from crestgauge.training.own import OwnPhoto, OwnSet, Split
from crestgauge.training.own_card import write_own_card
from crestgauge.training.own_look import CrownLook, looks_of_views
from crestgauge.training.recalibrate import EXPLAINED, Judged, recalibrate
from crestgauge.training.replay import kept_pictures

if TYPE_CHECKING:
    from crestgauge.training.retrain import Job, Tell

BIASES: Final = ("dentine_bias_px", "enamel_bias_px")
CALIBRATION: Final = "calibration.json"
PLAN: Final = "plan.json"


def finish(
    own: OwnSet,
    split: Split,
    base: WeightsSet,
    job: Job,
    plan: dict[str, Any],
    *,
    log: Callable[[str], None],
    tell: Tell,
) -> WeightsSet:
    """
    Make the set of a run whose steps are done.

    Raises
    ------
    WeightsError
        If torch and onnxruntime differ by more than is allowed.
    """
    home, run = job.home, job.run("fine")
    made = run / "set"
    shutil.rmtree(made, ignore_errors=True)
    made.mkdir(parents=True)
    if not job.coarse:
        copy_default(base.manifest.path, "coarse", made)
    (made / START).mkdir()
    for role in job.roles:
        steps = job.run(role)
        _complete_record(steps, plan)
        entry = export(steps, made, by_content=True)
        size, parity = f"{entry.size / 1e6:.1f} MB", f"{entry.parity_max_abs:.1e}"
        log(f"{entry.name}: {size}, torch and onnxruntime agree to {parity}")
        state = torch.load(steps / WEIGHTS, map_location="cpu", weights_only=True)
        torch.save(halved(state), made / START / f"{entry.name}.pt")
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
            tell=lambda done, of: tell("Comparing drawn pictures", done, of),
        )
    judged = judged_photos(own.of([*split.check, *split.test]), run / "truth")
    calibration = recalibrate(
        made,
        judged,
        edge,
        start=base,
        move=moves.here,
        look=moves.look,
        workers=job.workers,
        tell=lambda done, of: tell("Reading the animals kept back", done, of),
    )
    look = follow_look(
        made,
        base,
        [photo.paths.photo for photo in own.photos if photo.usable],
        moves.elsewhere,
        tell=lambda done, of: tell("Looking at own photos", done, of),
    )
    calibration["drawn_moves"] = asdict(moves)
    calibration["elsewhere"] = None if look is None else {key: getattr(look, key) for key in BIASES}
    _write(made / CALIBRATION, calibration)
    _write(made / PLAN, plan)
    log(calibration_words(calibration))
    write_own_card(made)
    for path in sorted(made.iterdir(), key=lambda each: each.name == MANIFEST):  # the manifest last
        target = home / path.name
        if target.is_dir():
            shutil.rmtree(target)
        path.replace(target)
    made.rmdir()
    for role in job.roles:
        (job.run(role) / CHECKPOINT).unlink(missing_ok=True)
    return find_set(job.name, folder=job.folder)


def own_looks(photos: Sequence[OwnPhoto]) -> list[CrownLook]:
    """Looks of the crowns of own photos, of at most `MOST_PHOTOS` evenly chosen ones."""
    usable = [photo for photo in photos if photo.usable]
    step = max(1.0, len(usable) / MOST_PHOTOS)
    chosen = [usable[int(k * step)] for k in range(min(len(usable), MOST_PHOTOS))]
    return looks_of_views([read_view(photo.paths, "fine") for photo in chosen])


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


def calibration_words(calibration: dict[str, Any]) -> str:
    """What was done about the uncertainties, in a sentence."""
    held = calibration["coverage_left_out"]
    ways = {
        "edge model": "fitted anew",
        "conformal": f"multiplied by {calibration['factor'] or 1:.2f}",
        "widened only": f"multiplied by {calibration['factor'] or 1:.2f} (too few animals to narrow them)",
        EXPLAINED: "left as they were: errors of the labels explain those of the readings",
        "kept": "left as they were: too few crests to judge them by",
    }
    words = f"Stated uncertainties were {ways[calibration['method']]}"
    words += f" ({calibration['crests']} crests of {calibration['animals']} animals kept back)"
    if held["share"] is not None:
        words += (
            f"; 95 % intervals hold {100 * held['share']:.0f} % of crests of animals left out "
            f"({100 * held['low']:.0f} to {100 * held['high']:.0f} %)"
        )
    return words + ". " + bias_words(calibration)


def bias_words(calibration: dict[str, Any]) -> str:
    """What is taken off widths, here and elsewhere."""
    own, other = calibration["model"], calibration.get("elsewhere")
    here, there = (
        " and ".join(f"{each[key]:+.2f} px of {key.split('_')[0]}" for key in BIASES)
        for each in (own, other or own)
    )
    if other is None:
        return f"Taken off measured widths, in crop pixels: {here}."
    return (
        f"Taken off measured widths, in crop pixels: {here} on photos that look like these, {there} on all "
        "others."
    )


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
