"""
Which photos to label first: where correcting the labels can be expected to teach most. Pure.

Three signs, each 0 to 1, each with its word: the reading doubts itself; it changes when the picture is
changed a little; the picture is unlike those that the networks learned from. Together they are a guess that
something is wrong, and the guess is worth less where labels cannot mend it (a blurred photo stays blurred).
The list is then spread: the second photo of an animal, and the tenth of a class, count less than the first.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from crestgauge.inference.labels.familiar import strangeness
from crestgauge.inference.ledger.doubt import doubt
from crestgauge.inference.reading import Reading

PHYSICAL: Final = frozenset({"blurred", "dark", "glare", "too_small", "tilted"})
"""Reasons of a retake that lie in the photograph, not in what the networks know."""
PHYSICAL_WORTH, REFUSED_WORTH = 0.15, 0.5
"""
What labels of a refused photo are worth, for such a reason and for another one (not a jaw, covered, cut off):
a wrong refusal of these is a fault of the networks. Ours. [1]
"""
REFUSED_DOUBT: Final = 0.5
"""Doubt of a refusal, which states none. Ours. [1]"""
CHANGE_WEIGHT, STRANGE_WEIGHT = 0.5, 0.5
"""Doubt speaks of the class itself; the other two only hint at it and count half. Ours. [1]"""
SAME_ANIMAL, SAME_CLASS = 0.4, 0.9
"""Each photo of an animal, or of a class, that stands above in the list lowers the rest by this. Ours. [1]"""
FLOOR_U: Final = 0.02
"""Ratios that move by less than this between two readings have not moved. [1]"""
STEADY, MOVED = "steady", "its ratios move when the picture changes a little"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signs:
    """
    The three signs of one photo.

    Parameters
    ----------
    doubt, change, strange : float
        0 to 1.
    worth : float
        What correct labels can mend, 0 to 1.
    why : tuple of str
        A phrase for each sign that says something, strongest first; one word of comfort where none does.
    """

    doubt: float
    change: float
    strange: float
    worth: float
    why: tuple[str, ...]

    @property
    def gain(self) -> float:
        """Expected gain, 0 to 1: that at least one sign is right, times the worth."""
        none = (1 - self.doubt) * (1 - CHANGE_WEIGHT * self.change) * (1 - STRANGE_WEIGHT * self.strange)
        return self.worth * (1 - none)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """
    One line of the list.

    Parameters
    ----------
    photo : str
    animal : str or None
    said : str
        Class, or the outcome where there is none.
    signs : Signs
    score : float
        The gain as far as photos above have not taken it.
    """

    photo: str
    animal: str | None
    said: str
    signs: Signs
    score: float


def signs_of(reading: Reading, again: Sequence[Reading], z: Mapping[str, float]) -> Signs:
    """
    The signs of one photo.

    Parameters
    ----------
    reading : Reading
    again : sequence of Reading
        Under small changes of the picture.
    z : mapping of str to float
        Standardised looks (`Familiar.standardised`); empty where they are not known.
    """
    reasons = {item.reason for item in reading.retake}
    refused = reading.outcome == "retake"
    worth = 1.0 if not refused else PHYSICAL_WORTH if reasons & PHYSICAL else REFUSED_WORTH
    own = REFUSED_DOUBT if refused else min(1.0, 2 * (doubt(reading.to_dict()) or 0.0))
    changes = [change_between(reading, other) for other in again]
    change = statistics.fmean(value for value, _ in changes) if changes else 0.0
    strange, odd = strangeness(z)
    words = [
        (own, f"refused: {', '.join(sorted(r.replace('_', ' ') for r in reasons))}" if refused else
         f"{reading.outcome}: {' or '.join(reading.possible) or 'class open'}"),
        (CHANGE_WEIGHT * change, max(changes)[1] if changes else STEADY),
        (STRANGE_WEIGHT * strange, odd or ""),
    ]  # fmt: skip
    told = [text for value, text in sorted(words, key=lambda pair: -pair[0]) if value >= 0.1 and text]
    if refused and reasons & PHYSICAL:
        told.append("labels cannot mend that")
    return Signs(
        doubt=own, change=change, strange=strange, worth=worth, why=tuple(told) or ("clear and steady",)
    )


def change_between(reading: Reading, other: Reading) -> tuple[float, str]:
    """
    How much a second reading of the same jaw differs, 0 to 1, and in what: 1 where the conclusion does, at
    most 0.5 where only ratios move, at two standard uncertainties in the median.
    """
    if (reading.outcome == "retake") != (other.outcome == "retake"):
        return 1.0, "refused or not, as the picture changes a little"
    if reading.age_class != other.age_class or reading.outcome != other.outcome:
        return 1.0, "its class changes when the picture changes a little"
    if reading.side != other.side:
        return 1.0, "its side changes when the picture changes a little"
    if [t.milk for t in reading.teeth] != [t.milk for t in other.teeth]:
        return 1.0, "milk teeth or not, as the picture changes a little"
    ours, theirs = _ratios(reading), _ratios(other)
    moved = [abs(ours[k][0] - theirs[k][0]) / max(ours[k][1], FLOOR_U) for k in ours if k in theirs]
    if not moved:
        return 0.0, STEADY
    value = 0.5 * min(1.0, statistics.median(moved) / 2)
    return value, MOVED if value >= 0.1 else STEADY


def _ratios(reading: Reading) -> dict[tuple[int, int], tuple[float, float]]:
    return {
        (tooth.position, crest.lobe): (crest.ratio.value, crest.ratio.u)
        for tooth in reading.teeth
        if tooth.position >= 3
        for crest in tooth.crests
        if crest.ratio is not None
    }


def rank(photos: Sequence[tuple[str, str | None, Reading, Signs]]) -> list[Ranked]:
    """
    The list, best first.

    Parameters
    ----------
    photos : sequence of (place, animal or None, reading, signs)
        A photo without an animal is taken as an animal of its own.
    """
    waiting = list(enumerate(photos))
    animals: Counter[str] = Counter()
    classes: Counter[str] = Counter()
    listed: list[Ranked] = []

    def score(entry: tuple[int, tuple[str, str | None, Reading, Signs]]) -> float:
        _, (place, animal, reading, signs) = entry
        lowered = SAME_ANIMAL ** animals[animal or place] * SAME_CLASS ** classes[_said(reading)]
        return float(signs.gain * lowered)

    while waiting:
        best = max(waiting, key=lambda entry: (score(entry), -entry[0]))
        value = score(best)
        waiting.remove(best)
        place, animal, reading, signs = best[1]
        animals[animal or place] += 1
        classes[_said(reading)] += 1
        listed.append(Ranked(photo=place, animal=animal, said=_said(reading), signs=signs, score=value))
    return listed


def _said(reading: Reading) -> str:
    return reading.age_class or ("open" if reading.outcome == "borderline" else reading.outcome)
