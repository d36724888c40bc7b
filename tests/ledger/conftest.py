"""
Every ledger test runs on SQLite; those that ask for ``place`` also on a real PostgreSQL where one is running.
"""

from __future__ import annotations

import os
import uuid

import pytest
import sqlalchemy as sa

from crestgauge.inference.ledger.store import Ledger, ledger_url

SERVER = "CRESTGAUGE_TEST_POSTGRES"


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request, tmp_path):
    """Where a fresh ledger may be made: a file name, or the URL of an empty database."""
    if request.param == "sqlite":
        yield str(tmp_path / "ledger.db")
        return
    if SERVER not in os.environ:
        pytest.skip(f"no PostgreSQL server: {SERVER} is not set (tests/start_postgres.sh starts one)")
    url = ledger_url(os.environ[SERVER])
    name = f"crestgauge_{uuid.uuid4().hex[:12]}"
    server = sa.create_engine(url, isolation_level="AUTOCOMMIT")
    with server.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name}")
    yield url.set(database=name).render_as_string(hide_password=False)
    with server.connect() as connection:
        connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
    server.dispose()


@pytest.fixture
def ledger(place):
    with Ledger(place, by="test") as opened:
        yield opened


def make_reading(
    sha256="0" * 64, *, outcome="clear", age_class="3.5", ratio=(1.4, 0.05), side="left", **extra
):
    """A reading with one measured step, as short as the ledger's queries need it."""
    value, u = ratio
    step = {"id": "m1", "tooth": 4, "measured": {"value": value, "u": u}, "threshold": 1.0, "answer": "yes"}
    return {
        "schema": "crestgauge.reading/1",
        "photo": {"file": "a.jpg", "sha256": sha256, "width": 10, "height": 10},
        "outcome": outcome,
        "age_class": None if outcome == "retake" else age_class,
        "possible": [] if outcome == "retake" else [age_class],
        "side": side,
        "steps": [step],
        "versions": {"crestgauge": "0", "model": "m-1", "criteria": "c-1"},
    } | extra
