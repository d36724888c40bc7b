"""
Soft parts of a head round a row: flesh, tongue, lip and hide, all of them background to the labels.

The two sides mirror each other in the middle plane of the jaw. Sizes, places and colours are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from crestgauge.synthetic_data.anatomy import Jaw
from crestgauge.synthetic_data.jaw import JawFields, blurred
from crestgauge.synthetic_data.mandible import Coats
from crestgauge.synthetic_data.overlays import HAIRS
from crestgauge.synthetic_data.second import Place, Second, row_middle
from crestgauge.synthetic_data.textures import noise_bank, tile
from crestgauge.synthetic_data.tones import Colour, pick, varied
from crestgauge.synthetic_data.wear import FAR_BELOW, CrownFields, Grid

PITCH_PER_MM = 2.0
FRONT_MM, BACK_MM, CHEEK_MM = 75.0, 55.0, 55.0
TONGUE_SHARE, CHEEK_SHARE = 0.75, 0.85
CLEAR_MM = 7.5
"""Nothing soft stands higher than the gum this near to the middle of a row."""

TONGUE: list[Colour] = [(0.50, 0.20, 0.18), (0.42, 0.30, 0.28), (0.20, 0.08, 0.08), (0.60, 0.42, 0.38)]
FLESH: list[Colour] = [(0.45, 0.10, 0.09), (0.55, 0.25, 0.22), (0.30, 0.06, 0.05), (0.40, 0.33, 0.30)]
LIP: list[Colour] = [(0.03, 0.025, 0.025), (0.10, 0.07, 0.07), (0.45, 0.24, 0.22), (0.55, 0.45, 0.40)]
HIDE: list[Colour] = [*HAIRS, (0.28, 0.19, 0.11), (0.25, 0.22, 0.19), (0.16, 0.12, 0.08)]


@dataclass(frozen=True, slots=True, eq=False)
class _Lie:
    """Grid of the soft parts: along and across the nearer row (tongue below 0), off the middle plane. [mm]"""

    x: Tensor
    across: Tensor
    off: Tensor
    wave: Tensor
    rough: Tensor


def _lie(grid: Grid, plane: tuple[float, float], rng: Generator, device: torch.device) -> _Lie:
    x, y = grid.nodes(device)
    distance, opened = plane
    nx, ny = float(np.sin(opened)), float(np.cos(opened))
    off = nx * x + ny * (y + distance)
    back = 2.0 * off.clamp_max(0.0)
    bank = noise_bank(str(device))[[0, 2]]
    wave, rough = tile(bank, x / 130 + rng.uniform(), y / 130 + rng.uniform())
    return _Lie(x=x - back * nx, across=y - back * ny, off=off.abs(), wave=wave, rough=rough)


def _fur(lie: _Lie, rng: Generator) -> Tensor:
    """Colour (3, H, W) of hide, its hairs laid one way."""
    bank = noise_bank(str(lie.x.device))[[5, 1]]
    turn, size = float(rng.normal(0.5, 0.4)), float(rng.uniform(25, 70))
    c, s = float(np.cos(turn)), float(np.sin(turn))
    u, v = c * lie.x + s * lie.across, c * lie.across - s * lie.x
    hairs, patches = tile(bank, v / size + rng.uniform(), u / size + rng.uniform())
    tone, other = (_tone(rng, HIDE, lie.x.device) for _ in range(2))
    share = torch.sigmoid(2.0 * patches + float(rng.normal(0, 1.5)))
    return (tone + (other - tone) * share) * torch.exp(float(rng.uniform(0.2, 0.6)) * hairs)


def _tone(rng: Generator, tones: list[Colour], device: torch.device) -> Tensor:
    values = varied(rng, pick(rng, tones), 0.3)
    return torch.as_tensor(values, dtype=torch.float32, device=device)[:, None, None]


def _cheek(lie: _Lie, height: Tensor, paint: Tensor, table: float, rng: Generator) -> tuple[Tensor, Tensor]:
    """Lip and hide on the cheek side, over what lies there so far."""
    edge = CLEAR_MM + rng.uniform(1.5, 9.0) + rng.uniform(0.0, 1.2) * lie.wave
    out = lie.across - edge
    top = table + rng.uniform(-9.0, 0.5) + rng.uniform(0.0, 0.8) * lie.wave
    fall = torch.where(out < 0, -4.0 * out, rng.uniform(0.02, 0.4) * out + rng.uniform(0.0, 0.012) * out**2)
    hide = top - fall + rng.uniform(0.1, 0.5) * lie.rough
    rim = torch.sigmoid((float(rng.uniform(1.0, 7.0)) - out) / 0.5)
    colour = _fur(lie, rng)
    colour = colour + (_tone(rng, LIP, lie.x.device) - colour) * rim
    above = (hide > height) & (lie.across > CLEAR_MM)
    return torch.where(above, hide, height), torch.where(above, colour, paint)


def _tongue(
    lie: _Lie, height: Tensor, paint: Tensor, table: float, long: float, rng: Generator
) -> tuple[Tensor, Tensor]:
    """Tongue along the middle plane."""
    room = (lie.off - lie.across - CLEAR_MM).clamp_min(2.0)  # from the middle to the flank of the row
    tip = -rng.uniform(15.0, 55.0)
    end = ((lie.x - tip) / 14.0).clamp(0, 1) ** 0.5 * (lie.x < long + rng.uniform(5.0, 50.0))
    inside = 1 - (lie.off / (room * float(rng.uniform(0.55, 0.95)) * end.clamp_min(0.05))) ** 4
    body = table + rng.uniform(-8.0, 1.0) - 9.0 * (1 - inside.clamp_min(0) ** 0.4) + 0.3 * lie.rough
    above = (inside > 0) & (body > height) & (lie.across < -CLEAR_MM)
    tone = _tone(rng, TONGUE, lie.x.device) * torch.exp(float(rng.uniform(0.05, 0.25)) * lie.rough)
    return torch.where(above, body, height), torch.where(above, tone, paint)


def soft_parts(rng: Generator, jaw: Jaw, plane: tuple[float, float], device: torch.device) -> Second:
    """
    Soft parts round a row.

    Parameters
    ----------
    rng : numpy Generator
    jaw : Jaw
        The one in the head.
    plane : (float, float)
        Middle plane of the jaw, see `crestgauge.synthetic_data.second.middle_plane`.
    device : torch.device
    """
    far = 2.0 * (plane[0] + (jaw.row_mm + BACK_MM) * float(np.tan(plane[1]))) + CHEEK_MM
    grid = Grid(
        -FRONT_MM,
        -far,
        PITCH_PER_MM,
        int((jaw.row_mm + FRONT_MM + BACK_MM) * PITCH_PER_MM) + 1,
        int((far + CHEEK_MM) * PITCH_PER_MM) + 1,
    )
    lie, table = _lie(grid, plane, rng, device), float(row_middle(jaw)[2])
    height = jaw.gum_z - rng.uniform(1.5, 5.0) + rng.uniform(0.2, 0.8) * lie.wave + 0.2 * lie.rough
    height = height - 0.15 * (lie.across.abs() - CLEAR_MM).clamp_min(0)
    mottled = torch.exp(float(rng.uniform(0.1, 0.4)) * lie.rough + float(rng.uniform(0.0, 0.3)) * lie.wave)
    paint = _tone(rng, FLESH, device) * mottled
    if rng.uniform() < TONGUE_SHARE:
        height, paint = _tongue(lie, height, paint, table, jaw.row_mm, rng)
    if rng.uniform() < CHEEK_SHARE:
        height, paint = _cheek(lie, height, paint, table, rng)
    ragged = 4.0 * lie.wave + 1.5 * lie.rough
    shown = lie.x + ragged > -FRONT_MM + rng.uniform(8.0, 45.0)
    shown &= lie.x + ragged < jaw.row_mm + rng.uniform(10.0, BACK_MM - 8.0)
    shown &= lie.across + ragged < rng.uniform(18.0, CHEEK_MM)
    shown[[0, -1]], shown[:, [0, -1]] = False, False  # sampling repeats the rim
    surface = torch.where(shown, height, torch.full_like(height, FAR_BELOW))
    whole = height.clamp_min(jaw.gum_z - 12.0)
    nothing = torch.zeros_like(height)
    bone = JawFields(
        grid=grid,
        surface=surface,
        around_small=blurred(whole, 1.2, PITCH_PER_MM),
        around_large=blurred(whole, 4.0, PITCH_PER_MM),
        beside=nothing,
        coats=Coats(root=nothing, enamel=nothing),
        paint=paint.clamp(0.004, 0.97),
    )
    return Second(
        kind="head",
        jaw=jaw,
        crowns=_no_crowns(device),
        bone=bone,
        fleshy=True,
        place=Place(turn=np.eye(3), at=np.zeros(3)),
        stain=None,
        seed=int(rng.integers(2**31)),
    )


def _no_crowns(device: torch.device) -> CrownFields:
    """Fields without any crown."""
    below = torch.full((2, 2), FAR_BELOW, device=device)
    nobody = torch.zeros((2, 2), dtype=torch.uint8, device=device)
    return CrownFields(
        grid=Grid(0.0, 0.0, 1.0, 2, 2),
        surface=below,
        outer=below,
        inner=below,
        fossa=torch.full_like(below, -1.0),
        lingual=torch.zeros_like(below),
        outer_edge=below,
        inner_edge=below,
        tooth=nobody,
        lobe=nobody,
    )
