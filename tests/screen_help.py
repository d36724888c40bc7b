"""
Photos for the screening tests, and readers that do what a failing machine does; a module, so that workers
find it.
"""

from __future__ import annotations

import os
import signal
import time
from functools import lru_cache, partial
from pathlib import Path

import cv2
import numpy as np
from drawn_row import draw, plain_row
from painted import paint

from crestgauge.inference.pipeline import Reader, ReadOptions


@lru_cache
def painted_row() -> np.ndarray:
    return paint(draw(plain_row()))


def save_jaw(path: Path, *, shift: int = 0) -> Path:
    """
    A painted row on a plain ground, PNG (JPEG would mix the code colours). About 2 s of reading on one core.
    """
    canvas = np.zeros((640, 1640, 3), dtype=np.uint8)
    canvas[80 + shift : 528 + shift, 50:1586] = painted_row()
    cv2.imwrite(str(path), canvas[..., ::-1])
    return path


def save_meadow(path: Path, seed: int) -> Path:
    """
    A picture that is no jaw: blotches without blue, which is where painted teeth have their numbers. Read
    in a fraction of a second, since no fine pass follows.
    """
    spots = np.random.default_rng(seed).integers(0, 60, (9, 12, 3), dtype=np.uint8)
    spots[..., 0] = 0
    cv2.imwrite(str(path), cv2.resize(spots, (320, 240), interpolation=cv2.INTER_CUBIC))
    return path


class MortalReader(Reader):
    """Is killed by SIGKILL on photos whose name holds "poison", and once only on those that hold "once"."""

    def __init__(self, options: ReadOptions, marks: str) -> None:
        super().__init__(options)
        self.marks = Path(marks)

    def read(self, source, **more):
        if "poison" in source.file:
            os.kill(os.getpid(), signal.SIGKILL)
        if "once" in source.file and not (self.marks / source.file).exists():
            (self.marks / source.file).touch()
            os.kill(os.getpid(), signal.SIGKILL)
        if "slow" in source.file:
            time.sleep(60)
        if "bug" in source.file:
            raise ZeroDivisionError("by design")
        return super().read(source, **more)


def mortal(manifest: Path, marks: Path):
    """A picklable factory of `MortalReader`."""
    return partial(MortalReader, ReadOptions(threads=1, manifest=manifest), str(marks))
