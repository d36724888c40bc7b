"""
Several sets of ages side by side, animal by animal, with a report of every row that could not be used.

Nothing is dropped in silence: a row is either in the table, or in ``problems`` with its set, row number and
reason.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.compare.ages import AgeScale, LabelRules, place
from crestgauge.inference.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a set as it was written: its row number in the file (1 = first line), id and age."""

    row: int
    id: str
    age: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeSet:
    """
    Ages of one reader or method.

    Parameters
    ----------
    name : str
    rows : tuple of Row
    kind : str
        "reader", "tool", "cementum", "known" ...: only printed.
    about : tuple of str
        Facts to print beside the set (versions, weights, warnings on reading the file).
    """

    name: str
    rows: tuple[Row, ...]
    kind: str = "reader"
    about: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """
    One row that needs an eye.

    Parameters
    ----------
    set_name, row, id : str, int or None, str
    what : str
        What was found, what was needed.
    used : bool
        True where the row is in the table all the same (a rewriting), False where it is not.
    """

    set_name: str
    row: int | None
    id: str
    what: str
    used: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Aligned:
    """
    The common table.

    Parameters
    ----------
    scale, rules : AgeScale, LabelRules
    names : tuple of str
        Sets, in the given order.
    ids : tuple of str
        Animals that at least one set gave an age, in order of first appearance.
    codes : ndarray of int, shape (animals, sets)
        Class numbers; -1 where a set has no age of the animal. Read-only.
    problems : tuple of Problem
    strata : mapping of str to tuple of str
        For "sex", "area" ...: the value of each animal, "" where unknown.
    """

    scale: AgeScale
    rules: LabelRules
    names: tuple[str, ...]
    ids: tuple[str, ...]
    codes: NDArray[np.int64]
    problems: tuple[Problem, ...]
    strata: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))

    def of(self, name: str) -> NDArray[np.int64]:
        """
        Codes of one set, shape (animals,).

        Raises
        ------
        InputError
            If there is no such set.
        """
        if name not in self.names:
            raise InputError(f'reference "{name}" is none of the sets; use one of {", ".join(self.names)}.')
        return self.codes[:, self.names.index(name)]

    def pair(self, first: str, second: str) -> NDArray[np.int64]:
        """Codes of the animals that both sets aged, shape (n, 2)."""
        both = self.codes[:, [self.names.index(first), self.names.index(second)]]
        return both[(both >= 0).all(axis=1)]

    def years(self, codes: NDArray[np.int64]) -> NDArray[np.float64] | None:
        """Ages of class numbers in years; None where the classes have no width in years. -1 becomes NaN."""
        if self.scale.years is None:
            return None
        ages = np.append(np.asarray(self.scale.years), np.nan)
        return np.asarray(ages[codes])

    def part(self, keep: NDArray[np.bool_]) -> Aligned:
        """The table of some animals only."""
        codes = self.codes[keep]
        codes.setflags(write=False)
        chosen = np.flatnonzero(keep)
        return Aligned(
            scale=self.scale,
            rules=self.rules,
            names=self.names,
            ids=tuple(self.ids[i] for i in chosen),
            codes=codes,
            problems=(),
            strata={k: tuple(v[i] for i in chosen) for k, v in self.strata.items()},
        )


def align(
    sets: Sequence[AgeSet],
    scale: AgeScale,
    rules: LabelRules | None = None,
    *,
    strata: Mapping[str, Mapping[str, str]] | None = None,
) -> Aligned:
    """
    Put sets side by side by animal id.

    A repeated id in one set is used once where all its rows give one class, and not at all where they differ.

    Parameters
    ----------
    strata : mapping
        {"sex": {id: "female", ...}, ...}.

    Raises
    ------
    InputError
        If there are fewer than two sets, or two of one name.
    """
    rules = rules or LabelRules()
    names = tuple(s.name for s in sets)
    if len(names) < 2:
        raise InputError(f"{len(names)} set(s) of ages; a comparison needs at least 2.")
    if twice := [name for name, count in Counter(names).items() if count > 1]:
        raise InputError(f'two sets are called "{twice[0]}"; give each its own name.')
    problems: list[Problem] = []
    tables = [_codes_of(s, scale, rules, problems) for s in sets]
    ids = tuple(dict.fromkeys(i for table in tables for i in table))
    codes = np.array([[table.get(i, -1) for table in tables] for i in ids], dtype=np.int64).reshape(
        len(ids), len(names)
    )
    _report_lonely(sets, ids, codes, problems)
    codes.setflags(write=False)
    found = {
        key: tuple(str(values.get(i, "")).strip() for i in ids) for key, values in (strata or {}).items()
    }
    return Aligned(
        scale=scale,
        rules=rules,
        names=names,
        ids=ids,
        codes=codes,
        problems=tuple(problems),
        strata=MappingProxyType(found),
    )


def _codes_of(ages: AgeSet, scale: AgeScale, rules: LabelRules, problems: list[Problem]) -> dict[str, int]:
    """Class number by id, with a problem for every row that is not used or was rewritten."""
    rows: dict[str, list[tuple[Row, int | None]]] = {}
    for row in ages.rows:
        key = row.id.strip()
        placed = place(row.age, scale, rules)

        def tell(what: str, *, used: bool, row: Row = row, key: str = key) -> None:
            problems.append(Problem(set_name=ages.name, row=row.row, id=key, what=what, used=used))

        if not key:
            tell("no id; every row needs one", used=False)
            continue
        if placed.code is None:
            tell(placed.problem, used=False)
        for note in placed.notes if placed.code is not None else ():
            tell(note, used=True)
        rows.setdefault(key, []).append((row, placed.code))
    out: dict[str, int] = {}
    for key, given in rows.items():
        usable = [(row, code) for row, code in given if code is not None]
        if len({code for _, code in usable}) == 1:
            out[key] = int(usable[0][1])
            for row, _ in usable[1:]:
                problems.append(
                    Problem(
                        set_name=ages.name,
                        row=row.row,
                        id=key,
                        used=False,
                        what=f"duplicate id with the same age as row {usable[0][0].row}; counted once",
                    )
                )
        elif usable:
            where = ", ".join(f"row {row.row}: {row.age}" for row, _ in usable)
            for row, _ in usable:
                problems.append(
                    Problem(
                        set_name=ages.name,
                        row=row.row,
                        id=key,
                        used=False,
                        what=f"duplicate id with different ages ({where}); none is used",
                    )
                )
    return out


def _report_lonely(
    sets: Sequence[AgeSet], ids: tuple[str, ...], codes: NDArray[np.int64], problems: list[Problem]
) -> None:
    """A problem for each row whose animal no other set could be compared on."""
    first_row = [{row.id.strip(): row.row for row in reversed(s.rows)} for s in sets]
    everywhere = [set(rows) for rows in first_row]
    for i, key in enumerate(ids):
        having = np.flatnonzero(codes[i] >= 0)
        if having.size != 1:
            continue
        j = int(having[0])
        elsewhere = [sets[k].name for k in range(len(sets)) if k != j and key in everywhere[k]]
        what = (
            f"no usable age in {', '.join(elsewhere)}" if elsewhere else "this id is in no other set"
        ) + "; nothing to compare with"
        problems.append(Problem(set_name=sets[j].name, row=first_row[j][key], id=key, what=what, used=False))
