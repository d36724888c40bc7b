"""
The reading: all that was measured and concluded on one photo, as one value object with one JSON form.

``crestgauge.reading/1`` is a stable contract (`inference/schema/reading-1.json` says it to other programs):
names, units and meanings of what is here do not change under this name. A reading is never final; what a
person decides is a call, kept elsewhere.

Coordinates are pixels of the upright photo (after EXIF orientation), x right, y down. Points are (x, y).
Numbers are rounded to a fixed count of decimals, finer than anything measured, so that the same reading is
always the same text.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal, NoReturn

from crestgauge.inference.errors import ReadingError
from crestgauge.inference.evidence import Quantity, State
from crestgauge.inference.json_form import decode, encode
from crestgauge.inference.rules import Outcome
from crestgauge.model.labels import tooth_name

SCHEMA: Final = "crestgauge.reading/1"
CAUTION: Final = "A proposal for a trained person to confirm."
INFUNDIBULUM_GONE: Final = "infundibulum_gone"
"""Crest flag: no infundibulum is left beside it, so it has no inner band and no ratio."""
TOOTH_UNSEEN: Final = "tooth_unseen"
"""Retake reason of the rule layer: the photo is good enough, but does not show a tooth that the key needs."""

Side = Literal["left", "right"]
Point = tuple[float, float]
Box = tuple[float, float, float, float]

_CLASS = re.compile(r"\d{1,2}\.5\+?")
_SHA256 = re.compile(r"[0-9a-f]{64}")
RATIO_DECIMALS: Final = 4
_RATIO, _PX, _POINT = {"decimals": RATIO_DECIMALS}, {"decimals": 3}, {"decimals": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRef:
    """The photo: file name without folder, hash of its bytes, size of the upright picture. [px]"""

    file: str
    sha256: str
    width: int
    height: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AccuracyReading:
    """A published share of right (or agreeing) calls [percent], of what, and where it stands."""

    percent: float = field(metadata={"decimals": 1})
    of: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CoarseReading:
    """A coarse class with its published accuracy; ``label`` is None where it is open over several groups."""

    label: str | None
    possible: tuple[str, ...]
    words: str
    accuracy: tuple[AccuracyReading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DefinitionRatios:
    """The ratio of a crest under the other definitions (`crestgauge.inference.evidence.DEFINITIONS`). [1]"""

    middle: float | None = field(metadata=_RATIO)
    widest: float | None = field(metadata=_RATIO)
    outer: float | None = field(metadata=_RATIO)
    inner: float | None = field(metadata=_RATIO)


@dataclass(frozen=True, slots=True, kw_only=True)
class CrestReading:
    """One tongue-side crest: band widths [px of the upright photo], ratio [1], its line, front end first."""

    lobe: int
    dentine_px: Quantity | None = field(metadata=_PX)
    enamel_outer_px: Quantity | None = field(metadata=_PX)
    enamel_inner_px: Quantity | None = field(metadata=_PX)
    ratio: Quantity | None = field(metadata=_RATIO)
    ratio_by_definition: DefinitionRatios
    line: tuple[Point, ...] = field(metadata=_POINT)
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothReading:
    """
    One position of the row; the meaning of its parts is that of
    `crestgauge.inference.evidence.ToothEvidence`.

    Parameters
    ----------
    milk : bool or None
        None where milk or permanent cannot be told.
    box : (x0, y0, x1, y1) or None
        Round the visible crown. [px]
    ratio : Quantity or None
        What the key compared on teeth 4 to 6, over the crests that count. [1]
    """

    position: int
    name: str
    milk: bool | None
    state: State
    lobes: int | None
    box: Box | None = field(metadata=_POINT)
    infundibulum_left: float | None = field(metadata=_RATIO)
    infundibulum_left_u: float | None = field(metadata=_RATIO)
    dentine_share: Quantity | None = field(metadata=_RATIO)
    ratio: Quantity | None = field(metadata=_RATIO)
    crests: tuple[CrestReading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """One question of the key as answered; see `crestgauge.inference.rules.Step`."""

    id: str
    question: str
    tooth: int
    measured: Quantity | None = field(metadata=_RATIO)
    threshold: float = field(metadata=_RATIO)
    answer: Literal["yes", "no", "borderline", "unseen"]
    class_if_no: str
    class_if_yes: str
    why: str
    definitions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Retake:
    """Why the photo does not do: reason id, what was measured against which limit, what to do about it."""

    reason: str
    measured: float | None = field(metadata=_RATIO)
    limit: float | None = field(metadata=_RATIO)
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Versions:
    """What made the reading: program, weights (name), criteria (`Criteria.label`)."""

    crestgauge: str
    model: str
    criteria: str

    def in_words(self) -> str:
        """For people, in one line."""
        return f"crestgauge {self.crestgauge}, weights {self.model}, criteria {self.criteria}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """
    One photo, read.

    Parameters
    ----------
    outcome : "clear", "borderline" or "retake"
        See `crestgauge.inference.rules`; retake always has a reason in ``retake`` and no class.
    age_class : str or None
        One of ``possible``; None where the class is open.
    deciding : str or None
        Id of the step that set the class or left it open.
    teeth : tuple of ToothReading
        Six, or none where no tooth row was found.

    Raises
    ------
    ReadingError
        If the parts contradict each other; the message begins with the JSON path.
    """

    schema: Literal["crestgauge.reading/1"] = SCHEMA
    photo: PhotoRef
    outcome: Outcome
    age_class: str | None
    possible: tuple[str, ...]
    deciding: str | None
    coarse: Mapping[str, CoarseReading]
    side: Side | None
    tilt_deg: Quantity | None = field(metadata=_POINT)
    px_per_mm: float | None = field(metadata=_RATIO)
    teeth: tuple[ToothReading, ...]
    steps: tuple[StepReading, ...]
    notes: tuple[str, ...]
    retake: tuple[Retake, ...]
    versions: Versions
    caution: Literal["A proposal for a trained person to confirm."] = CAUTION

    def __post_init__(self) -> None:
        _check(self)

    def to_dict(self) -> dict[str, Any]:
        """As plain JSON values, rounded; raises ReadingError where a number is not finite."""
        return dict(encode(self, "$", None))

    def to_json(self, *, indent: int | None = None) -> str:
        """As JSON text on one line, or indented."""
        return json.dumps(self.to_dict(), ensure_ascii=False, allow_nan=False, indent=indent)

    @classmethod
    def from_dict(cls, data: object) -> Reading:
        """The reading from plain JSON values; raises ReadingError with the JSON path of the first fault."""
        return decode(cls, data, "$")

    @classmethod
    def from_json(cls, text: str | bytes) -> Reading:
        """
        The reading from JSON text.

        Raises
        ------
        ReadingError
            If the text is no JSON, or a key is missing, unknown or twice, or a value is of the wrong type,
            not finite, or contradicts another. Nothing is repaired.
        """
        try:
            data = json.loads(text, parse_constant=_no_constant, object_pairs_hook=_no_repeats)
        except (json.JSONDecodeError, UnicodeDecodeError, RecursionError) as error:
            raise ReadingError(
                f"$: not valid JSON ({error}); needs a {SCHEMA} object. Write it again."
            ) from error
        return cls.from_dict(data)


def _no_constant(name: str) -> NoReturn:
    raise ReadingError(f"$: {name}; needs numbers that are finite. Write null for what was not measured.")


def _no_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        twice = next(key for i, (key, _) in enumerate(pairs) if key in dict(pairs[:i]))
        raise ReadingError(f"$: key {twice!r} twice in one object; needs every key once. Remove one of them.")
    return found


def _fail(path: str, found: object, needed: str) -> NoReturn:
    raise ReadingError(f"$.{path}: {found!r}; needs {needed}. Make the reading again from its photo.")


def _check(reading: Reading) -> None:
    """What types alone do not say."""
    photo = reading.photo
    if not _SHA256.fullmatch(photo.sha256):
        _fail("photo.sha256", photo.sha256, "64 hexadecimal digits")
    for name, size in (("width", photo.width), ("height", photo.height)):
        if size < 1:
            _fail(f"photo.{name}", size, "at least 1")
    if reading.px_per_mm is not None and not reading.px_per_mm > 0:
        _fail("px_per_mm", reading.px_per_mm, "more than 0, or null")
    _check_class(reading)
    if reading.teeth and [tooth.position for tooth in reading.teeth] != [1, 2, 3, 4, 5, 6]:
        _fail("teeth", [tooth.position for tooth in reading.teeth], "positions 1 to 6 in order, or no teeth")
    for i, tooth in enumerate(reading.teeth):
        _check_tooth(f"teeth[{i}]", tooth)
    for i, step in enumerate(reading.steps):
        if not 1 <= step.tooth <= 6:
            _fail(f"steps[{i}].tooth", step.tooth, "1 to 6")
        for key, name in (("class_if_no", step.class_if_no), ("class_if_yes", step.class_if_yes)):
            if not _CLASS.fullmatch(name):
                _fail(f"steps[{i}].{key}", name, 'a class such as "2.5"')
    if (reading.deciding is None) != (not reading.steps):
        _fail("deciding", reading.deciding, "the id of a step, or null where there are none")
    if reading.deciding is not None and reading.deciding not in [step.id for step in reading.steps]:
        _fail("deciding", reading.deciding, "the id of one of the steps")


def _check_class(reading: Reading) -> None:
    for i, name in enumerate(reading.possible):
        if not _CLASS.fullmatch(name):
            _fail(f"possible[{i}]", name, 'a class such as "2.5"')
    ages = [float(name.rstrip("+")) for name in reading.possible]
    if sorted(set(ages)) != ages:
        _fail("possible", list(reading.possible), "every class once, youngest first")
    if reading.age_class is not None and reading.age_class not in reading.possible:
        _fail("age_class", reading.age_class, "one of possible")
    if (reading.outcome == "retake") != bool(reading.retake):
        _fail(
            "retake", [r.reason for r in reading.retake], "reasons where, and only where, outcome is retake"
        )
    if reading.outcome == "retake" and reading.age_class is not None:
        _fail("age_class", reading.age_class, "null where outcome is retake")
    if reading.outcome == "clear" and (reading.age_class is None or len(reading.possible) != 1):
        _fail("outcome", reading.outcome, "exactly one possible class to be clear")
    if reading.outcome == "borderline" and not reading.possible:
        _fail("possible", [], "at least one class where outcome is borderline")


def _check_tooth(path: str, tooth: ToothReading) -> None:
    milk = bool(tooth.milk)
    if milk and tooth.position > 3:
        _fail(f"{path}.milk", tooth.milk, "false or null on teeth 4 to 6, which have no milk tooth")
    if tooth.name != tooth_name(tooth.position, milk=milk):
        _fail(f"{path}.name", tooth.name, f'"{tooth_name(tooth.position, milk=milk)}"')
    if tooth.lobes is not None and not 1 <= tooth.lobes <= 9:
        _fail(f"{path}.lobes", tooth.lobes, "1 to 9, or null")
    if (tooth.infundibulum_left is None) != (tooth.infundibulum_left_u is None):
        _fail(
            f"{path}.infundibulum_left_u",
            tooth.infundibulum_left_u,
            "a number where infundibulum_left is one",
        )
    if tooth.box is not None and not (tooth.box[0] <= tooth.box[2] and tooth.box[1] <= tooth.box[3]):
        _fail(f"{path}.box", tooth.box, "x0 <= x1 and y0 <= y1")
    lobes = [crest.lobe for crest in tooth.crests]
    if not set(lobes) <= {1, 2, 3} or len(set(lobes)) != len(lobes):
        _fail(f"{path}.crests", lobes, "lobes 1 to 3, each at most once")
