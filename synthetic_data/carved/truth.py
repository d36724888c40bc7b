"""The truth file of one carved picture, ``crestgauge.truth/1``, as the traced family writes it."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from crestgauge.synthetic_data.carved.looks import Shot, Skin
from crestgauge.synthetic_data.carved.outlines import Array
from crestgauge.synthetic_data.carved.picture import Camera, place_camera, row_middle, to_world
from crestgauge.synthetic_data.carved.relief import Relief
from crestgauge.synthetic_data.carved.rows import CLASSES, Row, Tooth
from crestgauge.synthetic_data.carved.widths import CrestTruth, measure_crest, open_and_dentine
from crestgauge.synthetic_data.traced.truth import SCHEMA, annotate, median, no_crown, no_line, rounded

FAMILY = "carved"
LENS_BLUR_PX = 0.54
"""Gaussian sigma without defocus: reconstruction filter 0.45 px and the square pixel, 0.29 px. [px]"""
LEAST_SEEN = 0.35
"""A tooth of which less than this share of its visible face lies in the picture counts as unseen."""


def crest_entry(crest: CrestTruth, place: Any) -> dict[str, Any]:
    """One crest; ``place`` takes points of the tooth frame to pixels."""
    entry = no_line(crest.lobe, gone=crest.gone)
    if not len(crest.edges):
        return entry
    dentine, outer, inner = crest.widths()
    ratio = dentine / ((outer + inner) / 2.0)
    known = np.isfinite(ratio)
    by: dict[str, float] = {}
    if known.any() and not crest.gone:
        share = np.linspace(0.25, 0.75, len(ratio))
        by = {
            "middle": median(ratio[(share >= 0.45) & (share <= 0.55)]),
            "widest": float(ratio[known][np.argmax(dentine[known])]),
            "outer": median((dentine / outer)[known]),
            "inner": median((dentine / inner)[known]),
        }
    bands = np.linalg.norm(np.diff(place(crest.edges), axis=1), axis=2)
    entry.update(
        dentine_mm=rounded(median(dentine), 4),
        enamel_outer_mm=rounded(median(outer), 4),
        enamel_inner_mm=rounded(median(inner), 4),
        ratio=None if crest.gone else rounded(median(ratio), 4),
        ratio_by_definition={k: rounded(v, 4) for k, v in by.items() if np.isfinite(v)},
        dentine_px=rounded(median(bands[:, 1]), 2),
        enamel_px=rounded(median((bands[:, 0] + bands[:, 2]) / 2.0), 2),
        line=rounded(place(crest.line), 1),
    )
    return entry


@lru_cache(maxsize=12)
def measured(row: Row, tooth: Tooth) -> dict[str, Any]:
    """What a tooth's truth says without any picture."""
    if tooth.crown is None:
        return no_crown(tooth.position, tooth.state)
    floor = row.gum[tooth.position - 1] - float(tooth.place[2])
    left, dentine = open_and_dentine(tooth.crown, floor)
    crests = [measure_crest(tooth.crown, lobe) for lobe in tooth.crown.lobes if lobe.crest]
    entry = no_crown(tooth.position, tooth.state)
    entry.update(
        milk=tooth.milk,
        lobes=len(tooth.crown.lobes),
        infundibulum_left=None if left is None else rounded(left),
        dentine_share=rounded(dentine, 4),
        crests=crests,
    )
    return entry


def class_of(row: Row) -> str | None:
    """Class by the default key on the true widths."""
    teeth = []
    for tooth in row.teeth:
        entry = dict(measured(row, tooth))
        entry["crests"] = [crest_entry(c, lambda p: p[..., :2]) for c in entry["crests"]]
        teeth.append(entry)
    found = annotate({"side": row.side, "teeth": teeth})["age_class"]
    return None if found is None else str(found)


def tooth_entry(row: Row, tooth: Tooth, relief: Relief, camera: Camera) -> dict[str, Any]:
    """One position as the picture shows it."""
    entry = dict(measured(row, tooth))
    if tooth.crown is None:
        return entry

    def place(points: Array) -> Array:
        return camera.project(to_world(row.side, tooth.to_jaw(points)))

    own = relief.tooth == tooth.position
    grid = np.concatenate([relief.plan[own], relief.height[own][:, None]], axis=1)
    seen = camera.project(to_world(row.side, grid))
    inside = ((seen > -0.5) & (seen < np.array(camera.size) - 0.5)).all(axis=1)
    if not len(seen) or inside.mean() < LEAST_SEEN:
        return no_crown(tooth.position)
    middles = np.array([[(lobe.x0 + lobe.x1) / 2.0, 0.0] for lobe in tooth.crown.lobes])
    heights = tooth.crown.surface(middles)[1]
    seen = seen[inside]
    entry.update(
        centre=rounded(seen.mean(axis=0), 1),
        box=[int(v) for v in (*seen.min(axis=0), *seen.max(axis=0))],
        lobe_centres=rounded(place(np.column_stack([middles, heights])), 1),
        crests=[crest_entry(c, place) for c in entry["crests"]],
    )
    return entry


def truth_of(
    name: str, seed: int, row: Row | None, skin: Skin, shot: Shot, relief: Relief | None
) -> dict[str, Any]:
    """The whole truth file of one picture."""
    truth: dict[str, Any] = {
        "schema": SCHEMA,
        "file": f"{name}.jpg",
        "family": FAMILY,
        "seed": seed,
        "usable": shot.fault is None,
        "unusable": [] if shot.fault is None else [shot.fault],
        "side": None,
        "tilt_deg": None,
        "view": None,
        "px_per_mm": None,
        "blur_px": rounded(float(np.hypot(LENS_BLUR_PX, shot.blur_px)), 2),
        "conditions": {
            "light": shot.light,
            "background": shot.ground,
            "holder": shot.holder,
            "flesh": skin.kind,
            "distance_mm": rounded(shot.distance, 1),
            "jpeg_quality": shot.quality,
        },
        "age_years": None,
        "age_class": None,
        "deciding": None,
        "teeth": [no_crown(k) for k in range(1, 7)],
    }
    if row is None or relief is None:
        return truth
    camera = place_camera(shot, row.length, row.side)
    to_camera = camera.position - to_world(row.side, row_middle(row.length))
    away = float(np.linalg.norm(to_camera))
    sight = to_camera / away
    across = np.array([camera.right[0], camera.right[1], 0.0])
    across /= np.linalg.norm(across)
    below = np.array([across[1], -across[0], 0.0])  # square to it, downward in a picture from above
    truth.update(
        side=row.side,
        tilt_deg=rounded(float(np.degrees(np.arccos(np.clip(sight[2], -1.0, 1.0)))), 2),
        view=rounded([float(sight @ across), float(sight @ below)], 4),
        px_per_mm=rounded(camera.focal_px / away, 3),
        age_years=0.5 + CLASSES.index(row.age_class),
        teeth=[tooth_entry(row, tooth, relief, camera) for tooth in row.teeth],
    )
    return annotate(truth)
