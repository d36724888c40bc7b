"""
Steps of a retraining: on own and drawn pictures, until the animals kept back no longer gain.
"""

from __future__ import annotations

import os
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import torch

from crestgauge.model.network import Activated
from crestgauge.model.weights import Role
from crestgauge.training.batch import Packed, unpack
from crestgauge.training.config import TrainConfig
from crestgauge.training.drawing import SEED_SPAN
from crestgauge.training.files import View, as_batch, read_view, vary
from crestgauge.training.fit import Run
from crestgauge.training.job import Listener, Task
from crestgauge.training.losses import near_bands, total_loss
from crestgauge.training.metrics import PixelScore
from crestgauge.training.own import OwnPhoto
from crestgauge.training.pool import InlineFeeder, generator_for


class Mixture:
    """
    Pictures of a retraining: own photos that train and that check, drawn ones of both kinds.

    Parameters
    ----------
    task : Task
    drawn : Packed
        Those of the check first.
    role : "fine" or "coarse"
        The network that is trained.
    """

    def __init__(self, task: Task, drawn: Packed, role: Role) -> None:
        self.train = task.own.of(task.split.train)
        self.check = [photo for photo in task.own.of(task.split.check) if photo.usable]
        self.settings, self.drawn, self.role = task.job.config.own, drawn, role

    def draw(self, config: TrainConfig, device: torch.device) -> OwnDraw:
        """The own photos as a drawing function."""
        # A CPU that trains has no core to spare.
        ahead = min(os.cpu_count() or 1, 12) if device.type == "cuda" else 0
        return OwnDraw(self.train, first=config.seed * SEED_SPAN, ahead=ahead, role=self.role)

    @property
    def ready(self) -> int:
        """Own pictures to hold ready."""
        return min(len(self.train) * self.settings.variants, self.settings.most)


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
    out : Path
        Gets checkpoint, weights and record.
    device : torch.device
    mixture : Mixture
    listener : Listener
    """

    def __init__(
        self,
        config: TrainConfig,
        out: Path,
        device: torch.device,
        mixture: Mixture,
        listener: Listener,
    ) -> None:
        self.settings, self.tell = mixture.settings, listener.tell
        ready = mixture.ready
        pool = replace(config.pool, capacity=ready, start=ready)
        self.best: dict[str, Any] = {}
        self.poor = 0
        super().__init__(replace(config, pool=pool), out, device, mixture.draw(config, device), listener.log)
        count = self.settings.drawn_check
        everyone = torch.arange(len(mixture.drawn))
        self.drawn_check = mixture.drawn.take(everyone[:count])
        self.drawn = mixture.drawn.take(everyone[count:]).to(device)
        self.own_check = [read_view(photo.paths, mixture.role) for photo in mixture.check]

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

        The best are those that measure best (`losses_of`), with what is forgotten counted one to one: the
        reading loss on own photos and any rise of that on drawn pictures. The whole loss also falls by
        telling a board from a jaw, or by a surer guess of the camera's direction, while bands get worse.
        """
        own, reading = self.losses_of([as_batch([view], self.device) for view in self.own_check])
        drawn, kept = self.losses_of(
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

    def losses_of(self, batches: list[Any]) -> tuple[float, float]:
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
