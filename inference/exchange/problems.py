"""What was found wrong in files that people hand in, item by item, so that nothing is skipped in silence."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """
    One thing that is not as it should be.

    Parameters
    ----------
    where : str
        File, or file and line.
    item : str
        The photo, annotation or row, in words; empty for the whole file.
    kind : str
        One word for programs and tests: "size", "unknown_class", "overlap" ...
    words : str
        What was found, what is needed, what to do.
    fatal : bool
        The item is not taken. Otherwise it is, and ``words`` say how.
    """

    where: str
    item: str = ""
    kind: str
    words: str
    fatal: bool = True

    def __str__(self) -> str:
        place = f"{self.where}: {self.item}" if self.item else self.where
        return f"{place}: {self.words}" + ("" if self.fatal else " (taken)")
