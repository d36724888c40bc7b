"""
Several readers of one photo: who asked for a second one, who has called, who settled.

Names are compared as they are written; `known_spelling` finds the spelling that the ledger has already.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection
from sqlalchemy.exc import IntegrityError

from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base, standing

_T = Base.metadata.tables
Row = Mapping[str, Any]
_PEOPLE = ("calls", "measurements", "second_reads", "settlements")


def known_spelling(ledger: Ledger, person: str) -> str:
    """The spelling of a name that the ledger has already, letter case aside; the name itself if it is new."""
    names: set[str] = set()
    with ledger.reading() as connection:
        for table in _PEOPLE:
            names |= set(connection.execute(sa.select(_T[table].c.person).distinct()).scalars())
    if person in names:
        return person
    return next((name for name in sorted(names) if name.casefold() == person.casefold()), person)


def want_second(ledger: Ledger, photo_id: int, person: str, *, why: str | None = None) -> int:
    """
    Ask for a second reader.

    Raises
    ------
    LedgerError
        If the photo is not there.
    """
    with ledger.writing() as connection:
        _there(connection, "photos", photo_id)
        values = {"photo_id": photo_id, "person": person, "wanted": True, "why": why, "replaces": None}
        return ledger.add(connection, "second_reads", values)


def unwant_second(ledger: Ledger, request_id: int, person: str, *, why: str | None = None) -> int:
    """
    Take a request for a second reader back.

    Raises
    ------
    LedgerError
        If the request is not there, is another person's, or was taken back already.
    """
    table = _T["second_reads"]
    try:
        with ledger.writing() as connection:
            old = connection.execute(sa.select(table).where(table.c.id == request_id)).mappings().first()
            if old is None or old["person"] != person:
                raise LedgerError(f"second_reads row {request_id}: is not there, or is another person's.")
            values = {"photo_id": old["photo_id"], "person": person, "wanted": False, "why": why}
            return ledger.add(connection, "second_reads", {**values, "replaces": request_id})
    except IntegrityError as error:
        raise LedgerError(f"second_reads row {request_id}: was taken back already.") from error


def requests_of(ledger: Ledger, photo_id: int) -> list[Row]:
    """Standing requests for a second reader of a photo, oldest first."""
    table = _T["second_reads"]
    query = (
        sa.select(table)
        .where(table.c.photo_id == photo_id, table.c.wanted, standing("second_reads"))
        .order_by(table.c.id)
    )
    with ledger.reading() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def calls_of(ledger: Ledger, photo_id: int) -> list[Row]:
    """Every call on a photo, oldest first, each with ``standing``: neither replaced nor a withdrawal."""
    table = _T["calls"]
    query = (
        sa.select(table, standing("calls").label("last"))
        .where(table.c.photo_id == photo_id)
        .order_by(table.c.id)
    )
    with ledger.reading() as connection:
        rows = [dict(row) for row in connection.execute(query).mappings()]
    return [{**row, "standing": bool(row["last"]) and row["decision"] != "withdrawn"} for row in rows]


def readers_of(ledger: Ledger, photo_id: int) -> tuple[str, ...]:
    """Everybody with a standing call on a photo, in the order of their first one."""
    people: dict[str, None] = {}
    standing_now = set()
    for row in calls_of(ledger, photo_id):
        people.setdefault(row["person"])
        if row["standing"]:
            standing_now.add(row["person"])
    return tuple(person for person in people if person in standing_now)


def settlement_of(ledger: Ledger, photo_id: int) -> Row | None:
    """The newest settlement of a photo whose call still stands."""
    table, calls = _T["settlements"], _T["calls"]
    query = (
        sa.select(table)
        .join(calls, calls.c.id == table.c.call_id)
        .where(table.c.photo_id == photo_id, standing("settlements"))
        .where(standing("calls"), calls.c.decision != "withdrawn")
        .order_by(table.c.id.desc())
        .limit(1)
    )
    with ledger.reading() as connection:
        found = connection.execute(query).mappings().first()
    return None if found is None else dict(found)


def add_settlement(
    ledger: Ledger, photo_id: int, person: str, *, call_id: int, between: tuple[int, int]
) -> int:
    """
    Say that a third reader's call settles between two.

    Raises
    ------
    LedgerError
        If one of the three is not a call on that photo, or they are not by three people.
    """
    table = _T["calls"]
    with ledger.writing() as connection:
        query = sa.select(table.c.id, table.c.photo_id, table.c.person).where(
            table.c.id.in_((call_id, *between))
        )
        found = list(connection.execute(query))
        people = {row.person for row in found}
        if len(found) != 3 or len(people) != 3 or {row.photo_id for row in found} != {photo_id}:
            raise LedgerError(
                f"calls {call_id}, {between[0]}, {between[1]}: needs calls of three people on one photo."
            )
        values = {
            "photo_id": photo_id,
            "person": person,
            "call_id": call_id,
            "first_call_id": between[0],
            "second_call_id": between[1],
            "replaces": None,
        }
        return ledger.add(connection, "settlements", values)


def _there(connection: Connection, table: str, row: int) -> None:
    target = _T[table]
    if connection.execute(sa.select(target.c.id).where(target.c.id == row)).first() is None:
        raise LedgerError(f"{table} row {row}: is not in the ledger.")
