"""What a picture is to look like: colours of one jaw, light, ground, camera, phone. All invented."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crestgauge.synthetic_data.carved.outlines import Array

Rng = np.random.Generator
LIGHTS = ("overcast", "low_sun", "window", "ring", "headlamp", "strips")
GROUNDS = ("planks", "concrete", "tartan", "steel", "mat", "leaves", "cardboard", "liner", "snow", "slate")
HOLDERS = ("lying", "lying", "lying", "gloved", "bare")
FAULTS = ("tilted", "blurred", "too_small", "cut_off", "covered", "not_a_jaw", "no_chewing_surface", "dark")


@dataclass(frozen=True, slots=True, eq=False)
class Skin:
    """Colours as linear reflectance, shape (3,), and amounts 0..1."""

    dentine: Array
    dentine_edge: Array
    enamel: Array
    wall: Array
    tartar: Array
    tartar_share: float
    funnel: Array
    food: Array
    food_mm: float
    flesh: Array
    kind: str
    wet: float


@dataclass(frozen=True, slots=True)
class Shot:
    """Light, ground, camera and phone of one picture."""

    light: str
    ground: str
    holder: str
    px_per_mm: float
    distance: float
    tilt_deg: float
    tilt_to_deg: float
    roll_deg: float
    shift: tuple[float, float]
    size: tuple[int, int]
    blur_px: float
    exposure: float
    warmth: float
    contrast: float
    sharpen: float
    noise: float
    quality: int
    fault: str | None


def draw_skin(rng: Rng, young: bool) -> Skin:
    """Colours of one jaw."""
    honey, brown, black = (
        np.array([0.28, 0.175, 0.085]),
        np.array([0.165, 0.098, 0.05]),
        np.array([0.07, 0.04, 0.025]),
    )
    depth = float(rng.uniform(0.0, 1.0)) ** 0.9 * (0.6 if young else 1.0)
    dentine = honey + (brown - honey) * min(1.0, depth * 2.0) + (black - brown) * max(0.0, depth * 2.0 - 1.0)
    dentine = dentine * rng.uniform(0.95, 1.05, 3)
    edge = dentine * 1.25 + 0.01
    enamel = (
        np.array([0.80, 0.76, 0.66])
        + float(rng.uniform(-0.09, 0.04))
        + np.array([0.0, -0.01, -0.05]) * rng.uniform(0, 2)
    )
    wall = enamel * (
        1.0 - np.array([0.10, 0.16, 0.28]) * float(rng.uniform(0.2, 1.2)) * (0.4 if young else 1.0)
    )
    tartar = np.array([[0.16, 0.09, 0.04], [0.05, 0.035, 0.025], [0.28, 0.20, 0.09]])[rng.integers(3)]
    food = np.array([[0.06, 0.07, 0.02], [0.09, 0.06, 0.03], [0.03, 0.025, 0.02]])[rng.integers(3)]
    kind = str(rng.choice(["fresh", "fresh", "dried", "bone", "bone"]))
    flesh = {
        "fresh": np.array([0.44, 0.17, 0.14]) * rng.uniform(0.8, 1.2),
        "dried": np.array([0.20, 0.10, 0.07]) * rng.uniform(0.8, 1.3),
        "bone": np.array([0.66, 0.58, 0.43]) * rng.uniform(0.8, 1.1),
    }[kind]
    return Skin(
        dentine=dentine,
        dentine_edge=edge,
        enamel=enamel,
        wall=wall,
        tartar=tartar,
        tartar_share=float(rng.uniform(0.0, 0.35 if young else 0.8)),
        funnel=np.array([0.10, 0.06, 0.03]) * float(rng.uniform(0.4, 2.0)),
        food=food,
        food_mm=float(rng.uniform(0.6, 4.0)),
        flesh=flesh,
        kind=kind,
        wet=float(rng.uniform(0.3, 1.0)) if kind == "fresh" else float(rng.uniform(0.0, 0.3)),
    )


def draw_shot(rng: Rng, index: int, fault: str | None, row_mm: float) -> Shot:
    """How picture ``index`` is taken."""
    px = float(rng.uniform(10.5, 22.5))
    steep = index % 9 == 4
    tilt = float(rng.uniform(13.0, 19.0) if steep else abs(rng.normal(0.0, 5.5)))
    tilt = min(tilt, 17.5)  # the shift of the camera adds some
    if fault == "tilted":
        tilt = float(rng.uniform(60.0, 68.0))
    if fault == "no_chewing_surface":
        tilt = 88.0
    if fault == "too_small":
        px = float(rng.uniform(3.6, 4.4))
    long_side = float(
        np.clip((row_mm + rng.uniform(8.0, 32.0)) * px, 1400.0, 2000.0 if index % 8 == 3 else 1600.0)
    )
    if fault is None:
        px = min(px, long_side / (row_mm + 5.0))
    shift = (float(rng.normal(0.0, 1.5)), float(rng.normal(0.0, 3.0)))
    if fault == "cut_off":
        px, shift = 19.0, (42.0, 2.0)
    size = (round(long_side), round(long_side * float(rng.choice([0.46, 0.5, 0.5625]))))
    turn = float(rng.choice([0.0, 180.0])) + float(rng.normal(0.0, 7.0))
    return Shot(
        light=LIGHTS[(index * 5 + int(rng.integers(2))) % len(LIGHTS)],
        ground=GROUNDS[(index * 3 + int(rng.integers(2))) % len(GROUNDS)],
        holder=HOLDERS[int(rng.integers(len(HOLDERS)))],
        px_per_mm=px,
        distance=float(rng.uniform(190.0, 430.0)),
        tilt_deg=tilt,
        tilt_to_deg=-90.0 if fault == "no_chewing_surface" else float(rng.uniform(0.0, 360.0)),
        roll_deg=turn,
        shift=shift,
        size=size,
        blur_px=float(rng.uniform(7.0, 9.0)) if fault == "blurred" else float(rng.uniform(0.3, 1.1)),
        exposure=0.02 if fault == "dark" else float(rng.uniform(0.75, 1.15)),
        warmth=float(rng.normal(0.0, 0.07)),
        contrast=float(rng.uniform(0.1, 0.9)),
        sharpen=float(rng.uniform(0.0, 0.6)),
        noise=float(rng.uniform(0.003, 0.014)),
        quality=int(rng.integers(80, 93)),
        fault=fault,
    )
