"""
Reading what was uploaded: one photo after the other in a process of its own, each filed at once.

Edge module: starts processes, writes to the ledger. A photo is safe (stored, and noted as a job) before its
upload is answered; a job that a stopped server left behind is read when the server starts again. Each lane is
one thread that drives one worker process of the pool for bulk reading, which is replaced where it dies.
"""

from __future__ import annotations

import copy
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import sqlalchemy as sa

from crestgauge.cli.review.errors import Refused
from crestgauge.cli.review.state import Job, JobState, State
from crestgauge.inference.confirm.photo_files import Stored
from crestgauge.inference.confirm.station import STAGES
from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base, standing
from crestgauge.inference.screening.outcome import Outcome, keep
from crestgauge.inference.screening.pool import ReaderFactory, WorkersFailed, read_all
from crestgauge.inference.screening.sources import Item

MOST_WAITING: Final = 400
"""Photos that wait to be read at most: some 20 minutes of one core. They lie on disk, not in memory."""
FILE_TRIES: Final = 3
FILE_PAUSE_S: Final = 2.0
"""A locked or full ledger is asked again, after a pause."""
_T = Base.metadata.tables
_CHECKING, _READING, _FILING = 1, 2, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class JobView:
    """
    A job as its page shows it.

    Parameters
    ----------
    state : "waiting", "reading", "done" or "failed"
    stage : int
        Index into ``stages``.
    words : str
        Where it stands, in a sentence.
    error : str
        Why it failed.
    photo_id : int or None
        Once it is filed.
    """

    job: str
    state: str
    stage: int
    stages: tuple[str, ...]
    words: str
    error: str
    specimen_id: str
    photo_id: int | None

    def to_dict(self) -> dict[str, Any]:
        """As plain JSON values."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__} | {"stages": [*self.stages]}


class Jobs:
    """
    The jobs of one ledger.

    Parameters
    ----------
    ledger : Ledger
    state : State
    make_reader : callable
        Makes a reader in a worker process; picklable.
    model, criteria : str
        What readings by it call their versions.
    lanes : int
        Photos read at the same time.
    on_filed : callable
        Called with the photo's row once it is filed, in the lane's thread.
    """

    def __init__(
        self,
        ledger: Ledger,
        state: State,
        make_reader: ReaderFactory,
        *,
        model: str,
        criteria: str,
        lanes: int = 1,
        on_filed: Callable[[int], None] = lambda _: None,
    ) -> None:
        self.ledger, self.state, self.make_reader = ledger, state, make_reader
        self.model, self.criteria, self.lanes, self.on_filed = model, criteria, lanes, on_filed
        self._changed = threading.Condition()
        self._waiting: deque[Job] = deque(state.open_jobs())
        self._stage: dict[str, int] = {}
        self._threads: list[threading.Thread] = []
        self._stop = False
        self._unwritten: dict[str, Job] = {}

    def start(self) -> None:
        """Start the readers, unless they run; they take a few seconds until they can read."""
        with self._changed:
            if self._threads or self._stop:
                return
            self._threads = [
                threading.Thread(target=self._lane, name=f"reading {i + 1}", daemon=True)
                for i in range(self.lanes)
            ]
            for thread in self._threads:
                thread.start()

    def start_if_needed(self) -> None:
        """Start the readers if jobs wait that a stopped server left."""
        if self._waiting:
            self.start()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Let the readers end; what waits is read when the server starts again."""
        with self._changed:
            self._stop = True
            self._changed.notify_all()
        until = time.monotonic() + timeout_s
        for thread in self._threads:
            thread.join(max(0.0, until - time.monotonic()))

    def check_room(self) -> None:
        """
        Raises
        ------
        Refused
            If so many photos wait that one more had better wait on the phone.
        """
        if len(self._waiting) >= MOST_WAITING:
            raise Refused(
                503, f"{MOST_WAITING} photos wait to be read. Keep yours and send it later.", retry_s=60
            )

    def add(self, stored: Stored, specimen_id: str, person: str) -> Job:
        """
        Note a stored photo to be read and filed under an animal. Once this returns it is not lost.
        """
        job = Job(
            id=secrets.token_urlsafe(16),
            created=time.time(),
            sha256=stored.sha256,
            location=stored.location,
            specimen_id=specimen_id,
            person=person,
            state="waiting",
        )
        self.state.add_job(job)
        with self._changed:
            self._waiting.append(job)
            self._changed.notify()
        self.start()
        return job

    def view(self, job_id: str) -> JobView | None:
        """How far a job is; None where there is no such job."""
        job = self._unwritten.get(job_id) or self.state.job(job_id)
        if job is None:
            return None
        stage, words, shown = _CHECKING, "", "waiting"
        if job.state == "done":
            stage, shown, words = len(STAGES), "done", job.words or f"Filed under {job.specimen_id}."
        elif job.state in ("failed", "stuck"):
            stage, shown = self._stage.get(job.id, _READING), "failed"
        elif job.id in self._stage:
            stage, shown = self._stage[job.id], "reading"
            words = f"{STAGES[stage].capitalize()} …"
        else:
            words = self._place_words(job.id)
        return JobView(
            job=job.id,
            state=shown,
            stage=stage,
            stages=STAGES,
            words=words,
            error=job.words if shown == "failed" else "",
            specimen_id=job.specimen_id,
            photo_id=job.photo_id,
        )

    def _place_words(self, job_id: str) -> str:
        with self._changed:
            before = next((i for i, job in enumerate(self._waiting) if job.id == job_id), 0)
        if before == 0:
            return "The photo is safe on the computer; it is read next."
        return f"The photo is safe on the computer; {before} before it."

    def _lane(self) -> None:
        """Body of a lane's thread."""
        current: list[Job] = []

        def items() -> Iterator[Item]:
            while (job := self._take()) is not None:
                current[:] = [job]
                if self._known(job):
                    self._file(job, Outcome(location=job.location, kind="known", sha256=job.sha256))
                    continue
                yield Item(location=job.location, specimen_id=job.specimen_id, sha256=job.sha256)

        while True:
            try:
                for _, outcome in read_all(items(), self.make_reader, workers=1):
                    self._file(current[0], outcome)
                return
            except WorkersFailed as error:
                self._give_up([*current, *self._drain()], f"No photo can be read on this computer: {error}")
            except Exception as error:  # one job must not end the lane; the traceback goes to the terminal
                words = f"The photo is safe, but reading it failed ({type(error).__name__})."
                self._give_up(current, words)
                told = threading.ExceptHookArgs((type(error), error, error.__traceback__, None))
                threading.excepthook(told)
            current.clear()
            if not self._wait_for_work():
                return

    def _wait_for_work(self) -> bool:
        """Wait until a job waits; False when the server stops."""
        with self._changed:
            while not self._waiting and not self._stop:
                self._changed.wait()
            return not self._stop

    def _drain(self) -> list[Job]:
        """All that waits, taken out."""
        with self._changed:
            jobs = list(self._waiting)
            self._waiting.clear()
            return jobs

    def _give_up(self, jobs: list[Job], words: str) -> None:
        for job in jobs:
            self._end(job, "stuck", words=words)

    def _take(self) -> Job | None:
        """The next job, waiting for one; None when the server stops."""
        with self._changed:
            if not self._wait_for_work():
                return None
            job = self._waiting.popleft()
            self._stage[job.id] = _READING
            return job

    def _known(self, job: Job) -> bool:
        """Whether the ledger has a reading of these bytes by this model and key."""
        readings, photos = _T["readings"], _T["photos"]
        query = (
            sa.select(readings.c.id)
            .join(photos, photos.c.id == readings.c.photo_id)
            .where(photos.c.sha256 == job.sha256, readings.c.model_version == self.model)
            .where(readings.c.criteria_version == self.criteria)
        )
        with self.ledger.reading() as connection:
            return connection.execute(query).first() is not None

    def _file(self, job: Job, outcome: Outcome) -> None:
        """Put what came out into the ledger, in one transaction, and then say so."""
        self._stage[job.id] = _FILING
        item = Item(location=job.location, specimen_id=job.specimen_id, sha256=job.sha256)
        ledger = _written_by(self.ledger, job.person)
        for attempt in range(1, FILE_TRIES + 1):
            try:
                keep(ledger, item, outcome, model=self.model, criteria=self.criteria, source="person")
                break
            except LedgerError as error:
                if attempt == FILE_TRIES or self._stop:
                    words = f"The photo is safe, but could not be filed. {error}"
                    self._end(job, "stuck", words=f"{words} It is tried again when the server starts.")
                    return
                time.sleep(FILE_PAUSE_S)
        if outcome.kind not in ("reading", "known"):
            self._end(job, "failed", words=plain_reason(outcome))
            return
        photo_id, animal = self._filed(job.sha256)
        words = f"Filed under {job.specimen_id}."
        if animal != job.specimen_id:
            words = f"This very photo was filed before, under {animal}; it stays there."
        self._end(job, "done", words=words, photo_id=photo_id)
        if photo_id is not None:
            self.on_filed(photo_id)

    def _filed(self, sha256: str) -> tuple[int | None, str | None]:
        """Photo and animal of a hash, as the ledger has them now."""
        photos, links = _T["photos"], _T["photo_links"]
        query = (
            sa.select(photos.c.id, links.c.specimen_id)
            .select_from(
                photos.outerjoin(links, sa.and_(links.c.sha256 == photos.c.sha256, standing("photo_links")))
            )
            .where(photos.c.sha256 == sha256)
        )
        with self.ledger.reading() as connection:
            found = connection.execute(query).first()
        return (None, None) if found is None else (found[0], found[1])

    def _end(self, job: Job, state: JobState, *, words: str = "", photo_id: int | None = None) -> None:
        try:
            self.state.end_job(job, state, words=words, photo_id=photo_id)
        except LedgerError:
            # A full disk must not end the lane. The job stays open on disk, so it is looked at again after a
            # restart, and the ledger then tells that it was filed.
            self._unwritten[job.id] = replace(job, state=state, words=words, photo_id=photo_id)
        self._stage.pop(job.id, None)


def plain_reason(outcome: Outcome) -> str:
    """Why there is no reading, without the place on this computer where the photo lies."""
    words = (outcome.message or "no reason given").removeprefix(outcome.location)
    words = words.replace(outcome.location, "the photo").lstrip(": ")
    return f"The photo cannot be read: {words}"


def _written_by(ledger: Ledger, person: str) -> Ledger:
    """The same ledger, writing in a person's name."""
    if not person:
        return ledger
    named = copy.copy(ledger)
    named.by = f"{person} (review page)"
    return named
