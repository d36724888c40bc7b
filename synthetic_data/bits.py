"""
Flat bits that fall on a jaw: leaves, blades of grass, chips of wood or bark, clods, smears, scraps of paper.

Each is a distance to its outline, a height and a paint over its own plane (u, v) in mm, so that it can be
laid at any scale and slant. Sizes and colours are from memory; no data on litter were found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from crestgauge.synthetic_data.textures import noise_bank, tile
from crestgauge.synthetic_data.tones import Colour, pick, varied

DENTINE_SHARE, ENAMEL_SHARE = 0.35, 0.1
"""Shares of bits in the very tone that dentine or enamel has in the picture."""

LEAVES: list[Colour] = [
    (0.10, 0.20, 0.03),
    (0.04, 0.09, 0.02),
    (0.28, 0.33, 0.05),
    (0.55, 0.40, 0.06),
    (0.42, 0.24, 0.06),  # ochre
    (0.40, 0.27, 0.13),  # tan
    (0.30, 0.17, 0.08),
    (0.22, 0.07, 0.03),  # red-brown
    (0.35, 0.05, 0.03),
    (0.12, 0.065, 0.03),
    (0.03, 0.02, 0.015),
    (0.62, 0.52, 0.36),  # bleached
]
CHIPS: list[Colour] = [
    (0.60, 0.46, 0.28),
    (0.38, 0.24, 0.12),
    (0.22, 0.16, 0.11),
    (0.10, 0.075, 0.055),
    (0.30, 0.28, 0.25),
    (0.26, 0.11, 0.06),
]
SOILS: list[Colour] = [(0.10, 0.065, 0.04), (0.20, 0.13, 0.08), (0.32, 0.22, 0.13), (0.035, 0.028, 0.022)]
SMEARS: list[Colour] = [
    (0.22, 0.015, 0.012),
    (0.09, 0.012, 0.01),
    (0.25, 0.17, 0.10),
    (0.14, 0.10, 0.065),
    (0.42, 0.33, 0.22),
]
PAPERS: list[Colour] = [(0.85, 0.84, 0.80), (0.75, 0.68, 0.52), (0.80, 0.60, 0.10), (0.45, 0.33, 0.20)]


@dataclass(frozen=True, slots=True, eq=False)
class Palette:
    """Base colours (3,) that the picture's dentine and enamel have, for bits that look like them."""

    dentine: Tensor
    enamel: Tensor

    def pair(self, rng: Generator, tones: list[Colour]) -> tuple[Tensor, Tensor]:
        """Main colour of a bit and a second one for its spots and edges, (3,) each."""
        like = rng.uniform()
        one, other = varied(rng, pick(rng, tones), 0.25), varied(rng, pick(rng, tones), 0.3)
        change, shift = np.exp(rng.normal(0, 0.08)), np.exp(rng.normal(-0.2, 0.25))
        if like < DENTINE_SHARE + ENAMEL_SHARE:
            own = self.dentine if like < DENTINE_SHARE else self.enamel
            return own * float(change), own * float(change * shift)
        main = torch.as_tensor(one, dtype=torch.float32, device=self.dentine.device)
        second = torch.as_tensor(other, dtype=torch.float32, device=self.dentine.device)
        return main, second if rng.uniform() < 0.4 else main * float(shift)


@dataclass(frozen=True, slots=True, eq=False)
class Bit:
    """
    One bit over a piece of its plane.

    inside : (H, W), distance inside its outline, below 0 outside [mm]
    height : (H, W), of its surface over what it lies on [mm]
    paint : (3, H, W), base colour, linear light
    gloss : 0..1
    """

    inside: Tensor
    height: Tensor
    paint: Tensor
    gloss: float


Maker = Callable[[Tensor, Tensor, Generator, float, Palette], Bit]


def _rough(u: Tensor, v: Tensor, rng: Generator, kind: int, period_mm: float) -> Tensor:
    """Noise of unit deviation, see `textures.noise_bank`."""
    bank, shift = noise_bank(str(u.device)), rng.uniform(0, 1, 2)
    return tile(bank[[kind]], u / period_mm + float(shift[0]), v / period_mm + float(shift[1]))[0]


def _painted(one: Tensor, other: Tensor, share: Tensor, change: Tensor) -> Tensor:
    """From colour ``one`` to ``other`` by ``share``, times e to the ``change``, (3, H, W)."""
    share = share.clamp(0, 1)
    return (one[:, None, None] * (1 - share) + other[:, None, None] * share) * torch.exp(change)


def _line(distance: Tensor, half: float) -> Tensor:
    """1 on a line, 0 off it; ``half`` of its width [mm]."""
    return torch.exp(-((distance / half) ** 2))


def _torn(inside: Tensor, u: Tensor, v: Tensor, rng: Generator, size: float) -> Tensor:
    """What is left of a bit torn off along a rough line, and of one that insects ate at."""
    turn, at = rng.uniform(0, 6.3), float(rng.uniform(-0.1, 0.5)) * size
    edge = at - u * float(np.cos(turn)) - v * float(np.sin(turn))
    torn = torch.minimum(inside, edge + 0.04 * size * _rough(u, v, rng, 1, 14.0))
    if rng.uniform() < 0.6:
        return torn
    holes = float(rng.uniform(1.4, 2.4)) - _rough(u, v, rng, 1, float(rng.uniform(12, 40)))
    return torch.minimum(inside, holes * 1.5)


def _veined(
    u: Tensor, v: Tensor, rng: Generator, size: float, palette: Palette, *, inside: Tensor, ribs: Tensor,
    twigs: Tensor,
) -> Bit:  # fmt: skip
    """A leaf of given outline and veins (0..1): curled, mottled, with edges and spots of a second colour."""
    main, second = palette.pair(rng, LEAVES)
    mottled = _rough(u, v, rng, 7, 30.0)
    change = float(rng.uniform(0.02, 0.14)) * mottled + float(rng.uniform(0.01, 0.1)) * _rough(
        u, v, rng, 3, 9.0
    )
    sign = float(rng.choice([-1.0, 1.0, 1.0]))
    change = change + sign * (float(rng.uniform(0.2, 0.8)) * ribs + float(rng.uniform(0.08, 0.45)) * twigs)
    rim, spots = float(rng.uniform(0.0, 0.12)) * size, float(rng.uniform(0.6, 3.0))
    share = 0.8 * torch.sigmoid((rim - inside) * 3) + torch.sigmoid((mottled - spots) * 5)
    curl = float(rng.normal(0, 0.35)) / size
    height = (
        curl * v * v + float(rng.normal(0, 0.12)) * v.abs() + 0.4 * float(rng.normal(0, 0.3)) / size * u * u
    )
    wavy = float(rng.uniform(0.1, 0.6)) * _rough(u, v, rng, 0, 60.0) + float(rng.uniform(0.0, 0.08)) * mottled
    height = height + wavy - float(rng.uniform(0.05, 0.2)) * twigs - 0.2 * ribs
    return Bit(inside, height, _painted(main, second, share, change), float(rng.uniform(0, 0.5)))


def _leaf(u: Tensor, v: Tensor, rng: Generator, size: float, palette: Palette) -> Bit:
    """Oval to lance-shaped or lobed, with midrib, side veins and stalk; ``size`` is half of its length."""
    v = v - float(rng.normal(0, 0.1)) / size * u * u
    wide = size * float(rng.uniform(0.28, 0.62))
    first, last = float(rng.uniform(0.45, 0.9)), float(rng.uniform(0.55, 1.3))
    top = first / (first + last)
    s = (0.5 + 0.5 * u / size).clamp(0, 1)
    half = wide * (s**first * (1 - s) ** last) / (top**first * (1 - top) ** last)
    side = torch.where(v > 0, 0.0, float(rng.uniform(0.0, 0.5)))
    kind = rng.uniform()
    if kind < 0.3:  # lobed
        count = float(rng.uniform(2.6, 4.5))
        half = half * (
            1 - float(rng.uniform(0.35, 0.6)) * (0.5 - 0.5 * torch.cos(6.283 * (count * s + side)))
        )
    elif kind < 0.65:  # saw-toothed
        step = float(rng.uniform(0.05, 0.12)) * size
        half = half + 0.35 * step * (torch.remainder(u / step + side, 1.0) - 0.5) * (s * (1 - s) * 4)
    inside = torch.minimum(half - v.abs(), size - u.abs())
    stalk = torch.minimum(
        float(rng.uniform(0.2, 0.45)) - v.abs(),
        0.5 * size * float(rng.uniform(0.3, 1.0)) - (u + size).abs(),
    )
    if rng.uniform() < 0.3:
        inside = _torn(inside, u, v, rng, size)
    ribs = _line(v, 0.15 + 0.02 * size) * (s < 0.98)
    step, slant = float(rng.uniform(0.12, 0.22)) * size, float(rng.uniform(0.4, 1.1))
    along = (u - slant * v.abs() - 0.2 / size * v * v) / step + side
    twigs = _line((torch.remainder(along, 1.0) - 0.5) * step, 0.08 + 0.008 * size)
    twigs = twigs * (1 - 0.6 * (v.abs() / half.clamp_min(0.1)).clamp(0, 1))
    return _veined(
        u, v, rng, size, palette, inside=torch.maximum(inside, stalk), ribs=ribs, twigs=twigs
    )  # fmt: skip


def _palmate(u: Tensor, v: Tensor, rng: Generator, size: float, palette: Palette) -> Bit:
    """Five pointed lobes round the stalk, as in maple; ``size`` is the length of the largest."""
    rho, turn = torch.hypot(u, v), torch.atan2(v, u)
    lobe = torch.sin(2.5 * turn).abs()
    notch = float(rng.uniform(0.3, 0.6))
    reach = size * (notch + (1 - notch) * (1 - lobe) ** float(rng.uniform(0.6, 1.1)))
    reach = reach * (0.8 + 0.2 * torch.cos(turn)) * (1 + 0.06 * torch.sin(float(rng.integers(17, 30)) * turn))
    inside = 0.7 * (reach - rho)
    stalk = torch.minimum(
        float(rng.uniform(0.2, 0.4)) - v.abs(), torch.minimum(-u, u + size * float(rng.uniform(0.5, 1.1)))
    )
    if rng.uniform() < 0.3:
        inside = _torn(inside, u, v, rng, size)
    off = torch.asin(lobe.clamp(0, 0.999)) / 2.5 * rho  # to the nearest rib
    ribs = _line(off, 0.15 + 0.015 * size)
    step = float(rng.uniform(0.1, 0.2)) * size
    along = (rho - 0.9 * off) / step
    twigs = _line((torch.remainder(along, 1.0) - 0.5) * step, 0.08 + 0.008 * size) * (rho > 0.5 * step)
    return _veined(
        u, v, rng, size, palette, inside=torch.maximum(inside, stalk), ribs=ribs, twigs=twigs
    )  # fmt: skip


def _blade(u: Tensor, v: Tensor, rng: Generator, size: float, palette: Palette) -> Bit:
    """A blade of grass, bent, with veins along it; ``size`` is half of its length."""
    v = v - float(rng.normal(0, 0.25)) / size * u * u
    wide = float(rng.uniform(0.7, 3.0))
    s = (0.5 + 0.5 * u / size).clamp(0, 1)
    half = wide * (1 - s ** float(rng.uniform(1.5, 5.0)))
    inside = torch.minimum(half - v.abs(), size - u.abs())
    main, second = palette.pair(rng, LEAVES)
    veins = torch.cos(v * (6.283 / (wide * float(rng.uniform(0.25, 0.5)))))
    change = float(rng.uniform(0.03, 0.15)) * veins + 0.06 * _rough(0.15 * u, v, rng, 3, 6.0)
    share = torch.sigmoid((_rough(0.4 * u, v, rng, 7, 30.0) - float(rng.uniform(-0.5, 2.0))) * 3)
    change = change + float(rng.normal(0, 0.25)) * _line(v, 0.15 * wide)
    height = float(rng.normal(0, 0.5)) * v.abs() + 0.03 * veins
    return Bit(inside, height, _painted(main, second, share, change), float(rng.uniform(0, 0.6)))


def _chip(u: Tensor, v: Tensor, rng: Generator, size: float, palette: Palette) -> Bit:
    """A splinter of wood or a flake of bark with its grain; ``size`` is half of its length."""
    wide, thick = size * float(rng.uniform(0.2, 0.7)), float(rng.uniform(0.4, 2.0))
    inside = wide * float(rng.uniform(0.8, 1.0)) - v.abs()
    for side in (0.0, np.pi, *rng.choice([0.0, np.pi], int(rng.integers(0, 3)))):
        turn = float(side + np.clip(rng.normal(0, 0.4), -0.6, 0.6))
        inside = torch.minimum(
            inside, size * float(rng.uniform(0.6, 1.0)) - u * float(np.cos(turn)) - v * float(np.sin(turn))
        )
    inside = inside + float(rng.uniform(0.02, 0.1)) * wide * _rough(0.4 * u, v, rng, 1, 14.0)
    grain = _rough(0.12 * u, v, rng, 3, float(rng.uniform(6, 20)))
    main, second = palette.pair(rng, CHIPS)
    furrows = torch.sigmoid((_rough(0.3 * u, v, rng, 2, 14.0) - float(rng.uniform(0.3, 2.0))) * 4)
    height = torch.minimum(1.5 * inside, torch.full_like(inside, thick)) + 0.04 * grain - 0.3 * furrows
    change = float(rng.uniform(0.06, 0.3)) * grain - 0.7 * furrows
    share = torch.sigmoid((_rough(u, v, rng, 7, 30.0) - 1.0) * 3)
    return Bit(inside, height, _painted(main, second, share, change), float(rng.uniform(0, 0.2)))


def _clod(u: Tensor, v: Tensor, rng: Generator, size: float, palette: Palette) -> Bit:
    """A lump of soil with crumbs round it; ``size`` is its radius."""
    turn, rho = torch.atan2(v, u), torch.hypot(u, v * float(rng.uniform(1.0, 1.6)))
    reach = size * (1 + 0.12 * sum(torch.sin(k * turn + float(rng.uniform(0, 6.3))) / k for k in (2, 3, 5)))
    grit = _rough(u, v, rng, 2, float(rng.uniform(8, 16)))
    lump = reach - rho + 0.06 * size * grit
    crumbs = torch.minimum((_rough(u, v, rng, 2, 16.0) - 1.9) * 0.8, 1.5 * size - rho)
    main, second = palette.pair(rng, SOILS)
    dome = torch.sqrt(lump.clamp_min(0) * size) * float(rng.uniform(0.3, 0.7))
    height = dome + 0.2 * grit + 0.03 * _rough(u, v, rng, 3, 10.0) + crumbs.clamp_min(0)
    share = torch.sigmoid((_rough(u, v, rng, 2, 10.0) - 0.8) * 4)
    change = 0.2 * grit - 0.25 * torch.sigmoid(-3 * lump)
    return Bit(torch.maximum(lump, crumbs), height, _painted(main, second, share, change), 0.05)


def _smear(u: Tensor, v: Tensor, rng: Generator, size: float, palette: Palette) -> Bit:
    """Blood or mud too thick to see through, drawn out one way; ``size`` is half of its length."""
    wide = size * float(rng.uniform(0.3, 0.8))
    body = (1 - (u / size) ** 2 - (v / wide) ** 2) * 0.5 * wide
    streaks = _rough(0.35 * u, v, rng, 1, float(rng.uniform(12, 30)))
    inside = body + float(rng.uniform(0.1, 0.35)) * wide * streaks - 0.1 * wide
    main, second = palette.pair(rng, SMEARS)
    thick = float(rng.uniform(0.1, 0.6))
    height = thick * torch.tanh(inside.clamp_min(0) * 2) + 0.15 * thick * _rough(u, v, rng, 3, 10.0)
    share = torch.sigmoid((0.2 * wide - inside) * 3) * float(rng.uniform(0, 0.8))
    return Bit(
        inside, height, _painted(main, second, share, 0.12 * streaks), float(rng.choice([0.0, 0.3, 1.0]))
    )


def _scrap(u: Tensor, v: Tensor, rng: Generator, size: float, palette: Palette) -> Bit:
    """The corner of a label or a torn scrap of paper, with rows of something printed; no letters."""
    wide = size * float(rng.uniform(0.4, 1.0))
    inside = torch.minimum(size - u.abs(), wide - v.abs())
    if rng.uniform() < 0.5:
        inside = _torn(inside, u, v, rng, size)
    main, second = palette.pair(rng, PAPERS)
    line = float(rng.uniform(2.0, 6.0))
    row = torch.floor(v / line)
    words = torch.sin(u * (6.283 / (2.2 * line)) + 37.0 * row) + torch.sin(
        u * (6.283 / (0.9 * line)) + 11.0 * row
    )
    strokes = (_rough(u, 2 * v, rng, 4, 3.0 * line) > 0.1) & (torch.remainder(v / line, 1.0) < 0.45)
    ink = (strokes & (words > -0.6) & (inside > 0.1 * size)).float() * float(rng.choice([0.0, 0.9]))
    crease = (
        u * float(np.cos(a := rng.uniform(0, 3.1))) + v * float(np.sin(a)) - float(rng.normal(0, 0.3)) * size
    )
    height = float(rng.normal(0, 0.15)) * crease.abs() + float(rng.normal(0, 0.1)) / size * u * u
    stain = torch.sigmoid((_rough(u, v, rng, 7, 40.0) - float(rng.uniform(0.3, 3.0))) * 3)
    change = 0.03 * _rough(u, v, rng, 4, 6.0) - 3.0 * ink
    return Bit(inside, height, _painted(main, second, stain, change), float(rng.uniform(0, 0.3)))


KINDS: dict[str, tuple[Maker, tuple[float, float], float]] = {
    "leaf": (_leaf, (5.0, 30.0), 0.4),
    "palmate": (_palmate, (7.0, 28.0), 0.12),
    "blade": (_blade, (8.0, 40.0), 0.1),
    "chip": (_chip, (3.0, 16.0), 0.12),
    "clod": (_clod, (1.5, 8.0), 0.1),
    "smear": (_smear, (3.0, 14.0), 0.08),
    "scrap": (_scrap, (6.0, 26.0), 0.08),
}
"""What draws each kind, its range of sizes [mm] and its share of all."""
