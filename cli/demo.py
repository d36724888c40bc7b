"""``crestgauge demo``: read the photos that come with the program."""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path
from typing import Annotated

import typer

from crestgauge.cli.app import EXIT_SOME_FAILED, app
from crestgauge.cli.read import SHEET, ReadOutput, read_all
from crestgauge.cli.terminal import SUFFIXES


@app.command()
def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the results.")] = Path(
        "crestgauge-demo"
    ),
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print failures only.")] = False,
) -> None:
    """
    Read the example photos that come with the program, and say what to open.

    The examples are drawn by the project's own generator, not photographs of deer. Results: one reading
    (JSON) and one overlay picture per photo, and sheet.html. Ages are proposals for a trained person to
    confirm.

    \b
    Example:  crestgauge demo --out first-look
    Exit status:  0 every example read   3 some failed: the installation is damaged, see crestgauge doctor
    """
    from crestgauge.inference.pipeline import Reader

    with as_file(files("crestgauge.inference").joinpath("examples")) as folder:
        photos = sorted(path for path in folder.glob("*") if path.suffix.lower() in SUFFIXES)
        failed = read_all(Reader(), photos, ReadOutput(folder=out, quiet=quiet)) if photos else 1
    if failed:
        typer.echo("The examples are damaged or missing. Run: crestgauge doctor", err=True)
        raise typer.Exit(EXIT_SOME_FAILED)
    if not quiet:
        typer.echo(f"Open {(out / SHEET).resolve().as_uri()}")
