"""The curve at toy size: nested animals, true and noisy labels, real steps from the shipped weights."""

from __future__ import annotations

import json
import shutil
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from own_photos import make_photos
from own_weights import CONFIG, rows
from toy_jaws import draw_toy

from crestgauge.inference.errors import InputError
from crestgauge.model.weights import shipped_manifest_path
from crestgauge.training import curve as module
from crestgauge.training.card import Evaluated, write_card
from crestgauge.training.curve import CurveOptions, deal, draw_curve, plot
from crestgauge.training.own import read_own

pytestmark = pytest.mark.usefixtures("small_pictures")


@pytest.fixture(scope="module")
def data(tmp_path_factory) -> Path:
    """Fifteen animals of three classes, one photo each."""
    folder = make_photos(tmp_path_factory.mktemp("family") / "d", 30, classes=("1.5", "2.5", "3.5"))
    for path in sorted(folder.glob("*/p*[13579].*")):
        path.unlink()
    lines = (folder / "animals.csv").read_text().splitlines()
    (folder / "animals.csv").write_text("\n".join([lines[0], *lines[1::2]]) + "\n")
    for path in (folder / "truth").glob("*.json"):
        table = json.loads(path.read_text())
        path.write_text(json.dumps(table | {"usable": True, "teeth": []}))
    return folder


def test_more_animals_are_the_same_and_others(data):
    own = read_own(data)
    order = deal(own, 1)
    assert sorted(order) == list(own.animals) and order == deal(own, 1) != deal(own, 2)
    classes = {photo.animal: photo.age_class for photo in own.photos}
    for first in range(0, 15, 3):  # each three in a row are of three classes
        assert len({classes[animal] for animal in order[first : first + 3]}) == 3


def test_a_curve_from_labels_to_picture(data, tmp_path, monkeypatch):
    """
    Two points of true and of noisy labels: real steps from the shipped weights on toy pictures; what reads
    photos is a stand-in whose errors shrink with the number of animals in the set's name.
    """
    read = []

    def judge(which, photos, options, part, **_):
        read.append((which.name, part, len(photos)))
        animals = 0 if which.name == "shipped" else int(which.name.split("-")[1])
        found = rows(1, 0.12 - 0.008 * animals, count=len(photos), wrong=0)
        return [
            row | {"file": p.photo.name, "animal": p.animal} for row, p in zip(found, photos, strict=True)
        ]

    monkeypatch.setattr(module, "judge", judge)
    monkeypatch.setattr(
        "crestgauge.training.recalibrate.read_pairs",
        lambda pairs, options, workers: (({}, []) for _ in pairs),
    )
    two = replace(CONFIG, schedule=replace(CONFIG.schedule, max_steps=2))
    options = CurveOptions(
        data=data, out=tmp_path / "curve", animals=(0, 10), config=two, drawn=0, device="cpu"
    )
    lines: list[str] = []
    result = draw_curve(options, draw=draw_toy, log=lines.append)
    assert [(p["labels"], p["animals"]) for p in result["points"]] == [
        ("truth", 0),
        ("truth", 10),
        ("noisy", 0),
        ("noisy", 10),
    ]
    assert result["judged_animals"] == 5
    before, after = (result["points"][k]["rest"]["new"]["all_ratio_error_median"] for k in (0, 1))
    assert after < before
    folder = tmp_path / "curve"
    assert {path.name for path in folder.iterdir()} == {
        "curve.json",
        "curve.md",
        "curve.svg",
        "data",
        "weights",
    }
    plan = json.loads((folder / "weights" / "truth-10" / "plan.json").read_text())
    labelled = {*plan["split"]["train"], *plan["split"]["check"]}
    assert len(labelled) == 10 and plan["split"]["test"] == [] and len(plan["split"]["check"]) == 2
    judged = set(read_own(data).animals) - labelled
    assert len(judged) == 5
    truth = json.loads(next((folder / "data" / "truth-10" / "truth").iterdir()).read_text())
    assert truth["age_class"] is None  # nobody who labels pixels knows the true class
    made = len(lines)
    draw_curve(options, draw=draw_toy, log=lines.append)  # again: nothing is trained twice
    assert not any("step" in line for line in lines[made:])
    ET.fromstring((folder / "curve.svg").read_text())
    table = (folder / "curve.md").read_text()
    assert "| truth | 10 |" in table
    card = tmp_path / "card"
    shutil.copytree(
        shipped_manifest_path().parent, card, ignore=shutil.ignore_patterns("*.md", "*.py", "*.svg")
    )
    text = write_card(card, [], [], curves=[Evaluated(title="Toys", path=folder / "curve.json")]).read_text()
    assert table in text and "**Toys**" in text
    assert (
        "(curve-1.svg)" in text and (card / "curve-1.svg").read_text() == (folder / "curve.svg").read_text()
    )


def test_each_point_can_be_judged_by_all_that_it_did_not_label(data, tmp_path, monkeypatch):
    """
    Of fifteen animals all judge the start, nine those weights that six taught and five those of ten. Each
    comparison is of the same animals: the stand-in's start readings differ by animal, and are compared with
    themselves.
    """
    read = {}

    def judge(which, photos, options, part, **_):
        if part == "rest":
            read[which.name] = sorted(p.animal for p in photos)
        return [
            rows(int(p.photo.stem[1:]), 0.1, count=1, wrong=0)[0] | {"file": p.photo.name, "animal": p.animal}
            for p in photos
        ]

    sets = {}

    def trained(own, animals, labels, options, draw, log):
        name = f"{labels}-{len(animals)}"
        sets[name] = set(animals)
        folder = tmp_path / name
        folder.mkdir(exist_ok=True)
        (folder / "calibration.json").write_text("{}")
        start = module.find_set("shipped")
        return replace(start, name=name, manifest=replace(start.manifest, path=folder / "weights.toml"))

    monkeypatch.setattr(module, "judge", judge)
    monkeypatch.setattr(module, "trained", trained)
    options = CurveOptions(
        data=data,
        out=tmp_path / "curve",
        animals=(0, 6, 10),
        labels=("noisy",),
        config=CONFIG,
        drawn=0,
        all_others=True,
    )
    result = draw_curve(options, log=lambda line: None)
    everyone = set(read_own(data).animals)
    assert read["shipped"] == sorted(everyone)
    for name, count in (("noisy-6", 9), ("noisy-10", 5)):
        assert set(read[name]) == everyone - sets[name] and len(read[name]) == count
    assert [p["rest"]["animals"] for p in result["points"]] == [15, 9, 5]
    for each in result["points"]:
        paired = each["rest"]["paired"]["ratio"]
        assert paired["difference"] == 0.0 and paired["old"] > 0
    assert "judged by all others (0 by 15, 6 by 9, 10 by 5)" in (tmp_path / "curve" / "curve.md").read_text()
    fixed = draw_curve(replace(options, all_others=False, out=tmp_path / "same"), log=lambda line: None)
    assert [p["rest"]["animals"] for p in fixed["points"]] == [5, 5, 5]


def test_too_few_animals_to_judge_by(data, tmp_path):
    with pytest.raises(InputError, match="leave fewer than 5 to judge by"):
        draw_curve(CurveOptions(data=data, out=tmp_path, animals=(0, 11), config=CONFIG))


def test_the_picture_has_a_panel_for_each_number_that_exists():
    found = module.compare_rows(rows(1, 0.1), rows(1, 0.05))
    points = [
        {"labels": labels, "animals": animals, "rest": found, "drawn": None}
        for labels in ("truth", "noisy")
        for animals in (0, 10, 20)
    ]
    text = plot({"points": points})
    tree = ET.fromstring(text)
    lines = [node for node in tree.iter() if node.tag.endswith("polyline")]
    assert len(lines) == 3 * 4  # nothing was read of drawn pictures
    assert [node.get("stroke") for node in lines[:3]] == ["#777777", "#0072B2", "#D55E00"]
    assert lines[0].get("points") != lines[1].get("points")  # before, and now
    assert sum(node.tag.endswith("circle") for node in tree.iter()) == 12
    assert "true labels" in text and "as a person" in text
    assert "true labels" not in plot({"points": points[3:]})


def test_panels_are_not_cut_to_their_points():
    """Errors rise from zero, shares from at most a half: neither makes a step look larger than it is."""
    found = module.compare_rows(rows(1, 0.1), rows(1, 0.05))
    text = plot(
        {"points": [{"labels": "truth", "animals": n, "rest": found, "drawn": None} for n in (0, 10)]}
    )
    numbers = [node.text for node in ET.fromstring(text).iter() if node.get("text-anchor") == "end"]
    assert numbers.count("0") >= 2
    assert numbers.count("100") == 2
