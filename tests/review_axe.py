"""
Accessibility by an engine of others: axe-core (Deque Systems, MPL-2.0), which the package
axe-playwright-python carries. Rules: WCAG 2.0 to 2.2, levels A and AA, and the engine's best practices.
"""

from __future__ import annotations

from typing import Any

import pytest

axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
ALL_RULES = {"runOnly": {"type": "tag", "values": TAGS}, "rules": {"target-size": {"enabled": True}}}
COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}
"""What can differ between light and dark."""


def violations(page: Any, options: dict[str, Any]) -> list[str]:
    """
    What the engine finds wrong with the page as it stands, one line a place.

    The bar of buttons at the bottom stands at its place in the page meanwhile: what it covers at this very
    scroll position comes out by scrolling, and the engine would call it too small.
    """
    page.evaluate("document.querySelectorAll('.quick').forEach(bar => { bar.style.position = 'static'; })")
    found = axe.Axe().run(page, options=options | {"resultTypes": ["violations"]}).response
    page.evaluate("document.querySelectorAll('.quick').forEach(bar => { bar.style.position = ''; })")
    assert found["passes"], "the engine looked at nothing"
    return [
        f"{fault['id']}: {node['target']} {node['failureSummary']}"
        for fault in found["violations"]
        for node in fault["nodes"]
    ]
