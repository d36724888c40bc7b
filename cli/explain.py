"""``crestgauge explain``: a written reading, step by step in words."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from crestgauge.cli.app import EXIT_SOME_FAILED, app


@app.command()
def explain(
    readings: Annotated[
        list[Path], typer.Argument(metavar="READING.json...", help="Written by read; - is the input.")
    ],
) -> None:
    """
    Say in words how the key came to its class: every question, measured value, limit and answer.

    Also says what else is possible, and how well such ages agreed with known ages in published studies.
    Files may hold one reading, or one reading per line. An age is a proposal for a trained person to confirm.

    \b
    Example:  crestgauge explain readings/IMG_0042.reading.json
    Example:  crestgauge read jaw.jpg --json - | crestgauge explain -
    Exit status:  0 every reading explained   3 some files hold no reading, each is named
    """
    from crestgauge.inference.criteria import load_criteria
    from crestgauge.inference.errors import ReadingError
    from crestgauge.inference.explain import explain as in_words
    from crestgauge.inference.reading import Reading

    shipped = load_criteria()
    failed = 0
    for path in readings:
        try:
            found = [Reading.from_json(text) for text in _texts(path)]
            if not found:
                raise ReadingError("empty; needs a reading. Write it again with: crestgauge read")
        except (ReadingError, OSError, UnicodeDecodeError) as error:
            typer.echo(f"{path}: {error.strerror if isinstance(error, OSError) else error}", err=True)
            failed += 1
            continue
        for reading in found:
            # What was published on single-year classes belongs to the key that made the reading.
            own = reading.versions.criteria == shipped.label
            typer.echo(f"{reading.photo.file}")
            typer.echo(in_words(reading, remarks=shipped.remarks if own else ()).text() + "\n")
    if failed:
        raise typer.Exit(EXIT_SOME_FAILED)


def _texts(path: Path) -> list[str]:
    """Readings in a file: one JSON object over several lines, or one object per line."""
    text = sys.stdin.read() if str(path) == "-" else path.read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line.strip()]
    return lines if len(lines) > 1 and lines[0].rstrip().endswith("}") else ([text] if lines else [])
