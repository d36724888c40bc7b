"""
Adding specimens, photos, readings and calls. Every function is one transaction: done, or not there at all.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.engine import Connection
from sqlalchemy.exc import IntegrityError

from crestgauge.inference.errors import InputError, LedgerError
from crestgauge.inference.ledger.doubt import doubt
from crestgauge.inference.ledger.specimen import (
    AGE_CLASSES,
    COARSE_CLASSES,
    MAX_TEXT,
    Specimen,
    check_id,
)
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base

DECISIONS: Final = ("confirmed", "changed", "own", "none", "withdrawn")
"""confirmed: agreed with the proposal. changed: saw it and decided otherwise. own: decided without it. none:
looked and could not say. withdrawn: takes back the call it replaces."""
SAW: Final = ("nothing", "photo", "proposal", "jaw")
"""What the person had seen of it when deciding; "nothing" = not recorded."""

_T = Base.metadata.tables


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFacts:
    """
    What is kept of a photo beside its reading; hashes are those of `crestgauge.inference.screening.looks`.
    """

    sha256: str
    width: int
    height: int
    format: str
    picture_hash: str
    row_hash: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """
    What a person decided.

    Parameters
    ----------
    person : str
    decision : str
        One of `DECISIONS`.
    age_class : str or None
        One of `AGE_CLASSES` or `COARSE_CLASSES`; None exactly for "none" and "withdrawn".
    specimen_id : str or None
    photo_id, reading_id : int or None
        Rows that the person looked at. Specimen or photo must be given.
    experience, confidence : str or None
        Free words; H, M or L.
    saw : str
        One of `SAW`.
    saw_detail, method, reason, decided_on : str or None
        What exactly was on the screen; key or method used; why; when, if it was not now.

    Raises
    ------
    InputError
        If a value is outside its list or the subject is missing.
    """

    person: str
    decision: str
    age_class: str | None = None
    specimen_id: str | None = None
    photo_id: int | None = None
    reading_id: int | None = None
    experience: str | None = None
    confidence: str | None = None
    saw: str = "nothing"
    saw_detail: str | None = None
    method: str | None = None
    reason: str | None = None
    decided_on: str | None = None

    def __post_init__(self) -> None:
        if not self.person.strip() or len(self.person) > 120:
            raise InputError(f"person {self.person!r}: needs a name of 1 to 120 characters.")
        for name, value, allowed in (
            ("decision", self.decision, DECISIONS),
            ("saw", self.saw, SAW),
            ("confidence", self.confidence, ("H", "M", "L", None)),
            ("age_class", self.age_class, (*AGE_CLASSES, *COARSE_CLASSES, None)),
        ):
            if value not in allowed:
                raise InputError(f"{name} {value!r}: needs one of {', '.join(str(a) for a in allowed if a)}.")
        if (self.age_class is None) != (self.decision in ("none", "withdrawn")):
            raise InputError(
                f"decision {self.decision!r} with age_class {self.age_class!r}: one excludes the other."
            )
        if self.specimen_id is None and self.photo_id is None:
            raise InputError("call: neither specimen_id nor photo_id given; needs one of them.")
        if self.specimen_id is not None:
            check_id("specimen_id", self.specimen_id)
        for name in ("saw_detail", "reason"):
            if len(getattr(self, name) or "") > MAX_TEXT:
                raise InputError(f"{name}: needs at most {MAX_TEXT} characters.")


def add_specimen(ledger: Ledger, specimen: Specimen) -> int:
    """
    Add an animal that is not there yet.

    Raises
    ------
    LedgerError
        If the id is taken: correct it with `correct_specimen`.
    """
    try:
        with ledger.writing() as connection:
            return ledger.add(connection, "specimens", {**specimen.values(), "replaces": None, "why": None})
    except IntegrityError as error:
        raise LedgerError(
            f"specimen {specimen.specimen_id}: is in the ledger already. Correct it, or use another id."
        ) from error


def correct_specimen(ledger: Ledger, replaces: int, specimen: Specimen, *, why: str) -> int:
    """
    Put a corrected row in the place of row ``replaces``; the old one stays and is named.

    Raises
    ------
    LedgerError
        If the row is not there, is of another animal, or has been corrected already.
    """
    with _one_correction("specimens", replaces), ledger.writing() as connection:
        old = _row(connection, "specimens", replaces)
        if old["specimen_id"] != specimen.specimen_id:
            raise LedgerError(
                f"row {replaces} is {old['specimen_id']}, not {specimen.specimen_id}: an id never changes."
            )
        return ledger.add(connection, "specimens", {**specimen.values(), "replaces": replaces, "why": why})


def add_photo(connection: Connection, ledger: Ledger, facts: PhotoFacts) -> int:
    """Id of the photo's row, added if it is new. Within the caller's transaction."""
    table = _T["photos"]
    found = connection.execute(sa.select(table.c.id).where(table.c.sha256 == facts.sha256)).scalar()
    if found is not None:
        return int(found)
    values = {name: getattr(facts, name) for name in PhotoFacts.__dataclass_fields__}
    return ledger.add(connection, "photos", values)


def add_sighting(connection: Connection, ledger: Ledger, sha256: str, location: str) -> bool:
    """Note where a photo's bytes were found; False if that was known. Within the caller's transaction."""
    table = _T["sightings"]
    known = sa.select(table.c.id).where(table.c.sha256 == sha256, table.c.location == location)
    if connection.execute(known).first():
        return False
    ledger.add(connection, "sightings", {"sha256": sha256, "location": location})
    return True


def link_photo(
    connection: Connection,
    ledger: Ledger,
    sha256: str,
    specimen_id: str,
    *,
    source: str,
    replaces: int | None = None,
    why: str | None = None,
) -> int | None:
    """
    Say which animal a photo shows. Within the caller's transaction.

    Parameters
    ----------
    source : str
        "card" (its QR code), "list" (a CSV row) or "person".
    replaces : int or None
        Row of the link that is corrected.

    Returns
    -------
    int or None
        The new row; None if the photo has a link already and none is to be replaced.
    """
    check_id("specimen_id", specimen_id)
    table = _T["photo_links"]
    if replaces is None and connection.execute(sa.select(table.c.id).where(table.c.sha256 == sha256)).first():
        return None
    values = {
        "sha256": sha256,
        "specimen_id": specimen_id,
        "source": source,
        "replaces": replaces,
        "why": why,
    }
    return ledger.add(connection, "photo_links", values)


def add_reading(
    connection: Connection, ledger: Ledger, photo_id: int, reading: Mapping[str, Any], text: str | None = None
) -> int | None:
    """
    Keep one reading. Within the caller's transaction.

    Parameters
    ----------
    reading : mapping
        A reading in ``crestgauge.reading/1``.
    text : str or None
        Its JSON text, kept as it is; None writes one.

    Returns
    -------
    int or None
        The new row; None if this photo has a reading by the same model and criteria.
    """
    table, versions = _T["readings"], reading["versions"]
    known = sa.select(table.c.id).where(
        table.c.photo_id == photo_id,
        table.c.model_version == versions["model"],
        table.c.criteria_version == versions["criteria"],
    )
    if connection.execute(known).first():
        return None
    return ledger.add(
        connection,
        "readings",
        {
            "photo_id": photo_id,
            "tool_version": versions["crestgauge"],
            "model_version": versions["model"],
            "criteria_version": versions["criteria"],
            "outcome": reading["outcome"],
            "age_class": reading["age_class"],
            "side": reading["side"],
            "doubt": doubt(reading),
            "reading": text
            if text is not None
            else json.dumps(reading, separators=(",", ":"), ensure_ascii=False),
        },
    )


def add_call(ledger: Ledger, call: Call, *, replaces: int | None = None, alone: bool = False) -> int:
    """
    Keep one decision.

    Parameters
    ----------
    replaces : int or None
        The call that this one takes the place of.
    alone : bool
        Refuse it where this person has another standing call on the photo: a button that was pressed twice,
        or two windows.

    Raises
    ------
    LedgerError
        If the call to be replaced is not there, is of another subject, or has been replaced already; if a
        photo or reading it names is not there; or if it is not alone.
    """
    values = {name: getattr(call, name) for name in Call.__dataclass_fields__} | {"replaces": replaces}
    with _one_correction("calls", replaces), ledger.writing() as connection:
        if replaces is not None:
            old = _row(connection, "calls", replaces)
            if (old["specimen_id"], old["photo_id"]) != (call.specimen_id, call.photo_id):
                raise LedgerError(f"call {replaces} is about another animal or photo; needs the same one.")
        elif call.decision == "withdrawn":
            raise LedgerError("a withdrawal names the call it takes back; none was given.")
        for table, row in (("photos", call.photo_id), ("readings", call.reading_id)):
            if row is not None:
                _row(connection, table, row)
        if alone:
            _check_alone(connection, call, replaces)
        return ledger.add(connection, "calls", values)


def _check_alone(connection: Connection, call: Call, replaces: int | None) -> None:
    photos, calls, later = _T["photos"], _T["calls"], _T["calls"].alias()
    # Whoever else calls this photo waits here; SQLite holds the write lock of the whole file already.
    connection.execute(sa.select(photos.c.id).where(photos.c.id == call.photo_id).with_for_update())
    others = sa.select(calls.c.id).where(
        calls.c.photo_id == call.photo_id,
        calls.c.person == call.person,
        calls.c.decision != "withdrawn",
        ~sa.exists().where(later.c.replaces == calls.c.id),
    )
    if any(row != replaces for row in connection.execute(others).scalars()):
        raise LedgerError(
            f"photo {call.photo_id}: {call.person} has called it meanwhile, in another window or by a second "
            "press of the button. Load the page again; to change the call, make a new one there."
        )


class _one_correction:
    """Says it plainly when the unique ``replaces`` refuses a second correction of the same row."""

    def __init__(self, table: str, replaces: int | None) -> None:
        self.table, self.replaces = table, replaces

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, _: object) -> None:
        if isinstance(error, IntegrityError):
            raise LedgerError(
                f"{self.table} row {self.replaces}: has been corrected already, by somebody else meanwhile. "
                "Look at the newest row and correct that one."
            ) from error


def _row(connection: Connection, table: str, row: int) -> Mapping[str, Any]:
    target = _T[table]
    found = connection.execute(sa.select(target).where(target.c.id == row)).mappings().first()
    if found is None:
        raise LedgerError(f"{table} row {row}: is not in the ledger.")
    return dict(found)
