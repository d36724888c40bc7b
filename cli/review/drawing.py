"""
What the templates draw: places on the axis of ratios, band lines on the photo, the profile across a crest.

Pure. Templates hold no arithmetic: they call these as filters (`FILTERS`). Lengths on a drawing are percent
of its width, so that one page serves a phone and a desk. Nothing of the key is here, and nothing of it is in
the page's script.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode

import numpy as np

from crestgauge.inference.confirm.geometry import LevelView
from crestgauge.inference.confirm.jaw_pages import CrestView
from crestgauge.inference.confirm.profiles import CrestProfile
from crestgauge.inference.confirm.queue_pages import BlindQueuePage, QueuePage
from crestgauge.inference.confirm.views import Axis, Interval
from crestgauge.inference.reading import Point

PLOT_WIDTH: Final = 1000.0
PLOT_HEIGHT: Final = 100.0
"""User units of a profile's drawing; it is stretched to the width of the page."""
PICTURE_WIDTHS: Final = (800, 1600, 3200)
"""Widths in which the page asks for a photo, beside its own. [px]"""
MAX_STOPS: Final = 64
"""Colours in the strip under a profile; more cannot be told apart on a screen."""
WIDEST_CROWN: Final = 0.055
"""Half of a crown's width, tongue to cheek, as a share of the level view; about 5 mm of a row of 75 mm."""
SIGNS: Final[Mapping[str, str]] = {
    "clear": "●",
    "borderline": "◐",
    "retake": "○",
    "yes": "▲",
    "no": "■",
    "unseen": "?",
}
"""A sign of its own shape for each outcome and answer, so that none is told by colour alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """An interval on the axis. [percent of its width]"""

    low: float
    value: float
    high: float


def axis_place(value: float, axis: Axis) -> float:
    """Place of a ratio on the axis, kept on it. [percent]"""
    share = (value - axis.low) / (axis.high - axis.low)
    return round(100.0 * min(max(share, 0.0), 1.0), 2)


def axis_span(interval: Interval, axis: Axis) -> Span:
    """An interval on the axis."""
    return Span(
        low=axis_place(interval.low, axis),
        value=axis_place(interval.value, axis),
        high=axis_place(interval.high, axis),
    )


def sign(word: str) -> str:
    """The sign of an outcome or answer; "unseen, taken as passed" has that of unseen."""
    return SIGNS.get(word.split(",")[0], "·")


def points(line: Sequence[Point]) -> str:
    """Points of a line as SVG writes them."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in line)


def middle(line: Sequence[Point]) -> Point:
    """The middle point of a line."""
    return line[len(line) // 2]


def band_lines(crest: CrestView) -> tuple[str, ...]:
    """
    The band edges of a crest beside its line, as SVG points: its median widths laid about the line.

    Returns
    -------
    tuple of str
        Four, outer edge first; empty where the crest has no line, no direction or no widths.
    """
    if crest.edges_px is None or crest.place is None or len(crest.line) < 2:
        return ()
    line = np.asarray(crest.line, dtype=np.float64)
    along = np.gradient(line, axis=0)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)[:, None]
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    if float(normal[len(normal) // 2] @ np.asarray(crest.place.normal)) < 0:
        normal = -normal
    lines = (line + offset * normal for offset in crest.edges_px)
    return tuple(points([(float(x), float(y)) for x, y in one]) for one in lines)


def number_place(box: tuple[float, float, float, float], level: LevelView, side: str | None) -> Point:
    """Where the number of a tooth stands: beside its crown, on the cheek side of the row. [px]"""
    angle = math.radians(level.angle_deg)
    down = (math.sin(angle), math.cos(angle))
    away = down if side != "right" else (-down[0], -down[1])
    half = abs(away[0]) * (box[2] - box[0]) / 2 + abs(away[1]) * (box[3] - box[1]) / 2
    half = min(half, WIDEST_CROWN * level.size[0])  # the box of a turned tooth is wider than the tooth
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    return (round(x + 1.15 * half * away[0], 1), round(y + 1.15 * half * away[1], 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """Ends of a profile. [px from the crest line, towards the tongue positive]"""

    low: float
    high: float


def profile_ends(profile: CrestProfile) -> Ends:
    """First and last place of a profile."""
    high = profile.start_px + profile.step_px * (len(profile.grey) - 1)
    return Ends(low=round(profile.start_px, 3), high=round(high, 3))


def profile_place(offset_px: float, profile: CrestProfile) -> float:
    """Place of an offset on the drawing, tongue side at the left. [percent]"""
    ends = profile_ends(profile)
    share = (ends.high - offset_px) / (ends.high - ends.low)
    return round(100.0 * min(max(share, 0.0), 1.0), 2)


def profile_line(profile: CrestProfile) -> str:
    """Brightness along the profile as SVG points, tongue side at the left, its own range over the height."""
    grey = np.asarray(profile.grey[::-1], dtype=np.float64)
    low, high = float(grey.min()), float(grey.max())
    spread = max(high - low, 1.0)
    y = PLOT_HEIGHT * (0.96 - 0.74 * (grey - low) / spread)  # below the strip of colours
    x = np.linspace(0.0, PLOT_WIDTH, len(grey))
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))


def profile_stops(profile: CrestProfile) -> tuple[tuple[float, str], ...]:
    """Place [percent] and colour of the photo along the profile, tongue side at the left."""
    rgb = profile.rgb[::-1]
    chosen = np.unique(np.linspace(0, len(rgb) - 1, min(len(rgb), MAX_STOPS)).round().astype(int))
    last = max(len(rgb) - 1, 1)
    return tuple(
        (round(100.0 * i / last, 1), "#{:02x}{:02x}{:02x}".format(*rgb[i])) for i in map(int, chosen)
    )


def lower_first(text: str) -> str:
    """Words for the middle of a sentence: ``Tooth 4 (m1)`` becomes ``tooth 4 (m1)``."""
    return text[:1].lower() + text[1:]


def joined(numbers: Sequence[float] | None) -> str:
    """Numbers for a data attribute; empty for None."""
    return ",".join(f"{number:g}" for number in numbers) if numbers else ""


def level_box(level: LevelView) -> str:
    """
    Middle, size and turn of the level row in the photo, for the viewer: ``x,y,width,height,radians``.

    [px of the photo]; empty where no row was found.
    """
    if not level.found:
        return ""
    matrix = np.asarray(level.matrix, dtype=np.float64)
    centre = np.linalg.solve(matrix[:, :2], np.asarray(level.size) / 2 - matrix[:, 2])
    turn = math.atan2(matrix[1, 0], matrix[0, 0])
    return f"{centre[0]:.1f},{centre[1]:.1f},{level.size[0]:.1f},{level.size[1]:.1f},{turn:.5f}"


def picture_widths(width: int) -> str:
    """Widths in which a photo of this width can be asked for, smallest first."""
    return ",".join(str(w) for w in sorted({min(w, width) for w in (*PICTURE_WIDTHS, width)}))


def query(queue: QueuePage | BlindQueuePage, **changes: object) -> str:
    """The query of the queue that is shown, with some of it changed; what is empty is left out."""
    if isinstance(queue, QueuePage):
        heap = queue.ask.outcomes[0] if len(queue.ask.outcomes) == 1 else ""
        parts: dict[str, object] = {
            "heap": heap,
            "q": queue.ask.search,
            "todo": queue.ask.todo,
            "class": queue.ask.age_class,
            "page": queue.ask.page,
        }
    else:
        parts = {"q": queue.search, "todo": queue.todo, "page": queue.page}
    return "/queue?" + urlencode({key: value for key, value in (parts | changes).items() if value})


FILTERS: Final[Mapping[str, Callable[..., Any]]] = {
    "axis_place": axis_place,
    "axis_span": axis_span,
    "sign": sign,
    "points": points,
    "middle": middle,
    "band_lines": band_lines,
    "number_place": number_place,
    "profile_ends": profile_ends,
    "profile_place": profile_place,
    "profile_line": profile_line,
    "profile_stops": profile_stops,
    "joined": joined,
    "lower_first": lower_first,
    "level_box": level_box,
    "picture_widths": picture_widths,
    "query": query,
}
"""Filters that the templates need: ``environment.filters |= FILTERS``."""
