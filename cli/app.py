"""
The command line application: one place where commands meet, and what their exit status means.

Each command lives in its own module and registers itself with ``@app.command()``. Command modules import the
heavy parts (onnxruntime, OpenCV, torch) inside their functions, so that help and wrong usage answer at once.
"""

from __future__ import annotations

from importlib import import_module
from typing import Annotated, Final

import typer

from crestgauge.inference.version import VERSION

EXIT_OK: Final = 0
EXIT_BROKEN: Final = 1
EXIT_USAGE: Final = 2
EXIT_SOME_FAILED: Final = 3
EXIT_STOPPED: Final = 130

COMMAND_MODULES: Final = (
    "read",
    "explain",
    "demo",
    "screen",
    "shards",
    "card",
    "season",
    "compare",
    "study",
    "labels",
    "doctor",
    "develop",
    "weights",
    "retrain",
    "review.command",
)
"""Modules of `crestgauge.cli` that hold commands, in the order of the help page."""

PROPOSAL: Final = "a proposal for a trained person to confirm"
"""What every age that leaves the tool is."""

app = typer.Typer(
    name="crestgauge",
    help=(
        "Age class of white-tailed deer from photographs of the six lower cheek teeth.\n\n"
        "Measures, on every tongue-side crest, how wide the dark dentine is against the white enamel beside "
        f"it, and answers the key step by step. Every age is {PROPOSAL}.\n\n"
        "\b\n"
        "Example:  crestgauge read jaws/*.jpg --out readings\n"
        "Exit status:  0 done   1 a result could not be written   2 wrong usage, nothing started\n"
        "              3 some files failed, each is named   130 stopped by Ctrl-C"
    ),
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"crestgauge {VERSION}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and end."),
    ] = False,
) -> None:
    """Options of the application itself."""


def load_commands() -> typer.Typer:
    """The application with every command registered."""
    for name in COMMAND_MODULES:
        import_module(f"crestgauge.cli.{name}")
    return app
