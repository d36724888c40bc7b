"""
From somebody's own labelled photos to weights of their own, in one call.

    own animals (train) + drawn pictures -> steps -> best step by the own animals kept back (check)
    -> ONNX with parity check -> uncertainties by the animals kept back -> a set in the user's weights folder

Everything that decides the result is in the plan that is written first: data (by hash), split, start weights
and settings. A killed run goes on from its last checkpoint; with other data it refuses to.

The coarse network, which finds the row in the whole photo, can be trained in the same way. Labels made in the
levelled crop say nothing of what lies outside it, where nothing is judged then: that a board or a hand is no
row is learned there from drawn pictures alone. A photo in which no row was found is labelled whole.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.errors import WeightsError
from crestgauge.model.local import MANIFEST, WeightsSet, check_name, find_set
from crestgauge.model.weights import Role
from crestgauge.training.batch import Draw
from crestgauge.training.beginning import start_file, start_network
from crestgauge.training.config import CheckConfig, PoolConfig, TrainConfig
from crestgauge.training.drawing import drawing
from crestgauge.training.finish import finish
from crestgauge.training.job import PLAN, RUN, Job, Listener, Log, Task, Tell, keep_plan
from crestgauge.training.own import read_own, split_animals
from crestgauge.training.own_steps import Mixture, OwnRun
from crestgauge.training.record import WEIGHTS
from crestgauge.training.replay import drawn_pictures

COARSE_CHANGES: Final[dict[str, Any]] = {
    "turn_deg": 180.0, "zoom": 1.3, "shift": 0.10, "mirror_columns": True, "blur_px": 1.2
}  # fmt: skip
"""How pictures of the coarse network vary otherwise than those of the fine one: a jaw may lie any way. As
when the shipped one was trained."""


def retrain(
    dataset: Path,
    job: Job,
    *,
    draw: Draw | None = None,
    log: Log = print,
    tell: Tell = lambda what, done, of: None,
) -> WeightsSet:
    """
    Train the fine network on own photos, with ``job.coarse`` both, and enter them as a set of weights.

    Parameters
    ----------
    dataset : Path
        Folder of labelled photos, see `crestgauge.training.own`.
    job : Job
    draw : Draw, optional
        Another source of drawn pictures than `crestgauge.synthetic_data`.
    log, tell : callable
        Take short lines, and progress.

    Returns
    -------
    WeightsSet
        The new set; it is not the default yet.

    Raises
    ------
    InputError
        If the data cannot be used, or memory does not suffice.
    WeightsError
        If the name is taken, the start weights cannot be trained on, or the export does not agree.
    """
    check_name(job.name)
    if (job.home / MANIFEST).is_file():
        raise WeightsError(f"{job.home}: weights {job.name} exist; a name is never reused. Choose another.")
    own = read_own(dataset)
    for note in own.notes:
        log(note)
    split = job.split or split_animals(own, seed=job.config.seed)
    task = Task(job=job, own=own, split=split, base=find_set(job.start, folder=job.folder))
    run = job.home / RUN
    run.mkdir(parents=True, exist_ok=True)
    plan = task.plan()
    keep_plan(run / PLAN, plan)
    counts = {part: len(getattr(split, part)) for part in ("train", "check", "test")}
    log(f"{len(own.photos)} photos; animals: " + ", ".join(f"{n} {part}" for part, n in counts.items()))
    listener = Listener(log=log, tell=tell)
    for role in job.roles:
        if not (job.run(role) / WEIGHTS).is_file():
            if job.coarse:
                log(f"{role} network")
            take_steps(task, role, draw, listener)
    return finish(task, plan, listener)


def train_config(base: WeightsSet, job: Job, role: Role) -> TrainConfig:
    """The settings of the steps of one network, as the record keeps them."""
    given = job.config
    changes = COARSE_CHANGES if role == "coarse" and given.augment.share > 0 else {}
    return TrainConfig(
        name=job.name if role == "fine" else f"{job.name}-coarse",
        role=role,
        seed=given.seed,
        schedule=given.schedule,
        pool=PoolConfig(capacity=given.own.most, start=1, draw=1, every=given.own.every),
        check=CheckConfig(pictures=given.own.drawn_check, log_seconds=30.0),
        network=replace(start_network(base, role), start=str(start_file(base, role))),
        loss=given.loss,
        augment=replace(given.augment, **changes),
        draw=given.draw,
    )


def take_steps(task: Task, role: Role, draw: Draw | None, listener: Listener) -> None:
    """Train one network, or go on with it; weights and record are in its folder then."""
    job, settings = task.job, task.job.config.own
    config, run = train_config(task.base, job, role), job.run(role)
    run.mkdir(parents=True, exist_ok=True)
    drawn = drawn_pictures(
        job.drawn_file(role),
        settings.drawn + settings.drawn_check,
        draw or drawing(config),
        job.target,
        together=8 if job.target.type == "cuda" else 1,
        tell=lambda done, of: listener.tell("Drawing pictures to keep what is known", done, of),
    )
    going = OwnRun(config, run, job.target, Mixture(task, drawn, role), listener)
    try:
        going.go()
        going.finish()
    finally:
        going.close()
