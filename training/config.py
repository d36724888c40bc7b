"""
Settings of one training run: a TOML file, every key known, every value of the right kind.
"""

from __future__ import annotations

import tomllib
import typing
from dataclasses import asdict, dataclass, field, fields, is_dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from crestgauge.inference.errors import InputError
from crestgauge.model.network import NetworkConfig
from crestgauge.training.augment import AugmentConfig
from crestgauge.training.losses import LossConfig


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleConfig:
    """
    How long, how fast.

    Parameters
    ----------
    max_seconds, max_steps : float, int or 0
        Whichever ends first; 0 = no bound. At least one bound is needed. The rate follows the share that is
        used up, so a run of any length ends at a low rate.
    batch : int
        Pictures per step.
    rate : float
        Highest learning rate (AdamW).
    encoder_rate : float
        Rate of the pretrained encoder as a factor of ``rate``; 0 keeps it as it came, batch statistics
        included.
    frozen_share : float
        Share of the run, at its start, in which the encoder does not move.
    warmup_share, final_share : float
        Share of the run that the rate rises in; last rate as a share of the highest.
    keep_norms : bool
        Batch norms keep the statistics that they came with; for batches too small to have their own.
    weight_decay, clip : float
        AdamW weight decay; largest gradient norm.
    ema : float
        Decay of the running mean of the weights, which is what is checked, saved and exported.
    compiler : str
        Backend of ``torch.compile`` for network and losses ("inductor" on a GPU), empty = none. A run of
        minutes pays for the minute that compiling takes; a few steps do not.
    """

    max_seconds: float = 0.0
    max_steps: int = 0
    batch: int = 16
    rate: float = 1e-3
    encoder_rate: float = 0.3
    frozen_share: float = 0.0
    keep_norms: bool = False
    warmup_share: float = 0.04
    final_share: float = 0.01
    weight_decay: float = 0.02
    clip: float = 2.0
    ema: float = 0.998
    compiler: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolConfig:
    """
    Where pictures come from and how many are kept.

    Parameters
    ----------
    capacity : int
        Pictures kept on the device, oldest replaced first; a multiple of ``draw``.
    start : int
        Pictures to have before the first step.
    draw : int
        Pictures drawn at a time.
    every : int
        Without workers: draw once every so many steps.
    workers : int
        Processes that draw beside the training; 0 = draw in between. Only 0 is reproducible to the last bit.
    keep_drawing : bool
        Draw on during the training. False: stop once ``start`` pictures are there, and leave the device to
        the steps; with eleven processes beside it on one GPU, training went at 1.5 steps a second.
    worker_devices : tuple of str
        Devices the workers draw on, in turn; empty = that of the training.
    """

    capacity: int = 3000
    start: int = 400
    draw: int = 8
    every: int = 1
    workers: int = 0
    keep_drawing: bool = True
    worker_devices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckConfig:
    """
    Looking at the run while it goes.

    Parameters
    ----------
    pictures : int
        Pictures of the check, drawn with seeds that training never uses.
    every_seconds, log_seconds, save_seconds : float
        Time between checks, log lines and checkpoints. [s]
    """

    pictures: int = 32
    every_seconds: float = 60.0
    log_seconds: float = 10.0
    save_seconds: float = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainConfig:
    """
    One run.

    Parameters
    ----------
    name : str
        Name of the run and of the weights it gives; never reused.
    role : "fine" or "coarse"
        Which of the two networks; also the generator's view.
    seed : int
        Start of every random number of the run.
    draw : dict
        Further options of the generator, by name (`crestgauge.synthetic_data` checks them), and ``photos``,
        ``photo_share`` for labelled photographs, see `crestgauge.training.files`.
    """

    name: str
    role: Literal["fine", "coarse"]
    seed: int = 1
    schedule: ScheduleConfig = field(default_factory=ScheduleConfig)
    pool: PoolConfig = field(default_factory=PoolConfig)
    check: CheckConfig = field(default_factory=CheckConfig)
    network: NetworkConfig = field(default_factory=NetworkConfig)
    loss: LossConfig = field(default_factory=LossConfig)
    augment: AugmentConfig = field(default_factory=AugmentConfig)
    draw: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.role not in ("fine", "coarse"):
            raise InputError(f"training config {self.name}: role {self.role!r}; needs 'fine' or 'coarse'")
        if not (self.schedule.max_seconds or self.schedule.max_steps):
            raise InputError(f"training config {self.name}: no end; set schedule.max_seconds or max_steps")
        if self.pool.capacity % self.pool.draw:
            raise InputError(
                f"training config {self.name}: pool.capacity {self.pool.capacity} is no multiple of "
                f"pool.draw {self.pool.draw}"
            )


def read_config(source: str | Path) -> TrainConfig:
    """
    Settings from a TOML file, or from a shipped one by its bare name ("fine", "coarse", "toy").

    Raises
    ------
    InputError
        If there is no such file, it is not TOML, a key is unknown, or a value is of the wrong kind.
    """
    path = Path(source)
    if path.suffix == ".toml":
        if not path.is_file():
            raise InputError(f"{path}: no such file; needs a training config. Shipped ones: {_shipped()}")
        text = path.read_text(encoding="utf-8")
    else:
        shipped = files("crestgauge.training").joinpath("configs", f"{source}.toml")
        if not shipped.is_file():
            raise InputError(
                f"{source}: no such training config. Shipped ones: {_shipped()}; or give a .toml file"
            )
        text = shipped.read_text(encoding="utf-8")
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{source}: not TOML ({error})") from error
    return typing.cast(TrainConfig, build(TrainConfig, table, str(source)))


def build(kind: type, table: dict[str, Any], where: str) -> Any:
    """
    A dataclass from a TOML table, nested ones included.

    Raises
    ------
    InputError
        If a key is unknown or missing, or a value has another type than the field.
    """
    hints = typing.get_type_hints(kind)
    unknown = sorted(set(table) - {f.name for f in fields(kind)})
    if unknown:
        raise InputError(
            f"{where}: unknown key {unknown[0]!r}; known: {', '.join(f.name for f in fields(kind))}"
        )
    values = {}
    for name, value in table.items():
        hint = hints[name]
        if is_dataclass(hint):
            if not isinstance(value, dict):
                raise InputError(f"{where}: {name} is {value!r}; needs a table [{name}]")
            values[name] = build(typing.cast(type, hint), value, f"{where} [{name}]")
        else:
            values[name] = _plain(hint, value, f"{where}: {name}")
    try:
        return kind(**values)
    except TypeError as error:
        raise InputError(f"{where}: {error}") from error


def as_table(config: TrainConfig) -> dict[str, Any]:
    """
    ``config`` as plain values, for the run record.

    Of files and folders only the name is kept: a record travels with the weights, and folders of the machine
    that trained them mean nothing elsewhere.
    """
    table = asdict(config)
    table["network"]["start"] = Path(config.network.start).name
    if "photos" in table["draw"]:
        table["draw"]["photos"] = Path(str(table["draw"]["photos"])).name
    return table


def _plain(hint: Any, value: Any, where: str) -> Any:
    origin = typing.get_origin(hint)
    if origin is tuple and isinstance(value, list):
        return tuple(value)
    kinds = {float: (int, float), int: (int,), bool: (bool,), str: (str,)}
    wanted = dict if origin is dict else (str,) if origin is Literal else kinds.get(hint)
    if wanted is None or not isinstance(value, wanted) or (isinstance(value, bool) and hint is not bool):
        raise InputError(f"{where} is {value!r}; needs {getattr(hint, '__name__', hint)}")
    return value


def _shipped() -> str:
    names = (entry.name for entry in files("crestgauge.training").joinpath("configs").iterdir())
    return ", ".join(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))
