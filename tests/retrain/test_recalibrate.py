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
from crestgauge.model import local
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


def test_start_weights_read_the_same_photos_where_labels_judge(tmp_path, monkeypatch):
    """Two readings of the photos, by their manifests; none by the start weights where truth is measured."""
    home = local.find_set(local.SHIPPED)
    for label_u, manifests in ((0.1, {tmp_path / "weights.toml", home.manifest.path}), (0.0, None)):
        asked = []

        def read_pairs(pairs, options, workers, asked=asked, label_u=label_u):
            asked.append(options.manifest)
            for each in shifted(animals(len(pairs), 0.1), 0.0, 0.0).values():
                yield {}, [replace(s, true_u=label_u) for s in each]

        monkeypatch.setattr(module, "read_pairs", read_pairs)
        judged = [Judged(animal=f"a{k}", photo=Path("p"), truth=Path("t")) for k in range(6)]
        recalibrate(tmp_path, judged, BASE, start=home)
        assert set(asked) == (manifests or {tmp_path / "weights.toml"})


def test_hardly_any_crest_changes_nothing():
    model, report = fitted({"a": animals(1, 9.0)["a0"]}, BASE)
    assert model == BASE and report["method"] == "kept"


def shifted(given: dict[str, list[EdgeSample]], dentine_px: float, enamel_px: float):
    """The same crests, with true widths that are smaller than the measured ones by these."""
    return {
        name: [
            replace(s, true_dentine_px=s.dentine_px - dentine_px, true_enamel_px=9.0 - enamel_px)
            for s in each
        ]
        for name, each in given.items()
    }


def test_biases_move_the_further_the_more_animals_show_it():
    """
    By hand, for n animals that agree: s^2 = 4 * 0.36 / (n + 3), share 0.25 / (0.25 + s^2 / n); 2 animals
    0.25 / 0.394, 20 animals 0.25 / 0.2531.
    """
    for count, share in ((2, 0.25 / 0.394), (20, 0.25 / (0.25 + 4 * 0.36 / 23 / 20))):
        moved = with_bias(BASE, shifted(animals(count, 0.1), 0.4, -0.2))
        assert moved.dentine_bias_px == pytest.approx(0.4 * share)
        assert moved.enamel_bias_px == pytest.approx(-0.2 * share)


def test_biases_are_the_posterior_mean():
    """The same by a second way: normal prior times normal likelihood, by sums over a grid of biases."""
    given = {
        name: [replace(s, true_dentine_px=s.dentine_px - error, true_enamel_px=9.0) for s in each]
        for (name, each), error in zip(animals(3, 0.1).items(), (0.1, 0.9, 0.5), strict=True)
    }
    spread = np.sqrt((0.32 + 4 * 0.36) / 6)
    bias = np.linspace(-4, 4, 8001)
    weight = np.exp(-0.5 * (bias / 0.5) ** 2 - 0.5 * sum(((e - bias) / spread) ** 2 for e in (0.1, 0.9, 0.5)))
    expected = float((bias * weight).sum() / weight.sum())
    assert with_bias(BASE, given).dentine_bias_px == pytest.approx(expected, abs=1e-6)


def test_biases_within_bounds_and_only_from_what_is_known():
    given = animals(6, 0.1)
    assert with_bias(BASE, given) == BASE  # no true widths
    assert with_bias(BASE, {}) == BASE
    assert with_bias(BASE, shifted(given, 40, 0)).dentine_bias_px == module.LARGEST_BIAS_PX
    assert with_bias(BASE, shifted(given, 0.02, 0)) == BASE
    bare = {k: [replace(s, dentine_px=0.0) for s in each] for k, each in shifted(given, 0.4, 0.4).items()}
    assert with_bias(BASE, bare) == BASE


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
    assert readings == [0.0, pytest.approx(0.5, abs=0.01)]  # 20 animals move it by 99 %
    assert report["bias_moved"] and report["method"] == "conformal"
    model = read_edge_model(tmp_path / "edge_model.toml")
    assert model.to_mapping() == report["model"]
    assert "120 crests of 20 animals" in model.source


def test_labels_of_one_hand_move_a_bias_less():
    """By hand: a habit of 2 * 0.03 mm * 15 px/mm = 0.9 px joins the variance of the mean, for any number."""
    for count in (2, 20):
        given = shifted(animals(count, 0.1), 0.4, -0.2)
        labelled = {name: [replace(s, true_u=0.1) for s in each] for name, each in given.items()}
        share = 0.25 / (0.25 + 4 * 0.36 / (count + 3) / count + 0.9**2)
        # 1536 px * 0.8 / 82 mm is 14.985 px per mm
        assert with_bias(BASE, labelled).dentine_bias_px == pytest.approx(0.4 * share, rel=0.003)


def test_what_a_look_does_to_drawn_pictures_needs_no_label():
    """
    Drawn pictures in the look of these photos: the start weights read them 0.6 px too narrow, the new ones
    0.2 px. The look's own 0.6 px count by 0.5^2 / (0.5^2 + 0.3^2) = 0.735, the 0.4 px by which training made
    them wider count whole: -0.041 px. Labels that say -0.6 px of the start weights add what is left of it by
    what one hand is believed; where the new network reads own photos another 0.3 px narrower, the bias
    follows by the share that 20 animals show. By hand, as below.
    """
    given = animals(20, 0.1)

    def read(error: float) -> dict[str, list[EdgeSample]]:
        moved = shifted(given, error, 0.0)
        return {name: [replace(s, true_u=0.1) for s in each] for name, each in moved.items()}

    move, look = (-0.2, 0.0), (-0.6, 0.0)
    counted = -0.6 * 0.25 / 0.34
    along = 0.4 + counted
    shown, hand = (0.25 / (0.25 + 4 * 0.36 / 23 / 20 + habit**2) for habit in (0.0, 0.9))
    alike = with_bias(BASE, read(-0.2), read(-0.6), move, look)
    assert alike.dentine_bias_px == pytest.approx(along + (-0.6 - counted) * hand, abs=0.001)
    assert alike.enamel_bias_px == 0.0
    narrower = with_bias(BASE, read(-0.5), read(-0.6), move, look)
    assert narrower.dentine_bias_px == pytest.approx(alike.dentine_bias_px - 0.3 * shown, abs=0.001)
    # Labels of another habit, 0.6 px off for both networks, move it by what one hand is believed.
    wider = with_bias(BASE, read(0.4), read(0.0), move, look)
    assert wider.dentine_bias_px - alike.dentine_bias_px == pytest.approx(0.6 * hand, abs=0.001)
    # A measured truth needs no start weights: the new ones' error is known by itself.
    measured = with_bias(BASE, shifted(given, -0.5, 0.0), None, move, look)
    assert measured.dentine_bias_px == pytest.approx(along + (-0.5 - along) * shown, abs=0.001)


def test_a_bias_follows_the_network_that_was_trained():
    """
    Start weights 0.3 px above the labels, trained ones on them. By hand: the bias follows by the share of
    -0.3 px that 20 animals show, which leaves widths nearly where they were, and moves towards the labels by
    the share of one hand, of the 0.3 px. One animal shows 0.25 / (0.25 + 0.36) of what its few crests say.
    """
    given = animals(20, 0.1)
    now, then = (
        {name: [replace(s, true_u=0.1) for s in each] for name, each in shifted(given, error, 0.0).items()}
        for error in (0.0, 0.3)
    )
    share = 0.25 / (0.25 + 4 * 0.36 / 23 / 20 + 0.9**2)
    shown = 0.25 / (0.25 + 4 * 0.36 / 23 / 20)
    wanted = -0.3 * shown + 0.3 * share
    assert with_bias(BASE, now, then).dentine_bias_px == pytest.approx(wanted, abs=0.001)
    first = next(iter(given))
    alone = with_bias(BASE, {first: now[first]}, {first: then[first]}).dentine_bias_px
    assert alone == pytest.approx(-0.3 * 0.25 / 0.61 + 0.3 * 0.25 / (0.61 + 0.9**2), abs=0.001)
    assert with_bias(BASE, now, then).enamel_bias_px == 0.0
    # Not trained at all: as without the second reading. Measured truth needs no start weights.
    assert with_bias(BASE, then, then) == with_bias(BASE, then)
    measured = shifted(given, 0.4, 0.0)
    assert with_bias(BASE, measured, then) == with_bias(BASE, measured)
    # Start weights that read none of these photos say nothing of where widths were.
    assert with_bias(BASE, then, {}) == with_bias(BASE, then)


def labelled(given: dict[str, list[EdgeSample]], label_u: float, seed: int = 2):
    """The same crests, their truth off by a normal error that it states."""
    rng = np.random.default_rng(seed)
    return {
        name: [
            replace(s, true_ratio=s.true_ratio + label_u * float(rng.normal()), true_u=label_u) for s in each
        ]
        for name, each in given.items()
    }


@pytest.mark.parametrize("count", [12, 30, 60])
def test_errors_of_labels_do_not_widen_what_readings_state(count):
    """
    Readings with the errors that BASE states, labels far more wrong: nothing is widened, where the same
    errors of readings alone would more than double it. Coverage of the difference is 95 %, less two standard
    errors of alike crests (2 * 3 %).
    """
    given = labelled(animals(count, 0.5), 0.5)
    model, report = fitted(given, BASE)
    assert model.scale == 1.0
    assert report["coverage_left_out"]["share"] >= 0.89
    bare = {name: [replace(s, true_u=0.0) for s in each] for name, each in given.items()}
    plain, _ = fitted(bare, BASE)
    sample = given["a0"][0]
    assert sample.u(plain) > 2 * sample.u(BASE)


def test_errors_beyond_those_of_labels_still_widen():
    """Readings four times as wrong as stated, labels far better than that: nearly four times as wide."""
    model, report = fitted(labelled(animals(30, 2.0), 0.1), BASE)
    assert report["method"] == "conformal" and 3.0 < model.scale < 5.5


def test_labels_may_show_that_readings_are_surer():
    """Errors of a tenth of what is stated, labels included: narrowed as far as the whole errors allow."""
    model, report = fitted(labelled(animals(25, 0.05), 0.01), BASE)
    assert report["method"] == "conformal" and 0.05 < model.scale < 0.5


def test_a_bias_goes_along_with_the_move_elsewhere():
    """
    Trained weights 0.5 px wider, on drawn pictures 0.4 px. By hand: the bias takes the 0.4 px as they are and
    the share that 20 animals show of the other 0.1 px; where truth is measured, of what is left of the error.
    """
    given, shown = animals(20, 0.1), 0.25 / (0.25 + 4 * 0.36 / 23 / 20)
    now, then = (
        {name: [replace(s, true_u=0.1) for s in each] for name, each in shifted(given, error, 0.0).items()}
        for error in (0.5, 0.0)
    )
    found = with_bias(BASE, now, then, (0.4, 0.0))
    assert found.dentine_bias_px == pytest.approx(0.4 + 0.1 * shown)
    measured = with_bias(BASE, shifted(given, 0.5, 0.0), None, (0.4, 0.0))
    assert measured.dentine_bias_px == pytest.approx(0.4 + 0.1 * shown)
