"""Folders of labels handed out from painted jaws: the chain is real, the network decodes colours."""

from __future__ import annotations

import shutil
from pathlib import Path

import painted_jaws
import pytest
from labels_out import hand_out


@pytest.fixture(scope="session")
def handed_out(tmp_path_factory):
    """Two rows and a photo without one, as the default says. Never to be changed: see `folder`."""
    return hand_out(tmp_path_factory.mktemp("labels") / "row", ("adult", "fawn", "bare"))


@pytest.fixture
def folder(handed_out, tmp_path):
    """A copy that a test may correct or spoil."""
    return Path(shutil.copytree(handed_out, tmp_path / "to-correct"))


@pytest.fixture(scope="session")
def photos() -> str:
    """Where the painted photos lie."""
    return str(painted_jaws.folder())
