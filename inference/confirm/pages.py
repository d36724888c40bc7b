"""
Pages from a ledger: the one place that decides what a viewer may see. Edge module: asks a ledger.

A blind viewer who has not called yet gets `BlindJawPage` and `BlindQueuePage`, which cannot hold anything
that the machine or another reader said. Once they have called a photo, they get its `JawPage`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.confirm.corrections import Corrections
from crestgauge.inference.confirm.profiles import CrestProfile
from crestgauge.inference.confirm.views import (
    BlindJawPage,
    BlindQueuePage,
    JawPage,
    NewJawPage,
    QueueAsk,
    QueuePage,
    RetakeMessage,
    SpecimenPage,
    Viewer,
)
from crestgauge.inference.criteria import Criteria
from crestgauge.inference.ledger.store import Ledger

Pixels = NDArray[np.uint8]
Profiles = Mapping[tuple[int, int], CrestProfile]


def queue_page(ledger: Ledger, viewer: Viewer, ask: QueueAsk | None = None) -> QueuePage | BlindQueuePage:
    """One page of the queue, as `QueueAsk` wants it; a blind viewer gets the blind one."""
    raise NotImplementedError


def jaw_page(
    ledger: Ledger,
    criteria: Criteria,
    viewer: Viewer,
    photo_id: int,
    *,
    profiles: Profiles | None = None,
    draft: Corrections | None = None,
) -> JawPage | BlindJawPage:
    """
    The page of one photo.

    Parameters
    ----------
    criteria : Criteria
        At hand for corrections and sources; the machine's answer is shown as it was read, with whatever
        criteria its reading names.
    profiles : mapping or None
        From `crestgauge.inference.confirm.profiles.crest_profiles` of the same reading.
    draft : Corrections or None
        Shown instead of the viewer's stored ones, and not stored: the answer to a drag.

    Raises
    ------
    LedgerError
        If there is no such photo or it has no reading.
    InputError
        If the draft does not fit the reading, or a blind viewer sends one.
    """
    raise NotImplementedError


def specimen_page(ledger: Ledger, viewer: Viewer, specimen_id: str) -> SpecimenPage:
    """
    The page of one animal.

    Raises
    ------
    LedgerError
        If the ledger knows neither animal nor photo of that id.
    """
    raise NotImplementedError


def new_jaw_page(viewer: Viewer, *, specimen_id: str = "", error: str = "") -> NewJawPage:
    """The page on which a picture is taken or chosen."""
    raise NotImplementedError


def retake_message_page(ledger: Ledger, photo_id: int, *, template: str | None = None) -> RetakeMessage:
    """
    The message for a photo whose newest reading says retake, or that a person wants retaken.

    Raises
    ------
    LedgerError
        If there is no such photo or reading.
    """
    raise NotImplementedError
