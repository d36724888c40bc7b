"""
What a person's labels say in numbers: crest ratios and age class, by the same geometry that measures photos.

Corrected labels are pixels; a reading is judged by ratios. So the geometry is given the labels as if a
network had said them with certainty, and what it measures is the truth of that photo as far as its labels go.
Ratios that were given otherwise (drawn pictures, callipers) stand in the truth file and are taken from there.
"""

from __future__ import annotations

import json
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.build import round_evidence
from crestgauge.inference.criteria import Criteria, load_criteria
from crestgauge.inference.maps import CROP_SIZE, LabelMaps, RowFrame
from crestgauge.inference.measure import measure_row, to_evidence
from crestgauge.inference.measured import CrestFlag, MeasuredRow, MeasuredTooth
from crestgauge.inference.nominal import CROP_PX_PER_MM
from crestgauge.inference.row_context import MeasureOptions
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.model.labels import CHANNELS, N_CHANNELS, N_TEETH, Material
from crestgauge.training.batch import IGNORE
from crestgauge.training.evaluate import class_by_values
from crestgauge.training.files import (
    LabelledPhoto,
    Labels,
    heat_map,
    known_frame,
    level_frame,
    lingual_map,
    lobe_points,
    read_labels,
    state_map,
)
from crestgauge.training.label_noise import NoiseOptions

TRUTH_SCHEMA = "crestgauge.truth/1"
_HAND = NoiseOptions()
LABELLED = MeasureOptions(
    edge_model=EdgeModel(
        sigma_px=_HAND.wander_mm * CROP_PX_PER_MM,
        blur_gain=0.0,
        photo_px=0.0,
        correlation_px=_HAND.along_mm * CROP_PX_PER_MM,
        # A hand moves all four edges away from the enamel at once, which changes a ratio D / E by
        # 2 h (E + D) / E^2: as much as independent errors of 1.4 h (no dentine) to 2 h (wide) on each edge.
        common_px=1.8 * _HAND.hand_mm * CROP_PX_PER_MM,
        relief_px=0.0,
        definition_share=0.0,
        source="labels of a person: no network, no bias; sizes as in label_noise",
    )
)
"""How ratios are measured on labels; their uncertainty is that of a person's edges."""
VIEW_U = 0.05
"""Uncertainty that is stated for a view direction from a truth file, and for the unknown one. [1]"""


def truth_of(paths: LabelledPhoto, criteria: Criteria | None = None) -> dict[str, Any]:
    """
    Truth of one labelled photo in the form of ``crestgauge.truth/1``.

    Parameters
    ----------
    paths : LabelledPhoto
    criteria : Criteria or None
        For the age class; None takes the shipped key.

    Returns
    -------
    dict
        The truth file, completed from the labels where it says nothing of crests; ``from_labels`` tells
        whether it was. Teeth with unlabelled pixels have no crests then.

    Raises
    ------
    InputError
        If a label map cannot be used.
    """
    truth: dict[str, Any] = {}
    if paths.truth is not None:
        truth = json.loads(paths.truth.read_text(encoding="utf-8"))
    truth.setdefault("schema", TRUTH_SCHEMA)
    truth["file"] = paths.photo.name
    truth.setdefault("usable", True)
    truth.setdefault("unusable", [])
    teeth = truth.setdefault("teeth", [])
    truth["from_labels"] = False
    said = any(crest.get("ratio") is not None for tooth in teeth for crest in tooth.get("crests") or [])
    if said or not truth["usable"]:
        return truth
    material, tooth = read_labels(paths)
    row = measure_labels(material, tooth, truth)
    if row is None:
        return truth
    truth["from_labels"] = True
    known = {each["position"]: each for each in teeth}
    whole = {each.position for each in row.teeth if is_whole(each, material, tooth)}
    truth["teeth"] = [
        {
            "state": each.state,
            "milk": each.milk,
            "box": each.box,
            **{k: v for k, v in known.get(each.position, {}).items() if v is not None},
            "position": each.position,
            "crests": crest_truth(each) if each.position in whole else [],
        }
        for each in row.teeth
    ]
    shown = {each.position for each in row.teeth if each.box is not None}
    if truth.get("age_class") is None and shown and shown <= whole:
        key = criteria or load_criteria()
        truth["age_class"] = class_by_values(round_evidence(to_evidence(row)), key)
    return truth


def measure_labels(material: Labels, tooth: Labels, truth: dict[str, Any]) -> MeasuredRow | None:
    """
    The row as its labels show it.

    Parameters
    ----------
    material, tooth : ndarray of uint8, shape (H, W)
        Of the upright photo.
    truth : dict
        With ``side`` and ``lobe_centres`` of the teeth; ``view`` and ``blur_px`` where known.

    Returns
    -------
    MeasuredRow or None
        None where fewer than two teeth are labelled, or side or lobe centres are unknown.
    """
    frame = known_frame(truth) or level_frame(tooth)
    teeth = truth.get("teeth", [])
    if frame is None or truth.get("side") not in ("left", "right"):
        return None
    lobes = lobe_points(teeth, frame)
    if len(lobes) < 3:
        return None
    maps = label_channels(material, tooth, truth, frame)
    height, width = tooth.shape
    return measure_row(LabelMaps(maps), frame, None, LABELLED, photo_size=(width, height))


def label_channels(
    material: Labels, tooth: Labels, truth: dict[str, Any], frame: RowFrame
) -> NDArray[np.float32]:
    """Labels as a network that is certain would say them, in the levelled crop, shape (N_CHANNELS, H, W)."""
    width, height = CROP_SIZE

    def shares(labels: Labels, classes: int) -> NDArray[np.float32]:
        # Linear weights make a pixel between two classes say so: edges are read to a part of a pixel.
        planes = [
            cv2.warpAffine((labels == k).astype(np.float32), frame.matrix, CROP_SIZE, flags=cv2.INTER_LINEAR)
            for k in range(classes)
        ]
        out = np.stack(planes)
        out[0] += 1 - out.sum(axis=0)
        return np.asarray(out, dtype=np.float32)

    teeth = truth.get("teeth", [])
    lobes = lobe_points(teeth, frame)
    numbers = cv2.warpAffine(tooth, frame.matrix, CROP_SIZE, flags=cv2.INTER_NEAREST, borderValue=0)
    near = np.asarray(numbers, dtype=np.uint8)
    lingual = lingual_map(near, lobes, truth.get("side"), frame, unsaid=0.0)
    state = state_map(near, teeth)
    maps = np.zeros((N_CHANNELS, height, width), dtype=np.float32)
    maps[CHANNELS["material"]] = shares(material, len(Material))
    maps[CHANNELS["tooth"]] = shares(tooth, N_TEETH + 1)
    maps[CHANNELS["lingual"]] = np.where(lingual == IGNORE, 0.5, lingual)
    maps[CHANNELS["lobe"]] = heat_map(lobes, CROP_SIZE, known=True)
    for k in range(3):
        maps[CHANNELS["state"]][k] = (state == k) | ((state == IGNORE) & (k == 0))
    view = truth.get("view")
    if view is not None and None not in view:
        turned = frame.matrix[:, :2] @ np.asarray(view, dtype=np.float64) / frame.scale
        maps[CHANNELS["tilt"]] = turned[:, None, None]
    maps[CHANNELS["tilt_log_sigma"]] = VIEW_U
    maps[CHANNELS["blur"]] = (truth.get("blur_px") or 1.0) * frame.scale
    return maps


def crest_truth(tooth: MeasuredTooth) -> list[dict[str, Any]]:
    """Crests of one tooth as a truth file has them."""
    rows = []
    for crest in tooth.crests:
        bands = [q.value for q in (crest.enamel_outer_px, crest.enamel_inner_px) if q is not None]
        gone = bool(crest.flags & CrestFlag.INFUNDIBULUM_GONE)
        rows.append(
            {
                "lobe": crest.lobe,
                "ratio": None if crest.ratio is None else crest.ratio.value,
                "ratio_u": None if crest.ratio is None else crest.ratio.u,
                "infundibulum_gone": gone,
                "dentine_px": None if crest.dentine_px is None else crest.dentine_px.value,
                "enamel_px": sum(bands) / len(bands) if len(bands) == 2 else None,
            }
        )
    return rows


def is_whole(found: MeasuredTooth, material: Labels, tooth: Labels) -> bool:
    """Whether every pixel of a tooth's box that can be its own is labelled."""
    if found.box is None:
        return True
    x0, y0, x1, y1 = (round(v) for v in found.box)
    rows, columns = slice(max(y0, 0), y1 + 1), slice(max(x0, 0), x1 + 1)
    own = np.isin(tooth[rows, columns], (found.position, IGNORE))
    return not bool((own & ((material[rows, columns] == IGNORE) | (tooth[rows, columns] == IGNORE))).any())
