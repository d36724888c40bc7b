"""
The queue and what is asked of it, as frozen values. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

from crestgauge.inference.confirm.geometry import LevelView
from crestgauge.inference.confirm.views import CAUTION, NUMBER, Page, Viewer
from crestgauge.inference.errors import InputError
from crestgauge.inference.ledger.states import CallsState
from crestgauge.inference.rules import Outcome

MAX_PAGE_SIZE: Final = 200
MAX_SEARCH: Final = 64


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
    doubt: float | None = field(metadata=NUMBER)
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
