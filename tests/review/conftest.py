"""One small season, read once; a copy of it with a server for each test that writes."""

from __future__ import annotations

import pytest
from review_server import Server, copied, make_season


@pytest.fixture(scope="session")
def season(tmp_path_factory):
    """The file of a ledger with three painted photos; never used itself."""
    return make_season(tmp_path_factory.mktemp("season"))


@pytest.fixture
def serve(season, tmp_path):
    """Start a server on a copy of the season: ``serve()``, or with settings. Again: on the same copy."""
    opened = []
    ledger = copied(season, tmp_path)

    def start(**changes: object) -> Server:
        opened.append(Server(ledger, **changes).__enter__())
        return opened[-1]

    yield start
    for server in reversed(opened):
        server.__exit__(None, None, None)


@pytest.fixture(scope="session")
def looked_at(season, tmp_path_factory):
    """A server whose ledger no test writes to."""
    with Server(copied(season, tmp_path_factory.mktemp("looked-at"))) as opened:
        yield opened


@pytest.fixture
def server(serve):
    """A server with the default settings."""
    return serve()
