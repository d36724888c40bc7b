"""
The card as a printable PDF, true to size, with the six pictures of how to photograph. Edge module: writes
files.
"""

from __future__ import annotations

import os
from typing import Any, Final

from crestgauge.inference.card.layout import (
    CARD_HEIGHT_MM,
    CARD_WIDTH_MM,
    CHECK_LENGTH_MM,
    Shape,
    card_shapes,
    label,
    qr_modules,
)
from crestgauge.inference.card.pictures import picture_shapes
from crestgauge.inference.errors import CardError

PAPERS_MM: Final[dict[str, tuple[float, float]]] = {
    "a5": (210.0, 148.0),  # ISO 216, lying
    "a4": (210.0, 297.0),  # ISO 216
    "letter": (215.9, 279.4),  # ANSI/ASME Y14.1 size A
}
"""Width and height of the page. [mm]"""
_POINTS_PER_MM = 72 / 25.4
_CAPITALS = 0.718
"""Height of Helvetica's capitals as a share of its size (Adobe Core 14 font metrics, CapHeight 718)."""
CAUTION: Final = (
    "Wear gloves; mind sharp bone and tools. Do not post jaws. Where chronic wasting disease or bovine TB "
    "occurs, follow your agency's rules. Any age from a photo is a proposal for a trained person to confirm."
)


def write_card(path: str | os.PathLike[str], *, paper: str = "a5", specimen_ids: tuple[str, ...] = ()) -> int:
    """
    Write a PDF with one card per specimen id, or one blank card.

    Parameters
    ----------
    path : path-like
        Replaced if it exists.
    paper : str
        Key of `PAPERS_MM`. On A5 the six pictures are a last page; on larger paper they stand under each
        card.
    specimen_ids : tuple of str

    Returns
    -------
    int
        Pages written.

    Raises
    ------
    CardError
        If reportlab is missing, the paper is unknown, or the file cannot be written.
    InputError
        If an id does not fit on the card.
    """
    if paper not in PAPERS_MM:
        raise CardError(f"paper {paper!r} is unknown; needs one of {', '.join(PAPERS_MM)}.")
    try:
        from reportlab.pdfgen.canvas import Canvas
    except ImportError as error:
        raise CardError(
            'reportlab is not installed; needed to write the PDF. Run: pip install "crestgauge[card]"'
        ) from error
    for specimen_id in specimen_ids:
        qr_modules(specimen_id)
    width, height = PAPERS_MM[paper]
    canvas = Canvas(
        os.fspath(path),
        pagesize=(width * _POINTS_PER_MM, height * _POINTS_PER_MM),
        invariant=True,
        pageCompression=1,
    )
    canvas.setTitle("crestgauge photo card")
    # Viewers that obey it do not offer "fit to page" first (PDF 32000-1, 12.2, PrintScaling).
    canvas.setViewerPreference("PrintScaling", "None")
    left, pages = (width - CARD_WIDTH_MM) / 2, 0
    top = (height - CARD_HEIGHT_MM) / 2 if paper == "a5" else 10.0
    faces: tuple[str | None, ...] = specimen_ids or (None,)
    for name in faces:
        _page(canvas, card_shapes(name), left, top, height)
        if paper != "a5":
            _page(canvas, _instructions(), left, top + CARD_HEIGHT_MM + 6, height)
        canvas.showPage()
        pages += 1
    if paper == "a5":
        _page(canvas, _instructions(), left, 8.0, height)
        canvas.showPage()
        pages += 1
    try:
        canvas.save()
    except OSError as error:
        raise CardError(
            f"{os.fspath(path)}: cannot be written ({error.strerror}). Choose another place."
        ) from error
    return pages


def check_print(measured_mm: float) -> tuple[float, str]:
    """
    What a measured length of the printed ruler says about the printer.

    Parameters
    ----------
    measured_mm : float
        What the user measures between 0 and 100 of the printed ruler. [mm]

    Returns
    -------
    factor : float
        Printed size / true size, to hand to `find_card` as ``printed_scale``.
    sentence : str
        Says whether the page was scaled. A measurement by hand is good to about 0.5 mm, so less is no
        finding.

    Raises
    ------
    CardError
        If it is off by more than a quarter, which no page setting explains.
    """
    factor = measured_mm / CHECK_LENGTH_MM
    if not 0.75 <= factor <= 1.25:
        raise CardError(
            f"ruler 0 to 100 measures {measured_mm:g} mm; needs 75 to 125. Measure from 0 to 100."
        )
    if abs(measured_mm - CHECK_LENGTH_MM) <= 0.5:
        return factor, f"{measured_mm:g} mm of 100: printed true to size."
    return factor, (
        f"{measured_mm:g} mm of 100: the printer scaled the page to {100 * factor:.1f} %. Print at 100 % "
        f"(no fit to page), or give --card-scale {factor:.4g} with every photo of this card."
    )


def _instructions() -> list[Shape]:
    words, rows = CAUTION.split(), [""]
    for word in words:
        if len(rows[-1]) + len(word) > 135:
            rows.append("")
        rows[-1] = f"{rows[-1]} {word}".strip()
    shapes = picture_shapes(4.0, 2.0)
    return shapes + [label(4.0, 114.0 + 4.0 * k, row, height=2.0) for k, row in enumerate(rows)]


def _page(canvas: Any, shapes: list[Shape], left_mm: float, top_mm: float, page_height_mm: float) -> None:
    """Draw shapes with y down onto a page with y up."""

    def point(x: float, y: float) -> tuple[float, float]:
        return (left_mm + x) * _POINTS_PER_MM, (page_height_mm - top_mm - y) * _POINTS_PER_MM

    for shape in shapes:
        if shape.kind == "text":
            _text(canvas, shape, point(*shape.points[0]))
            continue
        outline = canvas.beginPath()
        outline.moveTo(*point(*shape.points[0]))
        for corner in shape.points[1:]:
            outline.lineTo(*point(*corner))
        if shape.kind == "polygon":
            outline.close()
        if shape.fill is not None:
            canvas.setFillGray(shape.fill / 255)
        if shape.stroke is not None:
            canvas.setStrokeGray(shape.stroke / 255)
            canvas.setLineWidth(shape.width * _POINTS_PER_MM)
        canvas.drawPath(outline, stroke=int(shape.stroke is not None), fill=int(shape.fill is not None))


def _text(canvas: Any, shape: Shape, place: tuple[float, float]) -> None:
    canvas.setFont("Helvetica", shape.width * _POINTS_PER_MM / _CAPITALS)
    canvas.setFillGray((shape.fill or 0) / 255)
    draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}[
        shape.anchor
    ]
    draw(*place, shape.text)
