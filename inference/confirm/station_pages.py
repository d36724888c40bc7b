"""
An animal, a new picture, and the message to a sender, as frozen values. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from crestgauge.inference.confirm.views import CAUTION, CallView, Page, ReasonView, SiblingView, Viewer


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
