"""What the jaw lies on, as a square of linear colour."""

from __future__ import annotations

import cv2
import numpy as np

from crestgauge.synthetic_data.carved.noise import cloud, mix, step
from crestgauge.synthetic_data.carved.outlines import Array

Rng = np.random.Generator
SIDE_MM, SIZE = 420.0, 1400
"""One square is so wide, drawn on so many cells."""


def make_ground(rng: Rng, kind: str) -> tuple[Array, float]:
    """Colour (SIZE, SIZE, 3) and roughness of the ground ``kind``."""
    shape = (SIZE, SIZE)
    fine, middle, broad = cloud(rng, shape, 3), cloud(rng, shape, 22), cloud(rng, shape, 160)
    one = np.ones((*shape, 1))
    y, x = np.mgrid[0:SIZE, 0:SIZE].astype(np.float64)
    if kind == "planks":
        grain = cloud(rng, shape, 5, stretch=30.0) + 0.6 * np.sin(
            y * 0.09 + 2.2 * cloud(rng, shape, 90, stretch=4.0)
        )
        tone = np.array([[0.40, 0.25, 0.13], [0.24, 0.19, 0.15], [0.52, 0.38, 0.22]])[rng.integers(3)]
        board = np.floor(y / 330.0)
        colour = tone * (1.0 + 0.16 * grain + 0.06 * np.sin(board * 5.0))[..., None]
        return colour * (1.0 - 0.8 * (np.abs(y % 330.0 - 6) < 5))[..., None], 0.55
    if kind == "concrete":
        colour = np.array([0.36, 0.35, 0.33]) * (1.0 + 0.14 * fine + 0.10 * middle + 0.08 * broad)[..., None]
        return mix(colour, np.array([0.08, 0.08, 0.07]), 0.6 * step(fine + middle, 2.0, 3.0)), 0.85
    if kind == "tartan":
        colours = np.array([[0.35, 0.03, 0.04], [0.03, 0.10, 0.22], [0.04, 0.16, 0.07]])
        warp = step(np.sin(x * 0.035) + 0.4 * np.sin(x * 0.14), -0.15, 0.15)
        weft = step(np.sin(y * 0.035) + 0.4 * np.sin(y * 0.14), -0.15, 0.15)
        base = colours[rng.integers(3)]
        colour = base * one * (0.35 + 0.4 * warp + 0.4 * weft)[..., None] + 0.02
        return colour * (1.0 + 0.22 * np.sin(x * 1.3) * np.sin(y * 1.3) + 0.1 * fine)[..., None], 0.95
    if kind == "steel":
        scratch = cloud(rng, shape, 2, stretch=60.0)
        return np.array([0.50, 0.51, 0.52]) * (1.0 + 0.05 * scratch + 0.04 * broad)[..., None], 0.38
    if kind == "mat":
        tone = np.array([[0.05, 0.22, 0.16], [0.10, 0.13, 0.30], [0.07, 0.07, 0.08]])[rng.integers(3)]
        lines = ((x % 33.3) < 2) | ((y % 33.3) < 2)
        return mix(tone * (1.0 + 0.06 * fine)[..., None], np.array([0.55, 0.58, 0.40]), 0.6 * lines), 0.7
    if kind == "leaves":
        colour = np.array([0.10, 0.07, 0.04]) * (1.0 + 0.4 * fine + 0.3 * middle)[..., None]
        colour = np.ascontiguousarray(np.clip(colour, 0.01, 0.9))
        for _ in range(260):
            centre = rng.integers(0, SIZE, 2)
            tint = np.array([0.36, 0.20, 0.07]) * rng.uniform(0.4, 1.3) * rng.uniform(0.8, 1.2, 3)
            axes = (int(rng.integers(35, 90)), int(rng.integers(14, 38)))
            turn = float(rng.uniform(0, 360))
            at = (int(centre[0]), int(centre[1]))
            cv2.ellipse(colour, at, axes, turn, 0, 360, tuple(map(float, tint)), -1, cv2.LINE_AA)
            tip = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))]) * axes[0]
            ends = [tuple(int(v) for v in centre + k * tip) for k in (-1, 1)]
            cv2.line(colour, ends[0], ends[1], tuple(map(float, tint * 0.6)), 2, cv2.LINE_AA)
        return colour * (1.0 + 0.15 * middle + 0.1 * fine)[..., None], 0.8
    if kind == "cardboard":
        flute = 1.0 + 0.02 * np.sin(y * 0.5)
        return np.array([0.45, 0.31, 0.18]) * (flute * (1.0 + 0.05 * fine + 0.05 * broad))[..., None], 0.9
    if kind == "liner":
        rib = 0.6 + 0.6 * step(np.sin(x * 0.05), -0.1, 0.3)
        return np.array([0.045, 0.045, 0.05]) * (rib * (1.0 + 0.3 * fine + 0.4 * step(broad, 0, 2)))[
            ..., None
        ], 0.5
    if kind == "snow":
        return np.array([0.80, 0.83, 0.88]) * (1.0 + 0.05 * fine + 0.05 * middle)[..., None], 0.9
    layer = cloud(rng, shape, 40, stretch=3.0)
    return np.array([0.13, 0.14, 0.16]) * (1.0 + 0.25 * layer + 0.12 * fine)[..., None], 0.6
