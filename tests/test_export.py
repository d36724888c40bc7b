"""Export: torch and onnxruntime agree, the manifest entry loads, names are never reused."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import onnx
import onnxruntime
import pytest
import torch
from toy_jaws import draw_toy

from crestgauge.inference.errors import WeightsError
from crestgauge.inference.networks import Network
from crestgauge.model.network import Activated, JawNetwork
from crestgauge.model.weights import load_manifest
from crestgauge.training import export as exporting
from crestgauge.training.config import read_config
from crestgauge.training.export import PARITY_LIMIT, compare, export, halve, load_run, to_onnx
from crestgauge.training.fit import train
from crestgauge.training.record import RECORD, WEIGHTS


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    out = tmp_path_factory.mktemp("run")
    config = read_config("toy")
    train(
        replace(config, schedule=replace(config.schedule, max_steps=2)),
        out,
        "cpu",
        draw=draw_toy,
        log=lambda _: None,
    )
    return out


@pytest.fixture(scope="module", autouse=True)
def small_parity_pictures():
    """The size in use costs seconds; any multiple of 32 walks through the same operators."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(exporting, "PARITY_SIZES", ((2, 64, 96), (1, 96, 128)))
        yield


@pytest.fixture(scope="module")
def folder(run, tmp_path_factory):
    out = tmp_path_factory.mktemp("model")
    export(run, out)
    return out


@pytest.fixture(scope="module")
def exported(run):
    """(file, rounded network): the slow part of an export, once."""
    return to_onnx(network_of(run))


def network_of(run) -> JawNetwork:
    network = JawNetwork(read_config("toy").network)
    network.load_state_dict(torch.load(run / WEIGHTS, weights_only=True))
    return network.eval()


def test_file_and_torch_agree_on_a_picture_of_another_size(run, folder):
    """
    Compared here with the UNROUNDED network: float16 storage may move a probability by a few thousandths.
    """
    entry = load_manifest(folder / "weights.toml").find("fine")
    picture = np.random.default_rng(9).integers(0, 256, (96, 160, 3), dtype=np.uint8)
    maps = Network(entry, threads=1).run(picture)
    image = torch.from_numpy(picture).permute(2, 0, 1)[None].float() / 255
    with torch.inference_mode():
        expected = Activated(network_of(run))(image)[0].numpy()
    assert np.abs(maps.channels - expected)[:21].max() < 5e-3
    assert np.abs(maps.channels[21] / expected[21] - 1).max() < 5e-3


def test_entry_says_what_was_measured(run, folder):
    entry = load_manifest(folder / "weights.toml").find("fine")
    assert entry.name == "crest-toy" and entry.parity_max_abs < PARITY_LIMIT
    assert entry.parity["onnxruntime"] == onnxruntime.__version__
    record = json.loads((folder / entry.trained_by).read_text())
    assert record["name"] == "crest-toy" and record["seed"] == 3
    assert load_manifest(folder / "weights.toml").default == {"fine": "crest-toy"}


def test_halved_file_has_half_the_size_and_computes_in_float32(run, exported):
    data, _ = exported
    model = onnx.load_from_string(data)
    stored = {t.name: t.data_type for t in model.graph.initializer}
    large = sum(np.prod(t.dims) for t in model.graph.initializer if t.data_type == onnx.TensorProto.FLOAT16)
    total = sum(p.numel() for p in network_of(run).parameters())
    assert large > 0.97 * total * 0.98 and len(data) < 2.15 * total
    casts = [node for node in model.graph.node if node.op_type == "Cast" and stored.get(node.input[0]) == 10]
    assert all(node.attribute[0].i == onnx.TensorProto.FLOAT for node in casts) and casts


def test_compare_sees_a_wrong_file(exported):
    """A file of other weights must not pass: its difference is far above the limit."""
    data, rounded = exported
    assert compare(data, rounded, rounded).max_abs < PARITY_LIMIT
    other = JawNetwork(read_config("toy").network).eval()
    assert compare(data, other, other).max_abs > 10 * PARITY_LIMIT


def test_disagreement_stops_the_export(run, exported, tmp_path, monkeypatch):
    """With the limit set to nothing, any difference stops it, and no file is left."""
    monkeypatch.setattr(exporting, "PARITY_LIMIT", -1.0)
    monkeypatch.setattr(exporting, "to_onnx", lambda network: exported)
    with pytest.raises(WeightsError, match="differ by"):
        export(run, tmp_path)
    assert not (tmp_path / "weights.toml").exists() and not (tmp_path / "weights").exists()


def test_a_name_is_never_reused_for_other_bytes(run, exported, tmp_path, monkeypatch):
    monkeypatch.setattr(exporting, "to_onnx", lambda network: exported)
    (tmp_path / "weights").mkdir()
    (tmp_path / "weights" / "crest-toy.onnx").write_bytes(b"something else")
    with pytest.raises(WeightsError, match="never reused"):
        export(run, tmp_path)


def test_exporting_twice_gives_the_same_bytes_and_one_entry(run, folder):
    before = load_manifest(folder / "weights.toml").find("fine").sha256
    assert export(run, folder).sha256 == before
    assert len(load_manifest(folder / "weights.toml").entries) == 1


def test_a_run_is_loaded_though_a_setting_of_it_has_gone(run, tmp_path):
    """Records of crest-fine-4 and -5 and crest-coarse-3 name ``tuned``, which was a setting then."""
    (tmp_path / WEIGHTS).write_bytes((run / WEIGHTS).read_bytes())
    record = json.loads((run / RECORD).read_text())
    record["config"]["schedule"]["tuned"] = False
    (tmp_path / RECORD).write_text(json.dumps(record))
    network, found = load_run(tmp_path)
    assert found == record
    expected = network_of(run).state_dict()
    assert all(torch.equal(value, expected[name]) for name, value in network.state_dict().items())


def test_halve_leaves_small_tensors_alone():
    small = onnx.numpy_helper.from_array(np.ones(3, np.float32), "small")
    large = onnx.numpy_helper.from_array(np.full(100, 1.00001, np.float32), "large")
    graph = onnx.helper.make_graph([], "g", [], [], [small, large])
    model = onnx.helper.make_model(graph)
    halve(model)
    assert {t.name: t.data_type for t in model.graph.initializer} == {"small": 1, "large_stored": 10}
    assert model.graph.node[0].output[0] == "large"
