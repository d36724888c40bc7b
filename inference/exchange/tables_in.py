"""
CSV in: specimens and manual calls, with a reason for every row that is not taken. Edge module: reads files.

Column names are the field names; empty cells are "not given". Nothing is guessed: a wrong cell refuses its
row.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Final, get_type_hints

from crestgauge.inference.errors import CrestgaugeError, ExchangeError, InputError
from crestgauge.inference.ledger.queries import specimens
from crestgauge.inference.ledger.record import Call, add_call, add_specimen, correct_specimen
from crestgauge.inference.ledger.specimen import Specimen
from crestgauge.inference.ledger.store import Ledger

MAX_ROWS: Final = 1_000_000
_TRUE, _FALSE = ("yes", "true", "1"), ("no", "false", "0")


@dataclass(slots=True, kw_only=True)
class Taken:
    """
    What became of a table.

    Parameters
    ----------
    added, corrected, unchanged : int
        Rows that became a new row, a correction, or were in the ledger word for word.
    refused : list of (str, str)
        Place (file:line) and reason of every row that was not taken.
    """

    added: int = 0
    corrected: int = 0
    unchanged: int = 0
    refused: list[tuple[str, str]] = field(default_factory=list)


def read_rows(path: Path) -> tuple[list[tuple[int, dict[str, str]]], list[str]]:
    """
    Rows of a CSV file with a header: (line number, cells by column), and the columns. Cells are stripped.

    Comma, semicolon or tab, whichever the header holds; UTF-8 with or without byte order mark.

    Raises
    ------
    ExchangeError
        If the file cannot be read, is not UTF-8, has no header, names a column twice, or has a row of another
        length.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ExchangeError(
            f"{path}: cannot be read ({error.strerror}). Check name and permissions."
        ) from error
    except UnicodeDecodeError as error:
        raise ExchangeError(
            f"{path}: byte {error.start} is not UTF-8. Save the table as CSV UTF-8."
        ) from error
    head = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[tuple[int, dict[str, str]]] = []
    try:
        columns = [name.strip() for name in next(reader, [])]
        if not any(columns):
            raise ExchangeError(f"{path}: is empty; needs a first line with column names.")
        twice = {name for name in columns if columns.count(name) > 1}
        if twice:
            raise ExchangeError(
                f"{path}: column {', '.join(sorted(twice))} is there twice; needs every name once."
            )
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(columns):
                raise ExchangeError(
                    f"{path}:{reader.line_num}: {len(cells)} cells; needs {len(columns)} as in the header."
                )
            rows.append((reader.line_num, {k: v.strip() for k, v in zip(columns, cells, strict=True)}))
            if len(rows) > MAX_ROWS:
                raise ExchangeError(f"{path}: more than {MAX_ROWS} rows. Split the table.")
    except csv.Error as error:
        raise ExchangeError(f"{path}:{reader.line_num}: {error}. Save the table as CSV again.") from error
    return rows, columns


def specimen_of(row: Mapping[str, str]) -> Specimen:
    """
    A specimen from the cells of one row.

    Raises
    ------
    InputError
        If a column is unknown or a cell is of the wrong kind.
    """
    return Specimen(**_values(Specimen, row))


def import_specimens(path: Path, ledger: Ledger, *, correct: bool = False) -> Taken:
    """
    Take specimens from a CSV file.

    Parameters
    ----------
    correct : bool
        Where an animal is in the ledger with other values, add a correction; otherwise refuse the row.

    Raises
    ------
    ExchangeError
        If the table as a whole cannot be used.
    """
    rows, columns = read_rows(path)
    _need(path, columns, Specimen, "specimen_id")
    standing = {row["specimen_id"]: row for row in specimens(ledger)}
    taken = Taken()
    for line, row in rows:
        where = f"{path}:{line}"
        try:
            animal = specimen_of(row)
            there = standing.get(animal.specimen_id)
            if there is None:
                new = add_specimen(ledger, animal)
                taken.added += 1
            elif _given(there, animal) == _given(animal.values(), animal):
                taken.unchanged += 1
                continue
            elif correct:
                values: dict[str, Any] = {f.name: there[f.name] for f in fields(Specimen)}
                merged = Specimen(**(values | _given(animal.values(), animal)))
                new = correct_specimen(ledger, there["id"], merged, why=f"import of {path.name}")
                animal = merged
                taken.corrected += 1
            else:
                changed = [k for k, v in _given(animal.values(), animal).items() if there[k] != v]
                raise InputError(
                    f"is in the ledger with another {', '.join(changed)}; use --correct to correct it."
                )
            standing[animal.specimen_id] = {**animal.values(), "id": new}
        except CrestgaugeError as error:
            taken.refused.append((where, str(error)))
    return taken


def import_calls(path: Path, ledger: Ledger) -> Taken:
    """
    Take manual calls from a CSV file: columns of `Call` without row ids; ``decision`` is "own" where it is
    missing.

    A call that is in the ledger word for word is not added again, so the same file can be imported twice.

    Raises
    ------
    ExchangeError
        If the table as a whole cannot be used.
    """
    import sqlalchemy as sa

    from crestgauge.inference.ledger.tables import Base

    rows, columns = read_rows(path)
    _need(path, columns, Call, "specimen_id")
    table = Base.metadata.tables["calls"]
    names = [f.name for f in fields(Call)]
    with ledger.reading() as connection:
        there = {tuple(row) for row in connection.execute(sa.select(*(table.c[n] for n in names)))}
    taken = Taken()
    for line, row in rows:
        try:
            for name in ("photo_id", "reading_id"):
                if row.get(name):
                    raise InputError(
                        f"{name}: row numbers mean nothing outside this ledger; leave the cell empty."
                    )
            call = Call(**({"decision": "own"} | _values(Call, row)))
            key = tuple(getattr(call, n) for n in names)
            if key in there:
                taken.unchanged += 1
                continue
            add_call(ledger, call)
            there.add(key)
            taken.added += 1
        except CrestgaugeError as error:
            taken.refused.append((f"{path}:{line}", str(error)))
        except TypeError as error:
            taken.refused.append((f"{path}:{line}", f"column person: needs a name ({error})"))
    return taken


def _given(values: Mapping[str, Any], animal: Specimen) -> dict[str, Any]:
    """Those values that the row gives: an empty cell says nothing about what is there."""
    return {name: values[name] for name, value in animal.values().items() if value is not None}


def _need(path: Path, columns: list[str], kind: type, key: str) -> None:
    known = {f.name for f in fields(kind)}
    unknown = [name for name in columns if name not in known]
    if key not in columns:
        raise ExchangeError(f"{path}: columns {', '.join(columns)}; needs one called {key}.")
    if unknown:
        raise ExchangeError(
            f"{path}: unknown column {', '.join(unknown)}; known are {', '.join(sorted(known))}."
        )


def _values(kind: type, row: Mapping[str, str]) -> dict[str, Any]:
    hints = get_type_hints(kind)
    values = {}
    for name, cell in row.items():
        if name not in hints:
            raise InputError(f"column {name}: unknown; known are {', '.join(sorted(hints))}.")
        if cell != "":
            values[name] = _value(name, cell, str(hints[name]))
    return values


def _value(name: str, cell: str, hint: str) -> object:
    """One cell by the type of its field."""
    if "bool" in hint:
        if cell.lower() not in _TRUE + _FALSE:
            raise InputError(f"{name} {cell!r}: needs yes or no.")
        return cell.lower() in _TRUE
    try:
        if "int" in hint:
            return int(cell)
        if "float" in hint:
            return float(cell)
    except ValueError:
        raise InputError(f"{name} {cell!r}: needs a number with a decimal point.") from None
    return cell
