"""
The two-surface wear model.

A crown is two height fields over the plane of the row: the outer enamel surface z_o, and the enamel-dentine
junction z_e, which is z_o eroded by a ball whose radius is the thickness of the enamel. Wear is a third
surface w. The worn crown is min(z_o, w): where w lies below z_e there is dentine, where it lies between z_e
and z_o there is cut enamel, and where z_o stays below w between the ridges there is infundibulum. Nothing is
painted: bands, their widening and the loss of the infundibulum follow from the depth of w.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from crestgauge.synthetic_data import ridges
from crestgauge.synthetic_data.anatomy import Jaw, Tooth
from crestgauge.synthetic_data.chips import broken_surface
from crestgauge.synthetic_data.flare import END_SLOPE, most_height, standing_walls
from crestgauge.synthetic_data.islands import lay_islands
from crestgauge.synthetic_data.pulp import pulp_fields
from crestgauge.synthetic_data.ridges import CREST_EDGE_MM, evened, lobe_fields, merge_lobes

MARGIN_MM = (5.0, 8.5)  # beyond the row's ends, and to each side of its middle
FAR_BELOW = ridges.FAR_BELOW
LOWEST_WALL = -15.0
NECK_MM = 1.5
"""So far below the gum line a crown ends; a flank that ran on would come out beside a narrow bone."""
PACKED_SHARE = 0.35
"""
Share of animals with food in their infundibula: common in Odocoileus (Cowan, quoted by Miles & Grigson 1989);
the number is ours.
"""
CHIP_NECK_MM = 1.0
"""No flake reaches further below the gum line."""
LARGEST_RELIEF_MM = 2.5


@dataclass(frozen=True, slots=True)
class Grid:
    """
    Regular grid of the jaw frame: node (row i, col j) lies at (x0 + j / px_per_mm, y0 + i / px_per_mm). [mm]
    """

    x0: float
    y0: float
    px_per_mm: float
    width: int
    height: int

    def nodes(self, device: torch.device) -> tuple[Tensor, Tensor]:
        x = self.x0 + torch.arange(self.width, device=device, dtype=torch.float32) / self.px_per_mm
        y = self.y0 + torch.arange(self.height, device=device, dtype=torch.float32) / self.px_per_mm
        over, down = torch.meshgrid(x, y, indexing="xy")
        return over, down

    def to_unit(self, x: Tensor, y: Tensor) -> Tensor:
        """Coordinates for `torch.nn.functional.grid_sample` with ``align_corners=True``, shape (..., 2)."""
        u = (x - self.x0) * (2.0 * self.px_per_mm / (self.width - 1)) - 1.0
        v = (y - self.y0) * (2.0 * self.px_per_mm / (self.height - 1)) - 1.0
        return torch.stack((u, v), dim=-1)


@dataclass(frozen=True, slots=True, eq=False)
class CrownFields:
    """
    Fields of one row of teeth on one grid, all (H, W) float32 on one device, lengths in mm.

    surface : worn surface the eye sees; -60 where there is no tooth
    outer   : z_o - w, above 0 where wear has cut the enamel
    inner   : z_e - w, above 0 where dentine lies open
    fossa   : above 0 inside an open infundibulum
    lingual : below 0 on the tongue side of the lobe's middle line
    outer_edge, inner_edge : outer and inner divided by their slope: distance to the edge in the plane
    tooth, lobe : owner of the node, 0 where there is none
    packed : food fills the infundibula some way up
    chip : how much higher the surface was before flakes broke off; None where none did
    pulp : above 0 where filled or open pulp is cut, about the distance inside it; None where none is
    within : distance inside the ridges round a hollow, below 0 on their outer side; None without crowns
    worn : height that wear has reached, off the crowns' outlines, too; None without crowns
    """

    grid: Grid
    surface: Tensor
    outer: Tensor
    inner: Tensor
    fossa: Tensor
    lingual: Tensor
    outer_edge: Tensor
    inner_edge: Tensor
    tooth: Tensor
    lobe: Tensor
    packed: bool = False
    chip: Tensor | None = None
    pulp: Tensor | None = None
    within: Tensor | None = None
    worn: Tensor | None = None


def erode_by_ball(z: Tensor, radius_mm: Tensor, px_per_mm: float) -> Tensor:
    """
    Grey-scale erosion of height fields by a ball.

    Parameters
    ----------
    z : Tensor, shape (N, H, W)
        Heights. [mm]
    radius_mm : Tensor, shape (N,)
        Radius of the ball for each field. [mm]
    px_per_mm : float

    Returns
    -------
    Tensor, shape (N, H, W)
        Heights of the points that lie a full radius below the surface in every direction. [mm]
    """
    reach = int(torch.ceil(radius_mm.max() * px_per_mm).item())
    step = np.arange(-reach, reach + 1) / px_per_mm
    square = step[:, None] ** 2 + step[None, :] ** 2
    radii = radius_mm.double().cpu().numpy()
    padded = F.pad(z[:, None], (reach,) * 4, mode="replicate")[:, 0]
    height, width = z.shape[1:]
    out = torch.full_like(z, torch.inf)
    # One pass over the offsets under the largest ball, both operations in place: no window is ever
    # materialised.
    offsets = [(i, j) for i in range(len(step)) for j in range(len(step)) if square[i, j] <= radii.max() ** 2]
    caps = np.array(
        [
            np.sqrt(np.clip(radii**2 - square[i, j], 0, None)) - 1e4 * (radii**2 < square[i, j])
            for i, j in offsets
        ]
    )
    caps_there = torch.as_tensor(caps, dtype=z.dtype, device=z.device)
    for (i, j), cap in zip(offsets, caps_there, strict=True):
        torch.minimum(out, padded[:, i : i + height, j : j + width] - cap[:, None, None], out=out)
    return out


def _stack_shape(stack: Tensor) -> tuple[int, int, int]:
    count, height, width = stack.shape
    return count, height, width


def _smooth_noise(
    shape: tuple[int, int, int], cells: tuple[int, int], generator: torch.Generator, device: torch.device
) -> Tensor:
    coarse = torch.randn((shape[0], 1, *cells), generator=generator).to(device)
    return F.interpolate(coarse, size=shape[1:], mode="bicubic", align_corners=True)[:, 0]


def _slope(field: Tensor, px_per_mm: float) -> Tensor:
    dy, dx = torch.gradient(field, spacing=1.0 / px_per_mm)
    return torch.sqrt(dx * dx + dy * dy).clamp_min(0.25)


def row_grid(jaw: Jaw, px_per_mm: float) -> Grid:
    """
    Grid that covers the row with its margins, nodes on multiples of the pitch so that lobe patches fit
    without resampling.
    """
    mx, my = MARGIN_MM
    return Grid(
        -mx,
        -my - 1.0,
        px_per_mm,
        int((jaw.row_mm + 2 * mx) * px_per_mm) + 1,
        int(2 * (my + 1.0) * px_per_mm) + 1,
    )


def crown_fields(jaw: Jaw, *, px_per_mm: float, seed: int, device: torch.device) -> CrownFields:
    """
    Worn crowns of one jaw.

    Parameters
    ----------
    jaw : Jaw
        With its bow applied (`crestgauge.synthetic_data.anatomy.bowed`).
    px_per_mm : float
        Pitch of the grid; 14 keeps the enamel at 6 to 12 nodes.
    seed : int
        Of the small irregularities of enamel thickness and wear surface.
    device : torch.device
        The same code runs on CPU and GPU.
    """
    teeth = [tooth for tooth in jaw.teeth if tooth.lobes]
    grid = row_grid(jaw, px_per_mm)
    generator = torch.Generator().manual_seed(seed)
    patch = merge_lobes(jaw, grid, lobe_fields(jaw, px_per_mm, device), teeth)
    x, y, shape = patch.x, patch.y, _stack_shape(patch.z)

    def column(values: list[float]) -> Tensor:
        return torch.tensor(values, dtype=torch.float32, device=device)[:, None, None]

    xc, half_length = column([t.x0 + 0.5 * t.length for t in teeth]), column([0.5 * t.length for t in teeth])
    # Neighbours wear each other flat where they touch: a crown ends at its own stretch of the row.
    across = (
        ((y - column([t.y for t in teeth])) / column([0.5 * t.width for t in teeth])).abs().clamp_max(1.3)
    )
    ahead = x - xc
    if any(t.turn for t in teeth):
        c, s = column([np.cos(t.turn) for t in teeth]), column([np.sin(t.turn) for t in teeth])
        aside_mm = y - column([t.y for t in teeth])
        ahead, across = (
            c * ahead + s * aside_mm,
            ((c * aside_mm - s * ahead) / column([0.5 * t.width for t in teeth])).abs().clamp_max(1.3),
        )
    beyond = (ahead.abs() - half_length * (1.0 - 0.09 * across**3) + 0.12).clamp_min(0)
    z_o = (patch.z - END_SLOPE * beyond).clamp_min(FAR_BELOW)
    for px, py, radius, depth in jaw.pits:
        z_o = z_o - depth * torch.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * radius**2))
    z_e = _junction(z_o, patch.inside, teeth, px_per_mm, generator)
    w = _wear_surface(teeth, x, y, patch.level, generator)
    outer, inner = z_o - w, z_e - w
    fossa = torch.minimum(patch.inside, torch.minimum(w, patch.level) - z_o)
    walls = standing_walls(jaw, teeth, patch, w, (ahead, beyond))
    most = most_height(teeth, patch, walls)
    chip = None
    if jaw.chips:
        broken = broken_surface(jaw.chips, teeth, x, y, outer, w, px_per_mm).clamp_min(
            jaw.gum_z - CHIP_NECK_MM
        )
        whole = torch.minimum(z_o, w)
        whole = torch.where((outer <= 0) & (fossa <= 0), torch.minimum(whole, most), whole)
        chip = (whole - broken).clamp_min(0)
        z_o = torch.minimum(z_o, broken)
        outer, inner = z_o - w, z_e - torch.minimum(w, broken)
        walls = None if walls is None else torch.minimum(walls, broken)
    sink = float(torch.rand((), generator=generator)) * 0.2 + 0.03
    hollow = None
    if jaw.islands:
        outer, inner, fossa, hollow = lay_islands(jaw.islands, x, y, w, outer, inner, fossa)
    surface = torch.minimum(z_o, w) - sink * torch.clamp(inner / 0.35, 0, 1)
    surface = surface if hollow is None else surface - hollow
    packed = float(torch.rand((), generator=generator)) < PACKED_SHARE
    if packed:  # food up to some way below the crests; the infundibulum is still what it is
        below = 0.15 + 2.2 * float(torch.rand((), generator=generator)) ** 2
        lumps = 0.15 * _smooth_noise(shape, (40, 44), generator, device)
        food = torch.minimum(w, patch.level) - below + lumps.clamp_max(0.1)
        surface = torch.where(fossa > 0, torch.maximum(surface, torch.minimum(food, w)), surface)
    positions = torch.tensor([t.position for t in teeth], dtype=torch.uint8, device=device)[
        :, None, None
    ].expand(shape)
    parts = {
        "surface": surface,
        "outer": outer,
        "inner": inner,
        "fossa": fossa,
        "lingual": patch.lingual,
        "tooth": positions,
        "lobe": patch.lobe,
        "within": patch.inside,
        "worn": w,
    }
    if chip is not None:
        parts["chip"] = chip
    wall = (outer <= 0) & (fossa <= 0)
    parts["surface"] = surface = torch.where(wall, torch.minimum(surface, most), surface)
    fill = {"surface": FAR_BELOW, "outer": FAR_BELOW, "inner": FAR_BELOW, "fossa": -1.0, "within": -1.0}
    row = {
        name: torch.full((grid.height, grid.width), fill.get(name, 0), dtype=part.dtype, device=device)
        for name, part in parts.items()
    }
    for k, left in enumerate(patch.left):
        at = (slice(None), slice(left, left + shape[2]))
        higher = surface[k] > row["surface"][at]
        for name, part in parts.items():
            row[name][at] = torch.where(higher, part[k], row[name][at])
    if walls is not None:  # after all worn faces and hollows, so that none is lost under a neighbour's wall
        parts["surface"] = walls
        for k, left in enumerate(patch.left):
            at = (slice(None), slice(left, left + shape[2]))
            free = (row["outer"][at] <= 0) & (row["fossa"][at] <= 0)
            higher = (walls[k] > row["surface"][at]) & free
            for name, part in parts.items():
                row[name][at] = torch.where(higher, part[k], row[name][at])
    # Walls end below any gum line; past the grid's rim there is no tooth (sampling repeats border nodes).
    rim = torch.zeros_like(row["surface"], dtype=torch.bool)
    rim[[0, -1]], rim[:, [0, -1]] = True, True
    lowest = row["surface"].new_tensor(max(LOWEST_WALL, jaw.gum_z - NECK_MM))
    low = row["surface"] < lowest
    gone = (low & (row["fossa"] <= 0)) | (row["surface"] < LOWEST_WALL) | rim
    row["surface"] = torch.where(gone, torch.full_like(row["surface"], FAR_BELOW), row["surface"])
    pulp = None
    if jaw.horns:
        pulp, pit = pulp_fields(jaw.horns, teeth, grid, row["inner"], row["tooth"])
        row["surface"] = torch.maximum(row["surface"] - pit, torch.minimum(row["surface"], lowest))
    return CrownFields(
        grid=grid,
        **row,
        pulp=pulp,
        packed=packed,
        outer_edge=row["outer"] / _slope(row["outer"], px_per_mm),
        inner_edge=row["inner"] / _slope(row["inner"], px_per_mm),
    )


def _junction(
    z_o: Tensor, inside: Tensor, teeth: list[Tooth], px_per_mm: float, generator: torch.Generator
) -> Tensor:
    """
    Enamel-dentine junction: z_o eroded by a thick ball outside and a thinner one towards the infundibulum.
    """
    radii = torch.tensor([[t.enamel_mm[0] for t in teeth], [t.enamel_mm[1] for t in teeth]])
    eroded = erode_by_ball(torch.cat((z_o, z_o)), radii.flatten(), px_per_mm).view(2, *z_o.shape)
    share = torch.sigmoid(
        inside / 0.4 + 0.5 * _smooth_noise(_stack_shape(z_o), (6, 8), generator, z_o.device)
    )
    return eroded[0] + share * (eroded[1] - eroded[0])


def _wear_surface(
    teeth: list[Tooth], x: Tensor, y: Tensor, level: Tensor, generator: torch.Generator
) -> Tensor:
    """
    Height of the wear surface over each tooth's patch: tilted, hollowed, slightly wavy, or broken off. [mm]
    """
    device = x.device

    def column(values: list[float]) -> Tensor:
        return torch.tensor(values, dtype=torch.float32, device=device)[:, None, None]

    shape = (len(teeth), y.shape[1], x.shape[2])
    tips = column([max(lobe.tip_z for lobe in t.lobes) for t in teeth])
    xc, yl = column([t.x0 + 0.5 * t.length for t in teeth]), column([t.y - 0.28 * t.width for t in teeth])
    yc, half = column([t.y for t in teeth]), column([0.5 * t.width for t in teeth])
    w = tips - column([t.wear_mm for t in teeth]) + column([t.wear_slope[0] for t in teeth]) * (x - xc)
    w = w + column([t.wear_slope[1] for t in teeth]) * (y - yl)
    if any(t.relief for t in teeth):
        own = (level + (CREST_EDGE_MM - tips)).clamp(-LARGEST_RELIEF_MM, 0)
        w = w + column([t.relief for t in teeth]) * evened(own)
    w = w - column([t.dish_mm for t in teeth]) * (1 - ((y - yc) / half) ** 2).clamp_min(0)
    w = w + 0.05 * _smooth_noise(shape, (10, 12), generator, device)
    if any(t.fracture for t in teeth):
        rough = _smooth_noise(shape, (24, 32), generator, device)
        cut = [t.fracture or (60.0, 0.0, 0.0, 0.0) for t in teeth]
        plane = (
            tips
            + column([c[0] for c in cut])
            + column([c[1] for c in cut]) * (x - xc)
            + column([c[2] for c in cut]) * (y - yc)
        )
        w = torch.minimum(w, plane + column([c[3] for c in cut]) * rough)
    return w
