"""Where a test may make a ledger: on SQLite, and on a real PostgreSQL where one is running."""

from __future__ import annotations

import os
import uuid

import pytest
import sqlalchemy as sa

from crestgauge.inference.ledger.store import ledger_url

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
