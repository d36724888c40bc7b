"""
A reading in the form of a page: crests on one axis, the key as a ladder, classes with their published
accuracy. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, Literal

from crestgauge.inference.confirm.corrections import BY_PERSON, Corrections
from crestgauge.inference.confirm.geometry import band_edges, place
from crestgauge.inference.confirm.jaw_pages import CoarseView, CrestView, LadderStep, ToothView
from crestgauge.inference.confirm.profiles import CrestProfile
from crestgauge.inference.confirm.views import Axis, FlagView, Interval, ReasonView, SourceView
from crestgauge.inference.criteria import Criteria, Criterion
from crestgauge.inference.evidence import COVERAGE_FACTOR, Quantity
from crestgauge.inference.explain import METHOD, ExplainedStep, explain
from crestgauge.inference.fit_limits import LIMITS as FIT_LIMITS
from crestgauge.inference.measured import CREST_FLAG_SENTENCES
from crestgauge.inference.overlay import format_ratio
from crestgauge.inference.reading import (
    INFUNDIBULUM_GONE,
    Box,
    CrestReading,
    Reading,
    Retake,
    StepReading,
    ToothReading,
)

FLAG_WORDS: Final[Mapping[str, str]] = {
    **{flag.name.lower(): words for flag, words in CREST_FLAG_SENTENCES.items() if flag.name is not None},
    BY_PERSON: "A person measured or marked this crest.",
}
RETAKE_WORDS: Final[Mapping[str, str]] = {
    "not_a_jaw": "No jaw with a row of teeth was found.",
    "no_chewing_surface": "The chewing surface does not show.",
    "tilted": "The camera did not look straight down.",
    "blurred": "The picture is not sharp enough.",
    "too_small": "The teeth are too small in the picture.",
    "glare": "Light is reflected where the bands should be.",
    "dark": "The picture is too dark.",
    "cut_off": "Part of the row lies outside the picture.",
    "covered": "Something covers the teeth.",
    "two_rows": "Two rows of teeth show, and which one is meant cannot be told.",
    "teeth_unclear": "The teeth cannot be told from each other.",
    "tooth_unseen": "A tooth that the key needs does not show.",
}
ANY_PHOTO: Final = (
    METHOD,
    "A photo does not show age itself: known ages come from tagged animals, and a laboratory can count "
    "cementum layers in an incisor.",
    "A photo does not show what lies under stain, packed food or blood, nor the tooth roots.",
)
NO_RATIO: Final = {
    "gone": "no infundibulum left beside it: counts as at least as wide",
    "unmeasured": "not measured",
}


def interval(quantity: Quantity | None, *, unit: str = "", scale: float = 1.0) -> Interval | None:
    """A value with its 95 % interval, divided by ``scale``."""
    if quantity is None:
        return None
    value, u = quantity.value / scale, quantity.u / scale
    shown, margin = format_ratio(Quantity(value, u))
    return Interval(
        value=value,
        u=u,
        low=value - COVERAGE_FACTOR * u,
        high=value + COVERAGE_FACTOR * u,
        text=f"{shown} {margin}{unit and ' ' + unit}",
    )


def crest_views(
    reading: Reading,
    machine: Reading,
    *,
    axis: Axis,
    criteria: Criteria | None,
    profiles: Mapping[tuple[int, int], CrestProfile] | None = None,
    corrections: Corrections | None = None,
    teeth: Sequence[int] = (4, 5, 6),
) -> tuple[CrestView, ...]:
    """
    Every crest of some teeth.

    Parameters
    ----------
    reading : Reading
        What is shown: the machine's, or the corrected one.
    machine : Reading
        As it was read; lines and places are always its own.
    criteria : Criteria or None
        Tells which crests count; None counts lobes 1 and 2.
    """
    counting = {(4, 1), (4, 2), (5, 1), (5, 2), (6, 1), (6, 2)}
    if criteria is not None:
        counting = {(c.tooth, lobe) for c in criteria.key if c.quantity == "ratio" for lobe in c.lobes}
    # Of edges drawn at several places, those nearest to the middle are shown.
    placed = sorted(corrections.edges, key=lambda e: -abs(e.at - 0.5)) if corrections else []
    drawn = {(e.tooth, e.lobe): e.edges_px for e in placed}
    found = []
    for tooth, before in zip(reading.teeth, machine.teeth, strict=True):
        if tooth.position not in teeth:
            continue
        own = {crest.lobe: crest for crest in tooth.crests}
        for crest in before.crests:
            key = (tooth.position, crest.lobe)
            view = _crest(machine, before, crest, own.get(crest.lobe), axis, reading.px_per_mm)
            profile = (profiles or {}).get(key)
            if profile is not None and profile.edges_px is not None and not view.by_person:
                view = replace(view, edges_px=profile.edges_px)
            found.append(
                replace(
                    view,
                    profile=profile,
                    edges_px=drawn.get(key, view.edges_px),
                    counts=key in counting and crest.lobe in own,
                )
            )
    return tuple(found)


def _crest(
    machine: Reading,
    tooth: ToothReading,
    before: CrestReading,
    now: CrestReading | None,
    axis: Axis,
    px_per_mm: float | None,
) -> CrestView:
    """
    One crest: the machine's line, the widths as they stand now (None: its tooth has no crests any more).
    """
    shown = now or replace(before, ratio=None, dentine_px=None, enamel_outer_px=None, enamel_inner_px=None)
    changed = now is None or BY_PERSON in shown.flags
    words = ""
    if shown.ratio is None:
        words = NO_RATIO["gone" if now is not None and INFUNDIBULUM_GONE in shown.flags else "unmeasured"]
    widths = (shown.dentine_px, shown.enamel_outer_px, shown.enamel_inner_px)
    px = [interval(width, unit="px") for width in widths]
    mm = [interval(width, unit="mm", scale=px_per_mm) if px_per_mm else None for width in widths]
    ratio = interval(shown.ratio)
    against: Literal["under", "over", "across"] | None = None
    if ratio is not None:
        against = "over" if ratio.low >= axis.one else "under" if ratio.high < axis.one else "across"
    return CrestView(
        tooth=tooth.position,
        name=tooth.name,
        lobe=before.lobe,
        label=f"{tooth.position} ({tooth.name}), lobe {before.lobe}",
        ratio=ratio,
        words=words,
        against_one=against,
        beyond_axis=ratio is not None and ratio.value > axis.high,
        by_definition=shown.ratio_by_definition,
        dentine_px=px[0],
        enamel_outer_px=px[1],
        enamel_inner_px=px[2],
        dentine_mm=mm[0],
        enamel_outer_mm=mm[1],
        enamel_inner_mm=mm[2],
        edges_px=band_edges(shown) or band_edges(before),
        place=place(machine, tooth, before),
        line=before.line,
        profile=None,
        box=_round_line(before),
        flags=tuple(FlagView(id=flag, words=FLAG_WORDS.get(flag, flag)) for flag in shown.flags),
        by_person=changed,
        machine_ratio=interval(before.ratio) if changed else None,
        counts=True,
    )


def _round_line(crest: CrestReading) -> Box | None:
    """A box round a crest's line with its bands."""
    if not crest.line:
        return None
    edges = band_edges(crest)
    room = 12.0 if edges is None else 1.5 * max(edges[0], -edges[3])
    xs, ys = [x for x, _ in crest.line], [y for _, y in crest.line]
    return (min(xs) - room, min(ys) - room, max(xs) + room, max(ys) + room)


def tooth_views(reading: Reading, corrections: Corrections) -> tuple[ToothView, ...]:
    """The six positions."""
    marked = {mark.tooth for mark in corrections.teeth}
    return tuple(
        ToothView(
            position=tooth.position,
            name=tooth.name,
            label=f"Tooth {tooth.position} ({tooth.name})",
            milk=tooth.milk,
            state=tooth.state,
            lobes=tooth.lobes,
            box=tooth.box,
            infundibulum_left=_left(tooth),
            dentine_share=interval(tooth.dentine_share),
            by_person=tooth.position in marked,
        )
        for tooth in reading.teeth
    )


def _left(tooth: ToothReading) -> Interval | None:
    if tooth.infundibulum_left is None or tooth.infundibulum_left_u is None:
        return None
    return interval(Quantity(tooth.infundibulum_left, tooth.infundibulum_left_u))


def ladder(reading: Reading, criteria: Criteria | None) -> tuple[LadderStep, ...]:
    """
    The key as it was walked.

    Parameters
    ----------
    criteria : Criteria or None
        Those that the reading names, for sources; None where they are not at hand.
    """
    key = {criterion.id: criterion for criterion in criteria.key} if criteria else {}
    words = {step.id: step for step in explain(reading).steps}
    return tuple(_rung(reading, step, words[step.id], key.get(step.id)) for step in reading.steps)


def _rung(
    reading: Reading, step: StepReading, words: ExplainedStep, criterion: Criterion | None
) -> LadderStep:
    tooth = reading.teeth[step.tooth - 1] if reading.teeth else None
    lobes = criterion.lobes if criterion is not None else ()
    return LadderStep(
        id=step.id,
        question=step.question,
        tooth=step.tooth,
        tooth_label=words.tooth,
        measured=interval(step.measured),
        threshold=step.threshold,
        needs=_needs(step, criterion),
        answer=words.answer,
        why=step.why,
        then=words.then,
        decided=words.decided,
        beyond=words.beyond,
        definitions=step.definitions,
        box=None if tooth is None else tooth.box,
        crests=tuple(
            (step.tooth, crest.lobe)
            for crest in (tooth.crests if tooth is not None else ())
            if crest.lobe in lobes
        ),
        sources=tuple(SourceView(text=s.text, where=s.where) for s in criterion.source) if criterion else (),
        threshold_source=(
            SourceView(text=criterion.threshold_source.text, where=criterion.threshold_source.where)
            if criterion
            else None
        ),
    )


_STAGES: Final = ("not through", "coming through", "up")


def _needs(step: StepReading, criterion: Criterion | None) -> str:
    """The threshold in words: ``at least 1``; a stage by its name, a count with its noun."""
    if criterion is None:
        return f"limit {step.threshold:g}"
    words = {"at_least": "at least", "at_most": "at most", "more_than": "more than"}[criterion.comparison]
    value = f"{step.threshold:g}"
    if criterion.quantity == "eruption_stage" and step.threshold in (0, 1, 2):
        return f"{words}: {_STAGES[int(step.threshold)]}"
    return f"{words} {value} lobes" if criterion.quantity == "lobes" else f"{words} {value}"


def coarse_views(reading: Reading) -> tuple[CoarseView, ...]:
    """The coarse classes with what was published on them."""
    return tuple(
        CoarseView(
            id=name,
            label=coarse.label,
            possible=coarse.possible,
            words=coarse.words,
            accuracy=coarse.accuracy,
        )
        for name, coarse in reading.coarse.items()
    )


def remarks(criteria: Criteria | None) -> tuple[str, ...]:
    """What was published on single-year classes and on the ratio, each with its source."""
    if criteria is None:
        return ()
    return tuple(
        f"{r.words}: {r.accuracy.percent:g} % {r.accuracy.of} "
        f"[{r.accuracy.source.text}; {r.accuracy.source.where}]."
        for r in criteria.remarks
    )


def reasons(retake: Sequence[Retake | Mapping[str, Any]]) -> tuple[ReasonView, ...]:
    """Why a photo is refused; also from the plain JSON of a reading."""
    found = []
    for item in retake:
        if isinstance(item, Retake):
            reason, measured, limit, advice = item.reason, item.measured, item.limit, item.advice
        else:
            reason, measured = item["reason"], item.get("measured")
            limit, advice = item.get("limit"), item["advice"]
        words = RETAKE_WORDS.get(reason, reason.replace("_", " ").capitalize() + ".")
        if measured is not None and limit is not None:
            words = f"{words[:-1]} (measured {measured:.3g}, limit {limit:.3g})."
        found.append(ReasonView(reason=reason, words=words, advice=advice))
    return tuple(found)


def cannot_show(reading: Reading) -> tuple[str, ...]:
    """What this photo, and any photo, cannot show."""
    found = []
    if reading.px_per_mm is None:
        found.append("Nothing in this photo gives a scale, so widths are in pixels; ratios need none.")
    for tooth in reading.teeth:
        label = f"Tooth {tooth.position} ({tooth.name})"
        if tooth.state == "unseen":
            found.append(f"{label} cannot be seen.")
        elif tooth.state in ("missing", "broken"):
            found.append(f"{label} is {tooth.state}, so it says nothing of wear.")
        elif (
            tooth.position >= 4
            and tooth.crests
            and all(c.ratio is None and INFUNDIBULUM_GONE not in c.flags for c in tooth.crests)
        ):
            found.append(f"No crest of {label[0].lower()}{label[1:]} could be measured.")
    if reading.tilt_deg is not None and math.isfinite(reading.tilt_deg.value):
        wide = reading.tilt_deg.value + reading.tilt_deg.margin
        if wide > FIT_LIMITS.caution_tilt_deg:
            found.append(
                f"The camera stood {reading.tilt_deg.value:.0f} ± {reading.tilt_deg.margin:.0f} degrees off "
                "square; bands on slopes look narrower or wider than they are."
            )
    return (*found, *ANY_PHOTO)
