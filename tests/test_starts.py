"""The comparison of encoders and start weights: one set of pictures for all arms, judged on what none saw."""

from __future__ import annotations

import json
from functools import partial
from types import SimpleNamespace

import pytest
import torch
from toy_jaws import draw_toy, stand_in

from crestgauge.inference.errors import InputError
from crestgauge.training import starts
from crestgauge.training.batch import pack
from crestgauge.training.config import read_config
from crestgauge.training.starts import (
    ARMS,
    PAGE,
    RESULT,
    StartsConfig,
    changed,
    compare_starts,
    mean_held_out,
)
from crestgauge.training.stored import StoredDraw, draw_ahead

CPU = torch.device("cpu")
ARMS_TOY = {
    "small, from nothing": {"network.start": "none", "schedule.encoder_rate": 1.0},
    "other: frozen": {"network.encoder": "resnet18", "schedule.encoder_rate": 0.0},
}
HELD = ("light:flash", "stain:black+stain:brown")


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    out = tmp_path_factory.mktemp("starts")
    config = StartsConfig(config="toy", arms=ARMS_TOY, conditions=HELD, pictures=8)
    return out, config, compare_starts(out, config, ("cpu",), draw_for=stand_in, log=lambda _: None)


def test_no_arm_sees_what_is_held_out_and_all_see_the_same(done):
    out, _, result = done
    runs = [json.loads(path.read_text()) for path in sorted(out.glob("*/record.json"))]
    assert len(runs) == 2
    for run in runs:
        assert run["config"]["draw"]["hold_out"] == ["light:flash", "stain:black", "stain:brown"]
        assert run["pictures_drawn"] == 4
    assert {run["config"]["network"]["encoder"] for run in runs} == {
        "tu-tf_efficientnet_lite0", "resnet18"
    }  # fmt: skip
    kept = {path.name for path in (out / "pictures" / "training").iterdir()}
    # Two batches of two to train with, and the check at the end of a run; once for all arms.
    assert kept == {"30000000-2.pt", "30000001-2.pt", "1900000000-2.pt"}
    assert set(result["arms"]["other: frozen"]["scores"]) == {"like training", *HELD}


def test_the_page_has_the_mean_over_what_was_held_out(done):
    out, _, result = done
    assert json.loads((out / RESULT).read_text()) == result
    scores = result["arms"]["small, from nothing"]["scores"]
    expected = (scores[HELD[0]]["iou_dentine"] + scores[HELD[1]]["iou_dentine"]) / 2
    assert mean_held_out(result, "small, from nothing", "iou_dentine") == pytest.approx(expected)
    assert f"{expected:.3f}" in (out / PAGE).read_text()


def test_a_second_comparison_makes_nothing_again(done, monkeypatch):
    out, config, result = done
    monkeypatch.setattr(starts, "train", lambda *_, **__: pytest.fail("trained again"))
    again = compare_starts(out, config, ("cpu",), draw_for=stand_in, log=lambda _: None)
    assert again == result


def test_arms_that_did_not_finish_are_named(tmp_path, monkeypatch):
    monkeypatch.setattr(starts, "train", lambda *_, **__: None)
    config = StartsConfig(config="toy", arms=ARMS_TOY, conditions=HELD, pictures=8)
    with pytest.raises(InputError, match="other: frozen did not finish"):
        compare_starts(tmp_path, config, ("cpu",), draw_for=stand_in, log=lambda _: None)


def test_shipped_arms_change_fields_that_exist():
    base = read_config("holdout")
    for changes in ARMS.values():
        config = changed(base, changes)
        assert config != base or changes == {"network.encoder": base.network.encoder,
                                             "network.start": base.network.start}  # fmt: skip
    for wrong in ("network.encodr", "net.encoder", "network"):
        with pytest.raises(InputError, match="no field of a training config"):
            changed(base, {wrong: 1})


def test_stored_batches_are_drawn_once_and_equal_fresh_ones(tmp_path):
    asked: list[int] = []

    def draw(seed: int, count: int, device: torch.device) -> SimpleNamespace:
        asked.append(seed)
        return draw_toy(seed, count, device)

    stored = StoredDraw(draw, tmp_path)
    fresh, again = stored(7, 2, CPU), stored(7, 2, CPU)
    assert asked == [7]
    kept = pack(draw_toy(7, 2, CPU))
    assert torch.equal(fresh.image, again.image) and torch.equal(fresh.tooth, again.tooth)
    assert torch.equal((again.image * 255).round().to(torch.uint8), kept.image)
    assert torch.equal(again.material, kept.material)


def test_drawing_ahead_shares_the_seeds_out(tmp_path):
    stored = StoredDraw(partial(draw_toy, height=64, width=96), tmp_path)
    draw_ahead(stored, range(5), 2, ("cpu",), 2)
    draw_ahead(stored, range(5), 2, ("cpu",), 1)
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"{seed}-2.pt" for seed in range(5)]
