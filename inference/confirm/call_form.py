"""
What a viewer can do with a photo: the choices of the form of a call. Pure.
"""

from __future__ import annotations

import hashlib
import json
from typing import Final

from crestgauge.inference.confirm.corrections import Corrections
from crestgauge.inference.confirm.views import CallForm, CallsView, Choice, Viewer
from crestgauge.inference.ledger.specimen import AGE_CLASSES, COARSE_CLASSES
from crestgauge.inference.reading import Reading

CONFIDENCES: Final = (
    Choice(value="H", label="sure"),
    Choice(value="M", label="fairly sure"),
    Choice(value="L", label="unsure"),
)
REASONS: Final = tuple(
    Choice(value=words, label=words)
    for words in (
        "the bands are not where they were drawn",
        "stain or packed food taken for dentine",
        "a tooth has the wrong number",
        "milk and permanent tooth mixed up",
        "odd wear: a lost or crooked tooth beside it",
        "the jaw in hand shows it differently",
    )
)
_ACTIONS: Final = {
    "confirm": Choice(value="confirm", label="Confirm", key="c"),
    "change": Choice(value="change", label="Another class", key="x"),
    "own": Choice(value="own", label="Keep my call", key="c"),
    "settle": Choice(value="settle", label="Settle", key="s"),
    "retake": Choice(value="retake", label="Ask for a new photo", key="r"),
    "leave": Choice(value="leave", label="Leave for a second reader", key="l"),
    "alone": Choice(value="alone", label="No second reader after all", key="l"),
    "withdraw": Choice(value="withdraw", label="Take my call back", key="u"),
}


def call_form(viewer: Viewer, shown: Reading, calls: CallsView, fingerprint: str) -> CallForm:
    """Of a viewer who sees the reading ``shown`` and the calls as far as they may."""
    own = [call for call in calls.calls if call.own and call.standing]
    if calls.may_settle:
        names = ["settle"]
    else:
        names = ["confirm"] if shown.age_class is not None else []
        names += ["change", "retake", "alone" if calls.asked_by_viewer else "leave"]
    names += ["withdraw"] if own else []
    single, coarse = _classes()
    return CallForm(
        person=viewer.person,
        actions=tuple(_ACTIONS[name] for name in names),
        confirm_class=shown.age_class,
        classes=single,
        coarse_classes=coarse,
        confidences=CONFIDENCES,
        reasons=REASONS,
        own_call=own[-1].call_id if own else None,
        shown=fingerprint,
    )


def blind_form(viewer: Viewer, photo_id: int, *, asked: bool) -> CallForm:
    """Of a blind reader, who sees no proposal to confirm; ``asked``: who wants a second reader already."""
    single, coarse = _classes()
    return CallForm(
        person=viewer.person,
        actions=tuple(_ACTIONS[name] for name in ("own", "retake", "alone" if asked else "leave")),
        confirm_class=None,
        classes=single,
        coarse_classes=coarse,
        confidences=CONFIDENCES,
        reasons=(),
        own_call=None,
        shown=f"blind-{photo_id}",
    )


def _classes() -> tuple[tuple[Choice, ...], tuple[Choice, ...]]:
    """Classes with their digit as key, and coarse classes."""
    single = tuple(Choice(value=name, label=name, key=name[0]) for name in AGE_CLASSES)
    return single, tuple(Choice(value=name, label=name) for name in COARSE_CLASSES)


def fingerprint(reading_id: int, shown: Reading, given: Corrections) -> str:
    """Fingerprint of what a page concluded."""
    said = json.dumps([reading_id, shown.outcome, shown.age_class, shown.possible, given.to_dict()])
    return hashlib.sha256(said.encode()).hexdigest()[:16]
