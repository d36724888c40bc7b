"""
The rule layer: evidence and criteria in, a proposed age class out, with every step that led there.

The key is read top to bottom and stops at the first "no". A person can replay it by hand:

1. **yes**: go on. **no**: stop; the class is the criterion's ``class_if_no``.
2. **borderline**: keep the younger class, but read on to see what else is possible if the answer were yes.
3. **unseen**: the class is open (``age_class`` None) from here on, and the key is read on in the same way.
   One exception: where a later question is answered yes, with no "no" between, a tooth that wears earlier
   must have passed; the question stays "unseen", is taken as passed, and a note says so.
4. A "no" followed further down by a clear "yes" is out of order: the key still stops at the "no", but both
   classes are listed, because one of the two teeth may be misread.

Outcome: ``retake`` where the class is open because the photo does not show something; ``borderline`` where
more than one class is possible (so wherever rule 4 was used), or rule 3 was used for a tooth that another
photo could show, or the class is open because a tooth is lost or broken; otherwise ``clear``, also where a
doubtful answer, or a tooth that is lost or broken, could not change the class. Whatever comes out is a
proposal for a trained person to confirm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from crestgauge.inference.answers import (
    Answer,
    AnswerWord,
    answer,
    infundibulum_left,
    is_milk,
    tooth_label,
    tooth_ratio,
    with_margin,
)
from crestgauge.inference.criteria import Accuracy, Criteria, Criterion, Grouping, Options
from crestgauge.inference.errors import InputError
from crestgauge.inference.evidence import Quantity, RowEvidence, ToothEvidence
from crestgauge.inference.season import Season, season_note

Outcome = Literal["clear", "borderline", "retake"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """
    One question as it was answered.

    Parameters
    ----------
    measured : Quantity or None
        In the unit of the criterion; ``threshold`` likewise.
    class_if_no, class_if_yes : str
        Where the key stops on no; the youngest class still possible on yes.
    why : str
        One clause: value, what it needs, what decided.
    definitions : tuple of str
        Definitions of the ratio under which the answer would be another one.
    """

    id: str
    question: str
    tooth: int
    measured: Quantity | None
    threshold: float
    answer: AnswerWord
    class_if_no: str
    class_if_yes: str
    why: str
    definitions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CoarseClass:
    """
    A coarse class and what was published on telling it from its neighbours.

    Parameters
    ----------
    label : str or None
        Group of the proposed class; None where the class is open over several groups.
    possible : tuple of str
        Labels of all groups that hold a possible class.
    """

    label: str | None
    possible: tuple[str, ...]
    words: str
    accuracy: tuple[Accuracy, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """
    What the key says of one row.

    Parameters
    ----------
    age_class : str or None
        Always one of ``possible``; None where an unseen tooth leaves it open.
    possible : tuple of str
        Every class that the evidence allows, youngest first; ``possible[0]`` is the "at least".
    deciding : str
        Id of the step that set the class or left it open.
    steps : tuple of Step
        From the first question to the first "no", none left out.
    notes : tuple of str
        What a person should look at: evidence out of order, steps taken as passed.
    unseen_teeth : tuple of int
        Teeth that another photo would have to show.
    coarse : mapping of str to CoarseClass
        By id of the grouping.
    tooth_ratios : mapping of int to Quantity or None
        The ratio that the key used for teeth 4, 5 and 6.
    criteria : str
        `Criteria.label` of the key.
    """

    outcome: Outcome
    age_class: str | None
    possible: tuple[str, ...]
    deciding: str
    steps: tuple[Step, ...]
    notes: tuple[str, ...]
    unseen_teeth: tuple[int, ...]
    coarse: Mapping[str, CoarseClass]
    tooth_ratios: Mapping[int, Quantity | None]
    criteria: str


def propose(evidence: RowEvidence, criteria: Criteria, *, season: Season | None = None) -> Proposal:
    """
    Walk the key.

    Parameters
    ----------
    evidence : RowEvidence
        Six teeth, front first.
    criteria : Criteria
        From `crestgauge.inference.criteria.load_criteria`.
    season : Season or None
        Adds a note where births are early or late for the labels; never changes a class.

    Raises
    ------
    InputError
        If the evidence breaks its contract (`check_evidence`).
    """
    check_evidence(evidence)
    answers = [answer(criterion, evidence, criteria.options) for criterion in criteria.key]
    words = [found.word for found in answers]
    passed = [_taken_as_passed(words, i) for i in range(len(words))]
    stop = next((i for i, word in enumerate(words) if word == "no"), len(words) - 1)
    possible = _possible(words, passed, criteria)
    open_at = [i for i in range(stop + 1) if words[i] == "unseen" and not passed[i]]
    first = next((i for i in range(stop + 1) if words[i] != "yes" and not passed[i]), stop)
    age_class: str | None = criteria.classes[-1] if words[first] == "yes" or passed[first] else None
    if words[first] in ("no", "borderline"):
        age_class = criteria.key[first].class_if_no
    elif len(possible) == 1:
        age_class = possible[0]
    unseen_teeth = sorted({criteria.key[i].tooth for i in open_at if answers[i].retake})
    outcome: Outcome = "clear"
    if age_class is None and unseen_teeth:
        outcome = "retake"
    elif age_class is None or len(possible) > 1 or _hidden(answers[: stop + 1], passed):
        outcome = "borderline"
    return Proposal(
        outcome=outcome,
        age_class=age_class,
        possible=possible,
        deciding=criteria.key[first].id,
        steps=tuple(_step(criteria.key[i], answers[i]) for i in range(stop + 1)),
        notes=(*_notes(evidence, criteria, words, passed, stop), *_season_notes(season)),
        unseen_teeth=tuple(unseen_teeth),
        coarse={g.id: _coarse(g, age_class, possible) for g in criteria.groupings},
        tooth_ratios=_tooth_ratios(evidence, criteria),
        criteria=criteria.label,
    )


def check_evidence(evidence: RowEvidence) -> None:
    """
    Check that evidence keeps its contract.

    Raises
    ------
    InputError
        If there are not exactly six teeth in order, a lobe comes twice, or a number is not finite or is
        negative.
    """
    positions = [tooth.position for tooth in evidence.teeth]
    if positions != [1, 2, 3, 4, 5, 6]:
        raise InputError(f"evidence: teeth {positions}; needs 1 to 6 in order. Give the others with a state.")
    for tooth in evidence.teeth:
        where = f"evidence: tooth {tooth.position}"
        lobes = [crest.lobe for crest in tooth.crests]
        if len(set(lobes)) != len(lobes) or not set(lobes) <= {1, 2, 3}:
            raise InputError(f"{where}: crests on lobes {lobes}; needs each of 1 to 3 at most once.")
        for quantity in (
            tooth.infundibulum_left,
            tooth.dentine_share,
            *(crest.ratio for crest in tooth.crests),
        ):
            if quantity is not None and not _sound(quantity.value, quantity.u):
                raise InputError(
                    f"{where}: {quantity}; needs finite numbers of at least 0. Use None for not measured."
                )
        for crest in tooth.crests:
            if not _sound(*crest.ratio_by_definition.values()):
                raise InputError(
                    f"{where}, lobe {crest.lobe}: {dict(crest.ratio_by_definition)}; needs finite numbers."
                )


def _sound(*numbers: float) -> bool:
    return all(math.isfinite(number) and number >= 0 for number in numbers)


def _taken_as_passed(words: Sequence[AnswerWord], i: int) -> bool:
    """Rule 3: question ``i`` is unseen, and the next clear answer after it is yes."""
    if words[i] != "unseen":
        return False
    return next((word for word in words[i + 1 :] if word in ("yes", "no")), None) == "yes"


def _hidden(answers: Sequence[Answer], passed: Sequence[bool]) -> bool:
    """Rule 3 was used for something that another photo could show."""
    return any(found.retake and taken for found, taken in zip(answers, passed, strict=False))


def _possible(words: Sequence[AnswerWord], passed: Sequence[bool], criteria: Criteria) -> tuple[str, ...]:
    """Every class at which the key could stop."""
    found = set()
    for i, criterion in enumerate(criteria.key):
        if words[i] != "yes" and not passed[i]:
            found.add(criterion.class_if_no)
        if words[i] == "no" and "yes" not in words[i + 1 :]:
            break
    else:
        found.add(criteria.classes[-1])
    return tuple(name for name in criteria.classes if name in found)


def _step(criterion: Criterion, found: Answer) -> Step:
    return Step(
        id=criterion.id,
        question=criterion.question,
        tooth=criterion.tooth,
        measured=found.measured,
        threshold=criterion.threshold,
        answer=found.word,
        class_if_no=criterion.class_if_no,
        class_if_yes=criterion.class_if_yes,
        why=found.why,
        definitions=found.definitions,
    )


def _coarse(grouping: Grouping, age_class: str | None, possible: tuple[str, ...]) -> CoarseClass:
    reachable = [group for group in grouping.groups if set(group.classes) & set(possible)]
    holding = [group for group in reachable if age_class in group.classes] if age_class else reachable
    if len(holding) == 1:
        group = holding[0]
        return CoarseClass(
            label=group.label,
            possible=tuple(g.label for g in reachable),
            words=group.words,
            accuracy=group.accuracy,
        )
    words = "The class is open over more than one of these groups."
    return CoarseClass(label=None, possible=tuple(g.label for g in reachable), words=words, accuracy=())


def _tooth_ratios(evidence: RowEvidence, criteria: Criteria) -> Mapping[int, Quantity | None]:
    lobes = {criterion.tooth: criterion.lobes for criterion in criteria.key if criterion.quantity == "ratio"}
    return {
        position: tooth_ratio(
            evidence.teeth[position - 1], lobes.get(position, (1, 2)), criteria.options
        ).value
        for position in (4, 5, 6)
    }


def _notes(
    evidence: RowEvidence,
    criteria: Criteria,
    words: Sequence[AnswerWord],
    passed: Sequence[bool],
    stop: int,
) -> list[str]:
    notes = []
    for i in range(stop + 1):
        if passed[i]:
            here, later = criteria.key[i], criteria.key[words.index("yes", i + 1)]
            notes.append(
                f'{_capital(tooth_label(here.tooth))} could not answer "{here.question}"; taken as passed '
                f"because {tooth_label(later.tooth)} already passes a later question."
            )
    if words[stop] == "no" and "yes" in words[stop + 1 :]:
        here, later = criteria.key[stop], criteria.key[words.index("yes", stop + 1)]
        notes.append(
            f'Out of order: {tooth_label(here.tooth)} answers no to "{here.question}", but '
            f'{tooth_label(later.tooth)} answers yes to the later "{later.question}" One of the two may be '
            "misread, misnumbered or abnormal."
        )
    return notes + _wear_out_of_order(evidence, criteria, criteria.options) + _odd_rows(evidence)


def _wear_out_of_order(evidence: RowEvidence, criteria: Criteria, options: Options) -> list[str]:
    """A tooth that comes later should not be more worn than the one before it."""
    notes = []
    ratios = _tooth_ratios(evidence, criteria)
    limits = {c.tooth: c.threshold for c in criteria.key if c.quantity == "infundibulum_left"}
    for earlier, later in ((4, 5), (5, 6)):
        front, back = evidence.teeth[earlier - 1], evidence.teeth[later - 1]
        if front.state != "erupted" or back.state != "erupted":
            continue
        a, b = ratios[earlier], ratios[later]
        if a is not None and b is not None and _clearly_above(b, a, options):
            notes.append(
                f"Out of order: the ratio of {tooth_label(later)}, {with_margin(b)}, is above that of "
                f"{tooth_label(earlier)}, {with_margin(a)}, which came through earlier."
            )
        left, right = infundibulum_left(front), infundibulum_left(back)
        dished = right is not None and later in limits and right.value <= limits[later]
        if left is not None and right is not None and dished and _clearly_above(left, right, options):
            notes.append(
                f"Out of order: {tooth_label(later)} is worn smooth before {tooth_label(earlier)}, "
                "which came through earlier."
            )
    return notes


def _clearly_above(high: Quantity, low: Quantity, options: Options) -> bool:
    return high.value > low.value and high.value - low.value >= options.borderline_k * math.hypot(
        high.u, low.u
    )


def _odd_rows(evidence: RowEvidence) -> list[str]:
    notes = []
    third = evidence.teeth[2]
    gaps = [tooth for tooth in evidence.teeth[3:] if tooth.state == "absent"]
    if gaps and is_milk(third) is False:
        names = ", ".join(tooth_label(tooth.position) for tooth in gaps)
        notes.append(
            f"{_capital(names)}: not there although tooth 3 is permanent; lost or out of the photo, no fawn."
        )
    for what in ("missing", "broken"):
        names = ", ".join(_named(tooth) for tooth in evidence.teeth if tooth.state == what)
        if names:
            notes.append(f"{_capital(names)}: {what}.")
    return notes


def _named(tooth: ToothEvidence) -> str:
    return tooth_label(tooth.position, milk=bool(tooth.milk) and tooth.position <= 3)


def _season_notes(season: Season | None) -> list[str]:
    note = None if season is None else season_note(season)
    return [] if note is None else [note]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
