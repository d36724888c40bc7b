"""
Hand-measured band widths in: CSV of callipers or a measuring microscope, one crest a row. Edge module: reads
files.

Columns: specimen, and as needed jaw (left, right) or photo; tooth (1..6 from the front), lobe (1..3),
dentine, outer_enamel, inner_enamel (widths; an inner band that is worn away is "gone"), unit (mm, or px of a
named photo), who, repeat (1, 2 ...). Empty cells are "not measured". A row that cannot be used is refused
with its reason; the others are kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from crestgauge.inference.errors import ExchangeError, InputError
from crestgauge.inference.exchange.tables_in import read_rows
from crestgauge.inference.ledger.specimen import check_id

COLUMNS: Final = (
    "specimen", "jaw", "photo", "tooth", "lobe", "dentine", "outer_enamel", "inner_enamel", "unit", "who",
    "repeat",
)  # fmt: skip
"""Columns of the form, in its order; "outer enamel" and "specimen_id" are understood too."""
NEEDED: Final = ("specimen", "tooth", "lobe", "dentine", "outer_enamel", "inner_enamel")
SIDES: Final = ("left", "right")
UNITS: Final = ("mm", "px")
GONE: Final = ("gone", "inf")
MOST_DENTINE_MM: Final = 10.0
MOST_ENAMEL_MM: Final = 3.0
"""Wider than any band of a deer's cheek tooth, narrow enough to catch a wrong unit. Ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalliperRow:
    """
    One tongue-side crest, measured once by one person.

    Parameters
    ----------
    row : int
        Line in its file.
    specimen_id : str
    side : str or None
        "left" or "right" jaw.
    photo : str or None
        File name, where the widths were measured on a photo.
    tooth, lobe : int
    dentine, enamel_outer, enamel_inner : float or None
        Widths in ``unit``; None where not measured. ``enamel_inner`` is inf where no inner band is left.
    unit : str
        "mm" or "px" (of the photo).
    who : str
        "" where nobody is named.
    repeat : int
        From 1.
    """

    row: int
    specimen_id: str
    side: str | None
    photo: str | None
    tooth: int
    lobe: int
    dentine: float | None
    enamel_outer: float | None
    enamel_inner: float | None
    unit: str
    who: str
    repeat: int

    @property
    def ratio(self) -> float | None:
        """
        Dentine over the mean of the two enamel bands: 0 without dentine, inf without an inner band,
        None where a width is missing. [1]
        """
        if self.dentine == 0:
            return 0.0
        if self.enamel_inner == math.inf:
            return math.inf
        if self.dentine is None or self.enamel_outer is None or self.enamel_inner is None:
            return None
        return 2 * self.dentine / (self.enamel_outer + self.enamel_inner)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalliperTable:
    """
    A file of hand-measured widths.

    Parameters
    ----------
    rows : tuple of CalliperRow
    empty : tuple of (int, str)
        Lines without any width, with what they were for: planned, but not measured.
    refused : tuple of (int, str, str)
        Line, specimen and reason of every row that was not taken.
    """

    rows: tuple[CalliperRow, ...]
    empty: tuple[tuple[int, str], ...]
    refused: tuple[tuple[int, str, str], ...]


def read_callipers(path: Path) -> CalliperTable:
    """
    Read hand-measured widths.

    Raises
    ------
    ExchangeError
        If the file as a whole cannot be used: unreadable, no header, a column missing or unknown.
    """
    found, columns = read_rows(path)
    names = [_plain(name) for name in columns]
    if missing := [name for name in NEEDED if name not in names]:
        raise ExchangeError(
            f"{path}: columns {', '.join(columns)}; needs {', '.join(missing)} too. Use the form as it is."
        )
    if unknown := [name for name in names if name not in COLUMNS]:
        raise ExchangeError(f"{path}: unknown column {', '.join(unknown)}; known are {', '.join(COLUMNS)}.")
    rows: list[CalliperRow] = []
    empty, refused = [], []
    seen: dict[tuple[object, ...], int] = {}
    for line, cells in found:
        row = {_plain(name): cell for name, cell in cells.items()}
        if not any(row[name] for name in ("dentine", "outer_enamel", "inner_enamel")):
            empty.append((line, _words(row)))
            continue
        try:
            taken = _row(line, row)
            key = (
                taken.specimen_id,
                taken.side,
                taken.photo,
                taken.tooth,
                taken.lobe,
                taken.who,
                taken.repeat,
            )
            if key in seen:
                raise InputError(
                    f"the same crest, person and repeat as line {seen[key]}; number the repeats."
                )
            seen[key] = line
            rows.append(taken)
        except InputError as error:
            refused.append((line, row["specimen"], str(error)))
    return CalliperTable(rows=tuple(rows), empty=tuple(empty), refused=tuple(refused))


def _plain(name: str) -> str:
    plain = "_".join(name.lower().split())
    return "specimen" if plain in ("specimen_id", "id") else plain


def _words(row: Mapping[str, str]) -> str:
    who = f" by {row['who']}" if row.get("who") else ""
    again = f", repeat {row['repeat']}" if row.get("repeat") else ""
    return f"{row['specimen']}, tooth {row['tooth']}, lobe {row['lobe']}{who}{again}"


def _row(line: int, row: Mapping[str, str]) -> CalliperRow:
    check_id("specimen", row["specimen"])
    unit, side = row.get("unit") or "mm", row.get("jaw") or None
    if unit not in UNITS:
        raise InputError(f"unit {unit!r}: needs mm or px.")
    if side is not None and side not in SIDES:
        raise InputError(f"jaw {side!r}: needs left, right, or nothing.")
    if unit == "px" and not row.get("photo"):
        raise InputError("unit px without a photo: pixels mean nothing without the photo they belong to.")
    most = (MOST_DENTINE_MM, MOST_ENAMEL_MM) if unit == "mm" else (math.inf, math.inf)
    dentine = _width("dentine", row["dentine"], most[0])
    outer = _width("outer_enamel", row["outer_enamel"], most[1])
    gone = row["inner_enamel"].lower() in GONE
    inner = math.inf if gone else _width("inner_enamel", row["inner_enamel"], most[1])
    if dentine == math.inf or outer == 0 or inner == 0:
        raise InputError(
            'a band of enamel of width 0: leave it empty, or write "gone" for a worn inner band.'
        )
    return CalliperRow(
        row=line, specimen_id=row["specimen"], side=side, photo=row.get("photo") or None,
        tooth=_whole("tooth", row["tooth"], 6), lobe=_whole("lobe", row["lobe"], 3), dentine=dentine,
        enamel_outer=outer, enamel_inner=inner, unit=unit, who=row.get("who", ""),
        repeat=_whole("repeat", row.get("repeat") or "1", 99),
    )  # fmt: skip


def _width(name: str, cell: str, most: float) -> float | None:
    if not cell:
        return None
    try:
        value = float(cell.replace(",", "."))
    except ValueError:
        raise InputError(f"{name} {cell!r}: needs a number, such as 0.62.") from None
    if not math.isfinite(value) or not 0 <= value <= most:
        raise InputError(f"{name} {cell}: needs 0 to {most:g}. Check the unit and the decimal point.")
    return value


def _whole(name: str, cell: str, most: int) -> int:
    if not cell.isdigit() or not 1 <= int(cell) <= most:
        raise InputError(f"{name} {cell!r}: needs a whole number 1 to {most}.")
    return int(cell)
