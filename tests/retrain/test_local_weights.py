"""The folder of one's own weights: names, the default, the way back, and readings that say which was used."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import painted_jaws
import pytest
from own_weights import make_set

from crestgauge.cli.__main__ import main
from crestgauge.inference.errors import WeightsError
from crestgauge.inference.pipeline import Reader, ReadOptions, pinned
from crestgauge.model import local
from crestgauge.model.weights import load_manifest

SHIPPED_MODEL = " ".join(load_manifest().find(role).name for role in ("fine", "coarse"))


@pytest.fixture
def home(tmp_path, monkeypatch):
    """An empty folder of one's own weights."""
    folder = tmp_path / "own"
    monkeypatch.setenv(local.FOLDER_VARIABLE, str(folder))
    return folder


def test_without_a_choice_the_shipped_weights_read(home):
    found = local.find_set()
    assert (found.name, found.manifest.path) == ("shipped", load_manifest().path)
    assert [each.name for each in local.list_sets()] == ["shipped"]
    assert not home.exists()  # looking at it makes nothing


def test_the_folder_is_where_the_system_keeps_data(monkeypatch, tmp_path):
    """XDG Base Directory Specification: $XDG_DATA_HOME; ~/.local/share where that is not set or relative."""
    monkeypatch.delenv(local.FOLDER_VARIABLE, raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert local.weights_folder() == tmp_path / "data" / "crestgauge" / "weights"
    monkeypatch.setenv("XDG_DATA_HOME", "relative")
    assert local.weights_folder() == tmp_path / ".local" / "share" / "crestgauge" / "weights"
    monkeypatch.setenv(local.FOLDER_VARIABLE, "elsewhere")
    assert local.weights_folder() == Path("elsewhere")
    assert local.weights_folder(tmp_path) == tmp_path


def test_use_and_back_and_use_again(home):
    make_set(home, "ridge")
    make_set(home, "valley")
    local.use("ridge", at="2026-01-01", why={"kind": "anyway"})
    local.use("valley", at="2026-01-02", why={"kind": "anyway"})
    assert local.current() == "valley"
    assert local.back(at="2026-01-03") == "ridge"
    assert local.back(at="2026-01-04") == "shipped"
    with pytest.raises(WeightsError, match="nothing to go back to"):
        local.back(at="2026-01-05")
    local.use("valley", at="2026-01-06", why={"kind": "anyway"})
    assert local.chosen() == ("shipped", "valley")
    rows = local.history()
    assert [row["action"] for row in rows] == ["use", "use", "back", "back", "use"]
    assert rows[0]["model"] == "ridge-fine painted-coarse"
    with pytest.raises(WeightsError, match="default already"):
        local.use("valley", at="2026-01-07", why={})


def test_names_that_no_set_may_have(home):
    for name in ("shipped", "crest-fine-3", "My Weights", "../else", ""):
        with pytest.raises(WeightsError, match="needs small letters"):
            local.check_name(name)
    with pytest.raises(WeightsError, match="known: shipped"):
        local.find_set("nobody")


def test_a_damaged_history_is_one_sentence(home):
    home.mkdir()
    (home / "history.jsonl").write_text('{"schema": "other"}\n')
    with pytest.raises(WeightsError, match="line 1 is no entry"):
        local.current()


def test_readings_name_their_weights_and_the_default_is_used(home):
    make_set(home, "ridge")
    named = Reader(ReadOptions(weights="ridge", threads=1))
    assert named.versions.model == "ridge-fine painted-coarse"
    local.use("ridge", at="2026-01-01", why={"kind": "anyway"})
    result = Reader(ReadOptions(threads=1)).read(painted_jaws.photo("bare"))
    assert result.reading.versions.model == "ridge-fine painted-coarse"
    assert Reader(ReadOptions(threads=1, weights="shipped")).versions.model == SHIPPED_MODEL


def test_work_of_several_processes_keeps_the_weights_it_began_with(home):
    make_set(home, "ridge")
    before = pinned(ReadOptions(threads=1))
    local.use("ridge", at="2026-01-01", why={"kind": "anyway"})
    during = pinned(ReadOptions(threads=1))
    local.back(at="2026-01-02")
    assert Reader(before).versions.model == SHIPPED_MODEL
    assert Reader(during).versions.model == "ridge-fine painted-coarse"


def test_the_edge_model_is_part_of_what_a_set_is(home):
    folder = make_set(home, "ridge")
    before = local.find_set("ridge").identity()
    (folder / "edge_model.toml").write_text("scale = 2.0\n")
    assert local.find_set("ridge").identity() != before


def gate(new: local.WeightsSet, old: local.WeightsSet, *, passed: bool) -> None:
    path = local.gate_path(new, old)
    path.parent.mkdir()
    sides = {"new": {"identity": new.identity()}, "old": {"identity": old.identity()}}
    path.write_text(json.dumps({**sides, "passed": passed, "verdict": "so it is", "made": "2026-01-01"}))


def test_the_gate_decides_unless_the_user_does(home, capsys):
    folder = make_set(home, "ridge")
    assert main(["weights", "use", "ridge"]) == 2
    assert "was not compared with shipped" in capsys.readouterr().err
    gate(local.find_set("ridge"), local.find_set("shipped"), passed=False)
    assert main(["weights", "use", "ridge"]) == 2
    assert "did not pass: so it is" in capsys.readouterr().err
    assert local.current() == "shipped"
    assert main(["weights", "use", "ridge", "--anyway", "--why", "a trial"]) == 0
    assert local.history()[-1]["why"] == {
        "kind": "anyway",
        "found": "did not pass: so it is",
        "words": "a trial",
    }
    assert main(["weights", "back"]) == 0
    shutil.rmtree(folder / "gates")
    gate(local.find_set("ridge"), local.find_set("shipped"), passed=True)
    assert main(["weights", "use", "ridge"]) == 0
    capsys.readouterr()
    assert main(["weights", "list"]) == 0
    assert "* ridge    ridge-fine painted-coarse" in capsys.readouterr().out
    assert main(["weights", "show", "ridge"]) == 0
    out = capsys.readouterr().out
    assert "compared with shipped" in out and "comparison passed" in out and "a trial" in out
    assert main(["weights", "use", "shipped"]) == 0  # the way home needs no comparison


def test_a_gate_of_other_files_counts_for_nothing(home):
    folder = make_set(home, "ridge")
    gate(local.find_set("ridge"), local.find_set("shipped"), passed=True)
    (folder / "edge_model.toml").write_text("scale = 2.0\n")
    assert local.read_gate(local.find_set("ridge"), local.find_set("shipped")) is None
    local.gate_path(local.find_set("ridge"), local.find_set("shipped")).write_text("{")
    with pytest.raises(WeightsError, match="damaged"):
        local.read_gate(local.find_set("ridge"), local.find_set("shipped"))


def test_every_subcommand_has_help_and_an_example(capsys):
    for name in ("list", "show", "use", "back"):
        assert main(["weights", name, "--help"]) == 0
        text = capsys.readouterr().out
        assert "Example:  crestgauge weights " in text and "Exit status:  0" in text
