"""
Photos as copies of old prints: grey, flat, grainy, yellowed.

For the question what labels of one's own are worth where the shipped weights read badly. The look is
invented: no archive was measured.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.photo import read_photo
from crestgauge.training.files import PHOTO_TYPES

GREY, CONTRAST, GRAIN = 110.0, 0.42, 22.0
"""Mean grey, share of the contrast left, deviation of the grain before it is softened. [grey levels]"""
GRAIN_PX: Final = 1.2
PAPER: Final = (1.0, 0.9, 0.72)
"""Share of red, green and blue that the paper sends back."""
_BRIGHTNESS: Final = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709
_QUALITY: Final = 90


def as_print(pixels: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """
    One photo as the copy of a print.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        RGB.
    rng : Generator
        Of the grain.
    """
    grey = pixels.astype(np.float32) @ np.asarray(_BRIGHTNESS, dtype=np.float32)
    grain = rng.normal(0.0, GRAIN, grey.shape).astype(np.float32)
    flat = GREY + CONTRAST * (grey - GREY) + cv2.GaussianBlur(grain, (0, 0), GRAIN_PX)
    print_ = np.clip(flat[..., None] * np.asarray(PAPER, dtype=np.float32), 0, 255)
    return np.asarray(print_, dtype=np.uint8)


def print_folder(data: Path, out: Path) -> Path:
    """
    A labelled data set with every photo as a print; labels and truth as they are. The grain of each photo
    follows its name.

    Parameters
    ----------
    data : Path
        photos/, labels/, truth/.
    out : Path
        Made anew.
    """
    shutil.rmtree(out, ignore_errors=True)
    shutil.copytree(data, out, ignore=shutil.ignore_patterns("photos"))
    (out / "photos").mkdir()
    for path in sorted((data / "photos").iterdir()):
        if path.suffix.lower() not in PHOTO_TYPES:
            continue
        rng = np.random.default_rng(int.from_bytes(path.stem.encode()[-6:], "big"))
        copied = as_print(read_photo(path).pixels, rng)
        target = out / "photos" / f"{path.stem}.jpg"
        cv2.imwrite(str(target), copied[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return out
