"""Ratios that labels say, and labels as a person draws them: on drawn rows of known widths."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import painted_jaws
import pytest
from drawn_row import draw
from scipy.special import ndtr

from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.evidence import Quantity
from crestgauge.inference.measure import to_evidence
from crestgauge.inference.rules import propose
from crestgauge.model.labels import Material
from crestgauge.training.evaluate import class_by_values
from crestgauge.training.files import list_photos, read_labels
from crestgauge.training.label_noise import NoiseOptions, enamel_widened, noisy_labels, wandering
from crestgauge.training.label_truth import measure_labels, truth_of


def lobe_dots(maps) -> dict[int, list[list[float]]]:
    """Peaks of the heat map by tooth, front first."""
    heat, tooth = maps.block("lobe")[0], maps.block("tooth").argmax(axis=0)
    count, _, _, middles = cv2.connectedComponentsWithStats((heat > 0.8).astype(np.uint8))
    dots: dict[int, list[list[float]]] = {}
    for x, y in sorted(middles[1:count].tolist()):
        dots.setdefault(int(tooth[round(y), round(x)]), []).append([x, y])
    return dots


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """One jaw whose tooth 4 has ratio 14 / 9, its labels at the photo's own resolution."""
    path = tmp_path_factory.mktemp("labelled")
    for name in ("photos", "labels", "truth"):
        (path / name).mkdir()
    maps = draw(painted_jaws.ROWS["adult"])  # turned by 12 degrees: a level edge would be rounded one way
    material = maps.block("material").argmax(axis=0).astype(np.uint8)
    tooth = maps.block("tooth").argmax(axis=0).astype(np.uint8)
    cv2.imwrite(str(path / "photos" / "a.png"), np.zeros((*tooth.shape, 3), np.uint8))
    cv2.imwrite(str(path / "labels" / "a.material.png"), material)
    cv2.imwrite(str(path / "labels" / "a.tooth.png"), tooth)
    teeth = [{"position": k, "state": "erupted", "lobe_centres": v} for k, v in lobe_dots(maps).items()]
    truth = {"side": "left", "view": [0.05, -0.08], "specimen_id": "R1", "teeth": teeth}
    (path / "truth" / "a.json").write_text(json.dumps(truth))
    return path


def test_labels_say_the_widths_that_were_drawn(folder):
    """
    Hard labels of 9.5 photo px enamel and up to 14.7 px dentine: an edge is known to a few tenths of a pixel
    over a whole crest, so ratios to 5 %.
    """
    truth = truth_of(list_photos(folder)[0])
    assert truth["from_labels"] and truth["age_class"] == "3.5" and truth["specimen_id"] == "R1"
    found = {t["position"]: [c["ratio"] for c in t["crests"]] for t in truth["teeth"]}
    for position in (4, 5, 6):
        expected = painted_jaws.AT_3_5[position] / 9
        assert found[position][:2] == [pytest.approx(expected, rel=0.05)] * 2
    four = next(t for t in truth["teeth"] if t["position"] == 4)
    assert four["crests"][0]["dentine_px"] == pytest.approx(14 * painted_jaws.ENLARGE, rel=0.03)
    assert four["state"] == "erupted" and four["box"] is not None


def test_teeth_with_unlabelled_pixels_have_no_crests_and_then_no_class(folder, tmp_path):
    paths = list_photos(folder)[0]
    material = cv2.imread(str(paths.material), cv2.IMREAD_UNCHANGED)
    tooth = cv2.imread(str(paths.tooth), cv2.IMREAD_UNCHANGED)
    rows, columns = np.nonzero(tooth == 4)
    material[rows[: len(rows) // 9], columns[: len(rows) // 9]] = 255
    for name in ("photos", "labels", "truth"):
        (tmp_path / name).mkdir()
    cv2.imwrite(str(tmp_path / "labels" / "a.material.png"), material)
    for path in (paths.photo, paths.tooth, paths.truth):
        (tmp_path / path.parent.name / path.name).write_bytes(path.read_bytes())
    truth = truth_of(list_photos(tmp_path)[0])
    found = {t["position"]: t["crests"] for t in truth["teeth"]}
    assert found[4] == [] and len(found[5]) == 2
    assert truth.get("age_class") is None


def test_ratios_of_the_truth_file_stand(folder, tmp_path):
    paths = list_photos(folder)[0]
    given = json.loads(Path(paths.truth).read_text())
    given["teeth"][3]["crests"] = [{"lobe": 1, "ratio": 0.7, "infundibulum_gone": False}]
    other = tmp_path / "a.json"
    other.write_text(json.dumps(given))
    truth = truth_of(replace(paths, truth=other))
    assert not truth["from_labels"] and truth["teeth"][3]["crests"][0]["ratio"] == 0.7


def test_without_a_truth_file_labels_say_no_ratio(folder):
    truth = truth_of(replace(list_photos(folder)[0], truth=None))
    assert truth["usable"] and truth["teeth"] == [] and not truth["from_labels"]


def bands() -> np.ndarray:
    """Wall, 10 px enamel, 20 px dentine, 10 px enamel, wall; columns are the profile."""
    row = np.concatenate([np.full(n, m) for n, m in ((30, 2), (10, 3), (20, 4), (10, 3), (30, 2))])
    return np.tile(row.astype(np.uint8), (60, 1))


@pytest.mark.parametrize("by", [2, 1, -1, -2])
def test_a_hand_that_draws_enamel_too_wide_or_narrow(by):
    """Whole pixels on straight edges: each band changes by twice as much."""
    out = enamel_widened(bands(), float(by))
    counts = [(out[30] == m).sum() for m in (Material.ENAMEL_BAND, Material.DENTINE, Material.CROWN_WALL)]
    assert counts == [20 + 4 * by, 20 - 2 * by, 60 - 2 * by]
    assert set(np.unique(out)) == {2, 3, 4}


@pytest.mark.parametrize("by", [0.2, -0.3, 1.7])
def test_a_hand_that_is_off_by_parts_of_a_pixel(by):
    """
    Straight edges between pixels, where whole steps alone would be off by 0.2 or more: 1200 rows with a
    length of 12 px are some 100 free stretches, whose share that moves on is known to 0.05, twice that here.
    """
    material = np.tile(bands()[:1], (1200, 1))
    dither = ndtr(wandering(material.shape, 12.0, np.random.default_rng(4))[0])
    out = enamel_widened(material, by, dither)
    assert (out == Material.ENAMEL_BAND).sum() / 1200 == pytest.approx(20 + 4 * by, abs=0.4)
    assert set(np.unique(out)) == {2, 3, 4}


def test_the_truth_of_labels_has_no_too_near_to_tell(folder):
    """
    Tooth 5 at 1.04 with an uncertainty of 0.13 may be either class; the literal class of the key for at least
    1.0 is the later one, 4.5, with tooth 6 narrow.
    """
    paths = list_photos(folder)[0]
    row = measure_labels(*read_labels(paths), json.loads(paths.truth.read_text()))
    evidence = to_evidence(row)
    teeth = list(evidence.teeth)
    near = tuple(replace(crest, ratio=Quantity(1.04, 0.13)) for crest in teeth[4].crests)
    teeth[4] = replace(teeth[4], crests=near)
    evidence = replace(evidence, teeth=tuple(teeth))
    key = load_criteria()
    assert set(propose(evidence, key).possible) >= {"3.5", "4.5"}
    assert class_by_values(evidence, key) == "4.5"
    assert all(crest.ratio.u > 0 for crest in evidence.teeth[3].crests)


def test_labels_say_how_sure_their_ratios_are(folder):
    """
    By simulation: the spread of ratios over 60 drawings of one jaw by other hands is what is stated for tooth
    4, within 40 %: the stated errors count four edges apart where a hand moves them together, and jaws of 10
    px per mm round them.
    """
    paths = list_photos(folder)[0]
    truth = json.loads(paths.truth.read_text()) | {"px_per_mm": 15.0 * painted_jaws.ENLARGE}
    material, tooth = read_labels(paths)
    found = []
    for seed in range(60):
        drawn = noisy_labels(material, tooth, truth, np.random.default_rng(seed), NoiseOptions(left_out=0.0))
        four = measure_labels(*drawn).teeth[3]
        found += [crest.ratio.value for crest in four.crests[:1] if crest.ratio is not None]
    stated = truth_of(paths)["teeth"][3]["crests"][0]["ratio_u"]
    assert len(found) >= 55
    assert stated == pytest.approx(float(np.std(found)), rel=0.4)


def test_edges_wander_as_far_as_asked():
    """
    sigma 0.2 mm at 15 px/mm: 3 px. 600 rows with a length of 12 px are some 25 free edges: 14 % on a sigma.
    """
    options = NoiseOptions(wander_mm=0.2, hand_mm=0.0, left_out=0.0)
    material = np.tile(bands()[:1], (1200, 1))
    out, tooth, truth = noisy_labels(
        material, np.full_like(material, 4), {"px_per_mm": 15.0}, np.random.default_rng(1), options
    )
    edge = (out == 2).argmin(axis=1)
    assert float(np.std(edge)) == pytest.approx(3.0, rel=0.35)
    assert set(np.unique(tooth)) == {4} and truth["teeth"] == []
    assert wandering((40, 50), 12, np.random.default_rng(0)).shape == (2, 40, 50)


def test_teeth_are_left_out_as_often_as_asked_and_dots_move():
    tooth = np.tile(np.repeat(np.arange(1, 7, dtype=np.uint8), 10), (20, 1))
    truth = {
        "teeth": [{"position": 4, "lobe_centres": [[35.0, 10.0]]}, {"position": 5, "lobe_centres": None}]
    }
    rng = np.random.default_rng(3)
    left = 0
    for _ in range(50):
        out, numbers, moved = noisy_labels(
            np.full_like(tooth, 4), tooth, truth, rng, NoiseOptions(left_out=0.2)
        )
        left += 6 - len(set(np.unique(numbers)) - {255})
        assert ((out == 255) == (numbers == 255)).all()
        assert (
            moved["teeth"][0]["lobe_centres"] != [[35.0, 10.0]] and moved["teeth"][1]["lobe_centres"] is None
        )
    assert left == pytest.approx(60, abs=21)  # 300 teeth at 0.2: three standard deviations
    assert truth["teeth"][0]["lobe_centres"] == [[35.0, 10.0]]
