"""The study of held-out conditions: what is trained on what, and that nothing is done twice."""

from __future__ import annotations

import json

import pytest
from toy_jaws import broken_without, draw_toy, stand_in

from crestgauge.inference.errors import InputError
from crestgauge.training import holdout
from crestgauge.training.config import TrainConfig
from crestgauge.training.holdout import PIXEL_METRICS, REPORT, RESULTS, HoldoutConfig, study
from crestgauge.training.record import RECORD

CONDITIONS = ("light:flash", "stain:black+stain:brown")


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """
    Two conditions together: side by side in processes of their own, of which one fails, then the missing run.
    """
    out = tmp_path_factory.mktemp("study")
    config = HoldoutConfig(config="toy", conditions=CONDITIONS, together=True, pictures=2)
    with pytest.raises(InputError, match="runs without did not finish"):
        study(out, config, ("cpu", "cpu"), draw_for=broken_without, log=lambda _: None)
    assert (out / "all" / RECORD).is_file()
    lines: list[str] = []
    record = study(out, config, ("cpu", "cpu"), draw_for=stand_in, log=lines.append)
    return out, config, record, lines


def test_runs_leave_out_what_they_should(done):
    out, _, record, _ = done
    drawn = {name: json.loads((out / name / RECORD).read_text())["config"]["draw"] for name in record["runs"]}
    assert set(drawn) == {"all", "without"}
    assert "hold_out" not in drawn["all"]
    assert drawn["without"]["hold_out"] == ["light:flash", "stain:black", "stain:brown"]
    assert record["runs"]["without"]["hold_out"] == drawn["without"]["hold_out"]
    assert record["runs"]["all"]["steps"] == 4  # as the toy config says


def test_every_condition_has_numbers_of_both_networks(done):
    out, _, record, lines = done
    assert json.loads((out / RESULTS).read_text()) == record
    page = (out / REPORT).read_text()
    for condition in CONDITIONS:
        for what in ("seen", "unseen"):
            assert set(PIXEL_METRICS) <= set(record["conditions"][condition][what])
        assert f"| {condition} |" in page
        assert any(line.startswith(f"{condition}: ") for line in lines)


def test_a_second_study_trains_nothing_again(done, monkeypatch):
    out, config, record, _ = done
    monkeypatch.setattr(holdout, "train", lambda *_, **__: pytest.fail("trained again"))
    again = study(out, config, "cpu", draw_for=stand_in, log=lambda _: None)
    assert again == record


def test_both_networks_are_judged_on_the_same_kept_pictures(done):
    out, *_ = done
    assert {path.name for path in (out / "pictures").iterdir()} == {"light-flash", "stain-black-stain-brown"}
    assert all(len(list(folder.glob("*.pt"))) == 1 for folder in (out / "pictures").iterdir())


def test_judged_on_one_condition_with_none_of_the_others(done):
    out, config, _, _ = done
    asked: list[dict[str, object]] = []

    def remember(settings: TrainConfig):
        asked.append(dict(settings.draw))
        return draw_toy

    study(out, config, "cpu", draw_for=remember, log=lambda _: None)
    assert [draw["only"] for draw in asked] == [["light:flash"], ["stain:black", "stain:brown"]]
    assert [draw["hold_out"] for draw in asked] == [["stain:black", "stain:brown"], ["light:flash"]]
