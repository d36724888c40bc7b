"""
One HTML page to open after reading: every photo with its close-up, its ratios against 1, and the key in
words.

Edge module: writes a file. The page holds everything it shows and asks nothing of any network; its only
links go to the overlay pictures beside it. It follows the reader's light or dark setting and the width of a
phone.
"""

from __future__ import annotations

import base64
import io
import os
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final
from urllib.parse import quote

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from crestgauge.inference.explain import explain
from crestgauge.inference.overlay import close_ups, format_ratio
from crestgauge.inference.pipeline import Result
from crestgauge.inference.reading import CrestReading, Reading
from crestgauge.model.labels import tooth_name

AXIS_END: Final = 3.0
"""Right end of the ratio axis, the same on every chart; beyond it an arrow is drawn."""
CHART_TEETH: Final = (4, 5, 6)
CLOSE_UP_PX, PHOTO_PX = 1000, 420
"""Widths of the pictures on the page: about 100 KB for each photo read. [px]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetItem:
    """
    One photo on the page.

    Parameters
    ----------
    reading : Reading
    photo, close_up : bytes
        JPEG; ``close_up`` is empty where no tooth was found.
    overlay : str or None
        File name of the overlay picture beside the page.
    """

    reading: Reading
    photo: bytes
    close_up: bytes
    overlay: str | None = None


def sheet_item(result: Result, *, overlay: str | None = None) -> SheetItem:
    """What the page needs of one result; the result itself, with its full photo, can then go."""
    panels = close_ups(result)
    return SheetItem(
        reading=result.reading,
        photo=_jpeg(result.photo.pixels, PHOTO_PX, 72),
        close_up=_jpeg(panels[-1], CLOSE_UP_PX, 78) if panels else b"",
        overlay=overlay,
    )


def write_sheet(path: str | os.PathLike[str], items: Sequence[SheetItem], failures: Sequence[str]) -> None:
    """
    Write the page.

    Parameters
    ----------
    path : path
    items : sequence of SheetItem
    failures : sequence of str
        Messages of files that could not be read.
    """
    with open(path, "w", encoding="utf-8") as file:
        file.write(sheet_html(items, failures))


def sheet_html(items: Sequence[SheetItem], failures: Sequence[str] = ()) -> str:
    """The page as text."""
    counts = {word: sum(item.reading.outcome == word for item in items) for word in _WORDS}
    tally = ", ".join(f"{count} {word}" for word, count in counts.items())
    if failures:
        tally += f", {len(failures)} not readable"
    failed = "".join(f"<li>{escape(text)}</li>" for text in failures)
    return _PAGE.format(
        style=_STYLE,
        tally=escape(tally),
        failures=f'<section class="failed"><h2>Not readable</h2><ul>{failed}</ul></section>'
        if failed
        else "",
        articles="\n".join(_article(item) for item in items),
        versions=escape("; ".join(sorted({item.reading.versions.in_words() for item in items}))),
    )


_WORDS: Final = {"clear": "●", "borderline": "◐", "retake": "○"}
"""Outcomes, each with a sign of its own shape, so that none is told by colour alone."""


def _article(item: SheetItem) -> str:
    reading = item.reading
    words = explain(reading)
    label = reading.age_class or ("open" if reading.possible else "no class")
    pictures = f'<img class="photo" alt="Photo {escape(reading.photo.file)}" src="{_data(item.photo)}">'
    if item.close_up:
        alt = "Teeth level and enlarged, with measured crests"
        close = f'<img class="close" alt="{alt}" src="{_data(item.close_up)}">'
        if item.overlay:
            close = f'<a href="{quote(item.overlay)}" title="Open the overlay picture">{close}</a>'
        pictures = close + pictures
    coarse = " · ".join(
        escape(f"{each.label or ' or '.join(each.possible)}: {each.words}")
        for each in reading.coarse.values()
    )
    parts = [
        f'<header><h2>{escape(reading.photo.file)}</h2><p class="class">{escape(label)}</p>'
        f'<p class="outcome">{_WORDS[reading.outcome]} {reading.outcome}</p></header>',
        f'<div class="pictures">{pictures}</div>',
        f'<p class="headline">{escape(words.headline)}</p>',
    ]
    parts += [f'<ul class="retake">{_items(words.retake)}</ul>'] if words.retake else []
    parts += [f"<p>{escape(words.possible)}</p>"] if words.possible else []
    parts += [f'<p class="caution">{escape(words.caution)}</p>'] if words.steps else []
    parts += [ratio_chart(reading)] if any(_has_ratio(reading, k) for k in CHART_TEETH) else []
    if words.steps:
        rows = "".join(
            f'<li class="{step.answer.split(",")[0]}{" decided" if step.decided else ""}">'
            f"<span>{escape(step.question)}</span> {escape(step.sentence)}</li>"
            for step in words.steps
        )
        parts.append(f"<details open><summary>The key, step by step</summary><ol>{rows}</ol></details>")
    parts += [f'<h3>Look at</h3><ul class="notes">{_items(words.notes)}</ul>'] if words.notes else []
    if words.accuracy:
        parts.append(
            f"<details><summary>How far such ages can be trusted</summary><p>{coarse}</p>"
            f"<ul>{_items(words.accuracy)}</ul></details>"
        )
    return f'<article class="{reading.outcome}">{"".join(parts)}</article>'


def _items(lines: Sequence[str]) -> str:
    return "".join(f"<li>{escape(line)}</li>" for line in lines)


def _has_ratio(reading: Reading, position: int) -> bool:
    return any(
        c.ratio is not None or c.flags for t in reading.teeth if t.position == position for c in t.crests
    )


_ROW, _LEFT, _RIGHT, _CHART = 26, 118, 108, 560
"""Heights and widths of the chart. [user units]"""


def ratio_chart(reading: Reading) -> str:
    """
    Inline SVG: ratio and 95 % interval of every crest of teeth 4 to 6 on one axis against 1.

    Small ticks show the same crest under the other definitions of the ratio.
    """
    rows = [
        (f"{tooth.position} {tooth_name(tooth.position)}, lobe {crest.lobe}", crest)
        for tooth in reading.teeth
        if tooth.position in CHART_TEETH
        for crest in tooth.crests
    ]
    height = _ROW * len(rows) + 34
    one = _x(1.0)
    svg = [
        f'<svg class="chart" viewBox="0 0 {_CHART} {height}" role="img" '
        'aria-label="Ratio of dentine to enamel on each crest, against 1">',
        f'<line class="one" x1="{one:.1f}" y1="4" x2="{one:.1f}" y2="{height - 22}"/>',
    ]
    for i, (label, crest) in enumerate(rows):
        svg.append(_chart_row(label, crest, _ROW * i + 18))
    base = height - 20
    svg.append(f'<line class="axis" x1="{_x(0):.1f}" y1="{base}" x2="{_x(AXIS_END):.1f}" y2="{base}"/>')
    for tick in (0, 1, 2, 3):
        svg.append(f'<text class="tick" x="{_x(tick):.1f}" y="{base + 15}">{tick}</text>')
    note = "Dentine width over enamel width, with 95 % interval. Small ticks: other definitions of the ratio."
    return f"<figure>{''.join(svg)}</svg><figcaption>{note}</figcaption></figure>"


def _chart_row(label: str, crest: CrestReading, y: int) -> str:
    parts = [f'<text x="0" y="{y + 4}">{escape(label)}</text>']
    if crest.ratio is None:
        gone = "infundibulum_gone" in crest.flags
        words = "dished, counts as at least 1" if gone else "not measured"
        return "".join([*parts, f'<text class="none" x="{_x(0) + 4:.1f}" y="{y + 4}">{words}</text>'])
    value, margin = format_ratio(crest.ratio)
    low, high = crest.ratio.value - 2 * crest.ratio.u, crest.ratio.value + 2 * crest.ratio.u
    definitions = crest.ratio_by_definition
    for other in (definitions.middle, definitions.widest, definitions.outer, definitions.inner):
        if other is not None and 0 <= other <= AXIS_END:
            parts.append(
                f'<line class="other" x1="{_x(other):.1f}" y1="{y + 5}" x2="{_x(other):.1f}" y2="{y + 9}"/>'
            )
    side = "over" if low >= 1 else "under" if high < 1 else "across"
    parts.append(f'<line class="interval {side}" x1="{_x(low):.1f}" y1="{y}" x2="{_x(high):.1f}" y2="{y}"/>')
    if crest.ratio.value <= AXIS_END:
        parts.append(f'<circle class="{side}" cx="{_x(crest.ratio.value):.1f}" cy="{y}" r="5"/>')
    else:
        end = _x(AXIS_END)
        parts.append(
            f'<path class="{side}" d="M{end - 8:.1f} {y - 6} L{end + 2:.1f} {y} L{end - 8:.1f} {y + 6} Z"/>'
        )
    parts.append(f'<text class="value" x="{_CHART}" y="{y + 4}">{value} {margin}</text>')
    return "".join(parts)


def _x(ratio: float) -> float:
    """Place of a ratio on the chart, kept on the axis."""
    return _LEFT + (_CHART - _LEFT - _RIGHT) * float(np.clip(ratio / AXIS_END, 0.0, 1.0))


def _jpeg(pixels: NDArray[np.uint8], width: int, quality: int) -> bytes:
    """JPEG bytes of the picture, at most ``width`` wide and 1.5 times as high, without metadata."""
    scale = min(width / pixels.shape[1], 1.5 * width / pixels.shape[0], 1.0)
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    target = io.BytesIO()
    small = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    Image.fromarray(small).save(target, "JPEG", quality=quality, optimize=True)
    return target.getvalue()


def _data(jpeg: bytes) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")


_STYLE: Final = """
:root { color-scheme: light dark; --paper: #faf9f6; --card: #fff; --ink: #18181c; --soft: #5b5b66; --line:
#c9c7c0;
  --under: #0072b2; --over: #b34700; --across: #7a5c00; --mark: #f0e442; }
@media (prefers-color-scheme: dark) { :root { --paper: #131316; --card: #1d1d22; --ink: #f1f0ec; --soft:
#b3b2bb;
  --line: #45454f; --under: #56b4e9; --over: #ff9d5c; --across: #f0e442; --mark: #7a6f00; } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 60rem; padding: 1rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 system-ui, sans-serif; }
h1 { font-size: 1.4rem; margin: .2rem 0; } h2 { font-size: 1rem; margin: 0; overflow-wrap: anywhere; }
h3 { font-size: 1rem; margin: .8rem 0 0; } p { margin: .4rem 0; } ul, ol { margin: .4rem 0; padding-left:
1.4rem; } article, .failed { background: var(--card); border: 1px solid var(--line); border-left: .4rem solid
var(--line);
  border-radius: .5rem; padding: 1rem; margin: 1rem 0; }
article.clear { border-left-color: var(--under); } article.borderline { border-left-color: var(--across); }
article.retake, .failed { border-left-color: var(--over); }
header { display: flex; flex-wrap: wrap; align-items: baseline; gap: .2rem 1rem; }
.class { font-size: 2rem; font-weight: 700; line-height: 1.1; margin: 0 0 0 auto; } .outcome { margin: 0; }
.pictures { display: flex; flex-wrap: wrap; gap: .6rem; margin: .6rem 0; }
.pictures a { flex: 3 1 26rem; } img { width: 100%; height: auto; border-radius: .3rem; display: block; }
.photo { flex: 1 1 12rem; max-width: 18rem; width: auto; align-self: start; }
.headline { font-weight: 600; } .caution { border: 1px solid var(--line); border-radius: .3rem; padding:
.3rem .6rem;
  display: inline-block; font-weight: 600; }
.retake li { font-weight: 600; } ol li { margin: .3rem 0; } ol span { display: block; color: var(--soft);
font-size: .9rem; } .decided { background: color-mix(in srgb, var(--mark) 35%, transparent); border-radius:
.3rem; padding: .1rem .3rem; } summary { cursor: pointer; font-weight: 600; padding: .4rem 0; } figure {
margin: .8rem 0; } figcaption, footer { color: var(--soft); font-size: .9rem; }
.chart { width: 100%; max-width: 44rem; height: auto; font: 14px system-ui, sans-serif; }
.chart text { fill: var(--ink); } .chart .value { text-anchor: end; font-variant-numeric: tabular-nums; }
.chart .tick { text-anchor: middle; fill: var(--soft); } .chart .none { fill: var(--soft); }
.chart .axis { stroke: var(--line); } .chart .one { stroke: var(--ink); stroke-width: 1.5; stroke-dasharray:
4 3; } .chart .other { stroke: var(--soft); stroke-width: 1.5; } .chart .interval { stroke-width: 3;
stroke-linecap: round; } .chart .under { stroke: var(--under); fill: var(--under); } .chart .over { stroke:
var(--over); fill: var(--over); } .chart .across { stroke: var(--across); fill: var(--card); }
@media print { article { break-inside: avoid; } }
"""

_PAGE: Final = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>crestgauge: {tally}</title>
<style>{style}</style>
</head>
<body>
<h1>Tooth wear readings</h1>
<p>{tally}. Every age on this page is a proposal for a trained person to confirm.</p>
{failures}
{articles}
<footer>
<p>Widths are measured on the photo; deer of one age differ in wear, so no photo tells a certain age. Nothing
here says anything about a licence, a tag or a legal animal. Follow your wildlife agency on handling heads
and jaws: gloves, care with blades, and its rules on moving carcass parts where chronic wasting disease or
bovine tuberculosis occurs.</p>
<p>{versions}</p>
</footer>
</body>
</html>
"""
