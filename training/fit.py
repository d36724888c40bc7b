"""
The training run: draw, vary, step, check, save; on a GPU where there is one, at toy size on a CPU with the
same code.

A run ends by steps or by wall-clock time, and the learning rate follows the share of the run that is used up.
A killed run goes on from its last checkpoint when started again with the same folder.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, cast

import torch
from torch import Tensor, nn

from crestgauge.inference.errors import InputError
from crestgauge.model.local import SHIPPED, find_set
from crestgauge.model.network import NetworkConfig, build_network
from crestgauge.training.augment import augment
from crestgauge.training.batch import Draw, Labelled, Packed
from crestgauge.training.beginning import start_file
from crestgauge.training.config import TrainConfig, as_table, read_config
from crestgauge.training.drawing import SEED_SPAN, drawing
from crestgauge.training.losses import total_loss
from crestgauge.training.metrics import pixel_scores
from crestgauge.training.optimizer import Average, keep_norms, make_optimizer, rate_at, set_rates
from crestgauge.training.pool import InlineFeeder, Pool, WorkerFeeder, generator_for
from crestgauge.training.record import CHECKPOINT, RECORD, WEIGHTS, commit, device_name, versions, without_nan

Judge = Callable[[Labelled], tuple[Tensor, dict[str, Tensor]]]
BAD_STEPS_ALLOWED = 20
"""Steps in a row whose loss or gradient is not finite before the run gives up."""


def train(
    config: TrainConfig | str | Path,
    out: Path,
    device: str | None = None,
    max_seconds: float | None = None,
    *,
    draw: Draw | None = None,
    log: Callable[[str], None] = print,
) -> dict[str, Any]:
    """
    Train one network.

    Parameters
    ----------
    config : TrainConfig, str or Path
        Settings, the path of a TOML file, or the name of a shipped one.
    out : Path
        Folder for checkpoint, weights and record. If it holds a checkpoint of the same run, that run goes on.
    device : str, optional
        "cuda:0", "cpu" ...; a GPU where there is one.
    max_seconds : float, optional
        Bound on the wall-clock time of the whole run in place of the config's. [s]
    draw : Draw, optional
        Another source of pictures than `crestgauge.synthetic_data`.
    log : callable
        Takes one short line.

    Returns
    -------
    dict
        The run record, as written to ``record.json``; ``weights.pt`` holds the averaged weights.
    """
    settings = config if isinstance(config, TrainConfig) else read_config(config)
    if max_seconds is not None:
        settings = replace(settings, schedule=replace(settings.schedule, max_seconds=max_seconds))
    target = torch.device(device or ("cuda:0" if torch.cuda.is_available() else "cpu"))
    out.mkdir(parents=True, exist_ok=True)
    run = Run(settings, out, target, draw or drawing(settings), log)
    try:
        run.go()
    finally:
        run.feeder.close()
    return run.finish()


class Run:
    """State of a run; `train` is the way in."""

    def __init__(
        self, config: TrainConfig, out: Path, device: torch.device, draw: Draw, log: Callable[[str], None]
    ) -> None:
        self.config, self.out, self.device, self.log = config, out, device, log
        self.draw = draw
        self.started = time.monotonic()
        torch.manual_seed(config.seed)
        if device.type == "cuda":
            torch.cuda.set_device(device)
            torch.backends.cuda.matmul.allow_tf32 = True
            torch.backends.cudnn.allow_tf32 = True
        self.portions = 1
        self.network = build_network(_resolved(config)).to(device).to(memory_format=torch.channels_last)
        self.judge = compiled(self._judge, config.schedule.compiler)
        self.average = Average(self.network, config.schedule.ema)
        self.optimizer = make_optimizer(self.network, config.schedule)
        self.pool = Pool(config.pool.capacity, device)
        self.step, self.used_before, self.bad = 0, 0.0, 0
        self.history: list[dict[str, float]] = []
        self.checks: list[dict[str, float]] = []
        self.filled = 0.0
        added = self._load()
        self.feeder = self._make_feeder(added)
        self.restored = added

    @property
    def elapsed(self) -> float:
        """Seconds of this run so far, earlier parts included."""
        return self.used_before + time.monotonic() - self.started

    def progress(self) -> float:
        """Share of the run that is used up, 0..1."""
        schedule = self.config.schedule
        by_steps = self.step / schedule.max_steps if schedule.max_steps else 0.0
        waited = self.filled  # the first pictures take their time before there is anything to learn
        by_time = (
            (self.elapsed - waited) / max(schedule.max_seconds - waited, 1.0) if schedule.max_seconds else 0.0
        )
        return min(max(by_steps, by_time), 1.0)

    def go(self) -> None:
        """Steps until the end."""
        if self.progress() >= 1:
            return
        pool, began = self.config.pool, self.elapsed
        if self.restored:
            self.feeder.restore(self.pool, self.restored)
        self.feeder.fill(self.pool, max(self.pool.added if self.restored else 0, pool.start))
        if not pool.keep_drawing:
            self.feeder.close()
        self.filled += self.elapsed - began
        self.log(f"{self.config.name}: {len(self.pool)} pictures after {self.elapsed:.0f} s")
        check = self.config.check
        last_log = last_check = last_save = self.elapsed
        while (share := self.progress()) < 1:
            if pool.keep_drawing:
                self.feeder.refresh(self.pool, self.step)
            losses = self.take_step(share)
            now = self.elapsed
            if now - last_log >= check.log_seconds:
                self._note(losses, share)
                last_log = now
            if now - last_check >= check.every_seconds and share < 0.9:
                self.check()
                last_check = self.elapsed
            if now - last_save >= check.save_seconds:
                self.save()
                last_save = self.elapsed
        self._note(losses, 1.0)
        self.save()

    def take_step(self, share: float) -> dict[str, Tensor]:
        """One step of the optimizer at ``share`` of the run; returns the losses, still on the device."""
        schedule, seed = self.config.schedule, self.config.seed
        rate = rate_at(share, schedule)
        frozen = schedule.encoder_rate == 0 or share < schedule.frozen_share
        set_rates(self.optimizer, rate, encoder_factor=0.0 if frozen else schedule.encoder_rate)
        self.network.train()
        self.network.encoder.requires_grad_(not frozen)
        if frozen:
            self.network.encoder.eval()  # its batch statistics stay too
        if schedule.keep_norms:
            keep_norms(self.network)
        packed = self.sample()
        truth = augment(packed, self.config.augment, generator_for(seed, self.step, self.device))
        total, parts = self.gradients(truth)
        norm = nn.utils.clip_grad_norm_(self.network.parameters(), schedule.clip)
        if bool(norm.isfinite()):
            self.bad = 0
            self.optimizer.step()
            self.average.update(self.network, self.step)
        else:
            self.bad += 1
            if self.bad > BAD_STEPS_ALLOWED:
                raise FloatingPointError(
                    f"{self.config.name}: {self.bad} steps in a row without a finite gradient"
                )
        self.step += 1
        return {"total": total, **parts}

    def sample(self) -> Packed:
        """Pictures of the present step."""
        return self.pool.sample(self.config.schedule.batch, generator_for(self.config.seed, self.step))

    def gradients(self, truth: Labelled) -> tuple[Tensor, dict[str, Tensor]]:
        """
        Loss and its parts, with fresh gradients in the network; in ``self.portions`` portions.

        Where memory does not suffice, the number of portions is doubled for the rest of the run. The mean
        over portions differs a little from that over all pixels of the batch.

        Raises
        ------
        InputError
            If one picture at a time is too much.
        """
        while True:
            try:
                return self._accumulate(truth)
            except (torch.OutOfMemoryError, RuntimeError) as error:
                if not out_of_memory(error):
                    raise
                found = str(error).splitlines()[0][:160]
            # Outside the handler, which would keep the failed step's tensors alive.
            self.optimizer.zero_grad(set_to_none=True)
            if self.device.type == "cuda":
                torch.cuda.empty_cache()
            if self.portions >= len(truth.blur):
                height, width = truth.image.shape[-2:]
                raise InputError(
                    f"{device_name(self.device)}: out of memory with one picture of {width} x {height} px "
                    f"at a time ({found}). Free memory, or use --device cpu, which is slower."
                )
            self.portions *= 2
            self.log(
                f"{self.config.name}: out of memory; each step goes in {self.portions} portions from now on"
            )

    def _judge(self, truth: Labelled) -> tuple[Tensor, dict[str, Tensor]]:
        image = truth.image.contiguous(memory_format=torch.channels_last)
        with torch.autocast(self.device.type, dtype=torch.bfloat16, enabled=self.device.type == "cuda"):
            raw = self.network(image)
        return total_loss(raw, truth, self.config.loss)

    def _accumulate(self, truth: Labelled) -> tuple[Tensor, dict[str, Tensor]]:
        self.optimizer.zero_grad(set_to_none=True)
        count = len(truth.blur)
        total = torch.zeros((), device=self.device)
        parts: dict[str, Tensor] = {}
        for chunk in torch.arange(count, device=self.device).chunk(self.portions):
            part = truth if self.portions == 1 else take(truth, chunk)
            loss, each = self.judge(part)
            share = len(chunk) / count
            (loss * share).backward()  # type: ignore[no-untyped-call]  # torch gives it no types
            total = total + share * loss.detach()
            parts = {
                name: parts.get(name, torch.zeros_like(value)) + share * value for name, value in each.items()
            }
        return total, parts

    def check(self) -> dict[str, float]:
        """Pixel metrics of the averaged weights on pictures of their own."""
        scores = pixel_scores(self.average.network, self.draw, self.config.check.pictures, self.device)
        values = {"step": float(self.step), "seconds": round(self.elapsed, 1), **scores}
        self.checks.append(values)
        words = " ".join(f"{key.removeprefix('iou_')} {value:.3f}" for key, value in scores.items())
        self.log(f"{self.config.name}: check {words}")
        return values

    def save(self) -> None:
        """Checkpoint, written under another name first so that a kill leaves the old one whole."""
        state = {
            "name": self.config.name,
            "seed": self.config.seed,
            "step": self.step,
            "elapsed": self.elapsed,
            "filled": self.filled,
            "added": self.pool.added,
            "history": self.history,
            "checks": self.checks,
            "network": self.network.state_dict(),
            "average": self.average.network.state_dict(),
            "optimizer": self.optimizer.state_dict(),
            **self.extra_state(),
        }
        part = self.out / (CHECKPOINT + ".part")
        torch.save(state, part)
        part.replace(self.out / CHECKPOINT)

    def extra_state(self) -> dict[str, Any]:
        """What a kind of run keeps in its checkpoint beside that of any run."""
        return {}

    def load_extra(self, state: dict[str, Any]) -> None:
        """The reverse of `extra_state`."""

    def finish(self) -> dict[str, Any]:
        """Last check, averaged weights and record to disk."""
        final = self.check()
        self.save()
        part = self.out / (WEIGHTS + ".part")
        torch.save({k: v.cpu().contiguous() for k, v in self.average.network.state_dict().items()}, part)
        part.replace(self.out / WEIGHTS)
        record: dict[str, Any] = {
            "name": self.config.name,
            "role": self.config.role,
            "seed": self.config.seed,
            "commit": commit(),
            "config": as_table(self.config),
            "steps": self.step,
            "seconds": round(self.elapsed, 1),
            "pictures_drawn": self.pool.added,
            "pictures_used": self.step * self.config.schedule.batch,
            "parameters": sum(p.numel() for p in self.network.parameters()),
            "versions": versions(),
            "device": device_name(self.device),
            "metrics": final,
            "checks": self.checks,
            "history": self.history,
        }
        record = without_nan(record)
        (self.out / RECORD).write_text(json.dumps(record, indent=1, allow_nan=False) + "\n", encoding="utf-8")
        return record

    def _note(self, losses: dict[str, Tensor], share: float) -> None:
        values = {name: round(float(value), 4) for name, value in losses.items()}
        self.history.append({"step": float(self.step), "seconds": round(self.elapsed, 1), **values})
        speed = self.step / max(self.elapsed, 1e-6)
        text = " ".join(f"{name} {value:.3f}" for name, value in values.items())
        where = f"{share:4.0%} step {self.step} ({speed:.1f}/s) drawn {self.pool.added}"
        self.log(f"{self.config.name}: {where} {text}")

    def _load(self) -> int:
        """State of a checkpoint of the same run, if there is one; returns how many pictures it had drawn."""
        path = self.out / CHECKPOINT
        if not path.is_file():
            return 0
        state = torch.load(path, map_location=self.device, weights_only=True)
        if (state["name"], state["seed"]) != (self.config.name, self.config.seed):
            self.log(f"{path}: belongs to run {state['name']}, seed {state['seed']}; not used")
            return 0
        self.network.load_state_dict(state["network"])
        self.average.network.load_state_dict(state["average"])
        self.optimizer.load_state_dict(state["optimizer"])
        self.step, self.used_before, self.filled = state["step"], state["elapsed"], state["filled"]
        self.history, self.checks = state["history"], state["checks"]
        self.load_extra(state)
        self.log(f"{self.config.name}: goes on from step {self.step}")
        return int(state["added"])

    def _make_feeder(self, added: int) -> InlineFeeder | WorkerFeeder:
        pool = self.config.pool
        first = self.config.seed * SEED_SPAN
        if pool.workers:
            named = pool.worker_devices or (str(self.device),)
            devices = tuple(named[i % len(named)] for i in range(pool.workers))
            return WorkerFeeder(self.draw, seed=first + added // pool.draw, size=pool.draw, devices=devices)
        return InlineFeeder(self.draw, seed=first, size=pool.draw, every=pool.every)


def _resolved(config: TrainConfig) -> NetworkConfig:
    """The network's settings with the path of its start weights where those are the shipped ones."""
    if config.network.start != SHIPPED:
        return config.network
    return replace(config.network, start=str(start_file(find_set(SHIPPED), config.role)))


def compiled(judge: Judge, backend: str) -> Judge:
    """
    ``judge`` compiled by a backend of ``torch.compile``, or as it is: a GPU otherwise waits for Python to
    name its next kernel, thousands of times a step.

    Raises
    ------
    InputError
        If torch has no such backend.
    """
    if not backend:
        return judge
    known = torch.compiler.list_backends(exclude_tags=())
    if backend not in known:
        raise InputError(f"schedule.compiler: {backend!r}; needs one of {', '.join(known)}, or nothing")
    return cast(Judge, torch.compile(judge, backend=backend, dynamic=False, fullgraph=True))


def out_of_memory(error: BaseException) -> bool:
    """Whether torch failed for want of memory; on a CPU it has no error of its own for that."""
    return isinstance(error, torch.OutOfMemoryError) or "can't allocate memory" in str(error)


def take(truth: Labelled, index: Tensor) -> Labelled:
    """Pictures ``index`` of a batch."""
    return Labelled(**{f.name: getattr(truth, f.name)[index] for f in fields(Labelled)})
