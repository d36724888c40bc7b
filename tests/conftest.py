"""Checks on the tests themselves."""

from __future__ import annotations

import os

import pytest

if "PYTEST_XDIST_WORKER" in os.environ:  # one process per core: none of them may start more threads than one
    os.environ.setdefault("OMP_NUM_THREADS", "1")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Every test under tests/published/ names the published source of what it expects and the place in it."""
    bare = []
    for item in items:
        mark = item.get_closest_marker("published")
        named = mark is not None and all(str(mark.kwargs.get(key, "")).strip() for key in ("source", "where"))
        if (mark is not None or "published" in item.path.parts) and not named:
            bare.append(item.nodeid)
    if bare:
        raise pytest.UsageError(f"no @pytest.mark.published(source=..., where=...) on: {', '.join(bare)}")


@pytest.fixture(autouse=True, scope="session")
def no_weights_of_the_user(tmp_path_factory):
    """Tests read with the shipped weights, whatever the user who runs them has chosen."""
    before = os.environ.get("CRESTGAUGE_WEIGHTS_DIR")
    os.environ["CRESTGAUGE_WEIGHTS_DIR"] = str(tmp_path_factory.mktemp("own-weights"))
    yield
    del os.environ["CRESTGAUGE_WEIGHTS_DIR"]
    if before is not None:
        os.environ["CRESTGAUGE_WEIGHTS_DIR"] = before
