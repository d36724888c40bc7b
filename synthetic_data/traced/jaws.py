"""One animal: which teeth stand where, how far they are through and how far they are worn."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from crestgauge.inference.evidence import State
from crestgauge.model.labels import LOBES, MILK_LOBES
from crestgauge.synthetic_data.traced.blades import Array
from crestgauge.synthetic_data.traced.crowns import Crown, LobeShape, Wear, lobe_parts, rib_parts
from crestgauge.synthetic_data.traced.surfaces import Packing

AGES = (0.5, 1.5, 2.5, 3.5, 4.5, 5.5, 6.5, 7.5, 8.5, 10.5)
WEAR_MM = {
    # Depth cut off the tongue-side cusp of lobe 1 at `AGES`. [mm] Invented: set so that dentine grows as
    # wide as
    # enamel on m1, m2, m3 in turn, a year apart, and the funnels close in the same order.
    1: (0.0, 0.2, 0.5, 1.0, 1.6, 2.2, 2.8, 3.3, 3.7, 4.5),
    2: (0.0, 0.2, 0.5, 1.1, 1.8, 2.5, 3.2, 3.8, 4.3, 5.0),
    3: (0.0, 0.0, 1.45, 2.1, 2.7, 3.6, 4.5, 5.1, 5.6, 6.3),
    4: (0.15, 0.9, 1.6, 3.3, 4.4, 5.2, 6.7, 7.1, 7.5, 8.2),
    5: (0.0, 0.45, 1.15, 2.1, 3.6, 4.5, 5.4, 6.6, 7.1, 7.8),
    6: (0.0, 0.05, 0.55, 1.2, 2.05, 3.5, 4.5, 5.4, 6.5, 7.4),
}
MILK_WEAR_MM = {1: (0.5, 1.9), 2: (0.6, 2.2), 3: (0.8, 3.4)}
"""The same for milk teeth at 0.5 and 1.5 years. [mm]"""

SIZE_MM = {
    1: (9.3, 5.6, 5.5),
    2: (10.8, 6.8, 6.5),
    3: (12.2, 8.0, 8.0),
    4: (13.5, 9.8, 9.5),
    5: (15.4, 10.2, 10.0),
    6: (20.6, 10.0, 10.0),
}
"""Length, width, height of the unworn crown. [mm] m1: published mean; the others from its row shares and
memory."""
MILK_SIZE_MM = {1: (8.0, 4.5, 4.5), 2: (10.5, 6.0, 5.5), 3: (16.8, 8.2, 7.0)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tooth:
    """
    One position of the row.

    Parameters
    ----------
    position, state, milk, lobes
        As in `crestgauge.inference.evidence.ToothEvidence`.
    crown : Crown or None
        None where no crown stands.
    turn : ndarray, shape (3, 3)
        Rotation from the tooth's frame to the jaw's.
    place : ndarray, shape (3,)
        Jaw coordinates of the tooth's origin. [mm]
    collar : float
        Height of gum or bone round the neck, in the jaw's frame. [mm]
    packing : Packing or None
        Comes with the crown.
    """

    position: int
    state: State
    milk: bool
    lobes: int
    crown: Crown | None = None
    turn: Array = field(default_factory=lambda: np.eye(3))
    place: Array = field(default_factory=lambda: np.zeros(3))
    collar: float = 0.0
    packing: Packing | None = None

    def to_jaw(self, points: Array) -> Array:
        """Points of the tooth's frame, shape (..., 3), in the jaw's frame. [mm]"""
        return points @ self.turn.T + self.place

    def to_tooth(self, points: Array) -> Array:
        """Points of the jaw's frame, shape (..., 3), in the tooth's frame. [mm]"""
        return (points - self.place) @ self.turn


@dataclass(frozen=True, slots=True, kw_only=True)
class Jaw:
    """
    A lower jaw half drawn as a LEFT one: x to the back, y to the tongue, z to the camera, gum line near z =
    0. [mm]

    Parameters
    ----------
    teeth : tuple of Tooth
        Six, front first.
    side : {"left", "right"}
        A right jaw is mirrored in y when it is put into a picture.
    age_years : float
        Drawn age that set wear and eruption; the class comes from the measured widths, not from it.
    row_mm : float
        Length of the six places.
    sag : float
        How far the row's middle lies cheekwards of its ends. [mm]
    fresh : bool
        Gum and flesh on it, against a cleaned bone.
    """

    teeth: tuple[Tooth, ...]
    side: str
    age_years: float
    row_mm: float
    sag: float
    fresh: bool


def states_at(age: float, rng: np.random.Generator) -> dict[int, tuple[State, bool, float]]:
    """State, milk and how far below its place [mm] each tooth stands, at ``age`` in years (the autumn
    classes)."""
    up: dict[int, tuple[State, bool, float]] = {k: ("erupted", False, 0.0) for k in range(1, 7)}
    if age < 1.0:
        for k in (1, 2, 3):
            up[k] = ("erupted", True, 0.0)
        up[4] = ("erupted", False, float(rng.uniform(0.0, 0.8)))
        up[5] = (
            ("erupting", False, float(rng.uniform(2.5, 5.0)))
            if rng.random() < 0.4
            else ("absent", False, 0.0)
        )
        up[6] = ("absent", False, 0.0)
    elif age < 2.0:
        up[6] = ("erupting", False, float(rng.uniform(1.5, 4.0)))
        stage = (age - 1.0) % 1.0 + rng.uniform(-0.15, 0.15)
        for k in (1, 2, 3):
            if stage < 0.45:
                up[k] = ("erupted", True, 0.0)
            elif stage < 0.65:
                up[k] = ("erupting", False, float(rng.uniform(1.5, 3.5)))
            else:
                up[k] = ("erupted", False, float(rng.uniform(0.0, 0.5)))
    elif age < 2.9:
        up[6] = ("erupted", False, float(rng.uniform(0.0, 0.8)))
    return up


def lobe_shapes(position: int, milk: bool, scale: float, enamel: float) -> list[LobeShape]:
    """Lobes of a molar-like tooth, front first, x from the middle of the tooth. [mm]"""
    length, width, height = (value * scale for value in (MILK_SIZE_MM if milk else SIZE_MM)[position])
    shares: tuple[float, ...]
    widths: tuple[float, ...]
    lifts: tuple[float, ...]
    if milk:
        shares, widths, lifts = (0.30, 0.33, 0.37), (0.78, 0.88, 1.0), (0.0, 0.1, 0.2)
    elif position == 6:
        shares, widths, lifts = (0.38, 0.36, 0.26), (1.0, 0.96, 0.62), (0.0, -0.2, -1.3)
    elif position == 3:
        shares, widths, lifts = (0.62, 0.38), (1.0, 0.86), (0.0, -0.9)
    else:
        shares, widths, lifts = (0.5, 0.5), (1.0, 0.98), (0.0, -0.15)
    edges = np.concatenate([[0.0], np.cumsum(shares)]) - 0.5
    depth = {3: 5.0 if not milk else 4.6, 4: 6.3, 5: 6.5, 6: 6.5}[position] * scale
    return [
        LobeShape(
            number=k + 1,
            x=float((edges[k] + edges[k + 1]) / 2.0 * length),
            length=shares[k] * length,
            width=widths[k] * width,
            y=-0.05 * width if position == 6 and k == 2 else 0.0,
            height=height + lifts[k],
            enamel=enamel * (0.8 if milk else 1.0) * (0.9 if position == 3 else 1.0),
            main=k < 2,
            depth=depth * (0.8 if (position, k) in ((6, 2), (3, 1)) and not milk else 1.0),
            open_share=1.0,
        )
        for k in range(len(shares))
    ]


def make_crown(
    rng: np.random.Generator, position: int, milk: bool, scale: float, enamel: float, worn: float, style: Wear
) -> Crown:
    """
    Crown of one tooth, cut ``worn`` mm below its first tongue-side cusp.

    Parameters
    ----------
    style : Wear
        Slopes, hollow and waves that the animal's teeth share; the level is set here.
    """
    length, width, height = (value * scale for value in (MILK_SIZE_MM if milk else SIZE_MM)[position])
    blades, bodies, lobes = [], [], []
    if position >= 3:
        shapes = lobe_shapes(position, milk, scale, enamel)
        for shape in shapes:
            parts = lobe_parts(rng, shape)
            blades += parts[0]
            bodies.append(parts[1])
            lobes.append(parts[2])
        cusp = np.array([shapes[0].x, 0.30 * width])
    else:
        ribs = (-0.05,) if position == 1 else (-0.45, 0.12)
        shape = LobeShape(
            number=1,
            x=0.0,
            length=length,
            width=width,
            y=0.0,
            height=height,
            enamel=enamel * (0.7 if milk else 0.85),
            main=False,
            depth=height * 0.75,
        )
        parts = rib_parts(rng, shape, ribs)
        blades += parts[0]
        bodies.append(parts[1])
        count = (MILK_LOBES if milk else LOBES)[position]
        edges = np.linspace(-length / 2.0, length / 2.0, count + 1)
        for k in range(count):
            lobes.append(
                type(parts[2])(number=k + 1, x0=edges[k], x1=edges[k + 1], basin=parts[2].basin, main=False)
            )
        cusp = np.array([0.0, -0.14 * width])
    chips = np.zeros((0, 4))
    if rng.random() < 0.10 and worn > 0.5:
        edge = rng.choice([-1.0, 1.0])
        chips = np.array(
            [
                [
                    rng.uniform(-0.4, 0.4) * length,
                    edge * 0.42 * width,
                    rng.uniform(0.8, 1.7),
                    rng.uniform(0.4, 1.2),
                ]
            ]
        )
    flat = Wear(
        level=0.0,
        slope_x=style.slope_x + rng.normal() * 0.012,
        slope_y=style.slope_y + rng.normal() * 0.03,
        hollow=style.hollow * rng.uniform(0.5, 1.4),
        waves=style.waves,
        sink=style.sink,
        chips=chips,
    )
    level = height - worn - float(flat.height(cusp[None])[0])
    wear = Wear(
        level=level,
        slope_x=flat.slope_x,
        slope_y=flat.slope_y,
        hollow=flat.hollow,
        waves=flat.waves,
        sink=flat.sink * float(np.clip(worn / 4.0, 0.2, 1.0)),
        chips=chips,
    )
    return Crown(
        blades=tuple(blades),
        bodies=tuple(bodies),
        lobes=tuple(lobes),
        half_length=length / 2.0 + 1.3,
        half_width=width / 2.0 + 1.3,
        wear=wear,
    )


def rotation(yaw: float, pitch: float, roll: float) -> Array:
    """Rotation about z, then y, then x; angles in radians."""
    cz, sz, cy, sy, cx, sx = (
        np.cos(yaw),
        np.sin(yaw),
        np.cos(pitch),
        np.sin(pitch),
        np.cos(roll),
        np.sin(roll),
    )
    about_z = np.array([[cz, -sz, 0.0], [sz, cz, 0.0], [0.0, 0.0, 1.0]])
    about_y = np.array([[cy, 0.0, sy], [0.0, 1.0, 0.0], [-sy, 0.0, cy]])
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, cx, -sx], [0.0, sx, cx]])
    return np.asarray(about_z @ about_y @ about_x, dtype=np.float64)


def wear_at(position: int, milk: bool, age: float, rng: np.random.Generator, pace: float) -> float:
    """Depth of wear at ``age``; ``pace`` is the animal's own rate against the mean. [mm]"""
    if milk:
        depth = float(np.interp(age, (0.5, 1.5), MILK_WEAR_MM[position]))
    else:
        depth = float(np.interp(age, AGES, WEAR_MM[position]))
    return max(depth * pace + float(rng.normal()) * 0.15 * min(1.0, depth), 0.0)


def make_jaw(rng: np.random.Generator, age: float, side: str, *, tooth_3_ahead_mm: float = 0.0) -> Jaw:
    """An animal of ``age`` years; a permanent tooth 3 in place may be worn further than age tells. [mm]"""
    scale = float(rng.normal(1.0, 0.045)) * (0.97 if age < 1.0 else 1.0)
    enamel = float(rng.uniform(0.58, 0.78))
    fresh = bool(rng.random() < 0.5)
    waves = np.array(
        [
            [rng.uniform(0.3, 1.1) * s, rng.uniform(0.3, 1.2), rng.uniform(0, 6.3), rng.uniform(0.02, 0.09)]
            for s in (-1.0, 1.0, 1.0)
        ]
    )
    style = Wear(
        level=0.0,
        slope_x=float(rng.normal(0.025, 0.012)),
        slope_y=float(rng.normal(0.24, 0.04)),
        hollow=float(rng.uniform(0.1, 0.5)),
        waves=waves,
        sink=float(rng.uniform(0.12, 0.42)),
        chips=np.zeros((0, 4)),
    )
    standing = states_at(age, rng)
    pace = float(rng.normal(1.0, 0.03))
    lengths = [(MILK_SIZE_MM if standing[k][1] else SIZE_MM)[k][0] * scale for k in range(1, 7)]
    gaps = [float(rng.uniform(-0.75, -0.25) if k <= 3 else rng.uniform(-0.4, 0.1)) for k in range(1, 7)]
    row = sum(lengths) + sum(gaps)
    sag = float(rng.normal(1.2, 0.7))
    teeth, at = [], 0.0
    for k in range(1, 7):
        state, milk, low = standing[k]
        lobes = (MILK_LOBES if milk else LOBES)[k]
        middle = at + lengths[k - 1] / 2.0
        at += lengths[k - 1] + gaps[k - 1]
        if state == "absent":
            teeth.append(
                Tooth(position=k, state=state, milk=milk, lobes=lobes, place=np.array([middle, 0.0, 0.0]))
            )
            continue
        worn = 0.0 if state == "erupting" else wear_at(k, milk, age, rng, pace * scale)
        if k == 3 and state == "erupted" and not milk:
            worn += tooth_3_ahead_mm
        crown = make_crown(
            rng,
            k,
            milk,
            scale * float(rng.normal(1.0, 0.01)),
            enamel * (1.06 if k == 6 else 1.0),
            worn,
            style,
        )
        u = (middle / row - 0.5) * 2.0
        yaw = np.arctan(-sag * 4.0 * u / row) + rng.normal() * (0.04 if rng.random() < 0.85 else 0.08)
        pitch = rng.normal() * 0.015 + (rng.uniform(0.02, 0.12) if state == "erupting" and k == 6 else 0.0)
        lift = 0.55 * worn * (1.0 if k >= 3 else 0.6) - low + rng.normal() * 0.15
        place = np.array([middle, -sag * (1.0 - u * u) + sag * 0.5 + rng.normal() * 0.2, lift])
        collar = rng.uniform(0.2, 1.3) if fresh else rng.uniform(-1.2, 0.2)
        below = rng.uniform(0.3, 2.2) if worn > 0.3 else rng.uniform(2.0, 4.5)
        packing = Packing(
            below=float(below), lumps=float(rng.uniform(0.05, 0.3)), seed=int(rng.integers(1 << 30))
        )
        teeth.append(
            Tooth(
                position=k,
                state=state,
                milk=milk,
                lobes=lobes,
                crown=crown,
                turn=rotation(float(yaw), float(pitch), float(rng.normal() * 0.03 - 0.03)),
                place=place,
                collar=float(collar) + (rng.uniform(0.5, 1.5) if state == "erupting" else 0.0),
                packing=packing,
            )
        )
    return Jaw(teeth=tuple(teeth), side=side, age_years=age, row_mm=row, sag=sag, fresh=fresh)
