"""
A second row in the picture: the other half of the same jaw, joined or loose, or another animal's.

It is drawn in a frame of its own, with the same wear model, bone and light as the first, and laid into the
picture where it is nearer to the camera. The first row is the one that is photographed: all of its fields,
labels and truths stay what they are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray
from torch import Tensor

from crestgauge.synthetic_data.anatomy import Jaw, bowed, sample_jaw
from crestgauge.synthetic_data.camera import Camera
from crestgauge.synthetic_data.ground import Ground
from crestgauge.synthetic_data.jaw import JawFields, jaw_fields
from crestgauge.synthetic_data.options import SHAPES, STAINS
from crestgauge.synthetic_data.shading import Light
from crestgauge.synthetic_data.wear import CrownFields, crown_fields

Array = NDArray[np.float64]

KINDS: Final = {
    True: {"joined": 0.1, "beside": 0.45, "other": 0.45},
    False: {"joined": 0.4, "beside": 0.3, "other": 0.3},
}
"""
How often a second row is the joined half, the loose half of the same animal, or another animal's, where the
view is narrow and where it is wide: hardly any of a joined half reaches into a narrow one.
"""
GRID_PX_PER_MM: Final = 8.0
"""Nodes per mm of its crowns: nothing is measured on them, and half the pitch costs a fifth."""
HALF_DISTANCE_MM: Final = (9.0, 14.0)
"""From the middle of a jaw to the front of either row; from memory."""
MOST_OPEN_DEG: Final = (3.0, 12.0)
"""Angle between the middle of a jaw and either row; from memory."""
GAP_MM: Final = {True: (-2.5, 3.0), False: (0.5, 40.0)}
"""
Room between two jaws that lie beside each other, where the view is narrow and where it is wide; below 0 one
lies over the other.
"""
BODY_MM: Final = 7.0
"""Half the width of a jaw bone with its teeth."""
LEAST_FACING: Final = 0.4
"""Least cosine between its chewing direction and the line of sight: rays must come down on it."""
CHEEK_UP_SHARE: Final = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """
    Where something lies in the frame of the jaw that is photographed.

    turn : (3, 3), orthogonal; of negative determinant for a jaw of the other side
    at : (3,) [mm]

    A point p of the first frame is ``turn @ (p - at)`` in its own.
    """

    turn: Array
    at: Array

    def into(self, points: Tensor) -> Tensor:
        """Points (N, 3) of the first frame in its own. [mm]"""
        return self.rotated(points - torch.as_tensor(self.at, dtype=points.dtype, device=points.device))

    def rotated(self, directions: Tensor) -> Tensor:
        """Directions (N, 3) of the first frame in its own."""
        turn = torch.as_tensor(self.turn, dtype=directions.dtype, device=directions.device)
        return directions @ turn.T

    def out(self, points: Array) -> Array:
        """Points (N, 3) of its own frame in the first. [mm]"""
        return np.asarray(points @ self.turn + self.at, dtype=np.float64)

    def camera(self, camera: Camera) -> Camera:
        """The same camera, in its frame."""
        return replace(
            camera,
            position=self.turn @ (camera.position - self.at),
            right=self.turn @ camera.right,
            down=self.turn @ camera.down,
            forward=self.turn @ camera.forward,
            mirror=camera.mirror != (float(np.linalg.det(self.turn)) < 0),
        )

    def ground(self, ground: Ground) -> Ground:
        """The same ground, in its frame."""
        return Ground(normal=self.turn @ ground.normal, level=ground.level - float(ground.normal @ self.at))

    def light(self, light: Light) -> Light:
        """The same light, in its frame; a near one is as strong as it was."""
        if light.direction is not None:
            x, y, z = (float(v) for v in self.turn @ np.array(light.direction))
            return replace(light, direction=(x, y, z))
        before = np.array(light.position)
        x, y, z = (float(v) for v in self.turn @ (before - self.at))
        # `shading.lit` takes the colour for that at the frame's origin.
        less = float(before @ before) / max(x * x + y * y + z * z, 1e-6)
        red, green, blue = (float(v * less) for v in light.colour)
        return replace(light, position=(x, y, z), colour=(red, green, blue))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Second:
    """
    A second row and where it lies.

    kind : one of `KINDS`, or "head" for the soft parts of one
    stain : of another animal; None takes the first one's colours
    seed : of what is drawn with it
    """

    kind: str
    jaw: Jaw
    crowns: CrownFields
    bone: JawFields
    fleshy: bool
    place: Place
    stain: str | None
    seed: int


def other_half(jaw: Jaw, rng: Generator) -> Jaw:
    """The other side of the same animal: of one age and build, worn a little more or less, tooth by tooth."""
    more_worn = float(rng.normal(0, 0.12))
    teeth = []
    for tooth in jaw.teeth:
        wear = tooth.wear_mm
        if wear > 0:
            wear = float(np.clip(wear + more_worn + rng.normal(0, 0.1), 0.05, max(wear, -jaw.gum_z - 0.6)))
        lobes = []
        for lobe in tooth.lobes:
            off = rng.normal(0, 0.06, 3)
            lobes.append(
                replace(
                    lobe,
                    x=lobe.x + off[0],
                    y=lobe.y + off[1],
                    ridges=lobe.ridges + off + rng.normal(0, 0.03, lobe.ridges.shape),
                )
            )
        teeth.append(replace(tooth, wear_mm=wear, lobes=tuple(lobes), fracture=None))
    return replace(
        jaw,
        side="left" if jaw.side == "right" else "right",
        teeth=tuple(teeth),
        pits=np.zeros((0, 4)),
    )


def middle_plane(bone: JawFields, rng: Generator) -> tuple[float, float]:
    """
    Upright plane in which the two halves of a jaw meet: how far to the tongue side of the row's front it lies
    [mm], and the angle at which it leaves the row backwards [rad].
    """
    there = bone.surface > -59.0
    x, y = bone.grid.nodes(bone.surface.device)
    columns = there.any(0)
    if not bool(columns.any()):
        return float(np.mean(HALF_DISTANCE_MM)), float(np.deg2rad(np.mean(MOST_OPEN_DEG)))
    front = float(x[0][columns].min()) + 2.0
    column = there[:, int((x[0] - front).abs().argmin())]
    meets = float(y[:, 0][column].min()) + 1.0 if bool(column.any()) else -3.0
    reach = max(-front, 5.0)
    opened = np.arctan2(float(rng.uniform(*HALF_DISTANCE_MM)) + meets, reach)
    opened = float(np.clip(opened, *np.deg2rad(MOST_OPEN_DEG)))
    # Never so near that the rows would stand in each other: bones that end early are not joined any more.
    return max(HALF_DISTANCE_MM[0], reach * float(np.tan(opened)) - meets), opened


def joined_place(distance_mm: float, opened: float) -> Place:
    """Mirror image in the middle plane (see `middle_plane`)."""
    normal = np.array([np.sin(opened), np.cos(opened), 0.0])
    point = np.array([0.0, -distance_mm, 0.0])
    turn = np.eye(3) - 2.0 * np.outer(normal, normal)
    return Place(turn=turn, at=point - turn @ point)


def turned_about(axis: int, angle: float) -> Array:
    """Rotation of vectors about a coordinate axis. [rad]"""
    c, s = float(np.cos(angle)), float(np.sin(angle))
    i, j = [k for k in range(3) if k != axis]
    out = np.eye(3)
    out[i, i], out[i, j], out[j, i], out[j, j] = c, -s, s, c
    return out


def loose_place(
    rng: Generator, *, mirrored: bool, middles: tuple[Array, Array], half_mm: float, sight: Array, near: bool
) -> Place:
    """
    Beside the first jaw, parallel to it or anyhow, level, leaning or with its cheek side up.

    Parameters
    ----------
    mirrored : bool
        A jaw of the other side.
    middles : (ndarray, ndarray), shape (3,) each
        Middles of the first and of this row, each in its own frame. [mm]
    half_mm : float
        Half its length. [mm]
    sight : ndarray, shape (3,)
        Unit vector from the first row to the camera.
    near : bool
        The view is narrow.
    """
    turn = float(rng.choice([0.0, np.pi])) + float(rng.normal(0, np.deg2rad(8.0)))
    if rng.uniform() < (0.15 if near else 0.35):
        turn = float(rng.uniform(0, 2 * np.pi))
    cheek_up = rng.uniform() < CHEEK_UP_SHARE
    lean = float(np.deg2rad(rng.uniform(35.0, 75.0) if cheek_up else rng.normal(0, 6.0)))
    flip = np.diag([1.0, -1.0 if mirrored else 1.0, 1.0])
    spin = turned_about(2, turn) @ flip
    side = float(rng.choice([-1.0, 1.0]))
    body = half_mm * abs(np.sin(turn)) + BODY_MM * abs(np.cos(turn)) * (1.0 + 0.8 * np.sin(lean) ** 2)
    off = BODY_MM + body + float(rng.uniform(*GAP_MM[near]))
    away = np.array([rng.normal(0, 6.0 if near else 14.0), side * off, rng.normal(0, 1.5)])
    # In its own frame y points to the cheek: leaning that way brings the cheek side up, to the camera.
    for share in (1.0, 0.6, 0.3, 0.0):
        whole = turned_about(0, -share * lean) @ spin
        if float((whole @ sight)[2]) > LEAST_FACING:
            break
    return Place(turn=whole, at=middles[0] + away - whole.T @ middles[1])


def row_middle(jaw: Jaw) -> Array:
    """Middle of a row at the height of its chewing surfaces. [mm]"""
    teeth = [t for t in jaw.teeth if t.lobes]
    worn = np.mean([max(lobe.tip_z for lobe in t.lobes) - max(t.wear_mm, 0.0) for t in teeth])
    return np.array([0.5 * (teeth[0].x0 + teeth[-1].x0 + teeth[-1].length), 0.0, worn])


def sample_second(
    rng: Generator,
    jaw: Jaw,
    bone: JawFields,
    *,
    fleshy: bool,
    age_years: float,
    sight: Array,
    near: bool,
    plane: tuple[float, float],
    kind: str | None = None,
) -> Second:
    """
    A second row beside a first.

    Parameters
    ----------
    rng : numpy Generator
    jaw, bone, fleshy
        Of the first.
    age_years : float
        Of another animal, where it is one.
    sight : ndarray, shape (3,)
        Unit vector from the first row to the camera.
    near : bool
        The view is narrow, as the levelled crop's: what lies far off would not be in it.
    plane : (float, float)
        See `middle_plane`.
    kind : str, optional
        One of `KINDS` instead of any.
    """
    kind = kind or str(rng.choice(list(KINDS[near]), p=list(KINDS[near].values())))
    device = bone.surface.device
    if kind == "other":
        side, shape = str(rng.choice(["left", "right"])), str(rng.choice(SHAPES))
        own = bowed(sample_jaw(rng, age_years=age_years, shape=shape, side=side))
        fleshy = bool(rng.uniform() < (0.75 if fleshy else 0.15))
    else:
        own = other_half(jaw, rng)
    crowns = crown_fields(own, px_per_mm=GRID_PX_PER_MM, seed=int(rng.integers(2**31)), device=device)
    if kind == "joined":
        # The very bone of the first: only so do the two meet in front.
        fields, place = bone, joined_place(*plane)
    else:
        fields = jaw_fields(own, crowns, rng, device, fleshy=fleshy)
        place = loose_place(
            rng,
            mirrored=own.side != jaw.side,
            middles=(row_middle(jaw), row_middle(own)),
            half_mm=0.5 * own.row_mm,
            sight=sight,
            near=near,
        )
    return Second(
        kind=kind,
        jaw=own,
        crowns=crowns,
        bone=fields,
        fleshy=fleshy,
        place=place,
        stain=str(rng.choice(STAINS)) if kind == "other" else None,
        seed=int(rng.integers(2**31)),
    )


def body_points(bone: JawFields) -> Tensor:
    """Places on a body, thinned out, (N, 3). [mm]"""
    x, y = bone.grid.nodes(bone.surface.device)
    thin = (slice(None, None, 4), slice(None, None, 4))
    z = bone.surface[thin]
    return torch.stack((x[thin], y[thin], z), -1)[z > -59]


def settled(second: Second, ground: Ground, *, rests: bool) -> tuple[Second, Ground]:
    """
    Second row and ground that touch: what is joined to the first, or round it, lifts both off the ground as
    far as it reaches below; a loose one is laid on it where ``rests``.
    """
    points = second.place.out(body_points(second.bone).double().cpu().numpy())
    if not len(points):
        return second, ground
    lowest = float((points @ ground.normal).min())
    if second.kind in ("joined", "head"):
        return second, replace(ground, level=min(ground.level, lowest))
    if not rests:
        return second, ground
    place = replace(second.place, at=second.place.at + (ground.level - lowest) * ground.normal)
    return replace(second, place=place), ground
