"""
What a page shows, as frozen values: HTML and JSON are made from the same object. Pure.

`crestgauge.inference.confirm.pages` fills these from a ledger. Text is plain (a template escapes it). Numbers
with an uncertainty come as `Interval`, k = 2. A blind reader gets `BlindJawPage` and `BlindQueuePage`: other
classes, which have no field for anything that the machine or another reader said.

Here is what several pages have in common; `jaw_pages`, `queue_pages` and `station_pages` hold the pages.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, Literal

from crestgauge.inference.json_form import encode
from crestgauge.inference.ledger.states import CallsState
from crestgauge.inference.reading import Side
from crestgauge.inference.rules import Outcome

NUMBER: Final = {"decimals": 4}
PX: Final = {"decimals": 3}
POINT: Final = {"decimals": 2}
"""How many decimals the JSON form keeps of a number, of a width and of a point."""
CAUTION: Final = "A proposal for a trained person to confirm."
ChoiceValue = Literal["confirm", "change", "own", "retake", "leave", "alone", "settle", "withdraw"]


class Page:
    """Base of all pages: one JSON form."""

    __slots__ = ()

    def to_dict(self) -> dict[str, Any]:
        """As plain JSON values; this is what ``.json`` answers."""
        return dict(encode(self, "$", None))


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A measured value with standard uncertainty and its 95 % interval (k = 2, JCGM 100:2008, 6.3.3)."""

    value: float = field(metadata=NUMBER)
    u: float = field(metadata=NUMBER)
    low: float = field(metadata=NUMBER)
    high: float = field(metadata=NUMBER)
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

    low: float = field(default=0.0, metadata=NUMBER)
    high: float = field(default=3.0, metadata=NUMBER)
    one: float = field(default=1.0, metadata=NUMBER)
    ticks: tuple[float, ...] = (0.0, 1.0, 2.0, 3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagView:
    """A flag and the sentence that says what it means."""

    id: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceView:
    """A published source and the place in it."""

    text: str
    where: str


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
