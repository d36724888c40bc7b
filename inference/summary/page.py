"""
The season as one HTML page: a plot and a table for calls, the same for proposals, apart. Edge module: writes
a file.
"""

from __future__ import annotations

import os
from html import escape
from pathlib import Path
from typing import Final

from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.ledger.specimen import AGE_CLASSES
from crestgauge.inference.summary.season import SEXES, Season, SexStructure, Structure
from crestgauge.inference.summary.statistics import SURVIVAL_CONDITIONS, Share

BAR_PX, ROW_PX, LABEL_PX = 240, 26, 44
_COLOURS: Final = {"female": "#8a4f7d", "male": "#3f6f8f", "unknown": "#8a8a8a"}
_STYLE: Final = """
:root { color-scheme: light dark; --line: #8886; }
body { font: 16px/1.5 system-ui, sans-serif; max-width: 60rem; margin: 2rem auto; padding: 0 1rem; }
table { border-collapse: collapse; margin: 1rem 0; }
th, td { border-bottom: 1px solid var(--line); padding: .25rem .7rem; text-align: right; }
th:first-child, td:first-child { text-align: left; }
figure { margin: 1rem 0; overflow-x: auto; } svg { max-width: none; } svg text { fill: currentColor;
font-size: 13px; } .note { border-left: .3rem solid var(--line); padding-left: .8rem; }
"""


def write_page(path: Path, season: Season, *, title: str) -> None:
    """
    Write the page.

    Raises
    ------
    ExchangeError
        If the file cannot be written.
    """
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(page_html(season, title=title), encoding="utf-8")
        os.replace(part, path)
    except OSError as error:
        raise ExchangeError(f"{path}: cannot be written ({error.strerror}). Choose another place.") from error


def page_html(season: Season, *, title: str) -> str:
    """The whole page; it asks nothing of any network."""
    dates = (
        f" Harvested {season.start or '...'} to {season.end or '...'}." if season.start or season.end else ""
    )
    conditions = "".join(f"<li>{escape(c)}</li>" for c in SURVIVAL_CONDITIONS)
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style><h1>{escape(title)}</h1>"
        f"<p>{season.animals} animals, {season.photos} photos read.{escape(dates)} Intervals are 95 %.</p>"
        '<p class="note">Ages from jaws are a trained person\'s judgement; the literature finds tooth wear '
        "least certain above 2.5 years. What the tool says is a proposal for a trained person to confirm, "
        "and is never mixed with calls here.</p>"
        + _section("Called by people", season.called)
        + _section("Proposed by clear readings, called or not", season.proposed)
        + "<h2>Before using a survival</h2><p>The Chapman-Robson estimate holds only if</p>"
        + f"<ul>{conditions}</ul>"
        "<p>It uses ages 1.5 and older; animals of the open class 8.5+ count as at least 8.5.</p></html>\n"
    )


def _section(heading: str, structure: Structure) -> str:
    left_out = [
        f"{structure.coarse} with a coarse class only",
        f"{structure.undecided} without a class",
        f"{len(structure.disagreeing)} in disagreement",
    ]
    names = ", ".join(escape(name) for name in structure.disagreeing[:50])
    if not structure.animals:
        return f"<h2>{escape(heading)}</h2><p>No animal counted. Left out: {'; '.join(left_out)}.</p>"
    return (
        f"<h2>{escape(heading)}</h2><p>{structure.animals} animals counted. Left out: {'; '.join(left_out)}"
        f"{': ' + names if names else ''}.</p>{_plot(structure)}{_table(structure)}"
    )


def _table(structure: Structure) -> str:
    head = "".join(f'<th colspan="2" scope="colgroup">{sex}</th>' for sex in SEXES)
    rows = []
    for age in AGE_CLASSES:
        cells = "".join(
            f"<td>{structure.by_sex[s].counts[age]}</td><td>{_percent(structure.by_sex[s].shares[age])}</td>"
            for s in SEXES
        )
        rows.append(f'<tr><th scope="row">{age}</th>{cells}</tr>')
    total = "".join(f"<td>{sum(structure.by_sex[s].counts.values())}</td><td></td>" for s in SEXES)
    rows.append(f'<tr><th scope="row">all</th>{total}</tr>')
    yearling = "".join(
        f'<td colspan="2">{structure.by_sex[s].yearlings.hits} of {structure.by_sex[s].yearlings.n}: '
        f"{_percent(structure.by_sex[s].yearlings)}</td>"
        for s in SEXES
    )
    rows.append(f'<tr><th scope="row">1.5 among 1.5 and older</th>{yearling}</tr>')
    survival = "".join(f'<td colspan="2">{_survival(structure.by_sex[s])}</td>' for s in SEXES)
    rows.append(f'<tr><th scope="row">survival (Chapman-Robson)</th>{survival}</tr>')
    return f"<table><thead><tr><th>class</th>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _percent(share: Share) -> str:
    if share.n == 0:
        return "-"
    return f"{100 * share.value:.1f} % ({100 * share.low:.1f} to {100 * share.high:.1f})"


def _survival(structure: SexStructure) -> str:
    s = structure.survival
    if s is None:
        return "too few animals"
    few = f"; only {s.n} animals" if s.few else f"; n = {s.n}"
    return f"{s.value:.3f}, standard error {s.u:.3f} ({s.low:.2f} to {s.high:.2f}{few})"


def _plot(structure: Structure) -> str:
    """Share of each class by sex as bars with their intervals, females to the left, males to the right."""
    width, middle = 2 * BAR_PX + 2 * LABEL_PX, BAR_PX + LABEL_PX
    height = ROW_PX * len(AGE_CLASSES) + 40
    largest = max(
        (
            structure.by_sex[s].shares[a].high
            for s in ("female", "male")
            for a in AGE_CLASSES
            if structure.by_sex[s].shares[a].n
        ),
        default=1.0,
    )
    parts = []
    for row, age in enumerate(reversed(AGE_CLASSES)):
        y = 24 + ROW_PX * row
        parts.append(f'<text x="{middle}" y="{y + 15}" text-anchor="middle">{age}</text>')
        for sex, sign in (("female", -1), ("male", 1)):
            share = structure.by_sex[sex].shares[age]
            if share.n:
                parts.append(_bar(middle + sign * LABEL_PX / 2, sign, y, share, largest, _COLOURS[sex]))
    titles = f'<text x="{middle - LABEL_PX}" y="14" text-anchor="end">female</text>'
    titles += f'<text x="{middle + LABEL_PX}" y="14">male</text>'
    words = f"share of each sex; the longest interval ends at {100 * largest:.0f} %"
    axis = f'<text x="{middle}" y="{height - 4}" text-anchor="middle">{words}</text>'
    return (
        f'<figure><svg width="{width}" height="{height}" role="img" aria-label="Age classes by sex">'
        f"{titles}{''.join(parts)}{axis}</svg></figure>"
    )


def _bar(x: float, sign: int, y: int, share: Share, largest: float, colour: str) -> str:
    scale = BAR_PX / largest
    length, low, high = share.value * scale, share.low * scale, share.high * scale
    left = x if sign > 0 else x - length
    line = y + ROW_PX / 2 - 3
    return (
        f'<rect x="{left:.1f}" y="{y}" width="{length:.1f}" height="{ROW_PX - 6}" fill="{colour}"/>'
        f'<path d="M{x + sign * low:.1f} {line}H{x + sign * high:.1f}" stroke="currentColor"/>'
    )
