"""
Reading and checking of a criteria file: every key is taken once, with its type, range, unit and source.
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib.resources import files
from itertools import pairwise
from os import PathLike
from pathlib import Path
from typing import Any, Final, cast

from crestgauge.inference.criteria.scheme import (
    Accuracy,
    CoarseGroup,
    Comparison,
    Criteria,
    Criterion,
    Grouping,
    Options,
    QuantityName,
    Remark,
    Source,
)
from crestgauge.inference.errors import CriteriaError
from crestgauge.inference.evidence import DEFINITIONS

SCHEMA: Final = "crestgauge.criteria/1"
COMMON_PRACTICE: Final = "common practice"
OURS: Final = "ours, by construction"

_CLASS = re.compile(r"\d{1,2}\.5\+?")
_ID = re.compile(r"[a-z0-9]+([-_][a-z0-9]+)*")


@dataclass(frozen=True, slots=True)
class _Kind:
    """What a criterion on one quantity may look like."""

    unit: str
    comparison: Comparison  # the direction in which older teeth pass
    low: float  # limits of the threshold, both included
    high: float
    teeth: tuple[int, ...]
    whole: bool = False


_KINDS: Final[Mapping[str, _Kind]] = {
    "eruption_stage": _Kind("stage", "at_least", 1, 2, (6,), whole=True),
    "lobes": _Kind("count", "at_most", 2, 2, (3,), whole=True),
    "dentine_share": _Kind("1", "more_than", 0.0, 1.0, (3,)),
    "ratio": _Kind("1", "at_least", 0.1, 10.0, (4, 5, 6)),
    "infundibulum_left": _Kind("1", "at_most", 0.0, 1.0, (4, 5, 6)),
}


def load_criteria(path: str | PathLike[str] | None = None) -> Criteria:
    """
    Read and check a criteria file.

    Parameters
    ----------
    path : path or None
        The file; None takes the shipped default key.

    Raises
    ------
    CriteriaError
        If the file cannot be read or anything in it is unknown, missing, of the wrong type, out of range,
        without source, or leaves out a class. The message names the file and the key.
    """
    try:
        if path is None:
            name = "default.toml"
            raw = files("crestgauge.inference.criteria").joinpath(name).read_bytes()
        else:
            name = Path(path).name
            raw = Path(path).read_bytes()
    except OSError as error:
        raise CriteriaError(
            f"{path or name}: cannot be read ({error.strerror}). Check the path of the criteria file."
        ) from error
    return parse_criteria(raw, name=name)


def parse_criteria(raw: bytes, *, name: str) -> Criteria:
    """Check the bytes of a criteria file called ``name`` in messages; raises as `load_criteria`."""
    try:
        text = raw.decode("utf-8").replace("\r\n", "\n")
        document = tomllib.loads(text)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CriteriaError(
            f"{name}: not valid TOML ({error}). Correct the file or take the default key."
        ) from error
    return check_criteria(document, name=name, sha256=hashlib.sha256(text.encode()).hexdigest())


def check_criteria(document: dict[str, Any], *, name: str, sha256: str) -> Criteria:
    """Check a criteria file that has been parsed; raises as `load_criteria`."""
    return _criteria(_Table(name, "", document), sha256)


class _Table:
    """One TOML table being emptied: every key is taken once with its type, and nothing may be left over."""

    def __init__(self, file: str, path: str, data: dict[str, Any]) -> None:
        self.file, self.path, self.data = file, path, dict(data)

    def at(self, key: str) -> str:
        return f"{self.path}.{key}" if self.path else key

    def fail(self, key: str, found: str, needed: str) -> CriteriaError:
        return CriteriaError(
            f"{self.file}: {self.at(key)}: {found}; needs {needed}. Correct it or take the default file."
        )

    def take(self, key: str) -> Any:
        if key not in self.data:
            raise self.fail(key, "missing", "this key")
        return self.data.pop(key)

    def end(self) -> None:
        for key in self.data:
            raise self.fail(key, "unknown key", "to be removed or spelt as in the default file")

    def text(self, key: str) -> str:
        value = self.take(key)
        if not isinstance(value, str) or not value.strip():
            raise self.fail(key, repr(value), "a text that is not empty")
        return value

    def matching(self, key: str, pattern: re.Pattern[str], needed: str) -> str:
        value = self.text(key)
        if not pattern.fullmatch(value):
            raise self.fail(key, repr(value), needed)
        return value

    def one_of(self, key: str, choices: tuple[str, ...]) -> str:
        value = self.take(key)
        if not isinstance(value, str) or value not in choices:
            raise self.fail(key, repr(value), "one of " + ", ".join(choices))
        return value

    def number(self, key: str, low: float, high: float, *, whole: bool = False) -> float:
        value = self.take(key)
        kinds = int if whole else (int, float)
        good = isinstance(value, kinds) and not isinstance(value, bool) and math.isfinite(value)
        if not good or not low <= value <= high:
            kind = "a whole number" if whole else "a number"
            raise self.fail(key, repr(value), f"{kind} in {low:g} to {high:g}")
        return float(value)

    def texts(self, key: str) -> tuple[str, ...]:
        value = self.take(key)
        if not isinstance(value, list) or not all(isinstance(item, str) and item for item in value):
            raise self.fail(key, repr(value), "a list of texts")
        if len(set(value)) != len(value):
            raise self.fail(key, repr(value), "a list without repeats")
        return tuple(value)

    def table(self, key: str) -> _Table:
        value = self.take(key)
        if not isinstance(value, dict):
            raise self.fail(key, repr(value), "a table")
        return _Table(self.file, self.at(key), value)

    def tables(self, key: str, *, may_be_empty: bool = False) -> list[_Table]:
        value = self.take(key)
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.fail(key, repr(value), "a list of tables")
        if not value and not may_be_empty:
            raise self.fail(key, "empty", "at least one entry")
        return [_Table(self.file, f"{self.at(key)}[{i}]", item) for i, item in enumerate(value)]


def _criteria(top: _Table, sha256: str) -> Criteria:
    schema = top.take("schema")
    if schema != SCHEMA:
        raise top.fail("schema", repr(schema), f'"{SCHEMA}"')
    known = _sources(top.table("sources"))
    classes = _classes(top)
    options = _options(top.table("options"), classes, known)
    criterion_tables = top.tables("criterion")
    key = tuple(_criterion(table, known, classes) for table in criterion_tables)
    _check_order(top, key, classes)
    groupings = tuple(_grouping(table, known, classes) for table in top.tables("coarse"))
    whole = Criteria(
        id=top.matching("id", _ID, "small letters, digits, - and _"),
        version=top.text("version"),
        sha256=sha256,
        title=top.text("title"),
        classes=classes,
        options=options,
        key=key,
        groupings=groupings,
        remarks=tuple(_remark(table, known) for table in top.tables("accuracy")),
    )
    top.end()
    for what, names in (("criterion", [c.id for c in key]), ("coarse", [g.id for g in groupings])):
        if len(set(names)) != len(names):
            raise top.fail(what, f"ids {names}", "every id once")
    return _cut_off(whole)


def _sources(table: _Table) -> dict[str, str]:
    known = {key: table.text(key) for key in list(table.data)}
    for special in (COMMON_PRACTICE, OURS):
        if special in known:
            raise table.fail(special, "defined", "no entry: these words stand for themselves")
        known[special] = special
    return known


def _classes(top: _Table) -> tuple[str, ...]:
    classes = top.texts("classes")
    ages = [float(name.rstrip("+")) if _CLASS.fullmatch(name) else math.nan for name in classes]
    climbing = all(younger < older for younger, older in pairwise(ages))
    plus_last = len(classes) > 1 and [name.endswith("+") for name in classes] == [False] * (
        len(classes) - 1
    ) + [True]
    if any(math.isnan(age) for age in ages) or not climbing or not plus_last:
        raise top.fail(
            "classes", repr(list(classes)), 'classes such as "2.5", youngest first, the last one ending in +'
        )
    return classes


def _source(table: _Table, known: Mapping[str, str]) -> Source:
    key = table.text("key")
    if key not in known:
        raise table.fail("key", repr(key), f'an entry of [sources], "{COMMON_PRACTICE}" or "{OURS}"')
    source = Source(key, known[key], table.text("where"))
    table.end()
    return source


def _option(table: _Table, name: str, known: Mapping[str, str]) -> _Table:
    """The table of one option with its words and sources checked and taken."""
    option = table.table(name)
    option.text("words")
    for source in option.tables("source"):
        _source(source, known)
    return option


def _options(table: _Table, classes: tuple[str, ...], known: Mapping[str, str]) -> Options:
    def listed(option: _Table, choices: tuple[str, ...]) -> None:
        # The list in the file is for its reader; it must say what the program takes.
        if (found := option.texts("choices")) != choices:
            raise option.fail("choices", repr(list(found)), repr(list(choices)))

    def choice(name: str, *choices: str) -> str:
        option = _option(table, name, known)
        listed(option, choices)
        value = option.one_of("value", choices)
        option.end()
        return value

    def number(name: str, low: float, high: float) -> float:
        option = _option(table, name, known)
        if (found := option.take("range")) != [low, high]:
            raise option.fail("range", repr(found), repr([low, high]))
        value = option.number("value", low, high)
        option.end()
        return value

    doubt = _option(table, "doubt_by_definition", known)
    listed(doubt, DEFINITIONS)
    definitions = doubt.texts("value")
    for definition in definitions:
        if definition not in DEFINITIONS:
            raise doubt.fail("value", repr(definition), "some of " + ", ".join(DEFINITIONS))
    doubt.end()
    options = Options(
        enamel=cast(Any, choice("enamel", "mean", "outer", "inner")),
        crests=cast(Any, choice("crests", "mean", "either", "both")),
        tie=cast(Any, choice("tie", "yes", "no")),
        top_class=choice("top_class", *(name for name in classes if float(name.rstrip("+")) >= 2.5)),
        borderline_k=number("borderline_k", 0.0, 10.0),
        doubt_by_definition=definitions,
        crest_errors=cast(Any, choice("crest_errors", "common", "independent")),
        worn_milk_dentine_share=number("worn_milk_dentine_share", 0.0, 1.0),
        tooth_6_dentine_share=number("tooth_6_dentine_share", 0.0, 1.0),
    )
    table.end()
    return options


def _criterion(table: _Table, known: Mapping[str, str], classes: tuple[str, ...]) -> Criterion:
    quantity = table.one_of("quantity", tuple(_KINDS))
    kind = _KINDS[quantity]
    tooth = int(table.number("tooth", 1, 6, whole=True))
    if tooth not in kind.teeth:
        raise table.fail("tooth", str(tooth), f"one of {list(kind.teeth)} for {quantity}")
    unit = table.text("unit")
    if unit != kind.unit:
        raise table.fail("unit", repr(unit), f'"{kind.unit}", the unit of {quantity}')
    lobes: tuple[int, ...] = ()
    if quantity == "ratio":
        found = table.take("lobes")
        in_tooth = (1, 2, 3) if tooth == 6 else (1, 2)
        good = isinstance(found, list) and found and len(set(map(str, found))) == len(found)
        if not good or not all(type(lobe) is int and lobe in in_tooth for lobe in found):
            raise table.fail("lobes", repr(found), f"some of {list(in_tooth)}, each once")
        lobes = tuple(found)
    criterion = Criterion(
        id=table.matching("id", _ID, "small letters, digits, - and _"),
        question=table.text("question"),
        tooth=tooth,
        lobes=lobes,
        quantity=cast(QuantityName, quantity),
        unit=unit,
        comparison=cast(Comparison, table.one_of("comparison", (kind.comparison,))),
        threshold=table.number("threshold", kind.low, kind.high, whole=kind.whole),
        class_if_no=table.one_of("class_if_no", classes),
        class_if_yes=table.one_of("class_if_yes", classes),
        source=tuple(_source(source, known) for source in table.tables("source")),
        threshold_source=_source(table.table("threshold_source"), known),
    )
    table.end()
    return criterion


def _check_order(top: _Table, key: tuple[Criterion, ...], classes: tuple[str, ...]) -> None:
    """Every class is reached, none is left out: each question begins where the one before ended."""
    reached = classes[0]
    for i, criterion in enumerate(key):
        if criterion.class_if_no != reached:
            raise top.fail(
                f"criterion[{i}].class_if_no", repr(criterion.class_if_no), f'"{reached}": no gap, no overlap'
            )
        step = classes.index(criterion.class_if_yes) - classes.index(reached)
        if step not in (0, 1):
            raise top.fail(
                f"criterion[{i}].class_if_yes",
                repr(criterion.class_if_yes),
                f'"{reached}" or the class after it',
            )
        reached = criterion.class_if_yes
    if reached != classes[-1]:
        raise top.fail(
            "criterion", f'the key ends at "{reached}"', f'a last criterion that leads to "{classes[-1]}"'
        )


def _accuracy(table: _Table, known: Mapping[str, str]) -> Accuracy:
    percent, of = table.number("percent", 0.0, 100.0), table.text("of")
    return Accuracy(percent, of, _source(table, known))


def _remark(table: _Table, known: Mapping[str, str]) -> Remark:
    words = table.text("words")
    return Remark(words, _accuracy(table, known))


def _group(table: _Table, known: Mapping[str, str], classes: tuple[str, ...]) -> CoarseGroup:
    members = table.texts("classes")
    if not members:
        raise table.fail("classes", "empty", "at least one class")
    for name in members:
        if name not in classes:
            raise table.fail("classes", repr(name), "classes of this file")
    accuracy = tuple(_accuracy(item, known) for item in table.tables("accuracy", may_be_empty=True))
    group = CoarseGroup(table.text("label"), members, table.text("words"), accuracy)
    table.end()
    return group


def _grouping(table: _Table, known: Mapping[str, str], classes: tuple[str, ...]) -> Grouping:
    groups = tuple(_group(item, known, classes) for item in table.tables("group"))
    members = [name for group in groups for name in group.classes]
    if tuple(members) != classes:
        raise table.fail("group", repr(members), f"every class once, youngest first: {list(classes)}")
    grouping = Grouping(
        table.matching("id", _ID, "small letters, digits, - and _"), table.text("words"), groups
    )
    table.end()
    return grouping


def _cut_off(whole: Criteria) -> Criteria:
    """
    The key with nothing beyond its top class.

    A top class of "3.5" is called "3.5+", and belongs to every coarse group that holds 3.5 or an older class.
    """
    top = whole.options.top_class
    at = whole.classes.index(top)
    if at == len(whole.classes) - 1:
        return whole
    label = top + "+"
    kept = whole.classes[: at + 1]
    key = tuple(
        replace(c, class_if_yes=label if c.class_if_yes == top else c.class_if_yes)
        for c in whole.key
        if c.class_if_no in kept[:-1]
    )
    groupings = tuple(
        replace(
            grouping,
            groups=tuple(
                replace(
                    group,
                    classes=tuple(name for name in kept[:-1] if name in group.classes)
                    + ((label,) if set(group.classes) & set(whole.classes[at:]) else ()),
                )
                for group in grouping.groups
            ),
        )
        for grouping in whole.groupings
    )
    return replace(whole, classes=(*kept[:-1], label), key=key, groupings=groupings)
