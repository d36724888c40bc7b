"""
Plots as SVG text that follows the page: colours are CSS variables, so light and dark come from one drawing.

Colours mean the same in every plot: --young for "too young" or below, --old for "too old" or above, --ink
for the rest. Nothing is told by colour alone: side, sign or a mark says it too. All drawings are 420 units
wide, so that letters of 11 units stay readable on a phone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import ArrayLike

from crestgauge.inference.compare.age_bias import AgeBiasRow
from crestgauge.inference.compare.estimate import Estimate
from crestgauge.inference.compare.separation import ByAge

WIDTH = 420


@dataclass(frozen=True, slots=True)
class Axis:
    """Linear axis from data to drawing units."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(max(share, -0.05), 1.05) * (self.end - self.start)


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers that span an interval."""
    if not high > low:
        return [low]
    raw = (high - low) / about
    power = 10 ** np.floor(np.log10(raw))
    step = float(min((m * power for m in (1, 2, 2.5, 5, 10)), key=lambda s: abs(s - raw)))
    first = np.ceil(low / step - 1e-9) * step
    return [float(round(first + i * step, 10)) for i in range(int((high - first) / step + 1e-9) + 1)]


def _svg(height: float, label: str, parts: Sequence[str]) -> str:
    return (
        f'<svg viewBox="0 0 {WIDTH} {height:.0f}" role="img" aria-label="{escape(label, quote=True)}">'
        f"<title>{escape(label)}</title>{''.join(parts)}</svg>"
    )


def _text(x: float, y: float, text: str, css: str = "", anchor: str = "middle") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="{css}">{escape(text)}</text>'


def _plate(x: float, y: float, text: str) -> str:
    """A card-coloured ground for a label that grid lines would cross; about as wide as the text."""
    width = 7.2 * len(text) + 4
    return f'<rect x="{x - 2:.1f}" y="{y - 11:.1f}" width="{width:.1f}" height="15" class="plate"/>'


def _line(x1: float, y1: float, x2: float, y2: float, css: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{css}"/>'


def _dot(x: float, y: float, css: str, r: float = 4) -> str:
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r}" class="{css}"/>'


def _bottom_axis(axis: Axis, y: float, label: str, numbers: Sequence[float], *, top: float) -> list[str]:
    parts = [_line(axis(v), top, axis(v), y, "grid") for v in numbers]
    parts += [_text(axis(v), y + 14, f"{v:g}", "small") for v in numbers]
    parts.append(_text((axis.start + axis.end) / 2, y + 30, label, "small soft"))
    return parts


def forest(rows: Sequence[tuple[str, Estimate]], *, label: str, unit: str, zero: float | None = 0.0) -> str:
    """Estimates with intervals on one axis; an undefined one says so in its row. ``zero`` draws a line."""
    known = [v for _, e in rows for v in (e.value, e.low, e.high) if v is not None]
    edge = [*known, *([zero] if zero is not None else [])] or [0.0, 1.0]
    pad = 0.08 * (max(edge) - min(edge)) or 0.5
    axis = Axis(min(edge) - pad, max(edge) + pad, 12, WIDTH - 12)
    height, parts, y = 34 * len(rows) + 44, [], 14.0
    bottom = height - 38.0
    parts += _bottom_axis(axis, bottom, unit, ticks(axis.low, axis.high), top=6)
    if zero is not None:
        parts.append(_line(axis(zero), 4, axis(zero), bottom, "rule"))
    for name, e in rows:
        parts.append(_plate(12, y, name))
        parts.append(_text(12, y, name, "small", "start"))
        if e.value is None:
            parts.append(_text(12, y + 13, "not defined (see table)", "small soft", "start"))
        else:
            css = "ink"
            if zero is not None and e.low is not None and e.high is not None:
                css = "old" if e.low > zero else "young" if e.high < zero else "ink"
            if e.low is not None and e.high is not None:
                parts.append(_line(axis(e.low), y + 11, axis(e.high), y + 11, f"bar {css}"))
            parts.append(_dot(axis(e.value), y + 11, f"fill {css}", 4.5))
            number = f"{round(e.value, 2) + 0.0:+.2f}" if zero == 0 else f"{e.value:.1f}"
            parts.append(_text(WIDTH - 12, y, number, "small", "end"))
        y += 34
    return _svg(height, label, parts)


def confusion(table: ArrayLike, labels: Sequence[str], *, first: str, second: str) -> str:
    """Counts, rows = first, columns = second; shade = share of the row; the diagonal is framed."""
    counts = np.asarray(table)
    used = [i for i in range(len(labels)) if counts[i].sum() or counts[:, i].sum()] or [0]
    shown = range(min(used), max(used) + 1)
    k, left, top = len(shown), 74, 46
    cell = min((WIDTH - left - 8) / k, 46)
    parts = [
        _text(left + k * cell / 2, 14, second, "small strong"),
        _text(4, 14, first, "small strong", "start"),
        _text(4, 28, "in rows", "small soft", "start"),
    ]
    for a, i in enumerate(shown):
        parts.append(_text(left - 6, top + (a + 0.5) * cell + 4, labels[i], "small", "end"))
        parts.append(_text(left + (a + 0.5) * cell, top - 6, labels[i], "small"))
        total = counts[i].sum()
        for b, j in enumerate(shown):
            x, y, n = left + b * cell, top + a * cell, int(counts[i, j])
            css = "ink" if i == j else "old" if j > i else "young"
            share = n / total if total else 0.0
            shape = (
                f'<rect x="{x + 1:.1f}" y="{y + 1:.1f}" width="{cell - 2:.1f}" height="{cell - 2:.1f}" rx="3"'
            )
            parts.append(f'{shape} class="cell {css}" fill-opacity="{0.05 + 0.5 * share:.2f}"/>')
            if i == j:
                parts.append(f'{shape} class="frame"/>')
            if n:
                parts.append(_text(x + cell / 2, y + cell / 2 + 4, str(n), "small strong bare"))
    bottom = top + k * cell + 16
    parts.append(_text(left, bottom, f"left of the frame: {second} younger", "small young-text", "start"))
    parts.append(_text(left, bottom + 15, f"right of the frame: {second} older", "small old-text", "start"))
    return _svg(bottom + 22, f"Counts of {first} in rows against {second} in columns", parts)


def age_bias_plot(rows: Sequence[AgeBiasRow], *, first: str, second: str) -> str:
    """Mean assigned age with its interval at each reference age, against the 1:1 line."""
    seen = [v for r in rows for v in (r.smallest, r.largest, r.reference)]
    # The interval of two or three animals can be wider than life; it may run out of the plot.
    reach = (min(seen) - 2, max(seen) + 2) if seen else (0.0, 9.0)
    ends = [
        v
        for r in rows
        for v in (r.smallest, r.largest, r.reference, r.mean.low, r.mean.high)
        if v is not None and reach[0] <= v <= reach[1]
    ]
    low, high = (min(ends) - 0.6, max(ends) + 0.6) if ends else (0.0, 9.0)
    x, y = Axis(low, high, 40, WIDTH - 12), Axis(low, high, 300, 12)
    numbers = [v for v in np.arange(0.5, 20, 1) if low <= v <= high]
    parts = _bottom_axis(x, 300, "", numbers, top=12)
    parts.append(_text((40 + WIDTH - 12) / 2, 345, f"{first} (years)", "small soft"))
    for v in numbers:
        parts += [_line(40, y(v), WIDTH - 12, y(v), "grid"), _text(34, y(v) + 4, f"{v:g}", "small", "end")]
    parts += [
        _line(x(low), y(low), x(high), y(high), "rule"),
        _text(44, 22, f"mean of {second}", "small soft", "start"),
    ]
    for r in rows:
        if r.mean.value is None:
            continue
        here = x(r.reference)
        parts.append(_line(here, y(r.smallest), here, y(r.largest), "thin"))
        if r.mean.low is not None and r.mean.high is not None:
            parts.append(_line(here, y(r.mean.low), here, y(r.mean.high), "bar ink"))
        sure = r.test.p_holm is not None and r.test.p_holm < 0.05
        css = "fill " + ("old" if r.mean.value > r.reference else "young") if sure else "hollow"
        parts.append(_dot(here, y(r.mean.value), css, 5))
        parts.append(_text(here, 328, f"n {r.mean.n}", "tiny soft"))
    return _svg(352, f"Age-bias plot of {second} against {first}", parts)


def ratio_plot(rows: Sequence[ByAge], *, title: str, threshold: float, unit: str) -> str:
    """
    Spread of a measured quantity at each known age (10, 25, 50, 75, 90 %), with the threshold of the key.
    """
    finite = [
        v for r in rows for v in (r.low, r.quartile_1, r.median, r.quartile_3, r.high) if np.isfinite(v)
    ]
    top = max([*finite, threshold * 1.4]) * 1.08
    endless = any(np.isinf(r.high) for r in rows)
    y = Axis(0, top, 250, 34 if endless else 16)
    numbers = ticks(0, top)
    parts = []
    for v in numbers:
        parts += [_line(40, y(v), WIDTH - 12, y(v), "grid"), _text(34, y(v) + 4, f"{v:g}", "small", "end")]
    if endless:
        parts.append(_text(34, 20, "gone", "small", "end"))
        parts.append(_line(40, 16, WIDTH - 12, 16, "grid"))

    def at(value: float) -> float:
        return 16.0 if np.isinf(value) else y(value)

    step = (WIDTH - 60) / max(len(rows), 1)
    for i, r in enumerate(rows):
        x = 48 + (i + 0.5) * step
        half = min(step * 0.3, 16)
        parts.append(_line(x, at(r.low), x, at(r.high), "thin"))
        box_top, box_bottom = at(r.quartile_3), at(r.quartile_1)
        parts.append(
            f'<rect x="{x - half:.1f}" y="{box_top:.1f}" width="{2 * half:.1f}" '
            f'height="{max(box_bottom - box_top, 1):.1f}" rx="3" class="box"/>'
        )
        parts.append(_line(x - half, at(r.median), x + half, at(r.median), "bar ink"))
        parts += [_text(x, 266, r.age_class, "small"), _text(x, 280, f"n {r.n}", "tiny soft")]
    parts.append(_line(40, y(threshold), WIDTH - 12, y(threshold), "limit"))
    parts.append(_text(WIDTH - 14, y(threshold) - 4, f"key {threshold:g}", "small limit-text", "end"))
    parts.append(_text((40 + WIDTH) / 2, 298, f"known age (years); {unit}", "small soft"))
    return _svg(306, title, parts)


def difference_plot(
    first: ArrayLike, second: ArrayLike, *, limits: Sequence[Estimate], label: str, names: tuple[str, str]
) -> str:
    """Bland-Altman plot: difference against mean, with mean difference and limits of agreement."""
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    mean, difference = (a + b) / 2, a - b
    lines = [e.value for e in limits if e.value is not None]
    span = [*difference.tolist(), *lines, 0.0]
    pad = 0.1 * (max(span) - min(span)) or 0.5
    x_pad = 0.05 * float(np.ptp(mean)) or 0.5
    x = Axis(float(mean.min()) - x_pad, float(mean.max()) + x_pad, 46, WIDTH - 12)
    y = Axis(min(span) - pad, max(span) + pad, 230, 14)
    parts = _bottom_axis(x, 230, "mean of both", ticks(x.low, x.high), top=14)
    for v in ticks(y.low, y.high):
        parts += [_line(46, y(v), WIDTH - 12, y(v), "grid"), _text(40, y(v) + 4, f"{v:g}", "small", "end")]
    parts.append(_line(46, y(0), WIDTH - 12, y(0), "thin"))
    parts += [_dot(x(m), y(d), "dot", 3) for m, d in zip(mean, difference, strict=True)]
    parts += [_line(46, y(v), WIDTH - 12, y(v), "limit") for v in lines]
    parts.append(_text(50, 12, f"{names[0]} minus {names[1]}", "small soft", "start"))
    return _svg(268, label, parts)


def stacked(parts_of: Sequence[tuple[str, Sequence[tuple[str, float]]]], *, label: str) -> str:
    """Bars of shares that add up to 100 %: one bar for each name, with three kinds of filling."""
    height, parts, y = 42 * len(parts_of) + 30, [], 16.0
    kinds: list[str] = []
    for name, shares in parts_of:
        parts.append(_text(8, y, name, "small", "start"))
        x = 8.0
        for i, (kind, share) in enumerate(shares):
            kinds = kinds if kind in kinds else [*kinds, kind]
            width = max(share, 0.0) / 100 * (WIDTH - 16)
            parts.append(
                f'<rect x="{x:.1f}" y="{y + 5:.1f}" width="{width:.1f}" height="14" class="part{i}"/>'
            )
            if width > 34:
                parts.append(_text(x + width / 2, y + 16, f"{share:.0f} %", f"tiny on{i}"))
            x += width
        y += 42
    x = 8.0
    for i, kind in enumerate(kinds):
        parts.append(f'<rect x="{x:.1f}" y="{height - 18:.0f}" width="11" height="11" class="part{i}"/>')
        parts.append(_text(x + 16, height - 8, kind, "small", "start"))
        x += 30 + 6.4 * len(kind)
    return _svg(height, label, parts)
