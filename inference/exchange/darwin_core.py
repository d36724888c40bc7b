"""
A Darwin Core archive: one occurrence per animal, and what was measured, called or counted on it. Edge module.

Darwin Core is the open standard of natural history collections (TDWG; terms: dwc.tdwg.org/terms, archive:
dwc.tdwg.org/text). Ages that nobody confirmed carry that in their remarks.
"""

from __future__ import annotations

import csv
import io
import json
import os
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final
from xml.sax.saxutils import quoteattr

from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.ledger.queries import newest_readings, specimens, standing_calls
from crestgauge.inference.ledger.store import Ledger

TERMS: Final = "http://rs.tdwg.org/dwc/terms/"
OCCURRENCE: Final = (
    "occurrenceID",
    "basisOfRecord",
    "catalogNumber",
    "scientificName",
    "taxonRank",
    "kingdom",
    "class",
    "order",
    "family",
    "sex",
    "preparations",
    "eventDate",
    "locality",
    "occurrenceStatus",
    "occurrenceRemarks",
)
MEASUREMENT: Final = (
    "occurrenceID",
    "measurementID",
    "measurementType",
    "measurementValue",
    "measurementAccuracy",
    "measurementUnit",
    "measurementDeterminedBy",
    "measurementDeterminedDate",
    "measurementMethod",
    "measurementRemarks",
)
_TAXON: Final = {
    "scientificName": "Odocoileus virginianus (Zimmermann, 1780)",
    "taxonRank": "species",
    "kingdom": "Animalia",
    "class": "Mammalia",
    "order": "Artiodactyla",
    "family": "Cervidae",
}
_SPECIMEN_FACTS: Final = {
    "beam_left_mm": ("left main beam length", "mm"),
    "beam_right_mm": ("right main beam length", "mm"),
    "base_left_mm": ("left antler base circumference", "mm"),
    "base_right_mm": ("right antler base circumference", "mm"),
    "spread_mm": ("inside antler spread", "mm"),
    "points_left": ("left antler points", ""),
    "points_right": ("right antler points", ""),
    "lactating": ("lactating", ""),
}
UNCONFIRMED: Final = "proposal of a tool, for a trained person to confirm"

Row = dict[str, str]


def export_darwin_core(ledger: Ledger, path: Path, *, dataset: str) -> dict[str, int]:
    """
    Write the archive (a ZIP of occurrence.csv, measurementorfact.csv and meta.xml).

    Photos that are linked to no animal are left out: an occurrence is an animal.

    Parameters
    ----------
    dataset : str
        Short name of the data set; occurrence ids are "<dataset>:<specimen id>".

    Returns
    -------
    dict of str to int
        Rows by table.

    Raises
    ------
    ExchangeError
        If the file cannot be written.
    """
    animals = specimens(ledger)
    known = {row["specimen_id"] for row in animals}
    extra = sorted(_animals_without_row(ledger) - known)
    occurrences = [_occurrence(row, dataset) for row in animals]
    occurrences += [_occurrence({"specimen_id": name}, dataset) for name in extra]
    measurements = [row for animal in animals for row in _facts(animal, dataset)]
    measurements += list(_calls(ledger, dataset))
    measurements += list(_readings(ledger, dataset))
    part = path.with_name(path.name + ".part")
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("occurrence.csv", _table(OCCURRENCE, occurrences))
            archive.writestr("measurementorfact.csv", _table(MEASUREMENT, measurements))
            archive.writestr("meta.xml", meta_xml())
        os.replace(part, path)
    except OSError as error:
        raise ExchangeError(f"{path}: cannot be written ({error.strerror}). Choose another place.") from error
    return {"occurrence": len(occurrences), "measurementorfact": len(measurements)}


def meta_xml() -> str:
    """The archive's descriptor, after the Darwin Core text guide."""
    how = (
        'encoding="UTF-8" fieldsTerminatedBy="," linesTerminatedBy="\\n" fieldsEnclosedBy=\'"\' '
        'ignoreHeaderLines="1"'
    )

    def fields(terms: tuple[str, ...]) -> str:
        return "".join(
            f'<field index="{k}" term={quoteattr(TERMS + t)}/>' for k, t in enumerate(terms) if k > 0
        )

    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<archive xmlns="http://rs.tdwg.org/dwc/text/">'
        f'<core {how} rowType="{TERMS}Occurrence"><files><location>occurrence.csv</location></files>'
        f'<id index="0"/><field index="0" term="{TERMS}occurrenceID"/>{fields(OCCURRENCE)}</core>'
        f'<extension {how} rowType="{TERMS}MeasurementOrFact">'
        "<files><location>measurementorfact.csv</location></files>"
        f'<coreid index="0"/>{fields(MEASUREMENT)}</extension></archive>\n'
    )


def _table(columns: tuple[str, ...], rows: list[Row]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def _animals_without_row(ledger: Ledger) -> set[str]:
    linked = {row["specimen_id"] for row in newest_readings(ledger)}
    called = {call["animal"] for call in standing_calls(ledger)}
    return {name for name in linked | called if name is not None}


def _occurrence(animal: Mapping[str, Any], dataset: str) -> Row:
    return {
        "occurrenceID": f"{dataset}:{animal['specimen_id']}",
        "basisOfRecord": "PreservedSpecimen",
        "catalogNumber": animal["specimen_id"],
        **_TAXON,
        "sex": animal.get("sex") or "",
        "preparations": "lower jaw (mandible)",
        "eventDate": animal.get("harvest_date") or "",
        "locality": animal.get("area") or "",
        "occurrenceStatus": "present",
        "occurrenceRemarks": animal.get("note") or "",
    }


def _facts(animal: Mapping[str, Any], dataset: str) -> Iterator[Row]:
    def fact(name: str, kind: str, value: object, unit: str, **more: str) -> Row:
        whose = f"{dataset}:{animal['specimen_id']}"
        text = (
            str(value).lower()
            if isinstance(value, bool)
            else f"{value:g}"
            if isinstance(value, float)
            else str(value)
        )
        return {
            "occurrenceID": whose,
            "measurementID": f"{whose}:{name}",
            "measurementType": kind,
            "measurementValue": text,
            "measurementUnit": unit,
            **more,
        }

    for name, (kind, unit) in _SPECIMEN_FACTS.items():
        if animal[name] is not None:
            yield fact(name, kind, animal[name], unit)
    if animal["weight"] is not None:
        yield fact("weight", f"{animal['weight_kind']} weight", animal["weight"], animal["weight_unit"])
    if animal["age_years"] is not None:
        yield fact(
            "age",
            f"{animal['age_kind']} age",
            animal["age_years"],
            "year",
            measurementMethod=animal["age_basis"],
        )
    if animal["cementum_age"] is not None:
        grade = animal["cementum_certainty"]
        more = {"measurementRemarks": f"certainty {grade}"} if grade else {}
        if animal["cementum_low"] is not None and animal["cementum_high"] is not None:
            more["measurementAccuracy"] = f"{animal['cementum_low']} to {animal['cementum_high']}"
        method = "cementum annuli count"
        yield fact(
            "cementum", "cementum age", animal["cementum_age"], "year", measurementMethod=method, **more
        )


def _calls(ledger: Ledger, dataset: str) -> Iterator[Row]:
    for call in standing_calls(ledger):
        if call["animal"] is None or call["age_class"] is None:
            continue
        whose = f"{dataset}:{call['animal']}"
        yield {
            "occurrenceID": whose,
            "measurementID": f"{whose}:call{call['id']}",
            "measurementType": "age class",
            "measurementValue": call["age_class"],
            "measurementUnit": "year",
            "measurementDeterminedBy": call["person"],
            "measurementDeterminedDate": call["decided_on"] or call["recorded_at"],
            "measurementMethod": call["method"] or "tooth replacement and wear",
            "measurementRemarks": f"decided by a person; confidence {call['confidence'] or 'not given'}",
        }


def _readings(ledger: Ledger, dataset: str) -> Iterator[Row]:
    for row in newest_readings(ledger, whole=True):
        if row["specimen_id"] is None:
            continue
        reading = json.loads(row["reading"])
        whose = f"{dataset}:{row['specimen_id']}"
        how = f"crestgauge {row['tool_version']}, {row['model_version']}, criteria {row['criteria_version']}"
        base = {
            "occurrenceID": whose,
            "measurementDeterminedBy": f"crestgauge {row['tool_version']}",
            "measurementDeterminedDate": row["recorded_at"],
            "measurementMethod": how,
        }
        if row["age_class"] is not None:
            yield base | {
                "measurementID": f"{whose}:reading{row['id']}",
                "measurementType": "proposed age class",
                "measurementValue": row["age_class"],
                "measurementUnit": "year",
                "measurementAccuracy": f"possible: {' '.join(reading['possible'])}",
                "measurementRemarks": UNCONFIRMED,
            }
        for tooth in reading["teeth"]:
            if tooth["ratio"] is not None:
                yield base | {
                    "measurementID": f"{whose}:reading{row['id']}:{tooth['name']}:ratio",
                    "measurementType": f"dentine width / enamel width, lingual crests of {tooth['name']}",
                    "measurementValue": f"{tooth['ratio']['value']:g}",
                    "measurementAccuracy": f"{tooth['ratio']['u']:g}",
                    "measurementUnit": "1",
                    "measurementRemarks": f"{row['side'] or '?'} jaw; accuracy = standard uncertainty",
                }
