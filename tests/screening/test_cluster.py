"""
The same readings on a dask cluster as here, photo by photo, also when a worker is killed; and by part files.
"""

from __future__ import annotations

import os
import signal
from functools import partial

import pytest
import sqlalchemy as sa
from screen_help import mortal, save_meadow

from crestgauge.cli.__main__ import main
from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base
from crestgauge.inference.pipeline import Reader
from crestgauge.inference.screening.cluster import dask_client, read_on_dask
from crestgauge.inference.screening.pool import read_here
from crestgauge.inference.screening.run import ScreenOptions, reader_factory, screen
from crestgauge.inference.screening.sources import find_photos

T = Base.metadata.tables
# Sockets and loops that a killed worker leaves behind are closed by the garbage collector, with a warning.
pytestmark = [
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
]


def readings(ledger):
    """JSON text of each reading by the photo's hash."""
    query = sa.select(T["photos"].c.sha256, T["readings"].c.reading).join(T["readings"])
    with ledger.reading() as connection:
        return {sha256: text for sha256, text in connection.execute(query)}


@pytest.fixture
def meadows(tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    for k in range(8):
        save_meadow(folder / f"{'once' if k == 5 else 'm'}{k}.jpg", k)
    (folder / "text.jpg").write_text("no picture")
    return folder


def test_dask_reads_the_same_and_survives_killed_workers(meadows, manifest, options, tmp_path):
    """
    One worker kills itself on a photo, another is killed from outside; every reading is that of a local run.
    """
    pytest.importorskip("distributed")
    with Ledger(str(tmp_path / "local.db")) as local:
        screen(
            find_photos([str(meadows)]),
            local,
            ScreenOptions(read=options),
            read=partial(read_here, reader=Reader(options)),
        )
        expected = readings(local)
    assert len(expected) == 8
    with Ledger(str(tmp_path / "dask.db")) as ledger, dask_client("local", workers=2) as client:
        pids = list(client.run(os.getpid).values())
        factory = mortal(manifest, tmp_path)

        def read(items, known):
            for count, result in enumerate(read_on_dask(items, factory, client, known=known, shard=2)):
                if count == 0:
                    os.kill(pids[0], signal.SIGKILL)
                yield result

        progress = screen(
            find_photos([str(meadows)]), ledger, ScreenOptions(read=options), read=read, elsewhere=True
        )
        assert (progress.read, progress.failed) == (8, 1)
        assert readings(ledger) == expected
        read = partial(read_on_dask, make_reader=reader_factory(options), client=client)
        again = screen(
            find_photos([str(meadows)]), ledger, ScreenOptions(read=options), read=read, elsewhere=True
        )
        assert (again.read, again.failed, again.done_before, again.failed_before) == (0, 0, 8, 1)


def test_part_files_of_two_shards(meadows, manifest, options, tmp_path, capsys):
    """Each shard reads its half, started again it reads nothing; collected twice, nothing is doubled."""
    parts, place = tmp_path / "parts", str(tmp_path / "l.db")
    for index in (1, 2):
        arguments = [
            "screen-shard",
            str(meadows),
            "--shard",
            f"{index}/2",
            "--out",
            str(parts),
            "--workers",
            "1",
        ]
        assert main([*arguments, "--manifest", str(manifest)]) == (3 if index == 1 else 0)
    assert main([*arguments, "--manifest", str(manifest)]) == 0
    assert "0 read now" in capsys.readouterr().out
    assert main(["screen-collect", str(parts), "--ledger", place]) == 0
    assert "9 added, 0 in the ledger before" in capsys.readouterr().out
    assert main(["screen-collect", str(parts), "--ledger", place]) == 0
    assert "0 added, 9 in the ledger before" in capsys.readouterr().out
    with Ledger(place) as ledger:
        assert len(readings(ledger)) == 8
    (parts / "x-000000.jsonl").write_text('{"schema": "other"}\n')
    assert main(["screen-collect", str(parts), "--ledger", place]) == 2
    assert "x-000000.jsonl: is no part file" in capsys.readouterr().err


def test_scheduler_that_is_not_there():
    pytest.importorskip("distributed")
    with pytest.raises(ExchangeError, match="dask scheduler"), dask_client("no scheduler at all"):
        pass
