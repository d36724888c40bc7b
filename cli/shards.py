"""
``crestgauge screen-shard`` and ``screen-collect``: bulk reading as a job array, without a ledger in reach.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from crestgauge.cli.app import EXIT_OK, EXIT_SOME_FAILED, app
from crestgauge.cli.screen import LedgerOption, ManifestOption, WeightsOption, parse_shard


@app.command("screen-shard")
def screen_shard(
    places: Annotated[
        list[str], typer.Argument(metavar="PLACE...", help="As for screen; the same for every shard.")
    ],
    shard: Annotated[str, typer.Option(metavar="I/N", help="Read part I of N.")],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for part files, shared by all shards.")],
    workers: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Reading processes; default: all cores.")
    ] = None,
    criteria: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Another key than the shipped one.")
    ] = None,
    weights: WeightsOption = None,
    manifest: ManifestOption = None,
) -> None:
    """
    Read part I of N of the photos into part files; needs no ledger and no connection to other shards.

    Started again it goes on where it stopped: photos in whole part files are not read again.

    \b
    Example:  crestgauge screen-shard photos.csv --shard 3/64 --out parts
    Exit status:  0 every photo has a reading   2 wrong usage, nothing started   3 some files failed
    """
    from crestgauge.inference.pipeline import Reader, ReadOptions, pinned
    from crestgauge.inference.screening.cluster import read_parts, write_parts
    from crestgauge.inference.screening.pool import read_all
    from crestgauge.inference.screening.run import reader_factory
    from crestgauge.inference.screening.sources import find_photos

    index, count = parse_shard(shard)
    options = pinned(ReadOptions(criteria=criteria, weights=weights, manifest=manifest, threads=1))
    versions = Reader(options).versions
    done: set[str] = set()
    if out.is_dir():
        same = (versions.model, versions.criteria)
        done = {item.location for item, _, *made in read_parts(out) if tuple(made) == same}
    items = [item for item in find_photos(places).items[index - 1 :: count] if item.location not in done]
    read = partial(read_all, make_reader=reader_factory(options), workers=workers or _cores())
    name = f"shard-{index:05d}-of-{count:05d}"
    failed = 0
    for _, outcome in write_parts(
        read(items), out, name=name, model=versions.model, criteria=versions.criteria
    ):
        failed += outcome.kind != "reading"
        if outcome.message:
            typer.echo(outcome.message, err=True)
    typer.echo(f"{out}: {len(items) - failed} read now, {failed} failed, shard {index} of {count}.")
    raise typer.Exit(EXIT_SOME_FAILED if failed else EXIT_OK)


@app.command("screen-collect")
def screen_collect(
    parts: Annotated[Path, typer.Argument(metavar="DIR", help="Folder with part files.")],
    ledger: LedgerOption,
    by: Annotated[
        str, typer.Option(metavar="NAME", help="Who writes, kept on every row.")
    ] = "crestgauge screen-collect",
) -> None:
    """
    Put the readings of all part files into a ledger; what is there already is left alone.

    \b
    Example:  crestgauge screen-collect parts --ledger season.db
    Exit status:  0 collected   2 wrong usage or a damaged part, named
    """
    from crestgauge.inference.ledger.store import Ledger
    from crestgauge.inference.screening.cluster import collect_parts

    with Ledger(ledger, by=by) as opened:
        counts = collect_parts(parts, opened)
    typer.echo(
        f"{parts}: {counts['new'] + counts['conflict']} added, {counts['known']} in the ledger before."
    )


def _cores() -> int:
    import os

    return os.cpu_count() or 1
