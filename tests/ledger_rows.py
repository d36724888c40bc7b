"""Rows for ledger tests, as short as its queries need them."""

from __future__ import annotations


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
