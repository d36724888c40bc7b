"""
What a person can correct of a reading, and its JSON form. Pure.

A correction never touches the machine's reading: `crestgauge.inference.confirm.corrected` makes new evidence
from the reading and the corrections, and asks the one rule layer.

Places are pixels of the upright photo, x right, y down. A profile runs square to the crest line; its zero is
on the line and it counts positive towards the tongue (`crestgauge.inference.confirm.profiles`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal, NoReturn, TypeVar

from crestgauge.inference.errors import InputError, ReadingError
from crestgauge.inference.evidence import (
    Quantity,
    State,
)
from crestgauge.inference.json_form import ADVICE, decode, encode
from crestgauge.inference.reading import (
    Point,
    Side,
)

_T = TypeVar("_T")
SCHEMA: Final = "crestgauge.corrections/1"
CrestMarkWord = Literal["unusable", "no_dentine", "infundibulum_gone"]
"""unusable: do not count this crest. no_dentine: no dentine line shows, ratio 0. infundibulum_gone: no
infundibulum is left beside it, so it counts as at least as wide."""
BY_PERSON: Final = "by_person"
"""Flag of a crest whose widths or state a person gave."""
_DECIMALS = {"decimals": 3}
LEAST_BAND_PX: Final = 0.1
"""A narrower enamel band is a slip of the hand, or no band. [px]"""
LEAST_RULER_PX: Final = 10.0
"""Two ruler points nearer than this give no scale worth having. [px]"""
MAX_WIDTH_PX: Final = 2000.0
"""No band of any photo that is accepted is wider than this. [px]"""
MIDDLE: Final = (0.45, 0.55)
"""Places that count as the exact middle of a crest, as in the declared definitions. [1]"""
GONE_LEFT: Final = Quantity(0.0, 0.05)
"""
Infundibulum left on a tooth on which a person saw it gone beside both main crests; the uncertainty is ours.
"""
UNWORN_RATIO_U: Final = 0.15
"""Standard uncertainty of a person's "no dentine line": a line of a pixel or so is overlooked. Ours. [1]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pointing:
    """
    How well a person places one band edge.

    Parameters
    ----------
    screen_px : float
        1-sigma error of the hand, on the screen. [CSS px] At a zoom of z screen pixels per photo pixel that
        is ``screen_px / z`` photo pixels.
    photo_px : float
        1-sigma error that no zoom removes: where in a blurred edge the edge is said to be. [photo px]
    taper_share : float
        Standard uncertainty from measuring at one place what is defined as the median over the middle half of
        the crest, as a share of the ratio, where the reading does not tell the taper itself. [1]

    Notes
    -----
    The three numbers are ours, by construction, and not yet measured on people: 1.5 CSS pixels is what a
    finger or mouse can be expected to hold; half a photo pixel is the finest that a person sees in a profile.
    On one set of drawn crowns the exact middle read 1.23 times the median over the middle half; 0.13 is that
    difference as a rectangular distribution (GUM, JCGM 100:2008, 4.3.7: half width / sqrt 3). A study with
    two readers (`crestgauge compare`) gives better ones.
    """

    screen_px: float = 1.5
    photo_px: float = 0.5
    taper_share: float = 0.13

    def edge_px(self, zoom: float) -> float:
        """1-sigma error of one edge. [photo px]"""
        return math.hypot(self.screen_px / zoom, self.photo_px)


@dataclass(frozen=True, slots=True, kw_only=True)
class BandEdges:
    """
    A person's four edges across one crest.

    Parameters
    ----------
    tooth, lobe : int
        4..6 or any tooth that the reading has a crest on; 1..3 from the front.
    at : float
        Place along the crest line, 0 front end, 1 back end. [1]
    edges_px : (float, float, float, float)
        Along the profile, towards the tongue positive: outer enamel edge, enamel|dentine, dentine|enamel,
        inner enamel edge; falling, dentine may be 0 wide, both enamel bands may not. [px]
    zoom : float
        Screen pixels (CSS) per photo pixel at which they were placed; sets the uncertainty.
    """

    tooth: int
    lobe: int
    at: float = field(default=0.5, metadata=_DECIMALS)
    edges_px: tuple[float, float, float, float] = field(metadata=_DECIMALS)
    zoom: float = field(default=1.0, metadata=_DECIMALS)

    @property
    def dentine_px(self) -> float:
        """Dentine band. [px]"""
        return self.edges_px[1] - self.edges_px[2]

    @property
    def enamel_outer_px(self) -> float:
        """Tongue-side enamel band. [px]"""
        return self.edges_px[0] - self.edges_px[1]

    @property
    def enamel_inner_px(self) -> float:
        """Infundibulum-side enamel band. [px]"""
        return self.edges_px[2] - self.edges_px[3]


@dataclass(frozen=True, slots=True, kw_only=True)
class CrestMark:
    """What a person says of one crest without measuring it."""

    tooth: int
    lobe: int
    mark: CrestMarkWord


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothMark:
    """
    What a person says of one tooth.

    Parameters
    ----------
    tooth : int
        1..6.
    state : State or None
        None leaves the machine's.
    milk : bool or None
        Milk or permanent, teeth 1 to 3 only; None leaves the machine's. For tooth 3 it is the count of lobes
        that the key asks for (three or two).
    """

    tooth: int
    state: State | None = None
    milk: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SideMark:
    """
    Which lower jaw it is.

    Parameters
    ----------
    side : "left" or "right"
    crests_stand : bool
        The crests that were measured do lie on the tongue side (only the name was wrong, or the photo is
        mirrored). Otherwise, where the side differs from the machine's, the machine measured cheek-side
        crests, and none of its ratios is used any more.
    """

    side: Side
    crests_stand: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruler:
    """Two points on a ruler in the photo [px] and the length between them [mm]."""

    first: Point = field(metadata=_DECIMALS)
    second: Point = field(metadata=_DECIMALS)
    length_mm: float = field(metadata=_DECIMALS)
    zoom: float = field(default=1.0, metadata=_DECIMALS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrections:
    """
    Everything that one person corrected of one reading; empty = nothing.

    Parameters
    ----------
    edges : tuple of BandEdges
        At most one for each (tooth, lobe, at). Several places of one crest are taken together by their
        median.
    crests : tuple of CrestMark
        At most one for each (tooth, lobe). Edges on a marked crest contradict the mark.
    teeth : tuple of ToothMark
        At most one for each tooth.
    side : SideMark or None
    ruler : Ruler or None

    Raises
    ------
    InputError
        If a number is out of range or two parts contradict each other.
    """

    schema: Literal["crestgauge.corrections/1"] = SCHEMA
    edges: tuple[BandEdges, ...] = ()
    crests: tuple[CrestMark, ...] = ()
    teeth: tuple[ToothMark, ...] = ()
    side: SideMark | None = None
    ruler: Ruler | None = None

    def __post_init__(self) -> None:
        _check(self)

    def __bool__(self) -> bool:
        return bool(self.edges or self.crests or self.teeth or self.side or self.ruler)

    def to_dict(self) -> dict[str, Any]:
        """As plain JSON values."""
        return dict(encode(self, "$", None))

    @classmethod
    def from_dict(cls, data: object) -> Corrections:
        """
        From plain JSON values, strictly: every key of every part is there.

        Raises
        ------
        InputError
            With the JSON path of the first fault.
        """
        return _decoded(cls, data)

    @classmethod
    def from_json(cls, text: str | bytes) -> Corrections:
        """From JSON text; raises InputError as `from_dict`."""
        try:
            return cls.from_dict(json.loads(text))
        except (json.JSONDecodeError, UnicodeDecodeError, RecursionError) as error:
            raise InputError(f"corrections: not valid JSON ({error}); needs a {SCHEMA} object.") from error


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """
    One part of corrections as a ledger keeps it: a row of its own.

    ``value`` are the JSON values of one `BandEdges`, `CrestMark`, `ToothMark`, `SideMark` or `Ruler`.
    """

    kind: Literal["edges", "crest", "tooth", "side", "ruler"]
    tooth: int | None
    lobe: int | None
    value: Mapping[str, Any]

    @property
    def key(self) -> tuple[object, ...]:
        """What it is about; a newer part with the same key takes the place of an older one."""
        return (self.kind, self.tooth, self.lobe, self.value["at"] if self.kind == "edges" else None)


def parts_of(corrections: Corrections) -> tuple[Part, ...]:
    """The parts of corrections, in a fixed order."""
    values = corrections.to_dict()
    found = [Part(kind="edges", tooth=v["tooth"], lobe=v["lobe"], value=v) for v in values["edges"]]
    found += [Part(kind="crest", tooth=v["tooth"], lobe=v["lobe"], value=v) for v in values["crests"]]
    found += [Part(kind="tooth", tooth=v["tooth"], lobe=None, value=v) for v in values["teeth"]]
    if values["side"] is not None:
        found.append(Part(kind="side", tooth=None, lobe=None, value=values["side"]))
    if values["ruler"] is not None:
        found.append(Part(kind="ruler", tooth=None, lobe=None, value=values["ruler"]))
    return tuple(found)


def from_parts(parts: Iterable[tuple[str, Mapping[str, Any]]]) -> Corrections:
    """
    Corrections from (kind, value) in the order in which they were kept; a later one on the same thing wins.

    Edges on a crest give way to a later mark on it, and a mark to later edges.

    Raises
    ------
    InputError
        If a value is not one of its kind.
    """
    found: dict[tuple[object, ...], Any] = {}
    for kind, value in parts:
        part = _decoded(_KINDS[kind], value)
        if isinstance(part, BandEdges):
            found.pop(("crest", part.tooth, part.lobe), None)
            key: tuple[object, ...] = ("edges", part.tooth, part.lobe, part.at)
        elif isinstance(part, CrestMark):
            found = {k: v for k, v in found.items() if k[:3] != ("edges", part.tooth, part.lobe)}
            key = ("crest", part.tooth, part.lobe)
        else:
            key = (kind, part.tooth) if isinstance(part, ToothMark) else (kind,)
        found.pop(key, None)
        found[key] = part
    kept = list(found.values())
    return Corrections(
        edges=tuple(p for p in kept if isinstance(p, BandEdges)),
        crests=tuple(p for p in kept if isinstance(p, CrestMark)),
        teeth=tuple(p for p in kept if isinstance(p, ToothMark)),
        side=next((p for p in kept if isinstance(p, SideMark)), None),
        ruler=next((p for p in kept if isinstance(p, Ruler)), None),
    )


_KINDS: Final[Mapping[str, type[Any]]] = {
    "edges": BandEdges,
    "crest": CrestMark,
    "tooth": ToothMark,
    "side": SideMark,
    "ruler": Ruler,
}


def edges_from_widths(
    tooth: int,
    lobe: int,
    *,
    dentine_px: float,
    enamel_outer_px: float,
    enamel_inner_px: float,
    at: float = 0.5,
    zoom: float = 1.0,
) -> BandEdges:
    """
    Edges of three widths with the dentine's middle on the crest line, for a form without a pointer. [px]
    """
    half = dentine_px / 2
    edges = (half + enamel_outer_px, half, -half, -half - enamel_inner_px)
    return BandEdges(tooth=tooth, lobe=lobe, at=at, edges_px=edges, zoom=zoom)


def _decoded(kind: type[_T], data: object) -> _T:
    """A part of the JSON form, with the advice of this form in the message."""
    try:
        return decode(kind, data, "$")
    except ReadingError as error:
        words = str(error).replace(ADVICE, f"Send it as {SCHEMA} says.")
        raise InputError(f"corrections: {words}") from error


def fail(where: str, found: object, needed: str) -> NoReturn:
    """Refuse a correction: where, what was found, what is needed."""
    raise InputError(f"corrections: {where}: {found}; needs {needed}.")


def _check(given: Corrections) -> None:
    for edges in given.edges:
        _check_edges(edges)
    for mark in given.crests:
        _check_crest(mark.tooth, mark.lobe)
    for tooth in given.teeth:
        if not 1 <= tooth.tooth <= 6:
            fail("tooth", tooth.tooth, "1 to 6")
        if tooth.milk and tooth.tooth > 3:
            fail(f"tooth {tooth.tooth}", "milk", "no milk tooth: teeth 4 to 6 have none")
        if tooth.state is None and tooth.milk is None:
            fail(f"tooth {tooth.tooth}", "neither state nor milk", "one of them")
    named: tuple[tuple[str, list[tuple[float, ...]]], ...] = (
        ("edges", [(e.tooth, e.lobe, e.at) for e in given.edges]),
        ("crests", [(c.tooth, c.lobe) for c in given.crests]),
        ("teeth", [(t.tooth,) for t in given.teeth]),
    )
    for name, keys in named:
        if len(set(keys)) != len(keys):
            twice = next(key for key in keys if keys.count(key) > 1)
            fail(name, f"{twice} twice", "each at most once")
    both = {(e.tooth, e.lobe) for e in given.edges} & {(c.tooth, c.lobe) for c in given.crests}
    if both:
        fail("tooth {}, lobe {}".format(*min(both)), "edges and a mark", "one of them")
    if given.ruler is not None:
        _check_ruler(given.ruler)


def _check_crest(tooth: int, lobe: int) -> None:
    if not 1 <= tooth <= 6:
        fail("tooth", tooth, "1 to 6")
    if not 1 <= lobe <= 3:
        fail(f"tooth {tooth}, lobe", lobe, "1 to 3")


def _check_edges(edges: BandEdges) -> None:
    _check_crest(edges.tooth, edges.lobe)
    where = f"tooth {edges.tooth}, lobe {edges.lobe}"
    if not all(math.isfinite(v) for v in (edges.at, edges.zoom, *edges.edges_px)):
        fail(where, edges.edges_px, "finite numbers")
    if not 0.0 <= edges.at <= 1.0:
        fail(f"{where}, at", edges.at, "0 to 1")
    if not 0.01 <= edges.zoom <= 100.0:
        fail(f"{where}, zoom", edges.zoom, "0.01 to 100 screen pixels per photo pixel")
    if edges.dentine_px < 0 or edges.enamel_outer_px <= 0 or edges.enamel_inner_px <= 0:
        fail(f"{where}, edges_px", edges.edges_px, "edges that fall from the tongue side to the cheek side")
    if edges.edges_px[0] - edges.edges_px[3] > MAX_WIDTH_PX:
        fail(f"{where}, edges_px", edges.edges_px, f"at most {MAX_WIDTH_PX:g} px in all")
    narrow = min(edges.enamel_outer_px, edges.enamel_inner_px)
    if narrow < LEAST_BAND_PX:
        fail(
            f"{where}, enamel",
            f"{narrow:.3g} px",
            f"at least {LEAST_BAND_PX:g} px, or the mark infundibulum_gone",
        )


def _check_ruler(ruler: Ruler) -> None:
    numbers = (*ruler.first, *ruler.second, ruler.length_mm, ruler.zoom)
    if not all(math.isfinite(v) for v in numbers):
        fail("ruler", numbers, "finite numbers")
    if not 1.0 <= ruler.length_mm <= 1000.0:
        fail("ruler, length_mm", ruler.length_mm, "1 to 1000 mm")
    if not 0.01 <= ruler.zoom <= 100.0:
        fail("ruler, zoom", ruler.zoom, "0.01 to 100 screen pixels per photo pixel")
    if math.dist(ruler.first, ruler.second) < LEAST_RULER_PX:
        fail("ruler", "two points on one spot", f"points at least {LEAST_RULER_PX:g} px apart")
