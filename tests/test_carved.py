"""The second independent family: widths from its outlines, its plan, its pictures' truth files."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("scipy", reason="the carved family needs the extra 'traced'")
pytest.importorskip("skimage", reason="its truth format comes from the traced family, which needs it")

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.carved.crowns import Crown, Enamel, Lobe, Wall, Wear
from crestgauge.synthetic_data.carved.dataset import plan
from crestgauge.synthetic_data.carved.looks import FAULTS
from crestgauge.synthetic_data.carved.outlines import Array, Outline, closed_curve
from crestgauge.synthetic_data.carved.rows import CLASSES, make_row
from crestgauge.synthetic_data.carved.widths import crossings, measure_crest

ROOT = Path(__file__).parent.parent
SET = Path(__file__).parent / "data" / "carved"


def truths() -> list[dict]:
    return [json.loads(path.read_text(encoding="utf-8")) for path in sorted((SET / "truth").glob("*.json"))]


def test_distance_to_a_circle():
    """A closed curve through eight points of a circle: distances known by radius.

    Tolerance 4e-3 mm: a cubic through eight points leaves a circle of radius 3 mm by 3e-3 mm.
    """
    angle = np.arange(8) * np.pi / 4.0
    circle = Outline(closed_curve(3.0 * np.column_stack([np.cos(angle), np.sin(angle)])))
    points = np.array([[0.0, 0.0], [1.0, 1.0], [0.0, 2.9], [4.0, 0.0], [-3.0, -4.0]])
    assert circle.inside(points) == pytest.approx([3.0, 3.0 - np.sqrt(2.0), 0.1, -1.0, -2.0], abs=4e-3)


def box(half_x: float, low: float, high: float) -> Outline:
    """A rectangle with straight sides, sampled every 0.02 mm."""
    corners = np.array([[-half_x, low], [half_x, low], [half_x, high], [-half_x, high], [-half_x, low]])
    sides = [a + np.linspace(0, 1, 800, endpoint=False)[:, None] * (b - a) for a, b in pairwise(corners)]
    return Outline(np.vstack(sides))


def block(depth: float) -> Crown:
    """One straight lobe: outline to y = 3, infundibulum from y = 1 down to -1, walls known at each depth."""
    lobe = Lobe(1, -4.0, 4.0, box(4.0, -3.0, 3.0), (box(3.5, -1.0, 1.0),), 0.0, True)
    return Crown(
        lobes=(lobe,),
        outer=Wall(0.9, 0.5, 0.8, 0.15),
        inner=Wall(0.9, 0.5, 0.8, 0.10),
        cheek_slope=0.15,
        relief=(0.0, 0.0, 0.0),
        middle_y=0.0,
        enamel=Enamel(0.6, 0.6, 0.5, (0.0, 0.0, 5.0)),
        wear=Wear(depth, 0.0, 0.0, 0.0, (0.0, 0.0, 0.0)),
    )


@pytest.mark.parametrize("depth", [2.0, 3.0, 5.0])
def test_widths_of_a_straight_lobe(depth: float):
    """Straight walls: the blade is 2 mm plus what both walls moved, less 1.1 mm of enamel.

    By hand from `Wall`: -0.9 + 0.5 (1 - exp(-h / 0.8)) + slope h. Tolerance 1e-3 mm: linear
    interpolation between profile samples of a field that is linear there, and the sampled outline.
    """
    widths = measure_crest(block(depth), block(depth).lobes[0]).widths()
    moved = 2.0 * (-0.9 + 0.5 * (1.0 - np.exp(-depth / 0.8))) + 0.25 * depth
    for found, wanted in zip(widths, (2.0 + moved - 1.1, 0.6, 0.5), strict=True):
        assert np.median(found) == pytest.approx(wanted, abs=1e-3)


def test_crossings_by_hand():
    """Fields linear between samples one apart: edges where the line through two samples is zero."""
    s = np.arange(7.0)
    tooth = np.array([-1.0, 1.0, 2.0, 2.0, 2.0, 1.0, -3.0])
    core = np.array([-2.0, -1.0, 1.0, 1.0, 3.0, -1.0, -4.0])
    assert crossings(s, tooth, core, 3) == pytest.approx([0.5, 1.5, 4.75, 5.25])


def runs(material: Array, line: Array, step: float, low: Array) -> Array:
    """Median runs (outer enamel, dentine, inner enamel) [mm] across a line's middle half on a plan map."""
    x, y = line[:, 0], line[:, 1]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    found = []
    for share in np.linspace(0.25, 0.75, 21):
        at, ahead, behind = (
            np.array([np.interp((share + d) * along[-1], along, v) for v in (x, y)])
            for d in (0.0, 0.06, -0.06)
        )
        way = (ahead - behind) / np.linalg.norm(ahead - behind)
        s = np.arange(-3.0, 4.0, step / 5.0)
        points = at + s[:, None] * np.array([way[1], -way[0]])
        index = np.clip(np.round((points - low) / step).astype(int), 0, np.array(material.shape[::-1]) - 1)
        seen = material[index[:, 1], index[:, 0]]
        middle = int(np.argmin(np.abs(s)))
        if seen[middle] != Material.DENTINE:
            continue
        ends = []
        for way_step in (-1, 1):
            k = middle
            while seen[k] == Material.DENTINE:
                k += way_step
            edge = k
            while seen[k] == Material.ENAMEL_BAND:
                k += way_step
            ends.append((abs(s[edge] - s[middle]), abs(s[k] - s[edge])))
        found.append((ends[0][1], ends[0][0] + ends[1][0] - step / 5.0, ends[1][1]))
    return np.median(np.array(found), axis=0)


def test_truth_widths_agree_with_a_label_map():
    """Widths from the fields against runs counted on a map of 40 px/mm: two ways to one number.

    The map is flat, the worn face slopes: widths in the map are smaller by its cosine, so here the truth's
    own edges are taken in plan. Tolerance 0.04 mm: 1.6 cells of the map, whose edges are whole cells.
    """
    step, checked = 0.025, 0
    for seed, age_class in (3, "4.5"), (8, "5.5"), (12, "3.5"):
        row = make_row(seed, age_class, "left")
        for tooth in row.teeth[3:5]:
            crown = tooth.crown
            assert crown is not None
            lobe = crown.lobes[0]
            truth = measure_crest(crown, lobe)
            if truth.gone or not len(truth.edges) or np.nanmedian(truth.widths()[0]) < 0.25:
                continue
            low = np.array([lobe.x0 - 1.0, crown.middle_y - 1.5])
            x, y = np.arange(low[0], lobe.x1 + 1.0, step), np.arange(low[1], 7.0, step)
            material = crown.material(np.stack(np.meshgrid(x, y), axis=-1), -99.0)
            flat = np.linalg.norm(np.diff(truth.edges[..., :2], axis=1), axis=2)
            assert runs(material, truth.line, step, low) == pytest.approx(
                np.nanmedian(flat, axis=0), abs=0.04
            )
            checked += 1
    assert checked >= 4


def test_plan_goes_round_all_classes_and_faults():
    plans = [plan(k) for k in range(48)]
    usable = [age_class for age_class, fault in plans if fault is None]
    assert len(usable) == 40 and {fault for _, fault in plans} == {None, *FAULTS}
    assert all(4 <= usable.count(age_class) <= 5 for age_class in CLASSES)


def test_same_seed_same_teeth():
    """Two draws of one seed say the same of every tooth, to the last bit."""
    one, two = (make_row(5, "4.5", "right") for _ in range(2))
    first, again = (measure_crest(r.teeth[3].crown, r.teeth[3].crown.lobes[0]) for r in (one, two))
    assert np.array_equal(first.edges, again.edges, equal_nan=True)


def test_nothing_in_training_imports_the_independent_families():
    """Nothing that draws training pictures or trains may know how the test families look."""
    for folder in ("training", "synthetic_data", "inference", "model", "cli"):
        for path in (ROOT / folder).rglob("*.py"):
            family = {"traced", "carved"} & set(path.parts)
            for used in re.findall(r"crestgauge\.synthetic_data\.(traced|carved)", _imports(path)):
                assert family and (used in family or family == {"carved"}), path


def _imports(path: Path) -> str:
    lines = path.read_text(encoding="utf-8").splitlines()
    return "\n".join(line for line in lines if re.match(r"\s*(from|import) ", line))


def test_carved_shares_only_the_truth_format_with_the_traced_family():
    allowed = {"truth", "dataset"}
    for path in (ROOT / "synthetic_data" / "carved").glob("*.py"):
        assert set(re.findall(r"synthetic_data\.traced\.(\w+)", _imports(path))) <= allowed
        others = re.findall(r"crestgauge\.synthetic_data\.(\w+)", _imports(path))
        assert set(others) <= {"traced", "carved"}, path


def test_truth_files_keep_the_form():
    """Each has its photo, six teeth in order, a class by the key where a jaw is usable, and ratios made
    of its widths."""
    found = truths()
    assert found
    for truth in found:
        assert truth["schema"] == "crestgauge.truth/1" and truth["family"] == "carved"
        photo = SET / "photos" / truth["file"]
        assert 50_000 < photo.stat().st_size <= 300_000 or not truth["usable"]
        assert truth["usable"] == (not truth["unusable"]) and set(truth["unusable"]) <= set(FAULTS)
        assert [t["position"] for t in truth["teeth"]] == [1, 2, 3, 4, 5, 6]
        if truth["usable"]:
            assert truth["age_class"] in CLASSES and truth["side"] in ("left", "right")
            assert truth["tilt_deg"] < 20.0
            tilt = np.degrees(np.arcsin(np.hypot(*truth["view"])))
            assert tilt == pytest.approx(truth["tilt_deg"], abs=0.6)
        for crest in (crest for tooth in truth["teeth"] for crest in tooth["crests"]):
            if crest["ratio"]:
                outer, inner = (crest["ratio_by_definition"][k] for k in ("outer", "inner"))
                assert 0.9 * min(outer, inner) <= crest["ratio"] <= 1.1 * max(outer, inner)


def test_set_covers_all_classes_and_both_sides():
    usable = [truth for truth in truths() if truth["usable"]]
    assert {truth["age_class"] for truth in usable} == set(CLASSES)
    assert {truth["side"] for truth in usable} == {"left", "right"}
