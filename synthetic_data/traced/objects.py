"""Loose things in the picture: a gloved hand, stones, a long bone, a ruler, a card. Jaw frame, mm, linear
RGB."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter
from skimage.measure import marching_cubes

from crestgauge.synthetic_data.traced.blades import Array, join
from crestgauge.synthetic_data.traced.flesh import Ripple
from crestgauge.synthetic_data.traced.surfaces import Mesh


def capsule(points: Array, a: Array, b: Array, ra: float, rb: float) -> Array:
    """Field of a rounded rod from ``a`` to ``b`` with its two end radii. [mm]"""
    axis = b - a
    t = np.clip((points - a) @ axis / (axis @ axis), 0.0, 1.0)
    away = np.linalg.norm(points - a - t[..., None] * axis, axis=-1)
    return np.asarray(away - (ra + (rb - ra) * t), dtype=np.float64)


def solid_mesh(
    field: Array, origin: Array, step: float, rng: np.random.Generator, rough: float, colour: Array
) -> Mesh:
    """Mesh of a field given on a grid, with small bumps and one colour that varies a little."""
    padded = np.pad(gaussian_filter(field, 0.7), 1, constant_values=3.0)
    vertices, faces, normals, _ = marching_cubes(padded, 0.0, spacing=(step,) * 3)
    vertices = vertices - step + origin
    bumps, broad = Ripple.draw(rng, 5.0), Ripple.draw(rng, 25.0)
    vertices = vertices + normals * (rough * bumps.at(vertices))[:, None]
    tone = 1.0 + 0.10 * broad.at(vertices) + 0.05 * bumps.at(vertices)
    return Mesh(
        vertices=vertices,
        faces=faces.astype(np.int64),
        uv=np.zeros((len(vertices), 2)),
        colour=np.clip(colour * tone[:, None], 0.005, 0.95),
    )


def glove(rng: np.random.Generator, row_mm: float) -> Mesh:
    """A gloved hand that holds the jaw from below, finger tips on one side, the thumb on the other."""
    step = 1.5
    x0 = float(rng.uniform(-0.1, 0.45)) * row_mm
    side = rng.choice([-1.0, 1.0])
    lo, hi = np.array([x0 - 70.0, -75.0, -75.0]), np.array([x0 + 70.0, 75.0, 4.0])
    axes = [np.arange(lo[k], hi[k], step) for k in range(3)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    total = capsule(
        points,
        np.array([x0 - 22.0, side * 38.0, -48.0]),
        np.array([x0 + 28.0, side * 32.0, -46.0]),
        20.0,
        21.0,
    )
    for k in range(4):
        at = x0 - 30.0 + 20.5 * k + rng.normal() * 1.5
        tip = float(rng.uniform(-16.0, -8.0)) - 3.0 * abs(k - 1.5)
        knuckle = np.array([at, side * 30.0, -42.0])
        middle = np.array([at + rng.normal() * 2, -side * 14.0, -44.0])
        end = np.array([at + rng.normal() * 3, -side * (19.0 + rng.uniform(-2, 2)), tip])
        finger = join(capsule(points, knuckle, middle, 9.5, 8.5), capsule(points, middle, end, 8.5, 7.2), 5.0)
        total = join(total, finger, 5.0)
    thumb_at = x0 - 34.0 + rng.normal() * 5.0
    base, bend = (
        np.array([thumb_at - 14.0, side * 36.0, -36.0]),
        np.array([thumb_at - 2.0, side * 27.0, -20.0]),
    )
    thumb_tip = np.array([thumb_at + 20.0, side * 18.0, -9.0])
    total = join(
        total,
        join(capsule(points, base, bend, 12.0, 10.0), capsule(points, bend, thumb_tip, 10.0, 8.0), 5.0),
        8.0,
    )
    wrist = capsule(
        points,
        np.array([x0 - 10.0, side * 40.0, -50.0]),
        np.array([x0 - 60.0, side * 100.0, -60.0]),
        24.0,
        26.0,
    )
    total = join(total, wrist, 12.0)
    tints = [
        (0.05, 0.12, 0.42),
        (0.03, 0.03, 0.035),
        (0.55, 0.22, 0.05),
        (0.62, 0.60, 0.55),
        (0.36, 0.24, 0.13),
        (0.55, 0.33, 0.24),
    ]
    return solid_mesh(total, lo, step, rng, 0.35, np.array(tints[rng.integers(len(tints))]))


def stone(rng: np.random.Generator, centre: Array, size: float) -> Mesh:
    """A lumpy stone about ``size`` mm across."""
    step = size / 28.0
    axis = np.arange(-0.8 * size, 0.8 * size, step)
    points = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    stretch = rng.uniform(0.6, 1.3, 3)
    field = (
        np.linalg.norm(points / stretch, axis=-1)
        - 0.42 * size
        + 0.06 * size * Ripple.draw(rng, 0.7 * size).at(points)
    )
    grey = np.array([0.30, 0.28, 0.25]) * rng.uniform(0.4, 1.8)
    return solid_mesh(field, centre - 0.8 * size, step, rng, 0.01 * size, grey)


def long_bone(rng: np.random.Generator, a: Array, b: Array) -> Mesh:
    """A limb bone or rib: a shaft with thick ends."""
    step = 1.2
    lo, hi = np.minimum(a, b) - 22.0, np.maximum(a, b) + 22.0
    axes = [np.arange(lo[k], hi[k], step) for k in range(3)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    field = capsule(points, a, b, 6.0, 7.5)
    for end in (a, b):
        for _ in range(2):
            knob = end + rng.normal(size=3) * 5.0
            field = join(field, np.linalg.norm(points - knob, axis=-1) - rng.uniform(8.0, 11.0), 6.0)
    return solid_mesh(field, lo, step, rng, 0.15, np.array([0.66, 0.56, 0.40]))


def strip_box(centre: Array, half: Array, angle: float) -> Mesh:
    """A flat box lying on the ground; u, v run over its upper face."""
    c, s = np.cos(angle), np.sin(angle)
    corners = np.array([[i, j, k] for k in (-1, 1) for j in (-1, 1) for i in (-1, 1)], float) * half
    corners[:, :2] = corners[:, :2] @ np.array([[c, s], [-s, c]])
    faces = np.array(
        [
            [4, 5, 7],
            [4, 7, 6],
            [0, 1, 5],
            [0, 5, 4],
            [1, 3, 7],
            [1, 7, 5],
            [3, 2, 6],
            [3, 6, 7],
            [2, 0, 4],
            [2, 4, 6],
        ]
    )
    uv = np.array([[i, j] for _ in (0, 1) for j in (0.0, 1.0) for i in (0.0, 1.0)])
    return Mesh(vertices=corners + centre, faces=faces, uv=uv, colour=np.ones((8, 3)))


def ruler_picture(rng: np.random.Generator, length_mm: float, width_mm: float) -> Array:
    """Ticks every mm, longer at 5 and 10 mm; no digits. Shape (H, W, 3)."""
    scale = 8
    image = np.ones((int(width_mm * scale), int(length_mm * scale), 3))
    image *= np.array(
        [[0.75, 0.73, 0.66], [0.80, 0.55, 0.08], [0.55, 0.56, 0.58], [0.02, 0.02, 0.02]][rng.integers(4)]
    )
    ink = 0.03 if image.mean() > 0.3 else 0.8
    for mm in range(2, int(length_mm) - 1):
        tall = 9.0 if mm % 10 == 0 else 6.5 if mm % 5 == 0 else 4.0
        image[: int(tall / 25.0 * width_mm * scale), mm * scale : mm * scale + 2] = ink
    return image


def card_picture(rng: np.random.Generator) -> Array:
    """A pale card with a few dark squares and grey patches. Shape (H, W, 3)."""
    image = np.full((216, 344, 3), 0.78)
    for k in range(4):
        r, c = (20, 20 + 82 * k)
        image[r : r + 60, c : c + 60] = rng.choice([0.03, 0.18, 0.4])
        image[r + 15 : r + 40, c + 12 : c + 40] = rng.choice([0.03, 0.78])
    image[120:190, 20:320] *= np.linspace(0.1, 1.0, 300)[None, :, None]
    return image
