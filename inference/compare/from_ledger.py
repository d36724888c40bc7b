"""
Edge: age sets, strata and measurements from a ledger.

One set for each person who called ages, "tool" for the newest readings, "known" for known ages and
"cementum" for cementum counts. The row number of a problem is the number of the row in its table of the
ledger.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from crestgauge.inference.compare.ages import NO_CLASS
from crestgauge.inference.compare.align import AgeSet, Problem, Row
from crestgauge.inference.compare.files import measures_of
from crestgauge.inference.compare.measures import Measure
from crestgauge.inference.errors import InputError, ReadingError
from crestgauge.inference.ledger import queries
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.reading import Reading

STRATA: Final = ("sex", "area")
NAMES: Final = ("known", "cementum", "tool")
"""Sets that are no person; a person of that name is called "person NAME"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerMaterial:
    """
    What a ledger holds for a comparison; the parts as in `crestgauge.inference.compare.assemble.Material`.
    """

    sets: tuple[AgeSet, ...]
    measures: tuple[Measure, ...]
    strata: dict[str, dict[str, str]]
    problems: tuple[Problem, ...]


def read_ledger(place: str, *, blind_only: bool = False) -> LedgerMaterial:
    """
    Everything in a ledger that can be compared.

    Parameters
    ----------
    place : str
        File name or URL of the ledger; it is not changed.
    blind_only : bool
        Take only calls made without seeing the tool's proposal: others are not independent of it.

    Raises
    ------
    LedgerError
        If it cannot be opened.
    InputError
        If it holds no age at all.
    """
    with Ledger(place, create=False) as ledger:
        animals = queries.specimens(ledger)
        calls = queries.standing_calls(ledger)
        readings = queries.newest_readings(ledger, whole=True)
    problems: list[Problem] = []
    sets = [*_animal_sets(animals), *_tool_set(readings, problems), *_people(calls, problems, blind_only)]
    if not sets:
        raise InputError(
            f"{place}: holds no reading, call, known or cementum age. Screen photos or add calls first."
        )
    strata = {key: {a["specimen_id"]: a[key] or "" for a in animals} for key in STRATA}
    return LedgerMaterial(
        sets=tuple(sets), measures=_measures(readings, problems), strata=strata, problems=tuple(problems)
    )


def _animal_sets(animals: Sequence[Mapping[str, Any]]) -> list[AgeSet]:
    """Known ages and cementum counts. A minimum age is no age: it is not compared."""
    known = [
        Row(row=a["id"], id=a["specimen_id"], age=f"{a['age_years']:g}")
        for a in animals
        if a["age_years"] is not None and a["age_kind"] == "known"
    ]
    counted = [
        Row(row=a["id"], id=a["specimen_id"], age=str(a["cementum_age"]))
        for a in animals
        if a["cementum_age"] is not None
    ]
    minimum = sum(a["age_kind"] == "minimum" for a in animals)
    note = (f"{minimum} minimum ages are not compared",) if minimum else ()
    made = []
    if known:
        made.append(
            AgeSet(name="known", rows=tuple(known), kind="known", about=("known ages of the ledger", *note))
        )
    if counted:
        about = ("cementum counts of the ledger, in whole years",)
        made.append(AgeSet(name="cementum", rows=tuple(counted), kind="cementum", about=about))
    return made


def _animal_of(row: Mapping[str, Any], key: str) -> str:
    """The animal's id; a photo that belongs to no animal yet stands for itself by the start of its hash."""
    return str(row[key]) if row[key] else f"photo {str(row['sha256'])[:12]}"


def _tool_set(readings: Sequence[Mapping[str, Any]], problems: list[Problem]) -> list[AgeSet]:
    if not readings:
        return []
    rows = tuple(
        Row(
            row=r["id"],
            id=_animal_of(r, "specimen_id"),
            age=r["age_class"] or f"{NO_CLASS}, the reading ended in {r['outcome']}",
        )
        for r in readings
    )
    about = [f"newest reading of {len(readings)} photos in the ledger"]
    for what in ("model", "criteria"):
        found = sorted({str(r[f"{what}_version"]) for r in readings})
        about.append(f"{what}: {', '.join(found)}")
        if len(found) > 1:
            mixed = f"readings of {len(found)} different versions of {what} are mixed: {', '.join(found)}"
            problems.append(Problem(set_name="tool", row=None, id="", what=mixed, used=True))
    return [AgeSet(name="tool", rows=rows, kind="tool", about=tuple(about))]


def _people(calls: Sequence[Mapping[str, Any]], problems: list[Problem], blind_only: bool) -> list[AgeSet]:
    by_person: dict[str, list[Row]] = defaultdict(list)
    seen: dict[str, int] = defaultdict(int)
    for call in calls:
        person, animal = call["person"], _animal_of(call, "animal")
        # "own" is a decision made without the proposal; to confirm or change one, a reader must have seen it.
        if call["saw"] == "proposal" or call["decision"] in ("confirmed", "changed"):
            seen[person] += 1
            if blind_only:
                what = "not a blind call (the reader saw the proposal); left out as asked"
                problems.append(Problem(set_name=person, row=call["id"], id=animal, what=what, used=False))
                continue
        by_person[person].append(
            Row(row=call["id"], id=animal, age=call["age_class"] or f"{NO_CLASS}, the reader could not say")
        )
    made = []
    for person, rows in sorted(by_person.items()):
        name = f"person {person}" if person in NAMES else person
        about = [f"{len(rows)} standing calls"]
        if seen[person] and not blind_only:
            about.append(
                f"{seen[person]} of them made with the proposal in view, so not independent of the tool"
            )
        made.append(AgeSet(name=name, rows=tuple(rows), kind="reader", about=tuple(about)))
    return made


def _measures(readings: Sequence[Mapping[str, Any]], problems: list[Problem]) -> tuple[Measure, ...]:
    numbered = []
    for row in readings:
        try:
            reading = Reading.from_json(row["reading"])
        except ReadingError as error:
            what = f"the stored reading cannot be read ({error})"
            problems.append(Problem(set_name="tool", row=row["id"], id="", what=what, used=False))
            continue
        # Photos of one animal are told apart by their hash, since a ledger may hold two of one name.
        numbered.append((row["id"], _animal_of(row, "specimen_id"), row["sha256"], reading))
    return measures_of(numbered, reader="tool")
