"""
What a retraining is given, where it writes, who hears of it, and the plan written before its first step.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import torch

from crestgauge.inference.errors import InputError
from crestgauge.model.local import WeightsSet, weights_folder
from crestgauge.model.weights import Role
from crestgauge.training.own import OwnSet, Split
from crestgauge.training.retrain_config import RetrainConfig

RUN: Final = "run"
DRAWN_FOLDER: Final = ".drawn"
COARSE_RUN: Final = "coarse"
"""Folder in that of the run."""
PLAN: Final = "plan.json"
Log = Callable[[str], None]
"""Takes a short line."""
Tell = Callable[[str, int, int], None]
"""Gets (what is being done, done, of)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """
    One retraining: where from, where to, on what.

    Parameters
    ----------
    name : str
        Of the new set; never reused.
    config : RetrainConfig
    start : str or None
        Set to start from; None takes the one that reads by default.
    folder : Path or None
        Of the user's weights.
    device : str or None
        A GPU where there is one.
    split : Split or None
        None deals the animals out.
    workers : int
        Processes that read photos for the uncertainties.
    coarse : bool
        Train the coarse network too.
    """

    name: str
    config: RetrainConfig
    start: str | None = None
    folder: Path | None = None
    device: str | None = None
    split: Split | None = None
    workers: int = 1
    coarse: bool = False

    @property
    def roles(self) -> tuple[Role, ...]:
        """Networks that are trained."""
        return ("fine", "coarse") if self.coarse else ("fine",)

    def run(self, role: Role) -> Path:
        """Folder of the steps of one network."""
        return self.home / RUN if role == "fine" else self.home / RUN / COARSE_RUN

    @property
    def home(self) -> Path:
        """Folder of the new set."""
        return weights_folder(self.folder) / self.name

    def drawn_file(self, role: Role) -> Path:
        """Where drawn pictures for the mixture are kept, for every run on this kind of device."""
        return weights_folder(self.folder) / DRAWN_FOLDER / f"{role}-{self.target.type}.pt"

    @property
    def target(self) -> torch.device:
        """Device of the steps."""
        return torch.device(self.device or ("cuda:0" if torch.cuda.is_available() else "cpu"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Listener:
    """
    Who hears what a retraining does.

    Parameters
    ----------
    log : callable
        Takes short lines.
    tell : callable
        Takes progress.
    """

    log: Log
    tell: Tell


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """
    A retraining with its photos read, its animals dealt out and its start weights found.

    Parameters
    ----------
    job : Job
    own : OwnSet
    split : Split
    base : WeightsSet
        Start weights.
    """

    job: Job
    own: OwnSet
    split: Split
    base: WeightsSet

    def plan(self) -> dict[str, Any]:
        """Everything that decides the result, as it is kept beside the weights."""
        return {
            "schema": "crestgauge.retrain/1",
            "name": self.job.name,
            "data": {
                "folder": self.own.folder.name,
                "fingerprint": self.own.fingerprint(),
                "photos": len(self.own.photos),
                "animals": len(self.own.animals),
                "photos_by_part": {
                    part: [photo.name for photo in self.own.of(animals)]
                    for part, animals in self.split.to_dict().items()
                },
                "notes": list(self.own.notes),
            },
            "networks": list(self.job.roles),
            "split": self.split.to_dict(),
            "start": {"set": self.base.name, "model": self.base.model, "identity": self.base.identity()},
            "config": json.loads(json.dumps(asdict(self.job.config))),
        }


def keep_plan(path: Path, plan: dict[str, Any]) -> None:
    """
    Write the plan, or compare it with that of the run that was begun.

    Raises
    ------
    InputError
        If data, split, start weights or settings are others.
    """
    if not path.is_file():
        part = path.with_name(path.name + ".part")
        part.write_text(json.dumps(plan, indent=1) + "\n", encoding="utf-8")
        part.replace(path)
        return
    before = {"networks": ["fine"]} | json.loads(path.read_text(encoding="utf-8"))
    words = {
        "data": "photos or labels",
        "split": "split of the animals",
        "start": "start weights",
        "config": "settings",
        "networks": "networks to train",
    }
    other = [what for key, what in words.items() if before.get(key) != plan[key]]
    if other:
        raise InputError(
            f"{path.parent}: a run of this name was begun with other {' and '.join(other)}. Give the old "
            "ones to go on with it, choose another name, or delete that folder."
        )
