"""
The model card, written from run records and evaluations, so that no number in it is typed by hand.

The words that do not depend on a run are in ``card.md`` beside this module; this code fills in the tables.
Where a result does not exist, the card says "not measured".
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

from crestgauge.inference.errors import InputError
from crestgauge.model.weights import WeightsEntry, load_manifest
from crestgauge.training.report import AIMS, interval, percent, percent_of, with_count

Record = dict[str, Any]
NOT_MEASURED = "Not measured."


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluated:
    """
    One evaluation to report.

    Parameters
    ----------
    title : str
        What the photographs were, for a reader who knows nothing of the project.
    path : Path
        Its ``evaluation.json``.
    """

    title: str
    path: Path


def write_card(
    folder: Path,
    independent: Sequence[Evaluated],
    own: Sequence[Evaluated],
    held_out: Path | None = None,
    curves: Sequence[Evaluated] = (),
    starts: Path | None = None,
) -> Path:
    """
    Write ``MODEL_CARD.md`` for the default weights of a folder.

    Parameters
    ----------
    folder : Path
        With ``weights.toml`` and the run records beside the weights.
    independent : sequence of Evaluated
        On pictures from sources that training never used; these come first.
    own : sequence of Evaluated
        On pictures of the generator that training used.
    held_out : Path, optional
        ``holdout.json`` of `crestgauge.training.holdout`.
    curves : sequence of Evaluated
        ``curve.json`` of `crestgauge.training.curve`; each is drawn beside the card, as curve-1.svg ...
    starts : Path, optional
        ``starts.json`` of `crestgauge.training.starts`.

    Raises
    ------
    InputError
        If an evaluation or a record cannot be read.
    """
    manifest = load_manifest(folder / "weights.toml")
    entries = [manifest.find(role) for role in ("fine", "coarse") if role in manifest.default]
    records = [_read(folder / entry.trained_by) for entry in entries]
    words = Template(files("crestgauge.training").joinpath("card.md").read_text(encoding="utf-8"))
    text = words.substitute(
        names=" and ".join(entry.name for entry in entries),
        weights="\n".join(weights_table(entries, records)),
        independent="\n\n".join(evaluation(each) for each in independent) or NOT_MEASURED,
        own="\n\n".join(evaluation(each) for each in own) or NOT_MEASURED,
        pixels="\n".join(pixel_table(records)),
        held_out=_held_out(held_out),
        starts=_starts(starts),
        curves="\n\n".join(_curve(each, folder, k) for k, each in enumerate(curves, 1)) or NOT_MEASURED,
        commands="\n".join(_command(record) for record in records),
    )
    path = folder / "MODEL_CARD.md"
    path.write_text(text, encoding="utf-8")
    return path


def weights_table(entries: Sequence[WeightsEntry], records: Sequence[Record]) -> list[str]:
    """Files, their size, and the runs that they come from: the last, and any that it went on from."""
    head = "| weights | sees | MB | parameters | pictures drawn / used | minutes | on | parity | commit |"
    lines = [head, "|---|---|---|---|---|---|---|---|---|"]
    sees = {"fine": "the levelled row, 1536 x 448 px", "coarse": "the whole photograph, 512 px"}
    for entry, record in zip(entries, records, strict=True):
        runs = [record["before"], record] if "before" in record else [record]
        drawn, used, seconds = (
            sum(run[key] for run in runs) for key in ("pictures_drawn", "pictures_used", "seconds")
        )
        lines.append(
            f"| {entry.name} | {sees[entry.role]} | {entry.size / 1e6:.1f} | "
            f"{record['parameters'] / 1e6:.1f} M | "
            f"{drawn} / {used} | {seconds / 60:.1f} | "
            f"{record['device']} | {entry.parity_max_abs:.0e} | {(record['commit'] or 'unknown')[:10]} |"
        )
    return lines


def pixel_table(records: Sequence[Record]) -> list[str]:
    """Pixel metrics of each run on fresh pictures of its own generator."""
    names = sorted({name for record in records for name in record["metrics"]} - {"step", "seconds"})
    lines = [
        "| on fresh drawn pictures | " + " | ".join(r["name"] for r in records) + " |",
        "|---" * (len(records) + 1) + "|",
    ]
    for name in names:
        values = (record["metrics"].get(name) for record in records)
        cells = " | ".join("-" if v is None else f"{v:.3f}" for v in values)
        lines.append(f"| {name.replace('_', ' ')} | {cells} |")
    return lines


def evaluation(each: Evaluated) -> str:
    """One evaluation as a heading and a table."""
    summary = _read(each.path)
    rows = [(what, percent(summary[key]), interval(summary[key]), aim) for what, key, aim in AIMS]
    rows += [
        (
            "ratio, median relative error (bands of 8 px and more)",
            percent_of(summary["ratio_error_median"]),
            f"{summary['wide_crests']} crests",
            "at most 5 %",
        ),
        ("ratio, median signed error", percent_of(summary["ratio_bias_median"]), "", ""),
        ("ratio, 95th percentile of the error", percent_of(summary["ratio_error_95"]), "", "at most 20 %"),
        (
            "95 % intervals that hold the truth",
            percent(summary["coverage_wide"]),
            interval(summary["coverage_wide"]),
            "92-98 %",
        ),
        (
            "spoilt photographs refused",
            with_count(summary["unusable_refused"]),
            interval(summary["unusable_refused"]),
            "at least 95 %",
        ),
        (
            "the same, with the right reason",
            with_count(summary["unusable_right_reason"]),
            interval(summary["unusable_right_reason"]),
            "at least 95 %",
        ),
    ]
    lines = [
        f"**{each.title}**: {summary['photos']} photographs, {summary['usable']} of them usable.",
        "",
        "| | result | 95 % interval | aim |",
        "|---|---|---|---|",
        *("| " + " | ".join(row) + " |" for row in rows),
        "",
        "Class said (columns) for each true class (rows), usable photographs:",
        "",
        *_confusion(summary["confusion"]),
    ]
    return "\n".join(lines)


def _confusion(table: Record) -> list[str]:
    columns = sorted({said for line in table.values() for said in line})
    lines = ["| true | " + " | ".join(columns) + " |", "|---" * (len(columns) + 1) + "|"]
    return lines + [
        f"| {true} | " + " | ".join(str(line.get(column, "")) for column in columns) + " |"
        for true, line in table.items()
    ]


def _held_out(path: Path | None) -> str:
    if path is None:
        return NOT_MEASURED
    from crestgauge.training.holdout import table

    return "\n".join(table(_read(path)).splitlines()[2:])


def _starts(path: Path | None) -> str:
    if path is None:
        return NOT_MEASURED
    from crestgauge.training.starts import page

    return page(_read(path)).strip()


def _curve(each: Evaluated, folder: Path, number: int) -> str:
    from crestgauge.training.curve import page, plot

    result = _read(each.path)
    picture = folder / f"curve-{number}.svg"
    picture.write_text(plot(result), encoding="utf-8")
    return f"**{each.title}**\n\n{page(result)}\n![the same as a picture]({picture.name})"


def _command(record: Record) -> str:
    return f"    crestgauge train {record['role']} --out runs/{record['role']} --export-to model"


def _read(path: Path) -> Record:
    try:
        found: Record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, json.JSONDecodeError) as error:
        raise InputError(
            f"{path}: cannot be read ({error}); needs the JSON that training or evaluation wrote. "
            "Run it again."
        ) from error
    return found
