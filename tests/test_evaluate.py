"""Scoring a hand-made reading against a hand-made truth, and the evaluation of a folder of files."""

from __future__ import annotations

import copy
import json
import math
import re
import shutil

import numpy as np
import painted_jaws
import pytest
from evidence_rows import molar, row

from crestgauge.inference.calibrate import EdgeSample
from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.edge_file import EDGE_FILE, read_edge_model, write_edge_model
from crestgauge.inference.errors import InputError, WeightsError
from crestgauge.inference.pipeline import Reader, ReadOptions
from crestgauge.inference.rules import propose
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.training import evaluate
from crestgauge.training.evaluate import EvaluateConfig, class_by_values, evaluate_folder, list_pairs
from crestgauge.training.report import markdown
from crestgauge.training.score import (
    box_overlap,
    class_distance,
    groups_of,
    is_wide,
    score_photo,
    share,
    summarise,
)

TRUTH = {
    "schema": "crestgauge.truth/1",
    "file": "a.jpg",
    "family": "hand",
    "usable": True,
    "unusable": [],
    "side": "left",
    "tilt_deg": 6.0,
    "px_per_mm": 20.0,
    "blur_px": 1.5,
    "conditions": {"light": "sun", "distance_mm": 437.1},
    "age_class": "3.5",
    "age_class_by_key": "3.5",
    "teeth": [
        {
            "position": 4,
            "state": "erupted",
            "milk": False,
            "box": [0, 0, 100, 50],
            "crests": [
                {"lobe": 1, "ratio": 1.0, "infundibulum_gone": False, "dentine_px": 10, "enamel_px": 10},
                {"lobe": 2, "ratio": 2.0, "infundibulum_gone": False, "dentine_px": 20, "enamel_px": 10},
            ],
        },
        {
            "position": 5,
            "state": "erupted",
            "milk": False,
            "box": [110, 0, 220, 50],
            "crests": [
                {"lobe": 1, "ratio": 0.5, "infundibulum_gone": False, "dentine_px": 5, "enamel_px": 10},
                {"lobe": 2, "ratio": None, "infundibulum_gone": True, "dentine_px": 30, "enamel_px": None},
            ],
        },
        {"position": 6, "state": "absent", "milk": None, "box": None, "crests": []},
    ],
}


def crest(lobe: int, ratio: float | None, u: float = 0.05, flags: tuple[str, ...] = ()) -> dict:
    value = None if ratio is None else {"value": ratio, "u": u}
    return {
        "lobe": lobe,
        "ratio": value,
        "flags": list(flags),
        "dentine_px": {"value": 10, "u": 1},
        "enamel_outer_px": {"value": 9, "u": 1},
        "enamel_inner_px": None,
    }


READING = {
    "outcome": "clear",
    "age_class": "3.5",
    "possible": ["3.5"],
    "side": "left",
    "tilt_deg": {"value": 7.0, "u": 1},
    "retake": [],
    "teeth": [
        {
            "position": 4,
            "state": "erupted",
            "milk": False,
            "box": [2, 0, 102, 50],
            "crests": [crest(1, 1.04), crest(2, 2.4)],
        },
        {
            "position": 5,
            "state": "erupting",
            "milk": False,
            "box": [112, 0, 220, 50],
            "crests": [crest(1, 0.5), crest(2, None, flags=("infundibulum_gone",))],
        },
    ],
}


def test_numbers_of_one_reading_by_hand():
    """
    Wide crests: tooth 4, both lobes (tooth 5 has 5 px of dentine, and no ratio). Errors 4 % and 20 %: median
    12 %, 95th percentile 4 + 0.95 * 16 = 19.2 %. Intervals: 0.04 is within 1.96 * 0.05, 0.4 is not.
    """
    summary = summarise([score_photo(TRUTH, READING)])
    assert (summary["photos"], summary["usable"], summary["read"]) == (1, 1, 1)
    for name in (
        "exact",
        "within_one",
        "exact_by_key",
        "side_right",
        "teeth_numbered_right",
        "teeth_found",
        "gone_right",
    ):
        assert summary[name]["share"] == 1, name
    assert summary["teeth_numbered_right"]["of"] == 2
    assert summary["borderline"]["share"] == 0 and summary["refused"]["share"] == 0
    assert summary["wrong_marked"] is None
    assert summary["state_right"]["count"] == 1
    assert summary["wide_crests"] == 2
    assert summary["ratio_error_median"] == pytest.approx(0.12)
    assert summary["ratio_error_95"] == pytest.approx(0.192)
    assert summary["ratio_bias_median"] == pytest.approx(0.12)
    assert (summary["coverage_wide"]["count"], summary["coverage_wide"]["of"]) == (1, 2)
    assert (summary["coverage_all"]["count"], summary["coverage_all"]["of"]) == (2, 3)
    assert summary["tilt_error_deg_median"] == pytest.approx(1.0)
    assert summary["confusion"] == {"3.5": {"3.5": 1}}
    assert summary["groups"]["light"]["sun"]["exact"]["share"] == 1
    assert set(summary["groups"]) == {"light", "class", "tilt", "scale", "blur"}


def test_wrong_class_counts_and_whether_it_was_marked():
    clear = {**READING, "age_class": "2.5", "possible": ["2.5"]}
    marked = {**READING, "outcome": "borderline", "age_class": "2.5", "possible": ["2.5", "3.5"]}
    far = {**READING, "age_class": "1.5", "possible": ["1.5"]}
    summary = summarise([score_photo(TRUTH, r) for r in (READING, clear, marked, far)])
    assert summary["exact"]["count"] == 1 and summary["within_one"]["count"] == 3
    assert (summary["wrong_marked"]["count"], summary["wrong_marked"]["of"]) == (1, 3)
    assert summary["truth_among_possible"]["count"] == 2
    assert summary["exact_when_clear"]["of"] == 3
    assert summary["confusion"] == {"3.5": {"3.5": 1, "2.5": 2, "1.5": 1}}


@pytest.mark.parametrize(
    ("ratio", "by_values", "said"), [(1.01, "3.5", "2.5"), (0.99, "2.5", "2.5"), (1.3, "3.5", "3.5")]
)
def test_class_by_values_sets_doubt_aside_where_a_reading_keeps_the_younger(ratio, by_values, said):
    """A ratio within two standard uncertainties (0.03 each) of 1, on either side, and one beyond."""
    key, evidence = load_criteria(), row(molar(4, ratio))
    assert class_by_values(evidence, key) == by_values
    assert propose(evidence, key).age_class == said


def test_class_by_values_is_counted_where_it_is_known():
    row = {**score_photo(TRUTH, READING), "class_by_values": "3.5"}
    summary = summarise([row, {**row, "class_by_values": "4.5"}, {**row, "class_by_values": None}])
    assert (summary["exact_by_values"]["count"], summary["exact_by_values"]["of"]) == (1, 2)


def test_open_class_is_neither_exact_nor_within_one():
    summary = summarise([score_photo(TRUTH, {**READING, "outcome": "borderline", "age_class": None})])
    assert summary["exact"]["count"] == 0 and summary["within_one"]["count"] == 0
    assert summary["confusion"] == {"3.5": {"open": 1}}


def test_refusals_right_wrong_and_false():
    refused = {
        "outcome": "retake",
        "age_class": None,
        "possible": [],
        "side": None,
        "tilt_deg": None,
        "teeth": [],
        "retake": [{"reason": "blurred"}],
    }
    spoilt = {**TRUTH, "usable": False, "unusable": ["blurred"]}
    other = {**TRUTH, "usable": False, "unusable": ["tilted"]}
    rows = [
        score_photo(spoilt, refused),
        score_photo(spoilt, READING),
        score_photo(other, refused),
        score_photo(TRUTH, refused),
        score_photo(TRUTH, None, "a.jpg: no picture"),
    ]
    summary = summarise(rows)
    assert (summary["unusable_refused"]["count"], summary["unusable_refused"]["of"]) == (2, 3)
    assert (summary["unusable_right_reason"]["count"], summary["unusable_right_reason"]["of"]) == (1, 3)
    assert summary["by_reason"]["tilted"]["right_reason"]["count"] == 0
    assert summary["by_reason"]["tilted"]["said"] == {"blurred": 1}
    assert (summary["refused"]["count"], summary["refused"]["of"]) == (2, 2)
    assert summary["false_refusal_reasons"] == {"blurred": 1}
    assert summary["unreadable"] == 1 and summary["exact"] is None


def test_shifted_numbers_are_wrong_though_every_tooth_was_found():
    """The front tooth read as 5 and the next as 6: both crowns are found, neither number is right."""
    shifted = copy.deepcopy(READING)
    for tooth in shifted["teeth"]:
        tooth["position"] += 1
    summary = summarise([score_photo(TRUTH, shifted)])
    assert summary["teeth_found"]["share"] == 1 and summary["teeth_numbered_right"]["count"] == 0


def test_wilson_interval_against_the_published_example():
    """
    Reference: for 81 of 263 the 95 % Wilson interval without continuity correction is 0.2553 to 0.3662
    (Newcombe 1998, Statistics in Medicine 17:857, table I, method 3; from memory). Printed to four decimals.
    """
    found = share([True] * 81 + [False] * 182)
    assert (found["low"], found["high"]) == (pytest.approx(0.2553, abs=6e-5), pytest.approx(0.3662, abs=6e-5))
    assert share([]) is None
    assert share([True] * 5)["high"] == 1 and share([False] * 5)["low"] == 0


def test_wilson_interval_against_statsmodels():
    """
    Reference: statsmodels.stats.proportion.proportion_confint(method="wilson"), an independent
    implementation.
    """
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    for k, n in ((1, 7), (37, 40), (200, 400)):
        found = share([True] * k + [False] * (n - k))
        expected = proportion.proportion_confint(k, n, alpha=0.05, method="wilson")
        # We use 1.96, they 1.959964: relative 2e-5 of the half width.
        assert (found["low"], found["high"]) == pytest.approx(expected, abs=1e-5)


def test_small_parts():
    assert box_overlap([0, 0, 2, 2], [1, 0, 3, 2]) == pytest.approx(1 / 3)
    assert box_overlap([0, 0, 1, 1], [1, 0, 2, 1]) == 0
    assert class_distance("7.5", "8.5+") == 1 and class_distance("0.5", None) is None
    assert not is_wide({"true_ratio": 0.0, "dentine_px": 9, "enamel_px": 9})
    assert groups_of({"tilt_deg": 15.0, "px_per_mm": None, "blur_px": 0.2})["tilt"] == "15+ deg"


def test_animals_of_the_season_are_counted_by_themselves():
    """An animal of 3.5 years is of the autumn, one of 1.0 years is not; each counts in its own group."""
    autumn, spring = {**TRUTH, "age_years": 3.5}, {**TRUTH, "age_years": 1.0}
    doubted = {**READING, "outcome": "borderline", "age_class": "2.5", "possible": ["2.5", "3.5"]}
    summary = summarise([score_photo(autumn, READING), score_photo(spring, doubted)])
    assert summary["borderline"]["of"] == 2 and summary["borderline"]["count"] == 1
    assert (summary["borderline_in_season"]["count"], summary["borderline_in_season"]["of"]) == (0, 1)
    assert (summary["exact_in_season"]["count"], summary["exact_in_season"]["of"]) == (1, 1)
    assert set(summary["groups"]["season"]) == {"autumn and winter", "spring and summer"}


def test_photos_without_an_age_are_in_no_season():
    """Expected: a share of nothing is None, not 0."""
    summary = summarise([score_photo(TRUTH, READING)])
    assert summary["borderline_in_season"] is None and "season" not in summary["groups"]


def test_report_has_every_number_and_no_nan():
    text = markdown(summarise([score_photo(TRUTH, READING)]))
    assert "| exact class | 100.0 % |" in text and "| sun | 1 |" in text and "nan" not in text.lower()
    empty = markdown(summarise([score_photo({**TRUTH, "usable": False, "unusable": ["dark"]}, None, "x")]))
    assert "| dark | 0.0 % (0 of 1) |" in empty


def test_evaluation_of_a_folder_of_files(tmp_path):
    """
    A painted jaw of known widths as a file, and a file that is no picture: one right reading, one unreadable.
    """
    for name in ("photos", "truth"):
        (tmp_path / name).mkdir()
    jaw = painted_jaws.photo("adult")
    shutil.copy(jaw, tmp_path / "photos" / f"one{jaw.suffix}")
    (tmp_path / "photos" / "two.jpg").write_bytes(b"no picture")
    for name in ("one", "two"):
        truth = {**TRUTH, "file": f"{name}.jpg", "teeth": [], "age_class": "3.5"}
        (tmp_path / "truth" / f"{name}.json").write_text(json.dumps(truth))
    config = EvaluateConfig(workers=1, manifest=painted_jaws.manifest())
    summary = evaluate_folder(tmp_path, tmp_path / "out", config, log=lambda _: None)
    assert summary["photos"] == 2 and summary["unreadable"] == 1
    assert summary["exact"]["count"] == 1 and summary["exact"]["of"] == 1
    rows = [json.loads(line) for line in (tmp_path / "out" / "photos.jsonl").read_text().splitlines()]
    assert [row["error"] is None for row in rows] == [True, False]
    assert (tmp_path / "out" / "evaluation.md").read_text().startswith("# Evaluation")


def test_a_folder_without_truth_or_with_a_missing_photo_is_named(tmp_path):
    with pytest.raises(InputError, match=r"no truth/\*.json"):
        list_pairs(tmp_path)
    (tmp_path / "truth").mkdir()
    (tmp_path / "truth" / "a.json").write_text("{}")
    with pytest.raises(InputError, match=r"no photograph photos/a\.jpg"):
        list_pairs(tmp_path)


def test_calibration_makes_intervals_hold(tmp_path):
    """
    Errors drawn three times as large as the declared model says: before, few intervals hold; after, 95 % do
    by construction, and on the other half between 92 and 98 % (binomial, 400 crests: 95 +- 2.2 %). Errors are
    normal, so the page may say no more than chance of tails: kurtosis of 800 is 3 +- 0.35 (2 s), a factor of
    1.18.
    """
    rng = np.random.default_rng(2)
    model = EdgeModel()
    samples = []
    for _ in range(800):
        dentine, enamel = rng.uniform(8, 30), rng.uniform(8, 14)
        sample = EdgeSample(
            dentine_px=dentine, outer_px=enamel, inner_px=enamel, ratio=dentine / enamel, true_ratio=1.0
        )
        samples.append(
            EdgeSample(
                dentine_px=dentine,
                outer_px=enamel,
                inner_px=enamel,
                ratio=dentine / enamel,
                true_ratio=dentine / enamel + 3 * sample.u(model) * rng.normal(),
            )
        )
    found = evaluate.calibrate(samples, tmp_path / "edge_model.toml", model)
    assert found["coverage_before"] < 0.6
    assert 0.92 <= found["coverage_other_half"] <= 0.98
    assert read_edge_model(tmp_path / "edge_model.toml").to_mapping() == found["model"]
    assert math.isfinite(found["model"]["common_px"])
    page = markdown(summarise([]) | {"edge_model": found})
    said = re.search(r"800 crests\. .* by a factor of (\d\.\d\d) \(1 standard deviation\)", page)
    assert said is not None and 1.0 <= float(said[1]) <= 1.18


def test_reader_takes_the_edge_model_beside_the_weights(tmp_path):
    """A copied manifest folder with a file: the reader has its numbers; a wrong key is named with it."""
    shutil.copytree(painted_jaws.manifest().parent, tmp_path, dirs_exist_ok=True)
    options = ReadOptions(manifest=tmp_path / "weights.toml")
    assert Reader(options).measure.edge_model == EdgeModel()
    write_edge_model(EdgeModel(sigma_px=0.7, source='a "quoted" source'), tmp_path / EDGE_FILE)
    assert Reader(options).measure.edge_model == EdgeModel(sigma_px=0.7, source='a "quoted" source')
    (tmp_path / EDGE_FILE).write_text("sigma = 0.7\n")
    with pytest.raises(WeightsError, match=r"edge_model\.toml: .*unknown key 'sigma'"):
        Reader(options)
