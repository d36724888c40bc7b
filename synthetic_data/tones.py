"""
Base colours of what a jaw is made of, linear light.

Keys and leaflets say colours in words (enamel hard, white; dentine much darker; infundibulum stained dark);
no published colour data for deer teeth were found, so the ranges are wide on purpose, and from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Colour = tuple[float, float, float]

STAIN_TONES: dict[str, list[tuple[Colour, Colour, Colour]]] = {  # (dentine, infundibulum, tartar)
    "pale": [
        ((0.50, 0.36, 0.20), (0.30, 0.22, 0.13), (0.45, 0.36, 0.24)),
        ((0.42, 0.33, 0.22), (0.45, 0.38, 0.28), (0.55, 0.46, 0.33)),
        ((0.58, 0.47, 0.32), (0.12, 0.10, 0.07), (0.40, 0.36, 0.28)),
        ((0.48, 0.34, 0.27), (0.20, 0.14, 0.11), (0.50, 0.40, 0.33)),
    ],
    "honey": [
        ((0.42, 0.24, 0.09), (0.10, 0.06, 0.03), (0.30, 0.18, 0.08)),
        ((0.35, 0.20, 0.09), (0.16, 0.10, 0.05), (0.25, 0.16, 0.09)),
        ((0.38, 0.22, 0.12), (0.03, 0.02, 0.015), (0.08, 0.05, 0.03)),
        ((0.33, 0.23, 0.13), (0.08, 0.07, 0.03), (0.16, 0.14, 0.06)),
    ],
    "brown": [
        ((0.17, 0.08, 0.035), (0.03, 0.02, 0.012), (0.10, 0.055, 0.03)),
        ((0.22, 0.12, 0.06), (0.05, 0.035, 0.02), (0.16, 0.10, 0.06)),
        ((0.20, 0.085, 0.05), (0.10, 0.06, 0.04), (0.22, 0.12, 0.07)),
        ((0.15, 0.10, 0.06), (0.015, 0.012, 0.01), (0.05, 0.035, 0.022)),
    ],
    "black": [
        ((0.06, 0.032, 0.018), (0.012, 0.010, 0.008), (0.03, 0.02, 0.014)),
        ((0.10, 0.05, 0.025), (0.02, 0.015, 0.01), (0.02, 0.016, 0.013)),
        ((0.035, 0.024, 0.018), (0.03, 0.022, 0.016), (0.10, 0.07, 0.045)),
        ((0.075, 0.055, 0.042), (0.012, 0.012, 0.012), (0.05, 0.045, 0.04)),
    ],
}
ENAMEL_TONES: list[Colour] = [
    (0.85, 0.82, 0.74),
    (0.78, 0.72, 0.58),
    (0.70, 0.62, 0.45),
    (0.90, 0.90, 0.88),
    (0.62, 0.58, 0.50),
    (0.60, 0.50, 0.32),  # old, yellow
    (0.48, 0.45, 0.38),  # grey
    (0.55, 0.53, 0.51),
    (0.74, 0.64, 0.54),  # a pink shimmer of a fresh jaw
    (0.45, 0.36, 0.24),  # stained all through
]
CEMENT_TONES: list[Colour] = [
    (0.45, 0.38, 0.28),
    (0.56, 0.50, 0.40),
    (0.30, 0.24, 0.17),
    (0.20, 0.17, 0.13),
]
TARTAR_TONES: list[Colour] = [
    (0.45, 0.38, 0.26),
    (0.16, 0.10, 0.05),
    (0.04, 0.03, 0.025),
    (0.30, 0.24, 0.10),
    (0.12, 0.14, 0.08),
]
FOOD_TONES: list[Colour] = [
    (0.16, 0.18, 0.05),
    (0.30, 0.24, 0.12),
    (0.08, 0.06, 0.03),
    (0.05, 0.07, 0.025),
    (0.20, 0.13, 0.07),
]
BONE_TONES: list[Colour] = [
    (0.75, 0.68, 0.52),
    (0.82, 0.80, 0.72),
    (0.58, 0.48, 0.33),
    (0.45, 0.38, 0.30),
    (0.70, 0.55, 0.42),
    (0.88, 0.86, 0.82),  # bleached
    (0.50, 0.50, 0.48),  # weathered grey
    (0.32, 0.30, 0.27),
    (0.66, 0.48, 0.40),  # fresh, blood in it
    (0.62, 0.52, 0.28),  # greasy yellow
    (0.26, 0.19, 0.12),  # stained by earth
]
PALE_TONES: list[Colour] = [  # clean bone that enamel hardly stands out from
    (0.85, 0.82, 0.74),
    (0.80, 0.75, 0.62),
    (0.74, 0.67, 0.53),
    (0.90, 0.89, 0.85),
    (0.66, 0.63, 0.57),
    (0.76, 0.66, 0.56),
]
BONE_STAINS: list[Colour] = [
    (0.28, 0.20, 0.12),
    (0.16, 0.20, 0.09),  # algae
    (0.42, 0.33, 0.20),
    (0.08, 0.07, 0.06),
    (0.42, 0.16, 0.12),
]
GUM_TONES: list[Colour] = [
    (0.50, 0.20, 0.17),
    (0.38, 0.10, 0.09),
    (0.22, 0.07, 0.05),
    (0.55, 0.33, 0.28),
    (0.12, 0.08, 0.07),
    (0.45, 0.30, 0.25),
    (0.60, 0.40, 0.36),
    (0.30, 0.20, 0.12),  # dried
    (0.08, 0.04, 0.03),
    (0.24, 0.20, 0.20),  # dark pigment
]


def pick(rng: Generator, tones: list[Colour]) -> Colour:
    """One of the tones, all equally often."""
    return tones[int(rng.integers(len(tones)))]


def varied(rng: Generator, base: Colour, spread: float) -> NDArray[np.float64]:
    """``base`` with its brightness and, less, its hue moved at random; ``spread`` in natural logarithms."""
    moved = np.array(base) * np.exp(rng.normal(0, spread)) * np.exp(rng.normal(0, spread * 0.35, 3))
    return np.asarray(np.clip(moved, 0.004, 0.97), dtype=np.float64)


def brightness(colour: NDArray[np.float64]) -> float:
    """Luminance of a linear colour (weights of ITU-R BT.709)."""
    return float(np.dot(colour, (0.2126, 0.7152, 0.0722)))
