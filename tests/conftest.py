"""Checks on the tests themselves."""

from __future__ import annotations

import pytest


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
