"""Colour and gloss of crowns, painted on the map seen from above. Linear RGB."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.traced.blades import Array
from crestgauge.synthetic_data.traced.surfaces import Top


@dataclass(frozen=True, slots=True, kw_only=True)
class SkinStyle:
    """
    The animal's tooth colours; ``fresh_tooth`` crowns (just replaced) are painted chalkier.

    Parameters
    ----------
    enamel, dentine, food, stain : tuple of 3 floats
        Linear RGB.
    stain_share, gloss : float
        How much of the walls is stained, 0..1; how polished the enamel is, 0..1.
    """

    enamel: tuple[float, float, float]
    dentine: tuple[float, float, float]
    food: tuple[float, float, float]
    stain: tuple[float, float, float]
    stain_share: float
    gloss: float


def draw_skin(rng: np.random.Generator) -> SkinStyle:
    """Colours from nearly clean to heavily stained."""
    warm, dark = rng.uniform(0.0, 1.0), rng.uniform(0.0, 1.0)
    light = np.array([0.30, 0.155, 0.055])
    deep = np.array([0.085, 0.034, 0.013])
    dentine = light * (1.0 - dark) + deep * dark
    enamel = np.array([0.78, 0.72, 0.60]) * rng.uniform(0.82, 1.06) - np.array([0.0, 0.035, 0.11]) * warm
    food = [(0.045, 0.028, 0.014), (0.075, 0.062, 0.022), (0.02, 0.015, 0.011), (0.12, 0.075, 0.035)][
        rng.integers(4)
    ]
    stain = [(0.17, 0.085, 0.032), (0.09, 0.05, 0.025), (0.28, 0.17, 0.07)][rng.integers(3)]
    return SkinStyle(
        enamel=_colour(enamel),
        dentine=_colour(dentine),
        food=food,
        stain=stain,
        stain_share=float(rng.uniform(0.1, 0.75)),
        gloss=float(rng.uniform(0.3, 1.0)),
    )


def _colour(values: Array) -> tuple[float, float, float]:
    red, green, blue = (float(value) for value in values)
    return red, green, blue


def cloud(rng: np.random.Generator, shape: tuple[int, int], size: float) -> Array:
    """Smooth noise, unit variance, details about ``size`` pixels."""
    if size > 8.0:  # drawn coarse and stretched: the same look for a fraction of the time
        small = tuple(int(n / size * 4) + 4 for n in shape)
        noise = cv2.resize(
            gaussian_filter(rng.normal(size=small), 4.0, mode="reflect"),
            shape[::-1],
            interpolation=cv2.INTER_CUBIC,
        )
    else:
        noise = gaussian_filter(rng.normal(size=shape), size, mode="reflect")
    return np.asarray(noise / max(float(noise.std()), 1e-9), dtype=np.float64)


def paint(rng: np.random.Generator, top: Top, style: SkinStyle, fresh_tooth: bool) -> tuple[Array, Array]:
    """
    Colour and roughness of one crown.

    Returns
    -------
    colour : ndarray, shape (H, W, 3), linear RGB
    roughness : ndarray, shape (H, W), 0..1
    """
    step = float(top.x[1] - top.x[0])
    shape = top.material.shape
    worn = (top.material == Material.DENTINE) | (top.material == Material.ENAMEL_BAND)
    coarse, middle, fine = (
        cloud(rng, shape, 1.3 / step),
        cloud(rng, shape, 0.4 / step),
        cloud(rng, shape, 0.09 / step),
    )
    enamel = np.array(style.enamel) * np.array([1.05, 1.06, 1.1] if fresh_tooth else [1.0, 1.0, 1.0])
    # Enamel over dark dentine looks greyer close to it: it lets some light through.
    thin = np.exp(-np.maximum(top.core, 0.0) / 0.22)[..., None]
    band = enamel * (1.0 + 0.03 * middle + 0.025 * fine)[..., None] * (1.0 - 0.17 * thin)
    inward = distance_transform_edt(top.material == Material.DENTINE) * step
    dentine = np.array(style.dentine) * (1.0 + 0.14 * coarse + 0.12 * middle + 0.07 * fine)[..., None]
    dentine = dentine * (1.25 - 0.50 * (1.0 - np.exp(-inward / 0.5)))[..., None]
    share = np.clip(0.5 - top.core / (1.5 * step), 0.0, 1.0)[..., None]
    face = band * (1.0 - share) + dentine * share
    away = distance_transform_edt(~worn) * step
    amount = 0.15 if fresh_tooth else style.stain_share
    level = 0.9 * coarse + 0.6 * middle + 0.35 * np.minimum(top.depth, 5.0) + 0.25 * np.minimum(away, 2.0)
    stained = 1.0 / (1.0 + np.exp(-2.0 * (level - 2.6 + 3.2 * amount)))
    wall = enamel * 0.93 * (1.0 + 0.04 * middle + 0.02 * fine)[..., None]
    wall = wall * (1.0 - 0.85 * stained)[..., None] + np.array(style.stain) * (0.85 * stained)[..., None]
    # Just below a worn edge the wall is rubbed clean.
    clean = np.exp(-away / 0.25)[..., None] * 0.7
    wall = wall * (1.0 - clean) + enamel * clean
    hollow = np.array(style.food) * (1.0 + 0.35 * middle + 0.3 * fine)[..., None]
    funnel = wall * 0.35 + np.array(style.stain) * 0.65
    shade = np.exp(-np.maximum(top.depth, 0.0) / (1.1 if not fresh_tooth else 3.5))[..., None]
    funnel = wall * shade + (0.5 * funnel + 0.5 * np.array(style.food)) * (1.0 - shade)
    colour = np.where(worn[..., None], face, wall)
    inside = gaussian_filter((top.material == Material.INFUNDIBULUM).astype(float), 0.06 / step)[..., None]
    colour = np.where(worn[..., None], colour, colour * (1.0 - inside) + funnel * inside)
    packed = gaussian_filter(top.food.astype(float), 0.05 / step)[..., None]
    colour = np.where(worn[..., None], colour, colour * (1.0 - packed) + hollow * packed)
    rough_enamel = 0.48 - 0.30 * style.gloss
    rough = np.where(
        worn,
        rough_enamel * (1.0 - share[..., 0]) + (0.62 - 0.2 * style.gloss) * share[..., 0],
        rough_enamel + 0.1,
    )
    rough = np.where(top.food, 0.75, rough)
    return np.clip(colour, 0.004, 0.93), np.clip(rough + 0.05 * middle, 0.12, 0.95)
