"""Photos for labelling: by place, or by a question to a ledger, with their animals. Edge module."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from crestgauge.inference.errors import ExchangeError, LedgerError, PhotoError
from crestgauge.inference.exchange.tables_in import read_rows
from crestgauge.inference.ledger.queries import newest_readings, standing_calls
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.photo import Photo, decode_photo
from crestgauge.inference.screening.report import places_by_photo
from crestgauge.inference.screening.sources import find_photos, read_bytes

OUTCOMES = ("clear", "borderline", "retake")


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One photo: where it lies, its animal, and its hash where a ledger has read it."""

    location: str
    specimen_id: str | None = None
    sha256: str | None = None

    def read(self) -> Photo:
        """
        The photo.

        Raises
        ------
        PhotoError
            If it cannot be read, or is another file than the one that the ledger knows.
        """
        photo = decode_photo(read_bytes(self.location), name=self.location)
        if self.sha256 is not None and photo.sha256 != self.sha256:
            raise PhotoError(
                f"{self.location}: is another file than the one that was read. Put the old one back."
            )
        return photo


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerQuery:
    """Which photos of a ledger: outcomes and animals (empty = all), and only those without a call."""

    outcomes: tuple[str, ...] = ()
    specimens: tuple[str, ...] = ()
    undecided: bool = False


def from_places(places: Sequence[str]) -> tuple[list[Source], list[str]]:
    """
    Photos of folders, archives, CSV lists, and one line for each that was refused.

    Of a list only the columns ``photo`` and ``specimen_id`` are looked at, so that the one of ``labels rank``
    can be handed on as it is.

    Raises
    ------
    ExchangeError
        If a place does not exist or is of no known kind.
    """
    sources: dict[str, Source] = {}
    refused: list[str] = []
    for place in places:
        if place.lower().endswith(".csv") and Path(place).is_file():
            listed = _listed(Path(place), refused)
        else:
            found = find_photos([place])
            listed = [Source(location=i.location, specimen_id=i.specimen_id) for i in found.items]
            refused += [f"{refusal.where}: {refusal.why}" for refusal in found.refused]
        for source in listed:
            sources.setdefault(source.location, source)
    return list(sources.values()), refused


def _listed(path: Path, refused: list[str]) -> list[Source]:
    """Photos of a CSV list; relative paths are seen from the list's folder."""
    rows, columns = read_rows(path)
    if "photo" not in columns:
        raise ExchangeError(f"{path}: columns {', '.join(columns)}; needs one called photo.")
    sources = []
    for line, row in rows:
        if not row["photo"]:
            refused.append(f"{path}:{line}: no photo named in column photo")
            continue
        absolute = "://" in row["photo"] or Path(row["photo"]).is_absolute()
        place = row["photo"] if absolute else str(path.parent / row["photo"])
        sources.append(Source(location=place, specimen_id=row.get("specimen_id") or None))
    return sources


def from_ledger(ledger: Ledger, query: LedgerQuery) -> list[Source]:
    """
    Photos of a ledger, in the order in which they came.

    Raises
    ------
    LedgerError
        If the query names an outcome that does not exist.
    """
    unknown = set(query.outcomes) - set(OUTCOMES)
    if unknown:
        raise LedgerError(f"outcome {', '.join(sorted(unknown))}: unknown; needs {', '.join(OUTCOMES)}.")
    places = places_by_photo(ledger)
    called = {row["sha256"] for row in standing_calls(ledger)} if query.undecided else set()
    return [
        Source(location=places[row["sha256"]][0], specimen_id=row["specimen_id"], sha256=row["sha256"])
        for row in newest_readings(ledger)
        if row["sha256"] in places
        and row["sha256"] not in called
        and (not query.outcomes or row["outcome"] in query.outcomes)
        and (not query.specimens or row["specimen_id"] in query.specimens)
    ]
