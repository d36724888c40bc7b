"""
What a plain form of the page says, as the typed input of the domain. Pure.

Field names are those of templates/_correct.html and templates/_call.html. With the page's script the
corrections come whole, as JSON in one field; without it, field by field.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final, cast, get_args

from crestgauge.inference.confirm.calls import CallInput
from crestgauge.inference.confirm.corrections import (
    BandEdges,
    Corrections,
    CrestMark,
    CrestMarkWord,
    Ruler,
    SideMark,
    ToothMark,
    edges_from_widths,
)
from crestgauge.inference.confirm.views import ChoiceValue
from crestgauge.inference.errors import InputError
from crestgauge.inference.evidence import State
from crestgauge.inference.reading import Side

WIDTHS: Final = ("dentine", "outer", "inner")
RULER: Final = ("ruler_x1", "ruler_y1", "ruler_x2", "ruler_y2", "ruler_mm")
MILK: Final[Mapping[str, bool | None]] = {"": None, "yes": True, "no": False}


def corrections_from_form(form: Mapping[str, str]) -> Corrections:
    """
    A person's corrections from the form of the jaw page.

    Raises
    ------
    InputError
        If a field is no number, no word of its list, or part of a group that is not whole.
    """
    if form.get("corrections", "").strip():
        return Corrections.from_json(form["corrections"])
    edges: list[BandEdges] = []
    marks: list[CrestMark] = []
    for tooth, lobe in _crests(form):
        mark = form.get(f"mark-{tooth}-{lobe}", "")
        if mark:
            word = cast(CrestMarkWord, _one_of(f"mark-{tooth}-{lobe}", mark, get_args(CrestMarkWord)))
            marks.append(CrestMark(tooth=tooth, lobe=lobe, mark=word))
            continue
        names = [f"{part}-{tooth}-{lobe}" for part in WIDTHS]
        widths = _group(form, names, "all three widths of a crest, or none")
        if widths is not None:
            edges.append(
                edges_from_widths(
                    tooth, lobe, dentine_px=widths[0], enamel_outer_px=widths[1], enamel_inner_px=widths[2]
                )
            )
    side = form.get("side", "")
    return Corrections(
        edges=tuple(edges),
        crests=tuple(marks),
        teeth=_teeth(form),
        side=SideMark(
            side=cast(Side, _one_of("side", side, get_args(Side))),
            crests_stand=form.get("crests_stand") == "yes",
        )
        if side
        else None,
        ruler=_ruler(form),
    )


def call_from_form(form: Mapping[str, str]) -> CallInput:
    """
    A call from its form; a ready reason and own words are put together.

    Raises
    ------
    InputError
        If the action is none that a form of the page has.
    """
    action = cast(ChoiceValue, _one_of("action", form.get("action", ""), get_args(ChoiceValue)))
    reasons = (form.get("reason_ready", "").strip(), form.get("reason", "").strip())
    return CallInput(
        action=action,
        age_class=form.get("age_class", "").strip() or None,
        reason=". ".join(part for part in reasons if part),
        confidence=form.get("confidence", "").strip() or None,
        shown=form.get("shown", ""),
    )


def _crests(form: Mapping[str, str]) -> list[tuple[int, int]]:
    """Crests (tooth, lobe) that the form has a field for."""
    found = set()
    for name in form:
        part, *numbers = name.split("-")
        if (
            part in ("mark", *WIDTHS)
            and len(numbers) == 2
            and all(n.isascii() and n.isdigit() for n in numbers)
        ):
            found.add((int(numbers[0]), int(numbers[1])))
    return sorted(found)


def _teeth(form: Mapping[str, str]) -> tuple[ToothMark, ...]:
    marks = []
    for tooth in range(1, 7):
        state = form.get(f"state-{tooth}", "")
        milk = form.get(f"milk-{tooth}", "")
        if state or milk:
            word = cast(State, _one_of(f"state-{tooth}", state, get_args(State))) if state else None
            marks.append(
                ToothMark(tooth=tooth, state=word, milk=MILK[_one_of(f"milk-{tooth}", milk, tuple(MILK))])
            )
    return tuple(marks)


def _ruler(form: Mapping[str, str]) -> Ruler | None:
    values = _group(form, list(RULER), "both points and the length, or none of them")
    if values is None:
        return None
    return Ruler(first=(values[0], values[1]), second=(values[2], values[3]), length_mm=values[4])


def _group(form: Mapping[str, str], names: list[str], needed: str) -> list[float] | None:
    """Numbers that are given together or not at all."""
    texts = [form.get(name, "").strip() for name in names]
    if not any(texts):
        return None
    if not all(texts):
        missing = ", ".join(name for name, text in zip(names, texts, strict=True) if not text)
        raise InputError(f"{missing}: empty; needs {needed}.")
    return [_number(name, text) for name, text in zip(names, texts, strict=True)]


def _number(name: str, text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{name}: {text!r}; needs a number.")
    return value


def _one_of(name: str, text: str, words: tuple[str, ...]) -> str:
    if text not in words:
        raise InputError(f"{name}: {text!r}; needs one of {', '.join(word or 'nothing' for word in words)}.")
    return text
