"""
Drawn pictures kept on disk by seed, so that several runs learn from, or are judged on, the very same ones.

Drawing costs more than a step of training; a comparison of networks needs the same pictures for all anyway.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields
from pathlib import Path

import torch

from crestgauge.synthetic_data.memory import keep_memory
from crestgauge.training.batch import Draw, Labelled, Packed, pack, unpack


@dataclass(frozen=True, slots=True)
class StoredDraw:
    """
    A drawing function whose batches lie in a folder: drawn at the first call, read at every later one.

    Parameters
    ----------
    draw : Draw
    folder : Path
        One file for each seed and number of pictures. It must be of this drawing function alone.
    """

    draw: Draw
    folder: Path

    def __call__(self, seed: int, count: int, device: torch.device) -> Labelled:
        """The batch of this seed, in the form that it has after `pack`, whether it was there or not."""
        path = self.folder / f"{seed}-{count}.pt"
        if not path.is_file():
            with torch.inference_mode():
                packed = pack(self.draw(seed, count, device)).to(torch.device("cpu"))
            self.folder.mkdir(parents=True, exist_ok=True)
            part = path.with_name(f"{path.name}.{multiprocessing.current_process().pid}.part")
            torch.save({f.name: getattr(packed, f.name).clone() for f in fields(Packed)}, part)
            part.replace(path)
        return unpack(Packed(**torch.load(path, map_location=device, weights_only=True)))


def draw_ahead(
    stored: StoredDraw, seeds: Sequence[int], count: int, devices: Sequence[str], processes: int
) -> None:
    """
    Draw the batches of ``seeds`` that are not there, by several processes.

    Parameters
    ----------
    stored : StoredDraw
        Must survive pickling where there are several processes.
    seeds : sequence of int
    count : int
        Pictures per batch.
    devices : sequence of str
        In turn.
    processes : int
    """
    left = [seed for seed in seeds if not (stored.folder / f"{seed}-{count}.pt").is_file()]
    shares = [left[k::processes] for k in range(processes)]
    if processes <= 1:
        _draw_share(stored, left, count, devices[0])
        return
    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        jobs = [
            pool.submit(_draw_share, stored, share, count, devices[k % len(devices)])
            for k, share in enumerate(shares)
            if share
        ]
        for job in jobs:
            job.result()


def _draw_share(stored: StoredDraw, seeds: Sequence[int], count: int, device: str) -> None:
    keep_memory()
    torch.set_num_threads(1)
    for seed in seeds:
        stored(seed, count, torch.device(device))
