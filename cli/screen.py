"""``crestgauge screen``: a season's folder in, three heaps and a ledger out."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from crestgauge.cli.app import EXIT_BROKEN, EXIT_OK, EXIT_SOME_FAILED, app
from crestgauge.inference.errors import ExchangeError, LedgerError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from crestgauge.inference.ledger.store import Ledger
    from crestgauge.inference.screening.run import Progress, ScreenOptions
    from crestgauge.inference.screening.sources import Found

MOST_REASONS = 20
"""Refused files named on the terminal; all of them are in failures.csv."""

LedgerOption = Annotated[
    str,
    typer.Option("--ledger", metavar="FILE_OR_URL", help="SQLite file (made if missing) or postgresql://..."),
]

WeightsOption = Annotated[
    str | None,
    typer.Option("--weights", metavar="NAME", help="Your own weights, or shipped (crestgauge weights list)."),
]
ManifestOption = Annotated[
    Path | None, typer.Option("--manifest", metavar="FILE", help="A manifest of other weights, by its path.")
]


@app.command()
def screen(
    places: Annotated[
        list[str],
        typer.Argument(
            metavar="PLACE...", help="Folders, archives, photos, CSV lists with a column photo, URLs."
        ),
    ],
    ledger: LedgerOption,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write the three heaps and the retake messages here.")
    ] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Reading processes; default: all cores.")
    ] = None,
    template: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Your text of the retake message (crestgauge screen-message)."),
    ] = None,
    criteria: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Another key than the shipped one.")
    ] = None,
    weights: WeightsOption = None,
    manifest: ManifestOption = None,
    shard: Annotated[str | None, typer.Option(metavar="I/N", help="Only part I of N of the photos.")] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help='Read on a dask cluster; "local" starts one here.')
    ] = None,
    retry: Annotated[bool, typer.Option("--retry-failures", help="Read again what failed before.")] = False,
    card_scale: Annotated[
        float, typer.Option(min=0.75, max=1.25, help="Printed over true size of the card (card --measured).")
    ] = 1.0,
    teeth_height: Annotated[
        float, typer.Option(metavar="MM", help="How far the teeth stood above the card in the photos.")
    ] = 0.0,
    by: Annotated[
        str, typer.Option(metavar="NAME", help="Who writes, kept on every row.")
    ] = "crestgauge screen",
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress bar.")] = False,
) -> None:
    """
    Read every photo in PLACE that the ledger does not have, and sort them into clear, borderline and retake.

    Can be stopped at any moment and started again: what is in the ledger is never read twice, nor lost. A bad
    file is reported and never stops the run. Every age is a proposal for a trained person to confirm.

    \b
    Example:  crestgauge screen season2026 --ledger season.db --out heaps
    Exit status:  0 every photo has a reading   1 stopped, the ledger cannot be written
                  2 wrong usage, nothing started   3 some files failed, each is named   130 stopped by Ctrl-C
    """
    from crestgauge.inference.ledger.store import Ledger
    from crestgauge.inference.pipeline import ReadOptions, pinned
    from crestgauge.inference.screening.report import check_template, write_heaps
    from crestgauge.inference.screening.run import ScreenOptions
    from crestgauge.inference.screening.sources import find_photos

    text = _template(template)
    if text is not None:
        check_template(text)
    options = ScreenOptions(
        read=pinned(
            ReadOptions(
                criteria=criteria,
                weights=weights,
                manifest=manifest,
                card_scale=card_scale,
                teeth_height_mm=teeth_height,
            )
        ),
        workers=workers,
        shard=None if shard is None else parse_shard(shard),
        retry_failures=retry,
    )
    found = find_photos(places)
    with Ledger(ledger, by=by) as opened:
        job = _Job(found=found, options=options, cluster=cluster, quiet=quiet)
        try:
            done = job.run(opened)
        except LedgerError as error:
            typer.echo(f"crestgauge screen: stopped. {error}", err=True)
            raise typer.Exit(EXIT_BROKEN) from error
        _say(done, found)
        if out is not None:
            rows = write_heaps(opened, out, template=text)
            typer.echo(f"{out}: " + ", ".join(f"{count} in {name}.csv" for name, count in rows.items()))
    bad = done.failed or done.failed_before or done.refused
    raise typer.Exit(EXIT_SOME_FAILED if bad else EXIT_OK)


@app.command("screen-message")
def screen_message() -> None:
    """
    Print the text of the retake message, to edit and give back with --template.

    \b
    Example:  crestgauge screen-message > message.txt
    Exit status:  0 printed
    """
    from crestgauge.inference.screening.report import default_template

    typer.echo(default_template(), nl=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """One run, by whichever engine."""

    found: Found
    options: ScreenOptions
    cluster: str | None
    quiet: bool

    def run(self, ledger: Ledger) -> Progress:
        from crestgauge.inference.screening.run import screen as run

        with _bar(self.quiet) as tell:
            if self.cluster is None:
                return run(self.found, ledger, self.options, on_progress=tell)
            from crestgauge.inference.screening.cluster import dask_client, read_on_dask
            from crestgauge.inference.screening.run import reader_factory

            factory = reader_factory(self.options.read)
            with dask_client(self.cluster, workers=self.options.workers) as client:
                read = partial(read_on_dask, make_reader=factory, client=client)
                return run(self.found, ledger, self.options, on_progress=tell, read=read, elsewhere=True)


@contextmanager
def _bar(quiet: bool) -> Iterator[Callable[[Progress], None]]:
    """A progress bar with rate and remaining time on the error stream, where that is a terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns: tuple[Any, ...] = (
        TextColumn("Screening"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]} photos/s, left"),
        TimeRemainingColumn(),
        TextColumn("{task.fields[heaps]}"),
    )
    with Bar(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task("", total=None, rate="-", heaps="")

        def tell(now: Progress) -> None:
            rate = (now.read + now.failed) / now.seconds if now.seconds > 0 else 0.0
            heaps = (
                f"clear {now.clear}  borderline {now.borderline}  retake {now.retake}  failed {now.failed}"
            )
            bar.update(task, total=now.total, completed=now.finished, rate=f"{rate:.2f}", heaps=heaps)

        yield tell


def _say(done: Progress, found: Found) -> None:
    rate = (done.read + done.failed) / done.seconds if done.seconds > 0 else 0.0
    typer.echo(
        f"{done.total} photos: {done.read} read now ({done.clear} clear, {done.borderline} borderline, "
        f"{done.retake} retake), {done.done_before} done before, {done.duplicates} same bytes again, "
        f"{done.failed} failed, {done.failed_before} failed before; {found.other_files} other files. "
        f"{done.seconds:.1f} s, {rate:.2f} photos/s."
    )
    for refusal in done.refused[:MOST_REASONS]:
        words = refusal.why if refusal.why.startswith(refusal.where) else f"{refusal.where}: {refusal.why}"
        typer.echo(words, err=True)
    if len(done.refused) > MOST_REASONS:
        typer.echo(f"... and {len(done.refused) - MOST_REASONS} more.", err=True)


def _template(path: Path | None) -> str | None:
    if path is None:
        return None
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ExchangeError(f"{path}: cannot be read as UTF-8 text ({error}). Check its name.") from error


def parse_shard(text: str) -> tuple[int, int]:
    """
    "3/64" as (3, 64).

    Raises
    ------
    ExchangeError
        If it is anything else.
    """
    index, _, count = text.partition("/")
    if not (index.isdigit() and count.isdigit() and 1 <= int(index) <= int(count)):
        raise ExchangeError(f"shard {text!r}: needs I/N with I from 1 to N, for example 3/64.")
    return int(index), int(count)
