"""
The model card of a set of one's own, from its plan, record, calibration and comparisons; no number by hand.
"""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

from crestgauge.inference.errors import WeightsError
from crestgauge.model.local import GATES, MANIFEST
from crestgauge.model.weights import load_manifest

CARD = "MODEL_CARD.md"


def write_own_card(folder: Path) -> Path:
    """
    Write the card of the set in ``folder``.

    Raises
    ------
    WeightsError
        If plan, record or calibration cannot be read.
    """
    from crestgauge.training.finish import calibration_words

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
