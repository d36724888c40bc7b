"""Painted networks (a real reader, no training needed) and a small folder of photos, made once."""

from __future__ import annotations

import shutil
import zipfile

import pytest
from painted import write_manifest
from screen_help import save_jaw, save_meadow

from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.pipeline import ReadOptions


@pytest.fixture(scope="session")
def manifest(tmp_path_factory):
    return write_manifest(tmp_path_factory.mktemp("weights"))


@pytest.fixture(scope="session")
def season(tmp_path_factory):
    """One jaw, its copy, four meadows (one in a ZIP, one cut short, one a text), and a note."""
    folder = tmp_path_factory.mktemp("season")
    save_jaw(folder / "jaw.png")
    shutil.copy(folder / "jaw.png", folder / "jaw copy.png")
    for k in range(3):
        save_meadow(folder / f"meadow{k}.jpg", k)
    inside = save_meadow(folder / "inside.jpg", 9)
    with zipfile.ZipFile(folder / "mail.zip", "w") as archive:
        archive.write(inside, "deer/inside.jpg")
        archive.writestr("readme.txt", "hello")
    inside.unlink()
    (folder / "cut.jpg").write_bytes((folder / "meadow0.jpg").read_bytes()[:900])
    (folder / "text.jpg").write_text("this is no picture")
    (folder / "note.txt").write_text("x")
    return folder


@pytest.fixture
def options(manifest):
    return ReadOptions(threads=1, manifest=manifest)


@pytest.fixture
def ledger(tmp_path):
    with Ledger(str(tmp_path / "ledger.db"), by="test") as opened:
        yield opened
