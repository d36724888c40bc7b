"""
The page of one jaw, as frozen values. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from crestgauge.inference.confirm.corrections import Corrections
from crestgauge.inference.confirm.geometry import LevelView, Place
from crestgauge.inference.confirm.profiles import CrestProfile
from crestgauge.inference.confirm.views import (
    CAUTION,
    NUMBER,
    POINT,
    PX,
    Axis,
    CallForm,
    CallsView,
    FlagView,
    Interval,
    Page,
    PhotoView,
    ReasonView,
    SiblingView,
    SourceView,
    Viewer,
)
from crestgauge.inference.evidence import State
from crestgauge.inference.reading import AccuracyReading, Box, DefinitionRatios, Point, Side
from crestgauge.inference.rules import Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class CrestView:
    """
    One tongue-side crest of teeth 4 to 6 (and any other tooth that has one).

    Parameters
    ----------
    label : str
        ``4 (m1), lobe 1``.
    ratio : Interval or None
        None where there is none; ``words`` then says why.
    against_one : str or None
        The interval against 1: "under", "over" or "across". For shape and pattern, not colour alone.
    beyond_axis : bool
        The value lies past the axis' end (draw an arrow).
    dentine_px, enamel_outer_px, enamel_inner_px : Interval or None
        Median widths. [px]
    dentine_mm, enamel_outer_mm, enamel_inner_mm : Interval or None
        Where there is a scale.
    edges_px : tuple of 4 or None
        Bands about the line, for drawing and dragging; see `CrestProfile.edges_px`.
    place : Place or None
        Middle of the line and direction towards the tongue.
    line : tuple of points
        Front end first. [px]
    profile : CrestProfile or None
        Only where the page was built with the photo's pixels.
    box : (x0, y0, x1, y1) or None
        To zoom to. [px]
    by_person : bool
        A person's widths or mark are in it.
    machine_ratio : Interval or None
        What the machine measured, where ``by_person``.
    counts : bool
        The key counts this crest.
    """

    tooth: int
    name: str
    lobe: int
    label: str
    ratio: Interval | None
    words: str
    against_one: Literal["under", "over", "across"] | None
    beyond_axis: bool
    by_definition: DefinitionRatios
    dentine_px: Interval | None
    enamel_outer_px: Interval | None
    enamel_inner_px: Interval | None
    dentine_mm: Interval | None
    enamel_outer_mm: Interval | None
    enamel_inner_mm: Interval | None
    edges_px: tuple[float, float, float, float] | None = field(metadata=PX)
    place: Place | None
    line: tuple[Point, ...] = field(metadata=POINT)
    profile: CrestProfile | None
    box: Box | None = field(metadata=POINT)
    flags: tuple[FlagView, ...]
    by_person: bool
    machine_ratio: Interval | None
    counts: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothView:
    """One position of the row, with what a person can set."""

    position: int
    name: str
    label: str
    milk: bool | None
    state: State
    lobes: int | None
    box: Box | None = field(metadata=POINT)
    infundibulum_left: Interval | None
    dentine_share: Interval | None
    by_person: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderStep:
    """
    One question of the key.

    Parameters
    ----------
    measured : Interval or None
    needs : str
        ``at least 1``, in the unit of the question.
    answer : str
        yes, no, borderline, unseen, or "unseen, taken as passed".
    then : str
        What follows: ``at least 3.5``, ``2.5``.
    decided : bool
        Here the class was set, or left open.
    beyond : bool
        Asked only to see what else is possible.
    box : Box or None
        The evidence, to zoom to. [px]
    crests : tuple of (tooth, lobe)
        Crests that the answer rests on.
    sources : tuple of SourceView
        Published keys behind the question; empty where the reading was made with criteria that are not at
        hand.
    threshold_source : SourceView or None
    """

    id: str
    question: str
    tooth: int
    tooth_label: str
    measured: Interval | None
    threshold: float = field(metadata=NUMBER)
    needs: str
    answer: str
    why: str
    then: str
    decided: bool
    beyond: bool
    definitions: tuple[str, ...]
    box: Box | None = field(metadata=POINT)
    crests: tuple[tuple[int, int], ...]
    sources: tuple[SourceView, ...]
    threshold_source: SourceView | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CoarseView:
    """A coarse class with published accuracy and its source."""

    id: str
    label: str | None
    possible: tuple[str, ...]
    words: str
    accuracy: tuple[AccuracyReading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineView:
    """The machine's own answer, shown beside a corrected one."""

    headline: str
    outcome: Outcome
    age_class: str | None
    possible: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementView:
    """One measurement that a person made: whose, what, when."""

    measurement_id: int
    person: str
    kind: str
    words: str
    recorded_at: str
    own: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class JawPage(Page):
    """
    One photo with all that was measured and concluded.

    Parameters
    ----------
    corrections : Corrections
        This viewer's standing corrections; what is shown is the answer with them in it.
    machine : MachineView or None
        The machine's answer where the shown one differs by corrections.
    can_correct : bool
        False where no tooth row was found.
    cannot_show : tuple of str
        What this photo, or any photo, cannot show.
    remarks : tuple of str
        Published accuracy of single-year classes and of the ratio, with source.
    disagreement : str
        Other photos of this animal say another class; empty where not.
    """

    kind: Literal["jaw"] = "jaw"
    viewer: Viewer
    photo: PhotoView
    specimen_id: str | None
    reading_id: int
    level: LevelView
    headline: str
    outcome: Outcome
    age_class: str | None
    possible: tuple[str, ...]
    possible_words: str
    deciding: str | None
    side: Side | None
    tilt_deg: Interval | None
    px_per_mm: float | None = field(metadata=NUMBER)
    axis: Axis
    crests: tuple[CrestView, ...]
    teeth: tuple[ToothView, ...]
    ladder: tuple[LadderStep, ...]
    notes: tuple[str, ...]
    retake: tuple[ReasonView, ...]
    coarse: tuple[CoarseView, ...]
    remarks: tuple[str, ...]
    cannot_show: tuple[str, ...]
    corrections: Corrections
    can_correct: bool
    machine: MachineView | None
    measurements: tuple[MeasurementView, ...]
    siblings: tuple[SiblingView, ...]
    disagreement: str
    calls: CallsView
    form: CallForm
    next_photo_id: int | None
    versions: str
    caution: str = CAUTION


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindJawPage(Page):
    """The same photo for a reader who must not know: the picture, and a form. Nothing else exists here."""

    kind: Literal["blind_jaw"] = "blind_jaw"
    viewer: Viewer
    photo: PhotoView
    specimen_id: str | None
    level: LevelView
    sibling_photo_ids: tuple[int, ...]
    form: CallForm
    next_photo_id: int | None
    caution: str = "Your call stands for itself: the tool's proposal is shown after it."
