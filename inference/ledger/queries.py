"""Questions to a ledger: the queue, one animal with all that belongs to it, what is done, what disagrees."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base, standing

_T = Base.metadata.tables
Row = Mapping[str, Any]

QUEUE_COLUMNS = (
    "id",
    "photo_id",
    "outcome",
    "age_class",
    "side",
    "doubt",
    "model_version",
    "criteria_version",
)


def _newest_reading() -> sa.ColumnElement[bool]:
    """True for the last reading of each photo."""
    readings, later = _T["readings"], _T["readings"].alias()
    return ~sa.exists().where(later.c.photo_id == readings.c.photo_id, later.c.id > readings.c.id)


def queue(
    ledger: Ledger,
    *,
    outcomes: Sequence[str] = ("borderline", "clear", "retake"),
    limit: int | None = None,
    offset: int = 0,
    undecided: bool = True,
) -> list[Row]:
    """
    Newest readings, heap by heap in the order of ``outcomes``, most doubtful first.

    Parameters
    ----------
    limit, offset : int or None
        Over the whole list.
    undecided : bool
        Leave out photos that have a standing call.

    Returns
    -------
    list of mappings
        `QUEUE_COLUMNS`, with the photo's sha256 and the specimen_id it is linked to (or None).
    """
    readings, photos, links = _T["readings"], _T["photos"], _T["photo_links"]
    wanted: list[Row] = []
    with ledger.reading() as connection:
        for outcome in outcomes:
            if limit is not None and len(wanted) >= limit + offset:
                break
            query = (
                sa.select(*(readings.c[name] for name in QUEUE_COLUMNS), photos.c.sha256, links.c.specimen_id)
                .join(photos, photos.c.id == readings.c.photo_id)
                .outerjoin(links, sa.and_(links.c.sha256 == photos.c.sha256, standing("photo_links")))
                .where(readings.c.outcome == outcome, _newest_reading())
                .order_by(readings.c.doubt.desc(), readings.c.id.desc())
            )
            if undecided:
                calls = _T["calls"]
                query = query.where(
                    ~sa.exists().where(
                        calls.c.photo_id == readings.c.photo_id,
                        calls.c.decision != "withdrawn",
                        standing("calls"),
                    )
                )
            if limit is not None:
                query = query.limit(limit + offset - len(wanted))
            wanted += [dict(row) for row in connection.execute(query).mappings()]
    return wanted[offset:]


def heaps(ledger: Ledger) -> dict[str, int]:
    """Newest readings per outcome."""
    readings = _T["readings"]
    query = (
        sa.select(readings.c.outcome, sa.func.count()).where(_newest_reading()).group_by(readings.c.outcome)
    )
    with ledger.reading() as connection:
        return {"clear": 0, "borderline": 0, "retake": 0} | {
            str(k): int(n) for k, n in connection.execute(query)
        }


def reading_of(ledger: Ledger, reading_id: int) -> dict[str, Any]:
    """
    One reading as JSON, whole.

    Raises
    ------
    LedgerError
        If it is not there.
    """
    table = _T["readings"]
    with ledger.reading() as connection:
        text = connection.execute(sa.select(table.c.reading).where(table.c.id == reading_id)).scalar()
    if text is None:
        raise LedgerError(f"reading {reading_id}: is not in the ledger.")
    whole: dict[str, Any] = json.loads(text)
    return whole


def done(connection: Connection, model: str, criteria: str) -> set[str]:
    """sha256 of every photo that has a reading by this model and these criteria."""
    readings, photos = _T["readings"], _T["photos"]
    query = (
        sa.select(photos.c.sha256)
        .join(readings, readings.c.photo_id == photos.c.id)
        .where(readings.c.model_version == model, readings.c.criteria_version == criteria)
    )
    return set(connection.execute(query).scalars())


def failed(connection: Connection, model: str, criteria: str) -> set[str]:
    """sha256 of every file that this model and these criteria failed on."""
    table = _T["failures"]
    query = sa.select(table.c.sha256).where(
        table.c.model_version == model, table.c.criteria_version == criteria
    )
    return {sha256 for sha256 in connection.execute(query).scalars() if sha256 is not None}


def all_places(connection: Connection) -> set[tuple[str, str]]:
    """Every (sha256, place) where bytes were found."""
    table = _T["sightings"]
    return {(row[0], row[1]) for row in connection.execute(sa.select(table.c.sha256, table.c.location))}


def all_links(connection: Connection) -> set[str]:
    """sha256 of every photo that is linked to an animal."""
    return set(connection.execute(sa.select(_T["photo_links"].c.sha256)).scalars())


def has_failure(
    connection: Connection, sha256: str | None, location: str, model: str, criteria: str, message: str
) -> bool:
    """Whether this very failure is kept already."""
    table = _T["failures"]
    query = sa.select(table.c.id).where(
        table.c.sha256.is_(None) if sha256 is None else table.c.sha256 == sha256,
        table.c.location == location,
        table.c.model_version == model,
        table.c.criteria_version == criteria,
        table.c.message == message,
    )
    return connection.execute(query).first() is not None


def specimens(ledger: Ledger) -> list[Row]:
    """Every animal as it stands now, in the order of their ids."""
    table = _T["specimens"]
    query = sa.select(table).where(standing("specimens")).order_by(table.c.specimen_id)
    with ledger.reading() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def specimen_history(ledger: Ledger, specimen_id: str) -> list[Row]:
    """Every row of one animal, oldest first: the last one stands."""
    table = _T["specimens"]
    query = sa.select(table).where(table.c.specimen_id == specimen_id).order_by(table.c.id)
    with ledger.reading() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def standing_calls(ledger: Ledger) -> list[Row]:
    """
    Every call that is neither replaced nor a withdrawal, oldest first, with the animal it is about where
    known.

    ``overruled`` is true for a call on a photo that a third reader has settled by another one.
    """
    calls, photos, links = _T["calls"], _T["photos"], _T["photo_links"]
    animal = sa.func.coalesce(calls.c.specimen_id, links.c.specimen_id).label("animal")
    query = (
        sa.select(calls, photos.c.sha256, animal)
        .outerjoin(photos, photos.c.id == calls.c.photo_id)
        .outerjoin(links, sa.and_(links.c.sha256 == photos.c.sha256, standing("photo_links")))
        .where(calls.c.decision != "withdrawn", standing("calls"))
        .order_by(calls.c.id)
    )
    settled = _T["settlements"]
    third = sa.select(settled.c.photo_id, settled.c.call_id).where(standing("settlements"))
    with ledger.reading() as connection:
        found = [dict(row) for row in connection.execute(query).mappings()]
        settling = {row[0]: row[1] for row in connection.execute(third.order_by(settled.c.id))}
    ids = {row["id"] for row in found}
    for row in found:
        decided = settling.get(row["photo_id"])
        row["overruled"] = decided in ids and decided != row["id"]
    return [*found]


def newest_readings(ledger: Ledger, *, whole: bool = False) -> list[Row]:
    """The last reading of each photo, with sha256, specimen_id (or None) and, if ``whole``, its JSON text."""
    readings, photos, links = _T["readings"], _T["photos"], _T["photo_links"]
    columns = [column for column in readings.c if whole or column.name != "reading"]
    query = (
        sa.select(*columns, photos.c.sha256, links.c.specimen_id)
        .join(photos, photos.c.id == readings.c.photo_id)
        .outerjoin(links, sa.and_(links.c.sha256 == photos.c.sha256, standing("photo_links")))
        .where(_newest_reading())
        .order_by(readings.c.id)
    )
    with ledger.reading() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """
    Photos or calls of one animal that do not say the same.

    Parameters
    ----------
    specimen_id : str
    kind : str
        "readings" (photos or sides give different classes) or "calls" (people decided differently).
    classes : tuple of str
        The different classes, youngest first.
    where : tuple of str
        One phrase per reading or call: what it is, its side or person, and its class.
    overlap : bool
        The readings' possible classes have one in common, so the measuring errors explain it.
    """

    specimen_id: str
    kind: str
    classes: tuple[str, ...]
    where: tuple[str, ...]
    overlap: bool


def disagreements(ledger: Ledger) -> list[Disagreement]:
    """Every animal whose photos (both jaws together) or calls disagree, in the order of their ids."""
    readings: dict[str, list[Row]] = defaultdict(list)
    for row in newest_readings(ledger, whole=True):
        if row["specimen_id"] is not None and row["age_class"] is not None:
            readings[row["specimen_id"]].append(row)
    found = []
    for specimen_id, rows in readings.items():
        classes = {row["age_class"] for row in rows}
        if len(classes) > 1:
            possible = [
                set(json.loads(row["reading"]).get("possible") or ()) | {row["age_class"]} for row in rows
            ]
            where = tuple(
                f"photo {r['sha256'][:8]} ({r['side'] or 'side unknown'}): {r['age_class']}" for r in rows
            )
            common = bool(set.intersection(*possible))
            found.append(
                Disagreement(
                    specimen_id=specimen_id,
                    kind="readings",
                    classes=_by_age(classes),
                    where=where,
                    overlap=common,
                )
            )
    calls: dict[str, list[Row]] = defaultdict(list)
    for call in standing_calls(ledger):
        if call["animal"] is not None and call["age_class"] is not None and not call["overruled"]:
            calls[call["animal"]].append(call)
    for specimen_id, rows in calls.items():
        classes = {row["age_class"] for row in rows}
        if len(classes) > 1:
            where = tuple(f"call {r['id']} by {r['person']}: {r['age_class']}" for r in rows)
            found.append(
                Disagreement(
                    specimen_id=specimen_id,
                    kind="calls",
                    classes=_by_age(classes),
                    where=where,
                    overlap=False,
                )
            )
    return sorted(found, key=lambda d: (d.specimen_id, d.kind))


def age_order(age_class: str) -> tuple[float, int]:
    """Sort key of an age class: "3.5", "8.5+", "3.5-5.5"."""
    return float(age_class.split("-")[0].rstrip("+")), int(age_class.endswith("+") or "-" in age_class)


def _by_age(classes: set[str]) -> tuple[str, ...]:
    return tuple(sorted(classes, key=age_order))
