"""
What somebody may photograph that is no jaw: stones, cobs, antlers and sticks, tools, shells, cloth, hands,
food, long bones, rows of pebbles or keys.

Height fields like a jaw's, so that light, shadow and lens treat them alike.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from crestgauge.synthetic_data.jaw import JawFields, blurred
from crestgauge.synthetic_data.mandible import Coats
from crestgauge.synthetic_data.overlays import SKIN
from crestgauge.synthetic_data.textures import noise_bank, tile
from crestgauge.synthetic_data.tones import BONE_TONES, ENAMEL_TONES, Colour, pick, varied
from crestgauge.synthetic_data.wear import FAR_BELOW, Grid

BASE_MM = -22.0
PITCH_PER_MM = 2.0
WIDE_MM, HIGH_MM = 210.0, 150.0

EMPTY_SHARE = 0.12
"""Share of pictures with nothing but ground."""

STONE: list[Colour] = [
    (0.35, 0.34, 0.32),
    (0.20, 0.18, 0.16),
    (0.55, 0.50, 0.42),
    (0.12, 0.12, 0.13),
    (0.42, 0.28, 0.20),
]
WOOD: list[Colour] = [(0.35, 0.22, 0.12), (0.20, 0.13, 0.08), (0.50, 0.38, 0.24), (0.28, 0.25, 0.22)]
METAL: list[Colour] = [(0.50, 0.50, 0.52), (0.25, 0.25, 0.27), (0.65, 0.58, 0.40), (0.30, 0.16, 0.09)]
PLASTIC: list[Colour] = [
    (0.60, 0.05, 0.04),
    (0.04, 0.10, 0.45),
    (0.02, 0.02, 0.02),
    (0.85, 0.85, 0.82),
    (0.75, 0.35, 0.02),
    (0.05, 0.30, 0.10),
]
FOOD: list[Colour] = [
    (0.72, 0.48, 0.08),
    (0.55, 0.08, 0.05),
    (0.75, 0.62, 0.40),
    (0.20, 0.35, 0.06),
    (0.45, 0.25, 0.10),
]
PALE: list[Colour] = [*BONE_TONES, *ENAMEL_TONES]


@dataclass(slots=True, eq=False)
class _Pile:
    """Heights above the ground (H, W) [mm] and colours (3, H, W) of what lies there so far."""

    x: Tensor
    y: Tensor
    height: Tensor
    paint: Tensor

    def lay(self, height: Tensor, tone: Tensor) -> None:
        """Put on a thing: its height where it is, 0 or less elsewhere; tone (3,) or (3, H, W)."""
        on_top = height > self.height.clamp_min(0.0)
        self.height = torch.where(on_top, height, self.height)
        tone = tone if tone.ndim == 3 else tone[:, None, None].expand_as(self.paint)
        self.paint = torch.where(on_top, tone, self.paint)

    def tone(self, rng: Generator, tones: list[Colour], spread: float = 0.3) -> Tensor:
        """One of the tones, varied, shape (3,)."""
        return torch.as_tensor(
            varied(rng, pick(rng, tones), spread), dtype=torch.float32, device=self.x.device
        )

    def frame(self, at: tuple[float, float], turn: float) -> tuple[Tensor, Tensor]:
        """Coordinates (u, v) round ``at``, turned. [mm]"""
        c, s = float(np.cos(turn)), float(np.sin(turn))
        x, y = self.x - at[0], self.y - at[1]
        return c * x + s * y, c * y - s * x

    def two_toned(self, height: Tensor, a: Tensor, b: Tensor, rng: Generator) -> Tensor:
        """From tone ``a`` below to ``b`` on top of a thing, (3, H, W)."""
        level = float(rng.uniform(0.3, 0.97)) * float(height.max().clamp_min(0.1))
        t = torch.sigmoid((height - level) / float(rng.uniform(0.1, 1.5)))
        return a[:, None, None] * (1 - t) + b[:, None, None] * t


def _lump(
    pile: _Pile, at: tuple[float, float], axes: tuple[float, float, float], turn: float, power: float
) -> Tensor:
    """Height of an ellipsoid (power 2) or a more boxy body."""
    u, v = pile.frame(at, turn)
    inside = 1 - (u / axes[0]).abs() ** power - (v / axes[1]).abs() ** power
    return axes[2] * inside.clamp_min(0) ** (1 / power) - 0.05


def _limb(pile: _Pile, p: tuple[float, float], q: tuple[float, float], thick: tuple[float, float]) -> Tensor:
    """Height of a round stick from ``p`` to ``q`` whose radius runs from one value to another. [mm]"""
    dx, dy = q[0] - p[0], q[1] - p[1]
    t = (((pile.x - p[0]) * dx + (pile.y - p[1]) * dy) / max(dx * dx + dy * dy, 1e-6)).clamp(0, 1)
    d2 = (pile.x - p[0] - t * dx) ** 2 + (pile.y - p[1] - t * dy) ** 2
    r = thick[0] + t * (thick[1] - thick[0])
    return torch.sqrt((r * r - d2).clamp_min(0)) + 0.7 * r * (d2 < r * r) - 0.05


def _place(rng: Generator, spread: float = 0.3) -> tuple[float, float]:
    return float(rng.normal(35.0, spread * 60)), float(rng.normal(0.0, spread * 45))


def _bent(
    pile: _Pile,
    rng: Generator,
    at: tuple[float, float],
    turn: float,
    long: float,
    thick: tuple[float, float],
    tone: Tensor,
    bend: float,
) -> tuple[tuple[float, float], float]:
    """A bent limb in pieces; returns where and in which direction it ends."""
    pieces = 5
    for k in range(pieces):
        turn += float(rng.normal(bend, 0.06)) / pieces
        end = (at[0] + long / pieces * np.cos(turn), at[1] + long / pieces * np.sin(turn))
        r0, r1 = (thick[0] + (thick[1] - thick[0]) * (k + i) / pieces for i in (0, 1))
        pile.lay(_limb(pile, at, end, (r0, r1)), tone)
        at = end
    return at, turn


def _stones(pile: _Pile, rng: Generator) -> None:
    tones = STONE if rng.uniform() < 0.6 else PALE
    for _ in range(int(rng.integers(1, 9))):
        a, b = rng.uniform(6, 32, 2)
        h = _lump(pile, _place(rng, 0.7), (a, b, 0.6 * min(a, b)), rng.uniform(0, 3.1), rng.uniform(1.8, 3.0))
        pile.lay(h, pile.tone(rng, tones))


def _row(pile: _Pile, rng: Generator) -> None:
    """Lumps or boxes in one line or a few, like pebbles, beads or keys."""
    at, turn, step = _place(rng, 0.2), float(rng.normal(0, 0.6)), float(rng.uniform(7, 18))
    lines, bow = int(rng.choice([1, 1, 2, 3])), float(rng.normal(0, 0.003))
    n, half = int(rng.integers(4, 12)), step * rng.uniform(0.38, 0.52)
    tones = [PALE, STONE, PLASTIC, FOOD, METAL][int(rng.integers(5))]
    one, other = pile.tone(rng, tones), pile.tone(rng, tones if rng.uniform() < 0.5 else STONE)
    u, v = pile.frame(at, turn)
    v = v - bow * u * u
    power = float(rng.uniform(1.9, 6.0))
    cell, line = torch.round(u / step), torch.round(v / (1.1 * step)) if lines > 1 else torch.zeros_like(v)
    jitter = torch.sin(cell * 12.9 + line * 4.1) * rng.uniform(0, 0.12)
    du, dv = u / step - cell, v / (1.1 * step) - line + jitter
    size = 1 + rng.uniform(0, 0.3) * torch.sin(cell * 7.7 + line)
    wide = half * (1.0 if lines > 1 else float(rng.uniform(0.7, 1.3)))
    inside = 1 - (du * step / (half * size)).abs() ** power - (dv * 1.1 * step / (wide * size)).abs() ** power
    there = (cell.abs() <= n / 2) & (line.abs() < lines)
    high = float(rng.uniform(2.5, 9.0))
    h = torch.where(there, high * inside.clamp_min(0) ** (1 / power) - 0.05, torch.zeros_like(u))
    if rng.uniform() < 0.4:  # hollow on top
        h = h - torch.where(inside > 0.3, rng.uniform(0.3, 2.5) * inside.clamp_min(0), torch.zeros_like(u))
    pile.lay(h, pile.two_toned(h, one, other, rng) if rng.uniform() < 0.5 else one)


def _cob(pile: _Pile, rng: Generator) -> None:
    u, v = pile.frame(_place(rng, 0.15), float(rng.normal(0, 0.8)))
    radius, half, kernel = float(rng.uniform(14, 24)), float(rng.uniform(45, 90)), float(rng.uniform(5, 10))
    girth = radius * torch.sqrt((1 - (u / half) ** 2).clamp_min(0)) ** 0.6
    body = torch.sqrt((girth**2 - v**2).clamp_min(0))
    around = torch.atan2(v, body + 0.01) * radius
    bumps = (torch.cos(u * (6.283 / kernel)) * 0.5 + 0.5) * (torch.cos(around * (6.283 / kernel)) * 0.5 + 0.5)
    h = torch.where(body > 0, body + 1.8 * bumps.sqrt() - 0.05, torch.zeros_like(u))
    tone, between = pile.tone(rng, FOOD[:1] + PALE[:3] + FOOD[2:3]), pile.tone(rng, WOOD + FOOD)
    share = (2.2 * bumps).clamp(0, 1)
    pile.lay(h, between[:, None, None] * (1 - share) + tone[:, None, None] * share)


def _antler(pile: _Pile, rng: Generator) -> None:
    tone = pile.tone(rng, [*WOOD, *BONE_TONES])
    thick, turn, at = float(rng.uniform(5, 13)), float(rng.uniform(0, 6.3)), _place(rng, 0.6)
    bend = float(rng.normal(0, 0.9))
    for _ in range(int(rng.integers(1, 4))):
        at, turn = _bent(pile, rng, at, turn, float(rng.uniform(30, 70)), (thick, 0.75 * thick), tone, bend)
        if rng.uniform() < 0.8:
            side = turn + float(rng.choice([-1, 1]) * rng.uniform(0.6, 1.4))
            _bent(
                pile,
                rng,
                at,
                side,
                float(rng.uniform(20, 60)),
                (0.7 * thick, 0.8),
                tone,
                float(rng.normal(0, 0.6)),
            )
        thick *= 0.75


def _bones(pile: _Pile, rng: Generator) -> None:
    """Long bones with knobs at their ends, ribs, vertebrae."""
    tone = pile.tone(rng, BONE_TONES)
    for _ in range(int(rng.integers(1, 5))):
        at, turn, r = _place(rng, 0.6), float(rng.uniform(0, 6.3)), float(rng.uniform(3, 10))
        end, out = _bent(
            pile, rng, at, turn, float(rng.uniform(40, 130)), (r, 0.85 * r), tone, float(rng.normal(0, 0.4))
        )
        if rng.uniform() < 0.7:
            for place, way in ((at, turn), (end, out)):
                for side in (-1, 1):
                    knob = (place[0] - side * 0.7 * r * np.sin(way), place[1] + side * 0.7 * r * np.cos(way))
                    pile.lay(_lump(pile, knob, (1.3 * r, 1.1 * r, 1.5 * r), way, 2.0), tone)


def _tools(pile: _Pile, rng: Generator) -> None:
    for _ in range(int(rng.integers(1, 4))):
        at, turn = _place(rng, 0.5), float(rng.uniform(0, 3.1))
        long, wide = float(rng.uniform(40, 95)), float(rng.uniform(4, 14))
        handle = _lump(pile, at, (long, wide, 0.8 * wide), turn, float(rng.uniform(2.2, 8.0)))
        pile.lay(handle, pile.tone(rng, [*WOOD, *PLASTIC]))
        head = (at[0] + long * np.cos(turn), at[1] + long * np.sin(turn))
        flat = (float(rng.uniform(15, 50)), float(rng.uniform(6, 24)), float(rng.uniform(1.5, 9.0)))
        pile.lay(
            _lump(pile, head, flat, turn + float(rng.choice([0.0, 1.57])), float(rng.uniform(2.0, 9.0))),
            pile.tone(rng, METAL),
        )


def _shells(pile: _Pile, rng: Generator) -> None:
    for _ in range(int(rng.integers(1, 6))):
        at, turn = _place(rng, 0.6), float(rng.uniform(0, 6.3))
        u, v = pile.frame(at, turn)
        size = float(rng.uniform(10, 38))
        ribs = torch.cos(torch.atan2(v, u + size) * rng.uniform(12, 60)) * rng.uniform(0.0, 0.06)
        rings = torch.cos(torch.hypot(u + size, v) * rng.uniform(0.3, 2.0)) * rng.uniform(0.0, 0.04)
        inside = (1 - (u / size) ** 2 - (v / (0.85 * size)) ** 2).clamp_min(0)
        h = size * 0.35 * inside.sqrt() * (1 + ribs + rings) - 0.05
        stripe = (0.5 + 5.0 * (ribs + rings)).clamp(0, 1)
        a, b = pile.tone(rng, PALE), pile.tone(rng, [*STONE, *PALE])
        pile.lay(h, a[:, None, None] * (1 - stripe) + b[:, None, None] * stripe)


def _cloth(pile: _Pile, rng: Generator) -> None:
    bank = noise_bank(str(pile.x.device))
    stretch, turn = float(rng.uniform(0.2, 1.0)), float(rng.uniform(0, 3.1))
    u, v = pile.frame((0.0, 0.0), turn)
    folds = tile(bank[[0, 7]], u * stretch / 160 + rng.uniform(), v / 160 + rng.uniform())
    h = 9.0 + rng.uniform(1.5, 5.0) * folds[0] + rng.uniform(0.0, 2.0) * folds[1].abs()
    tone = pile.tone(rng, [*PLASTIC, *STONE, *PALE], 0.5)
    other = pile.tone(rng, [*PLASTIC, *STONE], 0.5)
    stripes = (torch.remainder(u / rng.uniform(8, 50), 1) < rng.uniform(0.1, 0.5)).float() * float(
        rng.uniform() < 0.4
    )
    pile.lay(h.clamp_min(0.1), tone[:, None, None] * (1 - stripes) + other[:, None, None] * stripes)


def _hand(pile: _Pile, rng: Generator) -> None:
    at, turn = _place(rng, 0.2), float(rng.uniform(0, 6.3))
    tone = pile.tone(rng, SKIN if rng.uniform() < 0.6 else PLASTIC)
    pile.lay(_lump(pile, at, (42.0, 38.0, 16.0), turn, 2.4), tone)
    curl = float(rng.uniform(0.0, 0.9))
    for k in range(4):
        root = (
            at[0] + 36 * np.cos(turn) - (k - 1.5) * 17 * np.sin(turn),
            at[1] + 36 * np.sin(turn) + (k - 1.5) * 17 * np.cos(turn),
        )
        _bent(
            pile,
            rng,
            root,
            turn + 0.1 * (k - 1.5),
            (1 - 0.6 * curl) * float(rng.uniform(55, 75)),
            (9.0, 7.0),
            tone,
            curl * 0.3,
        )
    side = turn - float(rng.choice([-1, 1])) * 0.9
    thumb = (at[0] + 20 * np.cos(side), at[1] + 20 * np.sin(side))
    _bent(pile, rng, thumb, side, 50.0, (11.0, 8.0), tone, 0.4)


def _food(pile: _Pile, rng: Generator) -> None:
    for _ in range(int(rng.integers(1, 6))):
        a, b = rng.uniform(8, 40, 2)
        h = _lump(
            pile,
            _place(rng, 0.6),
            (a, b, float(rng.uniform(0.3, 0.8)) * min(a, b)),
            rng.uniform(0, 3.1),
            rng.uniform(1.8, 4.0),
        )
        if rng.uniform() < 0.3:  # a ring
            h = torch.where(h > 0.75 * h.max(), torch.zeros_like(h), h)
        one, other = pile.tone(rng, FOOD), pile.tone(rng, [*FOOD, *PALE])
        pile.lay(h, pile.two_toned(h, one, other, rng))


KINDS: dict[str, Callable[[_Pile, Generator], None]] = {
    "stones": _stones,
    "row": _row,
    "cob": _cob,
    "antler": _antler,
    "bones": _bones,
    "tools": _tools,
    "shells": _shells,
    "cloth": _cloth,
    "hand": _hand,
    "food": _food,
}


def things(rng: Generator, device: torch.device) -> JawFields:
    """
    Things of one or two kinds on the ground, or none at all, in the place of a jaw.

    Returns
    -------
    JawFields
        With ``paint``, the colour of the things; nothing of it is jaw.
    """
    grid = Grid(
        35.0 - 0.5 * WIDE_MM,
        -0.5 * HIGH_MM,
        PITCH_PER_MM,
        int(WIDE_MM * PITCH_PER_MM) + 1,
        int(HIGH_MM * PITCH_PER_MM) + 1,
    )
    x, y = grid.nodes(device)
    pile = _Pile(x=x, y=y, height=torch.zeros_like(x), paint=torch.full((3, *x.shape), 0.3, device=device))
    if rng.uniform() >= EMPTY_SHARE:
        for kind in rng.choice(list(KINDS), size=int(rng.choice([1, 1, 2])), replace=False):
            KINDS[str(kind)](pile, rng)
    rough = tile(noise_bank(str(device))[[2, 3]], x / 60 + rng.uniform(), y / 60 + rng.uniform())
    height = pile.height + float(rng.uniform(0.0, 0.25)) * rough[1] * (pile.height > 0.5)
    shown = pile.height > 0
    shown[[0, -1]], shown[:, [0, -1]] = False, False  # past the rim there is nothing; sampling repeats it
    whole = BASE_MM + height.clamp_min(0)
    mottled = pile.paint * torch.exp(float(rng.uniform(0.05, 0.4)) * rough[0])
    return JawFields(
        grid=grid,
        surface=torch.where(shown, whole, torch.full_like(whole, FAR_BELOW)),
        around_small=blurred(whole, 1.2, PITCH_PER_MM),
        around_large=blurred(whole, 4.0, PITCH_PER_MM),
        beside=torch.zeros_like(x),
        coats=Coats(root=torch.zeros_like(x), enamel=torch.zeros_like(x)),
        paint=mottled.clamp(0.004, 0.97),
    )
