"""
The queue by pages, for one reader: what needs an eye, how many of each heap, and where its calls stand.

What the order and the counts need is read in one pass over an index that holds it, ten thousand photos in
some 20 ms; only the rows of one page are fetched whole. A `QueueIndex` that is kept reads again only where
the ledger has grown.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from crestgauge.inference.ledger.states import NO_CLASS, PhotoCalls
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base, standing

_T = Base.metadata.tables
Row = Mapping[str, Any]
Todo = Literal["mine", "second", "disagree", "done", "all"]
HEAPS: Final[tuple[Literal["borderline", "retake", "clear"], ...]] = ("borderline", "retake", "clear")


@dataclass(frozen=True, slots=True, kw_only=True)
class PageQuery:
    """
    Which part of the queue.

    Parameters
    ----------
    person : str
        Whose queue it is; empty for nobody's.
    readers_wanted : int
        1, or 2 where every photo is to be called by two readers.
    outcomes : tuple of str
        Heaps, in this order.
    todo : Todo
        mine: what this person can still call. second: a second reader is wanted. disagree: two have called
        differently and nobody settled. done: called by this person. all: everything.
    age_class : str or None
        Proposed class.
    search : str
        Part of the specimen id, letter case aside.
    by_hash : bool
        One list in the order of the photos' content hashes, which tells nothing of readings.
    limit, offset : int
    """

    person: str = ""
    readers_wanted: int = 1
    outcomes: tuple[str, ...] = HEAPS
    todo: Todo = "mine"
    age_class: str | None = None
    search: str = ""
    by_hash: bool = False
    limit: int = 50
    offset: int = 0


@dataclass(frozen=True, slots=True)
class Page:
    """
    One page and what stands around it.

    Parameters
    ----------
    rows : tuple of mappings
        id (of the reading), photo_id, outcome, age_class, doubt, reading (JSON text), sha256, specimen_id (or
        None), calls (`PhotoCalls`).
    total : int
        Photos that match, over all pages.
    matching, todo, all : mapping of outcome to int
        Photos of each heap that match; that this person can still call; that there are.
    done : int
        Photos that this person has called.
    """

    rows: tuple[Row, ...]
    total: int
    matching: Mapping[str, int]
    todo: Mapping[str, int]
    all: Mapping[str, int]
    done: int


_Ordered = tuple[int, int, str | None]
"""Reading, photo, proposed class."""


@dataclass(frozen=True, slots=True)
class _State:
    """All newest readings in the order of the queue, heap by heap, and the calls of those that have any."""

    version: tuple[int | None, ...]
    heaps: Mapping[str, list[_Ordered]]
    calls: Mapping[int, PhotoCalls]


_NOTHING: Final = PhotoCalls()
_WATCHED: Final = ("readings", "calls", "second_reads", "settlements")


class QueueIndex:
    """
    The queue of one ledger. Safe to share between threads.

    Parameters
    ----------
    ledger : Ledger
    """

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger
        # On SQLite, where one writer at a time holds the lock from its start, ids are committed in their
        # order, so the newest ids say whether anything was added. PostgreSQL commits out of order.
        self._keep = ledger.url.get_backend_name() == "sqlite"
        self._state: _State | None = None
        self._lock = threading.Lock()

    def page(self, asked: PageQuery) -> Page:
        """One page, most doubtful first within each heap."""
        with self.ledger.reading() as connection:
            state = self._fresh(connection)
            calls = _sorted_calls(state, asked.person, asked.readers_wanted)
            wanted = _matching(state, asked, calls, connection)
            ids = [row for rows in wanted.values() for row in rows]
            if asked.by_hash:
                ids = _by_hash(connection, ids)
            rows = _rows(connection, [row[0] for row in ids[asked.offset : asked.offset + asked.limit]])
        return Page(
            rows=tuple({**row, "calls": state.calls.get(row["photo_id"], _NOTHING)} for row in rows),
            total=len(ids),
            matching={heap: len(wanted.get(heap, ())) for heap in HEAPS},
            todo={
                heap: len(rows) - sum(1 for row in rows if row[1] in calls.closed)
                for heap, rows in state.heaps.items()
            },
            all={heap: len(rows) for heap, rows in state.heaps.items()},
            done=len(calls.done),
        )

    def after(self, asked: PageQuery, photo_id: int) -> int | None:
        """The photo after this one in the queue (the first, where this one is not in it); None at its end."""
        with self.ledger.reading() as connection:
            state = self._fresh(connection)
            calls = _sorted_calls(state, asked.person, asked.readers_wanted)
            wanted = _matching(state, asked, calls, connection, also=photo_id)
            ids = [row for rows in wanted.values() for row in rows]
            if asked.by_hash:
                ids = _by_hash(connection, ids)
        photos = [row[1] for row in ids]
        at = photos.index(photo_id) if photo_id in photos else -1
        return photos[at + 1] if at + 1 < len(photos) else None

    def _fresh(self, connection: Connection) -> _State:
        version = tuple(
            connection.execute(sa.select(sa.func.max(_T[name].c.id))).scalar() for name in _WATCHED
        )
        with self._lock:
            state = self._state
        if state is None or not self._keep or state.version != version:
            state = _State(version, _heaps(connection), _calls(connection))
            with self._lock:
                self._state = state
        return state


def _heaps(connection: Connection) -> dict[str, list[_Ordered]]:
    """(reading, photo, class) of the newest reading of each photo, most doubtful first in each heap."""
    table = _T["readings"]
    found = {}
    for heap in HEAPS:
        query = (
            sa.select(table.c.id, table.c.photo_id, table.c.age_class)
            .where(table.c.outcome == heap)
            .order_by(table.c.doubt.desc(), table.c.id.desc())
        )
        found[heap] = [(row[0], row[1], row[2]) for row in connection.execute(query).all()]
    newest: dict[int, int] = {}
    for rows in found.values():
        for reading, photo, _ in rows:
            if newest.get(photo, -1) < reading:
                newest[photo] = reading
    return {heap: [row for row in rows if newest[row[1]] == row[0]] for heap, rows in found.items()}


def _calls(connection: Connection) -> dict[int, PhotoCalls]:
    """Photos with standing calls or requests."""
    calls, asked, settled = _T["calls"], _T["second_reads"], _T["settlements"]
    found: dict[int, PhotoCalls] = {}
    query = sa.select(calls.c.id, calls.c.replaces, calls.c.photo_id, calls.c.person, calls.c.age_class)
    rows = connection.execute(
        query.add_columns(calls.c.decision).where(calls.c.photo_id.is_not(None)).order_by(calls.c.id)
    ).all()
    replaced = {row[1] for row in rows}
    standing_calls = set()
    for call, _, photo, person, age_class, decision in rows:
        if call not in replaced and decision != "withdrawn":
            standing_calls.add(call)
            found.setdefault(photo, PhotoCalls()).classes[person] = age_class or NO_CLASS
    wanted = sa.select(asked.c.photo_id, asked.c.person).where(asked.c.wanted, standing("second_reads"))
    for photo, person in connection.execute(wanted.order_by(asked.c.id)):
        found.setdefault(photo, PhotoCalls()).asked.append(person)
    third = sa.select(settled.c.photo_id, settled.c.call_id).where(standing("settlements"))
    for photo, call in connection.execute(third):
        if call in standing_calls:
            found.setdefault(photo, PhotoCalls()).settled = True
    return found


def _matching(
    state: _State, asked: PageQuery, calls: _Sorted, connection: Connection, *, also: int | None = None
) -> dict[str, list[_Ordered]]:
    """What was asked for, heap by heap; ``also`` is a photo that is kept whatever it is."""
    heaps = {heap: state.heaps[heap] for heap in asked.outcomes}
    if asked.todo == "mine":
        closed = calls.closed - {also}
        heaps = {heap: [row for row in rows if row[1] not in closed] for heap, rows in heaps.items()}
    elif asked.todo != "all":
        inside = {"second": calls.second, "disagree": calls.disagree, "done": calls.done}[asked.todo] | {also}
        heaps = {heap: [row for row in rows if row[1] in inside] for heap, rows in heaps.items()}
    if asked.age_class is not None:
        heaps = {
            heap: [row for row in rows if row[2] == asked.age_class or row[1] == also]
            for heap, rows in heaps.items()
        }
    if asked.search:
        found = _found(connection, asked.search) | {also}
        heaps = {heap: [row for row in rows if row[1] in found] for heap, rows in heaps.items()}
    return heaps


@dataclass(frozen=True, slots=True)
class _Sorted:
    """
    Of the photos that somebody called, or asked a second reader for: those that one person cannot (any more),
    that want a second reader, that disagree, and that this person has called.
    """

    closed: set[int]
    second: set[int]
    disagree: set[int]
    done: set[int]


def _sorted_calls(state: _State, person: str, readers_wanted: int) -> _Sorted:
    found = _Sorted(set(), set(), set(), set())
    for photo, calls in state.calls.items():
        now = calls.state(readers_wanted)
        if now == "second_wanted":
            found.second.add(photo)
        elif now == "disagree":
            found.disagree.add(photo)
        else:
            found.closed.add(photo)
        if person in calls.classes:
            found.done.add(photo)
            found.closed.add(photo)
        elif person in calls.asked and not calls.classes:
            found.closed.add(photo)
    return found


def _found(connection: Connection, search: str) -> set[int]:
    """Photos linked to an animal whose id holds this text."""
    photos, links = _T["photos"], _T["photo_links"]
    query = (
        sa.select(photos.c.id)
        .join(links, links.c.sha256 == photos.c.sha256)
        .where(links.c.specimen_id.icontains(search, autoescape=True), standing("photo_links"))
    )
    return set(connection.execute(query).scalars())


def _by_hash(connection: Connection, ids: Sequence[_Ordered]) -> list[_Ordered]:
    photos = _T["photos"]
    order = connection.execute(sa.select(photos.c.id).order_by(photos.c.sha256)).scalars()
    wanted = {row[1]: row for row in ids}
    return [wanted[photo] for photo in order if photo in wanted]


def _rows(connection: Connection, ids: Sequence[int]) -> Iterator[Row]:
    """Whole rows of some readings, in the order given."""
    if not ids:
        return iter(())
    readings, photos, links = _T["readings"], _T["photos"], _T["photo_links"]
    names = ("id", "photo_id", "outcome", "age_class", "doubt", "reading")
    query = (
        sa.select(*(readings.c[name] for name in names), photos.c.sha256, links.c.specimen_id)
        .join(photos, photos.c.id == readings.c.photo_id)
        .outerjoin(links, sa.and_(links.c.sha256 == photos.c.sha256, standing("photo_links")))
        .where(readings.c.id.in_(ids))
    )
    found: dict[int, Row] = {row["id"]: dict(row) for row in connection.execute(query).mappings()}
    return iter([found[reading] for reading in ids])
