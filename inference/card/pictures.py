"""
Six plain pictures of how to photograph a jaw, drawn from a few lines each.

The rules they show are ours, from the optics behind the fit checks (tilt, blur, pixels per mm, clipped
light), and common practice for cleaning a jaw before reading it.
"""

from __future__ import annotations

import math

from crestgauge.inference.card.layout import Shape, label, line, rectangle

PICTURE_WIDTH_MM = 60.0
PICTURE_HEIGHT_MM = 50.0

_Point = tuple[float, float]


def picture_shapes(left_mm: float, top_mm: float) -> list[Shape]:
    """The six pictures in two rows of three with the corner at (left, top). [mm]"""
    shapes: list[Shape] = []
    drawings = (_clean, _level, _above, _whole, _light, _sharp)
    for index, draw in enumerate(drawings):
        x = left_mm + (index % 3) * (PICTURE_WIDTH_MM + 4)
        y = top_mm + (index // 3) * (PICTURE_HEIGHT_MM + 4)
        shapes.append(rectangle(x, y, PICTURE_WIDTH_MM, PICTURE_HEIGHT_MM, fill=255, stroke=120))
        text, drawing = draw()
        shapes += [_moved(shape, x, y) for shape in drawing]
        for row, words in enumerate(text):
            shapes.append(
                label(x + 3, y + 41.5 + 4.2 * row, f"{index + 1}  {words}" if row == 0 else f"    {words}")
            )
    return shapes


def _moved(shape: Shape, dx: float, dy: float) -> Shape:
    points = tuple((x + dx, y + dy) for x, y in shape.points)
    return Shape(
        kind=shape.kind,
        points=points,
        fill=shape.fill,
        stroke=shape.stroke,
        width=shape.width,
        text=shape.text,
        anchor=shape.anchor,
    )


def _ellipse(
    cx: float, cy: float, rx: float, ry: float, *, fill: int | None = None, stroke: int | None = 0
) -> Shape:
    turn = [2 * math.pi * k / 24 for k in range(24)]
    points = tuple((cx + rx * math.cos(a), cy + ry * math.sin(a)) for a in turn)
    return Shape(kind="polygon", points=points, fill=fill, stroke=stroke)


def _row_from_above(cx: float, cy: float, scale: float = 1.0, *, fill: int = 235) -> list[Shape]:
    """Six teeth as rounded boxes, front left, with their two or three lobes marked."""
    lengths, lobes = (5.0, 5.3, 6.0, 6.6, 7.8, 11.0), (1, 2, 2, 2, 2, 3)
    shapes, x = [], cx - sum(lengths) * scale / 2
    for length, count in zip(lengths, lobes, strict=True):
        width = length * scale / count
        for k in range(count):
            shapes.append(_ellipse(x + width * (k + 0.5), cy, width * 0.5, 2.6 * scale, fill=fill))
            shapes.append(
                line((x + width * (k + 0.2), cy), (x + width * (k + 0.8), cy), width=0.5, stroke=90)
            )
        x += length * scale
    return shapes


def _jaw_from_side(cx: float, cy: float) -> list[Shape]:
    """
    The bone as an outline with a saw of six teeth on top; (cx, cy) is the middle of the chewing surface.
    """
    teeth: list[_Point] = []
    for k in range(12):
        teeth += [(cx - 15 + 2.5 * k, cy + 2.0), (cx - 13.75 + 2.5 * k, cy)]
    outline = [
        (cx - 26, cy + 6),
        (cx - 16, cy + 4),
        *teeth,
        (cx + 15, cy + 4),
        (cx + 22, cy - 4),
        (cx + 26, cy - 3),
    ]
    outline += [(cx + 24, cy + 10), (cx + 8, cy + 11), (cx - 12, cy + 9), (cx - 25, cy + 8)]
    return [Shape(kind="polygon", points=tuple(outline), fill=235, stroke=0)]


def _phone(cx: float, cy: float) -> list[Shape]:
    return [rectangle(cx - 9, cy - 1.2, 18, 2.4, fill=60), _ellipse(cx + 5, cy + 1.6, 1.1, 0.6, fill=160)]


def _clean() -> tuple[tuple[str, ...], list[Shape]]:
    brush = [rectangle(36, 6, 18, 3, fill=160, stroke=0)]
    brush += [line((38 + 1.5 * k, 9), (37.5 + 1.5 * k, 14), width=0.3) for k in range(9)]
    return ("Gloves on. Brush packed food out,", "wipe the teeth dry."), _row_from_above(28, 22, 1.1) + brush


def _level() -> tuple[tuple[str, ...], list[Shape]]:
    box = [rectangle(2, 21, 8, 12, fill=200, stroke=0), rectangle(50, 21, 8, 12, fill=200, stroke=0)]
    card = [line((2, 20.5), (11, 20.5), width=0.8), line((49, 20.5), (58, 20.5), width=0.8)]
    return ("Chewing surface up. Card round the", "teeth, level with them."), [
        *_jaw_from_side(30, 20),
        *box,
        *card,
        line((1, 33), (59, 33)),
    ]


def _above() -> tuple[tuple[str, ...], list[Shape]]:
    sight = [line((35, 9), (16, 25), width=0.2), line((35, 9), (48, 25), width=0.2)]
    square = [line((35, 9), (35, 23), width=0.4), line((35, 21), (37, 21), (37, 23), width=0.3)]
    return ("Phone straight above and level,", "30 cm away; zoom, do not go near."), [
        *_phone(30, 6),
        *sight,
        *square,
        *_jaw_from_side(30, 25),
    ]


def _whole() -> tuple[tuple[str, ...], list[Shape]]:
    frame = [rectangle(4, 4, 52, 32, stroke=0)]
    tags = [rectangle(x, y, 4, 4, fill=0) for x in (7, 20, 36, 49) for y in (6, 30)]
    return (
        "All six teeth and the tags in",
        "the picture, teeth filling it.",
    ), frame + tags + _row_from_above(30, 20, 1.1)


def _light() -> tuple[tuple[str, ...], list[Shape]]:
    sun = [_ellipse(9, 9, 4, 4, fill=255)]
    for k in range(8):
        a = math.pi * k / 4
        sun.append(
            line((9 + 5 * math.cos(a), 9 + 5 * math.sin(a)), (9 + 7 * math.cos(a), 9 + 7 * math.sin(a)))
        )
    bolt = Shape(
        kind="polygon",
        points=((46, 3), (41, 10), (45, 10), (43, 16), (50, 8), (46, 8), (49, 3)),
        fill=200,
        stroke=0,
    )
    cross = [line((39, 2), (53, 17), width=0.8), line((53, 2), (39, 17), width=0.8)]
    return ("Shade or soft light from the side.", "No flash: it shines on enamel."), [
        *sun,
        bolt,
        *cross,
        *_row_from_above(30, 27, 1.1),
    ]


def _sharp() -> tuple[tuple[str, ...], list[Shape]]:
    good, bad = _row_from_above(30, 12, 1.1), []
    for dx, grey in ((-1.2, 250), (0.0, 243), (1.2, 236)):
        bad += [
            Shape(
                kind=s.kind,
                points=tuple((x + dx, y) for x, y in s.points),
                fill=s.fill,
                stroke=180,
                width=s.width,
            )
            for s in _row_from_above(30, 28, 1.1, fill=grey)
        ]
    cross = [line((5, 22), (55, 34), width=0.8), line((55, 22), (5, 34), width=0.8)]
    return ("Tap on the teeth, hold still, take", "two pictures. Check they are sharp."), good + bad + cross
