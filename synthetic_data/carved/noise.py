"""Random patterns on grids."""

from __future__ import annotations

import cv2
import numpy as np

from crestgauge.synthetic_data.carved.outlines import Array

Rng = np.random.Generator


def cloud(rng: Rng, shape: tuple[int, int], cell: float, octaves: int = 3, stretch: float = 1.0) -> Array:
    """Smooth noise of mean 0, spread about 1; cells of ``cell`` grid steps, ``stretch`` times longer in x."""
    total = np.zeros(shape)
    weight, power = 1.0, 0.0
    for _ in range(octaves):
        rows, columns = (max(3, int(n / c) + 3) for n, c in zip(shape, (cell, cell * stretch), strict=True))
        coarse = rng.normal(0.0, 1.0, (rows, columns)).astype(np.float32)
        total += weight * cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC)
        power += weight**2
        weight, cell = weight * 0.55, max(cell / 2.1, 1.0)
    return np.asarray(total / np.sqrt(power) / 0.75, dtype=np.float64)


def mix(a: Array, b: Array, share: Array | float) -> Array:
    """Colours (..., 3) or values between a and b; ``share`` without the colour axis."""
    t = np.clip(share, 0.0, 1.0)
    if isinstance(t, np.ndarray) and np.ndim(a) <= 1 and np.ndim(b) <= 1:
        t = t[..., None]
    elif isinstance(t, np.ndarray) and t.ndim == 2 and max(np.ndim(a), np.ndim(b)) == 3:
        t = t[..., None]
    return np.asarray(np.asarray(a) * (1.0 - t) + np.asarray(b) * t, dtype=np.float64)


def step(x: Array, low: float, high: float) -> Array:
    """0 below ``low``, 1 above ``high``, smooth between."""
    t = np.clip((x - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)
