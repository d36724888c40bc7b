"""Templates and static files keep what the security headers and the rule layer ask for."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from crestgauge.inference.ledger.specimen import AGE_CLASSES

REVIEW = Path(__file__).resolve().parent.parent.parent / "cli" / "review"
TEMPLATES = sorted((REVIEW / "templates").glob("*.html"))
SCRIPTS = sorted((REVIEW / "static").glob("*.js"))
STATIC = sorted((REVIEW / "static").iterdir())


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_no_script_or_style_inside_a_page(path):
    """The Content-Security-Policy forbids them; a page that had them would be broken, not open."""
    text = path.read_text(encoding="utf-8")
    assert not re.search(r"<style|\sstyle=|\son[a-z]+=\"|javascript:", text)
    for tag in re.findall(r"<script[^>]*>", text):
        assert re.fullmatch(r'<script type="module" src="/static/\w+\.js">', tag)
    assert "|safe" not in re.sub(r"\s", "", text)  # everything is escaped


@pytest.mark.parametrize("path", [*TEMPLATES, *STATIC], ids=lambda path: path.name)
def test_nothing_comes_from_elsewhere(path):
    """No address but this server's own; SVG's name space is a name that nobody fetches."""
    text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
    assert not re.search(
        r"(https?:)?//[\w.-]+\.\w", re.sub(r"(?m)//[^\n]*$", "", text) if path in SCRIPTS else text
    )


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.name)
def test_the_key_is_not_in_the_script(path):
    """No age class and no outcome is known to it: what an edge means is asked of the rule layer."""
    text = re.sub(r"(?m)//[^\n]*$|/\*.*?\*/", "", path.read_text(encoding="utf-8"))
    quoted = {word for found in re.findall(r"\"([^\"]*)\"|'([^']*)'|`([^`]*)`", text) for word in found}
    assert not quoted & {*AGE_CLASSES, "clear", "borderline", "retake"}
    assert not re.search(r"threshold|dished|ratio\b", text)


def test_every_part_that_a_page_names_is_there():
    """A page with a missing part would only fail in a browser."""
    for path in TEMPLATES:
        for name in re.findall(r'"/static/([\w.]+)"', path.read_text(encoding="utf-8")):
            assert (REVIEW / "static" / name).is_file(), f"{path.name}: {name}"
    for path in SCRIPTS:
        for name in re.findall(r'from "\./([\w.]+)"', path.read_text(encoding="utf-8")):
            assert (REVIEW / "static" / name).is_file(), f"{path.name}: {name}"


def test_the_script_stays_small():
    """As little as serves: below 50 kB unpacked, all of it together (ours)."""
    assert sum(path.stat().st_size for path in SCRIPTS) < 50_000


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.name)
def test_the_script_can_be_parsed(path):
    node = shutil.which("node")
    if node is None:
        pytest.skip("no node on this machine; the browser tests run every script as well")
    done = subprocess.run(
        [node, "--check", "--input-type=module"], input=path.read_bytes(), capture_output=True, timeout=30
    )
    assert done.returncode == 0, done.stderr.decode()
