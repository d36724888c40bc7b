"""
Uncertainties of new weights from animals that did not train: biases first, then the factor or the model.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crestgauge.inference.calibrate import EdgeSample
from crestgauge.inference.edge_file import read_edge_model
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.training import recalibrate as module
from crestgauge.training.recalibrate import Judged, fitted, recalibrate, with_bias

BASE = EdgeModel(
    sigma_px=0.0, blur_gain=0.0, photo_px=0.0, common_px=0.5, relief_px=0.0, definition_share=0.0
)
"""One error of 0.5 px for all edges of a crest."""


def crests(rng: np.random.Generator, count: int, sigma_px: float) -> list[EdgeSample]:
    """Crests of one animal, ratios wrong by the sensitivity times a normal edge error, half of it shared."""
    out = []
    shared = rng.normal()
    for _ in range(count):
        dentine = float(rng.uniform(8, 20))
        sample = EdgeSample(
            dentine_px=dentine, outer_px=9.0, inner_px=9.0, ratio=0.0, true_ratio=dentine / 9.0
        )
        edge = sigma_px * (shared + rng.normal()) / np.sqrt(2)
        out.append(replace(sample, ratio=sample.true_ratio + sample.sensitivity() * float(edge)))
    return out


def animals(count: int, sigma_px: float, seed: int = 1) -> dict[str, list[EdgeSample]]:
    rng = np.random.default_rng(seed)
    return {f"a{k}": crests(rng, 6, sigma_px) for k in range(count)}


def test_few_animals_only_widen():
    model, report = fitted(animals(8, 0.1), BASE)
    assert (report["method"], model.scale, report["animals"]) == ("widened only", 1.0, 8)
    model, _ = fitted(animals(8, 2.0), BASE)
    assert model.scale > 2.0


def test_nineteen_animals_narrow_and_cover_new_ones():
    """
    Errors of a fifth of what was stated: the factor follows, from above. Coverage of 400 new crests at least
    95 % less two standard errors of 67 animals (2.7 % each at most).
    """
    model, report = fitted(animals(25, 0.1), BASE)
    assert report["method"] == "conformal" and 0.2 < model.scale < 0.5
    new = [s for each in animals(67, 0.1, seed=9).values() for s in each]
    held = np.mean([abs(s.ratio - s.true_ratio) <= 1.96 * s.u(model) for s in new])
    assert held >= 0.95 - 0.054
    assert report["coverage_left_out"]["animals"] == 25
    assert report["coverage_left_out"]["low"] <= report["coverage_left_out"]["share"]


def test_many_animals_fit_the_whole_model():
    """60 animals: the common error is found; 360 crests, two of three alike, fix a sigma to some 6 %."""
    model, report = fitted(animals(60, 1.0), BASE)
    assert report["method"] == "edge model"
    assert model.common_px * model.scale == pytest.approx(1.0, rel=0.25)
    assert report["coverage_left_out"]["share"] == pytest.approx(0.95, abs=0.04)  # se 1.4 % of alike crests
    assert (model.dentine_bias_px, model.enamel_bias_px) == (BASE.dentine_bias_px, BASE.enamel_bias_px)


def test_hardly_any_crest_changes_nothing():
    model, report = fitted({"a": animals(1, 9.0)["a0"]}, BASE)
    assert model == BASE and report["method"] == "kept"


def test_mean_width_errors_are_taken_over_within_bounds():
    known = [
        replace(s, true_dentine_px=s.dentine_px - 0.4, true_enamel_px=9.2)
        for each in animals(6, 0.1).values()
        for s in each
    ]
    moved = with_bias(BASE, known)
    assert moved.dentine_bias_px == pytest.approx(0.4) and moved.enamel_bias_px == pytest.approx(-0.2)
    assert with_bias(BASE, known[:29]) == BASE
    wild = [replace(s, true_dentine_px=s.dentine_px - 40) for s in known]
    assert with_bias(BASE, wild).dentine_bias_px == module.LARGEST_BIAS_PX
    fine = [replace(s, true_dentine_px=s.dentine_px - 0.02, true_enamel_px=9.0) for s in known]
    assert with_bias(BASE, fine) == BASE


def test_photos_are_read_again_with_the_new_biases(tmp_path, monkeypatch):
    """The widths that the second reading gives have the bias taken off, and the model on disk is the last."""
    readings = []

    def read_pairs(pairs, options, workers):
        bias = read_edge_model(tmp_path / "edge_model.toml").dentine_bias_px
        readings.append(bias)
        for k, _ in enumerate(pairs):
            rng = np.random.default_rng(k)
            samples = [
                replace(
                    s, dentine_px=s.dentine_px + 0.5 - bias, true_dentine_px=s.dentine_px, true_enamel_px=9.0
                )
                for s in crests(rng, 6, 0.1)
            ]
            yield {}, samples

    monkeypatch.setattr(module, "read_pairs", read_pairs)
    judged = [Judged(animal=f"a{k}", photo=Path("p"), truth=Path("t")) for k in range(20)]
    report = recalibrate(tmp_path, judged, BASE)
    assert readings == [0.0, pytest.approx(0.5, abs=1e-6)]
    assert report["bias_moved"] and report["method"] == "conformal"
    model = read_edge_model(tmp_path / "edge_model.toml")
    assert model.to_mapping() == report["model"]
    assert "120 crests of 20 animals" in model.source
