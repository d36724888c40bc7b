"""
The picture that shows what was measured: the photo with the row marked, and below it front and back half of
the row turned level and enlarged, with every crest line, band edge and ratio.

Edge module: draws pixels. Colours are those of Okabe and Ito (Color Universal Design, 2008), told apart with
the common colour-vision deficiencies; every line also has a dark casing, so that none is told by colour
alone. Sizes scale with the picture: at 400 px wide, a phone, the smallest writing is still about 9 px high.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from crestgauge.inference.evidence import Quantity
from crestgauge.inference.maps import RowFrame
from crestgauge.inference.measured import MeasuredCrest, MeasuredRow, MeasuredTooth
from crestgauge.inference.networks import coarse_view, warp_crop
from crestgauge.inference.pipeline import Result
from crestgauge.inference.reading import Reading
from crestgauge.model.labels import tooth_name

Pixels = NDArray[np.uint8]
FloatArray = NDArray[np.float64]
Colour = tuple[int, int, int]

ORANGE: Final[Colour] = (230, 159, 0)
SKY: Final[Colour] = (86, 180, 233)
YELLOW: Final[Colour] = (240, 228, 66)
GREY: Final[Colour] = (205, 205, 210)
WHITE: Final[Colour] = (255, 255, 255)
INK: Final[Colour] = (24, 24, 28)
PAPER: Final[Colour] = (250, 249, 246)

WIDTH: Final = 1600
"""Width of the overlay picture. [px]"""
MAX_PHOTO_HEIGHT: Final = 1600
"""A portrait photo is shown no taller than this. [px]"""
HALVES: Final = ((1, 2, 3), (4, 5, 6))


@dataclass(frozen=True, slots=True, eq=False)
class _Panel:
    """A picture being drawn on, and the similarity from photo pixels to its own."""

    pixels: Pixels
    frame: RowFrame
    unit: float
    """Width of a thin line; all sizes are multiples of it. [px]"""

    def place(self, points: FloatArray) -> FloatArray:
        """Photo points (N, 2) in panel pixels."""
        return np.asarray(points) @ self.frame.matrix[:, :2].T + self.frame.matrix[:, 2]

    def line(self, points: FloatArray, colour: Colour, width: float, *, closed: bool = False) -> None:
        """A smooth line through photo points, with a dark casing; NaN points break it."""
        placed = self.place(points)
        pieces = np.split(placed, np.flatnonzero(~np.isfinite(placed).all(axis=1)))
        for piece in pieces:
            good = piece[np.isfinite(piece).all(axis=1)]
            if len(good) < 2:
                continue
            fixed = np.rint(good * 16).astype(np.int32)  # 4 bits after the point
            thick = max(1, round(width * self.unit))
            casing = thick + max(2, round(0.8 * self.unit))
            for ink, size in ((INK, casing), (colour, thick)):
                cv2.polylines(self.pixels, [fixed], closed, ink, size, cv2.LINE_AA, 4)


def draw_overlay(result: Result) -> Pixels:
    """
    The overlay picture of one reading.

    Parameters
    ----------
    result : Result

    Returns
    -------
    ndarray of uint8, shape (H, `WIDTH`, 3)
    """
    parts = [_head(result.reading), _photo_panel(result)]
    parts += close_ups(result)
    return np.concatenate(parts, axis=0)


def close_ups(result: Result) -> list[Pixels]:
    """Front and back half of the row, level and enlarged, each (H, `WIDTH`, 3); none for a bare half."""
    if result.row is None or result.frame is None:
        return []
    colour = coarse_view(result.photo.pixels).edge_colour
    panels = []
    for positions in HALVES:
        teeth = [t for t in result.row.teeth if t.position in positions and t.box is not None]
        if teeth:
            panels.append(_close_up(result, result.row, teeth, result.frame, colour))
    return panels


def write_picture(path: str | os.PathLike[str], pixels: Pixels, *, quality: int = 88) -> None:
    """Write a JPEG that carries nothing but pixels: no position, no camera, no thumbnail."""
    Image.fromarray(pixels).save(path, "JPEG", quality=quality, optimize=True)


def _photo_panel(result: Result) -> Pixels:
    """The whole photo with the row's crowns and numbers."""
    height, width = result.photo.pixels.shape[:2]
    scale = min(WIDTH / width, MAX_PHOTO_HEIGHT / height)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = np.asarray(cv2.resize(result.photo.pixels, size, interpolation=method), dtype=np.uint8)
    left = (WIDTH - size[0]) // 2
    canvas = np.full((size[1], WIDTH, 3), PAPER, dtype=np.uint8)
    canvas[:, left : left + size[0]] = small
    matrix = np.array([[scale, 0, left + (scale - 1) / 2], [0, scale, (scale - 1) / 2]])
    panel = _Panel(canvas, RowFrame(matrix), WIDTH / 640)
    if result.row is None:
        return canvas
    seen = [tooth for tooth in result.row.teeth if tooth.box is not None]
    for tooth in seen:
        panel.line(tooth.outline, YELLOW, 1.0, closed=True)
        for crest in tooth.crests:
            panel.line(crest.line, ORANGE, 1.0)
    ink = _Ink(panel)
    across = _across(result.row, result.frame)
    for tooth in seen:
        away = float(np.hypot(*(tooth.outline[3] - tooth.outline[0]))) / 2 * scale + 14 * panel.unit
        at = panel.place(np.array([tooth.centre]))[0] - across * away
        ink.badge(at, str(tooth.position), 15, YELLOW, INK)
    return ink.done()


def _across(row: MeasuredRow, frame: RowFrame | None) -> FloatArray:
    """Unit vector of the photo that points from the row towards the tongue."""
    if frame is None:
        return np.array([0.0, -1.0])
    up = np.linalg.inv(frame.matrix[:, :2]) @ np.array([0.0, -1.0])
    up = np.asarray(up / np.linalg.norm(up), dtype=np.float64)
    return -up if row.side == "right" else up


def _close_up(
    result: Result, row: MeasuredRow, teeth: list[MeasuredTooth], frame: RowFrame, colour: tuple[float, ...]
) -> Pixels:
    """Some teeth, level and as large as they fit, with all that was measured on them."""
    unit = WIDTH / 500
    corners = np.concatenate([tooth.outline for tooth in teeth]) @ frame.matrix[:, :2].T + frame.matrix[:, 2]
    low, high = corners.min(axis=0), corners.max(axis=0)
    # A lone tooth is not blown up beyond what its pixels can show.
    scale = min((WIDTH - 16 * unit) / (high[0] - low[0]), 4.0, 8.0 / frame.scale)
    tongue, cheek = 34 * unit, 30 * unit  # room for ratios and for numbers
    above, below = (tongue, cheek) if row.side != "right" else (cheek, tongue)
    height = round((high[1] - low[1]) * scale + above + below)
    offset = np.array([WIDTH / 2 - scale * (low[0] + high[0]) / 2, above - scale * low[1]])
    linear = scale * frame.matrix[:, :2]
    own = RowFrame(np.column_stack([linear, scale * frame.matrix[:, 2] + offset]))
    padding = (float(colour[0]), float(colour[1]), float(colour[2]))
    panel = _Panel(warp_crop(result.photo.pixels, own, padding, (WIDTH, height)), own, unit)
    for tooth in teeth:
        for crest in tooth.crests:
            _draw_crest(panel, crest)
    ink = _Ink(panel)
    up = row.side != "right"
    ratio_y = above - 17 * unit if up else height - below + 17 * unit
    number_y = height - below + 15 * unit if up else above - 15 * unit
    for tooth in teeth:
        middle = panel.place(tooth.outline).mean(axis=0)
        words = f"{tooth.position}  {tooth_name(tooth.position, milk=bool(tooth.milk))}"
        if tooth.state != "erupted":
            words += f"  {tooth.state}"
        ink.badge(np.array([middle[0], number_y]), words, 13, YELLOW, INK)
        for crest in tooth.crests:
            if len(crest.line):
                at = panel.place(crest.line)
                ink.leader(at[len(at) // 2], ratio_y, up=up)
                _label_crest(ink, crest, np.array([at[:, 0].mean(), ratio_y]))
    return ink.done()


def _draw_crest(panel: _Panel, crest: MeasuredCrest) -> None:
    """Band edges in blue, the crest line in orange between them."""
    if crest.stations is not None:
        edges = crest.stations.edges
        # Without an infundibulum there is no inner band to show.
        for k in range(2) if crest.infundibulum_gone else range(4):
            panel.line(_broken_at_jumps(edges[:, k]), SKY, 0.6)
    panel.line(crest.line, ORANGE, 0.9)


def _broken_at_jumps(points: FloatArray) -> FloatArray:
    """An edge with NaN put in where it leaps between stations, so that no line is drawn across."""
    if len(points) < 3:
        return points
    steps = np.hypot(*np.diff(points, axis=0).T)
    seen = steps[np.isfinite(steps)]
    if not len(seen):
        return points
    leaps = np.flatnonzero(steps > _LEAP * max(float(np.median(seen)), 1e-6)) + 1
    return np.insert(points, leaps, np.nan, axis=0)


_LEAP: Final = 4.0
"""A step this many times the usual one is no edge of a band."""


def _label_crest(ink: _Ink, crest: MeasuredCrest, at: FloatArray) -> None:
    """Ratio with twice its standard uncertainty, or why there is none."""
    if crest.infundibulum_gone:
        ink.text(at, "dished", 10, WHITE)
    elif crest.ratio is None:
        ink.text(at, "?", 13, WHITE)
    else:
        value, margin = format_ratio(crest.ratio)
        down = np.array([0.0, ink.panel.unit])
        ink.text(at - 5.5 * down, value, 14, WHITE)
        ink.text(at + 6.5 * down, margin, 9, WHITE)


def format_ratio(ratio: Quantity) -> tuple[str, str]:
    """A ratio and its 95 % margin (JCGM 100:2008, coverage factor 2), for example "0.93", "± 0.08"."""
    return f"{ratio.value:.2f}", f"± {ratio.margin:.2f}"


def _head(reading: Reading) -> Pixels:
    """Class, outcome, and that it is a proposal, on one dark band."""
    unit = WIDTH / 500
    pixels = np.full((round(40 * unit), WIDTH, 3), INK, dtype=np.uint8)
    ink = _Ink(_Panel(pixels, RowFrame(np.eye(2, 3)), unit))
    if reading.outcome == "retake":
        title = "retake: " + ", ".join(item.reason.replace("_", " ") for item in reading.retake)
        line = "This photo gives no class. How to retake it is said in the reading."
    else:
        possible = [name for name in reading.possible if name != reading.age_class]
        title = f"{reading.age_class or 'open'}   {reading.outcome}"
        title += f"   also possible: {', '.join(possible)}" if possible else ""
        line = reading.caution
    ink.text(np.array([10 * unit, 13 * unit]), title, 16, WHITE, anchor="lm", limit=WIDTH - 20 * unit)
    ink.text(np.array([10 * unit, 30 * unit]), line, 10, GREY, anchor="lm", limit=WIDTH - 20 * unit)
    return ink.done()


class _Ink:
    """Writing on a panel; sizes in its units."""

    def __init__(self, panel: _Panel) -> None:
        self.panel = panel
        self._image = Image.fromarray(panel.pixels)
        self._draw = ImageDraw.Draw(self._image)

    def done(self) -> Pixels:
        """The pixels with all writing."""
        return np.asarray(self._image)

    def _font(self, size: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
        return ImageFont.load_default(max(8.0, size * self.panel.unit))

    def text(
        self,
        at: FloatArray,
        words: str,
        size: float,
        colour: Colour,
        *,
        anchor: str = "mm",
        limit: float = 0.0,
    ) -> None:
        """Words with a dark rim at a point of the panel; shrunk until they fit into ``limit`` pixels."""
        font = self._font(size)
        while limit and size > 6 and self._draw.textlength(words, font=font) > limit:
            size *= 0.92
            font = self._font(size)
        rim = max(1, round(0.12 * size * self.panel.unit))
        self._draw.text(
            (float(at[0]), float(at[1])), words, colour, font, anchor, stroke_width=rim, stroke_fill=INK
        )

    def badge(self, at: FloatArray, words: str, size: float, back: Colour, colour: Colour) -> None:
        """Words on a rounded plate, kept inside the picture."""
        font = self._font(size)
        half = self._draw.textlength(words, font=font) / 2 + 0.45 * size * self.panel.unit
        tall = 0.68 * size * self.panel.unit
        half = max(half, tall)
        x = float(np.clip(at[0], half + 1, max(self._image.width - half - 2, half + 1)))
        y = float(np.clip(at[1], tall + 1, max(self._image.height - tall - 2, tall + 1)))
        box = (x - half, y - tall, x + half, y + tall)
        rim = max(1, round(self.panel.unit))
        self._draw.rounded_rectangle(box, radius=tall, fill=back, outline=INK, width=rim)
        self._draw.text((x, y), words, colour, font, "mm")

    def leader(self, crest: FloatArray, ratio_y: float, *, up: bool) -> None:
        """A thin line from a crest to its ratio."""
        end = ratio_y + (13 if up else -12) * self.panel.unit
        start = crest[1] + (-4 if up else 4) * self.panel.unit
        if (start - end) * (1 if up else -1) <= 0:
            return
        x = float(crest[0])
        for colour, width in ((INK, 1.6), (WHITE, 0.6)):
            self._draw.line((x, start, x, end), colour, max(1, round(width * self.panel.unit)))
