"""Things laid over a finished picture: bodies with a shadow, fingers with nails, hairs, drops, cut marks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray
from torch import Tensor

Array = NDArray[np.float64]

Colour = tuple[float, float, float]

SKIN: list[Colour] = [
    (0.55, 0.33, 0.24),
    (0.40, 0.22, 0.15),
    (0.20, 0.10, 0.065),
    (0.65, 0.45, 0.36),
    (0.10, 0.055, 0.04),
]
GLOVES: list[Colour] = [
    (0.05, 0.12, 0.45),
    (0.02, 0.02, 0.02),
    (0.75, 0.75, 0.75),
    (0.75, 0.22, 0.02),
    (0.10, 0.30, 0.15),
    (0.60, 0.55, 0.10),
]
HAIRS: list[Colour] = [
    (0.02, 0.017, 0.012),
    (0.30, 0.25, 0.18),
    (0.60, 0.51, 0.36),
    (0.20, 0.10, 0.05),
    (0.75, 0.74, 0.70),
]


@dataclass(slots=True, eq=False)
class Canvas:
    """Picture under construction: things laid over it change light and labels together."""

    light: Tensor
    hidden: Tensor
    yy: Tensor
    xx: Tensor

    def window(self, low: Array, high: Array) -> tuple[slice, slice] | None:
        """Part of the picture between two corners (x, y), or None where they enclose none of it. [px]"""
        h, w = self.hidden.shape
        x0, y0 = (max(0, int(np.floor(v))) for v in low)
        x1, y1 = min(w, int(np.ceil(high[0])) + 1), min(h, int(np.ceil(high[1])) + 1)
        return (slice(y0, y1), slice(x0, x1)) if x0 < x1 and y0 < y1 else None

    def paint(self, values: Array) -> Tensor:
        """A colour as (3, 1, 1) of the picture's kind."""
        return torch.as_tensor(values, dtype=torch.float32, device=self.light.device)[:, None, None]


def _corners(p: Array, q: Array, margin: float) -> tuple[Array, Array]:
    return np.minimum(p, q) - margin, np.maximum(p, q) + margin


def capsule(
    canvas: Canvas,
    p: Array,
    q: Array,
    radius: float,
    colour: Array,
    level: float,
    rng: Generator,
    *,
    ragged: float = 0.0,
) -> None:
    """
    A finger, stick or blob between ``p`` and ``q``: rounded shading, soft shadow beside it, labels hidden
    under it; ``ragged`` is the share by which its outline runs in and out. [px]
    """
    phase = rng.uniform(0, 6.3, 3) if ragged else np.zeros(3)
    lean = rng.uniform(0, 2 * np.pi)
    # The shadow has died away (1e-6) at two radii; a ragged outline may reach twice as far.
    part = canvas.window(*_corners(p, q, (5.0 if ragged else 2.2) * radius + 2.0))
    if part is None:
        return
    dx, dy = (float(v) for v in q - p)
    xx, yy = canvas.xx[part] - float(p[0]), canvas.yy[part] - float(p[1])
    t = ((xx * dx + yy * dy) / max(dx * dx + dy * dy, 1e-6)).clamp(0, 1)
    ox, oy = xx - t * dx, yy - t * dy
    d = torch.sqrt(ox * ox + oy * oy) / radius
    if ragged:
        turn = torch.atan2(oy, ox)
        d = d * (
            1
            + ragged
            * sum(torch.sin(k * turn + float(f)) / k**0.5 for k, f in zip((2, 3, 5), phase, strict=True))
        )
    round_ = torch.sqrt((1 - d * d).clamp_min(0))
    facing = (0.55 * round_ + 0.45 * (ox * np.cos(lean) + oy * np.sin(lean)) / radius + 0.35).clamp(0.05, 1.3)
    cover = ((1 - d) * radius / 1.2 + 0.5).clamp(0, 1)
    halo = 1 - 0.45 * torch.exp(-((d - 1).clamp_min(0) ** 2) / 0.08) * (1 - cover)
    here = (slice(None), *part)
    canvas.light[here] = (
        canvas.light[here] * halo * (1 - cover) + canvas.paint(colour * level) * facing * cover
    )
    canvas.hidden[part] |= cover > 0.5


def finger(
    canvas: Canvas,
    tip: Array,
    base: Array,
    radius: float,
    colour: Array,
    level: float,
    rng: Generator,
    *,
    bare: bool,
    more: Generator,
) -> None:
    """
    A finger from its tip on; a bare one may show nail, creases and redder joints.

    All of these lie inside its outline, so what it hides hangs on the outline alone. [px]
    """
    capsule(canvas, tip, base, radius, colour, level, rng)
    part = canvas.window(*_corners(tip, base, radius))
    if part is None or not bare:
        return
    long = max(float(np.linalg.norm(base - tip)), 1e-6)
    way = (base - tip) / long
    xx, yy = canvas.xx[part] - float(tip[0]), canvas.yy[part] - float(tip[1])
    along, off = xx * float(way[0]) + yy * float(way[1]), yy * float(way[0]) - xx * float(way[1])
    inside = torch.where(along < 0, torch.hypot(along, off), off.abs()) < 0.9 * radius
    inside &= along < long
    change = torch.zeros_like(along)
    for joint in (2.4, 2.7, 5.2):
        wide = radius * float(more.uniform(0.06, 0.2))
        change = change - float(more.uniform(0.0, 0.5)) * torch.exp(
            -(((along - radius * (joint + float(more.normal(0, 0.2)))) / wide) ** 2)
        )
    here = (slice(None), *part)
    light = canvas.light[here] * torch.exp(change * inside)
    if more.uniform() < 0.55:
        shift = float(more.normal(0, 0.25)) * radius  # a finger seen half from its side
        high, wide = radius * float(more.uniform(0.6, 0.95)), radius * float(more.uniform(0.4, 0.72))
        u, v = (along - radius * float(more.uniform(0.0, 0.35))) / high, (off - shift) / wide
        d = (u.abs() ** 2.8 + v.abs() ** 2.8) ** (1 / 2.8)
        plate = ((1 - d) * 0.6 * radius / 1.5 + 0.5).clamp(0, 1) * inside
        tone = np.clip(colour * np.exp(more.normal(0.25, 0.2)) * np.array([1.0, 0.93, 0.92]), 0.01, 0.95)
        if more.uniform() < 0.12:  # painted
            tone = more.uniform(0.02, 0.8, 3)
        shade = 0.75 + 0.3 * torch.sqrt((1 - v * v).clamp_min(0))
        nail = canvas.paint(tone * level) * shade
        rim = float(more.uniform(0.0, 0.8)) * torch.sigmoid((-u - float(more.uniform(0.6, 0.9))) * 12)
        nail = nail + (canvas.paint(np.full(3, 0.8 * level)) - nail) * rim  # its free, pale edge
        gloss = float(more.uniform(0.0, 0.8)) * level * torch.exp(-(((v - 0.3) / 0.15) ** 2) - (u / 0.6) ** 2)
        edge = 1 - 0.35 * torch.exp(-(((d - 1.05) / 0.1) ** 2)) * inside
        light = light * edge * (1 - plate) + (nail + gloss) * plate
    canvas.light[here] = light


def strand(
    canvas: Canvas, p: Array, q: Array, bow: float, radius: float, paint: Array, strength: float
) -> None:
    """
    A hair, blade or scratch from ``p`` to ``q`` that swings out by ``bow`` in the middle: too thin to hide
    what lies under it, so labels stay. [px]
    """
    long = max(float(np.linalg.norm(q - p)), 1e-3)
    way, middle = (q - p) / long, 0.5 * (p + q)
    part = canvas.window(*_corners(p, q, abs(bow) + 3 * radius + 2))
    if part is None:
        return
    xx, yy = canvas.xx[part] - float(middle[0]), canvas.yy[part] - float(middle[1])
    u = (xx * float(way[0]) + yy * float(way[1])) * (2 / long)
    v = yy * float(way[0]) - xx * float(way[1])
    slope = 4 * bow / long * u
    d = (v - bow * (1 - u * u)).abs() / torch.sqrt(1 + slope * slope)
    thick = radius * (1 - 0.6 * u.abs().clamp_max(1))
    cover = strength * (thick - d + 0.5).clamp(0, 1) * (u.abs() < 1)
    here = (slice(None), *part)
    canvas.light[here] = canvas.light[here] * (1 - cover) + canvas.paint(paint) * cover


def tuft(canvas: Canvas, at: Array, scale: float, level: float, rng: Generator) -> None:
    """A wisp of hide: hairs that lie roughly one way. [px, px per mm]"""
    turn, long = rng.uniform(0, 6.3), scale * rng.uniform(5, 22)
    tone, spread = np.array(HAIRS[int(rng.integers(len(HAIRS)))]), scale * rng.uniform(2, 9)
    for _ in range(int(rng.integers(5, 18))):
        p = at + rng.normal(0, spread, 2)
        way = turn + rng.normal(0, 0.25)
        q = p + long * rng.uniform(0.5, 1.2) * np.array([np.cos(way), np.sin(way)])
        paint = np.clip(tone * np.exp(rng.normal(0, 0.35)), 0, 0.95) * level
        strand(
            canvas, p, q, long * rng.normal(0, 0.15), max(0.5, scale * rng.uniform(0.03, 0.09)), paint, 0.9
        )


def drop(canvas: Canvas, at: Array, radius: float, level: float, rng: Generator) -> None:
    """A drop of water: darker towards the light, lighter away from it, one spark; nothing is hidden. [px]"""
    part = canvas.window(at - radius - 1, at + radius + 1)
    if part is None:
        return
    xx, yy = (canvas.xx[part] - float(at[0])) / radius, (canvas.yy[part] - float(at[1])) / radius
    turn = rng.uniform(0, 6.3)
    c, s = float(np.cos(turn)), float(np.sin(turn))
    cover = ((1 - torch.hypot(xx, yy * float(rng.uniform(0.9, 1.4)))) * radius + 0.5).clamp(0, 1)
    lens = torch.exp(float(rng.uniform(0.1, 0.6)) * (xx * c + yy * s) - float(rng.uniform(-0.1, 0.25)))
    spark = torch.exp(-(((xx + 0.45 * c) ** 2 + (yy + 0.45 * s) ** 2) / float(rng.uniform(0.01, 0.06))))
    here = (slice(None), *part)
    light = canvas.light[here]
    canvas.light[here] = light * (1 + cover * (lens - 1)) + cover * spark * (
        level * float(rng.uniform(0.3, 2.0))
    )
