"""
Where everything on the card lies: the single source for the PDF, the drawn test pictures and the detector.

Card coordinates are millimetres, origin at the card's upper left corner, x right, y down. Eight AprilTags of
the 36h11 family (Olson 2011, "AprilTag: a robust and flexible visual fiducial system", ICRA; Wang & Olson
2016 for the family as OpenCV ships it) stand in two rows above and below the space for the jaw. The ends stay
free, because a jaw bone is longer than its tooth row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError

CARD_WIDTH_MM: Final = 196.0
CARD_HEIGHT_MM: Final = 132.0
"""Fits A5 across with 7 mm to spare at the short ends, and the upper half of Letter and A4."""

TAG_DICTIONARY: Final = cv2.aruco.DICT_APRILTAG_36h11
TAG_CELLS: Final = 8
TAG_MM: Final = 18.0
"""
Side of the black square. 8 cells of 2.25 mm: at 3 px/mm, far below what measuring needs, a cell is 7 px.
"""
_TAG_COLUMNS_MM = (4.0, 62.0, 116.0, 174.0)
_TAG_ROWS_MM = (4.0, 110.0)
FIRST_TAG: Final = 568
"""
Ids 568..575 of 587: high ones, so that the low ids found on other boards and toys are not taken for a card.
"""
TAGS: Final[dict[int, tuple[float, float]]] = {
    FIRST_TAG + 4 * r + c: (x, y) for r, y in enumerate(_TAG_ROWS_MM) for c, x in enumerate(_TAG_COLUMNS_MM)
}
"""Upper left corner of each tag's black square. [mm]"""

SPACE_MM: Final = (4.0, 30.0, 192.0, 98.0)
"""
x0, y0, x1, y1 of the space for the jaw, also the line to cut along when the card is laid round a jaw. [mm]
"""
QR_BOX_MM: Final = (30.0, 2.0, 24.0)
"""x, y, side of the place of the QR code, its quiet zone included. [mm]"""
QR_PREFIX: Final = "CG1:"
"""Marks our QR codes, so that a product label in the picture is never taken for a specimen id."""
MAX_SPECIMEN_ID: Final = 40

RULER_START_MM: Final = (23.0, 104.0)
RULER_LENGTH_MM: Final = 150.0
CHECK_LENGTH_MM: Final = 100.0
"""
Distance between the two long strokes 0 and 100 of the ruler, which the user measures after printing. [mm]
"""


@dataclass(frozen=True, slots=True)
class Patch:
    """
    A flat patch: box x, y, width, height [mm] and the sRGB grey value it is printed with (255 = bare paper).
    """

    x: float
    y: float
    width: float
    height: float
    grey: int


PATCHES: Final = (
    Patch(138.0, 5.0, 10.0, 16.0, 255),
    Patch(149.0, 5.0, 10.0, 16.0, 160),
    Patch(160.0, 5.0, 10.0, 16.0, 90),
    Patch(26.0, 111.0, 15.0, 16.0, 255),
    Patch(43.0, 111.0, 15.0, 16.0, 160),
)
"""White is the paper itself. Greys carry no promised reflectance (a printer is no instrument): they show
clipping and a colour cast, the balance is taken from white."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """
    One thing to draw.

    Parameters
    ----------
    kind : str
        "polygon" (closed), "line" (open) or "text".
    points : tuple of (float, float)
        Corners; for text its anchor on the base line. [mm]
    fill, stroke : int or None
        Grey 0..255; None = not drawn.
    width : float
        Stroke width, or height of capitals for text. [mm]
    text : str
    anchor : str
        "start", "middle" or "end".
    """

    kind: str
    points: tuple[tuple[float, float], ...]
    fill: int | None = None
    stroke: int | None = None
    width: float = 0.3
    text: str = ""
    anchor: str = "start"


def rectangle(
    x: float, y: float, w: float, h: float, *, fill: int | None = None, stroke: int | None = None
) -> Shape:
    """A rectangle with its upper left corner at (x, y). [mm]"""
    return Shape(
        kind="polygon", points=((x, y), (x + w, y), (x + w, y + h), (x, y + h)), fill=fill, stroke=stroke
    )


def line(*points: tuple[float, float], width: float = 0.3, stroke: int = 0) -> Shape:
    """An open line through ``points``. [mm]"""
    return Shape(kind="line", points=points, stroke=stroke, width=width)


def label(
    x: float, y: float, text: str, *, height: float = 2.2, anchor: str = "start", fill: int = 0
) -> Shape:
    """Text with its base line at (x, y) and capitals ``height`` high. [mm]"""
    return Shape(kind="text", points=((x, y),), text=text, width=height, anchor=anchor, fill=fill)


def tag_corners(tag: int) -> NDArray[np.float64]:
    """
    Outer corners of a tag's black square in OpenCV's order: upper left, then clockwise. Shape (4, 2). [mm]

    Raises
    ------
    KeyError
        If the tag is not on the card.
    """
    x, y = TAGS[tag]
    return np.array([[x, y], [x + TAG_MM, y], [x + TAG_MM, y + TAG_MM], [x, y + TAG_MM]], dtype=np.float64)


def tag_bits(tag: int) -> NDArray[np.uint8]:
    """Cells of a tag, shape (8, 8), 0 black, 255 white."""
    dictionary = cv2.aruco.getPredefinedDictionary(TAG_DICTIONARY)
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, tag, TAG_CELLS), dtype=np.uint8)


def qr_modules(specimen_id: str) -> NDArray[np.uint8]:
    """
    Modules of the QR code (ISO/IEC 18004) for one specimen id, with a quiet zone of 2 modules, 0 dark, 255
    light.

    Raises
    ------
    InputError
        If the id is empty, longer than `MAX_SPECIMEN_ID`, or holds a control character.
    """
    if not specimen_id or len(specimen_id) > MAX_SPECIMEN_ID or not specimen_id.isprintable():
        length = f"{len(specimen_id)} characters; needs 1 to {MAX_SPECIMEN_ID} printable ones"
        raise InputError(f"specimen id {specimen_id!r}: {length}.")
    options = cv2.QRCodeEncoder.Params()
    options.correction_level = cv2.QRCODE_ENCODER_CORRECT_LEVEL_M
    code = np.asarray(cv2.QRCodeEncoder.create(options).encode(QR_PREFIX + specimen_id), dtype=np.uint8)
    rows, cols = np.nonzero(code == 0)
    code = code[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1]
    return np.pad(code, 2, constant_values=255)


def card_shapes(specimen_id: str | None = None) -> list[Shape]:
    """
    Everything on the face of the card, in drawing order.

    Parameters
    ----------
    specimen_id : str or None
        Printed as QR code and text; None leaves a line to write on.
    """
    shapes = [rectangle(0, 0, CARD_WIDTH_MM, CARD_HEIGHT_MM, fill=255, stroke=200)]
    for tag, (x, y) in TAGS.items():
        shapes += _cells(tag_bits(tag), x, y, TAG_MM)
    shapes += [
        rectangle(p.x, p.y, p.width, p.height, fill=p.grey, stroke=0 if p.grey == 255 else None)
        for p in PATCHES
    ]
    shapes += _writing(specimen_id)
    shapes += _ruler()
    x0, y0, x1, y1 = SPACE_MM
    for a, b in (((x0, y0), (x1, y0)), ((x0, y1), (x1, y1))):
        shapes.append(line(a, b, width=0.2, stroke=120))
    shapes.append(
        label(
            98,
            64,
            "Teeth here, chewing surface up, level with this card (cut this window out)",
            anchor="middle",
            fill=170,
        )
    )
    return shapes


def _cells(bits: NDArray[np.uint8], x: float, y: float, side: float) -> list[Shape]:
    """Dark cells as one rectangle per run, so that no hairline shows between neighbours in print."""
    cell = side / bits.shape[0]
    shapes = []
    for row, values in enumerate(bits):
        edges = np.flatnonzero(np.diff(np.concatenate([[255], values, [255]]).astype(int)))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            shapes.append(rectangle(x + start * cell, y + row * cell, (stop - start) * cell, cell, fill=0))
    return shapes


def _writing(specimen_id: str | None) -> list[Shape]:
    """Title, id and the lines to write on."""
    shapes = [
        label(83, 8, "crestgauge photo card 1", height=1.7),
        label(83, 13, "Print at 100 %, then check:", height=1.7),
    ]
    shapes.append(label(83, 16.5, "ruler 0 to 100 = 100.0 mm", height=1.7))
    if specimen_id is None:
        shapes += [label(83, 21.5, "Id", height=1.7), line((87, 22), (113, 22), width=0.2)]
    else:
        x, y, side = QR_BOX_MM
        shapes += _cells(qr_modules(specimen_id), x, y, side)
        shapes.append(label(83, 22, specimen_id[:24], height=2.0 if len(specimen_id) <= 14 else 1.4))
    for x, name in ((83, "Date"), (138, "Sex"), (155, "Jaw side L / R")):
        shapes.append(label(x, 116, name, height=1.7))
        shapes.append(line((x, 124), (x + (29 if name == "Date" else 14), 124), width=0.2))
    return shapes


def _ruler() -> list[Shape]:
    """The millimetre scale between the space and the lower tags."""
    x0, y0 = RULER_START_MM
    shapes = [line((x0, y0), (x0 + RULER_LENGTH_MM, y0), width=0.2)]
    for mm in range(int(RULER_LENGTH_MM) + 1):
        length = 4.0 if mm % 10 == 0 else 3.0 if mm % 5 == 0 else 2.0
        shapes.append(line((x0 + mm, y0), (x0 + mm, y0 - length), width=0.2))
        if mm % 10 == 0:
            shapes.append(label(x0 + mm, y0 + 3.0, f"{mm}", height=1.7, anchor="middle"))
    shapes.append(label(x0 + RULER_LENGTH_MM + 4, y0 + 1.0, "mm", height=2.0))
    return shapes
