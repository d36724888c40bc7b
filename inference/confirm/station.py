"""
The page of one animal, and the page on which a picture is taken at the station. Edge module: asks a ledger.
"""

from __future__ import annotations

from typing import Any, Final

import sqlalchemy as sa

from crestgauge.inference.confirm.calls import calls_view
from crestgauge.inference.confirm.lookups import animal_photos
from crestgauge.inference.confirm.station_pages import NewJawPage, SpecimenFact, SpecimenPage
from crestgauge.inference.confirm.views import CallView, SiblingView, Viewer
from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base, standing
from crestgauge.inference.photo import LIMITS

_T = Base.metadata.tables
FORMATS: Final = ("JPEG", "PNG", "TIFF", "WebP", "HEIC")
ACCEPT: Final = "image/jpeg,image/png,image/tiff,image/webp,image/heic,image/heif"
STAGES: Final = ("sending the photo", "checking the file", "reading the teeth", "filing it")
GUIDE: Final = (
    "Lower jaw clean and dry, chewing surface up, all six cheek teeth in the picture.",
    "Phone level, straight above the middle of the row, 25 to 30 cm away; zoom in instead of going nearer.",
    "Shade or even light from above; no flash, no sun on wet teeth.",
    "Tap on the teeth to focus and hold still.",
)
CAUTIONS: Final = (
    "Gloves on: a cut-resistant one under a waterproof one. Jaws are cut and levered open with sharp tools.",
    "Keep away from brain, spinal cord, eyes and lymph nodes; wash hands and tools; wipe the phone.",
    "Do not let ageing delay or soil a disease sample.",
)
FACTS: Final = {
    "sex": "Sex",
    "harvest_date": "Harvest date",
    "area": "Area",
    "weight": "Weight",
    "lactating": "Lactating",
    "points_left": "Antler points, left",
    "points_right": "Antler points, right",
    "beam_left_mm": "Main beam, left [mm]",
    "beam_right_mm": "Main beam, right [mm]",
    "base_left_mm": "Antler base, left [mm]",
    "base_right_mm": "Antler base, right [mm]",
    "spread_mm": "Inside spread [mm]",
    "jaw_side": "Jaw kept",
    "age_years": "Age [years]",
    "age_basis": "Age known from",
    "cementum_age": "Cementum count [years]",
    "cementum_certainty": "Cementum certainty",
    "disease_sample": "Disease sample",
    "note": "Note",
}
"""Columns of an animal that a page shows, with their labels."""


def specimen_page(ledger: Ledger, viewer: Viewer, specimen_id: str) -> SpecimenPage:
    """
    The page of one animal. A blind viewer learns which photos there are and nothing else.

    Raises
    ------
    LedgerError
        If the ledger knows neither animal nor photo of that id.
    """
    table = _T["specimens"]
    query = sa.select(table).where(table.c.specimen_id == specimen_id, standing("specimens"))
    with ledger.reading() as connection:
        animal = connection.execute(query).mappings().first()
    photos = animal_photos(ledger, specimen_id)
    if animal is None and not photos:
        raise LedgerError(f"specimen {specimen_id}: is not in the ledger. Check the id.")
    shown = () if viewer.blind else photos
    classes = {row["age_class"] for row in shown if row["age_class"] is not None}
    said = ", ".join(
        f"{row['file']} ({row['side'] or 'side unknown'}): {row['age_class']}"
        for row in shown
        if row["age_class"] is not None
    )
    return SpecimenPage(
        viewer=viewer,
        specimen_id=specimen_id,
        known=animal is not None,
        facts=() if viewer.blind or animal is None else _facts(dict(animal)),
        photos=tuple(
            SiblingView(**{name: row[name] for name in SiblingView.__dataclass_fields__}) for row in shown
        ),
        photo_ids=tuple(row["photo_id"] for row in photos),
        disagreement=f"Photos of this animal disagree: {said}." if len(classes) > 1 else "",
        calls=() if viewer.blind else _calls(ledger, viewer, [row["photo_id"] for row in photos]),
    )


def _facts(animal: dict[str, Any]) -> tuple[SpecimenFact, ...]:
    found = []
    for name, label in FACTS.items():
        value = animal[name]
        if value is None:
            continue
        if isinstance(value, bool):
            value = "yes" if value else "no"
        elif isinstance(value, float):
            value = f"{value:g}"
        if name == "weight":
            value = f"{value} {animal['weight_unit']} ({animal['weight_kind']})"
        if name == "age_years":
            value = f"{value} ({animal['age_kind']})"
        found.append(SpecimenFact(label=label, value=str(value)))
    return tuple(found)


def _calls(ledger: Ledger, viewer: Viewer, photo_ids: list[int]) -> tuple[CallView, ...]:
    """Calls on the animal's photos, each as far as it may be seen on its photo's own page."""
    return tuple(call for photo in photo_ids for call in calls_view(ledger, viewer, photo).calls)


def new_jaw_page(viewer: Viewer, *, specimen_id: str = "", error: str = "") -> NewJawPage:
    """The page on which a picture is taken or chosen."""
    return NewJawPage(
        viewer=viewer,
        specimen_id=specimen_id,
        max_bytes=LIMITS.max_bytes,
        formats=FORMATS,
        accept=ACCEPT,
        stages=STAGES,
        guide=GUIDE,
        cautions=CAUTIONS,
        error=error,
    )
