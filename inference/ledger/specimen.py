"""
What may be recorded of one animal, with its checks. Pure: no database in here.

The fields follow what agency check stations and private-land guides write down (Michigan and Texas stations,
tagging and cementum practice; sources in DEVELOPERS.md). All but the id are optional, the area is as coarse
as the user wants, and there is no field for a position on purpose.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, fields
from datetime import date
from typing import Any, Final

from crestgauge.inference.errors import InputError

SEXES: Final = ("female", "male", "unknown")
WEIGHT_KINDS: Final = ("live", "dressed")
WEIGHT_UNITS: Final = ("kg", "lb")
SIDES: Final = ("left", "right", "both")
AGE_KINDS: Final = ("known", "minimum")
CERTAINTIES: Final = ("A", "B", "C")
"""Certainty grade of a cementum laboratory, A best (as in the public data of Adams & Blanchong 2020)."""
AGE_CLASSES: Final = ("0.5", "1.5", "2.5", "3.5", "4.5", "5.5", "6.5", "7.5", "8.5+")
"""Every class a person can call, youngest first."""
COARSE_CLASSES: Final = ("1.5+", "2.5+", "3.5+", "3.5-5.5", "6.5+")
"""Coarse classes that a person may call instead."""

MAX_ID: Final = 64
MAX_TEXT: Final = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """
    One animal.

    Parameters
    ----------
    specimen_id : str
        The user's own id, 1..64 printable characters.
    sex : str or None
        One of `SEXES`.
    harvest_date : str or None
        ISO 8601 day, YYYY-MM-DD.
    area : str or None
        State, county, unit, as coarse as wanted.
    weight, weight_kind, weight_unit : float, str, str, or None
        All three or none; kinds `WEIGHT_KINDS`, units `WEIGHT_UNITS`.
    lactating : bool or None
    points_left, points_right : int or None
        Antler points of each side.
    beam_left_mm, beam_right_mm, base_left_mm, base_right_mm, spread_mm : float or None
        Main beam length, circumference at the base, inside spread. [mm]
    jaw_side : str or None
        Which lower jaw was kept or photographed: one of `SIDES`.
    age_years, age_kind, age_basis : float, str, str, or None
        Known or minimum age (`AGE_KINDS`) with what it rests on, for example "tagged as fawn". [year]
    cementum_age, cementum_certainty, cementum_low, cementum_high : int, str, int, int, or None
        Laboratory count with its grade and range. [year]
    disease_sample : str or None
        Id of a disease-test sample.
    note : str or None

    Raises
    ------
    InputError
        If a value is out of range or half given.
    """

    specimen_id: str
    sex: str | None = None
    harvest_date: str | None = None
    area: str | None = None
    weight: float | None = None
    weight_kind: str | None = None
    weight_unit: str | None = None
    lactating: bool | None = None
    points_left: int | None = None
    points_right: int | None = None
    beam_left_mm: float | None = None
    beam_right_mm: float | None = None
    base_left_mm: float | None = None
    base_right_mm: float | None = None
    spread_mm: float | None = None
    jaw_side: str | None = None
    age_years: float | None = None
    age_kind: str | None = None
    age_basis: str | None = None
    cementum_age: int | None = None
    cementum_certainty: str | None = None
    cementum_low: int | None = None
    cementum_high: int | None = None
    disease_sample: str | None = None
    note: str | None = None

    def __post_init__(self) -> None:
        check_id("specimen_id", self.specimen_id)
        for name, allowed in _CHOICES.items():
            _choice(name, getattr(self, name), allowed)
        for name, (least, most) in _RANGES.items():
            _number(name, getattr(self, name), least, most)
        for name in ("area", "age_basis", "disease_sample", "note"):
            _text(name, getattr(self, name))
        if self.harvest_date is not None:
            check_day("harvest_date", self.harvest_date)
        _together(
            "weight", (self.weight, self.weight_kind, self.weight_unit), "weight, weight_kind, weight_unit"
        )
        _together(
            "age_years", (self.age_years, self.age_kind, self.age_basis), "age_years, age_kind, age_basis"
        )
        low, high = self.cementum_low, self.cementum_high
        if low is not None and high is not None and low > high:
            raise InputError(f"cementum_low {low} is above cementum_high {high}; swap or correct them.")

    def values(self) -> dict[str, Any]:
        """Every field by name."""
        return {f.name: getattr(self, f.name) for f in fields(self)}


_CHOICES: Final = {
    "sex": SEXES,
    "weight_kind": WEIGHT_KINDS,
    "weight_unit": WEIGHT_UNITS,
    "jaw_side": SIDES,
    "age_kind": AGE_KINDS,
    "cementum_certainty": CERTAINTIES,
}
# Wide enough for every white-tailed deer on record, narrow enough to catch a wrong unit. Ours.
_RANGES: Final = {
    "weight": (0.5, 600.0),
    "points_left": (0, 60),
    "points_right": (0, 60),
    "beam_left_mm": (1.0, 1200.0),
    "beam_right_mm": (1.0, 1200.0),
    "base_left_mm": (5.0, 400.0),
    "base_right_mm": (5.0, 400.0),
    "spread_mm": (1.0, 1200.0),
    "age_years": (0.0, 30.0),
    "cementum_age": (0, 30),
    "cementum_low": (0, 30),
    "cementum_high": (0, 30),
}


def check_id(name: str, value: object) -> None:
    """
    Raises
    ------
    InputError
        If ``value`` is no text of 1..64 printable characters without blanks at its ends.
    """
    good = (
        isinstance(value, str) and 0 < len(value) <= MAX_ID and value.isprintable() and value == value.strip()
    )
    if not good:
        raise InputError(
            f"{name} {value!r}: needs 1 to {MAX_ID} printable characters, no blanks at the ends."
        )


def check_day(name: str, value: str) -> None:
    """
    Raises
    ------
    InputError
        If ``value`` is no day YYYY-MM-DD.
    """
    try:
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
            raise ValueError
        date.fromisoformat(value)
    except (TypeError, ValueError):
        raise InputError(f"{name} {value!r}: needs a day as YYYY-MM-DD.") from None


def _choice(name: str, value: object, allowed: tuple[str, ...]) -> None:
    if value is not None and value not in allowed:
        raise InputError(f"{name} {value!r}: needs one of {', '.join(allowed)}, or nothing.")


def _number(name: str, value: Any, low: float, high: float) -> None:
    if value is None:
        return
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"{name} {value!r}: needs a number.")
    if not low <= value <= high:
        raise InputError(f"{name} {value:g}: needs {low:g} to {high:g}. Check the unit.")


def _text(name: str, value: object) -> None:
    if value is not None and (not isinstance(value, str) or len(value) > MAX_TEXT or "\x00" in value):
        raise InputError(f"{name}: needs text of at most {MAX_TEXT} characters.")


def _together(name: str, values: tuple[object, ...], names: str) -> None:
    given = sum(v is not None for v in values)
    if given not in (0, len(values)):
        raise InputError(f"{name}: only {given} of {names} given; needs all of them or none.")
