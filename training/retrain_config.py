"""
Settings of a retraining, read from a TOML file and checked.
"""

from __future__ import annotations

import tomllib
import typing
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.errors import InputError
from crestgauge.training.augment import AugmentConfig
from crestgauge.training.config import ScheduleConfig, build
from crestgauge.training.losses import LossConfig

CONFIGS: Final = ("retrain-cpu", "retrain-gpu")


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnConfig:
    """
    How own photos and drawn pictures are mixed, and when the run ends.

    Parameters
    ----------
    share : float
        Share of each batch that comes from the own photos, above 0 to 1.
    drawn : int
        Drawn pictures to train with; kept on disk for the next run.
    drawn_check : int
        Drawn pictures to see what is forgotten; the set's first ones, never trained with.
    variants : int
        Versions of each own photo that are held ready; they are replaced one by one.
    most : int
        Most own pictures held ready, each 3.6 MB for the fine network.
    every : int
        One of them is replaced every so many steps.
    check_steps : int
        Steps between looks at the animals kept back.
    patience : int
        Looks without a better result after which the run ends.
    """

    share: float = 0.5
    drawn: int = 32
    drawn_check: int = 4
    variants: int = 4
    most: int = 480
    every: int = 2
    check_steps: int = 20
    patience: int = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class RetrainConfig:
    """
    Settings of a retraining; parts as in `crestgauge.training.config.TrainConfig`.

    Parameters
    ----------
    seed : int
        Of the split, the steps and the changes of pictures.
    draw : dict
        Options of the generator.
    """

    seed: int = 1
    schedule: ScheduleConfig = field(default_factory=ScheduleConfig)
    own: OwnConfig = field(default_factory=OwnConfig)
    loss: LossConfig = field(default_factory=LossConfig)
    augment: AugmentConfig = field(default_factory=AugmentConfig)
    draw: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        own = self.own
        if not 0 < own.share <= 1 or own.drawn < 1 or own.drawn_check < 1 or own.check_steps < 1:
            raise InputError(
                f"retraining config: own share {own.share}, drawn {own.drawn}, drawn_check "
                f"{own.drawn_check}, check_steps {own.check_steps}; needs a share above 0 to 1 and at least "
                "1 of the others"
            )
        if not self.schedule.max_steps:
            raise InputError("retraining config: schedule.max_steps is 0; needs an end in steps")


def read_retrain_config(source: str | Path) -> RetrainConfig:
    """
    Settings from a TOML file, or the shipped ones "retrain-cpu" and "retrain-gpu".

    Raises
    ------
    InputError
        If there is no such file, it is no TOML, a key is unknown, or a value is of the wrong kind.
    """
    if str(source) in CONFIGS:
        text = files("crestgauge.training").joinpath(f"{source}.toml").read_text(encoding="utf-8")
    else:
        try:
            text = Path(source).read_text(encoding="utf-8")
        except OSError as error:
            raise InputError(
                f"{source}: cannot be read ({error.strerror}); needs a TOML file, or {' or '.join(CONFIGS)}"
            ) from error
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{source}: no TOML ({error})") from error
    return typing.cast(RetrainConfig, build(RetrainConfig, table, str(source)))


def with_bounds(
    config: RetrainConfig, *, steps: int | None = None, batch: int | None = None
) -> RetrainConfig:
    """The same settings with another end or batch, where given."""
    schedule = config.schedule
    return replace(
        config,
        schedule=replace(schedule, max_steps=steps or schedule.max_steps, batch=batch or schedule.batch),
    )
