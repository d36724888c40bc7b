"""One photograph from one seed: animal, scene, render, phone, labels, truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.traced import objects
from crestgauge.synthetic_data.traced.blades import Array
from crestgauge.synthetic_data.traced.conditions import Conditions, place_camera, sky_picture
from crestgauge.synthetic_data.traced.flesh import BoneStyle, bone_grain, draw_bone_style, jaw_mesh
from crestgauge.synthetic_data.traced.grounds import SIZE_MM, ground_picture
from crestgauge.synthetic_data.traced.jaws import Jaw
from crestgauge.synthetic_data.traced.phone import develop
from crestgauge.synthetic_data.traced.scene import (
    Camera,
    Rendered,
    Stage,
    Window,
    mitsuba,
    sensor,
    shape,
    texture,
)
from crestgauge.synthetic_data.traced.skins import draw_skin, paint
from crestgauge.synthetic_data.traced.surfaces import Mesh, Top, crown_mesh, crown_top, worn_volume

CROWN_VOXEL_MM = 0.15
TOP_STEP_MM = 0.035
WINDOW_STEP_PX = 320
LYING_ABOVE_MM, HELD_ABOVE_MM = 37.0, 155.0
"""About how far the chewing plane is from the ground where the jaw lies on it, and where a hand holds it."""
LIE_TOLERANCE_MM = 0.35
"""A pixel's surface point this close to the map seen from above takes the map's material, else it is wall."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """Samples a pixel for the jaw and for the rest (drawn at half size), and bounces of light."""

    jaw: int = 2
    own: int = 2
    rest: int = 2
    bounces: int = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """A finished photograph with its labels; ``tops`` belongs to the truth."""

    image: NDArray[np.uint8]
    material: NDArray[np.uint8]
    tooth: NDArray[np.uint8]
    camera: Camera
    tops: dict[int, Top]
    conditions: dict[str, Any]


def mirrored(jaw: Jaw, points: Array) -> Array:
    """Jaw coordinates to world coordinates (and back): a right jaw is the mirror picture of a left one."""
    return points * np.array([1.0, -1.0, 1.0]) if jaw.side == "right" else points


def world_mesh(jaw: Jaw, mesh: Mesh) -> Mesh:
    """Mesh of the jaw's frame in the world."""
    faces = mesh.faces[:, ::-1] if jaw.side == "right" else mesh.faces
    return replace(mesh, vertices=mirrored(jaw, mesh.vertices), faces=faces)


def add_teeth(scene: dict[str, Any], rng: np.random.Generator, jaw: Jaw) -> tuple[dict[int, Top], str]:
    """Put the crowns into ``scene``; returns their maps seen from above and a word on stain."""
    skin = draw_skin(rng)
    tops = {}
    for tooth in jaw.teeth:
        if tooth.crown is None:
            continue
        assert tooth.packing is not None  # comes with the crown
        x, y, z, volume = worn_volume(tooth.crown, CROWN_VOXEL_MM, tooth.packing)
        top = crown_top(tooth.crown, TOP_STEP_MM, x, y, z, volume)
        tops[tooth.position] = top
        mesh = crown_mesh(tooth.crown, x, y, z, volume)
        colour, rough = paint(rng, top, skin, not tooth.milk and not (top.material == Material.DENTINE).any())
        mesh = world_mesh(jaw, replace(mesh, vertices=tooth.to_jaw(mesh.vertices)))
        # The map's grid reaches a little beyond the mesh's: stretch it to its own box.
        box = np.array([top.x[-1] - top.x[0], top.y[-1] - top.y[0]]) / [x[-1] - x[0], y[-1] - y[0]]
        mesh = replace(mesh, uv=mesh.uv / box)
        surface = {
            "type": "principled",
            "base_color": texture(colour),
            "roughness": texture(rough),
            "specular": 0.5,
        }
        scene[f"tooth{tooth.position}"] = shape(f"tooth{tooth.position}", mesh, surface, coloured=False)
    return tops, "heavy" if skin.stain_share > 0.5 else "light" if skin.stain_share < 0.25 else "medium"


def crown_tops(jaw: Jaw) -> dict[int, Top]:
    """Maps seen from above of all crowns, as `add_teeth` makes them."""
    tops = {}
    for tooth in jaw.teeth:
        if tooth.crown is not None:
            assert tooth.packing is not None  # comes with the crown
            volume = worn_volume(tooth.crown, CROWN_VOXEL_MM, tooth.packing)
            tops[tooth.position] = crown_top(tooth.crown, TOP_STEP_MM, *volume)
    return tops


def add_bone(scene: dict[str, Any], rng: np.random.Generator, jaw: Jaw, style: BoneStyle) -> None:
    """Put bone and gum into ``scene``."""
    mesh = world_mesh(jaw, jaw_mesh(jaw, style, rng))
    surface = {
        "type": "principled",
        "base_color": {"type": "mesh_attribute", "name": "vertex_colour"},
        "roughness": 0.6 - 0.32 * style.wet,
        "specular": 0.35 + 0.2 * style.wet,
    }
    grain = bone_grain(rng, jaw.fresh)
    bumpy = {"type": "bumpmap", "grain": texture(grain), "scale": 1.0, "inner": surface}
    scene["bone"] = shape("bone", mesh, bumpy, coloured=True)


def add_surroundings(
    scene: dict[str, Any], rng: np.random.Generator, cond: Conditions, row_mm: float
) -> None:
    """Ground, backdrop, hand, stones, ruler and card."""
    mi = mitsuba()
    held = cond.ground == "glove"
    name = str(rng.choice(["grass", "gravel", "wood", "truck_bed"])) if held else cond.ground
    level = float(rng.uniform(-190.0, -110.0)) if held else float(rng.uniform(-33.0, -28.0))
    picture = texture(ground_picture(rng, name), clamp=False)
    half = 900.0
    place = (
        mi.ScalarTransform4f()
        .translate([row_mm / 2.0 + float(rng.normal() * 60), float(rng.normal() * 60), level])
        .rotate([0, 0, 1], float(rng.uniform(0, 360)))
        .rotate([1, 0, 0], float(rng.normal() * 3.0))
    )
    picture["to_uv"] = mi.ScalarTransform4f().scale(2.0 * half / SIZE_MM)
    glossy = name in ("truck_bed", "table", "cutting_board")
    surface: dict[str, Any] = {
        "type": "principled",
        "base_color": picture,
        "roughness": 0.35 if glossy else 0.9,
        "specular": 0.5 if glossy else 0.1,
    }
    scene["ground"] = {
        "type": "rectangle",
        "to_world": place.scale(half),
        "bsdf": {"type": "twosided", "inner": surface},
    }
    # Things that a picture does not need stand far below: scenes of one make-up share compiled code.
    away = np.array(
        [np.cos(np.radians(cond.tilt_towards_deg)), np.sin(np.radians(cond.tilt_towards_deg)), 0.0]
    )
    drop = np.array([0.0, 0.0, 0.0 if cond.tilt_deg > 60.0 else -4000.0])
    wall = mi.ScalarTransform4f().look_at(
        origin=(drop - 500.0 * away).tolist(), target=(drop + 500.0 * away).tolist(), up=[0, 0, 1]
    )
    tone = (np.array([0.4, 0.38, 0.35]) * rng.uniform(0.3, 1.5)).tolist()
    scene["wall"] = {
        "type": "rectangle",
        "to_world": wall.scale(1500.0),
        "bsdf": {
            "type": "twosided",
            "inner": {"type": "diffuse", "reflectance": {"type": "rgb", "value": tone}},
        },
    }
    coloured = {
        "type": "principled",
        "base_color": {"type": "mesh_attribute", "name": "vertex_colour"},
        "specular": 0.4,
    }
    if held:
        mesh = objects.glove(rng, row_mm)
        scene["glove"] = shape(
            "glove", mesh, {**coloured, "roughness": float(rng.uniform(0.3, 0.7))}, coloured=True
        )
    if cond.fault == "not_a_jaw":
        for k in range(int(rng.integers(0, 5))):
            centre = np.array([row_mm / 2.0 + rng.normal() * 45.0, rng.normal() * 40.0, level + 8.0])
            scene[f"stone{k}"] = shape(
                f"stone{k}",
                objects.stone(rng, centre, float(rng.uniform(14.0, 45.0))),
                {**coloured, "roughness": 0.7},
                coloured=True,
            )
        if rng.random() < 0.6 and not held:
            a = np.array([row_mm / 2.0 - 50.0, rng.normal() * 20.0, level + 10.0])
            b = np.array([row_mm / 2.0 + 50.0, rng.normal() * 20.0, level + 9.0])
            scene["limb"] = shape(
                "limb", objects.long_bone(rng, a, b), {**coloured, "roughness": 0.5}, coloured=True
            )
    if cond.fault == "covered":
        for k in range(3):
            at = np.array(
                [row_mm * (0.35 + 0.2 * k) + rng.normal() * 3.0, rng.normal() * 2.0, 11.0 + rng.normal()]
            )
            leaf = objects.stone(rng, at, float(rng.uniform(19.0, 27.0)))
            tint = np.array([[0.16, 0.20, 0.04], [0.28, 0.17, 0.07], [0.30, 0.05, 0.03]][rng.integers(3)])
            leaf = replace(
                leaf, vertices=(leaf.vertices - at) * [1.0, 1.0, 0.35] + at, colour=leaf.colour / 0.3 * tint
            )
            scene[f"cover{k}"] = shape(f"cover{k}", leaf, {**coloured, "roughness": 0.6}, coloured=True)
    pebble = objects.stone(rng, np.array([0.0, 0.0, -3000.0]), 10.0)
    scene["pebble"] = shape("pebble", pebble, {**coloured, "roughness": 0.7}, coloured=True)
    shown = cond.extra != "none" and not held
    side = float(rng.choice([-1.0, 1.0]))
    half_box = np.array([43.0, 27.0, 0.5]) if cond.extra == "card" else np.array([80.0, 12.5, 1.2])
    along, across = row_mm / 2.0 + rng.normal() * 15.0, side * (rng.uniform(26.0, 34.0) + half_box[1])
    centre = np.array([along, across, level + 6.0 if shown else -3000.0])
    face = objects.card_picture(rng) if cond.extra == "card" else objects.ruler_picture(rng, 160.0, 25.0)
    mesh = objects.strip_box(centre, half_box, float(rng.normal() * 0.1))
    surface = {"type": "principled", "base_color": texture(face), "roughness": 0.45, "specular": 0.4}
    scene["extra"] = shape("extra", mesh, surface, coloured=False, smooth=False)


def add_light(scene: dict[str, Any], rng: np.random.Generator, cond: Conditions, camera: Camera) -> None:
    """Emitters for ``cond.light``; radiances are relative, the phone meters them."""
    mi = mitsuba()

    def rgb(*value: float) -> dict[str, Any]:
        return {"type": "rgb", "value": [float(v) for v in value]}

    def sky(top: Array, side: Array, spot: float) -> None:
        picture = np.ascontiguousarray(sky_picture(rng, top, side, spot), dtype=np.float32)
        scene["sky"] = {
            "type": "envmap",
            "bitmap": mi.Bitmap(picture),
            "to_world": mi.ScalarTransform4f().rotate([1, 0, 0], 90.0),
        }

    sun, flash, panels = 0.0, 0.0, []
    way = rng.uniform(0.0, 2.0 * np.pi)
    low = rng.uniform(0.35, 1.0)
    toward = np.array([np.cos(way) * np.cos(low), np.sin(way) * np.cos(low), np.sin(low)])
    if cond.light == "overcast":
        sky(np.array([0.95, 1.0, 1.06]), np.array([1.0, 1.0, 1.0]), float(rng.uniform(0.0, 1.2)))
    elif cond.light == "sun":
        sky(np.array([0.35, 0.45, 0.62]), np.array([0.5, 0.5, 0.5]), 0.3)
        sun = 1.0
    elif cond.light == "lamp":
        sky(np.array([0.12, 0.11, 0.10]), np.array([0.5, 0.45, 0.4]), 0.5)
        tone = np.array([26.0, 21.0, 14.5])
        panels.append((camera.target + toward * 600.0, float(rng.uniform(25.0, 90.0)), tone))
    elif cond.light == "flash":
        sky(np.array([0.10, 0.10, 0.11]), np.array([0.3, 0.3, 0.3]), 0.4)
        flash = 2.4 * cond.distance_mm**2
    else:
        sky(np.array([0.25, 0.25, 0.26]), np.array([0.3, 0.3, 0.3]), 0.4)
        for k in range(int(rng.integers(2, 4))):
            turn = way + 2.1 * k + rng.normal() * 0.3
            away = np.array([np.cos(turn) * 420.0, np.sin(turn) * 420.0, rng.uniform(380.0, 700.0)])
            tone = np.array([4.5, 4.4, 4.3]) * rng.uniform(0.4, 1.4)
            panels.append((camera.target + away, float(rng.uniform(60.0, 160.0)), tone))
    # Lamps that are off stay in the scene and are never sampled: see add_surroundings.
    scene["sun"] = {
        "type": "directional",
        "direction": (-toward).tolist(),
        "irradiance": rgb(3.4 * sun, 3.1 * sun, 2.6 * sun),
        "sampling_weight": 2.0 * sun,
    }
    right, down, forward = camera.axes()
    side = right * rng.choice([-1.0, 1.0]) * 14.0 + down * rng.normal() * 6.0
    scene["flash"] = {
        "type": "point",
        "position": (camera.position + side - forward * 4.0).tolist(),
        "intensity": rgb(flash, flash, 0.97 * flash),
        "sampling_weight": 3.0 if flash else 0.0,
    }
    off = [(np.array([0.0, 30.0 * k, 5000.0 + k]), 1.0, np.zeros(3)) for k in range(3 - len(panels))]
    for k, (where, size, tone) in enumerate(panels + off):
        look = mi.ScalarTransform4f().look_at(
            origin=where.tolist(), target=camera.target.tolist(), up=[0.3, 1.0, 0.2]
        )
        scene[f"panel{k}"] = {
            "type": "rectangle",
            "to_world": look.scale(size),
            "emitter": {
                "type": "area",
                "radiance": rgb(*tone),
                "sampling_weight": 1.0 if k < len(panels) else 0.0,
            },
        }


def jaw_window(jaw: Jaw, style: BoneStyle, camera: Camera) -> Window:
    """Pixel box (x0, y0, x1, y1) that holds what the picture shows of the jaw."""
    corners = np.array(
        [
            [x, y, z]
            for x in (-style.front - 3.0, jaw.row_mm + style.back + 3.0)
            for y in (-17.0, 17.0)
            for z in (-32.0, min(38.0, 12.0 + style.back))
        ]
    )
    px = camera.project(mirrored(jaw, corners))
    size = np.array([camera.width, camera.height])
    low = np.clip(np.floor(px.min(axis=0)).astype(int) - 4, 0, size - 8)
    high = np.clip(np.ceil(px.max(axis=0)).astype(int) + 4, low + 8, size)
    # Whole steps only, so that windows come in few sizes; what reaches beyond the picture is thrown away.
    span = -(-(high - low) // WINDOW_STEP_PX) * WINDOW_STEP_PX
    low = np.clip(low, 0, np.maximum(size - span, 0))
    return int(low[0]), int(low[1]), int(low[0] + span[0]), int(low[1] + span[1])


def label_maps(
    jaw: Jaw, tops: dict[int, Top], names: list[str], position: Array, index: NDArray[np.int64]
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Material and tooth of every pixel from the first surface hit."""
    material = np.zeros(index.shape, np.uint8)
    tooth_map = np.zeros(index.shape, np.uint8)
    # Shapes are numbered from 1 in scene order; 0 is "nothing hit".
    material[index == names.index("bone") + 1] = Material.JAW
    for tooth in jaw.teeth:
        if tooth.position not in tops:
            continue
        hit = index == names.index(f"tooth{tooth.position}") + 1
        if not hit.any():
            continue
        own = tooth.to_tooth(mirrored(jaw, position[hit]))
        top = tops[tooth.position]
        step = top.x[1] - top.x[0]
        col = np.clip(np.round((own[:, 0] - top.x[0]) / step).astype(int), 0, len(top.x) - 1)
        row = np.clip(np.round((own[:, 1] - top.y[0]) / step).astype(int), 0, len(top.y) - 1)
        found = top.material[row, col]
        on_top = np.abs(own[:, 2] - top.height[row, col]) < LIE_TOLERANCE_MM
        steep = found == Material.INFUNDIBULUM
        ok = (on_top | steep) & (found != Material.BACKGROUND)
        material[hit] = np.where(ok, found, Material.CROWN_WALL)
        tooth_map[hit] = tooth.position
    return material, tooth_map


def take_picture(seed: int, jaw: Jaw | None, cond: Conditions, effort: Effort) -> Picture:
    """
    Photograph ``jaw`` (or none) under ``cond``; everything left open is drawn from ``seed``.

    Labels come from one ray a pixel through the same camera, so they are exact.
    """
    rng = np.random.default_rng([seed, 7])
    row_mm = jaw.row_mm if jaw is not None else 80.0
    camera = place_camera(cond, rng, row_mm)
    scene: dict[str, Any] = {}
    tops: dict[int, Top] = {}
    told: dict[str, Any] = {"stain": None}
    window = (0, 0, camera.width, camera.height)
    style = None
    if jaw is not None:
        tops, told["stain"] = add_teeth(scene, rng, jaw)
        style = draw_bone_style(rng, jaw)
        add_bone(scene, rng, jaw, style)
        window = jaw_window(jaw, style, camera)
    add_surroundings(scene, rng, cond, row_mm)
    shapes = list(scene)
    add_light(scene, rng, cond, camera)
    stage = Stage(scene)
    shot = seed % 65521 * 1000
    light = draw_rest(stage, camera, cond, effort, shot)
    material = np.zeros((camera.height, camera.width), np.uint8)
    tooth = np.zeros_like(material)
    if jaw is not None:
        x0, y0 = window[:2]
        x1, y1 = min(window[2], camera.width), min(window[3], camera.height)
        inside = np.s_[: y1 - y0, : x1 - x0]
        look = sensor(camera, window)
        own = stage.own_colour(look, effort.own, shot + 300)
        fine = calm(stage.light(look, effort.jaw, effort.bounces, shot + 500), own)[inside]
        position, index = stage.labels(sensor(camera, window, labels=True), shot + 800)
        position, index = position[inside], index[inside]
        part = label_maps(jaw, tops, shapes, position, index)
        material[y0:y1, x0:x1], tooth[y0:y1, x0:x1] = part
        near = [shapes.index(name) + 1 for name in shapes if name.startswith(("glove", "cover"))]
        solid = ((part[0] > 0) | np.isin(index, near)).astype(np.uint8)
        weight = cv2.GaussianBlur(cv2.dilate(solid, np.ones((9, 9))).astype(np.float32), (0, 0), 3.0)[
            ..., None
        ]
        light[y0:y1, x0:x1] = light[y0:y1, x0:x1] * (1.0 - weight) + fine * weight
    meter = tooth > 0
    if not meter.any():
        meter = np.ones_like(meter)
    image = develop(rng, light, meter, cond.phone)
    told.update(
        light=cond.light,
        background=cond.ground,
        fresh=None if jaw is None else jaw.fresh,
        extra=cond.extra,
        distance_mm=round(cond.distance_mm, 1),
        lens_mm=cond.lens_mm,
        jpeg_quality=cond.phone.quality,
    )
    return Picture(image=image, material=material, tooth=tooth, camera=camera, tops=tops, conditions=told)


def draw_rest(stage: Stage, camera: Camera, cond: Conditions, effort: Effort, shot: int) -> Rendered:
    """Everything at half size and enlarged, blurred as far as the lens blurs the ground; shape (H, W, 3)."""
    small = replace(
        camera, width=camera.width // 2, height=camera.height // 2, focal_px=camera.focal_px / 2.0
    )
    look = sensor(small, (0, 0, small.width, small.height))
    rest = calm(
        stage.light(look, effort.rest, effort.bounces, shot), stage.own_colour(look, effort.own, shot + 100)
    )
    behind = HELD_ABOVE_MM if cond.ground == "glove" else LYING_ABOVE_MM
    disc_px = cond.lens_mm * small.focal_px * behind / (cond.distance_mm * (cond.distance_mm + behind))
    if disc_px > 0.4:
        # a disc of radius r has a sigma of r / 2 an axis
        rest = np.asarray(cv2.GaussianBlur(rest, (0, 0), disc_px / 2.0), dtype=np.float32)
    whole = cv2.resize(rest, (camera.width, camera.height), interpolation=cv2.INTER_CUBIC)
    return np.asarray(whole, dtype=np.float32)


def calm(light: Rendered, own: Rendered) -> Rendered:
    """
    Take sampling noise out, as phones do: the light on the surfaces is smoothed, their own pattern is not.

    Parameters
    ----------
    light, own : ndarray, shape (H, W, 3)
        Picture and the surfaces' own colour, both linear.
    """
    own = np.maximum(own, 0.02)
    shine = np.clip(light / own, 0.0, 60.0).astype(np.float32)
    middle = cv2.medianBlur(shine, 5)
    odd = (shine.max(axis=2) + 0.02) / (middle.max(axis=2) + 0.02)
    spark = (odd > 1.5) | (odd < 0.75)
    shine[spark] = middle[spark]
    level = np.log(shine + 0.05)
    level = cv2.bilateralFilter(level, 11, 0.7, 3.0)
    level = cv2.bilateralFilter(level, 9, 0.3, 3.0)
    return np.asarray(np.maximum(np.exp(level) - 0.05, 0.0) * own, dtype=own.dtype)
