"""
What a screening run leaves for people: three heaps as tables, duplicates, and a message for every retake.

Edge module: writes files. The tables are made from the ledger, so they can be made again at any time.
"""

from __future__ import annotations

import csv
import json
import os
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any, Final

import sqlalchemy as sa

from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.ledger.queries import disagreements, newest_readings, queue
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base
from crestgauge.inference.screening.looks import near_pairs

HEAPS: Final = ("clear", "borderline", "retake")
HEAP_COLUMNS: Final = (
    "photo",
    "specimen_id",
    "proposal",
    "possible",
    "doubt",
    "side",
    "reasons",
    "sha256",
    "caution",
)
DUPLICATE_COLUMNS: Final = ("first", "second", "kind", "bits", "same_animal")
DISAGREEMENT_COLUMNS: Final = ("specimen_id", "between", "classes", "within_measuring_error", "where")
FAILURE_COLUMNS: Final = ("photo", "kind", "message")
PLACEHOLDERS: Final = ("photo", "specimen_words", "specimen_id", "reasons")
_T = Base.metadata.tables


def default_template() -> str:
    """The shipped text of a retake message, for a user to copy and edit."""
    return files("crestgauge.inference.screening").joinpath("retake_message.txt").read_text(encoding="utf-8")


def check_template(text: str) -> Template:
    """
    Raises
    ------
    ExchangeError
        If the text has a placeholder that nothing fills, or a lone ``$``.
    """
    template = Template(text)
    names = set(template.get_identifiers()) if hasattr(template, "get_identifiers") else set()
    if not template.is_valid() or not names <= set(PLACEHOLDERS):
        wrong = ", ".join(sorted(names - set(PLACEHOLDERS))) or "a lone $ (write $$)"
        raise ExchangeError(f"template: {wrong}; known placeholders are ${', $'.join(PLACEHOLDERS)}.")
    return template


def retake_message(
    reading: Mapping[str, Any], template: Template, *, specimen_id: str | None, photo: str | None = None
) -> str:
    """
    What to send back to whoever sent the photo.

    Parameters
    ----------
    reading : mapping
        A reading with outcome "retake".
    template : Template
        From `check_template`.
    specimen_id : str or None
    photo : str or None
        How to call the photo; None takes the file name in the reading.
    """
    reasons = "\n".join(f"- {entry['advice']}" for entry in reading["retake"]) or "- it could not be read."
    return template.substitute(
        photo=photo or reading["photo"]["file"],
        specimen_id=specimen_id or "",
        specimen_words=f" of {specimen_id}" if specimen_id else "",
        reasons=reasons,
    )


def write_heaps(ledger: Ledger, folder: Path, *, template: str | None = None) -> dict[str, int]:
    """
    Write clear.csv, borderline.csv (most doubtful first), retake.csv, messages/, duplicates.csv,
    disagreements.csv and failures.csv.

    Parameters
    ----------
    template : str or None
        Text of the retake message; None takes the shipped one.

    Returns
    -------
    dict of str to int
        Rows of each table.

    Raises
    ------
    ExchangeError
        If the template is wrong or the folder cannot be written.
    """
    words = check_template(default_template() if template is None else template)
    whole = {row["id"]: row for row in newest_readings(ledger, whole=True)}
    places = places_by_photo(ledger)
    rows: dict[str, list[dict[str, Any]]] = {}
    try:
        (folder / "messages").mkdir(parents=True, exist_ok=True)
        for heap in HEAPS:
            rows[heap] = []
            for row in queue(ledger, outcomes=(heap,), undecided=False):
                reading = json.loads(whole[row["id"]]["reading"])
                rows[heap].append(_heap_row(row, reading, places))
                if heap == "retake":
                    place = places.get(row["sha256"], [reading["photo"]["file"]])[0]
                    text = retake_message(reading, words, specimen_id=row["specimen_id"], photo=_last(place))
                    name = f"{_safe(_last(place))}-{row['sha256'][:8]}.txt"
                    (folder / "messages" / name).write_text(text, encoding="utf-8")
            write_csv(folder / f"{heap}.csv", rows[heap], HEAP_COLUMNS)
        rows["duplicates"] = duplicates(ledger, places)
        write_csv(folder / "duplicates.csv", rows["duplicates"], DUPLICATE_COLUMNS)
        rows["disagreements"] = _disagreements(ledger)
        write_csv(folder / "disagreements.csv", rows["disagreements"], DISAGREEMENT_COLUMNS)
        rows["failures"] = _failures(ledger)
        write_csv(folder / "failures.csv", rows["failures"], FAILURE_COLUMNS)
    except OSError as error:
        raise ExchangeError(
            f"{folder}: cannot be written ({error.strerror}). Choose another folder."
        ) from error
    return {name: len(table) for name, table in rows.items()}


def places_by_photo(ledger: Ledger) -> dict[str, list[str]]:
    """Where the bytes of each photo were found, in the order they were found."""
    table = _T["sightings"]
    places: dict[str, list[str]] = defaultdict(list)
    with ledger.reading() as connection:
        for sha256, place in connection.execute(
            sa.select(table.c.sha256, table.c.location).order_by(table.c.id)
        ):
            places[sha256].append(place)
    return dict(places)


def duplicates(ledger: Ledger, places: Mapping[str, list[str]] | None = None) -> list[dict[str, Any]]:
    """
    Photos that are there twice: same bytes under several names, or pictures that look the same.

    Returns
    -------
    list of dict
        first, second (places), kind ("same bytes", "same picture", "same row"), bits (differing of 256), and
        same_animal ("yes", "no", "unknown"): a near-duplicate linked to two animals deserves a look.
    """
    places = places_by_photo(ledger) if places is None else places
    found: list[dict[str, Any]] = []
    for names in places.values():
        found += [_pair(names[0], other, "same bytes", 0, "yes") for other in names[1:]]
    photos = _T["photos"]
    with ledger.reading() as connection:
        columns = (photos.c.sha256, photos.c.picture_hash, photos.c.row_hash)
        rows = connection.execute(sa.select(*columns).order_by(photos.c.id)).all()
    animals = {row["sha256"]: row["specimen_id"] for row in newest_readings(ledger)}
    said: set[tuple[int, int]] = set()
    for kind, column in (("same picture", 1), ("same row", 2)):
        for first, second, bits in near_pairs([row[column] for row in rows]):
            if (first, second) in said:
                continue
            said.add((first, second))
            a, b = rows[first][0], rows[second][0]
            whose = (animals.get(a), animals.get(b))
            same = "unknown" if None in whose else "yes" if whose[0] == whose[1] else "no"
            found.append(_pair(places.get(a, [a])[0], places.get(b, [b])[0], kind, bits, same))
    return found


def write_csv(path: Path, rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> None:
    """Write rows under a temporary name first, so that a table is whole or not there."""
    part = path.with_name(path.name + ".part")
    with part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, extrasaction="raise")
        writer.writeheader()
        writer.writerows({k: defused(v) for k, v in row.items()} for row in rows)
    os.replace(part, path)


def defused(value: Any) -> Any:
    """
    A text cell that a spreadsheet would run as a formula gets an apostrophe in front.

    File names come from strangers: see OWASP, "CSV Injection".
    """
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _heap_row(
    row: Mapping[str, Any], reading: Mapping[str, Any], places: Mapping[str, list[str]]
) -> dict[str, Any]:
    return {
        "photo": places.get(row["sha256"], [reading["photo"]["file"]])[0],
        "specimen_id": row["specimen_id"] or "",
        "proposal": row["age_class"] or "",
        "possible": " ".join(reading["possible"]),
        "doubt": "" if row["doubt"] is None else f"{row['doubt']:.3f}",
        "side": row["side"] or "",
        "reasons": " ".join(entry["reason"] for entry in reading["retake"]),
        "sha256": row["sha256"],
        "caution": "a proposal for a trained person to confirm",
    }


def _disagreements(ledger: Ledger) -> list[dict[str, Any]]:
    """Animals whose photos, both jaws together, or whose calls do not say the same."""
    return [
        {
            "specimen_id": found.specimen_id,
            "between": found.kind,
            "classes": " ".join(found.classes),
            "within_measuring_error": "yes" if found.overlap else "no",
            "where": "; ".join(found.where),
        }
        for found in disagreements(ledger)
    ]


def _failures(ledger: Ledger) -> list[dict[str, Any]]:
    table = _T["failures"]
    with ledger.reading() as connection:
        rows = connection.execute(
            sa.select(table.c.location, table.c.kind, table.c.message).order_by(table.c.id)
        )
        return [{"photo": place, "kind": kind, "message": message} for place, kind, message in rows]


def _pair(first: str, second: str, kind: str, bits: int, same: str) -> dict[str, Any]:
    return {"first": first, "second": second, "kind": kind, "bits": bits, "same_animal": same}


def _last(place: str) -> str:
    return re.split(r"[/\\!]", place)[-1]


def _safe(name: str) -> str:
    """A file name made of letters, digits, dot, dash and underscore only."""
    return re.sub(r"[^\w.-]+", "_", name)[:80]
