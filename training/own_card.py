"""
The model card of a set of one's own, from its plan, record, calibration and comparisons; no number by hand.
"""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any, Final

from crestgauge.inference.errors import WeightsError
from crestgauge.model.local import GATES, MANIFEST
from crestgauge.model.weights import load_manifest
from crestgauge.training.recalibrate import EXPLAINED

BIASES: Final = ("dentine_bias_px", "enamel_bias_px")

CARD = "MODEL_CARD.md"


def write_own_card(folder: Path) -> Path:
    """
    Write the card of the set in ``folder``.

    Raises
    ------
    WeightsError
        If plan, record or calibration cannot be read.
    """
    manifest = load_manifest(folder / MANIFEST)
    entry, plan = manifest.find("fine"), _read(folder / "plan.json")
    lines = training_lines(_read(folder / entry.trained_by))
    if "coarse" in plan.get("networks", []):
        coarse = _read(folder / manifest.find("coarse").trained_by)
        lines = ["Fine network:", "", *lines, "", "Coarse network:", "", *training_lines(coarse)]
    calibration = _read(folder / "calibration.json")
    words = Template(files("crestgauge.training").joinpath("own_card.md").read_text(encoding="utf-8"))
    pages = sorted((folder / GATES).glob("*.md"))
    settings = plan["config"]["own"]
    text = words.substitute(
        name=plan["name"],
        start=f"{plan['start']['set']} ({plan['start']['model']})",
        data=data_words(plan),
        drawn=f"{100 * (1 - settings['share']):.0f} %, out of {settings['drawn']}",
        training="\n".join(lines),
        calibration=calibration_words(calibration),
        gates="\n\n".join(page.read_text(encoding="utf-8").strip() for page in pages)
        or "Not compared with other weights yet (`crestgauge weights compare`).",
        record=entry.trained_by,
    )
    path = folder / CARD
    path.write_text(text, encoding="utf-8")
    return path


def data_words(plan: dict[str, Any]) -> str:
    """How many photos and animals, in which part, and what was odd about them."""
    data, split = plan["data"], plan["split"]
    photos = data["photos_by_part"]
    parts = ", ".join(
        f"{len(split[part])} animals ({len(photos[part])} photos) {use}"
        for part, use in (("train", "to train"), ("check", "to say when to stop"), ("test", "to judge"))
    )
    lines = [f"{data['photos']} labelled photos of {data['animals']} animals: {parts}. Split by animal."]
    return "\n".join([*lines, *(f"- {note}" for note in data["notes"])])


def training_lines(record: dict[str, Any]) -> list[str]:
    """Every look at the run as a table."""
    looks = [look for look in record["checks"] if look.get("own") is not None]
    lines = [
        f"{record['steps']} steps in {record['seconds'] / 60:.1f} minutes on {record['device']}; the "
        f"weights are those of step {record['metrics']['step']:.0f}, the best on the animals kept back.",
        "",
        "Reading loss: material near bands only (the coarse network: everywhere), without tilt and blur; the "
        "best step has the least on the animals kept back, with what it adds on drawn pictures.",
        "",
        "| step | reading loss on animals kept back | on drawn pictures | whole loss on animals kept back "
        "| on drawn pictures |",
        "|---|---|---|---|---|",
    ]
    keys = ("own_reading", "drawn_reading", "own", "drawn")
    return lines + [
        f"| {look['step']:.0f} | " + " | ".join(f"{look[key]:.4f}" for key in keys) + " |" for look in looks
    ]


def _read(path: Path) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, json.JSONDecodeError) as error:
        raise WeightsError(
            f"{path}: cannot be read ({error}); it belongs to the set. Copy it again."
        ) from error
    return found


def calibration_words(calibration: dict[str, Any]) -> str:
    """What was done about the uncertainties, in a sentence."""
    held = calibration["coverage_left_out"]
    ways = {
        "edge model": "fitted anew",
        "conformal": f"multiplied by {calibration['factor'] or 1:.2f}",
        "widened only": f"multiplied by {calibration['factor'] or 1:.2f} (too few animals to narrow them)",
        EXPLAINED: "left as they were: errors of the labels explain those of the readings",
        "kept": "left as they were: too few crests to judge them by",
    }
    words = f"Stated uncertainties were {ways[calibration['method']]}"
    words += f" ({calibration['crests']} crests of {calibration['animals']} animals kept back)"
    if held["share"] is not None:
        words += (
            f"; 95 % intervals hold {100 * held['share']:.0f} % of crests of animals left out "
            f"({100 * held['low']:.0f} to {100 * held['high']:.0f} %)"
        )
    return words + ". " + bias_words(calibration)


def bias_words(calibration: dict[str, Any]) -> str:
    """What is taken off widths, here and elsewhere."""
    own, other = calibration["model"], calibration.get("elsewhere")
    here, there = (
        " and ".join(f"{each[key]:+.2f} px of {key.split('_')[0]}" for key in BIASES)
        for each in (own, other or own)
    )
    if other is None:
        return f"Taken off measured widths, in crop pixels: {here}."
    return (
        f"Taken off measured widths, in crop pixels: {here} on photos that look like these, {there} on all "
        "others."
    )
