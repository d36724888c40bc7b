"""The truth file of one traced picture, ``crestgauge.truth/1``, and the age class that the default key
gives it."""

from __future__ import annotations

from typing import Any

import numpy as np

from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.evidence import CrestEvidence, Quantity, RowEvidence, ToothEvidence
from crestgauge.inference.rules import propose
from crestgauge.synthetic_data.traced.blades import Array
from crestgauge.synthetic_data.traced.conditions import Conditions
from crestgauge.synthetic_data.traced.jaws import Jaw, Tooth
from crestgauge.synthetic_data.traced.picture import Picture, mirrored
from crestgauge.synthetic_data.traced.widths import (
    CrestTruth,
    dentine_share,
    infundibulum_left,
    measure_crest,
)

SCHEMA = "crestgauge.truth/1"
FAMILY = "traced"
LENS_BLUR_PX = 0.55
"""Gaussian sigma of the picture without any defocus: reconstruction filter 0.45 px and the square pixel.
[px]"""
TRUTH_U = 1e-6
"""Standard uncertainty given to true values so that the rule layer takes them as they are."""


def rounded(value: Any, digits: int = 3) -> Any:
    """Numbers and nested lists rounded for the file; NaN becomes None."""
    if isinstance(value, np.ndarray):
        return [rounded(v, digits) for v in value.tolist()]
    if isinstance(value, list | tuple):
        return [rounded(v, digits) for v in value]
    if value is None or (isinstance(value, float) and not np.isfinite(value)):
        return None
    return round(float(value), digits)


def median(values: Array) -> float:
    """Median of the finite values, NaN if there are none."""
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) else float("nan")


def no_crown(position: int, state: str = "unseen") -> dict[str, Any]:
    """A position of the truth file without a crown that is seen."""
    return {
        "position": position,
        "state": state,
        "milk": None,
        "lobes": None,
        "centre": None,
        "box": None,
        "lobe_centres": [],
        "infundibulum_left": None,
        "dentine_share": None,
        "crests": [],
    }


def no_line(lobe: int, *, gone: bool) -> dict[str, Any]:
    """A crest of the truth file without a dentine line."""
    return {
        "lobe": lobe,
        "dentine_mm": 0.0,
        "enamel_outer_mm": None,
        "enamel_inner_mm": None,
        "ratio": 0.0,
        "ratio_by_definition": {},
        "infundibulum_gone": gone,
        "dentine_px": 0.0,
        "enamel_px": None,
        "line": [],
    }


def crest_entry(crest: CrestTruth, jaw: Jaw, tooth: Tooth, picture: Picture) -> dict[str, Any]:
    """One crest of the truth file, by the declared definitions (median over the middle half, mean of both
    bands)."""
    entry = no_line(crest.lobe, gone=crest.infundibulum_gone)
    if not len(crest.edges):
        return entry
    dentine, outer, inner = crest.widths()
    ratio = dentine / ((outer + inner) / 2.0)
    pixels = picture.camera.project(mirrored(jaw, tooth.to_jaw(crest.edges)))
    bands_px = np.linalg.norm(np.diff(pixels, axis=1), axis=2)
    share = np.linspace(0.25, 0.75, len(ratio))
    middle = ratio[(share >= 0.45) & (share <= 0.55)]
    measured = np.isfinite(ratio)
    by: dict[str, float] = {}
    if measured.any() and not crest.infundibulum_gone:
        widest = ratio[measured][np.argmax(dentine[measured])]
        finite = middle[np.isfinite(middle)]
        by = {
            "middle": float(finite.mean()) if len(finite) else float("nan"),
            "widest": float(widest),
            "outer": median((dentine / outer)[measured]),
            "inner": median((dentine / inner)[measured]),
        }
    line = picture.camera.project(mirrored(jaw, tooth.to_jaw(crest.line)))
    entry.update(
        dentine_mm=rounded(median(dentine), 4),
        enamel_outer_mm=rounded(median(outer), 4),
        enamel_inner_mm=rounded(median(inner), 4),
        ratio=None if crest.infundibulum_gone else rounded(median(ratio), 4),
        ratio_by_definition={k: rounded(v, 4) for k, v in by.items() if np.isfinite(v)},
        dentine_px=rounded(median(bands_px[:, 1]), 2),
        enamel_px=rounded(median((bands_px[:, 0] + bands_px[:, 2]) / 2.0), 2),
        line=rounded(line[::10], 1),
    )
    return entry


def tooth_entry(jaw: Jaw, tooth: Tooth, picture: Picture) -> dict[str, Any]:
    """One position of the truth file."""
    entry = no_crown(tooth.position, tooth.state)
    if tooth.crown is None:
        return entry
    top = picture.tops[tooth.position]
    seen = np.argwhere(picture.tooth == tooth.position)
    middles = np.array([[(lobe.x0 + lobe.x1) / 2.0, 0.0] for lobe in tooth.crown.lobes])
    heights = top.sample("height", middles)
    centres = picture.camera.project(mirrored(jaw, tooth.to_jaw(np.column_stack([middles, heights]))))
    if len(seen) < 12:
        entry["state"] = "unseen"
        return entry
    crests = []
    for index, lobe in enumerate(tooth.crown.lobes):
        if any(blade.lingual and blade.lobe == lobe.number for blade in tooth.crown.blades):
            crests.append(crest_entry(measure_crest(tooth.crown, top, index), jaw, tooth, picture))
    left = infundibulum_left(tooth.crown, top)
    entry.update(
        milk=tooth.milk,
        lobes=tooth.lobes,
        centre=rounded(seen.mean(axis=0)[::-1], 1),
        box=[int(v) for v in (*seen.min(axis=0)[::-1], *seen.max(axis=0)[::-1])],
        lobe_centres=rounded(centres, 1),
        infundibulum_left=None if left is None else rounded(left),
        dentine_share=rounded(dentine_share(top), 4),
        crests=crests,
    )
    return entry


def evidence(teeth: list[dict[str, Any]]) -> RowEvidence:
    """What the rule layer takes, from the ``teeth`` of a truth file."""

    def known(value: float | None) -> Quantity | None:
        return None if value is None else Quantity(float(value), TRUTH_U)

    return RowEvidence(
        tuple(
            ToothEvidence(
                position=t["position"],
                state=t["state"],
                milk=t["milk"],
                lobes=t["lobes"],
                crests=tuple(
                    CrestEvidence(
                        lobe=c["lobe"],
                        ratio=known(c["ratio"]),
                        ratio_by_definition=c["ratio_by_definition"],
                        infundibulum_gone=c["infundibulum_gone"],
                    )
                    for c in t["crests"]
                ),
                infundibulum_left=known(t["infundibulum_left"]),
                dentine_share=known(t["dentine_share"]),
            )
            for t in teeth
        )
    )


def annotate(truth: dict[str, Any]) -> dict[str, Any]:
    """Fill ``age_class`` and ``deciding`` by the default criteria on the true widths; null where nothing
    can be read."""
    truth = dict(truth, age_class=None, deciding=None)
    if truth["side"] is not None:
        found = propose(evidence(truth["teeth"]), load_criteria())
        truth.update(age_class=found.age_class, deciding=found.deciding)
    return truth


def truth_of(name: str, seed: int, jaw: Jaw | None, cond: Conditions, picture: Picture) -> dict[str, Any]:
    """The whole truth file of one picture."""
    camera = picture.camera
    truth: dict[str, Any] = {
        "schema": SCHEMA,
        "file": f"{name}.jpg",
        "family": FAMILY,
        "seed": seed,
        "usable": cond.fault is None,
        "unusable": [] if cond.fault is None else [cond.fault],
        "side": None,
        "tilt_deg": None,
        "view": None,
        "px_per_mm": None,
        "blur_px": rounded(float(np.hypot(LENS_BLUR_PX, cond.phone.blur_px)), 2),
        "conditions": picture.conditions,
        "age_years": None,
        "age_class": None,
        "deciding": None,
        "teeth": [no_crown(k) for k in range(1, 7)],
    }
    if jaw is None:
        return truth
    middle = np.array([jaw.row_mm / 2.0, 0.0, 6.0])
    to_camera = camera.position - mirrored(jaw, middle)
    sight = to_camera / np.linalg.norm(to_camera)
    right, _, _ = camera.axes()
    across = np.array([right[0], right[1], 0.0])
    if np.linalg.norm(across) < 1e-6:
        across = np.array([1.0, 0.0, 0.0])
    across = across / np.linalg.norm(across)
    # Seen from above, the picture's downward axis in the chewing plane is square to its rightward one.
    below = np.array([across[1], -across[0], 0.0])
    truth.update(
        side=jaw.side,
        tilt_deg=rounded(float(np.degrees(np.arccos(np.clip(sight[2], -1.0, 1.0)))), 2),
        view=rounded([float(sight @ across), float(sight @ below)], 4),
        px_per_mm=rounded(camera.focal_px / float(np.linalg.norm(to_camera)), 3),
        age_years=rounded(jaw.age_years, 2),
        teeth=[tooth_entry(jaw, tooth, picture) for tooth in jaw.teeth],
    )
    return annotate(truth)
