"""
How doubtful a reading is, as one number for sorting a queue. Pure.

It is no probability of a wrong age: biological spread, which limits the method, is not in it. It says how
easily the measuring error alone, or another reasonable definition of the ratio, would have led to another
class.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

UNSEEN = 0.5
"""Doubt of a step whose tooth could not be measured: it could have gone either way."""
BORDERLINE_LEAST = 0.16
"""
Least doubt of a borderline reading, one-sided tail beyond one sigma: its definition-dependent steps may have
none.
"""


def doubt(reading: Mapping[str, Any]) -> float | None:
    """
    Doubt of one reading in ``crestgauge.reading/1``.

    Returns
    -------
    float or None
        0 (no measured step is anywhere near its threshold) to 0.5 (a coin toss). None for outcome "retake".
    """
    outcome = reading.get("outcome")
    if outcome == "retake":
        return None
    worst = 0.0
    for step in reading.get("steps") or ():
        if step.get("answer") == "unseen":
            worst = max(worst, UNSEEN)
            continue
        measured, threshold = step.get("measured"), step.get("threshold")
        if isinstance(measured, Mapping) and isinstance(threshold, int | float):
            worst = max(worst, _overlap(measured.get("value"), measured.get("u"), float(threshold)))
    return max(worst, BORDERLINE_LEAST) if outcome == "borderline" else worst


def _overlap(value: Any, u: Any, threshold: float) -> float:
    """Normal tail of a measured value beyond a threshold."""
    if not isinstance(value, int | float) or not isinstance(u, int | float) or u <= 0:
        return 0.0
    return 0.5 * math.erfc(abs(value - threshold) / (u * math.sqrt(2)))
