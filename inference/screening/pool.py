"""
Worker processes that may die: each reads one photo at a time, with one onnxruntime thread.

Not `concurrent.futures`: there one killed worker breaks the whole pool. Here a worker that dies is replaced,
its photo is tried once more, and a photo that kills its worker twice is reported and left alone. Workers end
when their parent does, because the pipe to it closes.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import Any, Final

from crestgauge.inference.screening.outcome import Outcome, PhotoReader, read_item
from crestgauge.inference.screening.sources import Item

ReaderFactory = Callable[[], PhotoReader]
"""
Makes a Reader in a worker; must be picklable, as `functools.partial(Reader, ReadOptions(threads=1))` is.
"""

MOST_TRIES: Final = 2
PHOTO_TIMEOUT_S: Final = 300.0
"""A photo that takes longer is given up. 120 megapixels take some 10 s on one slow core; ours."""
START_TIMEOUT_S: Final = 120.0
KILLED: Final = -9
"""Exit code of a process that SIGKILL ended; the signal has no name on Windows."""


@dataclass(slots=True)
class _Worker:
    process: Any
    pipe: Connection
    item: Item | None = None
    since: float = 0.0
    tries: int = 0
    ready: bool = False


class WorkersFailed(RuntimeError):
    """Workers cannot be started at all; the message is the reader's."""


def read_all(
    items: Iterable[Item], make_reader: ReaderFactory, *, workers: int, timeout_s: float = PHOTO_TIMEOUT_S
) -> Iterator[tuple[Item, Outcome]]:
    """
    Read photos in ``workers`` processes; outcomes come as they are done.

    Parameters
    ----------
    items : iterable of Item
        Taken one by one, so it may be a generator that waits for something.
    make_reader : callable
    workers : int
    timeout_s : float
        For one photo. [s]

    Yields
    ------
    Item and Outcome
        Each item exactly once.

    Raises
    ------
    WorkersFailed
        If a reader cannot be made (weights, criteria): no photo would fare better.
    """
    pool = _Pool(make_reader, timeout_s)
    source = iter(items)
    retry: list[tuple[Item, int]] = []
    try:
        pool.start(workers)
        exhausted = False
        while True:
            while (pool.idle and not exhausted) or (pool.idle and retry):
                if retry:
                    item, tries = retry.pop()
                else:
                    following = next(source, None)
                    if following is None:
                        exhausted = True
                        break
                    item, tries = following, 0
                pool.give(item, tries + 1)
            if not pool.busy and exhausted and not retry:
                return
            for item, tries, outcome, message in pool.collect():
                if outcome is not None:
                    yield item, outcome
                elif tries < MOST_TRIES:
                    retry.append((item, tries))
                else:
                    yield item, _killed(item, message)
    finally:
        pool.stop()


def read_here(items: Iterable[Item], reader: PhotoReader) -> Iterator[tuple[Item, Outcome]]:
    """
    Read photos one after the other in this process: for a task on a cluster, and where one worker is enough.
    """
    for item in items:
        yield item, read_item(reader, item)


def _killed(item: Item, why: str) -> Outcome:
    words = f"{item.location}: {why}"
    return Outcome(location=item.location, kind="killed", sha256=item.sha256, message=words)


class _Pool:
    """The processes, and which photo each of them holds."""

    def __init__(self, make_reader: ReaderFactory, timeout_s: float) -> None:
        self.make_reader, self.timeout_s = make_reader, timeout_s
        # spawn: onnxruntime, OpenCV and SQLite do not survive a fork of a process that has used them.
        self.context = multiprocessing.get_context("spawn")
        self.workers: list[_Worker] = []

    @property
    def idle(self) -> list[_Worker]:
        return [w for w in self.workers if w.ready and w.item is None]

    @property
    def busy(self) -> bool:
        return any(w.item is not None or not w.ready for w in self.workers)

    def start(self, count: int) -> None:
        for _ in range(count):
            ours, theirs = self.context.Pipe()
            process = self.context.Process(target=_work, args=(theirs, self.make_reader), daemon=True)
            process.start()
            theirs.close()
            self.workers.append(_Worker(process, ours, since=time.monotonic()))

    def give(self, item: Item, tries: int) -> None:
        worker = self.idle[0]
        worker.item, worker.tries, worker.since = item, tries, time.monotonic()
        try:
            worker.pipe.send(item)
        except OSError:
            pass  # it has just died; collect() finds its pipe closed and this item with it

    def collect(self) -> Iterator[tuple[Item, int, Outcome | None, str]]:
        """Wait for something to happen; outcomes of the photos that are done or lost (then None and why)."""
        waiting = [w for w in self.workers if w.item is not None or not w.ready]
        if not waiting:
            return
        wait([w.pipe for w in waiting], timeout=1.0)
        for worker in waiting:
            try:
                if worker.pipe.poll():
                    message = worker.pipe.recv()
                    if message == "ready":
                        worker.ready = True
                    elif isinstance(message, str):
                        raise WorkersFailed(message)
                    elif worker.item is not None:
                        item, tries = worker.item, worker.tries
                        worker.item = None
                        yield item, tries, message, ""
                    continue
            except (EOFError, OSError):
                yield from self._replace(worker, "its reading process died on it (killed, or out of memory).")
                continue
            limit = self.timeout_s if worker.ready else START_TIMEOUT_S
            if time.monotonic() - worker.since > limit:
                worker.process.kill()
                yield from self._replace(worker, f"took longer than {limit:g} s and was given up.")

    def _replace(self, worker: _Worker, why: str) -> Iterator[tuple[Item, int, Outcome | None, str]]:
        worker.pipe.close()
        worker.process.join(10)
        self.workers.remove(worker)
        if not worker.ready and worker.item is None and worker.process.exitcode not in (KILLED, None):
            raise WorkersFailed(
                f"a reading process ended with status {worker.process.exitcode} before it was ready."
            )
        self.start(1)
        if worker.item is not None:
            yield worker.item, worker.tries, None, why

    def stop(self) -> None:
        for worker in self.workers:
            worker.pipe.close()
        for worker in self.workers:
            worker.process.join(0.2)
            if worker.process.is_alive():
                worker.process.kill()
            worker.process.join(10)


def pin_threads() -> None:
    """
    One thread per process for everything that would start more: N processes of one thread beat one of N.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    import cv2

    cv2.setNumThreads(1)


def _work(pipe: Connection, make_reader: ReaderFactory) -> None:
    """Body of a worker process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to handle
    pin_threads()
    try:
        reader = make_reader()
    except Exception as error:
        pipe.send(f"{type(error).__name__}: {error}")
        return
    try:
        pipe.send("ready")
        while True:
            pipe.send(read_item(reader, pipe.recv()))
    except (EOFError, OSError):
        return  # the parent is gone
