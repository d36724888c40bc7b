"""
Filing what a person decided: calls, requests for a second reader, settlements, corrections. Edge module:
writes to a ledger.

Everything is a new row. Undoing is a new row too. What the person had seen is written with each call.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from crestgauge.inference.confirm.corrections import Corrections
from crestgauge.inference.confirm.views import BlindJawPage, CallsView, ChoiceValue, JawPage, Viewer
from crestgauge.inference.ledger.store import Ledger

MAX_PERSON: Final = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class CallInput:
    """
    What came with the form.

    Parameters
    ----------
    action : ChoiceValue
        confirm: the class shown. change: another class, with a reason. own: a class decided blind. retake: no
        class from this photo. leave: for a second reader (no call). settle: a third reader's class between
        two that disagree. withdraw: takes back the own standing call.
    age_class : str or None
        For change, own and settle: a class or coarse class. For confirm: ignored where None, else must be the
        class shown.
    reason : str
        Needed for change and settle.
    confidence : str or None
        H, M or L.
    experience : str or None
        Free words on the reader, for example "20 seasons".
    shown : str
        `CallForm.shown` of the page that the form stood on; "" skips the check (an API without a page).
    """

    action: ChoiceValue
    age_class: str | None = None
    reason: str = ""
    confidence: str | None = None
    experience: str | None = None
    shown: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filed:
    """What was written: the call's row (None for "leave"), and one sentence for the person."""

    call_id: int | None
    words: str


def person_name(text: str) -> str:
    """
    A reader's name with its spaces put in order.

    Raises
    ------
    InputError
        If it is empty, longer than `MAX_PERSON`, or has control characters.
    """
    raise NotImplementedError


def same_person(first: str, second: str) -> bool:
    """Whether two names are one reader: letter case and spaces do not count."""
    raise NotImplementedError


def file_call(ledger: Ledger, viewer: Viewer, page: JawPage | BlindJawPage, given: CallInput) -> Filed:
    """
    File a decision about the photo of ``page`` (built for ``viewer`` just now, from the same ledger).

    The call says what was seen: "photo" for a blind page, "proposal" otherwise; ``saw_detail`` names reading,
    class shown, corrections and versions. A standing call of the same reader is replaced.

    Raises
    ------
    InputError
        If the viewer has no name, the action is not among the form's, the class is no class, a reason is
        missing, or the page shows something else than the form stood on (``shown``).
    LedgerError
        If another window of the same reader was faster.
    """
    raise NotImplementedError


def file_corrections(ledger: Ledger, viewer: Viewer, reading_id: int, wanted: Corrections) -> int:
    """
    Make the viewer's standing corrections of a reading equal to ``wanted``: one new row for each part that
    changed, a "taken back" row for each part that is gone.

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    InputError
        If the viewer has no name or is blind, or the corrections do not fit the reading.
    """
    raise NotImplementedError


def calls_view(ledger: Ledger, viewer: Viewer, photo_id: int) -> CallsView:
    """
    Where the calls of a photo stand, as far as this viewer may know.

    With two readers wanted, nobody sees another's call until both have called. A blind viewer sees no call
    but their own until they have called themselves.
    """
    raise NotImplementedError
