"""Where, in what light and from where a picture is taken; drawn at random, and told in the truth file."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crestgauge.synthetic_data.traced.blades import Array
from crestgauge.synthetic_data.traced.grounds import GROUNDS
from crestgauge.synthetic_data.traced.phone import PhoneStyle, draw_phone
from crestgauge.synthetic_data.traced.scene import Camera

LIGHTS = ("overcast", "sun", "lamp", "flash", "panels")
FAULTS = (
    "tilted",
    "blurred",
    "too_small",
    "no_chewing_surface",
    "cut_off",
    "not_a_jaw",
    "dark",
    "glare",
    "covered",
)
SIZES = ((1600, 1200), (1600, 1200), (1680, 1260), (1760, 990))


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """
    Everything about one picture that is not the animal.

    Parameters
    ----------
    fault : str or None
        Retake reason that the picture is made for; None = usable.
    ground, light : str
    tilt_deg, tilt_towards_deg : float
        Angle between the line of sight and the normal of the chewing plane, and the direction it leans to.
    turn_deg : float
        Turn of the picture about the line of sight.
    distance_mm : float
    fill : float
        Row length over the longer side of the picture (over the shorter one if the row lies across).
    size : tuple of 2 ints
        (width, height). [px]
    lens_mm : float
        Radius of the entrance pupil; it blurs the ground behind the jaw, the row itself is in focus.
    extra : str
        "none", "ruler" or "card".
    phone : PhoneStyle
    """

    fault: str | None
    ground: str
    light: str
    tilt_deg: float
    tilt_towards_deg: float
    turn_deg: float
    distance_mm: float
    fill: float
    size: tuple[int, int]
    lens_mm: float
    extra: str
    phone: PhoneStyle


def draw_conditions(rng: np.random.Generator, fault: str | None, turn: int) -> Conditions:
    """
    Conditions of picture number ``turn``; grounds and lights go round so that a small set has them all.

    Parameters
    ----------
    fault : str or None
        One of `FAULTS`.
    """
    width, height = SIZES[rng.integers(len(SIZES))]
    portrait = rng.random() < 0.35
    along = rng.random() < 0.86  # most people lay the row along the longer side
    base = 0.0 if along != portrait else 90.0
    out = Conditions(
        fault=fault,
        ground=GROUNDS[(turn * 7 + 3) % len(GROUNDS)],
        light=LIGHTS[(turn * 3 + turn // len(LIGHTS)) % len(LIGHTS)],
        tilt_deg=float(min(abs(rng.normal(0.0, 8.5)), 19.5)),
        tilt_towards_deg=float(rng.uniform(0.0, 360.0)),
        turn_deg=base
        + float(rng.normal(0.0, 8.0) if rng.random() < 0.8 else rng.normal(0.0, 22.0))
        + (180.0 if rng.random() < 0.35 else 0.0),
        distance_mm=float(rng.uniform(250.0, 450.0)),
        fill=float(rng.uniform(0.62, 0.88)) if along else float(rng.uniform(0.62, 0.82)),
        size=(height, width) if portrait else (width, height),
        lens_mm=float(rng.choice([0.0, 0.6, 1.2])),
        extra=str(rng.choice(["none", "none", "none", "ruler", "card"])),
        phone=draw_phone(rng),
    )
    phone = out.phone
    if fault == "tilted":
        out = replace(out, tilt_deg=float(rng.uniform(35.0, 50.0)), fill=min(out.fill, 0.75))
    elif fault == "blurred":
        shaken = rng.random() < 0.5
        phone = replace(
            phone,
            blur_px=float(rng.uniform(3.0, 4.0) if shaken else rng.uniform(6.0, 10.0)),
            shake_px=float(rng.uniform(14.0, 28.0)) if shaken else 0.0,
            shake_deg=float(rng.uniform(0.0, 180.0)),
        )
        out = replace(out, phone=phone)
    elif fault == "too_small":
        out = replace(out, fill=float(rng.uniform(0.13, 0.24)), distance_mm=float(rng.uniform(600.0, 900.0)))
    elif fault == "no_chewing_surface":
        out = replace(
            out,
            tilt_deg=float(rng.uniform(78.0, 95.0)),
            tilt_towards_deg=float(rng.choice([90.0, 270.0]) + rng.normal(0, 12)),
            fill=float(rng.uniform(0.5, 0.7)),
            ground=str(rng.choice(["wood", "table", "cardboard"])),
            turn_deg=float(rng.normal(0, 6)),
        )
    elif fault == "dark":
        out = replace(out, phone=replace(phone, exposure=float(rng.uniform(0.035, 0.06)), noise=0.02))
    elif fault == "glare":
        out = replace(out, light="flash", phone=replace(phone, exposure=float(rng.uniform(5.0, 8.0))))
    return out


def place_camera(cond: Conditions, rng: np.random.Generator, row_mm: float) -> Camera:
    """Camera for a row from x = 0 to ``row_mm`` whose chewing surface lies about 6 mm above the gum line."""
    target = np.array([row_mm / 2.0, 0.0, 6.0])
    shift = np.clip(rng.normal(size=2), -1.5, 1.5) * np.array([0.02, 0.02]) * row_mm
    if cond.fault == "cut_off":
        shift = np.array([rng.choice([-1.0, 1.0]) * rng.uniform(0.45, 0.6) * row_mm, rng.normal() * 3.0])
    target[:2] += shift
    tilt, towards = np.radians(cond.tilt_deg), np.radians(cond.tilt_towards_deg)
    sight = np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), np.cos(tilt)])
    turn = np.radians(cond.turn_deg)
    up = np.array([-np.sin(turn), np.cos(turn), 0.0])
    if cond.tilt_deg > 60.0:
        up = np.array([0.0, 0.0, 1.0])
    width, height = cond.size
    lengthwise = min(width / max(abs(np.cos(turn)), 1e-6), height / max(abs(np.sin(turn)), 1e-6))
    focal = cond.fill * lengthwise * cond.distance_mm / row_mm
    return Camera(
        position=target + cond.distance_mm * sight,
        target=target,
        up=up,
        width=width,
        height=height,
        focal_px=float(focal),
    )


def sky_picture(rng: np.random.Generator, top: Array, side: Array, spot: float) -> Array:
    """Light from every direction as a (32, 64, 3) picture in latitude and longitude: brighter above and on
    one side."""
    lat, lon = np.meshgrid(np.linspace(0.5, -0.5, 32) * np.pi, np.linspace(-1, 1, 64) * np.pi, indexing="ij")
    up = np.sin(lat)
    way = rng.uniform(-np.pi, np.pi)
    window = np.clip(np.cos(lat) * np.cos(lon - way), 0.0, 1.0) ** 6
    # The photographer's own head and phone darken the sky straight above.
    shade = 1.0 - 0.6 * np.clip((up - 0.93) / 0.05, 0.0, 1.0)
    light = (np.clip(0.25 + 0.75 * up, 0.08, 1.0) * shade)[..., None] * top + (spot * window)[
        ..., None
    ] * side
    return np.asarray(light, dtype=np.float64)
