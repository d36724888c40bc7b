"""Freed memory stays with the process that draws or trains."""

from __future__ import annotations

import subprocess
import sys

import pytest

PAGE_FAULTS = """
import resource, sys
from crestgauge.synthetic_data.memory import keep_memory

taken = keep_memory() if sys.argv[1] == "keep" else None

def faults():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt

def block():
    return bytearray(64 * 2**20)

block()
before = faults()
for _ in range(10):
    block()
print(taken, (faults() - before) * resource.getpagesize() / 2**20)
"""


def _megabytes_cleared(how: str) -> tuple[str, float]:
    done = subprocess.run(
        [sys.executable, "-c", PAGE_FAULTS, how], capture_output=True, text=True, check=True
    )
    taken, megabytes = done.stdout.split()
    return taken, float(megabytes)


@pytest.mark.skipif(sys.platform != "linux", reason="a switch of the C library of Linux")
def test_ten_blocks_are_asked_for_once():
    """
    Expected: the kernel counts the pages that it hands out (getrusage(2), ru_minflt). Ten blocks of 64 MiB,
    each freed before the next, cost 640 MiB of pages where each is mapped anew, and next to none where the
    first one is used again.
    """
    taken, kept = _megabytes_cleared("keep")
    if taken == "False":
        pytest.skip("this C library has no such switch")
    _, usual = _megabytes_cleared("usual")
    assert usual > 600
    assert kept < 10
