"""``crestgauge labels``: proposals out, corrections in, hand-measured widths, and which photos first."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from crestgauge.cli.app import EXIT_OK, EXIT_SOME_FAILED, EXIT_USAGE, app
from crestgauge.cli.terminal import progress, unused_name
from crestgauge.inference.errors import ExchangeError, PhotoError

if TYPE_CHECKING:
    from crestgauge.inference.labels.proposals import Handout
    from crestgauge.inference.labels.sources import Source
    from crestgauge.inference.pipeline import Reader

labels = typer.Typer(
    name="labels",
    help=(
        "Make the tool good on your own jaws: hand out its labels, correct them, take them back.\n\n"
        "\b\n"
        "Example:  crestgauge labels out jaws --out to-correct\n"
        "Exit status:  0 done   2 wrong usage, nothing started   3 some items were not taken, each is named"
    ),
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)
app.add_typer(labels)

Places = Annotated[
    list[str] | None, typer.Argument(metavar="PLACE...", help="Photos, folders, archives, CSV lists.")
]
FromLedger = Annotated[
    str | None, typer.Option("--ledger", metavar="URL", help="Photos that this ledger has readings of.")
]
Outcomes = Annotated[
    list[str] | None,
    typer.Option("--outcome", metavar="WORD", help="Ledger: clear, borderline or retake only; repeatable."),
]
Ids = Annotated[
    list[str] | None, typer.Option("--id", metavar="SPECIMEN", help="Ledger: these animals only; repeatable.")
]
Undecided = Annotated[bool, typer.Option("--undecided", help="Ledger: photos without a call only.")]
Limit = Annotated[int | None, typer.Option(min=1, metavar="N", help="At most so many photos.")]
Weights = Annotated[str | None, typer.Option(metavar="NAME", help="Other weights for measuring, by name.")]
ManifestFile = Annotated[Path | None, typer.Option(metavar="FILE", help="Manifest that holds these weights.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but failures.")]


@labels.command()
def out(
    out: Annotated[Path, typer.Option(metavar="DIR", help="New folder for pictures and labels.")],
    places: Places = None,
    ledger: FromLedger = None,
    outcome: Outcomes = None,
    specimen: Ids = None,
    undecided: Undecided = False,
    limit: Limit = None,
    view: Annotated[
        str, typer.Option(metavar="VIEW", help="row: the tooth row turned level; photo: the whole photo.")
    ] = "row",
    polygons: Annotated[
        bool, typer.Option("--polygons", help="COCO with polygons instead of run lengths.")
    ] = False,
    weights: Weights = None,
    manifest: ManifestFile = None,
    quiet: Quiet = False,
) -> None:
    """
    Write the tool's own labels of photos, to be corrected in any annotation program.

    One folder: pictures, COCO JSON with every tooth as an instance and every band as a mask, the same as PNG
    label maps, tables for animal, side, state and milk teeth, and a README. Pictures hold no capture data.
    Photos without a tooth row are handed out with nothing drawn.

    \b
    Example:  crestgauge labels out jaws --out to-correct
    Example:  crestgauge labels out --ledger season.db --outcome borderline --limit 40 --out to-correct
    Exit status:  0 all written   2 wrong usage, nothing started   3 some photos failed, each is named
    """
    from crestgauge.inference.labels.proposals import OutOptions, write_folder
    from crestgauge.inference.pipeline import Reader, ReadOptions

    if view not in ("row", "photo"):
        raise ExchangeError(f"--view {view}: unknown; needs row or photo.")
    sources, failures = _sources(places, ledger, outcome, specimen, undecided, limit)
    options = OutOptions(view=view, polygons=polygons)  # type: ignore[arg-type]
    reader = Reader(ReadOptions(manifest=manifest, fine=weights))
    made = _handouts(reader, sources, view, failures)
    written = 0
    for item in progress(write_folder(out, made, options), len(sources), words="Reading", quiet=quiet):
        written += 1
        if not quiet:
            drawn = "no row found, nothing drawn" if item.proposed is None else f"{item.outcome}"
            typer.echo(f"{item.name}  {drawn}")
    _tell(failures)
    if not quiet:
        typer.echo(f"{out}: {written} photos to correct. How: {out / 'README.txt'}")
    raise typer.Exit(EXIT_SOME_FAILED if failures else EXIT_OK)


@labels.command("in")
def in_(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder that labels out wrote, corrected.")],
    out: Annotated[Path, typer.Option(metavar="DATASET", help="New folder for the data set.")],
    photos: Annotated[
        list[str] | None, typer.Option(metavar="PLACE", help="Where the photos are; repeatable.")
    ] = None,
    ledger: FromLedger = None,
    accept_unchanged: Annotated[
        bool, typer.Option("--accept-unchanged", help="Somebody checked them all: take untouched ones too.")
    ] = False,
    photos_are_animals: Annotated[
        bool, typer.Option("--photos-are-animals", help="Photos without an animal are one animal each.")
    ] = False,
    quiet: Quiet = False,
) -> None:
    """
    Take corrected labels back, and write a data set to train on.

    Everything that is wrong is named by file, photo and annotation: sizes, ids, unknown classes, overlaps,
    points outside the picture, photos missing or changed since, two labels for one photo, empty labels. A
    photo with a fault is left out; a remark ending in "(taken)" says how it was taken all the same.

    \b
    Example:  crestgauge labels in to-correct --photos jaws --out dataset
    Exit status:  0 all taken   2 wrong usage, nothing written   3 some photos were not taken, each is named
    """
    from crestgauge.inference.labels.corrected import Intake, take_back
    from crestgauge.inference.labels.dataset import DatasetWriter, PhotoFinder, build_dataset
    from crestgauge.inference.labels.manifest import read_manifest

    items = read_manifest(folder)
    where = list(photos or ())
    if ledger is not None:
        where += [source.location for source in _ledger_sources(ledger, None, None, False)]
    if not where:
        typer.echo("crestgauge labels in: where are the photos? Needs --photos or --ledger.", err=True)
        raise typer.Exit(EXIT_USAGE)
    finder, intake = PhotoFinder(where), Intake()
    writer = DatasetWriter(out)
    taken = take_back(folder, items, intake, accept_unchanged=accept_unchanged)
    shown = progress(taken, len(items), words="Taking", quiet=quiet)
    build_dataset(shown, finder, writer, intake, photos_are_animals=photos_are_animals)
    for problem in intake.problems:
        typer.echo(str(problem), err=True)
    if intake.untouched and not quiet:
        names = ", ".join(intake.untouched[:5]) + (" ..." if len(intake.untouched) > 5 else "")
        typer.echo(
            f"{len(intake.untouched)} not touched and left out ({names}); --accept-unchanged takes them too."
        )
    animals = len({entry.animal for entry in writer.entries})
    if not quiet:
        typer.echo(
            f"{out}: {len(writer.entries)} photos of {animals} animals taken, "
            f"{len(intake.refused)} not taken, {len(intake.untouched)} untouched."
        )
    failed = intake.refused or any(p.fatal for p in intake.problems)
    raise typer.Exit(EXIT_SOME_FAILED if failed else EXIT_OK)


def _sources(
    places: list[str] | None,
    ledger: str | None,
    outcome: list[str] | None,
    specimen: list[str] | None,
    undecided: bool,
    limit: int | None,
) -> tuple[list[Source], list[str]]:
    """Photos by place or from a ledger, and what could not be taken."""
    from crestgauge.inference.labels.sources import from_places

    if bool(places) == (ledger is not None):
        typer.echo("crestgauge labels: needs either places of photos or --ledger, and not both.", err=True)
        raise typer.Exit(EXIT_USAGE)
    failures: list[str] = []
    if ledger is None:
        sources, failures = from_places(places or [])
    else:
        sources = _ledger_sources(ledger, outcome, specimen, undecided)
    if not sources:
        typer.echo("crestgauge labels: no photo found.", err=True)
        raise typer.Exit(EXIT_USAGE)
    return sources[:limit], failures


def _ledger_sources(
    url: str, outcome: list[str] | None, specimen: list[str] | None, undecided: bool
) -> list[Source]:
    from crestgauge.inference.labels.sources import LedgerQuery, from_ledger
    from crestgauge.inference.ledger.store import Ledger

    query = LedgerQuery(outcomes=tuple(outcome or ()), specimens=tuple(specimen or ()), undecided=undecided)
    with Ledger(url, create=False) as opened:
        return from_ledger(opened, query)


def _handouts(reader: Reader, sources: list[Source], view: Any, failures: list[str]) -> Iterator[Handout]:
    """Read and hand out photo by photo; failures are kept and the rest goes on."""
    from crestgauge.inference.labels.proposals import handout

    taken: set[str] = set()
    for source in sources:
        try:
            photo = source.read()
            result = reader.read(photo, keep_maps=True)
        except PhotoError as error:
            failures.append(str(error))
            continue
        animal = source.specimen_id or (None if result.card is None else result.card.specimen_id)
        name = unused_name(Path(photo.file).stem, taken)
        yield handout(photo, result, name=name, animal=animal, view=view)


def _tell(failures: list[str]) -> None:
    for failure in failures:
        typer.echo(failure, err=True)
