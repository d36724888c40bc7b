"""
Band widths that people measured by hand, and how far readings lie from them. Edge module: reads a CSV file.

One row of the table (`crestgauge.inference.exchange.callipers`) is one crest, measured once. Repeats and
persons of one crest are averaged, photos of one animal too, so that a crest counts once; the spread of the
repeats says how good the hand is.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.compare.bland_altman import BlandAltman, bland_altman
from crestgauge.inference.compare.estimate import Estimate, bootstrap_interval, share, undefined
from crestgauge.inference.exchange.callipers import CalliperRow, read_callipers
from crestgauge.inference.exchange.problems import Problem
from crestgauge.inference.reading import CrestReading, Reading

BANDS: Final = ("dentine", "enamel_outer", "enamel_inner")
QUANTITIES: Final = (*BANDS, "enamel", "ratio")
"""What is compared: the three bands, the mean of the two enamel bands, and dentine over that mean."""
K95: Final = 1.96
SEED: Final = 20


def read_widths(path: Path) -> tuple[list[CalliperRow], list[Problem]]:
    """
    Rows of a table of hand-measured widths, and every row that is not used with its reason.

    Raises
    ------
    ExchangeError
        If the table as a whole cannot be used.
    """
    table = read_callipers(path)
    problems = [
        Problem(where=f"{path}:{line}", item=specimen, kind="row", words=words)
        for line, specimen, words in table.refused
    ]
    problems += [
        Problem(where=f"{path}:{line}", item=words, kind="empty", words="has no width yet. Measure it.")
        for line, words in table.empty
    ]
    return list(table.rows), sorted(problems, key=lambda p: int(p.where.rsplit(":", 1)[1]))


def values_of(row: CalliperRow) -> dict[str, float]:
    """Every one of `QUANTITIES` that follows from a row, in its unit; the ratio has none."""
    found = {name: getattr(row, name) for name in BANDS}
    known = {name: float(v) for name, v in found.items() if v is not None and math.isfinite(v)}
    if "enamel_outer" in known and "enamel_inner" in known:
        known["enamel"] = (known["enamel_outer"] + known["enamel_inner"]) / 2
    if row.ratio is not None and math.isfinite(row.ratio):
        known["ratio"] = row.ratio
    return known


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """
    One quantity of one crest, by hand and by the tool.

    Parameters
    ----------
    animal : str
    tooth, lobe, quantity, unit
    hand : float
        Mean over repeats and persons.
    tool : float
        Mean over the photos of the animal, or the photo's own.
    u : float or None
        Standard uncertainty that the tool states, mean over photos.
    """

    animal: str
    tooth: int
    lobe: int
    quantity: str
    unit: str
    hand: float
    tool: float
    u: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WidthErrors:
    """
    Readings against callipers for one quantity.

    Parameters
    ----------
    quantity, unit : str
    crests, animals : int
    agreement : BlandAltman
        Tool minus hand. Its intervals take crests as independent, which those of one animal are not.
    bias : Estimate
        Mean difference with a bootstrap interval over animals: the one to quote.
    median_share : Estimate
        Median of the absolute difference over the hand's value, in percent, over crests above 0.
    covered : Estimate
        Share of crests whose hand value lies in the tool's stated 95 % interval; the hand's own error is in
        the difference too.
    hand_sd : Estimate
        Standard deviation of repeats of one person on one crest.
    """

    quantity: str
    unit: str
    crests: int
    animals: int
    agreement: BlandAltman
    bias: Estimate
    median_share: Estimate
    covered: Estimate
    hand_sd: Estimate


def pair_widths(
    widths: Sequence[CalliperRow],
    readings: Iterable[tuple[str | None, Reading]],
    *,
    where: str = "widths",
) -> tuple[list[Pair], list[Problem]]:
    """
    Bring hand and tool together, crest by crest.

    Parameters
    ----------
    readings : iterable of (str or None, Reading)
        Animal where known, and the reading of one of its photos.

    Returns
    -------
    pairs, problems
        A problem for every row that found no reading, no such crest, or no scale for its millimetres.
    """
    by_animal: dict[str, list[Reading]] = defaultdict(list)
    by_photo: dict[str, list[tuple[str, Reading]]] = defaultdict(list)
    for animal, reading in readings:
        stem = Path(reading.photo.file).stem
        by_animal[animal or stem].append(reading)
        for name in {reading.photo.file.lower(), stem.lower()}:
            by_photo[name].append((animal or stem, reading))
    problems: list[Problem] = []
    hand: dict[tuple[str, str, int, int, str, str], list[float]] = defaultdict(list)
    tool: dict[tuple[str, str, int, int, str, str], list[tuple[float, float | None]]] = {}
    for row in widths:
        found = _readings_of(row, by_animal, by_photo)
        said = []
        animal = found[0][0] if found else ""
        for _, reading in found:
            crest = next(
                (c for t in reading.teeth if t.position == row.tooth for c in t.crests if c.lobe == row.lobe),
                None,
            )
            if crest is not None and (row.unit == "px" or reading.px_per_mm is not None or _has_ratio(row)):
                said.append(_tool_values(crest, row.unit, reading.px_per_mm))
        subject = row.photo or row.specimen_id
        compared = False
        for quantity, value in values_of(row).items():
            values = [s[quantity] for s in said if quantity in s]
            unit = "1" if quantity == "ratio" else row.unit
            if values:
                key = (animal, row.photo or row.side or "", row.tooth, row.lobe, quantity, unit)
                hand[key].append(value)
                tool[key] = values
                compared = True
        if not compared:
            words = _why_not(row, found, said)
            problems.append(Problem(where=f"{where}:{row.row}", item=subject, kind="no_reading", words=words))
    pairs = []
    for key, values in tool.items():
        us = [u for _, u in values if u is not None]
        pairs.append(
            Pair(
                animal=key[0],
                tooth=key[2],
                lobe=key[3],
                quantity=key[4],
                unit=key[5],
                hand=float(np.mean(hand[key])),
                tool=float(np.mean([v for v, _ in values])),
                u=float(np.mean(us)) if us else None,
            )
        )
    return sorted(pairs, key=lambda p: (p.quantity, p.unit, p.animal, p.tooth, p.lobe)), problems


def _readings_of(
    row: CalliperRow,
    by_animal: Mapping[str, list[Reading]],
    by_photo: Mapping[str, list[tuple[str, Reading]]],
) -> list[tuple[str, Reading]]:
    if row.photo is not None:
        named = by_photo.get(row.photo.lower(), [])
    else:
        named = [(row.specimen_id, reading) for reading in by_animal.get(row.specimen_id, [])]
    return [(animal, reading) for animal, reading in named if row.side in (None, reading.side)]


def _has_ratio(row: CalliperRow) -> bool:
    return "ratio" in values_of(row)


def _why_not(row: CalliperRow, found: Sequence[Any], said: Sequence[Any]) -> str:
    if not found:
        return "no reading of it. Read its photo, or correct the name."
    if not said:
        scale = "" if row.unit == "px" else " with a scale"
        return f"no reading has tooth {row.tooth}, lobe {row.lobe}{scale}. Use the card, or leave it out."
    return "the reading measured none of these bands there. Look at the photo."


def _tool_values(
    crest: CrestReading, unit: str, px_per_mm: float | None
) -> dict[str, tuple[float, float | None]]:
    """What the reading says of the crest, in ``unit``, with its standard uncertainty."""
    out: dict[str, tuple[float, float | None]] = {}
    factor = 1.0 if unit == "px" else None if px_per_mm is None else 1 / px_per_mm
    bands = {
        "dentine": crest.dentine_px,
        "enamel_outer": crest.enamel_outer_px,
        "enamel_inner": crest.enamel_inner_px,
    }
    for name, quantity in bands.items():
        if quantity is not None and factor is not None:
            out[name] = (quantity.value * factor, quantity.u * factor)
    if "enamel_outer" in out and "enamel_inner" in out:
        out["enamel"] = ((out["enamel_outer"][0] + out["enamel_inner"][0]) / 2, None)
    if crest.ratio is not None:
        out["ratio"] = (crest.ratio.value, crest.ratio.u)
    return out


def width_errors(pairs: Sequence[Pair], widths: Sequence[CalliperRow]) -> list[WidthErrors]:
    """Bias, limits, relative error and coverage for every quantity and unit that has pairs."""
    results = []
    for quantity in QUANTITIES:
        for unit in ("1",) if quantity == "ratio" else ("mm", "px"):
            chosen = [p for p in pairs if p.quantity == quantity and p.unit == unit]
            if chosen:
                results.append(_errors(quantity, unit, chosen, widths))
    return results


def _errors(quantity: str, unit: str, pairs: Sequence[Pair], widths: Sequence[CalliperRow]) -> WidthErrors:
    hand, tool = np.array([p.hand for p in pairs]), np.array([p.tool for p in pairs])
    animals = sorted({p.animal for p in pairs})
    sums = np.zeros((len(animals), 2))
    for p in pairs:
        sums[animals.index(p.animal)] += (p.tool - p.hand, 1)

    def mean_difference(rows: NDArray[np.intp]) -> NDArray[np.float64]:
        total = sums[rows].sum(axis=1)
        return np.asarray(total[:, 0] / total[:, 1])

    low, high, reason = bootstrap_interval(mean_difference, len(animals), seed=SEED)
    bias = Estimate(
        value=float((tool - hand).mean()),
        low=low,
        high=high,
        n=len(animals),
        unit=unit,
        method="bootstrap over animals",
        no_interval=reason,
    )
    above = hand > 0
    off = 100 * np.abs(tool[above] / hand[above] - 1)
    return WidthErrors(
        quantity=quantity,
        unit=unit,
        crests=len(pairs),
        animals=len(animals),
        agreement=bland_altman(tool, hand, unit=unit),
        bias=bias,
        median_share=Estimate(value=float(np.median(off)), n=len(off), unit="%", no_interval="a description")
        if len(off)
        else undefined("no crest has a width above 0", n=0, unit="%"),
        covered=_covered(pairs),
        hand_sd=_hand_sd(quantity, unit, widths),
    )


def _covered(pairs: Sequence[Pair]) -> Estimate:
    with_u = [p for p in pairs if p.u is not None]
    if not with_u:
        return undefined("the tool states no uncertainty of it", n=0, unit="%")
    return share(sum(abs(p.tool - p.hand) <= K95 * float(p.u or 0) for p in with_u), len(with_u))


def _hand_sd(quantity: str, unit: str, widths: Sequence[CalliperRow]) -> Estimate:
    """Pooled standard deviation of repeats (Bland & Altman 1996, BMJ 312:1654), of any number."""
    groups: dict[tuple[Any, ...], list[float]] = defaultdict(list)
    for w in widths:
        value = values_of(w).get(quantity)
        if value is not None and (quantity == "ratio" or w.unit == unit):
            groups[w.specimen_id, w.side, w.photo, w.tooth, w.lobe, w.who].append(value)
    repeated = [np.array(g) for g in groups.values() if len(g) > 1]
    if not repeated:
        return undefined("no crest was measured twice by one person", n=0, unit=unit)
    squares = sum(float(((g - g.mean()) ** 2).sum()) for g in repeated)
    freedom = sum(len(g) - 1 for g in repeated)
    return Estimate(
        value=math.sqrt(squares / freedom), n=len(repeated), unit=unit, no_interval="none is customary"
    )


def report(results: Sequence[WidthErrors]) -> str:
    """The numbers as a Markdown page."""
    lines = [
        "# Readings against hand-measured widths",
        "",
        "Tool minus hand. Intervals of the bias are by bootstrap over animals. Limits of agreement after "
        "Bland & Altman 1986 (Lancet 327:307-310) take crests as independent, so trust their middle more "
        "than their ends.",
        "",
        "| quantity | crests (animals) | bias | limits of agreement | median error | hand in stated 95 % | "
        "repeats of the hand, SD |",
        "|---|---|---|---|---|---|---|",
    ]
    for r in results:
        digits = 2 if r.unit == "px" else 3
        ends = (r.agreement.lower_limit, r.agreement.upper_limit)
        limits = " to ".join("?" if e.value is None else f"{e.value:.{digits}f}" for e in ends)
        unit = "" if r.unit == "1" else f" [{r.unit}]"
        cells = (
            f"{r.quantity}{unit}",
            f"{r.crests} ({r.animals})",
            r.bias.sentence(digits),
            limits,
            r.median_share.sentence(1),
            r.covered.sentence(0),
            r.hand_sd.sentence(digits),
        )
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"
