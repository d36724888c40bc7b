"""
Tables out of a ledger, as CSV or Parquet, with a data dictionary. Edge module: writes files.

Every column is declared once, in `TABLES`: name, type, unit and meaning; the dictionary is written from the
same declaration, so it cannot say anything else than the tables hold.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.ledger.queries import newest_readings, specimens, standing_calls
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.screening.report import write_csv

PROPOSAL: Final = "a proposal for a trained person to confirm"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: name, type ("text", "integer", "number", "boolean"), unit ("" = none), meaning."""

    name: str
    type: str
    unit: str
    meaning: str


def _c(name: str, type_: str, unit: str, meaning: str) -> Column:
    return Column(name, type_, unit, meaning)


_KEYS = (
    _c("reading_id", "integer", "", "row of the reading in the ledger"),
    _c("photo_sha256", "text", "", "hash of the photo's bytes: its identity"),
    _c("specimen_id", "text", "", "animal that the photo is linked to; empty = not linked"),
)
_VERSIONS = (
    _c("tool_version", "text", "", "crestgauge that made the reading"),
    _c("model_version", "text", "", "weights, fine and coarse"),
    _c("criteria_version", "text", "", "criteria file"),
)

TABLES: Final[dict[str, tuple[Column, ...]]] = {
    "readings": (
        *_KEYS,
        _c("outcome", "text", "", "clear, borderline or retake"),
        _c("age_class", "text", "year", f"class by the key; {PROPOSAL}"),
        _c(
            "possible",
            "text",
            "year",
            "every class within the measuring error, youngest first, blank between",
        ),
        _c(
            "doubt",
            "number",
            "1",
            "0 (far from every threshold) to 0.5; sorts the queue, no chance of a wrong age",
        ),
        _c("side", "text", "", "left or right lower jaw"),
        _c(
            "tilt_deg",
            "number",
            "degree",
            "angle of the line of sight against the normal of the chewing surface",
        ),
        _c("tilt_u_deg", "number", "degree", "its standard uncertainty"),
        _c("px_per_mm", "number", "px/mm", "scale, where a card or ruler gave one"),
        _c("retake_reasons", "text", "", "reason ids, blank between"),
        _c("recorded_at", "text", "", "when the row was written, UTC, ISO 8601"),
        *_VERSIONS,
        _c("caution", "text", "", f"always: {PROPOSAL}"),
    ),
    "crests": (
        *_KEYS,
        _c("tooth", "integer", "", "position 1 to 6 from the front"),
        _c("tooth_name", "text", "", "p2 p3 p4 m1 m2 m3, milk dp2 dp3 dp4"),
        _c("tooth_state", "text", "", "erupted, erupting, absent, missing, broken, unseen"),
        _c("lobe", "integer", "", "1 to 3 from the front of the tooth"),
        _c("dentine_px", "number", "px", "dentine width, median over the middle half of the crest"),
        _c("dentine_u_px", "number", "px", "its standard uncertainty"),
        _c("enamel_outer_px", "number", "px", "cut enamel band on the tongue side"),
        _c("enamel_outer_u_px", "number", "px", "its standard uncertainty"),
        _c("enamel_inner_px", "number", "px", "cut enamel band on the infundibulum's side"),
        _c("enamel_inner_u_px", "number", "px", "its standard uncertainty"),
        _c("dentine_mm", "number", "mm", "dentine width where the photo has a scale"),
        _c("ratio", "number", "1", "dentine / mean of both bands, same stations"),
        _c("ratio_u", "number", "1", "its standard uncertainty"),
        _c("ratio_middle", "number", "1", "ratio at the exact middle of the crest"),
        _c("ratio_widest", "number", "1", "ratio where the dentine is widest"),
        _c("ratio_outer", "number", "1", "dentine / outer band"),
        _c("ratio_inner", "number", "1", "dentine / inner band"),
        _c("flags", "text", "", "flag names, blank between"),
        *_VERSIONS,
    ),
    "calls": (
        _c("call_id", "integer", "", "row of the call in the ledger"),
        _c("replaces", "integer", "", "row of the call that this one corrects"),
        _c("specimen_id", "text", "", "animal, given with the call or by its photo"),
        _c("photo_sha256", "text", "", "photo that was looked at"),
        _c("reading_id", "integer", "", "reading that was on the screen"),
        _c("person", "text", "", "who decided"),
        _c("experience", "text", "", "of that person, in their words"),
        _c("decision", "text", "", "confirmed, changed, own or none"),
        _c("age_class", "text", "year", "class or coarse class decided; empty where decision is none"),
        _c("confidence", "text", "", "H, M or L"),
        _c("saw", "text", "", "what the person had seen: nothing, photo, proposal or jaw"),
        _c("method", "text", "", "key or method used"),
        _c("reason", "text", "", "why"),
        _c("decided_on", "text", "", "when, if it was not when the row was written"),
        _c("recorded_at", "text", "", "when the row was written, UTC, ISO 8601"),
        _c("recorded_by", "text", "", "who wrote the row"),
    ),
    "specimens": (
        _c("specimen_id", "text", "", "the user's own id"),
        _c("sex", "text", "", "female, male or unknown"),
        _c("harvest_date", "text", "", "day, ISO 8601"),
        _c("area", "text", "", "as coarse as the user wants"),
        _c("weight", "number", "see weight_unit", "weight"),
        _c("weight_kind", "text", "", "live or dressed"),
        _c("weight_unit", "text", "", "kg or lb"),
        _c("lactating", "boolean", "", "milk found"),
        _c("points_left", "integer", "", "antler points, left"),
        _c("points_right", "integer", "", "antler points, right"),
        _c("beam_left_mm", "number", "mm", "main beam length, left"),
        _c("beam_right_mm", "number", "mm", "main beam length, right"),
        _c("base_left_mm", "number", "mm", "circumference at the base, left"),
        _c("base_right_mm", "number", "mm", "circumference at the base, right"),
        _c("spread_mm", "number", "mm", "inside spread"),
        _c("jaw_side", "text", "", "lower jaw that was kept: left, right or both"),
        _c("age_years", "number", "year", "known or minimum age"),
        _c("age_kind", "text", "", "known or minimum"),
        _c("age_basis", "text", "", "what it rests on"),
        _c("cementum_age", "integer", "year", "laboratory count of cementum annuli"),
        _c("cementum_certainty", "text", "", "laboratory's grade, A best"),
        _c("cementum_low", "integer", "year", "lower end of the laboratory's range"),
        _c("cementum_high", "integer", "year", "upper end of the laboratory's range"),
        _c("disease_sample", "text", "", "id of a disease-test sample"),
        _c("note", "text", "", "free text"),
        _c("recorded_at", "text", "", "when the row was written, UTC, ISO 8601"),
        _c("recorded_by", "text", "", "who wrote the row"),
    ),
}


def export_tables(ledger: Ledger, folder: Path, *, parquet: bool = False) -> dict[str, int]:
    """
    Write readings, crests, calls and specimens as they stand now, and dictionary.csv.

    Parameters
    ----------
    parquet : bool
        Parquet instead of CSV; the dictionary stays CSV, and every column's meaning is in the file's metadata
        too.

    Returns
    -------
    dict of str to int
        Rows by table.

    Raises
    ------
    ExchangeError
        If the folder cannot be written, or pyarrow is missing.
    """
    sources = {"readings": _readings, "crests": _crests, "calls": _calls, "specimens": specimens}
    counts = {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, columns in TABLES.items():
            rows = [{c.name: row[c.name] for c in columns} for row in sources[name](ledger)]
            counts[name] = len(rows)
            if parquet:
                _write_parquet(folder / f"{name}.parquet", rows, columns)
            else:
                write_csv(folder / f"{name}.csv", rows, [c.name for c in columns])
        write_csv(folder / "dictionary.csv", dictionary(), ["table", "column", "type", "unit", "meaning"])
    except OSError as error:
        raise ExchangeError(
            f"{folder}: cannot be written ({error.strerror}). Choose another folder."
        ) from error
    return counts


def dictionary() -> list[dict[str, str]]:
    """The data dictionary: one row per column of every table."""
    return [
        {"table": table, "column": c.name, "type": c.type, "unit": c.unit, "meaning": c.meaning}
        for table, columns in TABLES.items()
        for c in columns
    ]


def _keys(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "reading_id": row["id"],
        "photo_sha256": row["sha256"],
        "specimen_id": row["specimen_id"],
        **{name: row[name] for name in ("tool_version", "model_version", "criteria_version")},
    }


def _readings(ledger: Ledger) -> Iterator[dict[str, Any]]:
    for row in newest_readings(ledger, whole=True):
        reading = json.loads(row["reading"])
        tilt, tilt_u = _value(reading["tilt_deg"])
        yield _keys(row) | {
            "outcome": row["outcome"],
            "age_class": row["age_class"],
            "possible": " ".join(reading["possible"]),
            "doubt": row["doubt"],
            "side": row["side"],
            "tilt_deg": tilt,
            "tilt_u_deg": tilt_u,
            "px_per_mm": reading["px_per_mm"],
            "retake_reasons": " ".join(entry["reason"] for entry in reading["retake"]),
            "recorded_at": row["recorded_at"],
            "caution": PROPOSAL,
        }


def _crests(ledger: Ledger) -> Iterator[dict[str, Any]]:
    for row in newest_readings(ledger, whole=True):
        reading = json.loads(row["reading"])
        for tooth in reading["teeth"]:
            for crest in tooth["crests"]:
                yield _keys(row) | _crest(tooth, crest, reading["px_per_mm"])


def _crest(tooth: Mapping[str, Any], crest: Mapping[str, Any], px_per_mm: float | None) -> dict[str, Any]:
    values: dict[str, Any] = {
        "tooth": tooth["position"],
        "tooth_name": tooth["name"],
        "tooth_state": tooth["state"],
        "lobe": crest["lobe"],
        "flags": " ".join(crest["flags"]),
    }
    for name in ("dentine", "enamel_outer", "enamel_inner"):
        values[f"{name}_px"], values[f"{name}_u_px"] = _value(crest[f"{name}_px"])
    dentine = values["dentine_px"]
    values["dentine_mm"] = None if dentine is None or not px_per_mm else dentine / px_per_mm
    values["ratio"], values["ratio_u"] = _value(crest["ratio"])
    others = crest["ratio_by_definition"] or {}
    return values | {f"ratio_{name}": others.get(name) for name in ("middle", "widest", "outer", "inner")}


def _calls(ledger: Ledger) -> Iterator[dict[str, Any]]:
    for row in standing_calls(ledger):
        yield {**row, "call_id": row["id"], "specimen_id": row["animal"], "photo_sha256": row["sha256"]}


def _value(quantity: Mapping[str, Any] | None) -> tuple[float | None, float | None]:
    return (None, None) if quantity is None else (quantity["value"], quantity["u"])


def _write_parquet(path: Path, rows: list[dict[str, Any]], columns: tuple[Column, ...]) -> None:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise ExchangeError(
            'pyarrow is not installed; needed for Parquet. Run: pip install "crestgauge[exchange]"'
        ) from error
    types = {
        "text": pyarrow.string(),
        "integer": pyarrow.int64(),
        "number": pyarrow.float64(),
        "boolean": pyarrow.bool_(),
    }
    schema = pyarrow.schema(
        [
            pyarrow.field(c.name, types[c.type], metadata={"unit": c.unit, "meaning": c.meaning})
            for c in columns
        ]
    )
    part = path.with_name(path.name + ".part")
    pyarrow.parquet.write_table(pyarrow.Table.from_pylist(rows, schema=schema), part)
    os.replace(part, path)
