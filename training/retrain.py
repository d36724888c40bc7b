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

import json
import os
import tomllib
import typing
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, fields, replace
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

import torch

from crestgauge.inference.errors import InputError, WeightsError
from crestgauge.model.local import (
    MANIFEST,
    WeightsSet,
    check_name,
    find_set,
    weights_folder,
)
from crestgauge.model.network import Activated
from crestgauge.model.weights import Role
from crestgauge.training.augment import AugmentConfig
from crestgauge.training.batch import Draw, Packed, unpack
from crestgauge.training.beginning import start_file, start_network
from crestgauge.training.config import (
    CheckConfig,
    PoolConfig,
    ScheduleConfig,
    TrainConfig,
    build,
)
from crestgauge.training.files import View, as_batch, read_view, vary
from crestgauge.training.finish import PLAN, finish, own_looks
from crestgauge.training.fit import SEED_SPAN, WEIGHTS, Run, drawing
from crestgauge.training.losses import LossConfig, near_bands, total_loss
from crestgauge.training.metrics import PixelScore
from crestgauge.training.own import OwnPhoto, OwnSet, Split, read_own, split_animals
from crestgauge.training.own_look import CrownLook, restyled
from crestgauge.training.pool import InlineFeeder, generator_for
from crestgauge.training.replay import drawn_pictures

RUN, DRAWN_FOLDER = "run", ".drawn"
COARSE_RUN: Final = "coarse"
"""Folder in that of the run."""
COARSE_CHANGES: Final[dict[str, Any]] = {
    "turn_deg": 180.0, "zoom": 1.3, "shift": 0.10, "mirror_columns": True, "blur_px": 1.2
}  # fmt: skip
"""How pictures of the coarse network vary otherwise than those of the fine one: a jaw may lie any way. As
when the shipped one was trained."""
Tell = Callable[[str, int, int], None]
"""Gets (what is being done, done, of)."""
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
    restyled : float
        Share of the drawn pictures that are shown in the look of an own photo, for the fine network
        (`crestgauge.training.own_look`): exact edges where labels drawn by a person wander.
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
    restyled: float = 0.0
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
        if not 0 <= own.restyled <= 1:
            raise InputError(f"retraining config: own restyled {own.restyled}; needs a share of 0 to 1")
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


def retrain(
    dataset: Path,
    job: Job,
    *,
    draw: Draw | None = None,
    log: Callable[[str], None] = print,
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
    base = find_set(job.start, folder=job.folder)
    run = job.home / RUN
    run.mkdir(parents=True, exist_ok=True)
    plan = _plan(own, split, base, job)
    _same_plan(run / PLAN, plan)
    counts = {part: len(getattr(split, part)) for part in ("train", "check", "test")}
    log(f"{len(own.photos)} photos; animals: " + ", ".join(f"{n} {part}" for part, n in counts.items()))
    for role in job.roles:
        if not (job.run(role) / WEIGHTS).is_file():
            if job.coarse:
                log(f"{role} network")
            _steps(own, split, base, job, draw, log, tell, role)
    return finish(own, split, base, job, plan, log=log, tell=tell)


def _steps(
    own: OwnSet,
    split: Split,
    base: WeightsSet,
    job: Job,
    draw: Draw | None,
    log: Callable[[str], None],
    tell: Tell,
    role: Role = "fine",
) -> None:
    config, run = train_config(base, job, role), job.run(role)
    run.mkdir(parents=True, exist_ok=True)
    source = draw or drawing(config)
    settings = job.config.own
    drawn = drawn_pictures(
        job.drawn_file(role),
        settings.drawn + settings.drawn_check,
        source,
        job.target,
        together=8 if job.target.type == "cuda" else 1,
        tell=lambda done, of: tell("Drawing pictures to keep what is known", done, of),
    )
    going = OwnRun(
        config, job.config.own, run, job.target, Material(own, split, drawn, role), log=log, tell=tell
    )
    try:
        going.go()
        going.finish()
    finally:
        going.close()


def train_config(base: WeightsSet, job: Job, role: Role = "fine") -> TrainConfig:
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


class Material:
    """Pictures of a retraining: own photos that train and that check, drawn ones of both kinds."""

    def __init__(self, own: OwnSet, split: Split, drawn: Packed, role: Role = "fine") -> None:
        self.train = own.of(split.train)
        self.check = [photo for photo in own.of(split.check) if photo.usable]
        self.drawn, self.role = drawn, role

    def draw(self, config: TrainConfig, device: torch.device) -> OwnDraw:
        """The own photos as a drawing function."""
        # A CPU that trains has no core to spare.
        ahead = min(os.cpu_count() or 1, 12) if device.type == "cuda" else 0
        return OwnDraw(self.train, first=config.seed * SEED_SPAN, ahead=ahead, role=self.role)

    def ready(self, settings: OwnConfig) -> int:
        """Own pictures to hold ready."""
        return min(len(self.train) * settings.variants, settings.most)


class OwnDraw:
    """
    Own photos as a drawing function: seed ``first`` + k gives photo k, k + n, ... in another variation each.

    Parameters
    ----------
    photos : list of OwnPhoto
    first : int
    ahead : int
        Threads that prepare the pictures of the next seeds, so that a GPU need not wait. What a seed gives
        does not depend on it.
    role : "fine" or "coarse"
        The network whose view is drawn.
    """

    def __init__(self, photos: list[OwnPhoto], first: int, ahead: int = 0, role: Role = "fine") -> None:
        self.photos, self.first, self.ahead, self.role = photos, first, ahead, role
        self._pool = ThreadPoolExecutor(ahead) if ahead else None
        self._begun: dict[int, Future[View]] = {}

    def __call__(self, seed: int, count: int, device: torch.device) -> Any:
        """``count`` pictures, each varied by its seed."""
        views = []
        for number in range(seed, seed + count):
            if self._pool is None:
                views.append(self.view(number))
                continue
            for later in range(number, number + 2 * self.ahead):
                if later not in self._begun:
                    self._begun[later] = self._pool.submit(self.view, later)
            views.append(self._begun.pop(number).result())
        return as_batch(views, device)

    def view(self, number: int) -> View:
        """The picture of one seed."""
        photo = self.photos[(number - self.first) % len(self.photos)]
        return vary(read_view(photo.paths, self.role), number % (2**31 - 1))

    def close(self) -> None:
        """Let the threads go."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)


class OwnRun(Run):
    """
    Steps on own and drawn pictures, which end where animals kept back no longer gain.

    Parameters
    ----------
    config : TrainConfig
    settings : OwnConfig
    out : Path
        Gets checkpoint, weights and record.
    device : torch.device
    material : Material
    log, tell : callable
    """

    def __init__(
        self,
        config: TrainConfig,
        settings: OwnConfig,
        out: Path,
        device: torch.device,
        material: Material,
        *,
        log: Callable[[str], None],
        tell: Tell,
    ) -> None:
        self.settings, self.material, self.tell = settings, material, tell
        ready = material.ready(settings)
        pool = replace(config.pool, capacity=ready, start=ready)
        self.best: dict[str, Any] = {}
        self.poor = 0
        super().__init__(replace(config, pool=pool), out, device, material.draw(config, device), log)
        count = settings.drawn_check
        everyone = torch.arange(len(material.drawn))
        self.drawn_check = material.drawn.take(everyone[:count])
        self.drawn = material.drawn.take(everyone[count:]).to(device)
        self.looks: list[CrownLook] = []
        if material.role == "fine" and settings.restyled > 0:
            self.looks = own_looks(material.train)
        self.own_check = [read_view(photo.paths, material.role) for photo in material.check]

    def _make_feeder(self, added: int) -> InlineFeeder:
        pool = self.config.pool
        first = self.config.seed * SEED_SPAN
        return InlineFeeder(self._own, seed=first, size=pool.draw, every=pool.every)

    def _own(self, seed: int, count: int, device: torch.device) -> Any:
        made = self.draw(seed, count, device)
        if self.pool.added < self.pool.capacity:
            self.tell("Preparing own photos", self.pool.added + 1, self.pool.capacity)
        return made

    def close(self) -> None:
        """Let threads that prepare pictures go."""
        if isinstance(self.draw, OwnDraw):
            self.draw.close()

    def sample(self) -> Packed:
        """Own and drawn pictures of the present step, by their share."""
        batch, roll = self.config.schedule.batch, generator_for(self.config.seed, self.step)
        count = min(batch, max(1, round(batch * self.settings.share)))
        chosen = self.pool.sample(count, roll)
        if count == batch:
            return chosen
        order = torch.randperm(len(self.drawn), generator=roll)[: batch - count]
        drawn = self.drawn.take(order.to(self.device))
        if self.looks:
            drawn = restyled(drawn, self.looks, roll, self.settings.restyled)
        return Packed(
            **{f.name: torch.cat([getattr(chosen, f.name), getattr(drawn, f.name)]) for f in fields(Packed)}
        )

    def go(self) -> None:
        """Steps until the end, or until the animals kept back have not gained for a while."""
        settings, pool = self.settings, self.config.pool
        if not self.ended():
            if self.restored:
                self.feeder.restore(self.pool, self.restored)
            self.feeder.fill(self.pool, max(self.pool.added if self.restored else 0, pool.start))
            if not self.best:
                self.look()
            last = self.elapsed
            while not self.ended():
                self.feeder.refresh(self.pool, self.step)
                losses = self.take_step(self.progress())
                self.tell("Training", self.step, self.config.schedule.max_steps)
                if self.step % settings.check_steps == 0 or self.progress() >= 1:
                    self._note(losses, self.progress())
                    self.look()
                    self.save()
                    last = self.elapsed
                elif self.elapsed - last >= self.config.check.save_seconds:
                    self.save()
                    last = self.elapsed
        self.average.network.load_state_dict(self.best["state"])

    def ended(self) -> bool:
        """Whether the steps are used up, or patience is."""
        return self.progress() >= 1 or self.poor >= self.settings.patience

    def look(self) -> dict[str, float]:
        """
        Losses of the averaged weights on the animals kept back and on drawn pictures; keeps the best.

        The best are those that measure best (`_losses_of`), with what is forgotten counted one to one: the
        reading loss on own photos and any rise of that on drawn pictures. The whole loss also falls by
        telling a board from a jaw, or by a surer guess of the camera's direction, while bands get worse.
        """
        own, reading = self._losses_of([as_batch([view], self.device) for view in self.own_check])
        drawn, kept = self._losses_of(
            [
                unpack(self.drawn_check.take(torch.tensor([k])).to(self.device))
                for k in range(len(self.drawn_check))
            ]
        )
        found = {"own": own, "own_reading": reading, "drawn": drawn, "drawn_reading": kept}
        first = self.checks[0]["drawn_reading"] if self.checks else kept
        score = reading + max(kept - first, 0.0)
        values = {"step": float(self.step), "seconds": round(self.elapsed, 1), **found, "score": score}
        self.checks.append(values)
        if not self.best or score < self.best["score"]:
            state = {k: v.detach().cpu().clone() for k, v in self.average.network.state_dict().items()}
            self.best, self.poor = {**found, "score": score, "step": self.step, "state": state}, 0
        else:
            self.poor += 1
        self.log(
            f"step {self.step}: reading loss on animals kept back {reading:.4f}, on drawn pictures "
            f"{kept:.4f} (best: step {self.best['step']})"
        )
        return values

    def check(self) -> dict[str, float]:
        """Pixel metrics of the best weights on the animals kept back."""
        activated = Activated(self.average.network).eval()
        score = PixelScore()
        for view in self.own_check:
            truth = as_batch([view], self.device)
            with torch.inference_mode():
                score.add(activated(truth.image.contiguous(memory_format=torch.channels_last)).float(), truth)
        return {"step": float(self.best["step"]), "seconds": round(self.elapsed, 1), **score.values()}

    def _losses_of(self, batches: list[Any]) -> tuple[float, float]:
        """
        Two means over pictures: the loss that is trained, and the reading loss. That one has material near
        bands only, where widths are decided, and neither tilt nor blur, which move no edge. The coarse
        network measures no band: its material counts everywhere.
        """
        network = self.average.network.eval()
        whole = self.config.loss
        reading = replace(whole, tilt=0.0, blur=0.0)
        losses = []
        for truth in batches:
            with torch.inference_mode():
                raw = network(truth.image.contiguous(memory_format=torch.channels_last))
                judged = near_bands(truth) if self.config.role == "fine" else truth
                pair = [total_loss(raw, truth, whole)[0], total_loss(raw, judged, reading)[0]]
            losses.append([float(value) for value in pair])
        return tuple(sum(each) / len(each) for each in zip(*losses, strict=True))

    def extra_state(self) -> dict[str, Any]:
        """What the checkpoint keeps beside that of any run."""
        return {"best": self.best, "poor": self.poor}

    def load_extra(self, state: dict[str, Any]) -> None:
        """The reverse of `extra_state`."""
        self.best, self.poor = state["best"], state["poor"]


def _plan(own: OwnSet, split: Split, base: WeightsSet, job: Job) -> dict[str, Any]:
    return {
        "schema": "crestgauge.retrain/1",
        "name": job.name,
        "data": {
            "folder": own.folder.name,
            "fingerprint": own.fingerprint(),
            "photos": len(own.photos),
            "animals": len(own.animals),
            "photos_by_part": {
                part: [photo.name for photo in own.of(animals)] for part, animals in split.to_dict().items()
            },
            "notes": list(own.notes),
        },
        "networks": list(job.roles),
        "split": split.to_dict(),
        "start": {"set": base.name, "model": base.model, "identity": base.identity()},
        "config": json.loads(json.dumps(asdict(job.config))),
    }


def _same_plan(path: Path, plan: dict[str, Any]) -> None:
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
