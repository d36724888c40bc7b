"""What is shipped is whole: weights, and the example photos with them."""

from __future__ import annotations

from crestgauge.inference.pipeline import Reader, ReadOptions
from crestgauge.model.weights import load_manifest, shipped_manifest_path


def test_every_shipped_network_is_what_its_manifest_says():
    """Under 20 MB together, both roles have a default, and nothing lies in the folder that no entry names."""
    manifest = load_manifest()
    assert set(manifest.default) == {"coarse", "fine"}
    assert sum(len(each.read()) for each in manifest.entries) < 20e6
    folder = shipped_manifest_path().parent / "weights"
    assert {each.path for each in manifest.entries} == set(folder.glob("*.onnx"))


def test_the_shipped_networks_make_a_reader_that_names_them():
    reader = Reader(ReadOptions(threads=1))
    assert set(reader.versions.model.split()) == set(load_manifest().default.values())
