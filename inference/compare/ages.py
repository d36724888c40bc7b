"""
From an age as somebody wrote it to a class of a declared scale. This is done here, once, for every statistic.

Three decisions that change numbers, each an option that is printed with the result:

- **Half-year labels.** A class is named by the age in the autumn season: 0.5, 1.5 ... A whole year ("3") may
  mean "in its third year" or "three and a half by autumn"; it is refused unless `LabelRules.whole_years` says
  otherwise.
- **The open class.** The last class of a scale holds everything from its label up ("8.5+", "9.5", ">8.5"). In
  statistics in years it counts at its lowest age, so differences that involve it are lower bounds.
- **Coarse classes.** Single years collapse into wider classes; these are ranks without a width in years, so
  statistics in years are not defined on them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, Literal

from crestgauge.inference.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeScale:
    """
    Classes in order.

    Parameters
    ----------
    name : str
    labels : tuple of str
        Youngest first; a last label ending in "+" is open.
    years : tuple of float or None
        Age of each class, the open one at its lowest age. [yr] None for classes without a width in years.
    start : tuple of float
        Lowest half-year age that belongs to each class. [yr]
    """

    name: str
    labels: tuple[str, ...]
    years: tuple[float, ...] | None
    start: tuple[float, ...]

    @property
    def open_top(self) -> bool:
        """Is the last class open?"""
        return self.labels[-1].endswith("+")

    def code_of_age(self, years: float) -> int | None:
        """Class number of a half-year age; None outside the scale. [yr]"""
        if years < self.start[0] or (not self.open_top and years > self.start[-1]):
            return None
        return max(i for i, start in enumerate(self.start) if years >= start)


def _yearly(name: str, last: float) -> AgeScale:
    ages = tuple(0.5 + i for i in range(int(last - 0.5) + 1))
    labels = (*(f"{age:g}" for age in ages[:-1]), f"{last:g}+")
    return AgeScale(name=name, labels=labels, years=ages, start=ages)


SCALES: Final[Mapping[str, AgeScale]] = MappingProxyType(
    {
        scale.name: scale
        for scale in (
            _yearly("years", 8.5),
            AgeScale(
                name="adult-from-3.5",
                labels=("0.5", "1.5", "2.5", "3.5+"),
                years=None,
                start=(0.5, 1.5, 2.5, 3.5),
            ),
            AgeScale(
                name="stages",
                labels=("0.5", "1.5", "2.5", "3.5-5.5", "6.5+"),
                years=None,
                start=(0.5, 1.5, 2.5, 3.5, 6.5),
            ),
        )
    }
)
"""years: single years to 8.5+. The other two are the coarse classes that stand beside every reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelRules:
    """
    What to do with ages that are no half-year label.

    Parameters
    ----------
    whole_years : str
        "refuse": report the row. "add-half": "3" (three completed years, counted in autumn) becomes 3.5.
    between : str
        "refuse": report the row. "nearest": 3.4 becomes 3.5, the class whose year it lies in; 3.0 stays a
        whole year.
    """

    whole_years: Literal["refuse", "add-half"] = "refuse"
    between: Literal["refuse", "nearest"] = "refuse"


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """
    Where one written age went.

    Parameters
    ----------
    code : int or None
        Class number of the scale; None where ``problem`` says why there is none.
    problem : str
        What was found - what was needed. Empty where there is a class.
    notes : tuple of str
        Every rewriting that was needed ("3 1/2" read as 3.5), so that none happens in silence.
    """

    code: int | None
    problem: str = ""
    notes: tuple[str, ...] = field(default=())


NO_CLASS: Final = "no class"
"""How the "age" of a reading or call begins that gives none, before the reason."""
_EMPTY = {"", "na", "n/a", "nan", "none", "null", "-", "--", "?", "unknown", "unk", "missing"}
_FRACTIONS = {"½": 0.5, "1/2": 0.5, "¼": 0.25, "1/4": 0.25, "¾": 0.75, "3/4": 0.75}
_UNIT = re.compile(r"\s*(years?|yrs?|yr\.?|y\.?o\.?|y|a)\.?(\s*old)?$", re.IGNORECASE)
_NUMBER = re.compile(r"^(\d+(?:[.,]\d+)?)(?:[\s-]+(1/2|1/4|3/4))?$")


def _number(text: str) -> float | None:
    """Years of "3", "3.5", "3,5", "3 1/2", "3½"; None for anything else."""
    if text in _FRACTIONS:
        return _FRACTIONS[text]
    if text and text[-1] in _FRACTIONS and text[:-1].strip().isdigit():
        return float(text[:-1].strip()) + _FRACTIONS[text[-1]]
    match = _NUMBER.match(text)
    if match is None:
        return None
    whole, fraction = match.groups()
    if fraction and not whole.isdigit():
        return None
    return float(whole.replace(",", ".")) + (_FRACTIONS[fraction] if fraction else 0.0)


def place(text: str, scale: AgeScale, rules: LabelRules | None = None) -> Placed:
    """
    Class of one written age.

    Understands half-year labels, labels of the scale itself, a unit behind ("3.5 yrs"), fractions ("3 1/2",
    "3½"),
    a decimal comma, and open ages ("8.5+", ">8.5", ">= 8.5").
    """
    rules = rules or LabelRules()
    raw = " ".join(str(text).split())
    if raw.lower() in _EMPTY:
        return Placed(code=None, problem="no age (empty cell)" if not raw else f'no age ("{raw}")')
    if raw.startswith(NO_CLASS):
        return Placed(code=None, problem=f"no age: {raw}")
    plain = raw.replace("–", "-").replace("−", "-")
    if plain in scale.labels:
        return Placed(code=scale.labels.index(plain))
    body, is_open = plain, False
    if body.startswith((">", "≥")):
        body, is_open = body.lstrip(">=≥ "), True
    body = _UNIT.sub("", body).strip()
    if body.endswith("+"):
        body, is_open = body[:-1].strip(), True
    body = _UNIT.sub("", body).strip()
    if body in scale.labels and not is_open:
        return Placed(code=scale.labels.index(body), notes=(f'"{raw}" read as {body}',))
    years = _number(body)
    if years is None or not math.isfinite(years):
        return Placed(code=None, problem=f'"{raw}" is no age; needs a label such as {scale.labels[1]}')
    notes: list[str] = [] if body == plain else [f'"{raw}" read as {years:g}{"+" if is_open else ""}']
    if body == plain and f"{years:g}" != plain:
        notes.append(f'"{raw}" read as {years:g}')
    return _place_years(years, is_open, raw, scale, rules, notes)


def _place_years(
    years: float, is_open: bool, raw: str, scale: AgeScale, rules: LabelRules, notes: list[str]
) -> Placed:
    if years % 1 == 0:
        if rules.whole_years == "refuse":
            return Placed(
                code=None,
                problem=f'"{raw}" is a whole year; needs a half-year label, or the rule '
                'whole-years = "add-half" (three completed years read as 3.5)',
            )
        notes.append(f"whole year {years:g} read as {years + 0.5:g}")
        years += 0.5
    elif years % 1 != 0.5:
        if rules.between == "refuse":
            return Placed(
                code=None,
                problem=f'"{raw}" lies between the labels; needs a half-year label, or the rule '
                'between = "nearest"',
            )
        notes.append(f"{years:g} read as {math.floor(years) + 0.5:g}")
        years = math.floor(years) + 0.5
    code = scale.code_of_age(years)
    if code is None:
        return Placed(
            code=None, problem=f'"{raw}" lies outside the scale {scale.labels[0]} to {scale.labels[-1]}'
        )
    is_top = code == len(scale.labels) - 1 and scale.open_top
    if is_open and not is_top:
        return Placed(
            code=None,
            problem=f'"{raw}" is open, but its class {scale.labels[code]} is not the last one of '
            "this scale; use a coarser scale",
        )
    if is_top and not is_open:
        notes.append(f"{years:g} counted in the open class {scale.labels[-1]}")
    elif scale.years is None and not is_top and scale.labels[code] != f"{years:g}":
        notes.append(f"{years:g} collapsed into {scale.labels[code]}")
    return Placed(code=code, notes=tuple(notes))


def scale_named(name: str) -> AgeScale:
    """
    A scale of `SCALES`.

    Raises
    ------
    InputError
        If there is none of that name.
    """
    if name not in SCALES:
        raise InputError(f'age scale "{name}" is unknown; use one of {", ".join(SCALES)}.')
    return SCALES[name]
