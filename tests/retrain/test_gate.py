"""
The gate: better on one's own animals and nothing worse, from rows of scores; the whole command on stand-ins.
"""

from __future__ import annotations

import copy
import json

import pytest
from own_photos import make_photos
from own_weights import make_set, rows

from crestgauge.cli.__main__ import main
from crestgauge.inference.errors import InputError
from crestgauge.model import local
from crestgauge.training import gate as module
from crestgauge.training.gate import compare_rows, find_faults, own_photos, verdict


def parts(**changes) -> dict:
    """Old and new on three sets: better on one's own, alike on the others, changed as asked."""
    found = {
        "own": compare_rows(rows(1, 0.12), rows(1, 0.04)),
        "independent": compare_rows(rows(2, 0.08), rows(2, 0.08)),
        "drawn": compare_rows(rows(3, 0.08), rows(3, 0.081)),
    }
    return found | changes


def test_better_and_nothing_forgotten_passes():
    found = parts()
    assert find_faults(found) == []
    own = found["own"]["paired"]["ratio"]
    assert own["verdict"] == "better" and own["p"] < 0.01
    assert "ratio error" in verdict(found, [])


@pytest.mark.parametrize(
    ("part", "old", "new", "words"),
    [
        ("own", rows(1, 0.08), rows(1, 0.08), "not shown to be better on your own animals"),
        ("own", rows(1, 0.12), rows(1, 0.04, u=0.005), "intervals hold only"),
        ("own", rows(1, 0.12), rows(1, 0.04, refused=9), "good photos refused got worse on your own"),
        ("independent", rows(2, 0.08), rows(2, 0.30), "ratio error got worse on the independent"),
        ("independent", rows(2, 0.3, count=7), rows(2, 0.31, count=7), None),
        ("independent", rows(2, 0.3), rows(9, 0.3), "too few of the independent"),
        ("drawn", rows(3, 0.08, wrong=0), rows(3, 0.08, wrong=12), "wrong class got worse on the drawn"),
        ("drawn", rows(3, 0.08)[:3], rows(3, 0.08)[:3], "too few of the drawn"),
    ],
)
def test_each_fault_is_found(part, old, new, words):
    faults = find_faults(parts(**{part: compare_rows(old, new)}))
    assert faults == [] if words is None else any(words in fault for fault in faults), faults


def test_intervals_are_held_against_what_a_label_can_say():
    """
    Ratios off by 0.2 with u = 0.06: not held against a measured truth, but against labels with u = 0.1, since
    0.2 < 1.96 * hypot(0.06, 0.1) = 0.229.
    """
    found = rows(1, 0.0, u=0.06)
    for crest in (crest for row in found for crest in row["crests"]):
        crest["ratio"] = crest["true_ratio"] + 0.2
    assert module.coverage(found)["share"] == 0.0
    for crest in (crest for row in found for crest in row["crests"]):
        crest["true_u"] = 0.1
    assert module.coverage(found)["share"] == 1.0


def test_what_was_not_looked_at_is_a_fault():
    assert find_faults(parts(independent=None)) == ["the independent pictures were not looked at"]


def test_crests_that_only_one_side_measured_are_not_compared():
    old, new = rows(1, 0.1), rows(1, 0.1)
    for row in new:
        row["crests"][0]["ratio"] = None
    for row in old:
        row["crests"][1]["ratio"] = None
    assert compare_rows(old, new)["paired"]["ratio"] is None


def test_spoilt_photos_that_are_read_count():
    old, new = rows(1, 0.1), copy.deepcopy(rows(1, 0.1))
    for row in new:
        row["refused"] = False
    found = compare_rows(old, new)["paired"]["spoilt"]
    assert (found["animals"], found["old"], found["new"]) == (3, 0.0, 1.0)


@pytest.fixture
def home(tmp_path, monkeypatch):
    folder = tmp_path / "own"
    monkeypatch.setenv(local.FOLDER_VARIABLE, str(folder))
    return folder


def stand_in(pairs, options, workers):
    """Scores by the manifest's folder: "good" measures better than all others."""
    better = options.manifest.parent.name == "good"
    for (photo, _), row in zip(pairs, rows(4, 0.04 if better else 0.12, count=len(pairs)), strict=True):
        yield row | {"file": photo.name}, []


def test_the_command_compares_and_decides(home, tmp_path, monkeypatch, capsys):
    """Readings are stand-ins; everything from the folder of photos to the default is real."""
    make_set(home, "good")
    make_set(home, "bad")
    (home / "good" / "edge_model.toml").write_text("scale = 1.5\n")  # or both would be the same weights
    dataset = make_photos(tmp_path / "d", 48)
    other = tmp_path / "independent"
    make_photos(other, 24)
    monkeypatch.setattr(module, "read_pairs", stand_in)
    monkeypatch.setattr(module, "fixed_drawn", lambda options, tell: module._pairs_as_judged(other))
    again = ["--own", str(dataset), "--independent", str(other)]
    assert main(["weights", "compare", "shipped", "bad", *again]) == 3
    assert "not shown to be better" in capsys.readouterr().err
    assert main(["weights", "use", "bad"]) == 2
    assert main(["weights", "compare", "shipped", "good", *again]) == 0
    assert "**Passed**: better on 24 animals" in capsys.readouterr().out
    assert main(["weights", "use", "good"]) == 0
    assert local.current() == "good"
    gate = json.loads((home / "good" / "gates" / "shipped.json").read_text())
    assert gate["passed"] and gate["margins"]["ratio"] == 0.03
    assert len(list((home / ".judged").iterdir())) == 6  # two other sets of photos, three sets of weights
    monkeypatch.setattr(module, "read_pairs", None)  # what was read is not read again
    kept = module.judge(
        local.find_set("good"),
        module._pairs_as_judged(other),
        module.GateOptions(own=dataset, independent=other),
        "drawn",
    )
    assert len(kept) == 24


def test_animals_that_trained_do_not_judge(home, tmp_path):
    """The plans of both sets are looked at; what none of them knows may judge."""
    dataset = make_photos(tmp_path / "d", 20)
    for name, split in (
        ("one", {"train": ["A00", "A01"], "check": ["A02"], "test": ["A03", "A77"]}),
        ("two", {"train": ["A03"], "check": ["A04"], "test": []}),
    ):
        (make_set(home, name) / "plan.json").write_text(json.dumps({"split": split}))
    judged, notes = own_photos(dataset, local.find_set("one"), local.find_set("two"))
    assert {photo.animal for photo in judged} == {f"A{k:02d}" for k in range(5, 10)}
    assert any("1 animals kept back for judging one are not in d any more" in note for note in notes)
    everyone = {"train": [f"A{k:02d}" for k in range(10)], "check": [], "test": []}
    (home / "one" / "plan.json").write_text(json.dumps({"split": everyone}))
    with pytest.raises(InputError, match="every animal was used to train"):
        own_photos(dataset, local.find_set("shipped"), local.find_set("one"))


def test_a_set_is_not_compared_with_itself(home, tmp_path):
    make_set(home, "one")
    options = module.GateOptions(own=tmp_path, independent=None)
    for old, new in (("one", "shipped"), ("one", "one")):
        with pytest.raises(InputError, match="needs a set of your own"):
            module.compare_weights(local.find_set(old), local.find_set(new), options, made="2026-01-01")
