"""The mean of runs: every number, and what must not be mixed."""

from __future__ import annotations

import json
import shutil

import pytest
import torch
from toy_jaws import draw_toy

from crestgauge.inference.errors import InputError
from crestgauge.training.config import read_config
from crestgauge.training.export import load_run
from crestgauge.training.fit import train
from crestgauge.training.mean import main, mean_of_runs


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    home = tmp_path_factory.mktemp("runs")
    train(read_config("toy"), home / "a", "cpu", draw=draw_toy, log=lambda _: None)
    shutil.copytree(home / "a", home / "b")
    state = torch.load(home / "a" / "weights.pt", weights_only=True)
    torch.save(
        {k: v + 1 if v.is_floating_point() else v for k, v in state.items()}, home / "b" / "weights.pt"
    )
    return home


def test_every_number_is_the_mean(runs, tmp_path):
    """Of a state and the same plus one: plus a half; of three with it twice: plus two thirds."""
    before = torch.load(runs / "a" / "weights.pt", weights_only=True)
    for members, more in ((("a", "b"), 0.5), (("a", "b", "b"), 2 / 3)):
        out = tmp_path / str(len(members))
        mean_of_runs([runs / m for m in members], out, "crest-mean")
        for key, value in torch.load(out / "weights.pt", weights_only=True).items():
            expected = before[key] + more if value.is_floating_point() else before[key]
            assert torch.allclose(value, expected, atol=1e-5), key
        assert load_run(out)[1]["name"] == "crest-mean"


def test_a_channel_silent_in_one_member_is_heard_again(runs, tmp_path):
    """Its batch statistics are the other's, of the two they were the mean everywhere else."""
    shutil.copytree(runs / "b", tmp_path / "silent")
    state = torch.load(runs / "b" / "weights.pt", weights_only=True)
    key = next(k for k in state if k.endswith("running_var"))
    state[key][0] = 1e12
    torch.save(state, tmp_path / "silent" / "weights.pt")
    before = torch.load(runs / "a" / "weights.pt", weights_only=True)
    mean_of_runs([tmp_path / "silent", runs / "a"], tmp_path / "mean", "crest-mean")
    mean = torch.load(tmp_path / "mean" / "weights.pt", weights_only=True)
    for kind in ("running_var", "running_mean"):
        name = key.replace("running_var", kind)
        assert torch.equal(mean[name][0], before[name][0])
        assert torch.allclose(mean[name][1:], before[name][1:] + 0.5)


def test_the_record_says_of_what(runs, tmp_path, capsys):
    main([str(tmp_path), str(runs / "a"), str(runs / "b"), "--name", "crest-mean"])
    record = json.loads((tmp_path / "record.json").read_text())
    assert record["averaged"].count("crest-toy (seed 3, 4 steps)") == 2
    assert record["averaged"] in capsys.readouterr().out
    assert [m["steps"] for m in record["members"]] == [4, 4]
    assert record["config"]["name"] == "crest-mean"


def test_what_is_no_run_or_of_another_form_is_named(runs, tmp_path):
    with pytest.raises(InputError, match="1 networks"):
        mean_of_runs([runs / "a"], tmp_path, "m")
    with pytest.raises(InputError, match=r"none.record\.json"):
        mean_of_runs([runs / "a", tmp_path / "none"], tmp_path, "m")
    with pytest.raises(InputError, match=r"crest-fine.* has another form"):
        mean_of_runs(["shipped", runs / "a"], tmp_path, "m")
    other = tmp_path / "other"
    shutil.copytree(runs / "a", other)
    record = json.loads((other / "record.json").read_text())
    (other / "record.json").write_text(json.dumps({**record, "role": "coarse"}))
    with pytest.raises(InputError, match="is coarse; needs fine"):
        mean_of_runs([other, runs / "a"], tmp_path, "m")
