"""
What a page shows, as frozen values: HTML and JSON are made from the same object. Pure.

`crestgauge.inference.confirm.pages` fills these from a ledger. Text is plain (a template escapes it). Numbers
with an uncertainty come as `Interval`, k = 2. A blind reader gets `BlindJawPage` and `BlindQueuePage`: other
classes, which have no field for anything that the machine or another reader said.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, Literal

from crestgauge.inference.confirm.corrections import Corrections
from crestgauge.inference.confirm.geometry import LevelView, Place
from crestgauge.inference.confirm.profiles import CrestProfile
from crestgauge.inference.errors import InputError
from crestgauge.inference.evidence import State
from crestgauge.inference.json_form import encode
from crestgauge.inference.ledger.states import CallsState
from crestgauge.inference.reading import AccuracyReading, Box, DefinitionRatios, Point, Side
from crestgauge.inference.rules import Outcome

_NUMBER, _PX, _POINT = {"decimals": 4}, {"decimals": 3}, {"decimals": 2}
MAX_PAGE_SIZE: Final = 200
MAX_SEARCH: Final = 64
CAUTION: Final = "A proposal for a trained person to confirm."

ChoiceValue = Literal["confirm", "change", "own", "retake", "leave", "settle", "withdraw"]


class Page:
    """Base of all pages: one JSON form."""

    __slots__ = ()

    def to_dict(self) -> dict[str, Any]:
        """As plain JSON values; this is what ``.json`` answers."""
        return dict(encode(self, "$", None))


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A measured value with standard uncertainty and its 95 % interval (k = 2, JCGM 100:2008, 6.3.3)."""

    value: float = field(metadata=_NUMBER)
    u: float = field(metadata=_NUMBER)
    low: float = field(metadata=_NUMBER)
    high: float = field(metadata=_NUMBER)
    text: str
    """``0.93 ± 0.16``: value and 2 u."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Viewer:
    """
    Who looks.

    Parameters
    ----------
    person : str
        Name as given once per session; empty = not named yet (may look, may not call).
    blind : bool
        Hide proposal, ratios and other readers until this person has called.
    readers_wanted : int
        1, or 2 where every photo of the session is to be read twice.
    """

    person: str = ""
    blind: bool = False
    readers_wanted: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoView:
    """The photo: row in the ledger, hash, file name without folder, size of the upright picture. [px]"""

    photo_id: int
    sha256: str
    file: str
    width: int
    height: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """The common axis of all ratios; ``one`` is where dentine is as wide as enamel."""

    low: float = field(default=0.0, metadata=_NUMBER)
    high: float = field(default=3.0, metadata=_NUMBER)
    one: float = field(default=1.0, metadata=_NUMBER)
    ticks: tuple[float, ...] = (0.0, 1.0, 2.0, 3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagView:
    """A flag and the sentence that says what it means."""

    id: str
    words: str


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
    edges_px: tuple[float, float, float, float] | None = field(metadata=_PX)
    place: Place | None
    line: tuple[Point, ...] = field(metadata=_POINT)
    profile: CrestProfile | None
    box: Box | None = field(metadata=_POINT)
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
    box: Box | None = field(metadata=_POINT)
    infundibulum_left: Interval | None
    dentine_share: Interval | None
    by_person: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceView:
    """A published source and the place in it."""

    text: str
    where: str


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
    threshold: float = field(metadata=_NUMBER)
    needs: str
    answer: str
    why: str
    then: str
    decided: bool
    beyond: bool
    definitions: tuple[str, ...]
    box: Box | None = field(metadata=_POINT)
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
class ReasonView:
    """Why a photo is refused: reason id, value, limit and what to do."""

    reason: str
    words: str
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SiblingView:
    """Another photo of the same animal."""

    photo_id: int
    file: str
    side: Side | None
    outcome: Outcome
    age_class: str | None
    possible: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CallView:
    """
    One call, as far as this viewer may see it.

    ``standing`` is False for a call that was replaced or withdrawn; ``own`` is the viewer's.
    """

    call_id: int
    person: str
    decision: str
    age_class: str | None
    confidence: str | None
    reason: str | None
    saw: str
    recorded_at: str
    own: bool
    standing: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CallsView:
    """
    Where the calls of a photo stand.

    Parameters
    ----------
    state : CallsState
        See `crestgauge.inference.ledger.states.CallsState`.
    words : str
        The same in a sentence, without giving away what is hidden.
    calls : tuple of CallView
        What this viewer may see, oldest first.
    hidden : int
        Calls that are there but hidden until both readers have called.
    may_settle : bool
        This viewer may settle (two others disagree).
    final : str or None
        The class that stands when all is done ("none" where the readers give none); None before, or while
        hidden.
    second_wanted, asked_by_viewer : bool
        Two readers are wanted for this photo; this viewer asked for it.
    """

    state: CallsState
    words: str
    calls: tuple[CallView, ...]
    hidden: int
    may_settle: bool
    final: str | None
    second_wanted: bool
    asked_by_viewer: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One thing that can be chosen; ``key`` is its keyboard key."""

    value: str
    label: str
    key: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CallForm:
    """
    What this viewer can do now; the fields of the form are those of
    `crestgauge.inference.confirm.calls.CallInput`.

    Parameters
    ----------
    actions : tuple of Choice
        Of `ChoiceValue`. "confirm" only where a class is proposed and shown.
    confirm_class : str or None
        The class that "confirm" would confirm (of the corrected reading, where there are corrections).
    classes, coarse_classes : tuple of Choice
        For "change", "own" and "settle".
    reasons : tuple of Choice
        Ready reasons for "change"; free words do as well, and one of them is needed.
    own_call : int or None
        The viewer's standing call: a new one replaces it.
    shown : str
        Fingerprint of what was shown; comes back with the form, so that a call never confirms something else.
    """

    person: str
    actions: tuple[Choice, ...]
    confirm_class: str | None
    classes: tuple[Choice, ...]
    coarse_classes: tuple[Choice, ...]
    confidences: tuple[Choice, ...]
    reasons: tuple[Choice, ...]
    own_call: int | None
    shown: str


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
    px_per_mm: float | None = field(metadata=_NUMBER)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueAsk:
    """
    What part of the queue is wanted.

    Parameters
    ----------
    outcomes : tuple of Outcome
        Heaps, in this order.
    todo : "mine", "second", "disagree", "done" or "all"
        mine: what this viewer can still call. second: a second reader is wanted. disagree: to be settled.
        done: called by this viewer. all: everything.
    age_class : str or None
        Proposed class.
    search : str
        Part of a specimen id.
    page : int
        From 1.
    page_size : int
        1..200.

    Raises
    ------
    InputError
        If a value is outside its range.
    """

    outcomes: tuple[Outcome, ...] = ("borderline", "retake", "clear")
    todo: Literal["mine", "second", "disagree", "done", "all"] = "mine"
    age_class: str | None = None
    search: str = ""
    page: int = 1
    page_size: int = 50

    def __post_init__(self) -> None:
        for name, found, allowed in (
            ("outcomes", self.outcomes, ("borderline", "retake", "clear")),
            ("todo", (self.todo,), ("mine", "second", "disagree", "done", "all")),
        ):
            if not set(found) <= set(allowed) or len(set(found)) != len(found):
                raise InputError(f"queue: {name} {found}; needs some of {', '.join(allowed)}.")
        if self.page < 1 or not 1 <= self.page_size <= MAX_PAGE_SIZE or len(self.search) > MAX_SEARCH:
            raise InputError(
                f"queue: page {self.page} of {self.page_size}; needs a page from 1 on, of 1 to "
                f"{MAX_PAGE_SIZE} photos, and at most {MAX_SEARCH} characters to search for."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueRow:
    """
    One photo in the queue.

    Parameters
    ----------
    words : str
        The step that decided, or why the photo is refused.
    doubt : float or None
        `crestgauge.inference.ledger.doubt`.
    level : LevelView
        For a thumbnail turned level.
    calls : CallsState
        Without whose and what.
    own_call : str or None
        The viewer's own standing call: its class, or "none".
    """

    photo_id: int
    sha256: str
    file: str
    specimen_id: str | None
    outcome: Outcome
    age_class: str | None
    possible: tuple[str, ...]
    words: str
    doubt: float | None = field(metadata=_NUMBER)
    level: LevelView
    calls: CallsState
    own_call: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeapView:
    """One heap: photos that this viewer can still call, and all."""

    outcome: Outcome
    to_do: int
    total: int


@dataclass(frozen=True, slots=True, kw_only=True)
class QueuePage(Page):
    """What needs an eye first: borderline, then retake, then clear; most doubtful first in each."""

    kind: Literal["queue"] = "queue"
    viewer: Viewer
    ask: QueueAsk
    rows: tuple[QueueRow, ...]
    total: int
    pages: int
    heaps: tuple[HeapView, ...]
    failures: int
    classes: tuple[str, ...]
    caution: str = CAUTION


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindQueueRow:
    """One photo for a blind reader."""

    photo_id: int
    sha256: str
    specimen_id: str | None
    level: LevelView
    done: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindQueuePage(Page):
    """
    All photos in the order of their content hash, which knows nothing of readings; search and paging only.
    """

    kind: Literal["blind_queue"] = "blind_queue"
    viewer: Viewer
    search: str
    todo: Literal["mine", "done", "all"]
    page: int
    page_size: int
    rows: tuple[BlindQueueRow, ...]
    total: int
    pages: int
    done: int
    all: int
    caution: str = "You are reading blind: proposals are hidden until you have called."


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenFact:
    """A recorded fact of an animal, in words."""

    label: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenPage(Page):
    """
    One animal: what is recorded of it, its photos, its calls. A blind viewer gets facts and calls empty.
    """

    kind: Literal["specimen"] = "specimen"
    viewer: Viewer
    specimen_id: str
    known: bool
    facts: tuple[SpecimenFact, ...]
    photos: tuple[SiblingView, ...]
    photo_ids: tuple[int, ...]
    disagreement: str
    calls: tuple[CallView, ...]
    caution: str = CAUTION


@dataclass(frozen=True, slots=True, kw_only=True)
class NewJawPage(Page):
    """
    Taking a picture at the station.

    Parameters
    ----------
    formats : tuple of str
        Names of formats that are read.
    accept : str
        For the file input's ``accept``.
    stages : tuple of str
        What happens after the picture is sent, in order, for a progress indication.
    guide : tuple of str
        How to take the photo.
    cautions : tuple of str
        Gloves, cuts, disease.
    """

    kind: Literal["new_jaw"] = "new_jaw"
    viewer: Viewer
    specimen_id: str
    max_bytes: int
    formats: tuple[str, ...]
    accept: str
    stages: tuple[str, ...]
    guide: tuple[str, ...]
    cautions: tuple[str, ...]
    error: str = ""
    caution: str = CAUTION


@dataclass(frozen=True, slots=True, kw_only=True)
class RetakeMessage(Page):
    """The text to send to whoever sent the photo, made from the shipped template."""

    kind: Literal["retake_message"] = "retake_message"
    photo_id: int
    specimen_id: str | None
    text: str
    reasons: tuple[ReasonView, ...]
