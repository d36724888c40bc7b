"""The reading: what is written comes back, and nothing that is wrong with a file is overlooked."""

from __future__ import annotations

import copy
import json
import math
import pickle
from dataclasses import fields, replace
from importlib.resources import files
from typing import Any

import jsonschema
import numpy as np
import pytest
from built_readings import BLURRED, KEY, PHOTO, READINGS, VERSIONS, full, read
from evidence_rows import CLASS_ROWS, crest, molar, row

from crestgauge.inference.build import build_reading, evidence_of
from crestgauge.inference.errors import InputError, ReadingError
from crestgauge.inference.evidence import Quantity
from crestgauge.inference.reading import TOOTH_UNSEEN, Reading
from crestgauge.inference.rules import propose

SCHEMA = jsonschema.Draft202012Validator(
    json.loads(files("crestgauge.inference").joinpath("schema", "reading-1.json").read_text(encoding="utf-8"))
)


def test_the_schema_is_valid() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA.schema)


@pytest.mark.parametrize("name", list(READINGS))
@pytest.mark.parametrize("indent", [None, 2])
def test_round_trip(name: str, indent: int | None) -> None:
    reading = READINGS[name]
    text = reading.to_json(indent=indent)
    SCHEMA.validate(json.loads(text))
    assert Reading.from_json(text) == reading
    assert Reading.from_json(text.encode()).to_json(indent=indent) == text


def test_outcomes() -> None:
    assert {name: reading.outcome for name, reading in READINGS.items()} == {
        "clear": "clear",
        "yearling": "clear",
        "dished": "clear",
        "borderline": "borderline",
        "unseen": "retake",
        "blurred": "retake",
        "no jaw": "retake",
    }
    assert [item.reason for item in READINGS["unseen"].retake] == [TOOTH_UNSEEN]
    assert "4 (m1)" in READINGS["unseen"].retake[0].advice


def test_the_keys_of_the_design_are_there() -> None:
    """The contract other programs build on: these keys under these names, whatever else is added."""
    data = READINGS["clear"].to_dict()
    agreed = (
        "schema photo outcome age_class possible coarse side tilt_deg px_per_mm teeth steps retake versions"
    )
    assert set(agreed.split()) <= set(data)
    tooth = "position name milk state lobes box infundibulum_left ratio crests"
    assert set(tooth.split()) <= set(data["teeth"][3])
    widths = "lobe dentine_px enamel_outer_px enamel_inner_px ratio ratio_by_definition line flags"
    assert set(widths.split()) == set(data["teeth"][3]["crests"][0])
    step = "id question tooth measured threshold answer class_if_yes"
    assert set(step.split()) <= set(data["steps"][0])
    assert set(data["versions"]) == {"crestgauge", "model", "criteria"}
    assert data["schema"] == "crestgauge.reading/1"


@pytest.mark.parametrize("name", list(READINGS))
def test_readings_and_proposals_travel_between_processes(name: str) -> None:
    """Bulk work reads photos in worker processes."""
    assert pickle.loads(pickle.dumps(READINGS[name])) == READINGS[name]
    proposal = propose(CLASS_ROWS["4.5"], KEY)
    assert pickle.loads(pickle.dumps(proposal)) == proposal


def test_numbers_are_rounded_and_never_minus_zero() -> None:
    reading = READINGS["clear"]
    assert reading.teeth[3].crests[0].dentine_px == Quantity(18.123, 0.4)
    assert reading.teeth[3].crests[0].line[0] == (100.12, 200.0)
    assert reading.px_per_mm == 23.4568
    assert reading.tilt_deg == Quantity(4.24, 1.5)
    shifted = replace(reading, tilt_deg=Quantity(-0.0001, 1.0))
    assert '"tilt_deg": {"value": 0.0, "u": 1.0}' in shifted.to_json()


def test_numpy_numbers_are_written_as_numbers() -> None:
    measured = replace(
        full(CLASS_ROWS["3.5"]), px_per_mm=np.float32(12.5), tilt_deg=Quantity(np.float64(2), 1)
    )
    reading = build_reading(
        photo=replace(PHOTO, width=np.int64(4000)),
        versions=VERSIONS,
        measured=measured,
        proposal=propose(CLASS_ROWS["3.5"], KEY),
    )
    assert json.loads(reading.to_json())["px_per_mm"] == 12.5
    assert type(reading.photo.width) is int


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_not_finite_is_never_written(number: float) -> None:
    with pytest.raises(ReadingError, match=r"\$\.px_per_mm|\$\.tilt_deg\.value"):
        read(CLASS_ROWS["3.5"], measured=replace(full(CLASS_ROWS["3.5"]), tilt_deg=Quantity(number, 1.0)))
    with pytest.raises(ReadingError, match=r"\$\.retake\[0\]\.measured"):
        read(CLASS_ROWS["3.5"], retake=[replace(BLURRED, measured=number)])


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity"])
def test_a_number_that_is_not_finite_is_never_read(number: str) -> None:
    text = READINGS["clear"].to_json().replace('"px_per_mm": 23.4568', f'"px_per_mm": {number}')
    assert number in text
    with pytest.raises(ReadingError, match="finite"):
        Reading.from_json(text)


def test_a_refused_photo_keeps_what_was_measured_and_guesses_nothing() -> None:
    reading = READINGS["blurred"]
    assert reading.teeth == READINGS["clear"].teeth
    assert (reading.age_class, reading.possible, reading.steps, dict(reading.coarse)) == (None, (), (), {})


def test_the_evidence_in_a_reading_gives_the_same_proposal() -> None:
    for evidence in CLASS_ROWS.values():
        carried = evidence_of(read(evidence))
        assert carried is not None
        assert propose(carried, KEY) == propose(evidence, KEY)
    assert evidence_of(READINGS["no jaw"]) is None


def test_a_crest_without_infundibulum_is_flagged() -> None:
    evidence = row(molar(4, None, crests=(crest(1, None, gone=True), crest(2, 1.4))))
    crests = read(evidence).teeth[3].crests
    assert crests[0].flags == ("infundibulum_gone", "narrow_band")
    assert crests[1].flags == ("narrow_band",)


def test_build_needs_a_proposal_or_a_reason() -> None:
    with pytest.raises(InputError, match="neither proposal nor reason"):
        build_reading(photo=PHOTO, versions=VERSIONS)


def test_build_refuses_a_proposal_by_other_criteria() -> None:
    with pytest.raises(InputError, match="proposal by"):
        read(CLASS_ROWS["3.5"], proposal=replace(propose(CLASS_ROWS["3.5"], KEY), criteria="mine 2 sha256:0"))


# -------------------- files that are wrong


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths of all keys of all objects; of a list, its first and last item."""
    found = []
    if isinstance(value, dict):
        for key, item in value.items():
            found += [(*path, key), *places(item, (*path, key))]
    elif isinstance(value, list):
        for i in sorted({0, len(value) - 1} if value else ()):
            found += places(value[i], (*path, i))
    return found


def edited(data: dict[str, Any], path: tuple[Any, ...]) -> tuple[dict[str, Any], dict[str, Any]]:
    document = copy.deepcopy(data)
    table: Any = document
    for part in path[:-1]:
        table = table[part]
    return document, table


def named(path: tuple[Any, ...]) -> str:
    return "$" + "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path)


def refused(document: dict[str, Any], *, starts: str) -> None:
    """Both the class and the schema file refuse it, and the message begins with the path."""
    with pytest.raises(ReadingError) as error:
        Reading.from_json(json.dumps(document))
    assert str(error.value).startswith(starts)
    assert not SCHEMA.is_valid(document), starts


DATA = READINGS["clear"].to_dict()
# "coarse" is keyed by the ids of the criteria file, so any of its keys may go or change.
KEYS = [path for path in places(DATA) if path[:-1] != ("coarse",)]


def test_every_removed_key_is_named() -> None:
    assert len(KEYS) > 100  # the walk reaches into teeth, crests and steps
    for path in KEYS:
        document, table = edited(DATA, path)
        del table[path[-1]]
        refused(document, starts=f"{named(path)}: missing")


def test_every_added_key_is_named() -> None:
    for path in KEYS:
        document, table = edited(DATA, path)
        table[f"{path[-1]}_"] = 1
        refused(document, starts=f"{named(path)}_: unknown key")


@pytest.mark.parametrize("wrong", [True, 3.5, "odd", [1], {"odd": 1}], ids=str)
def test_every_value_of_a_wrong_type_is_named(wrong: Any) -> None:
    def fits(old: Any) -> bool:
        if isinstance(wrong, float) and type(old) in (int, float):
            return True
        return type(old) is type(wrong) or old is None

    for path in KEYS:
        document, table = edited(DATA, path)
        if fits(table[path[-1]]):
            continue
        table[path[-1]] = wrong
        refused(document, starts=named(path))


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("schema",), "crestgauge.reading/2"),
        (("outcome",), "sure"),
        (("age_class",), "4"),
        (("age_class",), None),
        (("possible",), []),
        (("possible",), ["4.5", "4.5"]),
        (("possible",), ["4.5", "5.5"]),
        (("photo", "sha256"), "xyz"),
        (("photo", "width"), 0),
        (("photo", "width"), 10.5),
        (("side",), "up"),
        (("px_per_mm",), 0),
        (("px_per_mm",), -2.0),
        (("tilt_deg", "u"), -1),
        (("teeth", 3, "position"), 5),
        (("teeth", 3, "name"), "m2"),
        (("teeth", 3, "milk"), True),
        (("teeth", 0, "milk"), True),
        (("teeth", 3, "state"), "gone"),
        (("teeth", 3, "lobes"), 0),
        (("teeth", 3, "box"), [1, 2, 3]),
        (("teeth", 3, "infundibulum_left_u"), None),
        (("teeth", 3, "crests", 0, "lobe"), 4),
        (("teeth", 3, "crests", 0, "line"), [[1, 2, 3]]),
        (("teeth", 3, "crests", 0, "ratio", "u"), -0.1),
        (("steps", 0, "tooth"), 7),
        (("steps", 0, "answer"), "perhaps"),
        (("steps", 0, "class_if_no"), "young"),
        (("steps",), []),
        (("deciding",), None),
        (("retake",), [{"reason": "dark", "measured": 1, "limit": 2, "advice": "More light."}]),
        (("caution",), "Certain."),
    ],
    ids=lambda value: named(value) if isinstance(value, tuple) else repr(value),
)
def test_values_that_contradict_the_contract_are_refused_by_class_and_schema(
    path: tuple[Any, ...], value: Any
) -> None:
    document, table = edited(DATA, path)
    assert table[path[-1]] != value
    table[path[-1]] = value
    refused(document, starts="$.")


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("age_class",), "3.5"),
        (("deciding",), "another-step"),
        (("teeth", 3, "box"), [10.0, 20.0, 5.0, 90.0]),
    ],
    ids=lambda value: named(value) if isinstance(value, tuple) else repr(value),
)
def test_contradictions_that_only_the_class_can_see(path: tuple[Any, ...], value: Any) -> None:
    """JSON Schema cannot compare two values of one document."""
    document, table = edited(DATA, path)
    table[path[-1]] = value
    with pytest.raises(ReadingError, match=r"^\$\."):
        Reading.from_dict(document)


def test_a_retake_without_reason_and_five_teeth_are_refused() -> None:
    document = READINGS["blurred"].to_dict()
    document["retake"] = []
    refused(document, starts="$.retake")
    document = READINGS["clear"].to_dict()
    document["teeth"].pop()
    refused(document, starts="$.teeth")


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", "3", '{"schema": 1, "schema": 2}', "[" * 100_000, b"\xff"]
)
def test_what_is_no_reading_is_refused(text: str | bytes) -> None:
    with pytest.raises(ReadingError, match=r"^\$"):
        Reading.from_json(text)


def test_class_and_schema_have_the_same_keys() -> None:
    assert [f.name for f in fields(Reading)] != []
    assert {f.name for f in fields(Reading)} == set(SCHEMA.schema["properties"])
