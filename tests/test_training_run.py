"""The training run at toy size: it learns, it resumes, and its settings are checked."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
import torch
from toy_jaws import draw_toy, draws_two_batches

from crestgauge.inference.errors import InputError, WeightsError
from crestgauge.model.local import SHIPPED, find_set
from crestgauge.model.network import (
    STAGES,
    Activated,
    JawNetwork,
    NetworkConfig,
    build_network,
    load_imagenet_encoder,
)
from crestgauge.training.beginning import halved, start_file, start_network
from crestgauge.training.config import ScheduleConfig, as_table, read_config
from crestgauge.training.fit import Run, train
from crestgauge.training.optimizer import make_optimizer, rate_at, set_rates
from crestgauge.training.pool import InlineFeeder, Pool, WorkerFeeder, generator_for
from crestgauge.training.record import CHECKPOINT, RECORD, WEIGHTS

CPU = torch.device("cpu")


def toy(steps: int, **changes):
    config = read_config("toy")
    quiet = replace(config.check, pictures=1, log_seconds=0.0, every_seconds=1e9, save_seconds=1e9)
    plain = replace(config, schedule=replace(config.schedule, max_steps=steps), check=quiet)
    return replace(plain, **changes)


def silent(_: str) -> None:
    """No log lines in tests."""


@pytest.fixture(scope="module")
def learnt(tmp_path_factory):
    out = tmp_path_factory.mktemp("run")
    return out, train(toy(12), out, "cpu", draw=draw_toy, log=silent)


def test_compiled_and_plain_passes_give_the_same_step():
    """Expected: torch's plain run of the same operations; sums in another order differ by some 1e-6."""
    gradients = []
    for compiler in ("", "aot_eager"):
        config = toy(1)
        config = replace(
            config,
            schedule=replace(config.schedule, compiler=compiler),
            loss=replace(config.loss, edges=0.5),
        )
        run = Run(config, Path("."), CPU, draw_toy, silent)
        run.network.train()
        total, parts = run.gradients(draw_toy(3, 2, CPU))
        assert float(total) == pytest.approx(
            sum(getattr(config.loss, k) * float(v) for k, v in parts.items())
        )
        gradients.append(
            torch.cat([p.grad.flatten() for p in run.network.parameters() if p.grad is not None])
        )
    plain, compiled = gradients
    assert torch.linalg.vector_norm(plain) > 0.01
    torch.testing.assert_close(compiled, plain, rtol=1e-3, atol=1e-4 * float(plain.abs().max()))


def test_unknown_compilers_are_refused_with_those_that_there_are():
    config = toy(1)
    with pytest.raises(InputError, match=r"schedule.compiler: 'nvfuser'; needs one of .*inductor"):
        Run(
            replace(config, schedule=replace(config.schedule, compiler="nvfuser")),
            Path("."),
            CPU,
            draw_toy,
            silent,
        )


def test_a_few_steps_lower_the_loss_and_leave_a_record(learnt):
    out, record = learnt
    totals = [line["total"] for line in record["history"]]
    assert totals[-1] < 0.9 * totals[0], totals  # 0.83 was seen; the first steps alone leave it above 1
    assert record == json.loads((out / RECORD).read_text())
    assert record["steps"] == 12 and record["config"]["pool"]["capacity"] == 4
    assert record["pictures_drawn"] == 4 + 12 // 2 * 2
    weights = torch.load(out / WEIGHTS, weights_only=True)
    JawNetwork(toy(1).network).load_state_dict(weights)


def test_record_keeps_names_of_files_not_folders():
    config = toy(
        1, network=replace(toy(1).network, start="some/where/weights.pt"), draw={"photos": "my/photos"}
    )
    table = as_table(config)
    assert (table["network"]["start"], table["draw"]["photos"]) == ("weights.pt", "photos")
    assert as_table(toy(1))["network"]["start"] == "none"


def test_a_finished_run_is_not_run_again(learnt):
    out, record = learnt
    lines: list[str] = []
    again = train(toy(12), out, "cpu", draw=draw_toy, log=lines.append)
    assert again["steps"] == 12 and again["history"] == record["history"]
    assert "goes on from step 12" in lines[0]


def test_resume_equals_a_run_without_a_break(tmp_path):
    """
    Stopped by an error in a drawing at step 4 of 6, then started again: the same weights to the last bit.
    """
    config = toy(6, check=replace(toy(6).check, save_seconds=0.0))
    whole = train(config, tmp_path / "whole", "cpu", draw=draw_toy, log=silent)

    class PowerCut(Exception):
        pass

    calls = []

    def failing(seed, count, device):
        calls.append(seed)
        if len(calls) == 5:  # two to fill the pool, then one every other step
            raise PowerCut
        return draw_toy(seed, count, device)

    with pytest.raises(PowerCut):
        train(config, tmp_path / "broken", "cpu", draw=failing, log=silent)
    assert torch.load(tmp_path / "broken" / CHECKPOINT, weights_only=True)["step"] == 4
    resumed = train(config, tmp_path / "broken", "cpu", draw=draw_toy, log=silent)
    one, two = (torch.load(tmp_path / name / WEIGHTS, weights_only=True) for name in ("whole", "broken"))
    assert all(torch.equal(one[name], two[name]) for name in one)
    assert [h["total"] for h in whole["history"]] == [h["total"] for h in resumed["history"]]


def test_a_checkpoint_of_another_run_is_not_used(learnt, tmp_path):
    out, _ = learnt
    (tmp_path / CHECKPOINT).write_bytes((out / CHECKPOINT).read_bytes())
    lines: list[str] = []
    record = train(toy(1, name="crest-other"), tmp_path, "cpu", draw=draw_toy, log=lines.append)
    assert "belongs to run crest-toy" in lines[0] and record["steps"] == 1


def test_rate_rises_then_falls_to_its_end():
    schedule = ScheduleConfig(max_steps=1, rate=2.0, warmup_share=0.1, final_share=0.01)
    assert rate_at(0.1, schedule) == pytest.approx(2.0)
    assert rate_at(0.55, schedule) == pytest.approx((2.0 + 0.02) / 2)
    assert rate_at(1.0, schedule) == pytest.approx(0.02)
    rates = [rate_at(k / 100, schedule) for k in range(101)]
    assert rates[:11] == sorted(rates[:11]) and rates[10:] == sorted(rates[10:], reverse=True)


def test_time_bound_ends_a_run(tmp_path):
    """A bound that is over when the pool is filled still leaves a second of steps, 10 ms and more each."""
    record = train(toy(1000), tmp_path, "cpu", 0.05, draw=draw_toy, log=silent)
    assert record["steps"] < 100


def test_encoder_rate_zero_keeps_the_encoder_as_it_came(tmp_path):
    config = toy(2, schedule=replace(toy(2).schedule, encoder_rate=0.0, max_steps=2))
    torch.manual_seed(config.seed)
    before = build_network(config.network).encoder.state_dict()
    train(config, tmp_path, "cpu", draw=draw_toy, log=silent)
    after = torch.load(tmp_path / CHECKPOINT, weights_only=True)["network"]
    assert all(torch.equal(before[name], after[f"encoder.{name}"]) for name in before)


def test_every_parameter_is_in_one_group_of_the_optimizer():
    network = JawNetwork(toy(1).network)
    optimizer = make_optimizer(network, ScheduleConfig(max_steps=1))
    listed = [id(p) for group in optimizer.param_groups for p in group["params"]]
    assert sorted(listed) == sorted(id(p) for p in network.parameters())
    set_rates(optimizer, 0.1, encoder_factor=0.5)
    rates = {id(p): group["lr"] for group in optimizer.param_groups for p in group["params"]}
    assert {rates[id(p)] for p in network.encoder_parameters()} == {0.05}


def test_pool_keeps_the_newest_and_samples_each_once():
    pool = Pool(4, CPU)
    feeder = InlineFeeder(draw_toy, seed=100, size=2, every=1)
    feeder.fill(pool, 6)
    assert len(pool) == 4 and pool.added == 6
    from crestgauge.training.batch import pack

    sample = pool.sample(4, generator_for(1, 1))
    kept = torch.cat([pack(draw_toy(seed, 2, CPU)).image for seed in (101, 102)])
    matches = (sample.image[:, None] == kept[None]).flatten(2).all(-1)
    assert matches.sum(0).tolist() == [1, 1, 1, 1]


def test_workers_draw_the_same_pictures_and_report_their_errors():
    """One process beside this one: its two batches are those of its seeds, then its error arrives here."""
    pool = Pool(8, CPU)
    feeder = WorkerFeeder(draws_two_batches, seed=50, size=2, devices=("cpu",))
    with pytest.raises(RuntimeError, match="no such jaw"):
        feeder.fill(pool, 6)
    plain = Pool(8, CPU)
    InlineFeeder(draw_toy, seed=50, size=2, every=1).fill(plain, 4)
    one, two = (each.sample(4, generator_for(2, 2)) for each in (pool, plain))
    assert torch.equal(one.image, two.image) and torch.equal(one.crown, two.crown)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('name = "a"\nrole = "fine"\n[schedule]\nmax_step = 3\n', "unknown key 'max_step'"),
        ('name = "a"\nrole = "rough"\n[schedule]\nmax_steps = 3\n', "needs 'fine' or 'coarse'"),
        ('name = "a"\nrole = "fine"\n', "no end"),
        ('name = "a"\nrole = "fine"\n[schedule]\nmax_steps = "3"\n', "needs int"),
        ('name = "a"\nrole = "fine"\n[schedule]\nmax_steps = true\n', "needs int"),
        (
            'name = "a"\nrole = "fine"\n[schedule]\nmax_steps = 1\n[pool]\ncapacity = 5\ndraw = 2\n',
            "no multiple",
        ),
        ('role = "fine"\n[schedule]\nmax_steps = 1\n', "name"),
        ('name = "a\n', "not TOML"),
    ],
)
def test_wrong_settings_are_named(tmp_path, text, words):
    path = tmp_path / "run.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=words):
        read_config(path)


def test_unknown_config_lists_the_shipped_ones(tmp_path):
    with pytest.raises(
        InputError,
        match="anatomy, coarse, coarse-again, coarse-anatomy, coarse-grain, coarse-rows, fine, holdout, "
        "longer, more, refine, rows, toy, widen",
    ):
        read_config("coarsest")


@pytest.mark.parametrize(
    "name",
    [
        "fine",
        "coarse",
        "coarse-again",
        "coarse-grain",
        "coarse-rows",
        "widen",
        "rows",
        "more",
        "anatomy",
        "coarse-anatomy",
        "toy",
    ],
)
def test_shipped_configs_load(name):
    assert read_config(name).name.startswith("crest-")


def test_shipped_start_is_the_state_of_the_shipped_network(tmp_path):
    """A run that starts from "shipped" begins with the very numbers that lie in training/start."""
    config = read_config("widen")
    assert config.network.start == "shipped"
    config = replace(config, pool=replace(config.pool, workers=0))
    run = Run(config, tmp_path, torch.device("cpu"), draw_toy, lambda line: None)
    stored = torch.load(start_file(find_set(SHIPPED), "fine"), weights_only=True)
    for name, value in run.network.state_dict().items():
        assert torch.equal(value, stored[name].to(value.dtype)), name


def test_network_has_the_declared_channels_at_any_size():
    network = Activated(JawNetwork(toy(1).network)).eval()
    for height, width in ((32, 64), (96, 32)):
        with torch.inference_mode():
            maps = network(torch.rand(2, 3, height, width))
        assert maps.shape == (2, 22, height, width)
        for part in (slice(0, 6), slice(6, 13), slice(15, 18)):
            assert torch.allclose(maps[:, part].sum(1), torch.ones(2, height, width), atol=1e-5)
        assert float(maps[:, 13:15].min()) >= 0 and float(maps[:, 13:15].max()) <= 1
        assert float(maps[:, 20:].min()) > 0


@pytest.mark.parametrize(
    ("encoder", "blocks", "tensors"),
    [("tu-tf_efficientnet_lite0", 16, 288), ("tu-tf_efficientnet_lite2", 21, 378)],
)
def test_imagenet_weights_fill_the_whole_encoder(encoder, blocks, tensors):
    """Every tensor of the encoder comes from the package, and at least one is no longer what it was."""
    assert sum(STAGES[encoder]) == blocks
    network = JawNetwork(replace(toy(1).network, encoder=encoder))
    before = network.encoder.state_dict()["model.conv_stem.weight"].clone()
    assert load_imagenet_encoder(network, encoder) == len(network.encoder.state_dict()) == tensors
    assert not torch.equal(before, network.encoder.state_dict()["model.conv_stem.weight"])


def test_unknown_start_weights_are_refused(tmp_path):
    with pytest.raises(WeightsError, match="no ImageNet weights known"):
        load_imagenet_encoder(JawNetwork(toy(1).network), "resnet18")
    with pytest.raises(WeightsError, match="no such file"):
        build_network(NetworkConfig(start=str(tmp_path / "none.pt")))


def test_numbers_too_large_for_half_precision_stay_as_they_are():
    """The largest finite float16 is 65504 (IEEE 754 binary16)."""
    state = {
        "small": torch.tensor([0.5, 65504.0]),
        "large": torch.tensor([1.0, 65536.0]),
        "count": torch.tensor(70000),
    }
    kept = halved(state)
    assert kept["small"].dtype == torch.float16 and kept["small"].tolist() == [0.5, 65504.0]
    assert kept["large"].dtype == torch.float32 and kept["large"].tolist() == [1.0, 65536.0]
    assert int(kept["count"]) == 70000


def test_start_weights_that_are_not_finite_are_refused(tmp_path):
    state = torch.load(start_file(find_set(SHIPPED), "fine"), weights_only=True)
    name = next(key for key in state if key.endswith("running_var"))
    state[name] = torch.full_like(state[name], float("inf"))
    torch.save(state, tmp_path / "broken.pt")
    with pytest.raises(
        WeightsError, match=rf"broken\.pt: {re.escape(name)} holds a number that is not finite"
    ):
        build_network(replace(start_network(find_set(SHIPPED), "fine"), start=str(tmp_path / "broken.pt")))


@pytest.mark.parametrize("role", ["fine", "coarse"])
def test_shipped_state_dicts_are_finite(role):
    state = torch.load(start_file(find_set(SHIPPED), role), weights_only=True)
    assert all(bool(torch.isfinite(values.float()).all()) for values in state.values())
