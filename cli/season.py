"""``crestgauge summary``, ``export`` and ``import``: what goes out of a ledger, and what comes in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

from crestgauge.cli.app import EXIT_OK, EXIT_SOME_FAILED, app
from crestgauge.cli.screen import LedgerOption
from crestgauge.inference.errors import ExchangeError, PhotoError

FORMATS: Final = ("csv", "parquet", "darwin-core", "coco")


@app.command()
def summary(
    ledger: LedgerOption,
    out: Annotated[Path, typer.Option(metavar="FILE.html", help="The page.")] = Path("season.html"),
    json: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the numbers as JSON too.")] = None,
    start: Annotated[
        str | None, typer.Option("--from", metavar="DAY", help="First harvest date, YYYY-MM-DD.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="DAY", help="Last harvest date, YYYY-MM-DD.")
    ] = None,
    title: Annotated[
        str, typer.Option(metavar="TEXT", help="Title of the page.")
    ] = "Age structure of the season",
) -> None:
    """
    Write the season's age structure by sex: what people called, and, kept apart, what the tool proposed.

    With 95 % intervals, the share of yearlings, and a Chapman-Robson survival with its conditions. An animal
    whose calls or photos disagree is named and left out. Any bias in ageing goes straight into these numbers.

    \b
    Example:  crestgauge summary --ledger season.db --out season.html
    Exit status:  0 written   2 wrong usage, nothing written
    """
    from crestgauge.inference.ledger.specimen import check_day
    from crestgauge.inference.ledger.store import Ledger
    from crestgauge.inference.summary.page import write_page
    from crestgauge.inference.summary.season import season_json, summarise

    for name, day in (("--from", start), ("--to", end)):
        if day is not None:
            check_day(name, day)
    with Ledger(ledger, create=False) as opened:
        season = summarise(opened, start=start, end=end)
    write_page(out, season, title=title)
    if json is not None:
        json.write_text(season_json(season) + "\n", encoding="utf-8")
    typer.echo(
        f"{out}: {season.called.animals} called, {season.proposed.animals} proposed by clear readings, "
        f"{len(season.called.disagreeing)} with calls that disagree."
    )


@app.command("export")
def export_(
    ledger: LedgerOption,
    out: Annotated[Path, typer.Argument(metavar="PLACE", help="Folder (csv, parquet) or file (others).")],
    form: Annotated[
        str, typer.Option("--as", metavar="FORMAT", help="csv, parquet, darwin-core or coco.")
    ] = "csv",
    dataset: Annotated[
        str, typer.Option(metavar="NAME", help="Darwin Core: name in front of the ids.")
    ] = "crestgauge",
    manifest: Annotated[
        Path | None, typer.Option(metavar="FILE", help="COCO: manifest of other weights.")
    ] = None,
) -> None:
    """
    Write the ledger's readings, calls and animals as open tables, or its photos' label masks as COCO JSON.

    csv and parquet come with a data dictionary. darwin-core is an archive for museums and research. coco
    reads the photos again where they were found and writes the label masks, to be corrected and used for
    training. Positions and other capture data are in none of them.

    \b
    Example:  crestgauge export tables --ledger season.db
    Example:  crestgauge export season.zip --ledger season.db --as darwin-core --dataset demo-season
    Exit status:  0 written   2 wrong usage, nothing written   3 some photos could not be read, each is named
    """
    from crestgauge.inference.ledger.store import Ledger

    if form not in FORMATS:
        raise ExchangeError(f"--as {form}: unknown; needs one of {', '.join(FORMATS)}.")
    with Ledger(ledger, create=False) as opened:
        if form == "coco":
            failed = _export_masks(opened, out, manifest)
            raise typer.Exit(EXIT_SOME_FAILED if failed else EXIT_OK)
        if form == "darwin-core":
            from crestgauge.inference.exchange.darwin_core import export_darwin_core

            counts = export_darwin_core(opened, out, dataset=dataset)
        else:
            from crestgauge.inference.exchange.tables_out import export_tables

            counts = export_tables(opened, out, parquet=form == "parquet")
    typer.echo(f"{out}: " + ", ".join(f"{n} {name}" for name, n in counts.items()))


@app.command("import")
def import_(
    table: Annotated[
        Path, typer.Argument(metavar="FILE.csv", help="CSV with field names in its first line.")
    ],
    ledger: LedgerOption,
    what: Annotated[str, typer.Option("--what", metavar="KIND", help="specimens or calls.")] = "specimens",
    correct: Annotated[
        bool, typer.Option("--correct", help="Specimens: add a correction where values differ.")
    ] = False,
    by: Annotated[
        str, typer.Option(metavar="NAME", help="Who writes, kept on every row.")
    ] = "crestgauge import",
) -> None:
    """
    Take specimens or manual calls from a CSV table; every row that is not taken is named with its reason.

    The same file can be imported again: rows that are in the ledger word for word are not added twice.
    Nothing in the ledger is overwritten; --correct adds a new row that names the old one.

    \b
    Example:  crestgauge import animals.csv --ledger season.db
    Example:  crestgauge import calls.csv --ledger season.db --what calls --by "Station 3"
    Exit status:  0 every row taken   2 wrong usage, nothing written   3 some rows were not taken, each is
    named
    """
    from crestgauge.inference.exchange.tables_in import import_calls, import_specimens
    from crestgauge.inference.ledger.store import Ledger

    if what not in ("specimens", "calls"):
        raise ExchangeError(f"--what {what}: unknown; needs specimens or calls.")
    if not table.exists():
        raise ExchangeError(f"{table}: is not there; needs a CSV table.")
    with Ledger(ledger, by=by) as opened:
        if what == "calls":
            taken = import_calls(table, opened)
        else:
            taken = import_specimens(table, opened, correct=correct)
    for where, why in taken.refused:
        typer.echo(f"{where}: {why}", err=True)
    typer.echo(
        f"{table}: {taken.added} added, {taken.corrected} corrected, {taken.unchanged} there already, "
        f"{len(taken.refused)} not taken."
    )
    raise typer.Exit(EXIT_SOME_FAILED if taken.refused else EXIT_OK)


def _export_masks(ledger: object, out: Path, manifest: Path | None) -> int:
    """Read every photo of the ledger again, one at a time, and write its masks; number that failed."""
    from crestgauge.inference.exchange.coco import labels_of, write_coco
    from crestgauge.inference.ledger.store import Ledger
    from crestgauge.inference.photo import decode_photo
    from crestgauge.inference.pipeline import Reader, ReadOptions
    from crestgauge.inference.screening.report import places_by_photo
    from crestgauge.inference.screening.sources import read_bytes

    assert isinstance(ledger, Ledger)
    reader = Reader(ReadOptions(manifest=manifest))
    photos, failed = [], 0
    for sha256, places in places_by_photo(ledger).items():
        try:
            photo = decode_photo(read_bytes(places[0]), name=places[0])
            if photo.sha256 != sha256:
                raise PhotoError(
                    f"{places[0]}: is another file than the one that was read. Put the old one back."
                )
            result = reader.read(photo, keep_maps=True)
        except PhotoError as error:
            typer.echo(str(error), err=True)
            failed += 1
            continue
        if result.maps is not None and result.frame is not None:
            size = (photo.width, photo.height)
            masks = labels_of(result.maps, result.frame, size, places[0], straightening=result.straightening)
            photos.append(masks)
    count = write_coco(out, photos, description="Label masks proposed by crestgauge, for correction")
    typer.echo(f"{out}: {len(photos)} photos with a tooth row, {count} masks, {failed} could not be read.")
    return failed
