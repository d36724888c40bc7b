"""What a checked criteria file becomes: plain frozen values, cut off at the top class."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

QuantityName = Literal["eruption_stage", "lobes", "dentine_share", "ratio", "infundibulum_left"]
Comparison = Literal["at_least", "at_most", "more_than"]


@dataclass(frozen=True, slots=True)
class Source:
    """Where a number or rule comes from: full text of the source, and the place in it."""

    key: str
    text: str
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """
    One question of the key. Yes is always the older answer.

    Parameters
    ----------
    quantity, unit, comparison, threshold
        What is measured on tooth ``tooth`` and what it must reach, in ``unit`` ("1" is a share or a ratio).
    lobes : tuple of int
        Lobes whose crests count; empty unless ``quantity`` is "ratio".
    class_if_no : str
        The class where the key stops here.
    class_if_yes : str
        The youngest class still possible where it goes on.
    """

    id: str
    question: str
    tooth: int
    lobes: tuple[int, ...]
    quantity: QuantityName
    unit: str
    comparison: Comparison
    threshold: float
    class_if_no: str
    class_if_yes: str
    source: tuple[Source, ...]
    threshold_source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """The choices that published keys leave open; words and sources of each stand in the file."""

    enamel: Literal["mean", "outer", "inner"]
    crests: Literal["mean", "either", "both"]
    tie: Literal["yes", "no"]
    top_class: str
    borderline_k: float
    doubt_by_definition: tuple[str, ...]
    crest_errors: Literal["common", "independent"]
    worn_milk_dentine_share: float
    tooth_6_dentine_share: float


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A published share of right (or agreeing) calls. [percent]"""

    percent: float
    of: str
    source: Source


@dataclass(frozen=True, slots=True)
class CoarseGroup:
    """Some classes taken together, with what was published on telling them apart."""

    label: str
    classes: tuple[str, ...]
    words: str
    accuracy: tuple[Accuracy, ...]


@dataclass(frozen=True, slots=True)
class Grouping:
    """One way to cut the classes into coarse ones; every class is in at least one group."""

    id: str
    words: str
    groups: tuple[CoarseGroup, ...]


@dataclass(frozen=True, slots=True)
class Remark:
    """What was published on single-year classes or on the ratio itself."""

    words: str
    accuracy: Accuracy


@dataclass(frozen=True, slots=True, kw_only=True)
class Criteria:
    """
    A checked key, cut off at its top class.

    Parameters
    ----------
    sha256 : str
        Hash of the file's text with line ends taken as LF.
    classes : tuple of str
        Youngest first; the last one ends in "+".
    key : tuple of Criterion
        In the order in which they are asked. ``key[i + 1].class_if_no == key[i].class_if_yes``.
    """

    id: str
    version: str
    sha256: str
    title: str
    classes: tuple[str, ...]
    options: Options
    key: tuple[Criterion, ...]
    groupings: tuple[Grouping, ...]
    remarks: tuple[Remark, ...]

    @property
    def label(self) -> str:
        """Id, version and start of the hash: what a reading names (``default 1.0 sha256:0123456789ab``)."""
        return f"{self.id} {self.version} sha256:{self.sha256[:12]}"
