"""
The queue from a ledger, open or blind: the one place that decides its order. Edge module: asks a ledger.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final, Literal

import sqlalchemy as sa

from crestgauge.inference.confirm.geometry import level_of
from crestgauge.inference.confirm.jaw_views import reasons
from crestgauge.inference.confirm.queue_pages import (
    BlindQueuePage,
    BlindQueueRow,
    HeapView,
    QueueAsk,
    QueuePage,
    QueueRow,
)
from crestgauge.inference.confirm.views import Viewer
from crestgauge.inference.ledger.paging import HEAPS, PageQuery, QueueIndex
from crestgauge.inference.ledger.specimen import AGE_CLASSES
from crestgauge.inference.ledger.states import PhotoCalls
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base

_T = Base.metadata.tables
EVERYBODY: Final = 1_000_000
"""Readers wanted by a blind viewer: whoever else has called, they call too."""


def queue_page(
    ledger: Ledger, viewer: Viewer, ask: QueueAsk | None = None, *, index: QueueIndex | None = None
) -> QueuePage | BlindQueuePage:
    """
    One page of the queue, as `QueueAsk` wants it; a blind viewer gets the blind one.

    Parameters
    ----------
    index : QueueIndex or None
        Of this ledger, kept by a server from page to page (share one); None reads the queue anew.
    """
    ask = ask or QueueAsk()
    index = index or QueueIndex(ledger)
    if viewer.blind:
        return _blind_queue(index, viewer, ask)
    page = index.page(page_query(viewer, ask))
    with ledger.reading() as connection:
        failures = connection.execute(sa.select(sa.func.count()).select_from(_T["failures"])).scalar_one()
    return QueuePage(
        viewer=viewer,
        ask=ask,
        rows=tuple(_queue_row(row, viewer) for row in page.rows),
        total=page.total,
        pages=max(1, -(-page.total // ask.page_size)),
        heaps=tuple(HeapView(outcome=heap, to_do=page.todo[heap], total=page.all[heap]) for heap in HEAPS),
        failures=failures,
        classes=AGE_CLASSES,
    )


def next_photo(
    ledger: Ledger, viewer: Viewer, photo_id: int, index: QueueIndex | None, ask: QueueAsk | None
) -> int | None:
    """The photo that follows in this viewer's queue; None at its end."""
    asked = ask or QueueAsk()
    query = blind_query(viewer, asked) if viewer.blind else page_query(viewer, asked)
    return (index or QueueIndex(ledger)).after(query, photo_id)


def page_query(viewer: Viewer, ask: QueueAsk) -> PageQuery:
    return PageQuery(
        person=viewer.person,
        readers_wanted=viewer.readers_wanted,
        outcomes=ask.outcomes,
        todo=ask.todo,
        age_class=ask.age_class,
        search=ask.search,
        limit=ask.page_size,
        offset=(ask.page - 1) * ask.page_size,
    )


def blind_query(viewer: Viewer, ask: QueueAsk) -> PageQuery:
    """Nothing of it depends on a reading: all heaps, no class, the order of the content hashes."""
    return PageQuery(
        person=viewer.person,
        readers_wanted=EVERYBODY,
        todo=_blind_todo(ask),
        search=ask.search,
        by_hash=True,
        limit=ask.page_size,
        offset=(ask.page - 1) * ask.page_size,
    )


def _blind_todo(ask: QueueAsk) -> Literal["mine", "done", "all"]:
    """Second reads and disagreements are no lists for somebody who must not know of other calls."""
    return ask.todo if ask.todo in ("done", "all") else "mine"


def _blind_queue(index: QueueIndex, viewer: Viewer, ask: QueueAsk) -> BlindQueuePage:
    query = blind_query(viewer, ask)
    page = index.page(query)
    return BlindQueuePage(
        viewer=viewer,
        search=ask.search,
        todo=_blind_todo(ask),
        page=ask.page,
        page_size=ask.page_size,
        rows=tuple(
            BlindQueueRow(
                photo_id=row["photo_id"],
                sha256=row["sha256"],
                specimen_id=row["specimen_id"],
                level=_level(json.loads(row["reading"])),
                done=viewer.person in row["calls"].classes,
            )
            for row in page.rows
        ),
        total=page.total,
        pages=max(1, -(-page.total // ask.page_size)),
        done=page.done,
        all=sum(page.all.values()),
    )


def _queue_row(row: Mapping[str, Any], viewer: Viewer) -> QueueRow:
    reading = json.loads(row["reading"])
    calls: PhotoCalls = row["calls"]
    return QueueRow(
        photo_id=row["photo_id"],
        sha256=row["sha256"],
        file=reading["photo"]["file"],
        specimen_id=row["specimen_id"],
        outcome=row["outcome"],
        age_class=row["age_class"],
        possible=tuple(reading["possible"]),
        words=_deciding(reading),
        doubt=row["doubt"],
        level=_level(reading),
        calls=calls.state(viewer.readers_wanted),
        own_call=calls.classes.get(viewer.person),
    )


def _deciding(reading: Mapping[str, Any]) -> str:
    """The step that decided, or why the photo is refused, from the plain JSON of a reading."""
    refused = reasons(reading.get("retake") or ())
    if refused:
        return " ".join(reason.words for reason in refused)
    for step in reading["steps"]:
        if step["id"] == reading.get("deciding"):
            name = next((t["name"] for t in reading["teeth"] if t["position"] == step["tooth"]), "")
            return f"Tooth {step['tooth']}{f' ({name})' if name else ''}: {step['why']}: {step['answer']}"
    return ""


def _level(reading: Mapping[str, Any]) -> Any:
    boxes = [tooth["box"] for tooth in reading.get("teeth") or () if tooth["box"] is not None]
    return level_of(reading["photo"]["width"], reading["photo"]["height"], boxes)
