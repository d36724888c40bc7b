"""The committed traced pictures: form of the truth files, classes, labels."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

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
                mean = (crest["enamel_outer_mm"] + crest["enamel_inner_mm"]) / 2.0
                # Median of ratios against ratio of medians: the strip tapers, so they differ by some percent.
                assert crest["ratio"] == pytest.approx(crest["dentine_mm"] / mean, rel=0.2, abs=0.06)
                assert crest["dentine_px"] == pytest.approx(
                    crest["dentine_mm"] * truth["px_per_mm"], rel=0.75, abs=1.0
                )


def test_set_covers_all_classes_and_both_sides():
    usable = [truth for truth in truths() if truth["usable"]]
    assert {truth["age_class"] for truth in usable} == set(CLASSES)
    assert {truth["side"] for truth in usable} == {"left", "right"}
