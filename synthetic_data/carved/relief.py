"""The surface of one tooth row with its gum or bone as a grid: heights, colours, roughness, which tooth."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.synthetic_data.carved.crowns import Section
from crestgauge.synthetic_data.carved.looks import Skin
from crestgauge.synthetic_data.carved.noise import cloud, mix, step
from crestgauge.synthetic_data.carved.outlines import Array
from crestgauge.synthetic_data.carved.rows import Row

Rng = np.random.Generator
STEP_MM = 0.06


@dataclass(frozen=True, slots=True, eq=False)
class Relief:
    """Grid of shape (R, C): plan places (R, C, 2) and heights [mm], linear colour (R, C, 3), roughness, tooth
    number or 0."""

    plan: Array
    height: Array
    colour: Array
    rough: Array
    tooth: Array


def gum_level(row: Row, x: Array) -> Array:
    """Height of the gum's edge on the tongue side along the row. [mm]"""
    return np.interp(x, [t.place[0] for t in row.teeth], row.gum)


def make_relief(rng: Rng, row: Row, skin: Skin) -> Relief:
    """The grid of a row."""
    x = np.arange(-9.0, row.length + 12.0, STEP_MM)
    bow = np.interp(x, [t.place[0] for t in row.teeth], [t.place[1] for t in row.teeth])
    side = np.arange(-8.6, 8.2, STEP_MM)
    plan = np.stack([np.broadcast_to(x, (len(side), len(x))), side[:, None] + bow[None, :]], axis=-1)
    shape = plan.shape[:2]
    height, tooth = np.full(shape, -40.0), np.zeros(shape)
    colour, rough = np.zeros((*shape, 3)), np.full(shape, 0.5)
    face = np.zeros(shape, dtype=bool)  # worn faces: gum never lies on one
    patterns = [cloud(rng, shape, cell, stretch=s) for cell, s in ((5, 1.0), (24, 1.0), (70, 1.4), (12, 5.0))]
    for t in row.teeth:
        if t.crown is None:
            continue
        reach = (t.crown.lobes[-1].x1 - t.crown.lobes[0].x0) / 2.0 + 2.2
        columns = slice(*np.searchsorted(x, [t.place[0] - reach, t.place[0] + reach]))
        points = t.to_tooth(plan[:, columns])
        section, own = t.crown.surface(points)
        own = own + t.place[2]
        own, paint, gloss = painted(section, own, skin, [p[:, columns] for p in patterns])
        gum = gum_level(row, plan[:, columns, 0]) - 3.0 - own
        paint = mix(paint, skin.tartar, np.clip(step(gum, -2.5, 1.0) * skin.tartar_share * 0.8, 0, 1))
        # Walls end somewhat below the gum's edge, so that none comes out of the side of the gum again.
        edge = gum_level(row, plan[:, columns, 0]) - 1.3 * step(-side[:, None], -1.0, 4.0)
        buried = (own < edge - (3.4 if skin.kind == "bone" else 2.0)) | (section.outline < -3.0)
        own = np.where(buried, -40.0, own)
        up = own > height[:, columns]
        height[:, columns] = np.where(up, own, height[:, columns])
        tooth[:, columns] = np.where(up, t.position, tooth[:, columns])
        if t.state == "erupted":
            face[:, columns] |= up & (section.tooth > 0.0)
        colour[:, columns] = np.where(up[..., None], paint, colour[:, columns])
        rough[:, columns] = np.where(up, gloss, rough[:, columns])
    return cover_with_gum(row, skin, patterns, Relief(plan, height, colour, rough, tooth), face)


def painted(section: Section, height: Array, skin: Skin, patterns: list[Array]) -> tuple[Array, Array, Array]:
    """Height, colour and roughness of one crown: dentine a little hollow, funnels dark and packed."""
    fine, middle, broad, streak = patterns
    core, face = section.core, section.tooth
    dentine = step(core, -0.045, 0.045)
    cut = step(face, -0.04, 0.04)
    height = height - 0.20 * dentine * (1.0 - np.exp(-np.clip(core, 0, None) / 0.3))
    height = (
        height - 0.07 * cut * np.exp(-np.clip(face, 0, None) / 0.07) + 0.006 * fine * dentine + 0.004 * middle
    )
    warm = mix(skin.dentine_edge, skin.dentine, step(core, 0.0, 0.35) + 0.15 * middle)
    warm = warm * (1.0 + 0.16 * broad + 0.10 * streak + 0.05 * fine)[..., None]
    warm = mix(warm, warm * 0.55, 0.55 * step(core, 0.75, 1.5))
    white = skin.enamel * (1.0 + 0.035 * middle + 0.02 * broad)[..., None]
    thin = np.exp(-np.clip(-core, 0, None) / 0.10) * 0.25  # dentine shines through the enamel's edge
    white = mix(white, white * np.array([0.80, 0.70, 0.55]), thin)
    wall = skin.wall * (1.0 + 0.07 * middle + 0.05 * broad)[..., None]
    wall = mix(wall, skin.tartar, np.clip(skin.tartar_share * step(broad + 0.5 * middle, 0.1, 1.9), 0, 1))
    hollow = step(-section.hollow, -0.02, 0.08) * (1.0 - cut)
    sunk = np.clip(-section.hollow, 0.0, None)
    # A funnel stains with depth; young ones only at the bottom.
    stain = step(sunk, 0.05, 1.0) * (0.55 + 0.25 * np.tanh(broad))
    wall = mix(
        wall,
        mix(skin.funnel * np.ones_like(wall), skin.food * np.ones_like(wall), step(fine, -1, 1)),
        stain * hollow * step(-section.inner, -0.5, 0.2),
    )
    packed = row_face(section, height) - skin.food_mm + 0.18 * middle + 0.05 * fine
    real = (section.inner < -0.05) & (section.outline > 0.3) & (section.worn > 0.9)
    filled = (hollow > 0.5) & (packed > height) & real
    height = np.where(filled, packed, height)
    wall = np.where(filled[..., None], skin.food * (1.0 + 0.35 * fine + 0.25 * middle)[..., None], wall)
    colour = mix(mix(wall, white, cut), warm, dentine)
    rough = np.where(filled, 0.8, 0.24 + 0.05 * np.tanh(middle)) + dentine * (0.30 + 0.05 * np.tanh(fine))
    return height, np.clip(colour, 0.01, 0.93), np.clip(rough - 0.08 * skin.wet, 0.08, 0.95)


def row_face(section: Section, height: Array) -> Array:
    """Height of the worn face (or of the highest ridges) near each place; food is packed below it. [mm]"""
    top = np.where(section.tooth > 0.0, height, -40.0).astype(np.float32)
    if (top > -39.0).sum() < 400:
        top = np.where(height > np.quantile(height, 0.97), height, -40.0).astype(np.float32)
    spread = cv2.dilate(top, np.ones((61, 61), np.uint8))
    return np.asarray(cv2.blur(spread, (41, 41)), dtype=np.float64)


def cover_with_gum(
    row: Row, skin: Skin, patterns: list[Array], bare: Relief, face: NDArray[np.bool_]
) -> Relief:
    """Gum or bone around the crowns."""
    fine, middle, broad, _ = patterns
    x = bare.plan[..., 0]
    y = bare.plan[..., 1] - np.interp(x[0], [t.place[0] for t in row.teeth], [t.place[1] for t in row.teeth])
    level = gum_level(row, x) - 1.3 * step(-y, -1.0, 4.0) + 0.25 * np.tanh(broad) + 0.08 * middle
    solid = (bare.height > level - 0.4).astype(np.uint8)
    away = cv2.distanceTransform(1 - solid, cv2.DIST_L2, 5).astype(np.float64) * STEP_MM
    if skin.kind == "bone":
        level = level - 1.4
        soft = (
            level
            - 1.1 * np.exp(-(((away - 0.35) / 0.35) ** 2))
            - 0.25 * away
            + 0.008 * fine
            + 0.03 * middle
            + 0.1 * np.tanh(broad)
        )
    else:
        soft = level + 0.35 * np.exp(-away / 0.7) - 0.45 * away + 0.05 * middle
    soft = soft - 0.55 * np.clip(np.abs(y + 0.4) - 3.9, 0.0, None) ** 2
    ends = np.clip(-1.0 - x, 0, None) + np.clip(x - row.length - 1.0, 0, None)
    soft = soft - 0.13 * ends**2
    for t in row.teeth:
        if t.state == "erupting":  # the gum still reaches up over the back of a crown that is coming
            near = np.exp(-(((x - t.place[0] - 3.5) / 5.5) ** 2) - (y / 4.6) ** 2)
            soft = np.maximum(soft, soft + near * (t.place[2] - 1.2 - soft + 0.6 * np.tanh(broad)))
        elif t.state == "absent":
            near = np.exp(-(((x - t.place[0]) / 7.5) ** 2) - (y / 4.8) ** 2)
            soft = soft + near * 1.6
    over = (soft > bare.height) & ~face
    tint = (
        skin.flesh
        * (1.0 + 0.07 * broad + 0.05 * middle + (0.09 if skin.kind != "bone" else 0.05) * fine)[..., None]
    )
    if skin.kind == "bone":
        tint = mix(tint, np.array([0.22, 0.13, 0.07]), 0.45 * step(broad + 0.6 * middle, 0.6, 2.2))
        tint = mix(tint, np.array([0.10, 0.07, 0.05]), 0.6 * np.exp(-away / 0.4))
        gloss = np.full(x.shape, 0.7)
    else:
        tint = mix(tint, tint * np.array([1.35, 1.1, 1.05]), 0.6 * np.exp(-away / 0.8))
        gloss = 0.55 - 0.33 * skin.wet + 0.1 * np.tanh(middle)
    return Relief(
        bare.plan,
        np.where(over, soft, bare.height),
        np.clip(np.where(over[..., None], tint, bare.colour), 0.01, 0.93),
        np.clip(np.where(over, gloss, bare.rough), 0.08, 0.95),
        np.where(over, 0, bare.tooth),
    )
