"""What is shipped is whole: weights, and the example photos with them."""

from __future__ import annotations

import json

from crestgauge.cli.__main__ import main
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


def test_the_demo_reads_every_example(tmp_path, capsys):
    """README's first line ends in this: each example is read and drawn, the tilted one refused."""
    assert main(["demo", "--out", str(tmp_path)]) == 0
    readings = {
        path.name.split(".")[0]: json.loads(path.read_text(encoding="utf-8"))
        for path in tmp_path.glob("*.reading.json")
    }
    assert len(readings) == 7
    assert (tmp_path / "sheet.html").stat().st_size > 100_000
    tilted = readings.pop("alder-fork-107")
    assert tilted["outcome"] == "retake" and tilted["age_class"] is None
    # Truth of the test family (tests/data/traced), by the default key on the true widths.
    true = dict(
        zip(
            (f"alder-fork-10{k}" for k in range(1, 7)),
            ("0.5", "1.5", "2.5", "4.5", "6.5", "8.5+"),
            strict=True,
        )
    )
    clear = {name: reading for name, reading in readings.items() if reading["outcome"] == "clear"}
    assert all(reading["age_class"] == true[name] for name, reading in clear.items())
    assert all(
        true[name] in reading["possible"]
        for name, reading in readings.items()
        if reading["outcome"] == "borderline"
    )
    assert len(clear) >= 3
