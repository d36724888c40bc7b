"""A ledger of built readings for the tests of pages."""

from __future__ import annotations

import shutil

import pytest
from built_readings import READINGS
from confirm_ledger import keep
from ledger_place import place

from crestgauge.inference.ledger.store import Ledger

__all__ = ["made_season", "place", "season"]


@pytest.fixture(scope="session")
def made_season(tmp_path_factory):
    """The file of a ledger with one photo of each kind of built reading, two an animal; photo ids by kind."""
    path = tmp_path_factory.mktemp("season") / "season.db"
    with Ledger(str(path), by="test") as ledger:
        photos = {
            name: keep(ledger, k, reading, specimen_id=f"A-{k // 2}")[0]
            for k, (name, reading) in enumerate(READINGS.items())
        }
    return path, photos


@pytest.fixture
def season(made_season, tmp_path):
    """A ledger of its own for each test, copied since making one takes longer than most tests; photo ids."""
    path, photos = made_season
    with Ledger(str(shutil.copy(path, tmp_path / "season.db")), by="test") as ledger:
        yield ledger, photos
