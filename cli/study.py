"""``crestgauge study``: a first study on real jaws, planned, printed and scored."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from crestgauge.cli.app import EXIT_SOME_FAILED, PROPOSAL, app
from crestgauge.cli.compare import versions_of_statistics
from crestgauge.inference.errors import InputError
from crestgauge.inference.version import VERSION

if TYPE_CHECKING:
    from crestgauge.inference.compare.ages import LabelRules
    from crestgauge.inference.study.plan import Jaw, Plan
    from crestgauge.inference.study.score import Score

MOST_ROWS = 20
"""Rows named on the terminal; all of them are in problems.csv."""
Paper = Literal["letter", "a4"]
ReadFrom = Literal["photo", "jaw"]

study = typer.Typer(
    name="study",
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    help=(
        "A first study on real jaws: plan it and print its sheets, then score it.\n\n"
        "Two photos of every jaw, two blind readers, callipers on a part, known age or cementum where there "
        f"is any. Every age is {PROPOSAL}.\n\n"
        "\b\n"
        "Example:  crestgauge study plan --out my-study\n"
        "Exit status:  0 done   2 wrong usage, nothing written   3 results written, some rows were not used"
    ),
)
app.add_typer(study)

OutOption = Annotated[Path, typer.Option(metavar="DIR", help="Folder to write to.")]
SeedOption = Annotated[int, typer.Option(help="The same seed gives the same study.")]


@study.command()
def plan(
    out: OutOption,
    jaws: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Jaws at hand: CSV with specimen_id and, if known, sex, age_class."
        ),
    ] = None,
    reader: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Who reads blind; at least two, may be repeated.")
    ] = None,
    measurer: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Who measures by hand; else the first two readers."),
    ] = None,
    animals: Annotated[
        int | None, typer.Option(help="So many animals, instead of what the aims ask.")
    ] = None,
    by_hand: Annotated[int | None, typer.Option(help="So many measured by hand.")] = None,
    twice: Annotated[int | None, typer.Option(help="So many read twice by each reader.")] = None,
    agreement: Annotated[float, typer.Option(help="Expected share in the same class.")] = 0.7,
    agreement_half_width: Annotated[float, typer.Option(help="Known to within this share.")] = 0.12,
    ratio_sd: Annotated[float, typer.Option(help="Expected SD of tool / callipers, as a share.")] = 0.15,
    ratio_half_width: Annotated[float, typer.Option(help="Bias known to within this share.")] = 0.05,
    repeat_half_width: Annotated[
        float, typer.Option(help="SD between photos known to within this share of itself.")
    ] = 0.2,
    read_from: Annotated[ReadFrom, typer.Option(help="What readers look at.")] = "photo",
    paper: Annotated[Paper, typer.Option(help="Size of the sheets.")] = "letter",
    cards: Annotated[bool, typer.Option(help="Print a photo card with its id for every animal too.")] = True,
    title: Annotated[str, typer.Option(help="Name of the study.")] = "Field study",
    seed: SeedOption = 1,
) -> None:
    """
    Plan a study: how many animals by class and sex, who measures what, blind orders; sheets and forms.

    Writes plan.html to read, sheets to print, forms (CSV) to type into, and the keeper's key of blind codes.
    Numbers follow from the aims, each with its published source; animals are chosen at random but balanced.

    \b
    Example:  crestgauge study plan --out my-study --reader Alder --reader Birch --paper a4
    Exit status:  0 done   2 wrong usage, nothing written
    """
    versions_of_statistics()
    from crestgauge.inference.study.plan import Aims, PlanOptions, make_plan

    readers = tuple(reader or ("Reader A", "Reader B"))
    aims = Aims(
        agreement=agreement, agreement_half_width=agreement_half_width, ratio_sd=ratio_sd,
        ratio_half_width=ratio_half_width, repeat_half_width=repeat_half_width,
    )  # fmt: skip
    options = PlanOptions(
        title=title, aims=aims, animals=animals, by_hand=by_hand, twice=twice, readers=readers,
        measurers=tuple(measurer or ()), read_from=read_from, seed=seed,
    )  # fmt: skip
    made = make_plan(options, _jaws(jaws) if jaws is not None else ())
    if (out / "forms").exists():
        raise InputError(
            f"{out}: holds the forms of a study already. Choose another folder, so none is lost."
        )
    _write_kit(made, out, paper=paper, cards=cards)
    for aim in made.aims:
        typer.echo(f"{aim.n:>4} {aim.unit}: {aim.what}")
    for note in made.notes:
        typer.echo(f"note: {note}")
    typer.echo(f"Open {(out / 'plan.html').resolve().as_uri()}  (keep it from the readers)")


@study.command()
def score(
    places: Annotated[
        list[str], typer.Argument(metavar="DIR_OR_LEDGER...", help="The study's folder, or ledgers.")
    ],
    out: OutOption,
    readings: Annotated[
        Path | None, typer.Option(metavar="PATH", help="Readings, if not in DIR/readings.")
    ] = None,
    callipers: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Hand-measured widths, if not in DIR/forms.")
    ] = None,
    criteria: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Another key than the shipped one.")
    ] = None,
    whole_years: Annotated[
        Literal["refuse", "add-half"], typer.Option(help="What a whole year (3) is: refused, or read as 3.5.")
    ] = "refuse",
    seed: SeedOption = 0,
) -> None:
    """
    Score a study: repeatability, agreement with readers and known age, width error, classes, what is missing.

    Works on what is there already: a half-filled study is scored as far as it goes, and every missing pair is
    told with its reason. Rows that cannot be used are listed one by one.

    \b
    Example:  crestgauge study score my-study --out my-study/results
    Exit status:  0 every row was used   2 wrong usage, nothing written   3 results written, some rows were
    not used
    """
    from crestgauge.inference.compare.ages import LabelRules

    made = _score(places, readings, callipers, criteria, LabelRules(whole_years=whole_years), seed)
    _write_score(made, out)
    left = [p for p in made.problems if not p.used]
    for problem in left[:MOST_ROWS]:
        row = "" if problem.row is None else f", row {problem.row}"
        typer.echo(f"{problem.set_name}{row} ({problem.id}): {problem.what}", err=True)
    if len(left) > MOST_ROWS:
        typer.echo(f"... and {len(left) - MOST_ROWS} more: see problems.csv", err=True)
    if left:
        raise typer.Exit(EXIT_SOME_FAILED)


@study.command()
def demo(
    out: OutOption = Path("crestgauge-study-demo"), paper: Paper = "letter", seed: SeedOption = 6
) -> None:
    """
    The whole kit on drawn jaws of known age: plan, sheets, filled forms, readings, results.

    No photo is drawn or read: the two photos of a jaw are its true widths, each with errors from the shipped
    model of edge errors, and readers and callipers are simulated. Known biases are put in, which the results
    find again. Nothing here is a real deer.

    \b
    Example:  crestgauge study demo --out worked-study
    Exit status:  0 done; rows that were made unusable on purpose are told all the same
    """
    versions_of_statistics()
    from crestgauge.inference.compare.ages import LabelRules
    from crestgauge.inference.criteria import load_criteria
    from crestgauge.inference.study.demo import PUT_IN, READERS, demo_files, demo_plan, shipped_edges

    made = demo_plan(seed)
    filled = demo_files(made, load_criteria(), shipped_edges(), version=VERSION, seed=seed)
    _write_kit(made, out, paper=paper, cards=False)
    try:
        (out / "readings").mkdir(exist_ok=True)
        for name, text in filled.items():
            folder = "readings" if name.startswith("readings") else "forms"
            (out / folder / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{out}: cannot be written ({error.strerror}). Choose another folder.") from error
    result = _score([str(out)], None, None, None, LabelRules(), 0)
    typer.echo(
        f"Put in: the tool's dentine {PUT_IN.tool_dentine_mm:+g} mm and enamel {PUT_IN.tool_enamel_mm:+g} "
        f"mm; the second measurer's enamel {PUT_IN.second_hand_enamel_mm:+g} mm; {tuple(READERS)[1]} calls "
        "the young too old and the old too young. Simulated widths, no photos."
    )
    _write_score(result, out / "results")


def _jaws(path: Path) -> list[Jaw]:
    """Jaws at hand: sex and class where given; a known age in years gives the class."""
    from crestgauge.inference.compare.ages import SCALES, place
    from crestgauge.inference.exchange.tables_in import read_rows
    from crestgauge.inference.study.plan import Jaw

    rows, columns = read_rows(path)
    if "specimen_id" not in columns:
        raise InputError(f"{path}: columns {', '.join(columns)}; needs one called specimen_id.")
    jaws = []
    for line, row in rows:
        text = row.get("age_class") or row.get("age_years") or ""
        placed = place(text, SCALES["years"]) if text else None
        if placed is not None and placed.code is None:
            raise InputError(f"{path}:{line}: {placed.problem}.")
        label = SCALES["years"].labels[placed.code] if placed and placed.code is not None else ""
        jaws.append(Jaw(id=row["specimen_id"], sex=row.get("sex", ""), age_class=label))
    if not jaws:
        raise InputError(f"{path}: holds no jaw. Leave --jaws out to plan places to fill.")
    return jaws


def _write_kit(made: Plan, out: Path, *, paper: str, cards: bool) -> None:
    """Plan, page, sheets, forms and key."""
    from crestgauge.inference.card.pdf import write_card
    from crestgauge.inference.study.forms import forms, key_table
    from crestgauge.inference.study.kit import FORMS, PLAN
    from crestgauge.inference.study.plan import plan_to_dict
    from crestgauge.inference.study.plan_page import plan_html
    from crestgauge.inference.study.sheets import write_sheets

    created = datetime.datetime.now().astimezone().isoformat(timespec="minutes")
    try:
        for folder in (out, out / FORMS, out / "keeper"):
            folder.mkdir(parents=True, exist_ok=True)
        sheets = write_sheets(made, out / "sheets", paper=paper)
        if cards:
            write_card(
                out / "sheets" / "cards.pdf", paper=paper, specimen_ids=tuple(a.id for a in made.animals)
            )
            sheets = (*sheets, "cards.pdf")
        for name, text in forms(made).items():
            (out / FORMS / name).write_text(text, encoding="utf-8")
        (out / "keeper" / "key.csv").write_text(key_table(made), encoding="utf-8")
        text = json.dumps(plan_to_dict(made), ensure_ascii=False, indent=1) + "\n"
        (out / PLAN).write_text(text, encoding="utf-8")
        page = plan_html(made, created=created, version=VERSION, sheets=sheets)
        (out / "plan.html").write_text(page, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{out}: cannot be written ({error.strerror}). Choose another folder.") from error


def _score(
    places: list[str], readings: Path | None, callipers: Path | None, criteria: Path | None,
    rules: LabelRules, seed: int,
) -> Score:  # fmt: skip
    versions = versions_of_statistics()
    from crestgauge.inference.criteria import load_criteria
    from crestgauge.inference.study.kit import load_study
    from crestgauge.inference.study.score import score_study

    filled = load_study(places, readings=readings, callipers=callipers)
    created = datetime.datetime.now().astimezone().isoformat(timespec="minutes")
    return score_study(
        filled, load_criteria(criteria), created=created, versions=versions, seed=seed, rules=rules
    )


def _write_score(made: Score, out: Path) -> None:
    """All files of the results, and the main ones on the terminal."""
    from crestgauge.inference.study.score_page import PAGE, in_short, score_files

    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, text in score_files(made).items():
            (out / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{out}: cannot be written ({error.strerror}). Choose another folder.") from error
    for line in in_short(made):
        typer.echo(line)
    typer.echo(f"Open {(out / PAGE).resolve().as_uri()}  (every age is {PROPOSAL})")
