"""A ledger of built readings on both databases, and the names that the tests of pages share."""

from __future__ import annotations

import importlib.util
import shutil
from pathlib import Path

import pytest
from built_readings import READINGS
from confirm_ledger import keep

from crestgauge.inference.ledger.store import Ledger

_spec = importlib.util.spec_from_file_location(
    "ledger_fixtures", Path(__file__).parent.parent / "ledger" / "conftest.py"
)
_fixtures = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_fixtures)
place = _fixtures.place


@pytest.fixture
def empty(place):
    """A ledger without a row, on SQLite and, where one is running, on PostgreSQL."""
    with Ledger(place, by="test") as ledger:
        yield ledger


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
