"""Photographs on disk with their truth: a JPEG, a truth file and two label pictures each; one manifest."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray

from crestgauge.inference.criteria import Criteria, load_criteria
from crestgauge.inference.rules import propose
from crestgauge.model.labels import Material
from crestgauge.synthetic_data.camera import Camera
from crestgauge.synthetic_data.draw import SECOND
from crestgauge.synthetic_data.options import UNUSABLE, DrawOptions
from crestgauge.synthetic_data.phone import Phone, develop, sample_phone
from crestgauge.synthetic_data.scene import (
    SECOND_SHARE,
    Scene,
    Specimen,
    draw_scene,
    levelled_camera,
    lobe_points,
    sample_beside,
    sample_conditions,
    sample_specimen,
    without_jaw,
)
from crestgauge.synthetic_data.second import Second, row_middle
from crestgauge.synthetic_data.spoil import exposed
from crestgauge.synthetic_data.truth import ToothTruth, evidence, places_to_see, teeth_truth, visible_state

SCHEMA = "crestgauge.truth/1"
PLACE_OF_LAST_TOOTH_MM = 24.0
TRIES = 6
"""Places tried for what lies beside a row."""
NEARER = 0.06
"""By this share of the long side the row that is meant lies nearer to the middle than any other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DatasetOptions:
    """
    What a set of photographs is made of.

    share_unusable : share of photographs spoilt on purpose, all `UNUSABLE` equally often
    long_side_px : range of the long side, log-uniform; a row that would not fit takes a larger picture
    px_per_mm : range of scales of a usable photograph
    tilt_deg : largest tilt of a usable photograph
    blur_mm : range of the sigma of all blur of a usable photograph, on the teeth
    hold_out, only : conditions, as in `DrawOptions`; an unknown one is an InputError of the first photo
    labels : write label pictures too
    share_second : share of photographs with something beside the row; None for that of training pictures.
        The truth is that of the row that is meant; its condition "beside" says what else there is
    """

    share_unusable: float = 0.25
    long_side_px: tuple[int, int] = (1600, 4032)
    px_per_mm: tuple[float, float] = (13.0, 38.0)
    tilt_deg: float = 15.0
    blur_mm: tuple[float, float] = (0.02, 0.11)
    hold_out: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    labels: bool = False
    share_second: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class DrawnPhoto:
    """One photograph (H, W, 3 uint8 sRGB) with its truth (plain values, see `truth_record`) and scene."""

    image: NDArray[np.uint8]
    truth: dict[str, Any]
    scene: Scene
    quality: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    kind: str | None
    size: tuple[int, int]
    px_per_mm: float
    tilt_deg: float
    roll_deg: float
    offset_px: tuple[float, float]
    blur_px: tuple[float, float]
    cover: tuple[float, float] | None


def _plan(rng: Generator, specimen: Specimen, options: DatasetOptions, kind: str | None) -> _Plan:
    """Camera and lens for one photograph: in order, or spoilt in the one way that ``kind`` names."""
    long = float(np.exp(rng.uniform(*np.log(options.long_side_px))))
    short = long * float(rng.choice([3 / 4, 3 / 4, 9 / 16, 2 / 3]))
    turned = rng.uniform() < 0.35
    size = (int(short), int(long)) if turned else (int(long), int(short))
    # Where the last tooth is still to come, its place must be in the picture too, or nobody can say that it
    # is absent.
    behind = PLACE_OF_LAST_TOOTH_MM if specimen.jaw.teeth[5].state == "absent" else 0.0
    row = specimen.jaw.row_mm + 2 * behind
    roll = float(
        rng.choice([rng.normal(0, 10), rng.normal(0, 10), 180 + rng.normal(0, 10), rng.uniform(0, 360)])
    ) + (90.0 if turned else 0.0)
    across = abs(np.cos(np.deg2rad(roll))) * row + abs(np.sin(np.deg2rad(roll))) * 24
    upright = abs(np.sin(np.deg2rad(roll))) * row + abs(np.cos(np.deg2rad(roll))) * 24
    fits = 0.9 * min(size[0] / across, size[1] / upright)
    if fits < options.px_per_mm[0]:  # a slanting row in a small picture: take the picture larger
        size = (int(size[0] * options.px_per_mm[0] / fits), int(size[1] * options.px_per_mm[0] / fits))
        fits = options.px_per_mm[0]
    top = min(fits, options.px_per_mm[1])
    low = min(options.px_per_mm[0], top)
    scale = float(np.exp(rng.uniform(np.log(low), np.log(max(top, low * 1.001)))))
    tilt = float(min(abs(rng.normal(0, 0.5 * options.tilt_deg)), options.tilt_deg))
    blur = options.blur_mm
    cover = None
    if kind == "too_small":
        scale = float(rng.uniform(3.0, 7.0))
    elif kind == "tilted":
        tilt = float(rng.uniform(36, 50))
    elif kind == "no_chewing_surface":
        tilt = float(rng.uniform(68, 80))
    elif kind == "blurred":
        blur = (0.32, 0.8)
    elif kind == "covered":
        cover = (float(rng.uniform(0.45, 0.55)), float(rng.uniform(0.9, 1.0)))
    room = (
        np.array([max(size[0] - scale * across * 1.06, 0.0), max(size[1] - scale * upright * 1.06, 0.0)])
        * 0.5
    )
    offset = rng.uniform(-1, 1, 2) * room * 0.9
    if kind == "cut_off":  # slide the row along itself until some molars leave the picture
        along = np.array([np.cos(np.deg2rad(roll)), -np.sin(np.deg2rad(roll))])
        edge = min(size[0] / 2 / max(abs(along[0]), 1e-3), size[1] / 2 / max(abs(along[1]), 1e-3))
        end = specimen.jaw.row_mm / 2
        molars = sum(t.length for t in specimen.jaw.teeth[3:] if t.lobes)
        offset = along * (edge - scale * (end - molars * float(rng.uniform(0.35, 1.0))))
    blur_px = (max(blur[0] * scale, 0.35), max(blur[1] * scale, 0.5))
    return _Plan(
        kind=kind,
        size=size,
        px_per_mm=scale,
        tilt_deg=tilt,
        roll_deg=roll,
        offset_px=(float(offset[0]), float(offset[1])),
        blur_px=blur_px,
        cover=cover,
    )


def _hidden_share(scene: Scene) -> float:
    """Share of the molars' lobe centres that something lies over."""
    names, points = lobe_points(scene.specimen)
    if not names:
        return 0.0
    at = np.round(scene.camera.project(points)).astype(int)
    tooth = scene.tooth.cpu().numpy()
    h, w = tooth.shape
    inside = (at[:, 0] >= 0) & (at[:, 0] < w) & (at[:, 1] >= 0) & (at[:, 1] < h)
    molar = np.array([n[0] >= 3 for n in names])
    seen = np.array(
        [
            ok and tooth[min(max(y, 0), h - 1), min(max(x, 0), w - 1)] > 0
            for ok, (x, y) in zip(inside, at, strict=True)
        ]
    )
    return float(np.mean(~seen[molar])) if molar.any() else 0.0


def _beside(
    rng: Generator, specimen: Specimen, camera: Camera, options: DatasetOptions
) -> tuple[Second, ...]:
    """
    What lies beside the row of a photograph: no other row may be nearer to the middle of the picture, or
    nobody could say which one is meant.
    """
    share = SECOND_SHARE if options.share_second is None else options.share_second
    if rng.uniform() >= share:
        return ()
    middle, long = np.array([camera.width - 1, camera.height - 1]) / 2, max(camera.width, camera.height)

    def away(place: NDArray[np.float64]) -> float:
        return float(np.linalg.norm(camera.project(place[None])[0] - middle)) / long

    own = away(row_middle(specimen.jaw))
    for _ in range(TRIES):
        bodies = sample_beside(rng, specimen, camera, near=False, share=1.0)
        others = [away(b.place.out(row_middle(b.jaw)[None])[0]) for b in bodies if b.kind != "head"]
        if all(off > own + NEARER for off in others):
            return bodies
    return ()


def draw_photo(
    seed: int, options: DatasetOptions, device: torch.device, criteria: Criteria | None = None
) -> DrawnPhoto:
    """
    One photograph with its truth.

    Parameters
    ----------
    seed : int
        Same seed, options and kind of device: same photograph.
    options : DatasetOptions
    device : torch.device
        A GPU draws a 12-megapixel photograph in well under a second, one CPU core takes about a minute.
    criteria : Criteria, optional
        For the true class; the shipped key by default.
    """
    rng = np.random.default_rng((seed, 2))
    generator = torch.Generator(device=device).manual_seed(seed)
    conditions = sample_conditions(rng, DrawOptions(hold_out=options.hold_out, only=options.only))
    specimen = sample_specimen(rng, conditions, device)
    kind = str(rng.choice(UNUSABLE)) if rng.uniform() < options.share_unusable else None
    shown = without_jaw(specimen, rng.spawn(1)[0], device) if kind == "not_a_jaw" else specimen
    plan = _plan(rng, specimen, options, kind)
    camera = levelled_camera(
        rng,
        specimen,
        width=plan.size[0],
        height=plan.size[1],
        px_per_mm=plan.px_per_mm,
        tilt_deg=plan.tilt_deg,
        roll_deg=plan.roll_deg,
        offset_px=plan.offset_px,
    )
    second: tuple[Second, ...] = ()
    if kind != "not_a_jaw":
        second = _beside(np.random.default_rng((seed, 2, SECOND)), specimen, camera, options)
    with torch.no_grad():
        draw = partial(draw_scene, rng, shown, camera, conditions, device, beside=second)
        scene = draw(
            with_row=kind != "not_a_jaw",
            cover=plan.cover,
            # Bits may hide what the truth states only where it says "covered", or states nothing of teeth.
            in_sight=None if kind in ("covered", "not_a_jaw") else places_to_see,
        )
        if kind is None and _hidden_share(scene) > 0.0:  # a usable photograph has its crests free
            scene = draw(with_row=True, clutter=False, in_sight=places_to_see)
        phone = sample_phone(
            rng, blur_px=plan.blur_px, density=(0.98, 1.0), dark=kind == "dark", glare=kind == "glare"
        )
        light, phone = exposed(rng, scene, phone, kind)
        image = develop(light, phone, generator, jpeg=False)
    pixels = (image.permute(1, 2, 0) * 255).round().to(torch.uint8).cpu().numpy()
    truth = truth_record(scene, phone, seed=seed, kind=kind, criteria=criteria or load_criteria(None))
    return DrawnPhoto(image=pixels, truth=truth, scene=scene, quality=phone.quality)


def _number(value: float | np.floating[Any]) -> float | None:
    return round(float(value), 5) if np.isfinite(value) else None


def _points(points: NDArray[np.float64]) -> list[list[float]]:
    return [[round(float(x), 2), round(float(y), 2)] for x, y in points]


def _crest_record(crest: Any, camera: Any) -> dict[str, Any]:
    record = {
        "lobe": crest.lobe,
        "dentine_mm": _number(crest.dentine_mm),
        "enamel_outer_mm": _number(crest.enamel_outer_mm),
        "enamel_inner_mm": _number(crest.enamel_inner_mm),
        "ratio": _number(crest.ratio),
        "ratio_by_definition": {k: _number(v) for k, v in crest.by_definition.items()},
        "infundibulum_gone": crest.infundibulum_gone,
        "dentine_px": None,
        "enamel_px": None,
        "line": [],
    }
    if len(crest.line_mm):
        edges = np.stack([camera.project(crest.edges_mm[:, k]) for k in range(4)], axis=1)
        widths = np.linalg.norm(np.diff(edges, axis=1), axis=2)  # outer enamel, dentine, inner enamel
        with np.errstate(all="ignore"):
            enamel = np.nanmedian(widths[:, [0, 2]]) if np.isfinite(widths[:, [0, 2]]).any() else np.nan
        record |= {
            "dentine_px": _number(np.median(widths[:, 1])),
            "enamel_px": _number(enamel),
            "line": _points(camera.project(crest.line_mm[:: max(1, len(crest.line_mm) // 12)])),
        }
    return record


def _tooth_record(
    t: ToothTruth,
    scene: Scene,
    pixels: dict[int, NDArray[np.int64]],
    centres: dict[int, list[NDArray[np.float64]]],
) -> dict[str, Any]:
    position = t.tooth.position
    at = pixels.get(position)
    there = bool(t.tooth.lobes) and visible_state(t) != "absent"
    return {
        "position": position,
        "state": visible_state(t),
        "milk": t.tooth.milk if there else None,
        "lobes": t.lobes if there else None,
        "centre": [round(float(v), 2) for v in at.mean(axis=0)[::-1]] if at is not None else None,
        "box": [int(at[:, 1].min()), int(at[:, 0].min()), int(at[:, 1].max()), int(at[:, 0].max())]
        if at is not None
        else None,
        "lobe_centres": _points(np.array(centres.get(position, np.zeros((0, 2)))).reshape(-1, 2)),
        "infundibulum_left": _number(t.infundibulum_left) if there else None,
        "dentine_share": _number(t.dentine_share) if there else None,
        "crests": [_crest_record(c, scene.camera) for c in t.crests] if there else [],
    }


def truth_record(
    scene: Scene, phone: Phone, *, seed: int, kind: str | None, criteria: Criteria
) -> dict[str, Any]:
    """
    Truth of one photograph as plain values.

    ``age_class`` is the literal class of the true widths; ``age_class_by_key`` what the whole key says of
    them, with a class that hangs on the definition kept at the younger one, as in a reading.
    """
    specimen, camera = scene.specimen, scene.camera
    middle = np.array([0.5 * specimen.jaw.row_mm, 0.0, 0.0])
    sight = camera.position - middle
    sight /= np.linalg.norm(sight)
    right, down = camera.view_axes()
    record: dict[str, Any] = {
        "schema": SCHEMA,
        "family": "drawn",
        "seed": seed,
        "usable": kind is None,
        "unusable": [] if kind is None else [kind],
        "width": camera.width,
        "height": camera.height,
        "side": specimen.jaw.side if scene.with_row else None,
        "tilt_deg": _number(np.degrees(np.arccos(np.clip(sight[2], -1, 1)))),
        "view": [_number(sight[:2] @ right), _number(sight[:2] @ down)],
        "px_per_mm": _number(camera.focal_px / np.linalg.norm(camera.position - middle)),
        "blur_px": _number(phone.blur_px),
        "conditions": {
            "light": scene.conditions.light,
            "background": scene.conditions.background,
            "stain": scene.conditions.stain,
            "shape": scene.conditions.shape,
            "fleshy": specimen.fleshy,
            "beside": ", ".join(shown.second.kind for shown in scene.beside) or "none",
        },
        "age_years": _number(specimen.jaw.age_years) if scene.with_row else None,
        "age_class": None,
        "age_class_by_key": None,
        "outcome_by_key": None,
        "teeth": [],
    }
    if not scene.with_row:
        return record
    teeth = teeth_truth(specimen)
    literal = propose(evidence(teeth, specimen.jaw, definitions=False), criteria)
    whole = propose(evidence(teeth, specimen.jaw, definitions=True), criteria)
    tooth = scene.tooth.cpu().numpy()
    pixels = {k: np.argwhere(tooth == k) for k in range(1, 7)}
    pixels = {k: v for k, v in pixels.items() if len(v) > 20}
    names, points = lobe_points(specimen)
    centres: dict[int, list[NDArray[np.float64]]] = {}
    for (position, _), point in zip(names, camera.project(points) if names else [], strict=True):
        centres.setdefault(position, []).append(point)
    record |= {
        "age_class": literal.age_class,
        "age_class_by_key": whole.age_class,
        "outcome_by_key": whole.outcome,
        "teeth": [_tooth_record(t, scene, pixels, centres) for t in teeth],
    }
    return record


def write_dataset(
    out: Path, *, n: int, seed: int, device: torch.device, options: DatasetOptions
) -> Iterator[Path]:
    """
    Write ``n`` photographs, yielding the path of each as it is done; finished ones are left as they are, so a
    killed run goes on.

    Files: ``photos/NAME.jpg``, ``truth/NAME.json``, with labels also ``labels/NAME.material.png`` and
    ``labels/NAME.tooth.png``; ``manifest.jsonl`` with one line a photograph.
    """
    for folder in ("photos", "truth", *(["labels"] if options.labels else [])):
        (out / folder).mkdir(parents=True, exist_ok=True)
    criteria = load_criteria(None)
    lines = []
    for k in range(n):
        name = f"{seed:04d}-{k:05d}"
        photo_path, truth_path = out / "photos" / f"{name}.jpg", out / "truth" / f"{name}.json"
        if truth_path.exists() and photo_path.exists():
            truth = json.loads(truth_path.read_text())
        else:
            drawn = draw_photo(seed * 1_000_003 + k, options, device, criteria)
            truth = {"file": photo_path.name, **drawn.truth}
            cv2.imwrite(str(photo_path), drawn.image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, drawn.quality])
            if options.labels:
                cv2.imwrite(str(out / "labels" / f"{name}.material.png"), drawn.scene.material.cpu().numpy())
                cv2.imwrite(str(out / "labels" / f"{name}.tooth.png"), drawn.scene.tooth.cpu().numpy())
            truth_path.write_text(json.dumps(truth))
        lines.append(
            json.dumps(
                {
                    key: truth[key]
                    for key in ("file", "seed", "usable", "unusable", "side", "age_class", "conditions")
                }
            )
        )
        yield photo_path
    (out / "manifest.jsonl").write_text("\n".join(lines) + "\n")


__all__ = ["DatasetOptions", "DrawnPhoto", "Material", "draw_photo", "truth_record", "write_dataset"]
