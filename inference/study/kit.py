"""
Edge: the filled tables of a study, and its readings, from its folder or from ledgers.

Every cell that cannot be used becomes a `Problem` with its line, and everything that the plan asks for and is
not there gets a reason. The folder is what `study plan` wrote: plan.json, forms/, and readings/ once the
photos are read.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.compare.ages import NO_CLASS
from crestgauge.inference.compare.align import AgeSet, Problem, Row
from crestgauge.inference.compare.files import (
    file_facts,
    load_readings,
    measures_of,
    mixed_versions,
    read_photo_ids,
)
from crestgauge.inference.compare.from_ledger import read_ledger
from crestgauge.inference.compare.measures import Measure
from crestgauge.inference.errors import CrestgaugeError, InputError, ReadingError
from crestgauge.inference.exchange.callipers import CalliperRow, read_callipers
from crestgauge.inference.exchange.tables_in import read_rows, specimen_of
from crestgauge.inference.ledger import queries
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.reading import Reading
from crestgauge.inference.study.forms import CALL_COLUMNS, CALLIPERS, PHOTO_LIST, SPECIMENS, reading_of
from crestgauge.inference.study.plan import LOBES, TEETH, Plan, plan_from_dict

PLAN: Final = "plan.json"
FORMS: Final = "forms"
READINGS: Final = "readings"
TOOL: Final = "tool"
KNOWN: Final = "known"
CEMENTUM: Final = "cementum"
QUANTITIES: Final = ("ratio", "dentine_mm", "outer_enamel_mm", "inner_enamel_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class CrestValue:
    """One measured number of one crest: which, by whom, in which trial, with the tool's own uncertainty."""

    id: str
    tooth: int
    lobe: int
    quantity: str
    who: str
    trial: str
    value: float
    u: float | None = None


@dataclass(slots=True, kw_only=True)
class Filled:
    """
    What was found of a study.

    Parameters
    ----------
    plan : Plan or None
        None for ledgers.
    sets : list of AgeSet
        Known ages, cementum, the tool on first photos, first readings of each reader.
    seconds : dict of str to AgeSet
        Second photo or second reading, by the name of the first set.
    tool, by_hand : list of CrestValue
    tool_measures : list of Measure
        Ratios and infundibulum shares of teeth 4 to 6; the trial is the number of the photo.
    status : dict of (source, animal) to str
        "" where there is a result, else why not. Sources: names of sets, "NAME, again", "by hand".
    """

    plan: Plan | None = None
    sets: list[AgeSet] = field(default_factory=list)
    seconds: dict[str, AgeSet] = field(default_factory=dict)
    tool: list[CrestValue] = field(default_factory=list)
    by_hand: list[CrestValue] = field(default_factory=list)
    tool_measures: list[Measure] = field(default_factory=list)
    strata: dict[str, dict[str, str]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    status: dict[tuple[str, str], str] = field(default_factory=dict)
    inputs: list[str] = field(default_factory=list)

    def refuse(self, source: str, row: int | None, animal: str, what: str, *, used: bool = False) -> None:
        """Keep one problem."""
        self.problems.append(Problem(set_name=source, row=row, id=animal, what=what, used=used))


def again(name: str) -> str:
    """Name of the repeat of a set."""
    return f"{name}, again"


def read_plan(folder: Path) -> Plan:
    """
    The plan in a study's folder.

    Raises
    ------
    InputError
        If there is none, or it cannot be read.
    """
    path = folder / PLAN
    try:
        return plan_from_dict(json.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}). Give the folder that study plan wrote, or a ledger."
        ) from error
    except ValueError as error:
        raise InputError(f"{path}: {error}") from error


def load_study(
    places: Sequence[str], *, readings: Path | None = None, callipers: Path | None = None
) -> Filled:
    """
    Everything that the places hold.

    Parameters
    ----------
    places : sequence of str
        One study folder, or ledgers, or both.
    readings : Path or None
        Folder or file of readings, where it is not ``readings`` in the study's folder.
    callipers : Path or None
        Hand-measured widths, where they are not in the study's forms.

    Raises
    ------
    InputError, ExchangeError, LedgerError
        If a file cannot be used at all.
    """
    if readings is not None and not readings.exists():
        raise InputError(f"{readings}: is not there; needs the folder or file of readings.")
    for place in places:
        if "://" not in place and not Path(place).exists():
            raise InputError(f"{place}: is not there; needs the folder that study plan wrote, or a ledger.")
    kits = [Path(place) for place in places if Path(place).is_dir()]
    if len(kits) > 1:
        raise InputError(f"{len(kits)} study folders; one at a time can be scored.")
    filled = Filled()
    for folder in kits:
        filled.plan = read_plan(folder)
        forms = folder / FORMS
        _specimens(forms / SPECIMENS, filled)
        for path in sorted(forms.glob("calls_*.csv")):
            _calls(path, filled)
        _kit_readings(readings or folder / READINGS, forms / PHOTO_LIST, filled)
        if callipers is None and (forms / CALLIPERS).is_file():
            _callipers(forms / CALLIPERS, filled)
        filled.inputs.insert(0, file_facts(folder / PLAN))
    for place in places:
        if not Path(place).is_dir():
            _ledger(place, filled)
    if callipers is not None:
        _callipers(callipers, filled)
    _absent(filled)
    return filled


def _rows(path: Path, filled: Filled) -> list[tuple[int, dict[str, str]]]:
    if not path.is_file():
        filled.refuse(path.name, None, "", "the table is not there; nothing of it is used")
        return []
    rows, _ = read_rows(path)
    filled.inputs.append(file_facts(path))
    return rows


def _specimens(path: Path, filled: Filled) -> None:
    known, counted = [], []
    seen: dict[str, int] = {}
    planned = {a.id for a in filled.plan.animals} if filled.plan else set()
    for line, row in _rows(path, filled):
        key = row.get("specimen_id", "")
        if key in seen:
            filled.refuse(path.name, line, key, f"is there twice, first in line {seen[key]}")
            continue
        seen[key] = line
        try:
            animal = specimen_of(row)
        except CrestgaugeError as error:
            filled.refuse(path.name, line, key, str(error))
            filled.status[KNOWN, key] = filled.status[CEMENTUM, key] = "row of specimens.csv not usable"
            continue
        if key not in planned:
            filled.refuse(path.name, line, key, "is not in the plan; used all the same", used=True)
        filled.strata.setdefault("sex", {})[key] = animal.sex or ""
        filled.strata.setdefault("area", {})[key] = animal.area or ""
        if animal.age_kind == "known" and animal.age_years is not None:
            known.append(Row(row=line, id=key, age=f"{animal.age_years:g}"))
            filled.status[KNOWN, key] = ""
        else:
            minimum = animal.age_kind == "minimum"
            filled.status[KNOWN, key] = "only a minimum age" if minimum else "no known age given"
        if animal.cementum_age is not None:
            counted.append(Row(row=line, id=key, age=f"{animal.cementum_age + 0.5:g}"))
        filled.status[CEMENTUM, key] = "" if animal.cementum_age is not None else "no cementum count given"
    if known:
        filled.sets.append(AgeSet(name=KNOWN, rows=tuple(known), kind="known", about=("known ages",)))
    if counted:
        about = ("cementum counts in whole years, n read as n and a half: counted in autumn",)
        filled.sets.append(AgeSet(name=CEMENTUM, rows=tuple(counted), kind="cementum", about=about))


def _calls(path: Path, filled: Filled) -> None:
    by_reading: dict[tuple[str, int], list[Row]] = {}
    for line, row in _rows(path, filled):
        unknown = [name for name in row if name not in CALL_COLUMNS]
        if unknown or "specimen_id" not in row or "person" not in row:
            filled.refuse(path.name, None, "", f"columns {', '.join(row)}; needs {', '.join(CALL_COLUMNS)}")
            return
        key, person = row["specimen_id"], row["person"]
        number = reading_of(row.get("saw_detail", "")) or 1
        source = person if number == 1 else again(person)
        if not key or not person:
            filled.refuse(path.name, line, key, "specimen_id or person is empty; every row needs both")
            continue
        if row.get("saw") == "proposal" or row.get("decision") in ("confirmed", "changed"):
            filled.refuse(path.name, line, key, "not blind: the reader saw the proposal; left out")
            filled.status[source, key] = "not a blind reading"
            continue
        age, reason = row.get("age_class", ""), row.get("reason", "")
        if not age and not reason and row.get("decision") != "none":
            filled.status[source, key] = "not typed in"
            continue
        if not age:
            filled.status[source, key] = f"reader could not say{': ' + reason if reason else ''}"
            age = f"{NO_CLASS}, {filled.status[source, key]}"
        else:
            filled.status[source, key] = ""
        by_reading.setdefault((person, min(number, 2)), []).append(Row(row=line, id=key, age=age))
    for (person, number), rows in sorted(by_reading.items()):
        name = person if person not in (KNOWN, CEMENTUM, TOOL) else f"person {person}"
        made = AgeSet(name=name, rows=tuple(rows), kind="reader", about=(f"{path.name}, blind",))
        if number == 1:
            filled.sets.append(made)
        else:
            filled.seconds[name] = made


def _kit_readings(path: Path, photo_list: Path, filled: Filled) -> None:
    ids = read_photo_ids(photo_list) if photo_list.is_file() else {}
    if not path.exists():
        filled.refuse(path.name, None, "", "no readings yet: run crestgauge read PHOTOS --out READINGS")
        return
    shots: dict[str, tuple[str, int]] = {}
    count: dict[str, int] = {}
    for name, animal in ids.items():
        count[animal] = count.get(animal, 0) + 1
        shots[name] = shots[Path(name).stem] = (animal, count[animal])
    found, problems = load_readings(path)
    filled.problems += problems
    filled.inputs.append(file_facts(path))
    filled.problems += mixed_versions([reading for _, reading in found], TOOL)
    taken = []
    seen: dict[tuple[str, int], str] = {}
    for number, reading in found:
        name = reading.photo.file
        shot = shots.get(name) or shots.get(Path(name).stem)
        if shot is None:
            filled.refuse(TOOL, number, name, "this photo is in no row of photos.csv; not used")
        elif shot in seen:
            filled.refuse(TOOL, number, shot[0], f"photo {shot[1]} has a second reading; the first is used")
        else:
            seen[shot] = name
            taken.append((number, *shot, reading))
    _tool(taken, filled)


def _tool(readings: Iterable[tuple[int, str, int, Reading]], filled: Filled) -> None:
    """Ages and widths of the tool from (row, animal, number of the photo, reading)."""
    rows: dict[int, list[Row]] = {1: [], 2: []}
    kept = []
    versions: dict[str, set[str]] = {"model": set(), "criteria": set(), "crestgauge": set()}
    for row, animal, shot, reading in readings:
        source = TOOL if shot == 1 else again(TOOL)
        if shot > 2:
            filled.refuse(TOOL, row, animal, f"photo {shot} of this animal; two are used")
            continue
        for name, found in versions.items():
            found.add(getattr(reading.versions, name))
        why = ""
        if reading.outcome == "retake":
            why = "photo to be retaken: " + ", ".join(r.reason.replace("_", " ") for r in reading.retake)
        elif reading.age_class is None:
            why = f"class left open between {' and '.join(reading.possible)}"
        filled.status[source, animal] = why
        rows[shot].append(Row(row=row, id=animal, age=reading.age_class or f"{NO_CLASS}, {why}"))
        if reading.outcome != "retake":
            kept.append((row, animal, str(shot), reading))
            filled.tool += _crests(animal, str(shot), reading)
    filled.tool_measures += [
        m for m in measures_of(kept, reader=TOOL) if m.quantity in ("ratio", "infundibulum_left")
    ]
    about = tuple(f"{name}: {', '.join(sorted(found))}" for name, found in versions.items() if found)
    if rows[1]:
        filled.sets.append(
            AgeSet(name=TOOL, rows=tuple(rows[1]), kind="tool", about=("first photos", *about))
        )
    if rows[2]:
        filled.seconds[TOOL] = AgeSet(name=TOOL, rows=tuple(rows[2]), kind="tool", about=("second photos",))


def _crests(animal: str, trial: str, reading: Reading) -> list[CrestValue]:
    out = []
    scale = reading.px_per_mm
    for tooth in reading.teeth:
        for crest in tooth.crests if tooth.position in TEETH else ():
            if crest.lobe not in LOBES:
                continue
            found = {"ratio": crest.ratio}
            if scale is not None:
                px = (crest.dentine_px, crest.enamel_outer_px, crest.enamel_inner_px)
                found |= dict(zip(QUANTITIES[1:], px, strict=True))
            for quantity, value in found.items():
                if value is not None:
                    by = 1.0 if quantity == "ratio" or scale is None else scale
                    out.append(
                        CrestValue(id=animal, tooth=tooth.position, lobe=crest.lobe, quantity=quantity,
                                   who=TOOL, trial=trial, value=value.value / by, u=value.u / by)
                    )  # fmt: skip
    return out


def _callipers(path: Path, filled: Filled) -> None:
    table = read_callipers(path)
    filled.inputs.append(file_facts(path))
    for line, animal, why in table.refused:
        filled.refuse(path.name, line, animal, why)
    for line, what in table.empty:
        filled.refuse(path.name, line, what.partition(",")[0], f"planned but not measured: {what}")
    for row in table.rows:
        filled.by_hand += _hand_values(row)
        if row.tooth not in TEETH or row.lobe not in LOBES:
            filled.refuse(path.name, row.row, row.specimen_id, "no crest that the key compares; not used")
        elif row.ratio is None:
            what = "a width is missing, so this crest has no ratio; the widths are used"
            filled.refuse(path.name, row.row, row.specimen_id, what, used=True)
        filled.status["by hand", row.specimen_id] = ""


def _hand_values(row: CalliperRow) -> list[CrestValue]:
    widths = {} if row.unit != "mm" else dict(
        zip(QUANTITIES[1:], (row.dentine, row.enamel_outer, row.enamel_inner), strict=True)
    )  # fmt: skip
    who = row.who or "by hand"
    return [
        CrestValue(id=row.specimen_id, tooth=row.tooth, lobe=row.lobe, quantity=quantity, who=who,
                   trial=str(row.repeat), value=value)
        for quantity, value in ({"ratio": row.ratio} | widths).items()
        if value is not None and row.tooth in TEETH and row.lobe in LOBES
        and not (quantity != "ratio" and math.isinf(value))
    ]  # fmt: skip


def _absent(filled: Filled) -> None:
    """What the plan asks for and no file mentions gets its reason here."""
    for animal in filled.plan.animals if filled.plan else ():
        for source in (TOOL, again(TOOL)):
            filled.status.setdefault((source, animal.id), "no reading of this photo")
        if animal.by_hand:
            filled.status.setdefault(("by hand", animal.id), "not measured by hand")


def _ledger(place: str, filled: Filled) -> None:
    found = read_ledger(place, blind_only=True)
    filled.problems += [p for p in found.problems if p.set_name != TOOL]
    filled.inputs.append(f"ledger {Path(place).name}")
    for name, values in found.strata.items():
        filled.strata.setdefault(name, {}).update(values)
    with Ledger(place, create=False) as ledger:
        calls = queries.standing_calls(ledger)
    seconds = {c["id"] for c in calls if (reading_of(c["saw_detail"] or "") or 1) > 1}
    for ages in found.sets:
        if ages.name == TOOL:
            continue
        if ages.name == CEMENTUM:
            rows = tuple(Row(row=r.row, id=r.id, age=_half(r.age)) for r in ages.rows)
            about = (*ages.about, "n read as n and a half: counted in autumn")
            ages = AgeSet(name=CEMENTUM, rows=rows, kind=ages.kind, about=about)
        first, second = _split(ages, seconds)
        if any(s.name == ages.name for s in filled.sets):
            raise InputError(f'{place}: a set "{ages.name}" is in two places; score them one at a time.')
        filled.sets.append(first)
        if second is not None and ages.kind == "reader":
            filled.seconds[ages.name] = second
        for source, part in ((ages.name, first), (again(ages.name), second)):
            for row in part.rows if part else ():
                filled.status[source, row.id] = row.age if row.age.startswith(NO_CLASS) else ""
    _tool(_ledger_readings(place, filled), filled)


def _half(age: str) -> str:
    return f"{age}.5" if age.isdigit() else age


def _split(ages: AgeSet, seconds: set[int]) -> tuple[AgeSet, AgeSet | None]:
    """
    First and second calls of each animal: as the call says, else in the order of the ledger; third ones stay
    with the second.
    """
    seen: set[str] = set()
    parts: tuple[list[Row], list[Row]] = ([], [])
    for row in ages.rows:
        later = ages.kind == "reader" and row.row in seconds
        parts[later or row.id in seen].append(row)
        if not later:
            seen.add(row.id)
    first, second = (
        AgeSet(name=ages.name, rows=tuple(rows), kind=ages.kind, about=ages.about) for rows in parts
    )
    return first, second if second.rows else None


def _ledger_readings(place: str, filled: Filled) -> list[tuple[int, str, int, Reading]]:
    with Ledger(place, create=False) as ledger:
        rows = queries.newest_readings(ledger, whole=True)
    count: dict[str, int] = {}
    out = []
    for row in rows:
        if not row["specimen_id"]:
            filled.refuse(TOOL, row["id"], row["sha256"][:12], "this photo belongs to no animal; not used")
            continue
        try:
            reading = Reading.from_json(row["reading"])
        except ReadingError as error:
            filled.refuse(TOOL, row["id"], row["specimen_id"], f"the stored reading cannot be read ({error})")
            continue
        animal = row["specimen_id"]
        count[animal] = count.get(animal, 0) + 1
        out.append((row["id"], animal, count[animal], reading))
    filled.problems += mixed_versions([reading for *_, reading in out], TOOL)
    return out


def animals(filled: Filled) -> tuple[str, ...]:
    """The animals of the plan; without one, every animal that has anything."""
    if filled.plan is not None:
        return tuple(a.id for a in filled.plan.animals)
    return tuple(dict.fromkeys(animal for _, animal in filled.status))


def by_key(values: Iterable[CrestValue]) -> Mapping[Any, list[CrestValue]]:
    """Values by (quantity, tooth, animal, lobe)."""
    out: dict[Any, list[CrestValue]] = {}
    for v in values:
        out.setdefault((v.quantity, v.tooth, v.id, v.lobe), []).append(v)
    return out
