"""Where the calls of one photo stand, by how many readers are wanted. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

CallsState = Literal["none", "one", "second_wanted", "disagree", "agreed", "settled"]
"""
none: nobody called. one: one reader called, and that is enough. second_wanted: a second reader is wanted and
fewer than two have called. disagree: readers called differently and nobody settled. agreed: all called the
same. settled: a third reader's call stands.
"""
NO_CLASS: Final = "none"
"""Stands for the class of a call that gives none."""


@dataclass(slots=True, kw_only=True)
class PhotoCalls:
    """
    Standing calls of one photo.

    Parameters
    ----------
    classes : dict of str to str
        Reader to class (`NO_CLASS` for none), in the order of the calls.
    asked : list of str
        Who wants a second reader.
    settled : bool
        A third reader's settlement stands.
    """

    classes: dict[str, str] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    settled: bool = False

    def state(self, readers_wanted: int) -> CallsState:
        """Where the calls stand; a standing request asks for two readers."""
        readers = len(self.classes)
        if readers < (2 if self.asked else readers_wanted):
            return "second_wanted" if readers or self.asked else "none"
        if self.settled:
            return "settled"
        if readers == 1:
            return "one"
        return "agreed" if len(set(self.classes.values())) == 1 else "disagree"
