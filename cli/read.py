"""``crestgauge read``: photos in, readings, overlay pictures and one sheet out."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated

import typer

from crestgauge.cli.app import EXIT_SOME_FAILED, EXIT_USAGE, app
from crestgauge.cli.terminal import collect_photos, one_line, progress, unused_name
from crestgauge.inference.errors import PhotoError

if TYPE_CHECKING:
    from crestgauge.inference.pipeline import Reader, Result

READING_SUFFIX = ".reading.json"
OVERLAY_SUFFIX = ".overlay.jpg"
SHEET = "sheet.html"


@app.command()
def read(
    photos: Annotated[list[str], typer.Argument(metavar="PHOTO...", help="Files, folders or patterns.")],
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Write readings, overlay pictures and sheet.html into this folder."),
    ] = None,
    json: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Write one reading per line as JSON; - is the standard output."),
    ] = None,
    criteria: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Another key than the shipped one.")
    ] = None,
    weights: Annotated[
        str | None, typer.Option(metavar="NAME", help="Your own weights, or shipped (see: weights list).")
    ] = None,
    manifest: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A manifest by its path; NAME is then in it.")
    ] = None,
    threads: Annotated[int | None, typer.Option(min=1, metavar="N", help="Threads of the networks.")] = None,
    card_scale: Annotated[
        float, typer.Option(min=0.75, max=1.25, help="Printed over true size of the card (card --measured).")
    ] = 1.0,
    teeth_height: Annotated[
        float, typer.Option(metavar="MM", help="How far the teeth stood above the card in the photos.")
    ] = 0.0,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print failures only.")] = False,
) -> None:
    """
    Read each PHOTO: find the tooth row, measure every tongue-side crest, answer the key, propose a class.

    Prints one line per photo: outcome (clear, borderline or retake), class, what decided it, what is
    borderline. No age is final: it is a proposal for a trained person to confirm. Positions and other capture
    data of the photos are not written.

    \b
    Example:  crestgauge read jaws/*.jpg --out readings
    Example:  crestgauge read jaws --json - --quiet > jaws.jsonl
    Exit status:  0 every photo read   2 wrong usage, nothing started   3 some photos failed, each is named
    """
    found, nothing = collect_photos(photos)
    if not found:
        typer.echo(
            f"crestgauge read: no photo called {', '.join(nothing)}; needs files or folders.", err=True
        )
        raise typer.Exit(EXIT_USAGE)
    from crestgauge.inference.pipeline import Reader, ReadOptions

    reader = Reader(
        ReadOptions(
            threads=threads,
            criteria=criteria,
            manifest=manifest,
            weights=weights,
            card_scale=card_scale,
            teeth_height_mm=teeth_height,
        )
    )
    failed = len(nothing)
    for argument in nothing:
        typer.echo(f"{argument}: not found; needs a file, folder or pattern of photos.", err=True)
    failed += read_all(reader, found, ReadOutput(folder=out, json=json, quiet=quiet))
    if failed:
        typer.echo(f"{failed} of {len(found) + len(nothing)} could not be read.", err=True)
        raise typer.Exit(EXIT_SOME_FAILED)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOutput:
    """Where results go: files in ``folder``, JSON lines to ``json`` ("-" is standard output), terminal."""

    folder: Path | None = None
    json: str | None = None
    quiet: bool = False


def read_all(reader: Reader, photos: list[Path], output: ReadOutput) -> int:
    """
    Read the photos one by one, write what was asked for, and go on after a photo that fails.

    Returns
    -------
    int
        Photos that failed; each was named on the error stream.
    """
    from crestgauge.inference.sheet import SheetItem, sheet_item, write_sheet

    if output.folder is not None:
        output.folder.mkdir(parents=True, exist_ok=True)
    lines = _open_json(output.json)
    human = sys.stderr if output.json == "-" else sys.stdout
    width = max(len(path.name) for path in photos)
    taken: set[str] = {Path(SHEET).stem}
    items: list[SheetItem] = []
    failures: list[str] = []
    try:
        for path in progress(photos, len(photos), words="Reading", quiet=output.quiet):
            try:
                result = reader.read(path)
            except PhotoError as error:
                print(error, file=sys.stderr)
                failures.append(str(error))
                continue
            if output.folder is not None:
                name = unused_name(path.stem, taken)
                overlay = _write_files(result, output.folder, name)
                items.append(sheet_item(result, overlay=overlay.name))
            if lines is not None:
                print(result.reading.to_json(), file=lines, flush=True)
            if not output.quiet:  # last, so that a line on the screen means that its files are there
                print(one_line(result.reading, width=width), file=human, flush=True)
    finally:
        # Also after Ctrl-C: what was read is on the sheet.
        if output.folder is not None and (items or failures):
            write_sheet(output.folder / SHEET, items, failures)
        if lines is not None and lines is not sys.stdout:
            lines.close()
    return len(failures)


def _open_json(target: str | None) -> IO[str] | None:
    if target is None:
        return None
    return sys.stdout if target == "-" else Path(target).open("w", encoding="utf-8")


def _write_files(result: Result, folder: Path, name: str) -> Path:
    """Reading and overlay picture of one photo; returns the picture's path."""
    from crestgauge.inference.overlay import draw_overlay, write_picture

    text = result.reading.to_json(indent=2) + "\n"
    (folder / f"{name}{READING_SUFFIX}").write_text(text, encoding="utf-8")
    path = folder / f"{name}{OVERLAY_SUFFIX}"
    write_picture(path, draw_overlay(result))
    return path
