"""Readings for tests, one of each kind."""

from __future__ import annotations

from typing import Any

from evidence_rows import CLASS_ROWS, bare, molar, row, yearling_row

from crestgauge.inference.build import CrestWidths, Measured, build_reading
from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.evidence import Quantity, RowEvidence
from crestgauge.inference.reading import PhotoRef, Reading, Retake, Versions
from crestgauge.inference.rules import propose

KEY = load_criteria()
PHOTO = PhotoRef(file="jaw.jpg", sha256="0123456789abcdef" * 4, width=4032, height=3024)
VERSIONS = Versions(crestgauge="0.1.0", model="rows-1", criteria=KEY.label)
BLURRED = Retake(reason="blurred", measured=6.25, limit=4.0, advice="Hold the phone still.")


def full(evidence: RowEvidence) -> Measured:
    """Evidence with boxes, widths and all else that a reading can hold."""
    widths = {}
    for tooth in evidence.teeth:
        for found in tooth.crests:
            widths[tooth.position, found.lobe] = CrestWidths(
                dentine_px=Quantity(18.123456, 0.4),
                enamel_outer_px=Quantity(12.5, 0.4),
                enamel_inner_px=None if found.infundibulum_gone else Quantity(11.25, 0.4),
                line=[(100.123456, 200.0), (120.0, 201.5)],
                flags=("narrow_band",),
            )
    return Measured(
        evidence=evidence,
        boxes={t.position: (10.0, 20.0, 110.5, 90.0) for t in evidence.teeth if t.state == "erupted"},
        widths=widths,
        side="left",
        tilt_deg=Quantity(4.236, 1.5),
        px_per_mm=23.45678,
    )


def read(evidence: RowEvidence, **changes: Any) -> Reading:
    values = {"measured": full(evidence), "proposal": propose(evidence, KEY)}
    return build_reading(photo=PHOTO, versions=VERSIONS, **(values | changes))


READINGS = {
    "clear": read(CLASS_ROWS["4.5"]),
    "yearling": read(yearling_row()),
    "dished": read(CLASS_ROWS["8.5+"]),
    "borderline": read(row(molar(4, 0.98))),
    "unseen": read(row(bare(4, "unseen"))),
    "blurred": read(CLASS_ROWS["4.5"], retake=[BLURRED]),
    "no jaw": build_reading(
        photo=PHOTO,
        versions=VERSIONS,
        retake=[Retake(reason="not_a_jaw", measured=None, limit=None, advice="Photograph the jaw.")],
    ),
}
