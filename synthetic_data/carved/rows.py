"""Six teeth of one animal: their outlines by position, eruption and wear by age class."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crestgauge.synthetic_data.carved.crowns import Crown, Enamel, Lobe, Wall, Wear
from crestgauge.synthetic_data.carved.outlines import Array, Outline, closed_curve

Rng = np.random.Generator

LENGTHS = {1: 9.0, 2: 10.8, 3: 11.8, 4: 13.3, 5: 15.2, 6: 20.0}
MILK_LENGTHS = {1: 7.6, 2: 10.0, 3: 16.2}
"""Along the row. [mm] m1: 13.5 mm (mean in the Paleobiology Database); the others from memory."""
BREADTHS = {1: 2.9, 2: 3.9, 3: 5.0, 4: 6.0, 5: 6.4, 6: 6.3}
MILK_BREADTHS = {1: 2.6, 2: 3.3, 3: 4.8}
"""Of the outline at mid height; the base is some 3 mm broader. From memory. [mm]"""

LOBE_SHAPE = (
    (-1.03, 0.60),
    (-0.62, 0.91),
    (-0.05, 1.0),
    (0.58, 0.93),
    (1.03, 0.66),
    (0.99, 0.22),
    (0.64, -0.48),
    (0.16, -0.97),
    (-0.28, -0.93),
    (-0.74, -0.38),
    (-1.0, 0.12),
)
HOLLOW_SHAPE = (
    (-0.80, 0.44),
    (-0.42, 0.50),
    (0.02, 0.47),
    (0.46, 0.46),
    (0.79, 0.36),
    (0.58, -0.02),
    (0.22, -0.27),
    (-0.14, -0.28),
    (-0.54, 0.0),
)
LONG_SHAPE = (
    (-1.02, 0.02),
    (-0.72, 0.50),
    (-0.28, 0.70),
    (0.2, 0.98),
    (0.66, 0.90),
    (1.02, 0.45),
    (1.0, -0.35),
    (0.62, -0.86),
    (0.05, -1.0),
    (-0.5, -0.72),
    (-0.9, -0.34),
)
"""Shares of half length and half breadth, front to back and cheek to tongue; drawn by eye."""


@dataclass(frozen=True, slots=True, eq=False)
class Tooth:
    """
    One position of the row.

    Parameters
    ----------
    position : int
    state : str
        As in `crestgauge.inference.evidence.ToothEvidence`.
    milk : bool
    crown : Crown or None
    place : ndarray, shape (3,)
        Of the crown's origin in the jaw frame: x from front to back, y towards the tongue, z up from
        the chewing plane. [mm]
    turn : float
        About the vertical. [rad]
    """

    position: int
    state: str
    milk: bool
    crown: Crown | None
    place: Array
    turn: float

    def to_jaw(self, points: Array) -> Array:
        """Tooth frame to jaw frame, points of shape (..., 3)."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        x, y = points[..., 0], points[..., 1]
        moved = np.stack([c * x - s * y, s * x + c * y, points[..., 2]], axis=-1)
        return np.asarray(moved + self.place, dtype=np.float64)

    def to_tooth(self, points: Array) -> Array:
        """Plan points of the jaw frame, shape (..., 2), in the tooth frame."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        x, y = points[..., 0] - self.place[0], points[..., 1] - self.place[1]
        return np.stack([c * x + s * y, -s * x + c * y], axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """The teeth of one lower jaw half, front first, as if a left one; ``side`` says if it is mirrored.

    ``gum`` is the height of the gum's edge, tooth by tooth. [mm]
    """

    teeth: tuple[Tooth, ...]
    side: str
    length: float
    gum: tuple[float, ...]
    age_class: str


def shaped(
    rng: Rng, shape: tuple[tuple[float, float], ...], half: tuple[float, float], jitter: float
) -> Array:
    points = np.array(shape) + rng.normal(0.0, jitter, (len(shape), 2))
    return np.asarray(points * np.array(half), dtype=np.float64)


def turned(points: Array, angle: float, centre: tuple[float, float]) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(points @ np.array([[c, s], [-s, c]]) + np.array(centre), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Style:
    """What all teeth of one animal share."""

    scale: float
    breadth: float
    skew: float
    enamel: float
    enamel_step: float
    slope: float
    ends: float
    front: float


def draw_style(rng: Rng) -> Style:
    """One animal."""
    return Style(
        scale=float(rng.uniform(0.92, 1.08)),
        breadth=float(rng.uniform(0.95, 1.07)),
        skew=float(rng.uniform(0.03, 0.17)),
        enamel=float(rng.uniform(0.50, 0.68)),
        enamel_step=float(rng.uniform(0.0, 0.045)),
        slope=float(rng.uniform(0.11, 0.16)),
        ends=float(rng.uniform(1.3, 2.2)),
        front=float(rng.uniform(-0.01, 0.05)),
    )


def draw_enamel(rng: Rng, style: Style, position: int) -> Enamel:
    base = style.enamel + style.enamel_step * (position - 4) + float(rng.normal(0.0, 0.015))
    base = float(np.clip(base, 0.46, 0.80))
    return Enamel(
        tongue=base,
        cheek=base * float(rng.uniform(1.0, 1.18)),
        inner=base * float(rng.uniform(0.86, 1.04)),
        change=(float(rng.uniform(0.02, 0.08)), float(rng.uniform(0, 6.28)), float(rng.uniform(4.0, 9.0))),
    )


def molar_lobe(
    rng: Rng, style: Style, number: int, span: tuple[float, float], breadth: float, top: float
) -> Lobe:
    """A lobe with a tongue-side blade, a cheek-side crescent and the infundibulum between."""
    a, b = (span[1] - span[0]) / 2.0, breadth / 2.0
    centre = ((span[0] + span[1]) / 2.0, float(rng.normal(0.0, 0.08)))
    angle = style.skew + float(rng.normal(0.0, 0.025))
    outline = turned(shaped(rng, LOBE_SHAPE, (a, b), 0.018), -angle, centre)
    hollow = turned(shaped(rng, HOLLOW_SHAPE, (a, b), 0.015), -angle, centre)
    return Lobe(number, *span, Outline(closed_curve(outline)), (Outline(closed_curve(hollow)),), top, True)


def last_lobe(rng: Rng, style: Style, span: tuple[float, float], breadth: float) -> Lobe:
    """The small third lobe of tooth 6: a low cone towards the cheek, with a slit at most."""
    a, b = (span[1] - span[0]) / 2.0, breadth * 0.34
    centre = ((span[0] + span[1]) / 2.0 - 0.25, -0.06 * breadth)
    outline = turned(shaped(rng, LONG_SHAPE, (a, b), 0.03), -style.skew, centre)
    slit = ((-0.52, 0.10), (-0.1, 0.22), (0.38, 0.12), (0.36, -0.10), (-0.1, -0.02), (-0.5, -0.04))
    hollow = turned(shaped(rng, slit, (a, b), 0.015), -style.skew, centre)
    return Lobe(3, *span, Outline(closed_curve(outline)), (Outline(closed_curve(hollow)),), -1.9, True)


def premolar(rng: Rng, position: int, length: float, breadth: float) -> tuple[Lobe, ...]:
    """Teeth 1 and 2 (one long blade with slanting valleys open to the tongue) and tooth 3 (a large front
    lobe, a small back one)."""
    a, b = length / 2.0, breadth / 2.0
    if position == 3:
        split = length * float(rng.uniform(0.10, 0.16))
        front = turned(shaped(rng, LOBE_SHAPE, ((split + a) / 2.0, b), 0.02), -0.05, ((split - a) / 2.0, 0.0))
        back = turned(
            shaped(rng, LOBE_SHAPE, ((a - split) / 2.0, b * 0.9), 0.02), -0.1, ((split + a) / 2.0, -0.1)
        )
        dip = turned(
            shaped(rng, HOLLOW_SHAPE, ((split + a) / 2.0, b * 0.9), 0.02), -0.1, ((split - a) / 2.0, 0.0)
        )
        pit = turned(
            shaped(rng, HOLLOW_SHAPE, ((a - split) / 2.0, b * 0.8), 0.02), -0.1, ((split + a) / 2.0, -0.05)
        )
        return (
            Lobe(1, -a, split, Outline(closed_curve(front)), (Outline(closed_curve(dip)),), 0.0, True),
            Lobe(2, split, a, Outline(closed_curve(back)), (Outline(closed_curve(pit)),), -0.7, True),
        )
    whole = Outline(closed_curve(shaped(rng, LONG_SHAPE, (a, b), 0.02)))
    valley = ((-0.1, -0.12), (0.02, 0.5), (0.0, 1.6), (0.2, 1.7), (0.22, 0.5), (0.1, -0.1))
    hollows = [Outline(closed_curve(shaped(rng, valley, (a, b), 0.015) + np.array([0.34 * a, 0.0])))]
    if position == 2:
        hollows.append(
            Outline(closed_curve(shaped(rng, valley, (a * 0.9, b), 0.015) + np.array([-0.40 * a, 0.0])))
        )
        hollows.append(
            Outline(closed_curve(shaped(rng, valley, (a * 0.5, b), 0.015) + np.array([0.74 * a, 0.0])))
        )
        return (
            Lobe(1, -a, 0.1 * a, whole, tuple(hollows[1:2]), 0.0, False),
            Lobe(2, 0.1 * a, a, whole, (hollows[0], hollows[2]), -0.2, False),
        )
    return (Lobe(1, -a, a, whole, tuple(hollows), 0.0, False),)


def make_crown(rng: Rng, style: Style, position: int, milk: bool) -> Crown:
    """An unworn crown; `Crown.worn` wears it."""
    length = (MILK_LENGTHS if milk else LENGTHS)[position] * style.scale * float(rng.uniform(0.97, 1.03))
    breadth = (MILK_BREADTHS if milk else BREADTHS)[position] * style.scale * style.breadth
    a = length / 2.0
    if position >= 4 or (milk and position == 3):
        if milk:
            cuts, wide = [-a, -0.40 * a, 0.26 * a, a], [0.74, 0.9, 1.0]
        elif position == 6:
            cuts, wide = [-a, -0.24 * a, 0.50 * a, a], [1.0, 0.98, 1.0]
        else:
            cuts, wide = [-a, 0.02 * a, a], [1.0, 0.97, 1.0]
        lobes = []
        for k in range(len(cuts) - 1):
            span = (cuts[k], cuts[k + 1])
            if position == 6 and k == 2:
                lobes.append(last_lobe(rng, style, span, breadth))
            else:
                top = -float(rng.uniform(0.0, 0.5)) * k
                lobes.append(molar_lobe(rng, style, k + 1, span, breadth * wide[k], top))
        found = tuple(lobes)
    else:
        found = premolar(rng, position, length, breadth)
    small = 0.82 if position <= 2 else 1.0
    enamel = draw_enamel(rng, style, position)
    if milk:
        enamel = Enamel(enamel.tongue * 0.82, enamel.cheek * 0.82, enamel.inner * 0.82, enamel.change)
    ripple = (float(rng.uniform(0.0, 0.14)), float(rng.uniform(0, 6.28)), float(rng.uniform(0, 6.28)))
    quick = float(rng.uniform(0.42, 0.56))
    return Crown(
        lobes=found,
        outer=Wall(0.86 * small, quick * small, 0.8, style.slope * small),
        inner=Wall(0.86 * small, quick * small, 0.8, float(rng.uniform(0.18, 0.23)) * (1.5 if milk else 1.0)),
        cheek_slope=float(rng.uniform(0.24, 0.34)) * small,
        relief=(
            style.ends * float(rng.uniform(0.9, 1.25)),
            0.2 if position <= 2 else float(rng.uniform(0.6, 1.4)),
            style.ends,
        ),
        middle_y=0.06 * breadth,
        enamel=enamel,
        wear=Wear(
            depth=0.0,
            ends=float(rng.uniform(0.35, 0.75)) * style.ends,
            cheek=float(rng.uniform(0.0, 0.7)),
            front=style.front,
            ripple=ripple,
        ),
    )


def depth_for(crown: Crown, ratio: float) -> float:
    """Wear depth at which a crest in the middle of lobe 1 has about this ratio, by its walls alone. [mm]"""
    e = crown.enamel
    lobe = crown.lobes[0]
    point = np.array([(lobe.x0 + lobe.x1) / 2.0, 0.0])
    y = np.arange(0.0, 6.0, 0.01)
    line = np.column_stack([np.full_like(y, point[0]), y])
    room = float((crown.outline(line) + crown.hollow(line)).max())  # how thick the blade is in the outlines
    want = (ratio + 2.0) * (e.tongue + e.inner) / 2.0
    h = np.linspace(0.0, 12.0, 600)
    have = room + crown.outer.moved(h, crown.outer.slope) + crown.inner.moved(h, crown.inner.slope)
    return float(np.interp(want, have, h))


CLASSES = ("0.5", "1.5", "2.5", "3.5", "4.5", "5.5", "6.5", "7.5", "8.5+")
RATIOS: dict[str, tuple[tuple[float, float], ...]] = {
    "2.5": ((0.35, 1.02), (0.0, 0.75), (-0.6, 0.3)),
    "3.5": ((1.03, 1.65), (0.4, 1.0), (0.0, 0.8)),
    "4.5": ((1.5, 2.3), (1.05, 1.6), (0.45, 1.0)),
    "5.5": ((2.0, 2.9), (1.5, 2.2), (1.06, 1.7)),
    "6.5": ((0.0, 0.0), (2.0, 2.7), (1.4, 2.1)),
    "7.5": ((0.0, 0.0), (0.0, 0.0), (1.8, 2.5)),
    "8.5+": ((0.0, 0.0), (0.0, 0.0), (0.0, 0.0)),
}
"""Wanted ratios of teeth 4, 5, 6 by class; (0, 0): worn until its infundibulum is gone."""


def gone_depth(crown: Crown) -> float:
    """Wear depth at which the infundibula of lobes 1 and 2 close. [mm]"""
    deepest = 0.0
    for lobe in crown.lobes[:2]:
        for hollow in lobe.hollows:
            inside = float(hollow.inside(hollow.curve.mean(axis=0)[None] + np.array([[0.0, 0.0]]))[0])
            low, high = hollow.curve.min(axis=0), hollow.curve.max(axis=0)
            grid = np.stack(np.meshgrid(*(np.linspace(a, b, 40) for a, b in zip(low, high, strict=True))), -1)
            inside = max(inside, float(hollow.inside(grid).max()))
            depth = crown.inner.depth(np.array([inside]), crown.inner.slope)
            deepest = max(deepest, float(depth[0]))
    return deepest


def wear_depths(rng: Rng, crowns: dict[int, Crown], age_class: str) -> dict[int, float]:
    """Wear of each tooth at its first crest. [mm] Not every draw gives the class: the caller asks the key."""
    depth: dict[int, float] = {}
    if age_class == "0.5":
        milk = float(rng.uniform(1.4, 2.6))
        return {1: milk, 2: milk, 3: milk, 4: float(rng.uniform(-0.3, 1.0)), 5: -1.0, 6: -1.0}
    if age_class == "1.5":
        milk = float(rng.uniform(2.6, 4.2))
        fresh = float(rng.uniform(-0.4, 0.4))
        front = milk if crowns[3].lobes[-1].number == 3 else fresh
        return {
            1: front,
            2: front,
            3: front,
            4: float(rng.uniform(0.8, 1.7)),
            5: float(rng.uniform(0.0, 1.0)),
            6: -0.4,
        }
    for tooth, (low, high) in zip((4, 5, 6), RATIOS[age_class], strict=True):
        if low == high == 0.0:
            depth[tooth] = gone_depth(crowns[tooth]) + float(rng.uniform(-0.5, 0.7))
        else:
            depth[tooth] = depth_for(crowns[tooth], float(rng.uniform(low, high)))
    years = CLASSES.index(age_class) - 2
    for tooth in (1, 2, 3):
        depth[tooth] = float(rng.uniform(1.3, 1.9)) + years * float(rng.uniform(0.5, 0.75))
    return depth


def make_row(seed: int, age_class: str, side: str) -> Row:
    """One animal of about this class; ``Row.age_class`` is what was asked for."""
    rng = np.random.default_rng([seed, 1])
    style = draw_style(rng)
    young = age_class == "0.5" or (age_class == "1.5" and rng.random() < 0.5)
    milk = {k: young and k <= 3 for k in range(1, 7)}
    crowns = {k: make_crown(rng, style, k, milk[k]) for k in range(1, 7)}
    depths = wear_depths(rng, crowns, age_class)
    late = int(rng.integers(4, 6))
    bow, x = float(rng.uniform(0.0006, 0.0016)), 0.0
    teeth, gums = [], []
    for k in range(1, 7):
        crown = crowns[k].worn(depths[k])
        low, high = crown.lobes[0].x0, crown.lobes[-1].x1
        x += -low + 0.25
        state, drop = "erupted", 0.0
        if age_class == "0.5" and k > late:
            state = "absent"
        elif age_class == "0.5" and k == 5:
            state, drop = "erupting", float(rng.uniform(2.0, 4.0))
        elif age_class == "1.5" and k == 6:
            state, drop = "erupting", float(rng.uniform(1.2, 3.2))
        y = -bow * (x - 48.0) ** 2 + float(rng.normal(0.0, 0.15))
        turn = -2.0 * bow * (x - 48.0) + float(rng.normal(0.0, 0.025))
        level = max(depths[k], 0.0) * 0.7 + (-1.6 if k <= 2 else -0.4 if k == 3 else 0.0)
        place = np.array([x, y, level - drop + float(rng.normal(0.0, 0.15))])
        teeth.append(Tooth(k, state, milk[k], None if state == "absent" else crown, place, turn))
        left = max(2.4, (5.0 if k <= 2 or milk[k] else 6.6) - 0.45 * max(depths[k], 0.0))
        gums.append(level - max(depths[k], 0.0) - left)
        x += high
    return Row(tuple(teeth), side, x, tuple(gums), age_class)
