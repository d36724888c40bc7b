"""
Filing what a person decided: calls, requests for a second reader, settlements, corrections. Edge module:
writes to a ledger.

Everything is a new row. Undoing is a new row too. What the person had seen is written with each call.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from crestgauge.inference.confirm.corrected import corrected
from crestgauge.inference.confirm.corrections import Corrections, Part, from_parts, parts_of
from crestgauge.inference.confirm.jaw_pages import BlindJawPage, JawPage
from crestgauge.inference.confirm.views import CallsView, CallView, ChoiceValue, Viewer
from crestgauge.inference.errors import InputError
from crestgauge.inference.ledger.measurements import (
    Measurement,
    locked_measurements,
    measurements_of,
    put_measurement,
)
from crestgauge.inference.ledger.queries import reading_of
from crestgauge.inference.ledger.readers import (
    Row,
    add_settlement,
    calls_of,
    known_spelling,
    requests_of,
    settlement_of,
    unwant_second,
    want_second,
)
from crestgauge.inference.ledger.record import Call, add_call
from crestgauge.inference.ledger.states import NO_CLASS, PhotoCalls
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.reading import Reading

MAX_PERSON: Final = 120
METHOD: Final = "review page"
OWN_MEASUREMENT: Final = "own measurement on the photo"


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
    """What was written: the call's row (None for "leave" and "alone"), and one sentence for the person."""

    call_id: int | None
    words: str


def person_name(text: str) -> str:
    """
    A reader's name with its spaces put in order.

    Raises
    ------
    InputError
        If it is empty, longer than `MAX_PERSON`, or has characters that do not print.
    """
    name = " ".join(text.split())
    if not 1 <= len(name) <= MAX_PERSON or not name.isprintable():
        raise InputError(
            f"name {name[:40]!r}: needs 1 to {MAX_PERSON} characters that print. Give the name or initials "
            "under which your calls are to be kept."
        )
    return name


def same_person(first: str, second: str) -> bool:
    """Whether two names are one reader: letter case and spaces do not count."""
    return " ".join(first.split()).casefold() == " ".join(second.split()).casefold()


def reader(ledger: Ledger, text: str) -> str:
    """A name as it is to be used in a session: in order, and spelled as the ledger has it where it has it."""
    return known_spelling(ledger, person_name(text))


def file_call(ledger: Ledger, viewer: Viewer, page: JawPage | BlindJawPage, given: CallInput) -> Filed:
    """
    File a decision about the photo of ``page`` (built for ``viewer`` just now, from the same ledger).

    The call says what was seen: "photo" for a blind page, "proposal" otherwise; ``saw_detail`` names reading,
    class shown, corrections and versions as JSON. A standing call of the same reader is replaced.

    Raises
    ------
    InputError
        If the viewer has no name, the action is not among the form's, the class is no class, a reason is
        missing, or the page shows something else than the form stood on (``shown``).
    LedgerError
        If another window of the same reader was faster.
    """
    person = reader(ledger, viewer.person)
    offered = [choice.value for choice in page.form.actions]
    if given.action not in offered:
        raise InputError(f"call: {given.action!r} cannot be chosen here; needs one of {', '.join(offered)}.")
    if given.shown and given.shown != page.form.shown:
        raise InputError(
            "call: the page has changed since it was loaded (another reading, or other corrections). "
            "Look at it again before you call."
        )
    photo = page.photo.photo_id
    if given.action == "leave":
        want_second(ledger, photo, person, why=given.reason.strip() or None)
        return Filed(call_id=None, words="Left for a second reader.")
    if given.action == "alone":
        for request in own_requests(ledger, person, photo):
            unwant_second(ledger, request["id"], request["person"], why=given.reason.strip() or None)
        return Filed(call_id=None, words="No second reader is asked for any more.")
    call = _call(page, person, given)
    replaces = page.form.own_call
    if given.action == "withdraw" and replaces is None:
        raise InputError("call: there is no call of yours to take back.")
    call_id = add_call(ledger, call, replaces=replaces, alone=True)
    if given.action == "settle":
        first, second = _between(ledger, photo, person)
        add_settlement(ledger, photo, person, call_id=call_id, between=(first, second))
    words = {
        "withdraw": "Your call is taken back; it stays in the record as such.",
        "retake": "Kept: no class from this photo.",
        "settle": f"Settled: {call.age_class}.",
    }.get(given.action, f"Kept: {call.age_class}, {call.decision}.")
    return Filed(call_id=call_id, words=words)


def _call(page: JawPage | BlindJawPage, person: str, given: CallInput) -> Call:
    """The row to add."""
    reason = given.reason.strip()
    shown = page.form.confirm_class
    allowed = [choice.value for choice in (*page.form.classes, *page.form.coarse_classes)]
    age_class: str | None = None
    decision = "none"
    if given.action == "confirm":
        if given.age_class not in (None, "", shown):
            raise InputError(f"call: confirms {given.age_class}, but the page proposes {shown}. Look again.")
        age_class, decision = shown, "confirmed"
        machine = page.machine.age_class if isinstance(page, JawPage) and page.machine else shown
        if machine != shown:
            decision, reason = "changed", reason or OWN_MEASUREMENT
    elif given.action in ("change", "own", "settle"):
        if given.age_class not in allowed:
            raise InputError(f"call: class {given.age_class!r}; needs one of {', '.join(allowed)}.")
        age_class = given.age_class
        decision = "own" if given.action == "own" else "changed"
        if given.action == "settle" and age_class == shown:
            decision = "confirmed"
        if given.action == "change" and age_class == shown:
            raise InputError(f"call: {age_class} is the class proposed. Confirm it, or choose another one.")
        if given.action != "own" and not reason:
            raise InputError("call: needs a reason in a few words, for whoever reads the record later.")
    elif given.action == "withdraw":
        decision = "withdrawn"
    else:
        reason = f"retake: {reason}" if reason else "retake"
    blind = isinstance(page, BlindJawPage)
    return Call(
        person=person,
        decision=decision,
        age_class=age_class,
        specimen_id=page.specimen_id,
        photo_id=page.photo.photo_id,
        reading_id=None if isinstance(page, BlindJawPage) else page.reading_id,
        experience=(given.experience or "").strip() or None,
        confidence=given.confidence or None,
        saw="photo" if blind else "proposal",
        saw_detail=json.dumps(_saw(page), separators=(",", ":")),
        method=METHOD,
        reason=reason or None,
    )


def _saw(page: JawPage | BlindJawPage) -> dict[str, Any]:
    """What was on the page, for the record."""
    if isinstance(page, BlindJawPage):
        return {"blind": True}
    others = [call for call in page.calls.calls if not call.own]
    return {
        "blind": False,
        "reading": page.reading_id,
        "shown": page.age_class,
        "possible": list(page.possible),
        "machine": page.machine.age_class if page.machine else page.age_class,
        "corrections": len(parts_of(page.corrections)),
        "others_calls": len(others),
        "versions": page.versions,
    }


def _between(ledger: Ledger, photo_id: int, person: str) -> tuple[int, int]:
    """The two calls that a third reader settles: the newest standing ones of the first two other readers."""
    rows = calls_of(ledger, photo_id)
    newest = {row["person"]: row["id"] for row in rows if row["standing"]}
    first, second = [newest[other] for other in _readers(rows) if other != person][:2]
    return first, second


def _readers(rows: Sequence[Row]) -> tuple[str, ...]:
    """Readers with a standing call, in the order of the first call they ever made."""
    standing = {row["person"] for row in rows if row["standing"]}
    return tuple(dict.fromkeys(row["person"] for row in rows if row["person"] in standing))


def stored_corrections(ledger: Ledger, viewer: Viewer, reading_id: int) -> Corrections:
    """What this viewer has corrected of a reading, as it stands."""
    own = [row for row in measurements_of(ledger, reading_id) if same_person(row["person"], viewer.person)]
    return from_parts((row["kind"], row["value"]) for row in own)


def file_corrections(ledger: Ledger, viewer: Viewer, reading_id: int, wanted: Corrections) -> int:
    """
    Make the viewer's standing corrections of a reading equal to ``wanted``: one new row for each part that
    changed, a "taken back" row for each part that is gone.

    Whether a blind viewer may correct (they may, once they have called) is decided where the page is built.

    Returns
    -------
    int
        Rows written, all in one transaction.

    Raises
    ------
    InputError
        If the viewer has no name, or the corrections do not fit the reading.
    LedgerError
        If the reading is not there.
    """
    person = reader(ledger, viewer.person)
    corrected(Reading.from_dict(reading_of(ledger, reading_id)), wanted)
    with ledger.writing() as connection:
        changes = _changes(locked_measurements(connection, reading_id, person), reading_id, person, wanted)
        for measurement, replaces in changes:
            put_measurement(connection, ledger, measurement, replaces=replaces)
    return len(changes)


def _changes(
    rows: Sequence[Row], reading_id: int, person: str, wanted: Corrections
) -> list[tuple[Measurement, int | None]]:
    """Rows to add, each with the row it replaces, so that what stands in ``rows`` becomes what is wanted."""
    standing: dict[tuple[object, ...], tuple[int, Part]] = {}
    for row in rows:
        part = Part(kind=row["kind"], tooth=row["tooth"], lobe=row["lobe"], value=row["value"])
        standing[part.key] = (row["id"], part)
    changes: list[tuple[Measurement, int | None]] = []
    for part in parts_of(wanted):
        old = standing.pop(part.key, None)
        if old is None or old[1].value != part.value:
            changes.append((_row(reading_id, person, part), None if old is None else old[0]))
    # What is gone comes first: a mark that follows edges then has the later row.
    gone = [(_row(reading_id, person, part, gone=True), row) for row, part in standing.values()]
    return [*gone, *changes]


def _row(reading_id: int, person: str, part: Part, *, gone: bool = False) -> Measurement:
    return Measurement(
        reading_id=reading_id,
        person=person,
        kind=part.kind,
        tooth=part.tooth,
        lobe=part.lobe,
        value=None if gone else part.value,
    )


def own_requests(ledger: Ledger, person: str, photo_id: int) -> list[Row]:
    """The standing requests of one reader for a second one."""
    return [row for row in requests_of(ledger, photo_id) if same_person(row["person"], person)]


def has_called(ledger: Ledger, person: str, photo_id: int) -> bool:
    """Whether a reader ever called a photo, also where the call was replaced or taken back since."""
    return any(same_person(row["person"], person) for row in calls_of(ledger, photo_id))


def calls_view(ledger: Ledger, viewer: Viewer, photo_id: int) -> CallsView:
    """
    Where the calls of a photo stand, as far as this viewer may know.

    With two readers wanted, nobody sees another's call until both have called. A blind viewer sees no call
    but their own until they have called themselves.
    """
    rows = calls_of(ledger, photo_id)
    settlement = settlement_of(ledger, photo_id)
    standing = [row for row in rows if row["standing"]]
    newest = {row["person"]: row["age_class"] or NO_CLASS for row in standing}
    photo = PhotoCalls(
        classes={person: newest[person] for person in _readers(rows)},
        asked=[row["person"] for row in requests_of(ledger, photo_id)],
        settled=settlement is not None,
    )
    state = photo.state(viewer.readers_wanted)
    own = {row["person"] for row in rows if same_person(row["person"], viewer.person)}
    open_to = state != "second_wanted" and (bool(own) or not viewer.blind)
    seen = tuple(
        CallView(
            call_id=row["id"],
            person=row["person"],
            decision=row["decision"],
            age_class=row["age_class"],
            confidence=row["confidence"],
            reason=row["reason"],
            saw=row["saw"],
            recorded_at=row["recorded_at"],
            own=row["person"] in own,
            standing=row["standing"],
        )
        for row in rows
        if open_to or row["person"] in own
    )
    first_two = list(photo.classes)[:2]
    may_settle = state == "disagree" and not any(same_person(p, viewer.person) for p in first_two)
    return CallsView(
        state=state,
        words=_words(state, photo, bool(own)),
        calls=seen,
        hidden=0 if open_to else sum(row["person"] not in own for row in standing),
        may_settle=may_settle and open_to,
        final=_final(state, photo, standing, settlement) if open_to else None,
        second_wanted=bool(photo.asked) or viewer.readers_wanted > 1,
        asked_by_viewer=any(same_person(p, viewer.person) for p in photo.asked),
    )


def _final(state: str, photo: PhotoCalls, standing: Sequence[Any], settlement: Any) -> str | None:
    if state in ("one", "agreed"):
        return next(iter(photo.classes.values()))
    if state == "settled" and settlement is not None:
        rows = [row for row in standing if row["id"] == settlement["call_id"]]
        return str(rows[0]["age_class"]) if rows and rows[0]["age_class"] else None
    return None


def _words(state: str, photo: PhotoCalls, own: bool) -> str:
    """The state in a sentence that gives away nothing of others' calls."""
    if state == "second_wanted":
        if own:
            return "You have called; a second reader has not yet. Neither sees the other's call before."
        return "A second reader is wanted. Calls stay hidden until two have called."
    return {
        "none": "Nobody has called this photo yet.",
        "one": "Called by one reader.",
        "agreed": f"{len(photo.classes)} readers called the same.",
        "disagree": "Readers disagree; a third one settles.",
        "settled": "Readers disagreed; a third one has settled.",
    }[state]
