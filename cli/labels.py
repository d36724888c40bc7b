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
Weights = Annotated[
    str | None, typer.Option(metavar="NAME", help="Your own weights, or shipped (see: weights list).")
]
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
    options = OutOptions(view="row" if view == "row" else "photo", polygons=polygons)
    reader = Reader(ReadOptions(manifest=manifest, weights=weights))
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


@labels.command()
def widths(
    table: Annotated[Path, typer.Argument(metavar="FILE.csv", help="Hand-measured widths, one crest a row.")],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the results.")],
    readings: Annotated[
        Path | None, typer.Option(metavar="PLACE", help="Folder of readings, or a file of one per line.")
    ] = None,
    ledger: FromLedger = None,
    ids: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="Animal of each photo: columns photo and id.")
    ] = None,
    who: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Only this person's rows; otherwise people are averaged."),
    ] = None,
) -> None:
    """
    Compare readings with widths that people measured by hand, with callipers or on the screen.

    Columns of the table: specimen; jaw (left, right) or photo; tooth; lobe; dentine, outer_enamel,
    inner_enamel (what was measured); unit (mm, or px of the photo named); who; repeat. Bias, limits of
    agreement and coverage of the stated intervals, for every band and for the ratio. Millimetres need a scale
    in the photo, ratios do not.

    \b
    Example:  crestgauge labels widths callipers.csv --readings readings --out widths
    Exit status:  0 every row compared   2 wrong usage, nothing written   3 some rows were not used, each is
    named
    """
    import json

    from crestgauge.inference.compare.files import load_readings, read_photo_ids
    from crestgauge.inference.compare.report import plain
    from crestgauge.inference.labels.widths import (
        pair_widths,
        read_widths,
        report,
        width_errors,
    )
    from crestgauge.inference.screening.report import write_csv

    if (readings is None) == (ledger is None):
        typer.echo("crestgauge labels widths: needs --readings or --ledger.", err=True)
        raise typer.Exit(EXIT_USAGE)
    rows, problems = read_widths(table)
    if who is not None:
        rows = [row for row in rows if row.who == who]
    if readings is not None:
        known = read_photo_ids(ids) if ids is not None else {}
        loaded, broken = load_readings(readings)
        pairs_of = [(known.get(r.photo.file), r) for _, r in loaded]
        failures = [f"{each.id}: {each.what}" for each in broken]
    else:
        pairs_of, failures = _ledger_readings(str(ledger)), []
    pairs, unmatched = pair_widths(rows, pairs_of, where=str(table))
    problems += unmatched
    _tell([*failures, *(str(problem) for problem in problems)])
    if not pairs:
        raise ExchangeError(f"{table}: no row could be compared with a reading; see above.")
    results = width_errors(pairs, rows)
    out.mkdir(parents=True, exist_ok=True)
    names = ("animal", "tooth", "lobe", "quantity", "unit", "hand", "tool", "u")
    write_csv(out / "pairs.csv", ({name: getattr(p, name) for name in names} for p in pairs), names)
    text = json.dumps({"schema": "crestgauge.widths/1", "results": plain(results)}, indent=1, allow_nan=False)
    (out / "widths.json").write_text(text + "\n", encoding="utf-8")
    (out / "widths.md").write_text(report(results), encoding="utf-8")
    typer.echo(report(results))
    typer.echo(f"{len(rows) - len(unmatched)} rows compared, {len(problems)} not used.")
    raise typer.Exit(EXIT_SOME_FAILED if problems or failures else EXIT_OK)


@labels.command()
def review(
    ledger: Annotated[str, typer.Option(metavar="URL", help="The ledger that the review page wrote to.")],
    out: Annotated[Path, typer.Option(metavar="DATASET", help="New folder for the data set.")],
    photos: Annotated[
        list[str] | None,
        typer.Option(metavar="PLACE", help="Where the photos are now, if not where they were read."),
    ] = None,
    photos_are_animals: Annotated[
        bool, typer.Option("--photos-are-animals", help="Photos without an animal are one animal each.")
    ] = False,
) -> None:
    """
    Turn what people corrected on the review page into labels of what they cover.

    Moved band edges label a strip of enamel, dentine, enamel; side, state, milk teeth and marked crests stand
    in the truth file. All else stays unlabelled. Where two people differ nothing is labelled, and it is said.

    \b
    Example:  crestgauge labels review --ledger season.db --out from-review
    Exit status:  0 all taken   2 wrong usage, nothing written   3 some photos were not taken, each is named
    """
    from crestgauge.inference.labels.corrected import Intake
    from crestgauge.inference.labels.dataset import DatasetWriter
    from crestgauge.inference.labels.from_review import add_reviewed, reviewed_photos
    from crestgauge.inference.ledger.store import Ledger

    intake = Intake()
    with Ledger(ledger, create=False) as opened:
        places = list(photos or _photo_places(opened))
        found = list(reviewed_photos(opened, intake))
    if not found and not intake.problems:
        raise ExchangeError(f"{ledger}: nobody corrected anything in it yet.")
    writer = DatasetWriter(out)
    add_reviewed(found, places, writer, intake, photos_are_animals=photos_are_animals)
    for problem in intake.problems:
        typer.echo(str(problem), err=True)
    animals = len({entry.animal for entry in writer.entries})
    typer.echo(f"{out}: {len(writer.entries)} photos of {animals} animals with corrections of the page.")
    raise typer.Exit(EXIT_SOME_FAILED if intake.refused else EXIT_OK)


def _photo_places(ledger: Any) -> list[str]:
    """Every place where the ledger saw a photo that is still there, and its uploads."""
    from crestgauge.inference.confirm.photo_files import default_folder
    from crestgauge.inference.screening.report import places_by_photo

    places = [p for each in places_by_photo(ledger).values() for p in each if Path(p).is_file()]
    uploads = default_folder(ledger)
    return places + ([str(uploads)] if uploads is not None and uploads.is_dir() else [])


@labels.command("rank")
def rank_(
    places: Places = None,
    ledger: FromLedger = None,
    outcome: Outcomes = None,
    specimen: Ids = None,
    undecided: Undecided = False,
    limit: Limit = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="Write the list; labels out takes it as PLACE.")
    ] = None,
    first: Annotated[int, typer.Option(min=1, metavar="N", help="Print so many lines.")] = 20,
    rereads: Annotated[
        int, typer.Option(min=0, max=3, metavar="N", help="Readings under small changes of the picture.")
    ] = 1,
    weights: Weights = None,
    manifest: ManifestFile = None,
    quiet: Quiet = False,
) -> None:
    """
    Say which photos to label first, and why in a few words.

    Signs that something is wrong: the reading's own doubt, another reading when the picture is turned,
    shrunk, darkened or blurred a little, and a look unlike that of the training. Photos of one animal and of
    one class are spread over the list. Each re-reading costs as much time as a reading.

    \b
    Example:  crestgauge labels rank jaws --out first.csv
    Example:  crestgauge labels out first.csv --limit 40 --out to-correct
    Exit status:  0 all ranked   2 wrong usage, nothing started   3 some photos failed, each is named
    """
    from crestgauge.inference.labels.familiar import load_familiar
    from crestgauge.inference.labels.ranking import rank, signs_of
    from crestgauge.inference.labels.rereading import reread
    from crestgauge.inference.pipeline import Reader, ReadOptions
    from crestgauge.inference.screening.report import write_csv
    from crestgauge.model.local import find_set

    sources, failures = _sources(places, ledger, outcome, specimen, undecided, limit)
    familiar = load_familiar(find_set(weights, manifest=manifest).folder)
    if familiar is None and not quiet:
        typer.echo("No familiar.toml beside these weights, so strange pictures are not told.", err=True)
    reader = Reader(ReadOptions(manifest=manifest, weights=weights))
    found = []
    for source in progress(sources, len(sources), words="Reading", quiet=quiet):
        try:
            seen = reread(reader, source.read(), times=rereads)
        except PhotoError as error:
            failures.append(str(error))
            continue
        z = {} if familiar is None else familiar.standardised(seen.look)
        signs = signs_of(seen.reading, seen.again, z)
        found.append((source.location, source.specimen_id or seen.specimen_id, seen.reading, signs))
    listed = rank(found)
    if out is not None:
        columns = ("photo", "specimen_id", "rank", "score", "said", "why", "doubt", "change", "strange")
        rows = (
            {
                "photo": str(Path(r.photo).absolute()) if "://" not in r.photo else r.photo,
                "specimen_id": r.animal,
                "rank": number,
                "score": f"{r.score:.3f}",
                "said": r.said,
                "why": "; ".join(r.signs.why),
                **{name: f"{getattr(r.signs, name):.3f}" for name in columns[-3:]},
            }
            for number, r in enumerate(listed, 1)
        )
        write_csv(out, rows, columns)
    for r in listed[:first] if not quiet else ():
        typer.echo(f"{r.score:.2f}  {Path(r.photo).name}  {'; '.join(r.signs.why)}")
    _tell(failures)
    raise typer.Exit(EXIT_SOME_FAILED if failures else EXIT_OK)


@labels.command()
def familiar(
    places: Annotated[list[str], typer.Argument(metavar="PLACE...", help="Photos like those trained on.")],
    out: Annotated[
        Path, typer.Option(metavar="FILE.toml", help="Beside weights it is called familiar.toml.")
    ],
    source: Annotated[str, typer.Option(metavar="TEXT", help="Which photos these are, for the record.")],
    weights: Weights = None,
    manifest: ManifestFile = None,
    quiet: Quiet = False,
) -> None:
    """
    Measure what photos like those of the training look like, for labels rank.

    Belongs to new weights: run it on photos that training did not see, twenty or more.

    \b
    Example:  crestgauge labels familiar drawn/photos --source "40 drawn photos" --out familiar.toml
    Exit status:  0 written   2 wrong usage or too few photos   3 some photos failed, each is named
    """
    from crestgauge.inference.labels.familiar import fit_familiar, write_familiar
    from crestgauge.inference.labels.rereading import reread
    from crestgauge.inference.pipeline import Reader, ReadOptions

    sources, failures = _sources(places, None, None, None, False, None)
    reader = Reader(ReadOptions(manifest=manifest, weights=weights))
    looks = []
    for each in progress(sources, len(sources), words="Reading", quiet=quiet):
        try:
            seen = reread(reader, each.read(), times=0)
        except PhotoError as error:
            failures.append(str(error))
            continue
        if seen.look and seen.reading.outcome != "retake":
            looks.append(seen.look)
    write_familiar(fit_familiar(looks, model=reader.versions.model, source=source), out)
    _tell(failures)
    if not quiet:
        typer.echo(f"{out}: {len(looks)} photos.")
    raise typer.Exit(EXIT_SOME_FAILED if failures else EXIT_OK)


def _ledger_readings(url: str) -> list[tuple[str | None, Any]]:
    from crestgauge.inference.ledger.queries import newest_readings
    from crestgauge.inference.ledger.store import Ledger
    from crestgauge.inference.reading import Reading

    with Ledger(url, create=False) as opened:
        rows = newest_readings(opened, whole=True)
    return [(row["specimen_id"], Reading.from_json(row["reading"])) for row in rows]


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
