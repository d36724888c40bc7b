"""The model card takes every number from a file, and says so where there is none."""

from __future__ import annotations

import json
import re

import pytest
from test_evaluate import READING, TRUTH

from crestgauge.inference.errors import InputError
from crestgauge.model.weights import load_manifest
from crestgauge.training.card import Evaluated, write_card
from crestgauge.training.holdout import PIXEL_METRICS
from crestgauge.training.score import score_photo, summarise
from crestgauge.training.starts import page

RECORD = {
    "name": "crest-x",
    "role": "fine",
    "parameters": 4_118_662,
    "pictures_drawn": 900,
    "pictures_used": 8000,
    "seconds": 480.0,
    "device": "some card",
    "commit": "0123456789abcdef",
    "metrics": {"iou_dentine": 0.875, "step": 5.0},
}


@pytest.fixture
def folder(tmp_path):
    import painted_jaws

    source = painted_jaws.manifest()
    for entry in load_manifest(source).entries:
        path = tmp_path / entry.path.relative_to(source.parent)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(entry.path.read_bytes())
        (tmp_path / entry.trained_by).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / entry.trained_by).write_text(json.dumps(RECORD))
    (tmp_path / "weights.toml").write_text(source.read_text())
    return tmp_path


def test_card_without_results_says_not_measured(folder):
    text = write_card(folder, [], []).read_text()
    assert text.count("Not measured.") == 5
    assert "| iou dentine | 0.875 | 0.875 |" in text and "0123456789" in text
    assert "No photograph of a real deer" in text and not re.search(r"\$\w", text)


def test_card_with_an_evaluation_prints_its_numbers(folder, tmp_path):
    path = tmp_path / "evaluation.json"
    path.write_text(json.dumps(summarise([score_photo(TRUTH, READING)])))
    text = write_card(folder, [Evaluated(title="Other source", path=path)], []).read_text()
    assert "**Other source**: 1 photographs, 1 of them usable." in text
    assert (
        "| ratio, median relative error (bands of 8 px and more) | 12.0 % | 2 crests | at most 5 % |" in text
    )
    assert text.count("Not measured.") == 4


def test_a_missing_evaluation_is_named(folder, tmp_path):
    with pytest.raises(InputError, match=r"nowhere\.json"):
        write_card(folder, [Evaluated(title="x", path=tmp_path / "nowhere.json")], [])


def test_the_comparison_of_starts_stands_in_the_card(folder, tmp_path):
    """Its own page, as the module writes it; without one the card says that nothing was measured."""
    scores = {what: dict.fromkeys(PIXEL_METRICS, 0.625) for what in ("like training", "light:flash")}
    arm = {"steps": 7, "seconds": 1.0, "parameters": 4_100_000, "changes": {}, "scores": scores}
    result = {"held_out": ["light:flash"], "arms": {"lite0, ImageNet": arm}}
    path = tmp_path / "starts.json"
    path.write_text(json.dumps(result))
    row = "| lite0, ImageNet | 7 | 4.1 M | 0.625 |"
    text = write_card(folder, [], [], starts=path).read_text()
    assert page(result).strip() in text and row in text
    assert row not in write_card(folder, [], []).read_text()


def test_a_run_counts_with_the_one_that_it_went_on_from(folder):
    """900 + 100 pictures drawn, 8000 + 2000 used, 480 + 120 s."""
    path = folder / load_manifest(folder / "weights.toml").find("fine").trained_by
    record = json.loads((folder / path).read_text())
    before = {"pictures_drawn": 100, "pictures_used": 2000, "seconds": 120.0}
    (folder / path).write_text(json.dumps({**record, "before": before}))
    assert "| 1000 / 10000 | 10.0 |" in write_card(folder, [], []).read_text()
