"""
One command for the whole of it: both networks at the same time, then export, then the evaluation.

Each network trains in a process of its own, on a GPU of its own where there are two; on one GPU they share
it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crestgauge.inference.errors import InputError
from crestgauge.synthetic_data.memory import keep_memory

POLL_SECONDS = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BothConfig:
    """
    What `train_both` does.

    Parameters
    ----------
    configs : tuple of str
        Configs by name or path, one process each.
    devices : tuple of str
        Devices of these processes, in turn; empty = all GPUs in turn, else the CPU.
    max_seconds : float or None
        Bound on each training run. [s]
    export_to : Path or None
        Folder that gets weights and manifest; None = ``OUT/model``.
    evaluate : int
        Photographs of the evaluation afterwards; 0 = none.
    workers : int
        Processes of the evaluation.
    """

    configs: tuple[str, ...] = ("fine", "coarse")
    devices: tuple[str, ...] = ()
    max_seconds: float | None = None
    export_to: Path | None = None
    evaluate: int = 0
    workers: int = 2


def train_both(out: Path, config: BothConfig, *, log: Callable[[str], None] = print) -> dict[str, Any]:
    """
    Train, export and evaluate.

    Parameters
    ----------
    out : Path
        Gets one folder per run, its log beside it, and ``model`` and ``evaluation``.
    config : BothConfig
    log : callable
        Takes one short line.

    Returns
    -------
    dict
        ``weights``: entries of the manifest by role; ``evaluation``: its summary or None.

    Raises
    ------
    InputError
        If a run failed; the message has the end of its log.
    """
    import torch

    from crestgauge.training.export import export

    gpus = tuple(f"cuda:{i}" for i in range(torch.cuda.device_count()))
    devices = config.devices or gpus or ("cpu",)
    out.mkdir(parents=True, exist_ok=True)
    folders = [out / Path(name).stem for name in config.configs]
    jobs = []
    for number, (name, folder) in enumerate(zip(config.configs, folders, strict=True)):
        command = [
            sys.executable,
            "-m",
            "crestgauge.training.both",
            name,
            str(folder),
            devices[number % len(devices)],
            str(config.max_seconds or ""),
        ]
        with (out / f"{folder.name}.log").open("w", encoding="utf-8") as sink:
            jobs.append(
                subprocess.Popen(command, stdout=sink, stderr=subprocess.STDOUT, env=os.environ.copy())
            )
    _follow(jobs, [out / f"{folder.name}.log" for folder in folders], log)
    target = config.export_to or out / "model"
    entries = [export(folder, target) for folder in folders]
    for entry in entries:
        log(f"{entry.name}: {entry.size / 1e6:.1f} MB, parity {entry.parity_max_abs:.1e}")
    summary = None
    if config.evaluate:
        from crestgauge.training.evaluate import EvaluateConfig, evaluate_fresh

        settings = EvaluateConfig(
            photos=config.evaluate, workers=config.workers, manifest=target / "weights.toml"
        )
        summary = evaluate_fresh(out / "evaluation", settings, log=log)
    return {"weights": {entry.role: entry for entry in entries}, "evaluation": summary}


def _follow(jobs: list[subprocess.Popen[bytes]], logs: list[Path], log: Callable[[str], None]) -> None:
    """Pass on new lines of the logs until all jobs have ended; a failed one stops the others."""
    seen = [0] * len(jobs)
    try:
        while True:
            running = [job.poll() is None for job in jobs]
            for number, path in enumerate(logs):
                lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
                complete = len(lines) if not running[number] else len(lines) - 1
                for line in lines[seen[number] : complete]:
                    log(line)
                seen[number] = max(seen[number], complete)
            for number, job in enumerate(jobs):
                if job.returncode:
                    end = "\n".join(
                        logs[number].read_text(encoding="utf-8", errors="replace").splitlines()[-12:]
                    )
                    raise InputError(f"{logs[number]}: the run ended with status {job.returncode}:\n{end}")
            if not any(running):
                return
            time.sleep(POLL_SECONDS)
    finally:
        for job in jobs:
            if job.poll() is None:
                job.terminate()
                job.wait(timeout=30)


def _one(name: str, folder: str, device: str, max_seconds: str) -> None:
    from crestgauge.training.fit import train

    keep_memory()
    train(
        name,
        Path(folder),
        device,
        float(max_seconds) if max_seconds else None,
        log=lambda line: print(line, flush=True),
    )


if __name__ == "__main__":
    _one(*sys.argv[1:5])
