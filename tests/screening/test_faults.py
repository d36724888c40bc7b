"""
Power cuts, full disks, locks and kills: nothing lost, nothing doubled, each said plainly.

The run under test is a process of its own, ended by SIGKILL at random moments, which is what a power cut is
to a program; that a commit reaches the disk is SQLite's promise with synchronous = FULL, set when a ledger is
opened.
"""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
import sqlalchemy as sa
from screen_help import save_meadow

from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger.record import add_specimen
from crestgauge.inference.ledger.specimen import Specimen
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base
from crestgauge.inference.pipeline import Reader
from crestgauge.inference.screening.pool import read_here
from crestgauge.inference.screening.run import ScreenOptions, screen
from crestgauge.inference.screening.sources import find_photos

T = Base.metadata.tables


def rows(place, columns="p.sha256, r.id, r.recorded_at", where=""):
    """Readings as SQLite itself sees them, also while nobody of ours has the file open."""
    connection = sqlite3.connect(place)
    try:
        query = f"SELECT {columns} FROM readings r JOIN photos p ON p.id = r.photo_id {where} ORDER BY r.id"
        return connection.execute(query).fetchall()
    finally:
        connection.close()


def command(folder, place, manifest, *more):
    arguments = ["screen", str(folder), "--ledger", str(place), "--manifest", str(manifest), *more]
    return [sys.executable, "-m", "crestgauge.cli", *arguments]


def is_running(pid: int) -> bool:
    """Whether a process is there and no zombie that waits to be fetched."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def children(pid: int) -> list[int]:
    try:
        return [int(c) for c in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def kill_storm(folder, place, manifest, *, kills, seed):
    """
    Start the run, kill its parent or one of its workers at a random moment, start it again; then let it
    finish.

    Returns how often it was killed before it ended by itself.
    """
    rng = random.Random(seed)
    seen: dict[str, tuple[int, str]] = {}
    done = 0
    for k in range(kills):
        process = subprocess.Popen(
            command(folder, place, manifest, "--workers", "2"),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + rng.uniform(0.5, 9.0)
        while time.monotonic() < deadline and process.poll() is None:
            time.sleep(0.05)
        workers = children(process.pid)
        if k % 3 == 2 and workers:
            os.kill(rng.choice(workers), signal.SIGKILL)  # a worker: the run goes on by itself
            process.wait(timeout=300)
        elif process.poll() is None:
            process.kill()
            process.wait()
        done += 1
        if place.exists():
            for sha256, row, stamp in rows(place):
                # Every reading that was there before is still there, as it was.
                assert seen.setdefault(sha256, (row, stamp)) == (row, stamp)
            assert set(seen) == {sha256 for sha256, *_ in rows(place)}
        for worker in workers:
            give_up = time.monotonic() + 60
            while is_running(worker):
                assert time.monotonic() < give_up, "a worker outlived its parent"
                time.sleep(0.05)
    return done


@pytest.fixture
def many(tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    for k in range(12):
        save_meadow(folder / f"m{k:02}.jpg", k)
    (folder / "m05-broken.jpg").write_bytes((folder / "m05.jpg").read_bytes()[:700])
    return folder


def finish_and_check(many, place, manifest):
    """The last run ends by itself: each photo has exactly one reading, the broken one exactly one failure."""
    last = subprocess.run(command(many, place, manifest, "--workers", "2"), capture_output=True, text=True)
    assert last.returncode == 3, last.stderr
    assert len(rows(place)) == 12
    assert len({sha256 for sha256, *_ in rows(place)}) == 12
    connection = sqlite3.connect(place)
    assert connection.execute("SELECT count(*) FROM failures").fetchone() == (1,)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc to find workers")
def test_killed_at_a_few_random_moments(many, manifest, tmp_path):
    """Three kills, the third of a worker; 20 with `pytest -m slow`."""
    assert kill_storm(many, tmp_path / "l.db", manifest, kills=3, seed=4) == 3
    finish_and_check(many, tmp_path / "l.db", manifest)


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc to find workers")
def test_killed_at_twenty_random_moments(many, manifest, tmp_path):
    for storm in range(4):
        place = tmp_path / f"l{storm}.db"
        assert kill_storm(many, place, manifest, kills=5, seed=100 + storm) == 5
        finish_and_check(many, place, manifest)


def test_corrupt_photo_in_the_middle(many, options, ledger):
    progress = screen(
        find_photos([str(many)]),
        ledger,
        ScreenOptions(read=options),
        read=partial(read_here, reader=Reader(options)),
    )
    assert (progress.read, progress.failed) == (12, 1)
    assert [r.where.rsplit("/", 1)[-1] for r in progress.refused] == ["m05-broken.jpg"]


def test_locked_ledger_is_said_and_nothing_is_written(tmp_path):
    place = str(tmp_path / "l.db")
    with Ledger(place) as ledger:
        add_specimen(ledger, Specimen(specimen_id="A"))
    other = sqlite3.connect(place, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with Ledger(place, busy_timeout_s=0.2) as ledger:
        with pytest.raises(LedgerError, match=r"write lock.*nothing was written"):
            add_specimen(ledger, Specimen(specimen_id="B"))
        with ledger.reading() as connection:  # looking is still possible
            assert connection.execute(sa.select(sa.func.count()).select_from(T["specimens"])).scalar() == 1
        other.execute("ROLLBACK")
        other.close()
        add_specimen(ledger, Specimen(specimen_id="B"))


FULL_DISK = """
import resource, sys
from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger.record import add_specimen
from crestgauge.inference.ledger.specimen import Specimen
from crestgauge.inference.ledger.store import Ledger
ledger = Ledger(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), int(sys.argv[2])))
for k in range(100000):
    try:
        add_specimen(ledger, Specimen(specimen_id=f"S-{k}", note="x" * 500))
    except LedgerError as error:
        print(k); print(error); break
"""


def test_full_disk_keeps_what_was_written(tmp_path):
    """
    A limit on file size stands for the full disk: SQLite meets it as a failed write. The rows told of are
    there.
    """
    place = tmp_path / "l.db"
    ended = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(place), "600000"], capture_output=True, text=True, check=True
    )
    written, words = ended.stdout.splitlines()
    assert "disk" in words
    assert "safe" in words
    connection = sqlite3.connect(place)
    assert connection.execute("SELECT count(*) FROM specimens").fetchone()[0] == int(written) > 10
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


@pytest.mark.slow
@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small disk needs root")
def test_really_full_disk(tmp_path):
    """The same on a tmpfs of 1 MB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(disk)], capture_output=True
    ).returncode:
        pytest.skip("no permission to mount a tmpfs")
    try:
        script = FULL_DISK.replace("resource.setrlimit", "(lambda *_: None)")
        ended = subprocess.run(
            [sys.executable, "-c", script, str(disk / "l.db"), "0"],
            capture_output=True,
            text=True,
            check=True,
        )
        written, words = ended.stdout.splitlines()
        assert "disk is full" in words
        connection = sqlite3.connect(disk / "l.db")
        assert connection.execute("SELECT count(*) FROM specimens").fetchone()[0] == int(written) > 10
        connection.close()
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


READ_ONLY = """
import os, sys
from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger.queries import specimens
from crestgauge.inference.ledger.record import add_specimen
from crestgauge.inference.ledger.specimen import Specimen
from crestgauge.inference.ledger.store import Ledger
if os.geteuid() == 0:
    os.setgid(65534); os.setuid(65534)
for work in (lambda l: add_specimen(l, Specimen(specimen_id="B")), lambda l: print(len(specimens(l)))):
    try:
        with Ledger(sys.argv[1]) as ledger:
            work(ledger)
    except LedgerError as error:
        print(error)
"""


def test_read_only_folder_is_said(tmp_path):
    """As a user who may not write there; root is made to be nobody first."""
    folder = tmp_path / "fixed"
    folder.mkdir()
    with Ledger(str(folder / "l.db")) as ledger:
        add_specimen(ledger, Specimen(specimen_id="A"))
    everybodys = Path(tempfile.gettempdir())
    for above in (folder, *(each for each in folder.parents if everybodys in each.parents)):
        above.chmod(above.stat().st_mode | 0o055)
    (folder / "l.db").chmod(0o444)
    folder.chmod(0o555)
    for name in ("l.db", "new.db"):
        ended = subprocess.run(
            [sys.executable, "-c", READ_ONLY, str(folder / name)], capture_output=True, text=True, check=True
        )
        lines = ended.stdout.splitlines()
        assert "read-only" in lines[0] or "cannot be opened" in lines[0], ended.stdout
        assert "Check" in lines[0] or "Change" in lines[0]
    folder.chmod(0o755)
    with Ledger(str(folder / "l.db")) as ledger, ledger.reading() as connection:
        assert connection.execute(sa.select(T["specimens"].c.specimen_id)).scalars().all() == ["A"]


def test_clock_going_backwards_during_a_run(many, options, tmp_path):
    """
    The clock is set back a day in the middle: all is read once, rows keep their order, and the rows say it.
    """
    now = datetime(2026, 11, 20, tzinfo=UTC)
    ticks = iter(
        now + timedelta(seconds=k) - (timedelta(days=1) if k > 20 else timedelta(0)) for k in range(1000)
    )
    with Ledger(str(tmp_path / "l.db"), clock=lambda: next(ticks)) as ledger:
        read = partial(read_here, reader=Reader(options))
        progress = screen(find_photos([str(many)]), ledger, ScreenOptions(read=options), read=read)
        assert progress.read == 12
        with ledger.reading() as connection:
            table = T["readings"]
            told = connection.execute(sa.select(table.c.clock_back).order_by(table.c.id)).scalars().all()
        again = screen(find_photos([str(many)]), ledger, ScreenOptions(read=options), read=read)
        assert again.read == 0
    assert told == sorted(told)
    assert 0 < sum(told) < 12
