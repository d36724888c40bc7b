"""``crestgauge weights``: which weights there are, which one reads, and the way back."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from crestgauge.cli.app import EXIT_SOME_FAILED, app
from crestgauge.cli.develop import needs_train_extra
from crestgauge.cli.terminal import step_progress
from crestgauge.inference.errors import WeightsError
from crestgauge.model import local
from crestgauge.model.weights import Role

if TYPE_CHECKING:
    from crestgauge.model.local import WeightsSet

ROLES: tuple[Role, ...] = ("fine", "coarse")

group = typer.Typer(
    name="weights",
    help=(
        "Weights of your own beside the shipped ones: list, compare, choose, go back.\n\n"
        "They lie in one folder per user (weights list names it; CRESTGAUGE_WEIGHTS_DIR names another), one "
        "sub-folder per set, which can be copied to another machine as it is. Every reading says which "
        "weights it was made with.\n\n"
        "\b\n"
        "Example:  crestgauge weights list\n"
        "Exit status:  0 done   2 wrong usage, or weights that are unknown or damaged: nothing was changed"
    ),
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)

FolderOption = Annotated[
    Path | None,
    typer.Option(
        "--weights-dir", metavar="DIR", help="Folder of your own weights, in place of the usual one."
    ),
]
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="A set of weights, or shipped.")]


@group.command("list")
def list_weights(folder: FolderOption = None) -> None:
    """
    All sets of weights, the one that reads by default marked with *.

    \b
    Example:  crestgauge weights list
    Exit status:  0 listed   2 a manifest cannot be read
    """
    default = local.current(folder)
    sets = local.list_sets(folder)
    width = max(len(each.name) for each in sets)
    for each in sets:
        mark = "*" if each.name == default else " "
        typer.echo(f"{mark} {each.name:<{width}}  {each.model}")
    typer.echo(f"Your own weights lie in {local.weights_folder(folder)}")


@group.command()
def show(name: NameArgument, folder: FolderOption = None) -> None:
    """
    One set: its files, what it was trained on, its comparisons, when it became the default.

    \b
    Example:  crestgauge weights show shipped
    Exit status:  0 shown   2 no such weights, or a file is damaged
    """
    found = local.find_set(name, folder=folder)
    typer.echo(f"{found.name}: {found.model}")
    for role in ROLES:
        entry = found.manifest.find(role, found.fine if role == "fine" else None)
        entry.read()
        typer.echo(f"  {role}: {entry.path} ({entry.size / 1e6:.1f} MB, sha256 {entry.sha256[:12]}, whole)")
        typer.echo(
            f"  {role}: run record {found.folder / entry.trained_by}, card {found.folder / entry.card}"
        )
    for path in sorted((found.folder / local.GATES).glob("*.json")):
        typer.echo(f"  compared with {path.stem}: {path}")
    for row in local.history(folder):
        if row["name"] == name:
            typer.echo(f"  {row['action']} {row['at']}: {_reason(row)}")


@group.command()
def use(
    name: NameArgument,
    anyway: Annotated[
        bool,
        typer.Option("--anyway", help="Without a passed comparison; the history keeps that you said so."),
    ] = False,
    why: Annotated[str, typer.Option(metavar="TEXT", help="Your reason, kept in the history.")] = "",
    folder: FolderOption = None,
) -> None:
    """
    Read with this set from now on, if its comparison with the present one was passed.

    The comparison is made by "crestgauge weights compare". The shipped weights need none.

    \b
    Example:  crestgauge weights use shipped
    Exit status:  0 it is the default now   2 no such weights, or the comparison is missing or was not passed
    """
    new, old = local.find_set(name, folder=folder), local.find_set(folder=folder)
    reason = allowed(new, old, anyway=anyway)
    local.use(name, at=_now(), why=reason | ({"words": why} if why else {}), folder=folder)
    typer.echo(f"{name} ({new.model}) reads from now on; before: {old.name}. Back: crestgauge weights back")


@group.command()
def back(folder: FolderOption = None) -> None:
    """
    Return to the weights that were the default before the present ones.

    \b
    Example:  crestgauge weights back
    Exit status:  0 returned   2 there is nothing to return to
    """
    name = local.back(at=_now(), folder=folder)
    typer.echo(f"{name} ({local.find_set(name, folder=folder).model}) reads from now on.")


@group.command("compare")
def compare_weights(
    old: Annotated[str, typer.Argument(metavar="OLD", help="Weights that read now, such as shipped.")],
    new: Annotated[str, typer.Argument(metavar="NEW", help="Weights that may take their place.")],
    own: Annotated[Path, typer.Option(metavar="DATASET", help="Your labelled photos.")],
    independent: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Pictures of another source with truth; by default tests/data/traced of the repository, "
            "which is not installed: get it there.",
        ),
    ] = None,
    drawn: Annotated[
        int, typer.Option(min=0, metavar="N", help="Photos of the fixed drawn set, kept for the next time.")
    ] = 24,
    workers: Annotated[int, typer.Option(min=1, metavar="N", help="Processes that read.")] = 1,
    folder: FolderOption = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but failures.")] = False,
) -> None:
    """
    The gate: both sets read your animals kept back, independent pictures and drawn ones; is NEW better?

    It passes where NEW is shown to be better on your animals and nothing got worse anywhere. Reading takes
    some three seconds a photo on one core, and the drawn set ten a photo the first time. Needs the extra
    "train".

    \b
    Example:  crestgauge weights compare shipped ridge-2026 --own dataset
    Exit status:  0 passed   2 wrong usage, nothing compared   3 compared, not passed
    """
    gate = needs_train_extra("training.gate")
    card = needs_train_extra("training.own_card")
    options = gate.GateOptions(
        own=own,
        independent=independent or gate.default_independent(),
        drawn=drawn,
        workers=workers,
        folder=folder,
    )
    before, after = local.find_set(old, folder=folder), local.find_set(new, folder=folder)
    with step_progress(quiet=quiet) as tell:
        result = gate.compare_weights(before, after, options, made=_now(), tell=tell)
    if (after.folder / "plan.json").is_file():
        card.write_own_card(after.folder)
    if not quiet:
        typer.echo(gate.page(result))
    if not result["passed"]:
        typer.echo(f"{new} did not pass: {result['verdict']}.", err=True)
        raise typer.Exit(EXIT_SOME_FAILED)
    typer.echo(f"{new} passed. Read with it from now on:  crestgauge weights use {new}")


def allowed(new: WeightsSet, old: WeightsSet, *, anyway: bool) -> dict[str, Any]:
    """
    Why ``new`` may take the place of ``old``, for the history.

    Raises
    ------
    WeightsError
        If it may not, and nobody said ``anyway``.
    """
    if new.name == local.SHIPPED:
        return {"kind": "shipped"}
    gate = local.read_gate(new, old)
    if gate is not None and gate["passed"]:
        return {"kind": "gate", "made": gate["made"], "verdict": gate["verdict"]}
    found = "was not compared" if gate is None else f"did not pass: {gate['verdict']}"
    if anyway:
        return {"kind": "anyway", "found": found}
    raise WeightsError(
        f"weights {new.name}: {found} with {old.name}, which reads now. Run "
        f'"crestgauge weights compare {old.name} {new.name} --own DATASET", or say --anyway.'
    )


def _reason(row: Any) -> str:
    why = row.get("why", {})
    kind = {"gate": "comparison passed", "anyway": "without a passed comparison", "shipped": "shipped"}
    return "; ".join(x for x in (kind.get(why.get("kind", ""), ""), why.get("words", "")) if x) or "went back"


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
