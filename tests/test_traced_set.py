"""The committed traced pictures: form of the truth files, classes, labels."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.traced.conditions import FAULTS

SET = Path(__file__).parent / "data" / "traced"
CLASSES = ("0.5", "1.5", "2.5", "3.5", "4.5", "5.5", "6.5", "7.5", "8.5+")


def truths() -> list[dict]:
    return [json.loads(path.read_text(encoding="utf-8")) for path in sorted((SET / "truth").glob("*.json"))]


def test_truth_files_keep_the_form():
    """Each has its photo, six teeth in order, a class where a jaw is seen, and ratios made of its widths."""
    found = truths()
    assert found
    for truth in found:
        assert truth["schema"] == "crestgauge.truth/1" and truth["family"] == "traced"
        assert (SET / "photos" / truth["file"]).exists()
        assert truth["usable"] == (not truth["unusable"]) and set(truth["unusable"]) <= set(FAULTS)
        assert [t["position"] for t in truth["teeth"]] == [1, 2, 3, 4, 5, 6]
        if truth["usable"]:
            assert truth["age_class"] in CLASSES and truth["side"] in ("left", "right")
            assert truth["tilt_deg"] < 20.0
            tilt = np.degrees(np.arcsin(np.hypot(*truth["view"])))
            assert tilt == pytest.approx(truth["tilt_deg"], abs=0.6)
        for crest in (crest for tooth in truth["teeth"] for crest in tooth["crests"]):
            if crest["ratio"]:
                # Station by station the mean band lies between the two bands, so the ratio does between
                # those two; where they change places along the strip, medians may leave that range a little.
                outer, inner = (crest["ratio_by_definition"][k] for k in ("outer", "inner"))
                assert 0.9 * min(outer, inner) <= crest["ratio"] <= 1.1 * max(outer, inner)
                if truth["usable"]:
                    # The worn face slopes some 15 degrees across the row, the camera up to 20 more.
                    flat = crest["dentine_mm"] * truth["px_per_mm"]
                    assert crest["dentine_px"] == pytest.approx(flat, rel=0.3, abs=1.0)
            elif crest["infundibulum_gone"]:
                assert crest["ratio"] is None


def test_set_covers_all_classes_and_both_sides():
    usable = [truth for truth in truths() if truth["usable"]]
    assert {truth["age_class"] for truth in usable} == set(CLASSES)
    assert {truth["side"] for truth in usable} == {"left", "right"}


STEP_PX = 0.25


def runs_across(material: np.ndarray, line: np.ndarray) -> tuple[float, float]:
    """Median run of dentine and of both enamel bands together across the middle half of a crest line. [px]"""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    dentine, enamel = [], []
    for share in np.linspace(0.25, 0.75, 21):
        at, ahead, behind = (
            np.array([np.interp((share + d) * along[-1], along, line[:, k]) for k in (0, 1)])
            for d in (0.0, 0.05, -0.05)
        )
        tangent = (ahead - behind) / np.linalg.norm(ahead - behind)
        s = np.arange(-60.0, 60.0, STEP_PX)
        points = np.round(at + s[:, None] * np.array([-tangent[1], tangent[0]])).astype(int)
        points = np.clip(points, 0, np.array(material.shape[::-1]) - 1)
        values = material[points[:, 1], points[:, 0]]
        middle = len(s) // 2
        if values[middle] != Material.DENTINE:
            continue
        ends = []
        for step in (-1, 1):
            k = middle
            while 0 < k < len(s) - 1 and values[k] == Material.DENTINE:
                k += step
            edge = k
            while 0 < k < len(s) - 1 and values[k] == Material.ENAMEL_BAND:
                k += step
            ends.append((s[edge], s[k]))
        dentine.append(ends[1][0] - ends[0][0] - STEP_PX)
        enamel.append((ends[1][1] - ends[1][0] + ends[0][0] - ends[0][1]) / 2.0)
    return (float(np.median(dentine)), float(np.median(enamel))) if dentine else (np.nan, np.nan)


def test_truth_widths_agree_with_the_label_pictures():
    """Widths in px from the solids against runs of labelled pixels on pictures taken nearly straight down.

    Both name the same bands by different ways: fields and camera, or one ray a pixel. Tolerance on the
    median difference 0.6 px: whole pixels and the rounding of the stored line. Single crests may differ more,
    since the file holds one line point every tenth of the strip.
    """
    dentine, enamel = [], []
    for truth in truths():
        if not truth["usable"] or truth["tilt_deg"] > 5.0:
            continue
        stem = truth["file"].removesuffix(".jpg")
        material = np.asarray(Image.open(SET / "labels" / f"{stem}.material.png"))
        for crest in (crest for tooth in truth["teeth"] for crest in tooth["crests"]):
            if crest["ratio"] and crest["dentine_px"] > 6.0:
                found = runs_across(material, np.array(crest["line"]))
                dentine.append(found[0] - crest["dentine_px"])
                enamel.append(found[1] - crest["enamel_px"])
    assert len(dentine) > 20
    assert abs(np.nanmedian(dentine)) < 0.6 and abs(np.nanmedian(enamel)) < 0.6
    assert np.nanpercentile(np.abs(dentine), 80) < 2.5
