"""What lies under a jaw and over it: ground, flat things, hands, hairs, bits, and whatever hides teeth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from crestgauge.synthetic_data.anatomy import Jaw
from crestgauge.synthetic_data.camera import Camera
from crestgauge.synthetic_data.textures import ground, ground_bank


def ground_colour(place: tuple[Tensor, Tensor], rng: Generator, kind: str) -> Tensor:
    """Colour of the ground at places in it (x, y) [mm], with a few flat things lying on it, shape (N, 3)."""
    x, y = place
    device = x.device
    bank = ground_bank(str(device))[kind]
    picture = bank[int(rng.integers(len(bank)))]
    angle, size = rng.uniform(0, 2 * np.pi), float(np.exp(rng.uniform(np.log(45), np.log(420))))
    c, s = np.cos(angle), np.sin(angle)
    colour = ground(picture, (c * x - s * y) / size + rng.uniform(), (s * x + c * y) / size + rng.uniform()).T
    tint = torch.as_tensor(
        np.exp(rng.normal(0, 0.15, 3)) * np.exp(rng.normal(0, 0.35)), dtype=torch.float32, device=device
    )
    colour = (colour * tint).clamp(0.003, 0.97)
    for _ in range(int(rng.choice([0, 0, 1, 1, 2, 3]))):
        colour = _flat_thing(colour, x, y, rng, device)
    return colour


def _flat_thing(colour: Tensor, x: Tensor, y: Tensor, rng: Generator, device: torch.device) -> Tensor:
    """A ruler, card, strip, stick or leaf on the ground."""
    angle = rng.uniform(0, np.pi) if rng.uniform() < 0.5 else rng.normal(0, 0.1)
    px, py = rng.uniform(-70, 120), rng.choice([-1, 1]) * rng.uniform(4, 70)
    c, s = np.cos(angle), np.sin(angle)
    u, v = c * (x - px) + s * (y - py), -s * (x - px) + c * (y - py)
    kind = rng.choice(["ruler", "card", "stick", "leaf", "knife"])
    paint = torch.as_tensor(
        rng.uniform(0.02, 0.95, 3) if rng.uniform() < 0.5 else np.full(3, rng.uniform(0.05, 0.95)),
        dtype=torch.float32,
        device=device,
    )
    ink = 0.03 if float(paint.mean()) > 0.3 else 0.9
    if kind == "ruler":
        half, wide = rng.uniform(70, 160), rng.uniform(9, 18)
        inside = (u.abs() < half) & (v.abs() < wide)
        unit = 1.0 if rng.uniform() < 0.7 else 25.4 / 16
        step = torch.remainder(u, unit)
        order = torch.round(u / unit)
        reach = torch.where(
            torch.remainder(order, 10) == 0, 7.0, torch.where(torch.remainder(order, 5) == 0, 5.0, 3.0)
        )
        tick = (torch.minimum(step, unit - step) < 0.12 * unit + 0.06) & (wide - v < reach)
        fill = torch.where(tick[:, None], torch.full_like(colour, ink), paint.expand_as(colour))
    elif kind == "card":
        inside = (u.abs() < rng.uniform(20, 60)) & (v.abs() < rng.uniform(15, 40))
        letters = ground_bank(str(device))["paper"]
        fill = ground(letters[int(rng.integers(len(letters)))], u / 90 + 0.5, v / 90 + 0.5).T
        if rng.uniform() < 0.3:
            cell = rng.uniform(4, 14)
            fill = torch.where(
                ((torch.floor(u / cell) + torch.floor(v / cell)) % 2 == 0)[:, None],
                torch.full_like(fill, 0.9),
                torch.full_like(fill, 0.02),
            )
    elif kind == "leaf":
        half, wide = rng.uniform(15, 60), rng.uniform(4, 22)
        inside = (v.abs() < wide * (1 - (u / half) ** 2)) & (u.abs() < half)
        fill = paint * (1 - 0.4 * torch.exp(-(v**2) / 0.6))[:, None]
    else:
        half, wide = rng.uniform(30, 140), rng.uniform(1.2, 9)
        inside = (u.abs() < half) & (v.abs() < wide)
        fill = paint * (0.35 + 0.65 * torch.sqrt((1 - (v / wide) ** 2).clamp_min(0)))[:, None]
    return torch.where(inside[:, None], fill.clamp(0.003, 0.97), colour)


@dataclass(slots=True, eq=False)
class Canvas:
    """Picture under construction: things laid over it change light and labels together."""

    light: Tensor
    hidden: Tensor
    yy: Tensor
    xx: Tensor


def capsule(
    canvas: Canvas,
    p: np.ndarray,
    q: np.ndarray,
    radius: float,
    colour: np.ndarray,
    level: float,
    rng: Generator,
    *,
    ragged: float = 0.0,
) -> None:
    """
    A finger, stick or blob between ``p`` and ``q``: rounded shading, soft shadow beside it, labels hidden
    under it; ``ragged`` is the share by which its outline runs in and out. [px]
    """
    dx, dy = q - p
    t = (((canvas.xx - p[0]) * dx + (canvas.yy - p[1]) * dy) / max(dx * dx + dy * dy, 1e-6)).clamp(0, 1)
    ox, oy = canvas.xx - p[0] - t * dx, canvas.yy - p[1] - t * dy
    d = torch.sqrt(ox * ox + oy * oy) / radius
    if ragged:
        turn, phase = torch.atan2(oy, ox), rng.uniform(0, 6.3, 3)
        d = d * (
            1
            + ragged
            * sum(torch.sin(k * turn + float(f)) / k**0.5 for k, f in zip((2, 3, 5), phase, strict=True))
        )
    round_ = torch.sqrt((1 - d * d).clamp_min(0))
    lean = rng.uniform(0, 2 * np.pi)
    facing = (0.55 * round_ + 0.45 * (ox * np.cos(lean) + oy * np.sin(lean)) / radius + 0.35).clamp(0.05, 1.3)
    paint = (
        torch.as_tensor(colour * level, dtype=torch.float32, device=canvas.light.device)[:, None, None]
        * facing
    )
    cover = ((1 - d) * radius / 1.2 + 0.5).clamp(0, 1)
    halo = 1 - 0.45 * torch.exp(-((d - 1).clamp_min(0) ** 2) / 0.08) * (1 - cover)
    canvas.light = canvas.light * halo * (1 - cover) + paint * cover
    canvas.hidden |= cover > 0.5


SKIN = [(0.55, 0.33, 0.24), (0.40, 0.22, 0.15), (0.20, 0.10, 0.065), (0.65, 0.45, 0.36)]
GLOVES = [
    (0.05, 0.12, 0.45),
    (0.02, 0.02, 0.02),
    (0.75, 0.75, 0.75),
    (0.75, 0.22, 0.02),
    (0.10, 0.30, 0.15),
    (0.60, 0.55, 0.10),
]


def lay_over(
    canvas: Canvas, camera: Camera, jaw: Jaw, rng: Generator, level: float, *, with_row: bool
) -> None:
    """Hands, hairs and bits over the picture."""
    corners = camera.project(np.array([[0.0, 0.0, 0.0], [jaw.row_mm, 0.0, 0.0]]))
    along = corners[1] - corners[0]
    scale = float(np.hypot(*along)) / jaw.row_mm
    across = np.array([-along[1], along[0]]) / max(np.hypot(*along), 1e-6)
    if rng.uniform() < 0.35:
        pool = SKIN if rng.uniform() < 0.5 else GLOVES
        colour = np.array(pool[int(rng.integers(len(pool)))]) * np.exp(rng.normal(0, 0.2))
        where = rng.choice([-0.32, 1.28, rng.uniform(0, 1)])
        side = rng.choice([-1, 1])
        for k in range(int(rng.integers(1, 5))):
            tip = (
                corners[0]
                + along * (where + 0.2 * (k - 1.5) * (1 if 0 < where < 1 else 0.2))
                + across * side * scale * (rng.uniform(9, 16) if 0 <= where <= 1 else rng.uniform(-8, 12))
            )
            base = tip + across * side * scale * rng.uniform(30, 70) + along * rng.normal(0, 0.15)
            capsule(canvas, tip, base, scale * rng.uniform(6, 9.5), colour, level, rng)
    for _ in range(
        int(rng.choice([0, 0, 0, 2, 6]))
    ):  # hairs and grass blades: too thin to hide what lies under them
        p = corners[0] + along * rng.uniform(-0.2, 1.2) + across * scale * rng.uniform(-14, 14)
        q = p + scale * rng.uniform(4, 25) * np.array([np.cos(a := rng.uniform(0, 6.3)), np.sin(a)])
        hidden = canvas.hidden.clone()
        capsule(
            canvas,
            p,
            q,
            max(0.8, scale * rng.uniform(0.04, 0.14)),
            np.array(rng.choice([0.02, 0.3, 0.6]) * np.array([1, 0.85, 0.6])),
            level,
            rng,
        )
        canvas.hidden = hidden
    for _ in range(int(rng.choice([0, 0, 0, 1, 3]))):  # meat, mud or plant bits large enough to hide a crest
        p = corners[0] + along * rng.uniform(-0.1, 1.1) + across * scale * rng.normal(0, 6)
        q = p + scale * rng.uniform(0.2, 3.0) * np.array([np.cos(a := rng.uniform(0, 6.3)), np.sin(a)])
        tone = np.array(
            [(0.25, 0.03, 0.03), (0.15, 0.1, 0.05), (0.12, 0.2, 0.04), (0.6, 0.5, 0.4)][int(rng.integers(4))]
        )
        tone = tone * np.exp(rng.normal(0, 0.4)) * np.exp(rng.normal(0, 0.15, 3))
        capsule(canvas, p, q, scale * rng.uniform(0.3, 1.6), tone, level, rng, ragged=rng.uniform(0.1, 0.4))
    if not with_row and rng.uniform() < 0.5:  # a row of pale lumps that is no tooth row
        start, step = rng.uniform(0.1, 0.9, 2) * (camera.width, camera.height), rng.normal(0, 1, 2)
        step = step / np.hypot(*step) * scale * rng.uniform(7, 16)
        for k in range(int(rng.integers(4, 13))):
            centre = start + step * (k - 5) + rng.normal(0, scale, 2)
            tone = np.array([0.7, 0.62, 0.48]) * np.exp(rng.normal(0, 0.25, 3))
            capsule(
                canvas,
                centre,
                centre + rng.normal(0, 2 * scale, 2),
                scale * rng.uniform(3, 7),
                tone,
                level,
                rng,
            )


MEAT = [(0.25, 0.03, 0.03), (0.15, 0.1, 0.05), (0.12, 0.2, 0.04), (0.6, 0.5, 0.4), (0.35, 0.12, 0.10)]


def cover_up(
    canvas: Canvas,
    camera: Camera,
    jaw: Jaw,
    stretch: tuple[float, float],
    rng: Generator,
    level: float,
    pixel_mm: float,
) -> None:
    """Hide a stretch of the row (shares of its length) under fingers, a lump of meat or mud, or a glove."""
    ends = camera.project(np.array([[jaw.row_mm * c, 0.0, 0.0] for c in stretch]))
    along = ends[1] - ends[0]
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-6)
    kind = rng.choice(["fingers", "lump", "along"])
    pool = MEAT if kind == "lump" else GLOVES + SKIN
    colour = np.array(pool[int(rng.integers(len(pool)))]) * np.exp(rng.normal(0, 0.2))
    if kind != "fingers":
        ragged = float(rng.uniform(0.03, 0.12)) if kind == "lump" else 0.0
        radius = (11.0 if ragged else 9.0) / pixel_mm
        capsule(canvas, ends[0], ends[1], radius, colour, level, rng, ragged=ragged)
        return
    side, slant = rng.choice([-1, 1]), float(rng.uniform(-0.3, 0.3))
    count = int(np.ceil(np.hypot(*along) * pixel_mm / 12.0)) + 1
    for k in range(count):
        at = ends[0] + along * (k + 0.5) / count
        tip = at + across * side * rng.uniform(8, 16) / pixel_mm
        base = at - across * side * rng.uniform(40, 80) / pixel_mm + along * slant
        capsule(canvas, tip, base, rng.uniform(7.0, 9.0) / pixel_mm, colour, level, rng)
