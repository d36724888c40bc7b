"""
The same reading on other machines: on a dask cluster, or as a job array that writes part files.

Photos stay where the workers are: they read them from any place that `read_bytes` understands, hash them,
leave out what the ledger has, and send back readings. Only the driver writes to the ledger. A shard whose
worker dies is run again elsewhere by dask; one that keeps killing workers is taken apart until the photo that
does it is found.
"""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.errors import ExchangeError, PhotoError
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.screening.outcome import Outcome, PhotoReader, keep, read_item
from crestgauge.inference.screening.pool import ReaderFactory, pin_threads
from crestgauge.inference.screening.sources import Item, read_bytes

SHARD: Final = 64
"""
Photos a task. At half a second each a lost worker costs half a minute at most; one task costs dask 1 ms.
"""
SHARDS_PER_WORKER: Final = 2
"""
Tasks handed out ahead, so that no worker waits for the driver and no list of a million photos lies in memory.
"""
LOCAL: Final = "local"
TELL_TRIES: Final = 5
PARTS_SCHEMA: Final = "crestgauge.parts/1"


def read_shard(items: list[Item], make_reader: ReaderFactory) -> list[Outcome]:
    """
    Read photos one after the other; the task that runs on a worker.

    Photos among `KnownHere` are not read: their outcome has the kind "known".
    """
    pin_threads()
    reader = _reader(pickle.dumps(make_reader))
    return [_known(item) or read_item(reader, item) for item in items]


@lru_cache(maxsize=2)
def _reader(factory: bytes) -> PhotoReader:
    """One reader per process and set of options, kept from task to task."""
    made: PhotoReader = pickle.loads(factory)()
    return made


class KnownHere:
    """Hashes that need no reading in this process; set by the plugin that dask runs on every worker."""

    hashes: frozenset[bytes] = frozenset()


def _known(item: Item) -> Outcome | None:
    if not KnownHere.hashes:
        return None
    try:
        sha256 = hashlib.sha256(read_bytes(item.location)).hexdigest()
    except PhotoError:
        return None  # reading it says why
    if bytes.fromhex(sha256) not in KnownHere.hashes:
        return None
    return Outcome(location=item.location, kind="known", sha256=sha256)


@contextmanager
def dask_client(address: str, *, workers: int | None = None) -> Iterator[Any]:
    """
    A connection to a dask scheduler, or, for "local", a cluster of processes on this machine.

    Raises
    ------
    ExchangeError
        If dask is missing or the scheduler cannot be reached.
    """
    try:
        import distributed
    except ImportError as error:
        raise ExchangeError('dask is not installed. Run: pip install "crestgauge[cluster]"') from error
    cluster = None
    try:
        if address == LOCAL:
            count = workers or os.cpu_count() or 1
            cluster = distributed.LocalCluster(
                n_workers=count, threads_per_worker=1, dashboard_address="127.0.0.1:0"
            )
        client = distributed.Client(cluster or address, timeout=30)
    except (OSError, ValueError) as error:
        raise ExchangeError(
            f"dask scheduler {address}: cannot be reached ({error}). Check address and port."
        ) from error
    try:
        yield client
    finally:
        client.close()
        if cluster is not None:
            cluster.close()


def read_on_dask(
    items: Iterable[Item],
    make_reader: ReaderFactory,
    client: Any,
    *,
    known: frozenset[str] = frozenset(),
    shard: int = SHARD,
) -> Iterator[tuple[Item, Outcome]]:
    """
    Read photos on a dask cluster; outcomes come shard by shard, in no fixed order.

    Parameters
    ----------
    client : distributed.Client
    known : frozenset of str
        Sent to every worker once. [sha256]
    shard : int
        Photos a task.

    Yields
    ------
    Item and Outcome
        Each item exactly once.
    """
    from distributed import KilledWorker, as_completed

    source = iter(items)
    _tell_known(client, known)
    pending: dict[Any, list[Item]] = {}
    done = as_completed()

    def submit(part: list[Item]) -> None:
        future = client.submit(read_shard, part, make_reader, pure=False)
        pending[future] = part
        done.add(future)

    def fill() -> None:
        ahead = SHARDS_PER_WORKER * max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
        while len(pending) < ahead and (part := list(islice(source, shard))):
            submit(part)

    fill()
    while pending:
        future = next(done)
        part = pending.pop(future)
        try:
            outcomes = future.result()
        except KilledWorker:
            if len(part) > 1:
                middle = len(part) // 2
                submit(part[:middle])
                submit(part[middle:])
            else:
                why = f"{part[0].location}: every worker that read it died (killed, or out of memory)."
                yield (
                    part[0],
                    Outcome(location=part[0].location, kind="killed", sha256=_hash(part[0]), message=why),
                )
        else:
            yield from zip(part, outcomes, strict=True)
        future.release()
        fill()


def _tell_known(client: Any, known: frozenset[str]) -> None:
    """
    Send the hashes to every worker.

    By a plugin, and not as scattered data: it also reaches workers that join later, or come back after they
    were killed. A worker that dies just now breaks the sending; it is tried again with those that are left.
    """
    from crestgauge.inference.screening.dask_plugin import KnownHashes

    for attempt in range(TELL_TRIES):
        try:
            client.register_plugin(KnownHashes(known), name="crestgauge-known")
            return
        except OSError as error:
            if attempt == TELL_TRIES - 1:
                raise ExchangeError(
                    f"dask workers cannot be reached ({error}). Look at the cluster's log."
                ) from error
            time.sleep(2.0)


def _hash(item: Item) -> str | None:
    try:
        return hashlib.sha256(read_bytes(item.location)).hexdigest()
    except PhotoError:
        return None


def write_parts(
    read: Iterable[tuple[Item, Outcome]],
    folder: Path,
    *,
    name: str,
    model: str,
    criteria: str,
    size: int = SHARD,
) -> Iterator[tuple[Item, Outcome]]:
    """
    Write outcomes into part files of ``size`` photos, and hand them on.

    A part is written under a temporary name, synced and renamed, so it is whole or not there.

    Parameters
    ----------
    name : str
        Of the shard; parts are called ``<name>-<number>.jsonl``.

    Raises
    ------
    ExchangeError
        If the folder cannot be written.
    """
    source, number = iter(read), _next_number(folder, name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        while part := list(islice(source, size)):
            head = {"schema": PARTS_SCHEMA, "model": model, "criteria": criteria}
            lines = [json.dumps(head), *(_line(item, outcome) for item, outcome in part)]
            path = folder / f"{name}-{number:06d}.jsonl"
            with open(f"{path}.part", "w", encoding="utf-8") as file:
                file.write("\n".join(lines) + "\n")
                file.flush()
                os.fsync(file.fileno())
            os.replace(f"{path}.part", path)
            number += 1
            yield from part
    except OSError as error:
        raise ExchangeError(
            f"{folder}: part cannot be written ({error.strerror}). Free space, run again."
        ) from error


def read_parts(folder: Path) -> Iterator[tuple[Item, Outcome, str, str]]:
    """
    Every outcome of every whole part file, with model and criteria.

    Raises
    ------
    ExchangeError
        If the folder is not there or a part is damaged.
    """
    if not folder.is_dir():
        raise ExchangeError(f"{folder}: is no folder; needs one with part files.")
    for path in sorted(folder.glob("*.jsonl")):
        lines = path.read_text(encoding="utf-8").splitlines()
        try:
            head = json.loads(lines[0])
            if head["schema"] != PARTS_SCHEMA:
                raise ValueError(head["schema"])
            for line in lines[1:]:
                entry = json.loads(line)
                item = Item(location=entry["location"], specimen_id=entry["specimen_id"])
                yield item, Outcome.from_json(entry["outcome"]), head["model"], head["criteria"]
        except (ValueError, KeyError, TypeError, IndexError) as error:
            raise ExchangeError(
                f"{path}: is no part file ({error}). Remove it and read that shard again."
            ) from error


def collect_parts(folder: Path, ledger: Ledger) -> dict[str, int]:
    """
    Put every outcome of the part files into the ledger; what is there already is left alone.

    Returns
    -------
    dict of str to int
        "new", "known", "conflict" (card and list name different animals).
    """
    counts = {"new": 0, "known": 0, "conflict": 0}
    for item, outcome, model, criteria in read_parts(folder):
        counts[keep(ledger, item, outcome, model=model, criteria=criteria)] += 1
    return counts


def _line(item: Item, outcome: Outcome) -> str:
    return json.dumps(
        {"location": item.location, "specimen_id": item.specimen_id, "outcome": outcome.to_json()},
        ensure_ascii=False,
    )


def _next_number(folder: Path, name: str) -> int:
    numbers = [int(path.stem.rsplit("-", 1)[1]) for path in folder.glob(f"{name}-*.jsonl")]
    return max(numbers, default=-1) + 1
