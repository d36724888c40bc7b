"""
``crestgauge compare``, ``calibrate``, ``animals-needed`` and ``demo-study``: the statistics on the command
line.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from crestgauge.cli.app import EXIT_OK, EXIT_SOME_FAILED, PROPOSAL, app
from crestgauge.inference.errors import InputError
from crestgauge.inference.version import VERSION

if TYPE_CHECKING:
    from crestgauge.inference.compare.align import AgeSet, Problem
    from crestgauge.inference.compare.assemble import Choices, Material
    from crestgauge.inference.compare.files import SetSource
    from crestgauge.inference.compare.measures import Measure
    from crestgauge.inference.compare.report import Report

WholeYears = Literal["refuse", "add-half"]
Between = Literal["refuse", "nearest"]
ScaleName = Literal["years", "adult-from-3.5", "stages"]
Tie = Literal["none", "younger"]

COMPUTED_WITH = ("numpy", "scipy", "statsmodels")
REPORT = "report.html"
REPORT_JSON = "report.json"

SetsArgument = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="[NAME=FILE[:COLUMN]]...",
        help="A set of ages: CSV file and its column, or the folder or file of readings.",
    ),
]
OutOption = Annotated[
    Path, typer.Option(metavar="DIR", help="Folder for report.html, report.json, CSV tables.")
]
IdOption = Annotated[str | None, typer.Option(metavar="COLUMN", help="Column with the animal's id.")]
PhotosOption = Annotated[
    Path | None, typer.Option(metavar="FILE", help="CSV with columns photo and id, for readings.")
]
MeasuresOption = Annotated[
    list[str] | None,
    typer.Option(
        metavar="FILE",
        help="Measured values: CSV (id, tooth, value, ...), or NAME=READINGS. May be repeated.",
    ),
]
WholeOption = Annotated[WholeYears, typer.Option(help="What a whole year (3) is: refused, or read as 3.5.")]
BetweenOption = Annotated[Between, typer.Option(help="What 3.4 is: refused, or put into its class.")]
CriteriaOption = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Another key than the shipped one.")
]
SeedOption = Annotated[int, typer.Option(min=0, help="Of all resampling.")]


@app.command()
def compare(
    out: OutOption,
    sets: SetsArgument = None,
    ledger: Annotated[
        str | None,
        typer.Option(
            metavar="FILE_OR_URL", help="Take known and cementum ages, readings and calls from here."
        ),
    ] = None,
    blind_only: Annotated[
        bool, typer.Option("--blind-only", help="Of the ledger, only calls made without the proposal.")
    ] = False,
    reference: Annotated[
        str | None, typer.Option(metavar="NAME", help="Set to measure bias from, such as known age.")
    ] = None,
    scale: Annotated[ScaleName, typer.Option(help="Single years to 8.5+, or coarse classes.")] = "years",
    whole_years: WholeOption = "refuse",
    between: BetweenOption = "refuse",
    animals: Annotated[
        Path | None, typer.Option(metavar="FILE", help="CSV with id and the columns of --by.")
    ] = None,
    by: Annotated[
        list[str] | None, typer.Option(metavar="COLUMN", help="Look at sex, area ... apart. May be repeated.")
    ] = None,
    measures: MeasuresOption = None,
    photos: PhotosOption = None,
    id_column: IdOption = None,
    criteria: CriteriaOption = None,
    tie: Annotated[Tie, typer.Option(help="What a tied group mode gives.")] = "none",
    seed: SeedOption = 0,
    title: Annotated[str, typer.Option(help="Heading of the report.")] = "Comparison of ages",
) -> None:
    """
    Compare two or more sets of ages of the same animals: readers, the tool, cementum counts, known age.

    Says how well they agree, whether one is biased, where, and whether that is more than chance. Rows that
    cannot be used are listed one by one. Nothing is promised for ages as such: each is a proposal for a
    trained person to confirm.

    \b
    Example:  crestgauge compare known=known.csv:age a=calls.csv:reader_a --reference known --out study
    Example:  crestgauge compare --ledger season.db --reference known --by sex --blind-only --out study
    Exit status:  0 every row was used   2 wrong usage, nothing written   3 report written, some rows were
    not used
    """
    versions_of_statistics()
    from crestgauge.inference.compare.ages import LabelRules, scale_named
    from crestgauge.inference.compare.assemble import Choices

    rules = LabelRules(whole_years=whole_years, between=between)
    chosen = Choices(
        title=title, scale=scale_named(scale), rules=rules, reference=reference, tie=tie, seed=seed
    )  # fmt: skip
    inputs = Inputs(sets or [], measures or [], animals, tuple(by or ()), photos, id_column, reference)
    material = inputs.load() if ledger is None else inputs.load_with(ledger, blind_only=blind_only)
    _write(_build(material, chosen, criteria), out)


@app.command("calibrate-key")
def calibrate_key(
    known: Annotated[str, typer.Argument(metavar="NAME=FILE[:COLUMN]", help="The set of known ages.")],
    out: OutOption,
    measures: MeasuresOption = None,
    new_key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the calibrated key here, if a threshold moves.")
    ] = None,
    key_id: Annotated[str, typer.Option(help="Id of the new key.")] = "local",
    criteria: CriteriaOption = None,
    measured_by: Annotated[
        str | None, typer.Option(metavar="READER", help="Use the measurements of this reader only.")
    ] = None,
    whole_years: WholeOption = "refuse",
    between: BetweenOption = "refuse",
    photos: PhotosOption = None,
    id_column: IdOption = None,
    seed: SeedOption = 0,
) -> None:
    """
    Fit the thresholds of the key to animals of known age, and say whether they may replace the default.

    Ratio thresholds and infundibulum limits are fitted with resampling intervals and cross-validation by
    animal. A sample that is too small to move a threshold is told so, and no key is written. The new key is
    used with the option --criteria of the other commands; ages by it are proposals for a trained person to
    confirm.

    \b
    Example:  crestgauge calibrate-key known=known.csv:age --measures m.csv --new-key local.toml --out fit
    Exit status:  0 done   2 wrong usage, nothing written   3 done, but some rows were not used
    """
    versions_of_statistics()
    from crestgauge.inference.compare.ages import LabelRules
    from crestgauge.inference.compare.assemble import Choices
    from crestgauge.inference.compare.files import parse_source

    name = parse_source(known).name
    chosen = Choices(
        title="Local calibration of the key", rules=LabelRules(whole_years=whole_years, between=between),
        reference=name, seed=seed, with_calibration=True, measured_by=measured_by,
    )  # fmt: skip
    material = Inputs([known], measures or [], None, (), photos, id_column, name).load()
    report = _build(material, chosen, criteria)
    if new_key is not None:
        _write_key(report, new_key, key_id, criteria)
    elif report.calibration is not None:
        typer.echo(report.calibration.verdict)
    _write(report, out)


@app.command("animals-needed")
def animals_needed(
    shift: Annotated[float | None, typer.Option(metavar="YEARS", help="Mean bias to find.")] = None,
    sd: Annotated[float, typer.Option(metavar="YEARS", help="SD of the errors, with --shift.")] = 0.9,
    only_first: Annotated[float | None, typer.Option(help="Share that only method one gets right.")] = None,
    only_second: Annotated[float | None, typer.Option(help="Share that only method two gets right.")] = None,
    agreement: Annotated[float | None, typer.Option(help="Expected share of agreement, 0..1.")] = None,
    half_width: Annotated[float, typer.Option(help="Half width of its interval, as a share.")] = 0.1,
    limits: Annotated[
        float | None,
        typer.Option(metavar="SD", help="How well to know limits of agreement, in SD of errors."),
    ] = None,
    animals: Annotated[
        int | None, typer.Option(min=2, help="Say what so many animals can show, with --shift.")
    ] = None,
    power: Annotated[float, typer.Option(help="Chance to find what is there.")] = 0.8,
    alpha: Annotated[float, typer.Option(help="Chance to find what is not there.")] = 0.05,
) -> None:
    """
    How many animals a planned comparison needs.

    For a mean bias (--shift), for one method being right more often than another (--only-first, --only-
    second), for a share of agreement known to within --half-width (--agreement), for limits of agreement
    (--limits). Errors of ages have been near 0.9 years (computed from r2 0.727 in Wildl. Soc. Bull. 2013,
    doi 10.1002/wsb.275).

    \b
    Example:  crestgauge animals-needed --shift 0.3 --agreement 0.6
    Exit status:  0 done   2 wrong usage
    """
    versions_of_statistics()
    from crestgauge.inference.compare import planning

    said = False
    if shift is not None:
        n = planning.animals_for_bias(shift, sd, alpha=alpha, power=power)
        typer.echo(
            f"{n} animals: a mean bias of {shift:g} years with SD {sd:g}, power {power:g}, alpha {alpha:g}"
        )
        said = True
    if shift is not None and animals is not None:
        chance = planning.power_for_bias(animals, shift, sd, alpha=alpha)
        typer.echo(f"{animals} animals find that bias with power {chance:.2f}")
    if only_first is not None and only_second is not None:
        n = planning.animals_for_two_methods(only_first, only_second, alpha=alpha, power=power)
        typer.echo(
            f"{n} animals: one method right alone in {only_first:g}, the other in {only_second:g} of animals"
        )
        said = True
    if agreement is not None:
        n = planning.animals_for_agreement(agreement, half_width)
        typer.echo(f"{n} animals: agreement of {agreement:g} known to within {half_width:g} (95 % interval)")
        said = True
    if limits is not None:
        n = planning.items_for_limits(limits)
        typer.echo(f"{n} animals: limits of agreement known to within {limits:g} SD (95 % interval)")
        said = True
    if not said:
        raise InputError(
            "nothing was asked; needs --shift, --agreement, --limits, or --only-first with --only-second."
        )


@app.command("demo-study")
def demo_study(
    out: OutOption = Path("crestgauge-demo-study"),
    seed: SeedOption = 5,
) -> None:
    """
    A worked study on drawn jaws of known age: the files, the report, and what it says of the key.

    Three invented readers have biases that were put in, photos are taken twice, callipers read a little
    high. The files are written too, so that the same commands can be tried on them. Nothing here is a real
    deer.

    \b
    Example:  crestgauge demo-study --out worked-study
    Exit status:  0 done; rows that were made unusable on purpose are told all the same
    """
    versions_of_statistics()
    from crestgauge.inference.compare.assemble import Choices
    from crestgauge.inference.compare.demo import TRUTH, demo_files

    folder = out / "files"
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in demo_files(seed).items():
        (folder / name).write_text(text, encoding="utf-8")
    sets = [f"known={folder / 'known.csv'}:age", f"tool={folder / 'tool.csv'}:age"]
    sets += [f"{name}={folder / 'readers.csv'}:{name}" for name in TRUTH]
    measured = [str(folder / name) for name in ("measured.csv", "gauge.csv", "callipers.csv")]
    material = Inputs(sets, measured, folder / "known.csv", ("sex", "area"), None, None, "known").load()
    chosen = Choices(
        title="Worked study on drawn jaws", reference="known", seed=seed, with_calibration=True,
        measured_by="tool",
    )  # fmt: skip
    report = _build(material, chosen, None)
    _write_key(report, out / "local.toml", "demo-local", None)
    _write(report, out, status=EXIT_OK)


class Inputs:
    """The files that a command was given, and what they hold."""

    def __init__(
        self, sets: list[str], measures: list[str], animals: Path | None, by: tuple[str, ...],
        photos: Path | None, id_column: str | None, reference: str | None,
    ) -> None:  # fmt: skip
        self.sets, self.measures, self.animals, self.by = sets, measures, animals, by
        self.photos, self.id_column, self.reference = photos, id_column, reference
        self.problems: list[Problem] = []
        self.ledger = False

    def load_with(self, place: str, *, blind_only: bool) -> Material:
        """The files and what a ledger holds; strata named by --by are taken from the ledger too."""
        from dataclasses import replace

        from crestgauge.inference.compare.from_ledger import read_ledger

        found = read_ledger(place, blind_only=blind_only)
        self.ledger = True
        files_part = self.load()
        taken = {key: values for key, values in found.strata.items() if key in self.by}
        return replace(
            files_part, sets=(*found.sets, *files_part.sets),
            measures=(*found.measures, *files_part.measures),
            strata={**taken, **files_part.strata}, problems=(*found.problems, *files_part.problems),
            inputs=(f"ledger {Path(place).name}", *files_part.inputs),
        )  # fmt: skip

    def load(self) -> Material:
        """Read everything; raises InputError where a file cannot be used at all."""
        from crestgauge.inference.compare import files as edge
        from crestgauge.inference.compare.assemble import Material

        ids = edge.read_photo_ids(self.photos) if self.photos is not None else {}
        sources = [edge.parse_source(text) for text in self.sets]
        sets = tuple(self._set(source, ids) for source in sources)
        found: list[Measure] = []
        paths = [source.path for source in sources]
        for text in self.measures:
            name, equals, rest = text.partition("=")
            path = Path(rest if equals else text)
            paths.append(path)
            if equals or path.is_dir() or path.suffix.lower() in edge.READING_FILES:
                more, problems = edge.reading_measures(path, reader=name if equals else "tool", ids=ids)
            else:
                more, problems = edge.read_measures(path, id_column=self.id_column)
            found += more
            self.problems += problems
        if self.by and self.animals is None and not self.ledger:
            raise InputError("--by needs --animals: a CSV file with id and these columns.")
        strata = edge.read_strata(self.animals, self.by, id_column=self.id_column) if self.animals else {}
        paths += [p for p in (self.animals, self.photos) if p is not None]
        return Material(
            sets=sets, measures=tuple(found), strata=strata, problems=tuple(self.problems),
            inputs=tuple(edge.file_facts(path) for path in dict.fromkeys(paths)),
        )  # fmt: skip

    def _set(self, source: SetSource, ids: Mapping[str, str]) -> AgeSet:
        from crestgauge.inference.compare import files as edge

        kind = "known" if source.name == self.reference else "tool" if source.name == "tool" else "reader"
        ages, problems = edge.read_age_set(source, id_column=self.id_column, kind=kind, ids=ids)
        self.problems += problems
        return ages


def versions_of_statistics() -> dict[str, str]:
    """Versions of what the figures are computed with; raises InputError where the extra is not installed."""
    found = {"crestgauge": VERSION}
    for name in (*COMPUTED_WITH, "jinja2"):
        try:
            found |= {name: version(name)}
        except PackageNotFoundError as error:
            raise InputError(
                f'{name} is not installed; comparisons need it. Run: pip install "crestgauge[compare]"'
            ) from error
    return {name: number for name, number in found.items() if name != "jinja2"}


def _build(material: Material, chosen: Choices, criteria: Path | None) -> Report:
    versions = versions_of_statistics()
    from crestgauge.inference.compare.assemble import build_report
    from crestgauge.inference.criteria import load_criteria

    created = datetime.datetime.now().astimezone().isoformat(timespec="minutes")
    return build_report(material, chosen, load_criteria(criteria), created=created, versions=versions)


def _write_key(report: Report, path: Path, key_id: str, criteria: Path | None) -> None:
    """The calibrated key, or a sentence why there is none."""
    from crestgauge.inference.compare.criteria_text import Provenance, calibrated_text
    from crestgauge.inference.criteria import load_criteria

    calibration = report.calibration
    assert calibration is not None
    typer.echo(calibration.verdict)
    if not any(step.moves for step in calibration.steps):
        typer.echo(f"{path}: not written, as no threshold moves.")
        return
    start = load_criteria(criteria)
    source = (
        criteria if criteria is not None else files("crestgauge.inference.criteria").joinpath("default.toml")
    )
    provenance = Provenance(
        data=report.inputs, date=report.created[:10], program=f"crestgauge {VERSION}",
        started_from=start.label,
    )  # fmt: skip
    text, new = calibrated_text(source.read_text(encoding="utf-8"), calibration, provenance, new_id=key_id)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    typer.echo(f"{path}: key {new.label}; use it with --criteria {path}")


def _write(report: Report, out: Path, *, status: int = EXIT_SOME_FAILED) -> None:
    """All files of a report; ends with ``status`` where a row was not used."""
    from crestgauge.inference.compare.report import report_html, report_json
    from crestgauge.inference.compare.tables import report_tables

    made = {REPORT: report_html(report), REPORT_JSON: report_json(report), **report_tables(report)}
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, text in made.items():
            (out / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{out}: cannot be written ({error.strerror}). Choose another folder.") from error
    left = [p for p in report.problems if not p.used]
    for problem in left[:20]:
        row = "" if problem.row is None else f", row {problem.row}"
        typer.echo(f"{problem.set_name}{row} ({problem.id}): {problem.what}", err=True)
    if len(left) > 20:
        typer.echo(f"... and {len(left) - 20} more: see problems.csv", err=True)
    if report.study is not None:
        for pair in report.study.pairs:
            if pair.to_reference or report.study.reference is None:
                typer.echo(
                    f"{pair.second} against {pair.first}: n {pair.n}, same class {pair.exact.sentence(1)}, "
                    f"bias {pair.bias.sentence(2)}"
                )
    typer.echo(f"Open {(out / REPORT).resolve().as_uri()}  (every age is {PROPOSAL})")
    if left:
        raise typer.Exit(status)
