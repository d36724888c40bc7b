"""
Retraining at toy size: it learns from own photos, stops, resumes, and enters a set; faults are sentences.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
import torch
from own_photos import make_photos
from own_weights import CONFIG
from toy_jaws import draw_toy

from crestgauge.inference.errors import InputError, WeightsError
from crestgauge.inference.pipeline import Reader, ReadOptions
from crestgauge.model import local
from crestgauge.training import retrain as retraining
from crestgauge.training.batch import as_labelled, pack
from crestgauge.training.config import read_config
from crestgauge.training.export import export
from crestgauge.training.fit import Run, train
from crestgauge.training.job import Job
from crestgauge.training.own import Split, read_own
from crestgauge.training.own_steps import OwnDraw, OwnRun
from crestgauge.training.record import CHECKPOINT
from crestgauge.training.retrain import retrain
from crestgauge.training.retrain_config import read_retrain_config

CPU = torch.device("cpu")
pytestmark = pytest.mark.usefixtures("small_pictures")


def silent(_: str) -> None:
    """No log lines in tests."""


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A weights folder with one set, "base": toy networks with their state dicts."""
    folder = tmp_path_factory.mktemp("own-weights")
    config = read_config("toy")
    states = {}
    for role in ("coarse", "fine"):
        settings = replace(
            config, name=f"base-{role}", role=role, schedule=replace(config.schedule, max_steps=1)
        )
        run = tmp_path_factory.mktemp(role)
        train(settings, run, "cpu", draw=draw_toy, log=silent)
        entry = export(run, folder / "base")
        states[entry.name] = torch.load(run / "weights.pt", weights_only=True)
    (folder / "base" / "start").mkdir()
    for name, state in states.items():
        torch.save(state, folder / "base" / "start" / f"{name}.pt")
    return folder


@pytest.fixture(scope="module")
def dataset(tmp_path_factory):
    return make_photos(tmp_path_factory.mktemp("photos") / "d", 16)


def job(home: Path, name: str, **changes) -> Job:
    return replace(Job(name=name, config=CONFIG, start="base", folder=home, device="cpu"), **changes)


@pytest.fixture(scope="module")
def made(home, dataset):
    told, lines = [], []
    found = retrain(
        dataset,
        job(home, "mine"),
        draw=draw_toy,
        log=lines.append,
        tell=lambda *words: told.append(words),
    )
    return found, lines, told


def test_own_animals_kept_back_gain(made):
    """
    Colours that the start weights never saw: six steps must lower the loss on animals that did not train.
    """
    found, lines, told = made
    record = json.loads((found.folder / found.manifest.find("fine").trained_by).read_text())
    looks = record["checks"]
    assert [look["step"] for look in looks] == [0, 2, 4, 6]
    assert min(look["own"] for look in looks[1:]) < 0.9 * looks[0]["own"]
    # The step that reads best is taken, whatever board and tilt cost, less what it forgets.
    first = looks[0]["drawn_reading"]
    scores = [look["own_reading"] + max(look["drawn_reading"] - first, 0) for look in looks]
    assert record["metrics"]["step"] == looks[scores.index(min(scores))]["step"]
    assert {what for what, _, _ in told} == {
        "Drawing pictures to keep what is known",
        "Preparing own photos",
        "Training",
        "Comparing drawn pictures",
        "Reading the animals kept back",
    }
    assert any("animals: 4 train, 2 check, 2 test" in line for line in lines)


def test_a_set_is_whole_and_reads_under_its_own_name(made, home):
    found, _, _ = made
    fine = found.manifest.find("fine")
    assert fine.name.startswith("mine-") and fine.sha256.startswith(fine.name.removeprefix("mine-"))
    assert found.model == f"{fine.name} base-coarse"
    reader = Reader(ReadOptions(manifest=found.manifest.path, threads=1))
    assert reader.versions.model == found.model
    assert local.current(home) == "shipped"
    names = {path.name for path in found.folder.iterdir()}
    parts = {
        "weights.toml",
        "weights",
        "start",
        "edge_model.toml",
        "calibration.json",
        "plan.json",
        "MODEL_CARD.md",
    }
    assert parts <= names and not (found.folder / "run" / CHECKPOINT).exists()
    card = (found.folder / "MODEL_CARD.md").read_text()
    assert "4 animals (8 photos) to train" in card and "| 6 |" in card
    assert "left as they were: too few crests" in card  # toy networks find no row on grey pictures
    state = torch.load(found.folder / "start" / f"{fine.name}.pt", weights_only=True)
    assert {v.dtype for v in state.values() if v.is_floating_point()} == {torch.float16}
    record = json.loads((found.folder / fine.trained_by).read_text())
    assert record["retraining"]["split"] == json.loads((found.folder / "plan.json").read_text())["split"]
    assert record["config"]["network"]["start"] == "base-fine.pt"  # no folder of this machine


def test_a_set_can_be_trained_on(made, home, dataset):
    again = job(
        home, "again", start="mine", config=replace(CONFIG, schedule=replace(CONFIG.schedule, max_steps=1))
    )
    found = retrain(dataset, again, draw=draw_toy, log=silent)
    assert json.loads((found.folder / "plan.json").read_text())["start"]["set"] == "mine"


def test_both_networks_on_request(home, dataset):
    """
    The coarse network gains on the animals kept back as the fine one does; both are new in one manifest, each
    with its parity, record and state dict, and can be trained on from.
    """
    # A toy coarse network of a single step knows nothing yet and learns at once.
    found = retrain(dataset, job(home, "both", coarse=True), draw=draw_toy, log=silent)
    coarse, fine = (found.manifest.find(role) for role in ("coarse", "fine"))
    assert coarse.name.startswith("both-coarse-") and fine.name.startswith("both-")
    assert found.model == f"{fine.name} {coarse.name}"
    assert coarse.parity_max_abs < 1e-3 and coarse.sha256 != fine.sha256
    assert {path.name for path in (found.folder / "start").iterdir()} == {
        f"{coarse.name}.pt",
        f"{fine.name}.pt",
    }
    record = json.loads((found.folder / coarse.trained_by).read_text())
    assert record["role"] == "coarse" and record["config"]["network"]["start"] == "base-coarse.pt"
    looks = record["checks"]
    assert min(look["own_reading"] for look in looks[1:]) < 0.9 * looks[0]["own_reading"]
    plan = json.loads((found.folder / "plan.json").read_text())
    assert plan["networks"] == ["fine", "coarse"]
    assert record["retraining"]["split"] == plan["split"]
    assert "Coarse network:" in (found.folder / "MODEL_CARD.md").read_text()
    assert Reader(ReadOptions(manifest=found.manifest.path, threads=1)).versions.model == found.model
    once = replace(CONFIG, schedule=replace(CONFIG.schedule, max_steps=1))
    again = retrain(
        dataset, job(home, "both-on", start="both", coarse=True, config=once), draw=draw_toy, log=silent
    )
    assert again.manifest.find("coarse").name.startswith("both-on-coarse-")


def test_pictures_of_the_coarse_network_may_lie_any_way(home):
    base = local.find_set("base", folder=home)
    varied = replace(CONFIG, augment=replace(CONFIG.augment, share=0.4))
    given = job(home, "any", config=varied, coarse=True)
    fine, coarse = (retraining.train_config(base, given, role) for role in ("fine", "coarse"))
    assert (fine.augment.turn_deg, fine.augment.mirror_columns) == (4.0, False)
    assert (coarse.augment.turn_deg, coarse.augment.mirror_columns) == (180.0, True)
    assert coarse.role == "coarse" and coarse.network.start.endswith("base-coarse.pt")


def test_a_name_is_used_once(made, home, dataset):
    with pytest.raises(WeightsError, match="weights mine exist; a name is never reused"):
        retrain(dataset, job(home, "mine"), draw=draw_toy, log=silent)
    with pytest.raises(WeightsError, match="name of shipped weights"):
        retrain(dataset, job(home, "shipped"), draw=draw_toy, log=silent)


def test_five_photos_train_nothing(home, tmp_path):
    with pytest.raises(InputError, match="needs 8 animals"):
        retrain(make_photos(tmp_path / "d", 5), job(home, "few"), draw=draw_toy, log=silent)
    assert not (home / "few" / "weights.toml").exists()


class PowerCut(Exception):
    """The machine goes off."""


def steps_until(home, dataset, name: str, cut_at: int | None, monkeypatch) -> dict[str, torch.Tensor]:
    """Weights of a run, which is cut at a step and then started again."""
    one = replace(CONFIG, own=replace(CONFIG.own, check_steps=1))
    split = Split(train=("A00", "A01", "A02", "A03"), check=("A04", "A05"), test=("A06", "A07"))
    this = job(home, name, config=one, split=split)
    monkeypatch.setattr(retraining, "finish", lambda task, plan, listener: None)
    if cut_at is not None:
        step = Run.take_step

        def cut(self, share):
            if self.step == cut_at:
                raise PowerCut
            return step(self, share)

        with monkeypatch.context() as off:
            off.setattr(Run, "take_step", cut)
            with pytest.raises(PowerCut):
                retrain(dataset, this, draw=draw_toy, log=silent)
    retrain(dataset, this, draw=draw_toy, log=silent)
    return torch.load(home / name / "run" / "weights.pt", weights_only=True)


def test_killed_and_started_again_gives_the_same_weights(home, dataset, monkeypatch):
    """To the last bit: what a step does depends on the step alone."""
    whole = steps_until(home, dataset, "whole", None, monkeypatch)
    broken = steps_until(home, dataset, "broken", 4, monkeypatch)
    assert all(torch.equal(whole[name], broken[name]) for name in whole)


def test_a_begun_run_refuses_other_data(home, dataset, tmp_path, monkeypatch):
    steps_until(home, dataset, "begun", None, monkeypatch)
    with pytest.raises(InputError, match="begun with other photos or labels and split of the animals"):
        retrain(make_photos(tmp_path / "d", 20), job(home, "begun"), draw=draw_toy, log=silent)


def test_a_run_that_gains_nothing_stops_early_with_the_start_weights(home, dataset, monkeypatch):
    """A rate of almost nothing with patience 2: six steps at most, and the best is kept."""
    still = replace(
        CONFIG,
        schedule=replace(CONFIG.schedule, rate=1e-12, max_steps=20),
        own=replace(CONFIG.own, check_steps=1, patience=2),
    )
    monkeypatch.setattr(retraining, "finish", lambda task, plan, listener: None)
    monkeypatch.setattr(OwnRun, "losses_of", lambda self, batches: (1.0, 1.0 + self.step))
    retrain(dataset, job(home, "still", config=still), draw=draw_toy, log=silent)
    record = json.loads((home / "still" / "run" / "record.json").read_text())
    assert record["steps"] == 2 and record["metrics"]["step"] == 0
    after = torch.load(home / "still" / "run" / "weights.pt", weights_only=True)
    before = torch.load(
        local.find_set("base", folder=home).folder / "start" / "base-fine.pt", weights_only=True
    )
    assert all(torch.equal(before[name], after[name]) for name in before)


def test_what_is_forgotten_counts_as_much_as_what_is_gained(home, dataset, monkeypatch):
    """
    By hand, own and drawn reading loss at steps 0..4: sums with the rise on drawn pictures are 1.0, 1.1, 0.9,
    0.95, 0.92; the least is that of step 2, though own photos alone are best at step 1.
    """
    own, drawn = [1.0, 0.5, 0.7, 0.95, 0.87], [0.3, 0.9, 0.5, 0.1, 0.35]
    pairs = [(0.0, value) for both in zip(own, drawn, strict=True) for value in both]
    monkeypatch.setattr(OwnRun, "losses_of", lambda self, batches: pairs.pop(0))
    monkeypatch.setattr(retraining, "finish", lambda task, plan, listener: None)
    five = replace(
        CONFIG, schedule=replace(CONFIG.schedule, max_steps=4), own=replace(CONFIG.own, check_steps=1)
    )
    retrain(dataset, job(home, "forgets", config=five), draw=draw_toy, log=silent)
    record = json.loads((home / "forgets" / "run" / "record.json").read_text())
    assert record["metrics"]["step"] == 2


def test_own_pictures_come_in_turn_and_ahead_of_time_alike(dataset):
    photos = list(read_own(dataset).photos)
    alone, ahead = OwnDraw(photos, 100), OwnDraw(photos, 100, ahead=2)
    for seed in (100, 103, 100 + len(photos)):
        one, two = alone(seed, 2, CPU), ahead(seed, 2, CPU)
        assert torch.equal(one.image, two.image)
    ahead.close()
    assert torch.equal(alone(100, 1, CPU).image, alone(100 + len(photos), 1, CPU).image)


def failing(limit: int):
    """A forward pass that has memory for ``limit`` pictures."""
    from crestgauge.model.network import JawNetwork

    plain = JawNetwork.forward

    def forward(self, image):
        if self.training and len(image) > limit:
            raise torch.OutOfMemoryError("CUDA out of memory. Tried to allocate 2.00 GiB")
        return plain(self, image)

    return forward


def toy_run(tmp_path, lines: list[str]) -> Run:
    config = read_config("toy")
    config = replace(config, schedule=replace(config.schedule, batch=4, max_steps=1))
    return Run(config, tmp_path, CPU, draw_toy, lines.append)


def test_without_memory_the_batch_goes_in_portions(tmp_path, monkeypatch):
    """
    Room for one of four pictures: two halvings, said once each, and gradients that are the mean of the four.
    """
    lines: list[str] = []
    (tmp_path / "a").mkdir()
    run = toy_run(tmp_path / "a", lines)
    truth = as_labelled(draw_toy(1, 4, CPU))
    run.network.eval()  # batch statistics would differ between portions
    singles = []
    for k in range(4):
        run.optimizer.zero_grad(set_to_none=True)
        run.gradients(as_labelled(draw_toy(1, 4, CPU)) if k < 0 else retraining_take(truth, k))
        singles.append([p.grad.clone() for p in run.network.parameters() if p.grad is not None])
    run.portions = 4
    run.gradients(truth)
    found = [p.grad for p in run.network.parameters() if p.grad is not None]
    for mean, grads in zip(found, zip(*singles, strict=True), strict=True):
        # Sums of four float32 gradients in two orders.
        assert torch.allclose(mean, torch.stack(grads).mean(0), rtol=1e-4, atol=1e-6)
    run.portions = 1
    run.network.train()
    monkeypatch.setattr("crestgauge.model.network.JawNetwork.forward", failing(1))
    run.gradients(truth)
    assert run.portions == 4
    assert [line.split("; ")[1] for line in lines] == [
        "each step goes in 2 portions from now on",
        "each step goes in 4 portions from now on",
    ]


def retraining_take(truth, index: int):
    from crestgauge.training.fit import take

    return take(truth, torch.tensor([index]))


def test_without_memory_for_one_picture_it_says_so(tmp_path, monkeypatch):
    run = toy_run(tmp_path, [])
    monkeypatch.setattr("crestgauge.model.network.JawNetwork.forward", failing(0))
    run.network.train()
    with pytest.raises(InputError, match=r"out of memory with one picture of 96 x 64 px at a time"):
        run.gradients(as_labelled(draw_toy(1, 2, CPU)))


def test_shipped_settings_are_read_and_wrong_ones_are_not(tmp_path):
    for name in ("retrain-cpu", "retrain-gpu"):
        assert read_retrain_config(name).schedule.keep_norms
    (tmp_path / "a.toml").write_text("[schedule]\nmax_steps = 3\n[own]\nshare = 0.0\n")
    with pytest.raises(InputError, match="needs a share above 0"):
        read_retrain_config(tmp_path / "a.toml")
    (tmp_path / "b.toml").write_text("[own]\nshares = 1\n")
    with pytest.raises(InputError, match="unknown key 'shares'"):
        read_retrain_config(tmp_path / "b.toml")
    with pytest.raises(InputError, match="cannot be read"):
        read_retrain_config(tmp_path / "c.toml")


def test_drawn_pictures_are_drawn_once(tmp_path):
    from crestgauge.training.replay import REPLAY_SEED, drawn_pictures

    seeds = []

    def counting(seed, count, device):
        seeds.append(seed)
        return draw_toy(seed, count, device)

    path = tmp_path / "kept" / "fine-cpu.pt"
    three = drawn_pictures(path, 3, counting, CPU)
    five = drawn_pictures(path, 5, counting, CPU)
    assert seeds == [REPLAY_SEED + k for k in range(5)]
    assert torch.equal(five.image[:3], three.image)
    assert torch.equal(three.image[1], pack(draw_toy(REPLAY_SEED + 1, 1, CPU)).image[0])
    assert len(drawn_pictures(path, 2, counting, CPU)) == 2 and len(seeds) == 5
