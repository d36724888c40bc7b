"""
Labels as a person draws them: edges that wander, one hand that draws enamel too wide or too narrow, teeth
left out.

Sizes are ours, without a published source: edges wander by 0.06 mm (a pixel at 15 px/mm) along some 0.8 mm, a
hand is off by 0.03 mm on every edge of enamel, one tooth in twenty is left unlabelled, lobe dots lie 0.3 mm
off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from crestgauge.model.labels import N_TEETH, Material
from crestgauge.training.batch import IGNORE

Labels = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseOptions:
    """
    How a person's labels differ from the truth.

    Parameters
    ----------
    wander_mm, along_mm : float
        1-sigma of an edge's place, and the length along which it stays alike. [mm]
    hand_mm : float
        1-sigma, over animals, of how much too wide all enamel is drawn, to each side. [mm]
    left_out : float
        Share of teeth without labels.
    dot_mm : float
        1-sigma of a lobe's dot in x and y. [mm]
    """

    wander_mm: float = 0.06
    along_mm: float = 0.8
    hand_mm: float = 0.03
    left_out: float = 0.05
    dot_mm: float = 0.3


def noisy_labels(
    material: Labels, tooth: Labels, truth: dict[str, Any], rng: np.random.Generator, options: NoiseOptions
) -> tuple[Labels, Labels, dict[str, Any]]:
    """
    One photo's labels as another person would draw them.

    Parameters
    ----------
    material, tooth : ndarray of uint8, shape (H, W)
    truth : dict
        With ``px_per_mm`` (15 where unknown) and ``teeth``.
    rng : Generator
    options : NoiseOptions

    Returns
    -------
    material, tooth : ndarray of uint8, shape (H, W)
    truth : dict
        With moved lobe dots.
    """
    scale = float(truth.get("px_per_mm") or 15.0)
    height, width = material.shape
    by_px = float(rng.normal(0, options.hand_mm)) * scale
    dither = ndtr(wandering((height, width), options.along_mm * scale, rng)[0])
    material = enamel_widened(material, by_px, dither)
    field = wandering((height, width), options.along_mm * scale, rng) * options.wander_mm * scale
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    moved = [
        np.asarray(
            cv2.remap(labels, x + field[0], y + field[1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
        )
        for labels in (material, tooth)
    ]
    material, tooth = moved[0].astype(np.uint8), moved[1].astype(np.uint8)
    for position in range(1, N_TEETH + 1):
        if rng.uniform() < options.left_out:
            gone = tooth == position
            material[gone], tooth[gone] = IGNORE, IGNORE
    teeth = []
    for each in truth.get("teeth", []):
        dots = each.get("lobe_centres")
        if dots:
            shift = rng.normal(0, options.dot_mm * scale, (len(dots), 2))
            each = each | {"lobe_centres": (np.asarray(dots) + shift).round(1).tolist()}
        teeth.append(each)
    return material, tooth, truth | {"teeth": teeth}


def wandering(shape: tuple[int, int], along_px: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Two smooth random fields of standard deviation 1, shape (2, H, W)."""
    cell = max(along_px / 2, 1.0)
    small = (max(int(np.ceil(shape[0] / cell)), 2), max(int(np.ceil(shape[1] / cell)), 2))
    fields = []
    for _ in range(2):
        rough = cv2.GaussianBlur(rng.normal(size=small).astype(np.float32), (0, 0), 1.0)
        wide = cv2.resize(rough, shape[::-1], interpolation=cv2.INTER_CUBIC)
        fields.append(wide / max(float(wide.std()), 1e-6))
    return np.stack(fields).astype(np.float32)


def enamel_widened(material: Labels, by_px: float, dither: NDArray[np.float32] | None = None) -> Labels:
    """
    Enamel grown by ``by_px`` into dentine, walls and infundibulum on each side, or shrunk in their favour.

    Parameters
    ----------
    material : ndarray of uint8, shape (H, W)
    by_px : float
        Labels move by whole pixels: without ``dither`` it is rounded.
    dither : ndarray, shape (H, W), optional
        Numbers of 0..1, alike along some length: where they are below the part of a pixel that is left, the
        edge moves a pixel further, so that it moves by ``by_px`` in the mean.
    """
    enamel = material == Material.ENAMEL_BAND
    if not enamel.any() or by_px == 0:
        return material.copy()
    whole = np.floor(abs(by_px))
    steps = np.round(abs(by_px)) if dither is None else whole + (dither < abs(by_px) - whole)
    out = material.copy()
    if by_px > 0:
        reach = cv2.distanceTransform((~enamel).astype(np.uint8), cv2.DIST_L2, 5)
        crown = np.isin(material, (Material.CROWN_WALL, Material.DENTINE, Material.INFUNDIBULUM))
        # A pixel beside enamel lies at distance 1 and is half a pixel from the edge.
        out[crown & (reach - 0.5 <= steps)] = Material.ENAMEL_BAND
        return out
    inside, nearest = cv2.distanceTransformWithLabels(
        enamel.astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    # The neighbour that is not enamel takes the rim; an unlabelled one takes nothing.
    table = np.zeros(int(nearest.max()) + 1, dtype=np.uint8)
    table[nearest[~enamel]] = material[~enamel]
    neighbour = table[nearest]
    rim = enamel & (inside - 0.5 <= steps) & (neighbour != IGNORE)
    out[rim] = neighbour[rim]
    return out
