"""``crestgauge card``: the printed card that gives a photo its scale."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from crestgauge.cli.app import app


@app.command()
def card(
    out: Annotated[Path | None, typer.Argument(metavar="FILE.pdf", help="Where to write the PDF.")] = None,
    paper: Annotated[str, typer.Option(metavar="SIZE", help="a5, a4 or letter.")] = "letter",
    specimen: Annotated[
        list[str] | None, typer.Option(metavar="ID", help="Print this id and its QR code; may be repeated.")
    ] = None,
    measured: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Check a print: what you measure between 0 and 100 of the ruler."),
    ] = None,
) -> None:
    """
    Write the photo card as a PDF: markers, ruler, white and grey patches, and six pictures of how to
    photograph.

    With the card in the picture a reading has millimetres, the true tilt and the specimen id. Print it at 100
    %, then measure its ruler and run this again with --measured: a printer that scaled the page is caught.

    \b
    Example:  crestgauge card card.pdf --paper letter --specimen A-2026-017
    Example:  crestgauge card --measured 97
    Exit status:  0 done   2 wrong usage, nothing written
    """
    from crestgauge.inference.card.pdf import check_print, write_card
    from crestgauge.inference.errors import CardError

    if out is None and measured is None:
        raise CardError("neither FILE.pdf nor --measured given; needs one of them.")
    if measured is not None:
        typer.echo(check_print(measured)[1])
    if out is not None:
        pages = write_card(out, paper=paper.lower(), specimen_ids=tuple(specimen or ()))
        typer.echo(f"{out}: {pages} page{'s' if pages > 1 else ''}. Print at 100 %, no fit to page.")
