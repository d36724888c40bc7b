"""
Every ledger test runs on SQLite; those that ask for ``place`` also on a real PostgreSQL where one is running.
"""

from __future__ import annotations

import pytest
from ledger_place import place

from crestgauge.inference.ledger.store import Ledger

__all__ = ["ledger", "place"]


@pytest.fixture
def ledger(place):
    with Ledger(place, by="test") as opened:
        yield opened
