"""
One question of the key against one row of evidence: yes, no, borderline or unseen, with the sentence that
says why.

Nothing here knows of classes or of the other questions; `crestgauge.inference.rules` walks the key. Yes is
always the older answer. Four rules that published keys leave open are settled here, and said in the
sentence where they decide:

- A crest whose infundibulum is gone has no inner band and no ratio; it counts as at least as wide. Beside a
  crest of the same tooth that is clearly narrower it is doubtful, because one tooth does not wear so
  unevenly.
- A tooth still coming through, with nothing measured on it, has not been worn: no.
- "Not through" is believed of tooth 6 only behind a milk tooth 3: in a cropped photo, or after a loss, a
  row of fewer than six teeth is no fawn (missing or broken teeth in 0.5 % of 778 jaws: Powers & Mead 2019,
  Ga J Sci 77(2):15).
- Tooth 3 without dentine means "just replaced" while tooth 6 is coming through; with tooth 6 up but not in
  wear published keys disagree (1.5 in some, 2.5 with "little or no wear" in others): borderline.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from crestgauge.inference.criteria import Criterion, Options
from crestgauge.inference.evidence import CrestEvidence, Quantity, RowEvidence, ToothEvidence
from crestgauge.model.labels import tooth_name

AnswerWord = Literal["yes", "no", "borderline", "unseen"]

DEFINITION_WORDS: Final[Mapping[str, str]] = {
    "middle": "at the exact middle of the crest",
    "widest": "where the dentine is widest",
    "outer": "against the outer (tongue-side) enamel band alone",
    "inner": "against the inner (infundibulum-side) enamel band alone",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """
    Answer to one question.

    Parameters
    ----------
    measured : Quantity or None
        What was compared with the threshold, in the unit of the criterion; None where nothing could be.
    why : str
        One clause without full stop: value, what it needs, and any rule of this module that decided.
    definitions : tuple of str
        Definitions under which the answer would be another one.
    retake : bool
        Unseen, and another photo could show it (not so where the tooth is lost or broken).
    """

    word: AnswerWord
    measured: Quantity | None
    why: str
    definitions: tuple[str, ...] = ()
    retake: bool = False


@dataclass(frozen=True, slots=True)
class ToothRatio:
    """
    Crest ratios of one tooth taken together as the options say.

    Parameters
    ----------
    value : Quantity or None
        Over the measured crests among those that count. [1]
    gone, unmeasured : tuple of int
        Lobes without infundibulum, and lobes that could not be measured.
    by_definition : mapping of str to float
        The same under other definitions, where every measured crest has it.
    """

    value: Quantity | None
    gone: tuple[int, ...]
    unmeasured: tuple[int, ...]
    by_definition: Mapping[str, float]


def tooth_label(position: int, *, milk: bool = False) -> str:
    """Both names of a tooth: ``tooth 4 (m1)``."""
    return f"tooth {position} ({tooth_name(position, milk=milk)})"


def with_margin(quantity: Quantity, digits: int = 2) -> str:
    """``1.23 ± 0.10``, value and 95 % margin, as on every picture and page."""
    return f"{quantity.value:.{digits}f} ± {quantity.margin:.{digits}f}"


def is_milk(tooth: ToothEvidence) -> bool | None:
    """Whether tooth 1-3 is a milk tooth; None where it cannot be told or flag and lobes disagree."""
    if tooth.state in ("absent", "missing", "unseen"):
        return None
    by_lobes = None if tooth.lobes is None or tooth.position != 3 else tooth.lobes >= 3
    if tooth.milk is None:
        return by_lobes
    return None if by_lobes is not None and by_lobes != tooth.milk else tooth.milk


def milk_disagrees(tooth: ToothEvidence) -> bool:
    """Tooth 3 is called milk but has two lobes, or permanent but has three."""
    return (
        tooth.state not in ("absent", "missing", "unseen")
        and None not in (tooth.milk, tooth.lobes)
        and is_milk(tooth) is None
    )


def answer(criterion: Criterion, evidence: RowEvidence, options: Options) -> Answer:
    """
    Answer one criterion.

    Parameters
    ----------
    evidence : RowEvidence
        Checked by `crestgauge.inference.rules.check_evidence`.
    """
    return _ANSWERS[criterion.quantity](criterion, evidence, options)


def tooth_ratio(tooth: ToothEvidence, lobes: tuple[int, ...], options: Options) -> ToothRatio:
    """Take the crests of one tooth together; see `Options` for which band and which crests count."""
    crests = {crest.lobe: crest for crest in tooth.crests}
    counted = [crests.get(lobe, CrestEvidence(lobe=lobe, ratio=None)) for lobe in lobes]
    gone = tuple(crest.lobe for crest in counted if crest.infundibulum_gone)
    ratios = {crest.lobe: crest_ratio(crest, options) for crest in counted if not crest.infundibulum_gone}
    known = {lobe: ratio for lobe, ratio in ratios.items() if ratio is not None}
    by_definition = {}
    for name in DEFINITION_WORDS:
        values = [crests[lobe].ratio_by_definition.get(name) for lobe in known]
        numbers = [value for value in values if value is not None]
        if numbers and len(numbers) == len(values) and name != options.enamel:
            by_definition[name] = _together([Quantity(value, 0.0) for value in numbers], options).value
    return ToothRatio(
        value=_together(list(known.values()), options) if known else None,
        gone=gone,
        unmeasured=tuple(lobe for lobe, ratio in ratios.items() if ratio is None),
        by_definition=by_definition,
    )


def crest_ratio(crest: CrestEvidence, options: Options) -> Quantity | None:
    """The ratio of one crest against the band that counts."""
    if crest.ratio is None or options.enamel == "mean":
        return crest.ratio
    value = crest.ratio_by_definition.get(options.enamel)
    if value is None:
        return None
    # The stated uncertainty belongs to the mean of two bands. With four edges of equal error s and D = R E
    # it is s/E sqrt(2/R^2 + 2/R + 1) there and s/E sqrt(2/R^2 + 2/R + 2) against one band (first order,
    # GUM, JCGM 100:2008, 5.2.2; checked by simulation in tests/test_rules.py).
    r = value
    factor = math.sqrt((2 + 2 * r + 2 * r * r) / (2 + 2 * r + r * r))
    share = value / crest.ratio.value if crest.ratio.value > 0 else 1.0
    return Quantity(value, crest.ratio.u * share * factor)


def _together(ratios: list[Quantity], options: Options) -> Quantity:
    if options.crests == "either":
        return max(ratios, key=lambda ratio: ratio.value)
    if options.crests == "both":
        return min(ratios, key=lambda ratio: ratio.value)
    n = len(ratios)
    total = (
        sum(r.u for r in ratios) if options.crest_errors == "common" else math.hypot(*(r.u for r in ratios))
    )
    return Quantity(math.fsum(r.value for r in ratios) / n, total / n)


def _passes(value: float, criterion: Criterion, options: Options) -> bool:
    if criterion.comparison == "at_most":
        return value <= criterion.threshold
    if criterion.comparison == "more_than":
        return value > criterion.threshold
    tie = criterion.quantity == "ratio" and options.tie == "no"
    return value > criterion.threshold if tie else value >= criterion.threshold


def _near(quantity: Quantity, limit: float, options: Options) -> bool:
    return abs(quantity.value - limit) < options.borderline_k * quantity.u


def _compare(quantity: Quantity, criterion: Criterion, options: Options) -> AnswerWord:
    if _near(quantity, criterion.threshold, options):
        return "borderline"
    return "yes" if _passes(quantity.value, criterion, options) else "no"


def _need(criterion: Criterion, options: Options) -> str:
    words = {"at_least": "at least", "at_most": "at most", "more_than": "more than"}[criterion.comparison]
    if criterion.quantity == "ratio" and options.tie == "no":
        words = "more than"
    return f"needs {words} {criterion.threshold:g}"


def _not_measurable(tooth: ToothEvidence) -> Answer | None:
    """The answer where the state of a molar leaves nothing to measure."""
    words = {
        "absent": ("no crown is there: lost, outside the photo, or not through", True),
        "missing": ("the tooth is lost", False),
        "broken": ("the crown is broken, so its bands mean nothing", False),
        "unseen": ("it cannot be seen", True),
    }
    if tooth.state not in words:
        return None
    why, retake = words[tooth.state]
    return Answer(word="unseen", measured=None, why=why, retake=retake)


def _answer_stage(criterion: Criterion, evidence: RowEvidence, options: Options) -> Answer:
    """Tooth 6 through, or tooth 3 replaced."""
    tooth = evidence.teeth[criterion.tooth - 1]
    stage = {"absent": 0, "erupting": 1, "erupted": 2}.get(tooth.state)
    measured = None if stage is None else Quantity(float(stage), 0.0)
    third, fifth = evidence.teeth[2], evidence.teeth[4]
    milk = is_milk(third)
    if stage is not None and stage >= criterion.threshold:
        return Answer(word="yes", measured=measured, why="it is up" if stage == 2 else "it is coming through")
    if milk is False:
        return Answer(word="yes", measured=measured, why="tooth 3 is already the permanent tooth")
    if tooth.state in ("missing", "broken"):
        return Answer(word="yes", measured=None, why="it had come through before it was lost or broken")
    if milk is None and not any(is_milk(front) for front in evidence.teeth[:2]):
        # Its place is bare, and tooth 3 lost or in two minds: no other photo would show more.
        open_kind = third.state == "missing" or milk_disagrees(third)
        known = stage is not None and open_kind and not _is_no_fawns(evidence.teeth[3], options)
        return Answer(
            word="borderline" if known else "unseen",
            measured=measured,
            why="no tooth 6 is seen, but neither a milk tooth that would say it is still to come",
            retake=not known,
        )
    if fifth.state in ("absent", "erupting"):
        return Answer(word="no", measured=measured, why="milk teeth, and not even tooth 5 is fully up")
    if tooth.state == "unseen":
        return Answer(word="unseen", measured=None, why="it cannot be seen", retake=True)
    wear, limit = third.dentine_share, options.worn_milk_dentine_share
    if wear is not None and third.state == "erupted" and wear.value + options.borderline_k * wear.u > limit:
        worn = f"dentine {with_margin(wear)} of its crown, limit {limit:g}"
        why = f"not through, but milk tooth 3 may be heavily worn ({worn})"
        return Answer(word="borderline", measured=measured, why=why)
    return Answer(word="no", measured=measured, why="not through, behind milk teeth")


def _is_no_fawns(fourth: ToothEvidence, options: Options) -> bool:
    """Tooth 4 is worn as no fawn's: an infundibulum gone, or dentine clearly wider than enamel."""
    ratio = tooth_ratio(fourth, (1, 2), options)
    wide = ratio.value is not None and ratio.value.value - options.borderline_k * ratio.value.u > 1.0
    return wide or bool(ratio.gone)


def _answer_lobes(criterion: Criterion, evidence: RowEvidence, options: Options) -> Answer:
    """Tooth 3 permanent."""
    tooth = evidence.teeth[criterion.tooth - 1]
    measured = None if tooth.lobes is None else Quantity(float(tooth.lobes), 0.0)
    if tooth.state == "absent" and evidence.teeth[5].state == "erupting":
        return Answer(word="no", measured=None, why="the milk tooth is out and its successor not through yet")
    if milk_disagrees(tooth):
        said = "a milk tooth" if tooth.milk else "a permanent tooth"
        if (by_wear := _kind_by_wear(evidence, options)) is not None:
            return Answer(word="no" if by_wear.milk else "yes", measured=measured, why=by_wear.why)
        return Answer(
            word="borderline", measured=measured, why=f"it looks like {said} but shows {tooth.lobes} lobes"
        )
    milk = is_milk(tooth)
    if milk is None:
        lost = tooth.state == "missing"
        why = "the tooth is lost" if lost else "milk or permanent cannot be told"
        return Answer(word="unseen", measured=None, why=why, retake=not lost and tooth.state != "broken")
    lobes = "" if tooth.lobes is None else f", {tooth.lobes} lobe{'' if tooth.lobes == 1 else 's'}"
    if not milk and _worn_like_milk(evidence, options):
        why = (
            "it shows two lobes, yet is worn far more than tooth 4 while tooth 6 is still to come, "
            "as a milk tooth is"
        )
        return Answer(word="borderline", measured=measured, why=why)
    return Answer(
        word="no" if milk else "yes",
        measured=measured,
        why=("milk tooth" if milk else "permanent tooth")
        + lobes
        + f"; the permanent one has {criterion.threshold:g}",
    )


@dataclass(frozen=True, slots=True)
class _Kind:
    milk: bool
    why: str


def _kind_by_wear(evidence: RowEvidence, options: Options) -> _Kind | None:
    """
    Milk or permanent by wear, where length says milk tooth and two lobes are counted; None where silent.

    A milk tooth is older than tooth 4 and heavily worn when tooth 6 has come (facts: jawleaflet, about 17
    months), a permanent tooth 3 comes after both. Worn flat, the lobes of a milk tooth run together; a long
    permanent tooth 3 keeps its two.
    """
    third, share = evidence.teeth[2], evidence.teeth[2].dentine_share
    if not third.milk or third.lobes != 2 or share is None:
        return None
    spread, limit = options.borderline_k * share.u, options.worn_milk_dentine_share
    seen = f"dentine {with_margin(share)} of its crown, limit {limit:g}"
    if _far_more_worn_than_tooth_4(evidence, options):
        return _Kind(
            True, f"as long as a milk tooth and worn as only a milk tooth is beside this tooth 4: {seen}"
        )
    if share.value + spread < limit and evidence.teeth[5].state == "erupted":
        return _Kind(False, f"two lobes, and little worn for a milk tooth with tooth 6 up: {seen}")
    return None


def _far_more_worn_than_tooth_4(evidence: RowEvidence, options: Options) -> bool:
    third, fourth = evidence.teeth[2].dentine_share, evidence.teeth[3].dentine_share
    if third is None or fourth is None:
        return False
    clearly = third.value - options.borderline_k * third.u > options.worn_milk_dentine_share
    return clearly and fourth.value < third.value / 3


def _worn_like_milk(evidence: RowEvidence, options: Options) -> bool:
    """
    Tooth 3 heavily worn beside a fresh tooth 4, with tooth 6 not up: a permanent tooth 3 comes after tooth 4.

    Worn flat, the lobes of a milk tooth run together and may be counted as two.
    """
    coming = evidence.teeth[5].state in ("erupting", "absent")
    return coming and _far_more_worn_than_tooth_4(evidence, options)


def _answer_in_wear(criterion: Criterion, evidence: RowEvidence, options: Options) -> Answer:
    """Tooth 3 in wear, so not just replaced; tooth 6 speaks where tooth 3 alone does not settle it."""
    tooth, last = evidence.teeth[criterion.tooth - 1], evidence.teeth[5]
    share = tooth.dentine_share if tooth.state in ("erupted", "erupting") else None
    needed = _need(criterion, options)
    seen = "" if share is None else f"dentine {with_margin(share)} of its crown, {needed}"
    last_worn = (
        last.state == "erupted"
        and last.dentine_share is not None
        and last.dentine_share.value - options.borderline_k * last.dentine_share.u
        > options.tooth_6_dentine_share
    )
    if is_milk(tooth) and not last_worn:
        return Answer(word="no", measured=None, why="it is still the milk tooth")
    if tooth.state == "erupting" and not is_milk(tooth):
        if last_worn:
            return Answer(
                word="borderline",
                measured=share,
                why="it is still coming through, yet tooth 6 is up and in wear",
            )
        return Answer(word="no", measured=share, why="the permanent tooth is still coming through")
    word = "unseen" if share is None else _compare(share, criterion, options)
    if word == "yes":
        return Answer(word="yes", measured=share, why=seen)
    if last_worn:
        why = "tooth 6 is up and in wear" + (f" ({seen})" if seen else "")
        return Answer(word="yes", measured=share, why=why)
    if word == "unseen":
        lost = tooth.state in ("missing", "broken")
        return Answer(word="unseen", measured=None, why="its wear cannot be seen", retake=not lost)
    if word == "borderline":
        return Answer(word="borderline", measured=share, why=seen)
    if last.state in ("erupting", "absent"):
        return Answer(word="no", measured=share, why=f"fresh ({seen}) while tooth 6 is not fully up")
    if _unworn(last, options):
        return Answer(
            word="no",
            measured=share,
            why=f"fresh ({seen}), and tooth 6 is up but has no dentine either: just replaced",
        )
    if last.state == "erupted":
        why = f"fresh ({seen}), with tooth 6 up and perhaps just in wear: published keys disagree"
    else:
        why = f"fresh ({seen}), and whether tooth 6 is still coming through cannot be told"
    return Answer(word="borderline", measured=share, why=why)


def _unworn(tooth: ToothEvidence, options: Options) -> bool:
    """The crown shows no dentine: clearly less than what counts as in wear."""
    share = tooth.dentine_share
    return (
        tooth.state in ("erupted", "erupting")
        and share is not None
        and share.value + options.borderline_k * share.u <= options.tooth_6_dentine_share
    )


def _answer_ratio(criterion: Criterion, evidence: RowEvidence, options: Options) -> Answer:
    """Dentine against enamel on the crests that count."""
    tooth = evidence.teeth[criterion.tooth - 1]
    if (nothing := _not_measurable(tooth)) is not None:
        return nothing
    ratio = tooth_ratio(tooth, criterion.lobes, options)
    needed = _need(criterion, options)
    if tooth.state == "erupting" and ratio.value is None:
        return Answer(word="no", measured=None, why="still coming through, so not worn")
    if ratio.value is None:
        if len(ratio.gone) == len(criterion.lobes) or (ratio.gone and options.crests != "both"):
            return Answer(
                word="yes", measured=None, why="no infundibulum is left beside the crest: at least as wide"
            )
        return Answer(word="unseen", measured=None, why="no counted crest could be measured", retake=True)
    seen = f"dentine {with_margin(ratio.value)} times the enamel beside it; {needed}"
    word = _compare(ratio.value, criterion, options)
    if ratio.gone and options.crests != "both" and tooth.state == "erupted":
        gone = f"no infundibulum is left beside lobe {ratio.gone[0]}: at least as wide there; "
        if word == "no":
            return Answer(
                word="borderline", measured=ratio.value, why=f"{gone}the other crest is narrower: {seen}"
            )
        return Answer(word="yes", measured=ratio.value, why=gone + seen)
    if ratio.unmeasured:
        seen += f" (lobe {ratio.unmeasured[0]} could not be measured)"
        open_still = {"mean": False, "either": word != "yes", "both": word != "no"}[options.crests]
        if open_still and word != "borderline":
            return Answer(word="unseen", measured=ratio.value, why=seen, retake=True)
    if word == "borderline":
        return Answer(word=word, measured=ratio.value, why=f"{seen}; too near to tell")
    passes = word == "yes"
    doubts = tuple(
        name
        for name in options.doubt_by_definition
        if name in ratio.by_definition and _passes(ratio.by_definition[name], criterion, options) != passes
    )
    if doubts:
        others = ", ".join(f"{ratio.by_definition[name]:.2f} {DEFINITION_WORDS[name]}" for name in doubts)
        return Answer(
            word="borderline",
            measured=ratio.value,
            why=f"{seen}; but {others}, so it depends on the definition",
            definitions=doubts,
        )
    return Answer(word=word, measured=ratio.value, why=seen)


def _answer_infundibulum(criterion: Criterion, evidence: RowEvidence, options: Options) -> Answer:
    """How much of the infundibulum is left."""
    tooth = evidence.teeth[criterion.tooth - 1]
    if (nothing := _not_measurable(tooth)) is not None:
        return nothing
    left = infundibulum_left(tooth)
    # The hollow of a crown that has met nothing may be covered or closed; wear has not taken it away.
    if tooth.state == "erupting":
        return Answer(word="no", measured=None, why="still coming through, so not worn")
    if _unworn(tooth, options):
        return Answer(word="no", measured=None, why="no dentine shows, so nothing is worn smooth")
    if left is None:
        return Answer(
            word="unseen",
            measured=None,
            why="how much infundibulum is left could not be measured",
            retake=True,
        )
    word = _compare(left, criterion, options)
    why = f"{with_margin(left)} of the infundibulum is left; {_need(criterion, options)}"
    return Answer(word=word, measured=left, why=why + ("; too near to tell" if word == "borderline" else ""))


def infundibulum_left(tooth: ToothEvidence) -> Quantity | None:
    """What is left of the infundibulum: as measured, or 0 where both main crests are without one."""
    if tooth.infundibulum_left is not None:
        return tooth.infundibulum_left
    gone = {crest.lobe for crest in tooth.crests if crest.infundibulum_gone}
    return Quantity(0.0, 0.0) if gone >= {1, 2} else None


_ANSWERS: Final[Mapping[str, Callable[[Criterion, RowEvidence, Options], Answer]]] = {
    "eruption_stage": _answer_stage,
    "lobes": _answer_lobes,
    "dentine_share": _answer_in_wear,
    "ratio": _answer_ratio,
    "infundibulum_left": _answer_infundibulum,
}
