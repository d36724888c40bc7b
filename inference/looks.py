"""
What the crowns of a photo look like, in a handful of numbers: how dark, how grainy, how sure the network is.

Pure. The numbers are compared with those of the pictures that the networks learned from
(`crestgauge.inference.labels.familiar`), and with those of somebody's own photos
(`crestgauge.inference.look_bias`).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError
from crestgauge.inference.maps import LabelMaps
from crestgauge.model.labels import CROWN_MATERIALS, Material

LOOKS: Final[Mapping[str, str]] = {
    "unsure_surface": "the network is unsure of surfaces",
    "unsure_number": "the network is unsure of tooth numbers",
    "lightness": "unusual brightness",
    "contrast": "unusual contrast of enamel and dentine",
    "red_green": "unusual colours",
    "blue_yellow": "unusual colours",
    "grain": "unusual sharpness or grain",
    "blur": "unusual sharpness or grain",
    "scale": "unusual size in the picture",
}
"""What `look_of` measures, each with the phrase that says it is far from what was trained on."""
OF_THE_PICTURE: Final = tuple(name for name in LOOKS if not name.startswith("unsure"))
"""Those that hardly depend on how well a network knows what it sees."""


def check_law(mean: Mapping[str, float], sd: Mapping[str, float], names: Collection[str]) -> None:
    """
    Means and spreads of looks.

    Raises
    ------
    InputError
        If a name is missing or unknown, a number is not finite, or a spread not above 0.
    """
    if set(mean) != set(names) or set(sd) != set(names):
        found = ", ".join(sorted({*mean, *sd}))
        raise InputError(f"looks {found or 'missing'}; needs {', '.join(sorted(names))}")
    if not all(map(math.isfinite, mean.values())) or not all(
        math.isfinite(value) and value > 0 for value in sd.values()
    ):
        raise InputError("mean or sd out of range; needs finite numbers and spreads above 0")


def look_of(maps: LabelMaps, crop: NDArray[np.uint8], crop_per_photo: float) -> dict[str, float]:
    """
    What the crowns in a levelled crop look like to the network, in the numbers of `LOOKS`.

    ``unsure_surface`` and ``unsure_number`` are the natural logarithm of one minus the highest probability of
    material and of tooth, mean over crown pixels; the maximum probability tells pictures unlike the trained
    ones (Hendrycks & Gimpel 2017, "A baseline for detecting misclassified and out-of-distribution examples",
    ICLR). ``lightness``, ``red_green`` and ``blue_yellow`` are medians over crown pixels and ``contrast`` the
    difference of the medians of cut enamel and dentine, in CIE L*a*b*. ``grain`` is log2 of the mean absolute
    Laplacian, ``blur`` log2 of the network's own blur sigma, ``scale`` log2 of crop pixels per photo pixel.

    Parameters
    ----------
    maps : LabelMaps
        Fine maps of the crop.
    crop : ndarray of uint8, shape (H, W, 3)
        RGB, same grid as the maps.
    crop_per_photo : float
        Crop pixels per photo pixel.

    Returns
    -------
    dict
        Empty where there are no crown pixels; without ``contrast`` where a band is missing.
    """
    material, tooth = maps.block("material"), maps.block("tooth")
    names = material.argmax(axis=0)
    crown = np.isin(names, [int(m) for m in CROWN_MATERIALS]) & (tooth[0] < 0.5)
    if crown.sum() < 1000:  # less than a third of the smallest tooth of a nominal row
        return {}
    lab = cv2.cvtColor(crop.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    laplacian = np.abs(cv2.Laplacian(lab[..., 0], cv2.CV_32F))
    light, red_green, blue_yellow = (lab[..., k][crown] for k in range(3))
    look = {
        "unsure_surface": _log(1 - float(material.max(axis=0)[crown].mean())),
        "unsure_number": _log(1 - float(tooth.max(axis=0)[crown].mean())),
        "lightness": float(np.median(light)),
        "red_green": float(np.median(red_green)),
        "blue_yellow": float(np.median(blue_yellow)),
        "grain": float(np.log2(laplacian[crown].mean() + 0.01)),
        "blur": float(np.median(np.log2(np.maximum(maps.block("blur")[0][crown], 0.05)))),
        "scale": float(np.log2(crop_per_photo)),
    }
    bands = [lab[..., 0][crown & (names == m)] for m in (Material.ENAMEL_BAND, Material.DENTINE)]
    if min(len(band) for band in bands) >= 100:
        look["contrast"] = float(np.median(bands[0]) - np.median(bands[1]))
    return look


def _log(value: float) -> float:
    return float(np.log(max(value, 1e-6)))
