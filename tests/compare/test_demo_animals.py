"""The animals of the two worked studies are those that the generator draws today."""

from __future__ import annotations

import csv
import json
from importlib.resources import files
from itertools import islice

import pytest

pytest.importorskip("torch")

from crestgauge.synthetic_data import known_age, study_jaws

FIRST = 2


def plain(value: object) -> object:
    """Numbers as numbers, also those written as text."""
    try:
        return float(value)
    except (TypeError, ValueError):
        return value


def leaves(value: object, path: str = "") -> dict[str, object]:
    """Everything in nested lists and objects, by where it stands."""
    if isinstance(value, dict):
        return {k: v for key, each in value.items() for k, v in leaves(each, f"{path}/{key}").items()}
    if isinstance(value, list):
        return {k: v for i, each in enumerate(value) for k, v in leaves(each, f"{path}/{i}").items()}
    return {path: plain(value)}


def agree(drawn: object, kept: object) -> None:
    """Other processors may round the last digit another way; another generator would differ by far more."""
    drawn, kept = leaves(drawn), leaves(kept)
    assert drawn.keys() == kept.keys()
    for place, value in kept.items():
        assert drawn[place] == (pytest.approx(value, abs=2e-3) if isinstance(value, float) else value), place


def test_animals_of_the_comparison():
    with files("crestgauge.inference.compare").joinpath("data/jaws.csv").open(encoding="utf-8") as file:
        kept = list(csv.DictReader(file))
    assert len(kept) == sum(known_age.ANIMALS.values())
    for drawn, line in zip(islice(known_age.draw_animals(known_age.SEED), FIRST), kept, strict=False):
        agree(drawn, line)


def test_animals_of_the_field_study():
    text = files("crestgauge.inference.study").joinpath("data/jaws.jsonl").read_text(encoding="utf-8")
    kept = [json.loads(line) for line in text.splitlines()]
    assert len(kept) == sum(study_jaws.ANIMALS.values())
    for drawn, line in zip(islice(study_jaws.draw_animals(study_jaws.SEED), FIRST), kept, strict=False):
        agree(drawn, line)
