"""The weights manifest: checked on every load, and every refusal names the key or the hash."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from crestgauge.inference.errors import WeightsError
from crestgauge.model.weights import (
    SCHEMA,
    WeightsEntry,
    format_entry,
    load_manifest,
)

DATA = b"not a network, but bytes with a hash"


def entry(**changes: object) -> WeightsEntry:
    fields: dict[str, object] = {
        "name": "fine-test",
        "role": "fine",
        "path": Path("weights/fine-test.onnx"),
        "size": len(DATA),
        "sha256": hashlib.sha256(DATA).hexdigest(),
        "licence": "Apache-2.0",
        "trained_by": "training/configs/test.toml",
        "card": "MODEL_CARD.md",
        "parity_max_abs": 1.5e-6,
        "parity": {"opset": 18, "torch": "2.14.1", "onnxruntime": "1.32.0"},
    }
    return WeightsEntry(**{**fields, **changes})


def manifest_text(*entries: WeightsEntry, default: str = 'fine = "fine-test"') -> str:
    head = f'schema = "{SCHEMA}"\n\n[default]\n{default}\n\n'
    return head + "\n".join(format_entry(each) for each in entries)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "weights").mkdir()
    (tmp_path / "weights" / "fine-test.onnx").write_bytes(DATA)
    (tmp_path / "weights.toml").write_text(manifest_text(entry()))
    return tmp_path


def test_what_is_written_is_read_back(folder):
    manifest = load_manifest(folder / "weights.toml")
    assert manifest.entries == (entry(path=folder / "weights" / "fine-test.onnx"),)
    assert manifest.find("fine").read() == DATA
    assert manifest.find("fine", "fine-test") is manifest.entries[0]


def test_changed_bytes_are_refused_with_both_hashes(folder):
    path = folder / "weights" / "fine-test.onnx"
    for hurt in (DATA[:-1] + b"!", DATA + b"!", b""):
        path.write_bytes(hurt)
        with pytest.raises(WeightsError) as caught:
            load_manifest(folder / "weights.toml").find("fine").read()
        for digest in (entry().sha256, hashlib.sha256(hurt).hexdigest()):
            assert digest[:12] in str(caught.value)
    path.unlink()
    with pytest.raises(WeightsError, match=r"fine-test\.onnx: cannot be read"):
        load_manifest(folder / "weights.toml").find("fine").read()


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ('schema = "crestgauge.weights/1"', 'schema = "other/1"', "schema"),
        ("[default]", "[defaults]", "defaults"),
        ('fine = "fine-test"', 'fine = "gone"', "gone"),
        ('fine = "fine-test"', 'medium = "fine-test"', "medium"),
        ('role = "fine"', 'role = "medium"', "role"),
        ('name = "fine-test"', 'name = "Fine Test"', "name"),
        ('licence = "Apache-2.0"', 'licence = ""', "licence"),
        ('licence = "Apache-2.0"', 'license = "Apache-2.0"', "license"),
        (f"bytes = {len(DATA)}", 'bytes = "many"', "bytes"),
        (f'sha256 = "{entry().sha256}"', 'sha256 = "abc"', "sha256"),
        ('file = "weights/', 'file = "../weights/', "file"),
        ('channels = "RGB"', 'channels = "BGR"', "input"),
        ("multiple_of = 32", "multiple_of = 16", "input"),
        ("material = [0, 6]", "material = [0, 5]", "output"),
        ("max_abs = 1.5e-06", "max_abs = -1", "max_abs"),
        ("[weights.parity]", "[weights.equality]", "equality"),
        ("[weights.parity]", "[weights.parity", "no TOML"),
    ],
)
def test_a_damaged_manifest_is_refused_with_the_key(folder, old, new, named):
    path = folder / "weights.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    with pytest.raises(WeightsError) as caught:
        load_manifest(path)
    assert named in str(caught.value) and str(path) in str(caught.value)


def test_two_entries_of_one_name_or_file_are_refused(folder):
    path = folder / "weights.toml"
    path.write_text(manifest_text(entry(), entry()))
    with pytest.raises(WeightsError, match="one entry per file and name"):
        load_manifest(path)


def test_unknown_name_lists_the_known_ones(folder):
    with pytest.raises(WeightsError, match="no fine weights called 'mine'; known: fine-test"):
        load_manifest(folder / "weights.toml").find("fine", "mine")
    with pytest.raises(WeightsError, match="no coarse weights"):
        load_manifest(folder / "weights.toml").find("coarse")


def test_missing_manifest_is_named(tmp_path):
    with pytest.raises(WeightsError, match=r"weights\.toml: cannot be read"):
        load_manifest(tmp_path / "weights.toml")
