"""
The bulk run: find, hash, leave out what is done, read the rest in worker processes, keep each reading at
once.

What is done is decided by content hash, model and criteria, so a run can be stopped at any moment by any
means and started again. Only this process writes to the ledger; each photo is one transaction.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import islice
from typing import Final

from crestgauge.inference.errors import LedgerError, PhotoError, WeightsError
from crestgauge.inference.ledger.queries import all_links, all_places, done, failed, specimens
from crestgauge.inference.ledger.record import add_sighting, add_specimen, link_photo
from crestgauge.inference.ledger.specimen import Specimen
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.pipeline import Reader, ReadOptions
from crestgauge.inference.screening.outcome import Outcome, keep
from crestgauge.inference.screening.pool import ReaderFactory, WorkersFailed, read_all
from crestgauge.inference.screening.sources import INSIDE, Found, Item, Refusal, read_bytes

HASHES_AHEAD: Final = 8
"""Photos hashed before they are asked for. More would only fill memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenOptions:
    """
    How a folder is screened.

    Parameters
    ----------
    read : ReadOptions
        ``threads`` is set to 1 for workers.
    workers : int or None
        Processes; None takes the machine's cores.
    shard : (int, int) or None
        Only part i of N (1-based) of the photos, by position in the walk.
    retry_failures : bool
        Read again what failed before.
    """

    read: ReadOptions = field(default_factory=ReadOptions)
    workers: int | None = None
    shard: tuple[int, int] | None = None
    retry_failures: bool = False


@dataclass(slots=True, kw_only=True)
class Progress:
    """
    Where a run stands; the same object is handed to the caller again and again.

    Parameters
    ----------
    total, done_before, read, failed, failed_before, duplicates : int
        Photos found; in the ledger before; read now; failed now; failed in an earlier run and left alone now;
        places whose bytes were met already in this run.
    clear, borderline, retake : int
        Of the photos read now.
    refused : list of Refusal
        What the walk, the lists and the photos refused, with the reason.
    seconds : float
    """

    total: int = 0
    done_before: int = 0
    read: int = 0
    failed: int = 0
    failed_before: int = 0
    duplicates: int = 0
    clear: int = 0
    borderline: int = 0
    retake: int = 0
    refused: list[Refusal] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def finished(self) -> int:
        """Photos that need nothing more."""
        return self.done_before + self.failed_before + self.read + self.failed + self.duplicates


def reader_factory(options: ReadOptions) -> ReaderFactory:
    """A picklable maker of readers with one thread each."""
    return partial(Reader, replace(options, threads=1))


def screen(
    found: Found,
    ledger: Ledger,
    options: ScreenOptions,
    *,
    on_progress: Callable[[Progress], None] = lambda _: None,
    read: Callable[..., Iterator[tuple[Item, Outcome]]] | None = None,
    elsewhere: bool = False,
) -> Progress:
    """
    Read every photo that the ledger does not have.

    Parameters
    ----------
    found : Found
        From `find_photos`.
    ledger : Ledger
    options : ScreenOptions
    on_progress : callable
        Called after every photo.
    read : callable or None
        Takes an iterator of items and yields (item, outcome); None reads in local worker processes.
    elsewhere : bool
        ``read`` works on other machines: it also takes ``known`` (hashes that need no reading) and does the
        hashing.

    Raises
    ------
    LedgerError
        If the ledger cannot be written any more (full disk, lock): what was reported before is safe.
    WeightsError, CriteriaError
        If no reader can be made.
    """
    started = time.monotonic()
    items = found.items
    if options.shard is not None:
        index, count = options.shard
        items = items[index - 1 :: count]
    progress = Progress(total=len(items), refused=list(found.refused))
    versions = Reader(options.read).versions
    _add_animals(found.specimens, ledger, progress)
    with ledger.reading() as connection:
        known = done(connection, versions.model, versions.criteria)
        broken = failed(connection, versions.model, versions.criteria) - known
    if options.retry_failures:
        broken = set()
    if read is None:
        workers = options.workers or os.cpu_count() or 1
        read = partial(read_all, make_reader=reader_factory(options.read), workers=workers)
    if elsewhere:
        outcomes = read(iter(items), known=frozenset(known | broken))
    else:
        outcomes = read(
            _Todo(items, known, broken, ledger, progress, lambda: on_progress(_timed(progress, started)))
        )
    met: set[str] = set()
    try:
        for item, outcome in outcomes:
            verdict = keep(ledger, item, outcome, model=versions.model, criteria=versions.criteria)
            if elsewhere and outcome.sha256 in met:
                progress.duplicates += 1
            elif outcome.kind == "known" and outcome.sha256 in broken:
                progress.failed_before += 1
            else:
                _count(progress, item, outcome, verdict)
            if outcome.sha256 is not None:
                met.add(outcome.sha256)
            on_progress(_timed(progress, started))
    except WorkersFailed as error:
        raise WeightsError(f"no photo can be read: {error}") from error
    return _timed(progress, started)


class _Todo:
    """Items that are still to be read, hashed ahead by two threads (hashing lets go of Python's lock)."""

    def __init__(
        self,
        items: list[Item],
        known: set[str],
        broken: set[str],
        ledger: Ledger,
        progress: Progress,
        tell: Callable[[], None],
    ) -> None:
        self.items, self.known, self.broken = items, known, broken
        self.places, self.progress, self.tell = _Places(ledger), progress, tell
        self.met: set[str] = set()

    def __iter__(self) -> Iterator[Item]:
        with ThreadPoolExecutor(2) as threads:
            source = iter(self.items)
            ahead: list[tuple[Item, Future[str | None]]] = [
                (item, threads.submit(_hash, item)) for item in islice(source, HASHES_AHEAD)
            ]
            while ahead:
                item, future = ahead.pop(0)
                for following in islice(source, 1):
                    ahead.append((following, threads.submit(_hash, following)))
                sha256 = future.result()
                if self._wanted(item, sha256):
                    yield replace(item, sha256=sha256)

    def _wanted(self, item: Item, sha256: str | None) -> bool:
        """False if it is done; the place where the bytes were found is noted all the same."""
        if sha256 is None:
            return True  # the worker meets the same trouble and says it
        twice = sha256 in self.met
        self.met.add(sha256)
        if not twice and sha256 not in self.known and sha256 not in self.broken:
            return True
        self.places.note(item, sha256)
        if twice:
            self.progress.duplicates += 1
        elif sha256 in self.broken:
            self.progress.failed_before += 1
        else:
            self.progress.done_before += 1
        self.tell()
        return False


class _Places:
    """Keeps where known bytes were found, and whose they are if a list says so; writes only what is new."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger
        with ledger.reading() as connection:
            self.places, self.linked = all_places(connection), all_links(connection)

    def note(self, item: Item, sha256: str) -> None:
        place = (sha256, item.location) in self.places
        link = item.specimen_id is None or sha256 in self.linked
        if place and link:
            return
        with self.ledger.writing() as connection:
            add_sighting(connection, self.ledger, sha256, item.location)
            if item.specimen_id is not None:
                link_photo(connection, self.ledger, sha256, item.specimen_id, source="list")


def _hash(item: Item) -> str | None:
    try:
        if INSIDE not in item.location and "://" not in item.location:
            with open(item.location, "rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        return hashlib.sha256(read_bytes(item.location)).hexdigest()
    except (PhotoError, OSError):
        return None


def _add_animals(animals: list[Specimen], ledger: Ledger, progress: Progress) -> None:
    """New animals of a list are added; known ones with other values are reported, never changed here."""
    if not animals:
        return
    standing = {row["specimen_id"]: row for row in specimens(ledger)}
    for animal in animals:
        there = standing.get(animal.specimen_id)
        given = {name: value for name, value in animal.values().items() if value is not None}
        if there is None:
            try:
                add_specimen(ledger, animal)
            except LedgerError as error:
                progress.refused.append(Refusal(where=animal.specimen_id, why=str(error)))
        elif any(there[name] != value for name, value in given.items()):
            changed = ", ".join(name for name, value in given.items() if there[name] != value)
            why = f"the ledger has another {changed}; it was left as it is (crestgauge import --correct)"
            progress.refused.append(Refusal(where=f"specimen {animal.specimen_id}", why=why))


def _count(progress: Progress, item: Item, outcome: Outcome, verdict: str) -> None:
    if outcome.kind == "known":
        progress.done_before += 1
        return
    if outcome.kind != "reading" or outcome.reading is None:
        progress.failed += 1
        progress.refused.append(Refusal(where=item.location, why=outcome.message or outcome.kind))
        return
    if verdict == "conflict":
        why = f"the card says {outcome.card_id}, the list says {item.specimen_id}; the list was kept"
        progress.refused.append(Refusal(where=item.location, why=why))
    if verdict == "known":
        progress.done_before += 1
        return
    progress.read += 1
    heap = outcome_heap(outcome)
    setattr(progress, heap, getattr(progress, heap) + 1)


def outcome_heap(outcome: Outcome) -> str:
    """clear, borderline or retake."""
    return str(json.loads(outcome.reading or "{}")["outcome"])


def _timed(progress: Progress, started: float) -> Progress:
    progress.seconds = time.monotonic() - started
    return progress
