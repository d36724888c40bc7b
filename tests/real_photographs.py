"""
Real photographs that come in packages (scikit-image's sample data, scikit-learn's sample images): pictures of
other things, and grounds to lay drawn jaws on.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import skimage
import sklearn
from numpy.typing import NDArray

_SKIMAGE: Final = Path(skimage.__file__).parent / "data"
_SKLEARN: Final = Path(sklearn.__file__).parent / "datasets" / "images"
_GROUNDS: Final = (
    *("brick", "chelsea", "coffee", "coins", "grass", "gravel", "hubble_deep_field", "motorcycle_left"),
    *("rocket", "china", "flower"),
)
FAMILY: Final = Path(__file__).parent / "data" / "traced"
LEAST_PX: Final = 100
"""Short side of a picture that counts; the packages have a few that test file formats only."""


def photographs() -> list[Path]:
    """Every picture file of the two packages."""
    paths = (path for folder in (_SKIMAGE, _SKLEARN) for path in sorted(folder.iterdir()))
    found = [path for path in paths if path.suffix in (".png", ".jpg")]
    return [path for path in found if min(cv2.imread(str(path)).shape[:2]) >= LEAST_PX]


def grounds() -> list[Path]:
    """Those that a jaw can lie on: textures, clutter, an animal's face."""
    return [path for path in photographs() if path.stem in _GROUNDS]


def laid_on(
    pixels: NDArray[np.uint8], jaw: NDArray[np.bool_], ground: NDArray[np.uint8], seed: int
) -> NDArray[np.uint8]:
    """
    A jaw cut out of its picture and laid on another photograph, with a soft rim, a shadow and some noise.

    Parameters
    ----------
    pixels, ground : ndarray of uint8, shape (H, W, 3) and any
    jaw : ndarray of bool, shape (H, W)
    seed : int
        Of the noise.
    """
    height, width = jaw.shape
    zoom = max(height / ground.shape[0], width / ground.shape[1])
    enlarged = cv2.resize(ground, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC)[:height, :width]
    noisy = enlarged + np.random.default_rng(seed).normal(0.0, 3.0, enlarged.shape)
    inside = jaw.astype(np.float32)
    kept = cv2.GaussianBlur(cv2.erode(inside, np.ones((3, 3))), (0, 0), 1.2)[..., None]
    shade = 1.0 - 0.45 * cv2.GaussianBlur(inside, (0, 0), 25.0)[..., None]
    mixed = kept * pixels + (1.0 - kept) * noisy * shade
    return np.asarray(np.clip(mixed, 0, 255), dtype=np.uint8)


def lay_family(
    data: Path, out: Path, beneath: Sequence[Path], every: int = 1
) -> Iterator[tuple[Path, dict[str, Any]]]:
    """
    The usable photographs of a labelled family on these grounds, one ground after another, as files.

    Parameters
    ----------
    data : Path
        photos/, labels/, truth/.
    out : Path
        Gets photos/ and truth/.
    beneath : sequence of Path
        Photographs.
    every : int
        Only every so-many-th of them.

    Yields
    ------
    (Path, dict)
        A new photograph and its truth.
    """
    for part in ("photos", "truth"):
        (out / part).mkdir(parents=True, exist_ok=True)
    pictures = [cv2.imread(str(path)) for path in beneath]
    truths = [json.loads(p.read_text(encoding="utf-8")) for p in sorted((data / "truth").glob("*.json"))]
    usable = [truth for truth in truths if truth["usable"]][::every]
    for k, truth in enumerate(usable):
        name = Path(truth["file"]).stem
        labels = cv2.imread(str(data / "labels" / f"{name}.material.png"), cv2.IMREAD_UNCHANGED)
        pixels = cv2.imread(str(data / "photos" / Path(truth["file"]).name))
        path = out / "photos" / f"{name}.jpg"
        picture = laid_on(pixels, labels > 0, pictures[k % len(pictures)], k)
        cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 90])
        (out / "truth" / f"{name}.json").write_text(json.dumps(truth | {"file": path.name}), encoding="utf-8")
        yield path, truth
