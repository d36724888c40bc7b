"""Laying a second body into a finished picture: what of it is nearer to the camera, its light, its shadow."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from crestgauge.synthetic_data.camera import Camera, Hits, march
from crestgauge.synthetic_data.ground import Ground
from crestgauge.synthetic_data.phone import blur
from crestgauge.synthetic_data.rims import Rims
from crestgauge.synthetic_data.second import Second, body_points
from crestgauge.synthetic_data.shading import Light, Surface, lit, surface
from crestgauge.synthetic_data.tones import Colour

SHADOW_MM = 14.0
"""Room round a second body within which its shadow is drawn; it fades out over that."""
SOFT_SHARE = 0.5
SOFT_MM = (0.04, 0.4)
"""How often, and how far (sigma), a second body is out of focus."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Around:
    """
    What the first picture was drawn with: light, and generators as they stood before its colours and before
    its light, so that a second row of the same animal gets the same.
    """

    ground: Ground
    lights: list[Light]
    sky: Colour
    strength: float
    rims: Rims
    stain: str
    pixel_mm: float
    colours: tuple[Generator, Generator]
    shading: Generator


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """
    A second body in the picture.

    second, camera : what lies there, and the picture's camera in its frame
    over : bool (H, W), where it is what the picture shows
    material, tooth, lingual : uint8 (H, W), 0 elsewhere
    tilt : (2, H, W), view vector in its own frame, 0 elsewhere
    depth : (H, W), distance along the line of sight, infinite elsewhere [mm]
    """

    second: Second
    camera: Camera
    over: Tensor
    material: Tensor
    tooth: Tensor
    lingual: Tensor
    tilt: Tensor
    depth: Tensor


@dataclass(frozen=True, slots=True, eq=False)
class Before:
    """
    What the picture shows so far: its light (3, H, W), how far everything is (H, W) [mm], and where it is a
    body (bool), not the ground.
    """

    light: Tensor
    depth: Tensor
    body: Tensor

    def then(self, light: Tensor, shown: Shown) -> Before:
        """The same with one body more."""
        return Before(light, torch.minimum(self.depth, shown.depth), self.body | shown.over)


def depths(hits: Hits, camera: Camera) -> Tensor:
    """Distance of hits along the camera's axis, (N,). [mm]"""
    forward = torch.as_tensor(camera.forward, dtype=hits.point.dtype, device=hits.point.device)
    return hits.point @ forward - float(camera.position @ camera.forward)


def view_vectors(camera: Camera, direction: Tensor) -> tuple[Tensor, Tensor]:
    """(vx, vy) of every ray direction (N, 3), see TILT in `crestgauge.model.labels`."""
    right, down = camera.view_axes()
    towards = -direction
    vx = towards[:, 0] * float(right[0]) + towards[:, 1] * float(right[1])
    vy = towards[:, 0] * float(down[0]) + towards[:, 1] * float(down[1])
    return vx, vy


def _window(second: Second, camera: Camera, pixel_mm: float) -> tuple[int, int, int, int] | None:
    """Part of the picture (x0, y0, x1, y1) that a body and its shadow may fill; None for none of it."""
    points = second.place.out(body_points(second.bone).double().cpu().numpy())
    ahead = (points - camera.position) @ camera.forward > 10.0
    if not ahead.any():
        return None
    pixels = camera.project(points[ahead])
    margin = SHADOW_MM / pixel_mm
    x0, y0 = (max(int(v), 0) for v in np.floor(pixels.min(axis=0) - margin))
    x1, y1 = (int(v) + 1 for v in np.ceil(pixels.max(axis=0) + margin))
    x1, y1 = min(x1, camera.width), min(y1, camera.height)
    return (x0, y0, x1, y1) if x1 - x0 > 1 and y1 - y0 > 1 else None


def _fading(height: int, width: int, margin: float, device: torch.device) -> Tensor:
    """1 inside a window (H, W), falling to 0 at its border."""

    def ramp(n: int) -> Tensor:
        at = torch.arange(n, device=device, dtype=torch.float32)
        return (torch.minimum(at, n - 1 - at) / margin).clamp(0, 1)

    return torch.minimum(ramp(height)[:, None], ramp(width)[None, :])


def _merged(over: Tensor, mine: Surface, first: Surface, second: Second) -> Surface:
    """Surfaces (N) of a window: the second body's where it is seen, else the first picture's in its frame."""

    def pick(a: Tensor, b: Tensor) -> Tensor:
        return torch.where(over[:, None] if a.ndim == 2 else over, a, b)

    return Surface(
        material=pick(mine.material, first.material),
        tooth=mine.tooth,
        lobe=mine.lobe,
        lingual=mine.lingual,
        colour=pick(mine.colour, first.colour),
        gloss=pick(mine.gloss, first.gloss),
        normal=pick(mine.normal, second.place.rotated(first.normal)),
    )


def lay_second(
    before: Before, hits: Hits, what: Surface, camera: Camera, second: Second, around: Around
) -> tuple[Tensor, Shown] | None:
    """
    The picture with a second body in it.

    Parameters
    ----------
    before : Before
    hits, what : Hits, Surface
        What the picture showed without any second body.
    camera : Camera
    second : Second
    around : Around

    Returns
    -------
    (Tensor, Shown) or None
        None where nothing of it is seen.
    """
    window = _window(second, camera, around.pixel_mm)
    if window is None:
        return None
    x0, y0, x1, y1 = window
    light, device, size = before.light, before.light.device, (camera.height, camera.width)
    part = (slice(y0, y1), slice(x0, x1))
    index = torch.arange(size[0] * size[1], device=device).view(size)[part].reshape(-1)
    own = second.place.camera(camera)
    cut = Camera(
        position=own.position,
        right=own.right,
        down=own.down,
        forward=own.forward,
        focal_px=own.focal_px,
        centre=(own.centre[0] - x0, own.centre[1] - y0),
        width=x1 - x0,
        height=y1 - y0,
        mirror=own.mirror,
    )
    ground = second.place.ground(around.ground)
    mine = march(cut, second.crowns, second.bone, ground=ground, device=device)
    depth = depths(mine, cut)
    over = mine.on_jaw & (depth < before.depth[part].reshape(-1))
    if not bool(over.any()):
        return None
    rng = np.random.default_rng(second.seed)
    colours = (rng, rng.spawn(1)[0]) if second.stain else deepcopy(around.colours)
    looks = surface(
        mine,
        second.crowns,
        second.bone,
        what.colour[index],
        *colours,
        ground=ground,
        rims=around.rims,
        stain=second.stain or around.stain,
        fleshy=second.fleshy,
        pixel_mm=around.pixel_mm,
        gum_z=second.jaw.gum_z,
    )
    all_hits = Hits(
        point=torch.where(over[:, None], mine.point, second.place.into(hits.point[index])),
        direction=mine.direction,
        on_jaw=over,
        on_crown=over & mine.on_crown,
    )
    shone = lit(
        all_hits,
        _merged(over, looks, _taken(what, index), second),
        second.crowns,
        second.bone,
        [second.place.light(lamp) for lamp in around.lights],
        around.sky,
        around.strength,
        deepcopy(around.shading),
        up=ground.normal,
    ).T.reshape(3, y1 - y0, x1 - x0)
    seen = over.view(y1 - y0, x1 - x0)
    picture = light.clone()
    here = (slice(None), *part)
    fading = _fading(y1 - y0, x1 - x0, SHADOW_MM / around.pixel_mm, device)
    on_ground = ~before.body[part]
    shaded = torch.minimum(light[here], shone)
    under = light[here] + fading * on_ground * (shaded - light[here])
    picture[here] = _laid(seen, shone, under, around.pixel_mm, rng)
    return picture, _labels(size, part, over, looks, mine, depth, own, second)


def _laid(seen: Tensor, shone: Tensor, under: Tensor, pixel_mm: float, rng: Generator) -> Tensor:
    """Light (3, h, w) of a body over what lies under it, in focus or not."""
    mask = seen.to(shone.dtype)[None]
    if rng.uniform() >= SOFT_SHARE:
        return torch.where(seen, shone, under)
    sigma = float(np.exp(rng.uniform(*np.log(SOFT_MM)))) / pixel_mm
    both = blur(torch.cat((shone * mask, mask)), sigma)
    return torch.where(seen, both[:3] / both[3:].clamp_min(1e-3), under)


def _taken(what: Surface, index: Tensor) -> Surface:
    """Surface at some of its places."""
    return Surface(
        material=what.material[index],
        tooth=what.tooth[index],
        lobe=what.lobe[index],
        lingual=what.lingual[index],
        colour=what.colour[index],
        gloss=what.gloss[index],
        normal=what.normal[index],
    )


def _labels(
    size: tuple[int, int],
    part: tuple[slice, slice],
    over: Tensor,
    looks: Surface,
    mine: Hits,
    depth: Tensor,
    own: Camera,
    second: Second,
) -> Shown:
    device = over.device
    height, width = part[0].stop - part[0].start, part[1].stop - part[1].start

    def whole(values: Tensor, kind: torch.dtype) -> Tensor:
        out = torch.zeros(size, dtype=kind, device=device)
        out[part] = torch.where(over, values, torch.zeros_like(values)).view(height, width).to(kind)
        return out

    far = torch.full(size, torch.inf, device=device)
    far[part] = torch.where(over, depth, torch.full_like(depth, torch.inf)).view(height, width)
    vx, vy = view_vectors(own, mine.direction)
    return Shown(
        second=second,
        camera=own,
        over=whole(over, torch.bool),
        material=whole(looks.material, torch.uint8),
        tooth=whole(looks.tooth, torch.uint8),
        lingual=whole(looks.lingual, torch.uint8),
        tilt=torch.stack((whole(vx, torch.float32), whole(vy, torch.float32))),
        depth=far,
    )
