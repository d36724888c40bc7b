"""
A season's age structure from a ledger: what people called, and, kept apart, what was only proposed.

One animal counts once. Where its calls disagree, or its photos do, it is counted as "in disagreement" and
named, never averaged.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from crestgauge.inference.ledger.queries import newest_readings, specimens, standing_calls
from crestgauge.inference.ledger.specimen import AGE_CLASSES
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.summary.statistics import Share, Survival, chapman_robson, wilson

SEXES: Final = ("female", "male", "unknown")
YEARLING, FAWN, OPEN_CLASS = "1.5", "0.5", "8.5+"


@dataclass(frozen=True, slots=True, kw_only=True)
class SexStructure:
    """
    Ages of one sex.

    Parameters
    ----------
    counts : dict of str to int
        Animals by age class, every class of `AGE_CLASSES`.
    shares : dict of str to Share
        Of all animals of this sex with a class; each interval on its own.
    yearlings : Share
        1.5 among 1.5 and older.
    survival : Survival or None
        Chapman-Robson from 1.5 on.
    """

    counts: dict[str, int]
    shares: dict[str, Share]
    yearlings: Share
    survival: Survival | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """
    One of the two age structures.

    Parameters
    ----------
    by_sex : dict of str to SexStructure
        Keys `SEXES`.
    animals : int
        With a class that counts.
    coarse : int
        Called with a coarse class only, not in the table.
    undecided : int
        Looked at without a class (call "none"), or proposed as borderline or retake.
    disagreeing : tuple of str
        Animals left out because their calls or photos disagree.
    """

    by_sex: dict[str, SexStructure]
    animals: int
    coarse: int
    undecided: int
    disagreeing: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """
    Parameters
    ----------
    called : Structure
        From people's calls.
    proposed : Structure
        From clear readings; nobody has looked at them for this table.
    animals, photos : int
        In the ledger, for the dates given.
    start, end : str or None
        Harvest dates that were asked for.
    """

    called: Structure
    proposed: Structure
    animals: int
    photos: int
    start: str | None = None
    end: str | None = None


def summarise(ledger: Ledger, *, start: str | None = None, end: str | None = None) -> Season:
    """
    Count a season.

    Parameters
    ----------
    start, end : str or None
        First and last harvest date, ISO 8601. With either, animals without a date are left out.
    """
    animals = {row["specimen_id"]: row for row in specimens(ledger)}

    def wanted(name: str) -> bool:
        if start is None and end is None:
            return True
        day = animals[name]["harvest_date"] if name in animals else None
        return day is not None and (start or "") <= day <= (end or "9999")

    calls: dict[str, list[str | None]] = defaultdict(list)
    for call in standing_calls(ledger):
        name = call["animal"] or f"photo {call['sha256']}"
        if wanted(name) and not call["overruled"]:
            calls[name].append(call["age_class"])
    readings: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
    photos = 0
    for row in newest_readings(ledger):
        name = row["specimen_id"] or f"photo {row['sha256']}"
        if wanted(name):
            readings[name].append(row)
            photos += 1
    sex = {name: row["sex"] or "unknown" for name, row in animals.items()}
    return Season(
        called=_structure({k: [c for c in v if c is not None] for k, v in calls.items()}, sex),
        proposed=_structure({k: _clear(v) for k, v in readings.items()}, sex),
        animals=len(
            {name for name in animals if wanted(name)} | {n for n in readings if n.startswith("photo ")}
        ),
        photos=photos,
        start=start,
        end=end,
    )


def _clear(rows: list[Mapping[str, Any]]) -> list[str]:
    """Classes of the clear readings of one animal."""
    return [row["age_class"] for row in rows if row["outcome"] == "clear" and row["age_class"]]


def _structure(classes: Mapping[str, list[str]], sex: Mapping[str, str]) -> Structure:
    counts = {name: Counter[str]() for name in SEXES}
    coarse = undecided = 0
    disagreeing = []
    for animal, given in classes.items():
        different = set(given)
        if not different:
            undecided += 1
        elif len(different) > 1:
            disagreeing.append(animal)
        elif (age := given[0]) in AGE_CLASSES:
            counts[sex.get(animal, "unknown")][age] += 1
        else:
            coarse += 1
    by_sex = {name: sex_structure({age: counts[name][age] for age in AGE_CLASSES}) for name in SEXES}
    total = sum(sum(c.values()) for c in counts.values())
    return Structure(
        by_sex=by_sex,
        animals=total,
        coarse=coarse,
        undecided=undecided,
        disagreeing=tuple(sorted(disagreeing)),
    )


def sex_structure(counts: dict[str, int]) -> SexStructure:
    """Shares, yearling share and survival from counts by class of `AGE_CLASSES`."""
    total = sum(counts.values())
    older = [counts[age] for age in AGE_CLASSES if age != FAWN]
    return SexStructure(
        counts=counts,
        shares={age: wilson(counts[age], total) for age in AGE_CLASSES},
        yearlings=wilson(counts[YEARLING], sum(older)),
        survival=chapman_robson(older, last_is_open=True),
    )


def season_json(season: Season) -> str:
    """The numbers as JSON, for other programs."""
    from dataclasses import asdict

    def plain(value: Any) -> Any:
        return None if isinstance(value, float) and value != value else value

    return json.dumps(asdict(season), indent=2, default=plain)
