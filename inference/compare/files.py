"""
Edge: age sets, measurements and strata from CSV files and from readings on disk.

Every cell that cannot be used becomes a `Problem` with its line; a file that cannot be used at all is an
InputError.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crestgauge.inference.compare.ages import NO_CLASS
from crestgauge.inference.compare.align import AgeSet, Problem, Row
from crestgauge.inference.compare.measures import Measure
from crestgauge.inference.errors import InputError, ReadingError
from crestgauge.inference.reading import INFUNDIBULUM_GONE, Reading, ToothReading

MAX_BYTES = 200_000_000
ID_COLUMNS = ("id", "specimen", "specimen_id", "animal", "animal_id", "photo")
AGE_COLUMNS = ("age", "age_class", "class", "call", "proposal")
READING_FILES = (".json", ".jsonl", ".ndjson")
MADE_WITH = ("model", "criteria", "crestgauge")
"""Versions that a reading names; readings of different ones are not mixed unnoticed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetSource:
    """
    One age set as asked for on the command line: NAME=FILE or NAME=FILE:COLUMN.

    Parameters
    ----------
    name : str
    path : Path
        CSV file, file of readings (JSON, JSON lines), or folder of readings.
    column : str or None
        Column with the ages, for a CSV file.
    """

    name: str
    path: Path
    column: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A CSV file: header and rows with their line numbers (1 = first line of the file)."""

    path: Path
    header: tuple[str, ...]
    rows: tuple[tuple[int, dict[str, str]], ...]
    problems: tuple[Problem, ...]

    def column(self, wanted: str | None, candidates: Sequence[str], what: str) -> str:
        """
        Name of a column as it stands in the header.

        Raises
        ------
        InputError
            If it is not there; the message lists the header.
        """
        low = {name.lower(): name for name in self.header}
        for name in [wanted] if wanted is not None else candidates:
            if name is not None and name.lower() in low:
                return low[name.lower()]
        needed = f'"{wanted}"' if wanted is not None else " or ".join(candidates)
        raise InputError(
            f"{self.path}: no column {needed} for the {what}; found {', '.join(self.header)}. Name it."
        )


def parse_source(text: str) -> SetSource:
    """
    ``NAME=FILE`` or ``NAME=FILE:COLUMN``.

    Raises
    ------
    InputError
        If the text has another form.
    """
    name, equals, rest = text.partition("=")
    if not equals or not name.strip() or not rest.strip():
        raise InputError(f'"{text}": needs NAME=FILE or NAME=FILE:COLUMN, such as reader_a=calls.csv:age.')
    path, column = rest.strip(), None
    # A colon may belong to the path (C:\...); it separates a column only where the whole is no file.
    if not Path(path).exists() and ":" in path:
        path, _, column = path.rpartition(":")
    return SetSource(name=name.strip(), path=Path(path), column=column or None)


def file_facts(path: Path) -> str:
    """Name and SHA-256 of a file; for a folder, of the sorted names and hashes of its readings."""
    if path.is_dir():
        digest = hashlib.sha256()
        for item in _reading_paths(path):
            digest.update(item.name.encode() + b"\0" + hashlib.sha256(item.read_bytes()).digest())
        return f"{path.name}/, SHA-256 over all readings {digest.hexdigest()}"
    return f"{path.name}, SHA-256 {hashlib.sha256(_bytes(path)).hexdigest()}"


def _bytes(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError(f"{path}: {path.stat().st_size} bytes; at most {MAX_BYTES}. Split the file.")
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}). Check the path.") from error


def read_table(path: Path) -> Table:
    """
    Read a CSV file: UTF-8 (with or without mark) or Windows-1252; comma, semicolon or tab.

    Raises
    ------
    InputError
        If it cannot be read as one table with a header.
    """
    raw = _bytes(path)
    if b"\0" in raw:
        raise InputError(f"{path}: holds zero bytes, so it is no text file. Save the table as CSV (UTF-8).")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")
    lines = text.splitlines()
    if not lines or not lines[0].strip():
        raise InputError(f"{path}: no header in the first line. Save the table as CSV with column names.")
    delimiter = max(",;\t", key=lines[0].count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        return _table(path, reader)
    except csv.Error as error:
        raise InputError(
            f"{path}: line {reader.line_num}: {error}. Correct the quotes in that line."
        ) from error


def _table(path: Path, reader: Iterator[list[str]]) -> Table:
    header = tuple(name.strip() for name in next(reader))
    named = [name for name in header if name]
    if len({name.lower() for name in named}) != len(named):
        raise InputError(
            f"{path}: a column name is there twice in {', '.join(header)}. Give each its own name."
        )
    rows, problems = [], []
    for cells in reader:
        line = reader.line_num  # type: ignore[attr-defined]  # csv.reader has it, its protocol does not say so
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
            extra = f"{len(cells)} cells under {len(header)} column names; the extra ones were not read"
            problems.append(Problem(set_name=path.name, row=line, id=cells[0].strip(), what=extra, used=True))
        padded = [*cells, *[""] * (len(header) - len(cells))]
        rows.append((line, {name: cell.strip() for name, cell in zip(header, padded, strict=False) if name}))
    return Table(path=path, header=tuple(named), rows=tuple(rows), problems=tuple(problems))


def read_age_set(
    source: SetSource,
    *,
    id_column: str | None = None,
    kind: str = "reader",
    ids: Mapping[str, str] | None = None,
) -> tuple[AgeSet, tuple[Problem, ...]]:
    """
    One age set.

    Parameters
    ----------
    ids : mapping of str to str
        Animal of each photo, by file name without folder or by its stem, for readings. Without it the stem of
        the photo's name is the animal's id.
    """
    if source.path.is_dir() or source.path.suffix.lower() in READING_FILES:
        return _readings_set(source, ids or {})
    table = read_table(source.path)
    id_name = table.column(id_column, ID_COLUMNS, "animal's id")
    age_name = table.column(source.column, AGE_COLUMNS, "age")
    rows = tuple(Row(row=line, id=cells[id_name], age=cells[age_name]) for line, cells in table.rows)
    about = (f"{source.path.name}, column {age_name}",)
    return AgeSet(name=source.name, rows=rows, kind=kind, about=about), table.problems


def _reading_paths(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if p.suffix.lower() in READING_FILES and p.is_file())


def load_readings(path: Path) -> tuple[list[tuple[int, Reading]], list[Problem]]:
    """
    Readings of a folder or file, each with its number; a broken one is a problem, not an end.

    Raises
    ------
    InputError
        If there is none.
    """
    good: list[tuple[int, Reading]] = []
    problems: list[Problem] = []
    texts = []
    for item in _reading_paths(path) if path.is_dir() else [path]:
        raw = _bytes(item).decode("utf-8-sig", errors="replace")
        one = item.suffix.lower() == ".json"
        texts += (
            [(item.name, raw)] if one else [(item.name, line) for line in raw.splitlines() if line.strip()]
        )
    for number, (name, text) in enumerate(texts, 1):
        try:
            good.append((number, Reading.from_json(text)))
        except ReadingError as error:
            problems.append(Problem(set_name=path.name, row=number, id=name, what=str(error), used=False))
    if not good:
        found = f"; first fault: {problems[0].what}" if problems else ""
        raise InputError(
            f"{path}: holds no reading{found}. Give the folder that the readings were written to."
        )
    return good, problems


def _animal(reading: Reading, ids: Mapping[str, str]) -> str:
    name = reading.photo.file
    return ids.get(name) or ids.get(Path(name).stem) or Path(name).stem


def _age(reading: Reading) -> str:
    return reading.age_class or f"{NO_CLASS}, the reading ended in {reading.outcome}"


def _readings_set(source: SetSource, ids: Mapping[str, str]) -> tuple[AgeSet, tuple[Problem, ...]]:
    readings, problems = load_readings(source.path)
    rows = tuple(Row(row=number, id=_animal(r, ids), age=_age(r)) for number, r in readings)
    about = [f"{source.path.name}: {len(readings)} readings by the tool"]
    for what in MADE_WITH:
        about.append(f"{what}: {', '.join(sorted({getattr(r.versions, what) for _, r in readings}))}")
    problems += mixed_versions([r for _, r in readings], source.name)
    return AgeSet(name=source.name, rows=rows, kind="tool", about=tuple(about)), tuple(problems)


def mixed_versions(readings: Sequence[Reading], set_name: str) -> list[Problem]:
    """
    One problem for each of weights, key and program of which readings of one set name several: a difference
    between animals may then be one between versions.
    """
    problems = []
    for what in MADE_WITH:
        versions = sorted({getattr(r.versions, what) for r in readings})
        if len(versions) > 1:
            problems.append(
                Problem(set_name=set_name, row=None, id="", used=True,
                        what=f"readings of {len(versions)} different versions of {what} are mixed: "
                        f"{', '.join(versions)}; compare them apart, or read all photos again")
            )  # fmt: skip
    return problems


def reading_measures(
    path: Path, *, reader: str, ids: Mapping[str, str] | None = None
) -> tuple[tuple[Measure, ...], tuple[Problem, ...]]:
    """
    Ratios, infundibulum shares and dentine widths of teeth 4 to 6; each photo of an animal is a trial.

    The problems say where readings of different weights, keys or programs are mixed; broken readings are
    those of `read_age_set`.
    """
    readings = load_readings(path)[0]
    measures = measures_of([(n, _animal(r, ids or {}), r.photo.file, r) for n, r in readings], reader=reader)
    return measures, tuple(mixed_versions([r for _, r in readings], f"{reader}, measured"))


def measures_of(readings: Sequence[tuple[int, str, str, Reading]], *, reader: str) -> tuple[Measure, ...]:
    """The same from readings at hand, each with its row number, animal, and a name of its photo."""
    out = []
    for number, animal, photo, reading in readings:
        for tooth in reading.teeth:
            if tooth.position < 4:
                continue
            gone = sum(INFUNDIBULUM_GONE in crest.flags for crest in tooth.crests)
            ratio = tooth.ratio.value if tooth.ratio is not None else None
            if ratio is None and gone:
                ratio = math.inf
            found = {"ratio": ratio, "infundibulum_left": tooth.infundibulum_left}
            found["dentine_mm"] = _dentine_mm(tooth, reading.px_per_mm)
            for quantity, value in found.items():
                if value is not None:
                    out.append(
                        Measure(row=number, id=animal, tooth=tooth.position, quantity=quantity, value=value,
                                reader=reader, trial=photo)
                    )  # fmt: skip
    return _numbered_trials(out)


def _dentine_mm(tooth: ToothReading, px_per_mm: float | None) -> float | None:
    """Mean dentine width of the two main crests, where the photo has a scale. [mm]"""
    widths = [c.dentine_px.value for c in tooth.crests if c.lobe <= 2 and c.dentine_px is not None]
    return None if px_per_mm is None or len(widths) < 2 else sum(widths) / len(widths) / px_per_mm


def _numbered_trials(measures: list[Measure]) -> tuple[Measure, ...]:
    """Photos of one animal as trial 1, 2 ... in the order of their names, so that animals line up."""
    order: dict[str, list[str]] = {}
    for m in measures:
        order.setdefault(m.id, [])
        if m.trial not in order[m.id]:
            order[m.id].append(m.trial)
    number = {(key, t): str(i) for key, trials in order.items() for i, t in enumerate(sorted(trials), 1)}
    return tuple(
        Measure(row=m.row, id=m.id, tooth=m.tooth, quantity=m.quantity, value=m.value, reader=m.reader,
                trial=number[m.id, m.trial])
        for m in measures
    )  # fmt: skip


def read_measures(
    path: Path, *, id_column: str | None = None
) -> tuple[tuple[Measure, ...], tuple[Problem, ...]]:
    """
    Measurements from a CSV file, one number a line.

    Columns: id, tooth, value (or ratio), and as needed quantity (default "ratio"), reader, trial. A ratio
    written as "gone" or "inf" means that no inner band is left.
    """
    table = read_table(path)
    names = {
        "id": table.column(id_column, ID_COLUMNS, "animal's id"),
        "tooth": table.column(None, ("tooth", "position"), "tooth"),
        "value": table.column(None, ("value", "ratio"), "measured value"),
    }
    low = {name.lower(): name for name in table.header}
    problems = list(table.problems)
    seen: dict[tuple[str, int, str, str, str], int] = {}
    out = []
    for line, cells in table.rows:
        key, cell = (
            cells[names["id"]],
            {k: cells.get(low.get(k, ""), "") for k in ("quantity", "reader", "trial")},
        )
        tooth, value, what = _number_cells(cells[names["tooth"]], cells[names["value"]])
        measure = (key, tooth, cell["quantity"] or "ratio", cell["reader"] or "reader", cell["trial"] or "1")
        if not key:
            what = "no id; every row needs one"
        elif not what and measure in seen:
            what = f"the same animal, tooth, quantity, reader and trial as row {seen[measure]}; number them"
        if what:
            problems.append(Problem(set_name=path.name, row=line, id=key, what=what, used=False))
            continue
        seen[measure] = line
        out.append(
            Measure(
                row=line,
                id=key,
                tooth=tooth,
                quantity=measure[2],
                value=value,
                reader=measure[3],
                trial=measure[4],
            )
        )
    return tuple(out), tuple(problems)


def _number_cells(tooth: str, value: str) -> tuple[int, float, str]:
    """Tooth and value; the third is what is wrong with them, or empty."""
    if not value:
        return 0, 0.0, "no value (empty cell)"
    digits = tooth.lower().removeprefix("tooth").strip()
    if digits not in {"1", "2", "3", "4", "5", "6"}:
        return 0, 0.0, f'tooth "{tooth}"; needs a number 1 to 6 from the front'
    if value.lower() in {"gone", "inf"}:
        return int(digits), math.inf, ""
    try:
        number = float(value.replace(",", "."))
    except ValueError:
        return 0, 0.0, f'value "{value}" is no number'
    if not math.isfinite(number) or number < 0:
        return 0, 0.0, f"value {value}; needs a number that is not negative"
    return int(digits), number, ""


def read_strata(
    path: Path, columns: Sequence[str], *, id_column: str | None = None
) -> dict[str, dict[str, str]]:
    """Values of some columns by animal id: {"sex": {"D1": "female"}}."""
    table = read_table(path)
    id_name = table.column(id_column, ID_COLUMNS, "animal's id")
    wanted = {name: table.column(name, (), "strata") for name in columns}
    return {
        name: {cells[id_name]: cells[column] for _, cells in table.rows} for name, column in wanted.items()
    }


def read_photo_ids(path: Path) -> dict[str, str]:
    """Animal of each photo from a CSV file with the columns photo and id."""
    table = read_table(path)
    photo = table.column(None, ("photo", "file"), "photo")
    animal = table.column(None, [c for c in ID_COLUMNS if c != "photo"], "animal's id")
    return {Path(cells[photo]).name: cells[animal] for _, cells in table.rows if cells[animal]}


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """CSV with line feeds."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()
