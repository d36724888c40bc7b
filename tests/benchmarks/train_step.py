"""
A training step as it is and compiled (``schedule.compiler``), on pictures of noise: milliseconds of each, and
their ratio.

    python tests/benchmarks/train_step.py [--config more] [--device cuda:0] [--compiler inductor] [--steps 12]

Both are run in turn, so that what else the machine does falls on both. The first step of each, which
compiles, is told by itself.
"""

from __future__ import annotations

import argparse
import statistics
import time
from dataclasses import replace
from pathlib import Path

import torch

from crestgauge.training.augment import augment
from crestgauge.training.batch import Labelled, Packed
from crestgauge.training.config import read_config
from crestgauge.training.fit import Run
from crestgauge.training.pool import generator_for


def noise(count: int, height: int, width: int, device: torch.device) -> Packed:
    """Pictures and labels at random: a step costs the same whatever they show."""
    dice = torch.Generator(device=device).manual_seed(1)

    def bytes_(high: int, *shape: int) -> torch.Tensor:
        return torch.randint(0, high, shape, generator=dice, device=device).to(torch.uint8)

    return Packed(
        image=bytes_(255, count, 3, height, width),
        material=bytes_(6, count, height, width),
        crown=bytes_(2, count, height, width),
        slow=bytes_(255, count, 3, height // 4, width // 4),
        blur=torch.zeros(count, device=device),
    )


def wait(device: torch.device) -> None:
    """Until the device has done what it was given."""
    if device.type == "cuda":
        torch.cuda.synchronize(device)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--config", default="more")
    parser.add_argument("--device", default="cuda:0" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--compiler", default="inductor")
    parser.add_argument("--steps", type=int, default=12)
    parser.add_argument("--batch", type=int)
    parser.add_argument("--size", type=int, nargs=2, metavar=("ROWS", "COLUMNS"), default=(448, 1536))
    given = parser.parse_args()
    device = torch.device(given.device)
    config = read_config(given.config)
    config = replace(
        config,
        network=replace(config.network, start="none"),
        pool=replace(config.pool, workers=0),
        schedule=replace(config.schedule, batch=given.batch or config.schedule.batch),
    )

    def never(*_: object) -> Labelled:
        raise AssertionError("nothing is drawn here")

    packed = noise(config.schedule.batch, *given.size, device)
    runs = {}
    for compiler in ("", given.compiler):
        schedule = replace(config.schedule, compiler=compiler)
        runs[compiler or "plain"] = Run(replace(config, schedule=schedule), Path("."), device, never, print)
        runs[compiler or "plain"].sample = lambda: packed
    times: dict[str, list[float]] = {name: [] for name in runs}
    for name, run in runs.items():
        begun = time.perf_counter()
        run.take_step(0.5)
        wait(device)
        print(f"{name}: first step {time.perf_counter() - begun:.1f} s", flush=True)
    for _ in range(given.steps):
        for name, run in runs.items():
            begun = time.perf_counter()
            run.take_step(0.5)
            wait(device)
            times[name].append(time.perf_counter() - begun)
    for name, taken in times.items():
        print(
            f"{name}: {1000 * statistics.median(taken):.0f} ms a step of {config.schedule.batch}", flush=True
        )
    truth = augment(packed, config.augment, generator_for(1, 1, device))
    begun = time.perf_counter()
    for _ in range(given.steps):
        truth = augment(packed, config.augment, generator_for(1, 1, device))
    wait(device)
    varied = 1000 * (time.perf_counter() - begun) / given.steps
    print(f"of which variation of {len(truth.blur)} pictures {varied:.0f} ms")
    ratio = statistics.median(times["plain"]) / statistics.median(times[given.compiler])
    print(f"plain / {given.compiler}: {ratio:.2f}")


if __name__ == "__main__":
    main()
