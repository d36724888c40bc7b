"""
Local calibration: put-in thresholds come back, thin samples move nothing, the new file passes the loader.
"""

from __future__ import annotations

import itertools
from importlib.resources import files

import numpy as np
import pytest
from sklearn.metrics import roc_auc_score
from sklearn.neighbors import KNeighborsClassifier
from statsmodels.miscmodels.ordinal_model import OrderedModel

from crestgauge.inference.compare.criteria_text import Provenance, calibrated_text
from crestgauge.inference.compare.ordinal import bounded_ratio, fit_ordinal
from crestgauge.inference.compare.separation import by_age, nearest_neighbours, overall_ratio, overlaps
from crestgauge.inference.compare.thresholds import (
    KnownAge,
    best_threshold,
    calibrate,
    fitted_steps,
    key_class,
)
from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.errors import CriteriaError, InputError

CRITERIA = load_criteria()
STEPS = fitted_steps(CRITERIA)
PROVENANCE = Provenance(
    data=("demo.csv, SHA-256 0123",),
    date="2026-11-25",
    program="crestgauge 0.1.0",
    started_from=CRITERIA.label,
)


def sample(n, *, at_split=(1.0, 1.0, 1.0), spread=0.12, seed=0, first=2):
    """
    Animals whose ratio on teeth 4, 5, 6 passes ``at_split`` exactly between the classes of its step; the
    infundibulum limits are those of the default key.
    """
    rng = np.random.default_rng(seed)
    codes = rng.integers(first, 9, n)
    age = codes + 0.5
    values = {}
    for tooth, split, middle in zip((4, 5, 6), at_split, (3, 4, 5), strict=True):
        values["ratio", tooth] = np.maximum(split * (1 + 0.45 * (age - middle)), 0) * np.exp(
            rng.normal(0, spread, n)
        )
        limit = 0.2 if tooth == 4 else 0.3
        values["infundibulum_left", tooth] = np.clip(
            limit + 0.2 * (middle + 3 - age) + rng.normal(0, 0.05, n), 0, 1
        )
    return KnownAge(ids=tuple(f"D{i}" for i in range(n)), codes=codes.astype(np.int64), values=values)


def test_steps_are_those_with_a_measured_threshold():
    assert [s.id for s in STEPS] == [
        "tooth-4-wide", "tooth-5-wide", "tooth-6-wide", "tooth-4-dished", "tooth-5-dished", "tooth-6-dished",
    ]  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
def test_best_threshold_is_the_best_of_all_cuts(seed):
    """Against trying every cut; values are rounded so that ties occur."""
    rng = np.random.default_rng(seed)
    values = np.round(rng.normal(1, 0.5, 30), 1)
    older, weights = rng.random(30) < 0.5, rng.random(30)
    for step in (STEPS[0], STEPS[3]):
        cut = best_threshold(values, older, weights, step)

        def wrong(t, step=step):
            yes = values >= t if step.comparison == "at_least" else values <= t
            return weights[yes != older].sum()

        every = [wrong(t) for t in np.concatenate([np.unique(values) - 0.05, np.unique(values) + 0.05])]
        assert wrong(cut) == pytest.approx(min(every))


@pytest.fixture(scope="module")
def found():
    """Calibration on 400 animals whose ratios pass 1.4, 1.0 and 0.7 between the classes."""
    return calibrate(sample(400, at_split=(1.4, 1.0, 0.7)), CRITERIA)


def test_calibration_finds_the_thresholds_that_were_put_in(found):
    """Truth lies in the interval; the threshold that was right already stays."""
    by_id = {s.criterion: s for s in found.steps}
    assert by_id["tooth-4-wide"].moves and by_id["tooth-6-wide"].moves
    assert not by_id["tooth-5-wide"].moves
    for name, truth in (("tooth-4-wide", 1.4), ("tooth-5-wide", 1.0), ("tooth-6-wide", 0.7)):
        fit = by_id[name].fitted
        # 0.05: the misclassification optimum of unequal spreads on both sides is not exactly the middle
        assert fit.low - 0.05 <= truth <= fit.high + 0.05
    assert all(not by_id[f"tooth-{t}-dished"].moves for t in (4, 5, 6))
    assert found.gain.low > 0 and found.right_fitted.value > found.right_default.value
    assert "move" in found.verdict


def test_the_default_stays_where_it_is_right():
    """Under the default's own wear at most a few of 12 thresholds move by chance."""
    moved = sum(
        s.moves for seed in range(2) for s in calibrate(sample(90, seed=seed), CRITERIA, seed=seed).steps
    )
    assert moved <= 2  # 12 steps; each may leave its 95 % interval by chance


def test_a_small_sample_says_so_plainly():
    found = calibrate(sample(25, at_split=(2.0, 2.0, 2.0)), CRITERIA)
    assert not any(s.moves for s in found.steps)
    assert "too few" in found.steps[0].why and found.steps[0].fitted.reason
    assert "too small" in found.verdict
    with pytest.raises(CriteriaError, match="no threshold moves"):
        calibrated_text("", found, PROVENANCE, new_id="local")


def test_nothing_measured_is_no_crash():
    empty = KnownAge(ids=("a", "b"), codes=np.array([3, 0]), values={})
    found = calibrate(empty, CRITERIA)
    assert found.n_animals == 1 and found.n_young == 1 and found.right_default.reason
    with pytest.raises(InputError, match="values for"):
        KnownAge(ids=("a",), codes=np.array([3]), values={("ratio", 4): np.array([1.0, 2.0])})


def test_calibration_is_repeatable():
    data = sample(60, at_split=(1.4, 1.0, 1.0))
    assert calibrate(data, CRITERIA, seed=3) == calibrate(data, CRITERIA, seed=3)


def test_new_file_is_the_old_one_with_other_thresholds(found):
    text = files("crestgauge.inference.criteria").joinpath("default.toml").read_text(encoding="utf-8")
    new_text, new = calibrated_text(text, found, PROVENANCE, new_id="demo-local")
    assert new.id == "demo-local" and new.sha256 != CRITERIA.sha256
    moved = {s.criterion: s for s in found.steps if s.moves}
    for old_step, new_step in zip(CRITERIA.key, new.key, strict=True):
        if old_step.id in moved:
            assert new_step.threshold == pytest.approx(moved[old_step.id].fitted.value, abs=5e-4)
            assert new_step.threshold_source.key == "local-calibration"
            assert f"default {old_step.threshold:g}" in new_step.threshold_source.where
        else:
            assert new_step == old_step
    assert new.options == CRITERIA.options and new.groupings == CRITERIA.groupings
    assert "demo.csv, SHA-256 0123" in new_text and CRITERIA.label in new_text
    # Calibrating a calibrated file again replaces its provenance instead of piling it up.
    again, _ = calibrated_text(new_text, found, PROVENANCE, new_id="demo-local-2")
    assert again.count("local-calibration = ") == 1


def test_key_class_stops_at_the_first_no_and_stays_open_without_a_value():
    values = {key: np.array([2.0, 2.0, np.nan, np.inf]) for key in (("ratio", 4), ("ratio", 5), ("ratio", 6))}
    values["ratio", 5] = np.array([0.5, 2.0, 2.0, np.inf])
    values |= {("infundibulum_left", t): np.array([0.9, 0.9, 0.9, 0.0]) for t in (4, 5, 6)}
    codes = key_class(values, STEPS, {s.id: s.threshold for s in STEPS}, CRITERIA.classes, 4)
    assert [CRITERIA.classes[c] if c >= 0 else None for c in codes] == ["3.5", "5.5", None, "8.5+"]


def test_ordinal_model_matches_statsmodels():
    """Where no weight is at its limit of 0 and without penalty, both maximise the same likelihood."""
    rng = np.random.default_rng(1)
    x = rng.normal(size=(400, 2))
    latent = x @ [1.0, 0.5] + rng.logistic(size=400)
    codes = np.digitize(latent, [-1.0, 0.5, 2.0])
    z = (x - x.mean(axis=0)) / x.std(axis=0)
    want = OrderedModel(codes, z, distr="logit").fit(method="bfgs", disp=False)
    model = fit_ordinal(x, codes, ("a", "b"), ridge=0)
    cuts = want.model.transform_threshold_params(want.params)[1:-1]
    assert model.weights == pytest.approx(want.params[:2], abs=2e-3)  # both stop on a gradient of about 1e-5
    assert model.cuts == pytest.approx(cuts, abs=5e-3)
    assert model.probabilities(x) == pytest.approx(want.predict(), abs=2e-3)


def test_ordinal_model_never_grows_younger_with_wear():
    rng = np.random.default_rng(2)
    codes = np.repeat(np.arange(4), 30)
    x = np.stack([codes + rng.normal(0, 1, 120), -codes + rng.normal(0, 3, 120)], axis=1)
    model = fit_ordinal(x, codes, ("wear", "backwards"))
    assert model.weights[0] > 0 and model.weights[1] == 0  # would be negative without the limit
    line = np.stack([np.linspace(-3, 7, 50), np.zeros(50)], axis=1)
    assert (np.diff(model.predict(line)) >= 0).all()
    for a, b in itertools.pairwise(model.probabilities(line).cumsum(axis=1)):
        assert (b <= a + 1e-12).all()


@pytest.mark.parametrize(
    ("x", "codes", "word"),
    [
        ([[1.0], [np.nan]], [0, 1], "gaps"),
        ([[1.0], [2.0]], [0, 2], "each present"),
        ([[1.0], [1.0]], [0, 1], "same in all"),
        ([[1.0]], [0, 1], "shape"),
    ],
)
def test_ordinal_model_refuses_what_it_cannot_fit(x, codes, word):
    with pytest.raises(InputError, match=word):
        fit_ordinal(np.array(x), codes, ("a",))


def test_bounded_ratio_keeps_the_order():
    assert bounded_ratio([0.0, 1.0, 3.0, np.inf]).tolist() == [0.0, 0.5, 0.75, 1.0]


def test_separation_matches_scikit_learn():
    data = sample(200, spread=0.4)
    values = data.values["ratio", 4]
    for item in overlaps("ratio", 4, values, data.codes, CRITERIA.classes):
        pair = np.isin(data.codes, [CRITERIA.classes.index(item.younger), CRITERIA.classes.index(item.older)])
        older = data.codes[pair] == CRITERIA.classes.index(item.older)
        assert item.auc.value == pytest.approx(roc_auc_score(older, values[pair]))
    features = np.stack([data.values["ratio", t] for t in (4, 5, 6)], axis=1)
    z = (features - features.mean(axis=0)) / features.std(axis=0)
    right = 0
    for i in range(200):
        rest = np.arange(200) != i
        # With one neighbour there are no ties between classes, which libraries break in their own way.
        right += (
            KNeighborsClassifier(1).fit(z[rest], data.codes[rest]).predict(z[i : i + 1])[0] == data.codes[i]
        )
    assert nearest_neighbours(features, data.codes, k=1).value == pytest.approx(100 * right / 200)


@pytest.mark.published(
    source="Hanley & McNeil 1982, Radiology 143:29-36", where="worked example, 58 normal, 51 abnormal"
)
def test_standard_error_of_the_area_of_hanley_and_mcneil():
    """
    Area 0.893 with standard error 0.032 (figures from memory of the paper); any data of that area will do.
    """
    young = np.arange(58.0)
    old = np.full(51, 58 * 0.893 - 0.5)
    (found,) = overlaps("ratio", 4, np.r_[young, old], np.r_[np.zeros(58), np.ones(51)], ("2.5", "3.5"))
    assert found.auc.value == pytest.approx(0.893, abs=0.005)
    assert (found.auc.high - found.auc.low) / (2 * 1.96) == pytest.approx(0.032, abs=0.001)


def test_distribution_by_age_counts_what_passes():
    rows = by_age(
        "ratio", 4, [0.5, 1.0, 2.0, np.nan, np.inf], [2, 2, 2, 2, 3], CRITERIA.classes, threshold=1.0
    )
    assert [(r.age_class, r.n, r.n_gone) for r in rows] == [("2.5", 3, 0), ("3.5", 1, 1)]
    assert rows[0].share_passing.value == pytest.approx(200 / 3) and rows[0].median == 1.0
    assert rows[1].median == np.inf and rows[1].share_passing.value == 100
    assert nearest_neighbours([[1.0]], [0]).reason
    assert overlaps("ratio", 4, [1.0, 2.0], [2, 3], CRITERIA.classes)[0].auc.reason
    ratio = overall_ratio({("ratio", t): np.array([1.0, np.inf]) * t for t in (4, 5, 6)})
    assert ratio[0] == 5 and np.isnan(ratio[1])
