"""
One photo in, one reading out: the only place where all parts meet.

    photo -> coarse network -> row -> levelled crop -> fine network -> measured row -> evidence -> key ->
    reading

Edge module. A picture that opens but cannot be aged is no error: its reading says ``retake`` and why, and
keeps what could still be measured.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from operator import itemgetter
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.build import CrestWidths, Measured, build_reading, round_evidence
from crestgauge.inference.card.detect import CardView, find_card
from crestgauge.inference.card.straighten import LEAST_TILT_DEG, straightened, straightening
from crestgauge.inference.closer import closer_box
from crestgauge.inference.criteria import Criteria, load_criteria
from crestgauge.inference.edge_file import load_edge_model, load_look_bias
from crestgauge.inference.evidence import Quantity, RowEvidence
from crestgauge.inference.fit import Elsewhere, Fit, FitLimits, both, check_row, check_search
from crestgauge.inference.looks import look_of
from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measure import measure_row, to_evidence
from crestgauge.inference.measured import CrestFlag, MeasuredRow, RowFlag
from crestgauge.inference.networks import Network, coarse_view, warp_crop
from crestgauge.inference.photo import LIMITS as PHOTO_LIMITS
from crestgauge.inference.photo import Photo, PhotoLimits, read_photo
from crestgauge.inference.reading import Box, PhotoRef, Reading, Side, Versions
from crestgauge.inference.row import RowSearch, axis_frames, find_row
from crestgauge.inference.row_context import MeasureOptions
from crestgauge.inference.rules import Proposal, propose
from crestgauge.inference.version import VERSION
from crestgauge.inference.views import both_views
from crestgauge.model.local import SHIPPED, find_set

UNSURE: Final = RowFlag.NUMBERS_UNSURE | RowFlag.KIND_UNSURE
DOUBT_COST: Final = 0.05
"""More than the numbers of two looks the right way round differ, less than those of the wrong way fall short
(0.11 and more on drawn photos). Ours."""
REASON_NUMBERS: Final = 0.8
"""Certainty of the tooth numbers from which the fine pass may say why a photo is refused. Ours."""
WHOLE_ROW: Final = 4
"""Fewest teeth in line that a closer look takes for a row: a fawn has four."""
MOST_THREADS: Final = 4
"""More threads than this no longer make one session call faster on pictures of this size."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """
    How photos are read.

    Parameters
    ----------
    threads : int or None
        Threads of one session call; None takes the machine's cores, at most `MOST_THREADS`.
    criteria : Path or None
        Another key; None takes the shipped one.
    weights : str or None
        Set of weights by its name, see `crestgauge.model.local.find_set`; None takes the user's default, and
        without one what is shipped.
    manifest : Path or None
        Manifest of other weights, by its path; ``weights`` then names fine weights in it.
    coarse, fine : str or None
        Names of weights in the manifest; None takes its defaults.
    find_card : bool
        Look for the printed card, and use it: scale, tilt, straightening, white balance, specimen id.
    card_scale : float
        Printed size of the card over its true size (`crestgauge card --measured`).
    teeth_height_mm : float
        How far the chewing surface stood above the card. [mm]
    photo_limits, fit_limits
        Limits of the parts.
    measure : MeasureOptions or None
        None takes the defaults with the edge model that lies beside the weights, its biases following the
        photo's look where those weights say how.
    """

    threads: int | None = None
    criteria: Path | None = None
    weights: str | None = None
    manifest: Path | None = None
    coarse: str | None = None
    fine: str | None = None
    find_card: bool = True
    card_scale: float = 1.0
    teeth_height_mm: float = 0.0
    photo_limits: PhotoLimits = PHOTO_LIMITS
    fit_limits: FitLimits = field(default_factory=FitLimits)
    measure: MeasureOptions | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Result:
    """
    A reading with what a drawing or an evaluation needs beside it.

    Parameters
    ----------
    photo : Photo
        As it was read: with a card in it, balanced by its white and turned straight. ``search``, ``frame``,
        ``crop``, ``row`` and ``maps`` belong to this picture; coordinates in ``reading`` are those of the
        photo as it came.
    reading : Reading
    search : RowSearch
        What the coarse pass found.
    frame : RowFrame or None
        How the levelled crop lies in the photo; None where no fine pass was made, as with the next three.
    crop : ndarray of uint8, shape (H, W, 3), or None
    row : MeasuredRow or None
    evidence : RowEvidence or None
        What the key was asked about, rounded as the reading keeps it.
    proposal : Proposal or None
        What the key would say, also where the photo was refused and the reading therefore gives no class.
    maps : LabelMaps or None
        Fine maps; only kept when asked for, since they are 60 MB.
    card : CardView or None
        The printed card, where one was seen, in pixels of the photo as it came.
    straightening : ndarray, shape (3, 3), or None
        Homography from the photo as it came to ``photo``; None where they are the same.
    """

    photo: Photo
    reading: Reading
    search: RowSearch
    frame: RowFrame | None = None
    crop: NDArray[np.uint8] | None = None
    row: MeasuredRow | None = None
    evidence: RowEvidence | None = None
    proposal: Proposal | None = None
    maps: LabelMaps | None = None
    card: CardView | None = None
    straightening: NDArray[np.float64] | None = None


def pinned(options: ReadOptions) -> ReadOptions:
    """
    The same options with the weights that they mean now, for work that several processes share: a default
    that changes meanwhile must not mix two sets of weights.

    Raises
    ------
    WeightsError
        If there are no such weights.
    """
    if options.manifest is not None:
        return options
    chosen = find_set(options.weights)
    # The shipped set may lie elsewhere on another machine; it is found there by its name.
    manifest = None if chosen.name == SHIPPED or chosen.fine is not None else chosen.manifest.path.absolute()
    return replace(options, manifest=manifest, weights=chosen.name if manifest is None else None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """One fine pass: frame, crop, maps of it, and the row that was measured in them."""

    frame: RowFrame
    crop: NDArray[np.uint8]
    maps: LabelMaps
    row: MeasuredRow | None

    @property
    def sureness(self) -> float:
        """To compare looks: how sure the numbers are, less where lobes or lengths speak against them."""
        if self.row is None:
            return 0.0
        return self.row.number_p - (DOUBT_COST if self.row.flags & UNSURE else 0.0)


class Reader:
    """
    Reads photos one after the other; loads networks and key once.

    One Reader serves one thread. For bulk work make one per process, with ``threads=1``.

    Parameters
    ----------
    options : ReadOptions or None

    Raises
    ------
    WeightsError
        If weights are unknown or damaged.
    CriteriaError
        If the key does not pass its checks.
    """

    def __init__(self, options: ReadOptions | None = None) -> None:
        self.options = options or ReadOptions()
        self.criteria: Criteria = load_criteria(self.options.criteria)
        chosen = find_set(self.options.weights, manifest=self.options.manifest)
        manifest = chosen.manifest
        self.measure = self.options.measure or MeasureOptions(
            edge_model=load_edge_model(manifest.path.parent)
        )
        self.look_bias = None if self.options.measure else load_look_bias(manifest.path.parent)
        threads = self.options.threads or min(os.cpu_count() or 1, MOST_THREADS)
        self._coarse = Network(manifest.find("coarse", self.options.coarse), threads=threads)
        self._fine = Network(manifest.find("fine", self.options.fine or chosen.fine), threads=threads)
        self.versions = Versions(
            crestgauge=VERSION, model=f"{self._fine.name} {self._coarse.name}", criteria=self.criteria.label
        )

    def read(self, source: Photo | str | os.PathLike[str], *, keep_maps: bool = False) -> Result:
        """
        Read one photo.

        Parameters
        ----------
        source : Photo or path
        keep_maps : bool
            Keep the fine label maps in the result.

        Raises
        ------
        PhotoError
            If the file cannot be read as a photo. Nothing else is raised for what a photo shows.
        """
        photo = source if isinstance(source, Photo) else read_photo(source, self.options.photo_limits)
        card, photo, turn = self._use_card(photo)
        size = (photo.width, photo.height)
        limits = self.options.fit_limits
        search, first, others, colour = self._search(photo)
        look = self._best_look(photo, search.frame, others, colour)
        row = None if look is None else look.row
        if search.frame is None:
            first = self._reason(look, search, first, size)
        if look is None or (search.frame is None and first.retake):
            return Result(
                photo=photo,
                reading=self._reading(photo, fit=first),
                search=search,
                card=card,
                straightening=turn,
            )
        frame, crop, maps = look.frame, look.crop, look.maps
        scale, elsewhere = None, _elsewhere(search, row)
        if card is not None and row is not None:
            row = _with_card_tilt(row, card, turn)
            scale = self._scale(row, card, turn)
            elsewhere = Elsewhere(px_per_mm=scale, blur_px=search.crowns.blur_px)
        second = check_row(row, maps, crop, frame, size, limits, elsewhere)
        row = _with_both_views(row, search) if card is None else row
        fit = both(search, second, row, limits)
        fit = replace(fit, retake=first.retake + fit.retake, cautions=first.cautions + fit.cautions)
        evidence = None if row is None else round_evidence(to_evidence(row))
        proposal = None if evidence is None else propose(evidence, self.criteria)
        measured = None
        if row is not None and evidence is not None:
            measured = plain_values(row, evidence, scale, to_photo=None if turn is None else _inverse(turn))
        return Result(
            photo=photo,
            reading=self._reading(photo, fit=fit, measured=measured, proposal=proposal),
            search=search,
            frame=frame,
            crop=crop,
            row=row,
            evidence=evidence,
            proposal=proposal,
            maps=maps if keep_maps else None,
            card=card,
            straightening=turn,
        )

    def _search(
        self, photo: Photo
    ) -> tuple[RowSearch, Fit, tuple[RowFrame, ...], tuple[float, float, float]]:
        """
        The coarse pass: what it found, why that is no row, frames along the crowns, colour of the border.

        Where it finds no row in a photo most of which shows something else, it looks closer: at a row of
        four teeth and more it finds there, since fewer in line may be anything.
        """
        limits, size = self.options.fit_limits, (photo.width, photo.height)
        view = coarse_view(photo.pixels)
        maps = self._coarse.run(view.pixels)
        search = find_row(maps, size, limits.row)
        first, others = check_search(search, maps, limits), axis_frames(maps, size, limits.row)
        box = None if search.frame is not None else closer_box(maps, size)
        if box is not None:
            left, top, right, bottom = box
            part = coarse_view(np.ascontiguousarray(photo.pixels[top:bottom, left:right]))
            maps = self._coarse.run(part.pixels)
            closer = find_row(maps, (right - left, bottom - top), limits.row)
            if closer.frame is not None and len(closer.teeth) >= WHOLE_ROW:
                search = replace(closer, frame=closer.frame.moved(left, top))
                first = check_search(search, maps, limits)
        return search, first, others, view.edge_colour

    def _best_look(
        self,
        photo: Photo,
        found: RowFrame | None,
        others: Sequence[RowFrame],
        colour: tuple[float, float, float],
    ) -> _Look | None:
        """
        The fine pass through the frame that the coarse pass found; where that proves no row, the surest look
        of that and of those through ``others``, both ways round along the crowns' axis.
        """
        tried: list[tuple[float, RowFrame]] = []
        if found is not None:
            look = self._levelled(photo, found, colour)
            if self._proves(look.row):
                return look
            tried.append((look.sureness, look.frame))
            del look  # no look keeps its 60 MB while the next one is made: the surest is made again
        for frame in others:
            other = self._look(photo, frame, colour)
            better = None if other.row is None else other.row.better_frame
            tried.append((other.sureness, better or frame))
            del other
        if not tried:
            return None
        return self._levelled(photo, max(tried, key=itemgetter(0))[1], colour)

    def _reason(self, look: _Look | None, search: RowSearch, first: Fit, size: tuple[int, int]) -> Fit:
        """
        Why a photo is refused in which the coarse pass found no row: for what the fine pass finds wrong with
        it, where that knows its teeth well enough to say; nothing where it proves the row.
        """
        limits = self.options.fit_limits
        if look is None or look.row is None or look.row.number_p < REASON_NUMBERS:
            return first
        if self._proves(look.row):
            return Fit()
        elsewhere = _elsewhere(search, look.row)
        found = check_row(look.row, look.maps, look.crop, look.frame, size, limits, elsewhere)
        return both(search, found, look.row, limits) if found.retake else first

    def _proves(self, row: MeasuredRow | None) -> bool:
        """Numbers are sure, and nothing else about the teeth speaks against them."""
        sure = self.options.fit_limits.row.sure_numbers
        return row is not None and row.number_p >= sure and not row.flags & UNSURE

    def _levelled(self, photo: Photo, frame: RowFrame, colour: tuple[float, float, float]) -> _Look:
        """
        A look, and a second one through a better frame where the first shows that its own lay badly; the
        first again where the second raises doubts that it had not.
        """
        look = self._look(photo, frame, colour)
        if look.row is None or look.row.better_frame is None:
            return look
        better, before = look.row.better_frame, look.sureness
        del look  # 60 MB that the second pass can use
        second = self._look(photo, better, colour)
        if second.sureness > before - DOUBT_COST / 2:
            return second
        del second
        return self._look(photo, frame, colour)

    def _look(self, photo: Photo, frame: RowFrame, colour: tuple[float, float, float]) -> _Look:
        crop = warp_crop(photo.pixels, frame, colour)
        maps = self._fine.run(crop)
        measure = self.measure
        if self.look_bias is not None:
            look = look_of(maps, crop, frame.scale)
            measure = replace(measure, edge_model=self.look_bias.edge_model(measure.edge_model, look))
        row = measure_row(maps, frame, crop, measure, photo_size=(photo.width, photo.height))
        return _Look(frame=frame, crop=crop, maps=maps, row=row)

    def _use_card(self, photo: Photo) -> tuple[CardView | None, Photo, NDArray[np.float64] | None]:
        """
        The card in the photo, the photo balanced and straightened by it, and the homography that did it.
        """
        if not self.options.find_card:
            return None, photo, None
        card = find_card(photo.pixels, focal_35mm=photo.focal_35mm, printed_scale=self.options.card_scale)
        if card is None:
            return None, photo, None
        pixels, turn = card.balance(photo.pixels), None
        if card.tilt_deg() >= LEAST_TILT_DEG:
            turn = straightening(card, (photo.width, photo.height))
            pixels = straightened(pixels, turn, coarse_view(pixels).edge_colour)
        return card, replace(photo, pixels=pixels), turn

    def _scale(self, row: MeasuredRow, card: CardView, turn: NDArray[np.float64] | None) -> float:
        """Pixels per mm at the middle of the row, at the height of the chewing surface."""
        spot = _row_middle(row)
        scale = card.px_per_mm(_moved_back(spot, turn), height_mm=self.options.teeth_height_mm)
        if turn is not None:
            scale *= _local_scale(turn, _moved_back(spot, turn))
        return scale

    def _reading(
        self,
        photo: Photo,
        *,
        fit: Fit,
        measured: Measured | None = None,
        proposal: Proposal | None = None,
    ) -> Reading:
        return build_reading(
            photo=PhotoRef(file=photo.file, sha256=photo.sha256, width=photo.width, height=photo.height),
            versions=self.versions,
            measured=measured,
            proposal=proposal,
            retake=fit.retake,
            cautions=fit.cautions,
        )


def _with_both_views(row: MeasuredRow | None, search: RowSearch) -> MeasuredRow | None:
    """The row as both passes see it together; as it is where one of them saw nothing."""
    if row is None or row.view is None or search.crowns.view is None:
        return row
    view = both_views(row.view, search.crowns.view)
    return replace(row, view=view, tilt_deg=view.tilt_deg())


def _elsewhere(search: RowSearch, row: MeasuredRow | None) -> Elsewhere:
    """What the coarse pass, and both passes together, know of the fine pass' picture."""
    together = _with_both_views(row, search)
    tilt = None if together is None else together.tilt_deg
    return Elsewhere(
        tilt_deg=search.crowns.tilt_deg,
        both_deg=None if tilt is None else tilt.value,
        blur_px=search.crowns.blur_px,
    )


def _row_middle(row: MeasuredRow) -> NDArray[np.float64]:
    """Middle of the boxes of the row's teeth. (x, y)"""
    boxes = np.array([tooth.box for tooth in row.teeth if tooth.box is not None])
    return np.array(
        [(boxes[:, 0].min() + boxes[:, 2].max()) / 2, (boxes[:, 1].min() + boxes[:, 3].max()) / 2]
    )


def _moved_back(point: NDArray[np.float64], turn: NDArray[np.float64] | None) -> NDArray[np.float64]:
    """A point of the straightened picture in the photo as it came."""
    return point if turn is None else _mapped(_inverse(turn), point[None])[0]


def _inverse(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _mapped(matrix: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Projective map of points (x, y), shape (N, 2)."""
    moved = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(moved[:, :2] / moved[:, 2:])


def _local_scale(matrix: NDArray[np.float64], point: NDArray[np.float64]) -> float:
    """Square root of the area ratio of a projective map at one point."""
    step = _mapped(matrix, point + np.array([[0.0, 0.0], [1e-3, 0.0], [0.0, 1e-3]]))
    (a, b), (c, d) = step[1] - step[0], step[2] - step[0]
    return float(np.sqrt(abs(a * d - b * c)) / 1e-3)


def _with_card_tilt(row: MeasuredRow, card: CardView, turn: NDArray[np.float64] | None) -> MeasuredRow:
    """The row with the tilt that the card shows at its middle instead of the one the network guessed."""
    if all(tooth.box is None for tooth in row.teeth):
        return row
    tilt = card.tilt_deg(_moved_back(_row_middle(row), turn))
    return replace(row, tilt_deg=Quantity(tilt, card.camera.tilt_u_deg))


def plain_values(
    row: MeasuredRow,
    evidence: RowEvidence,
    px_per_mm: float | None = None,
    *,
    to_photo: NDArray[np.float64] | None = None,
) -> Measured:
    """
    What a reading keeps of a measured row, in plain values.

    Parameters
    ----------
    row : MeasuredRow
    evidence : RowEvidence
        Made from that row.
    px_per_mm : float or None
        Scale from a card or ruler in the photo; None without one.
    to_photo : ndarray, shape (3, 3), or None
        Homography that lays the row's coordinates back into the photo as it came; None where they are its
        own.
    """

    def back(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return points if to_photo is None else _mapped(to_photo, points)

    def back_box(box: Box) -> Box:
        corners = back(np.array([[x, y] for x in box[::2] for y in box[1::2]], dtype=np.float64))
        (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    widths = {
        (tooth.position, crest.lobe): CrestWidths(
            dentine_px=crest.dentine_px,
            enamel_outer_px=crest.enamel_outer_px,
            enamel_inner_px=crest.enamel_inner_px,
            line=[(float(x), float(y)) for x, y in back(np.asarray(crest.line))],
            flags=flag_names(crest.flags),
        )
        for tooth in row.teeth
        for crest in tooth.crests
    }
    side: Side | None = "left" if row.side == "left" else "right" if row.side == "right" else None
    return Measured(
        evidence=evidence,
        boxes={tooth.position: back_box(tooth.box) for tooth in row.teeth if tooth.box is not None},
        widths=widths,
        side=side,
        tilt_deg=row.tilt_deg,
        px_per_mm=px_per_mm,
    )


def flag_names(flags: CrestFlag) -> tuple[str, ...]:
    """
    Names of the set flags in small letters, in bit order.

    `INFUNDIBULUM_GONE` is left out: the reading gets it from the evidence.
    """
    return tuple(
        flag.name.lower()
        for flag in CrestFlag
        if flag & flags and flag is not CrestFlag.INFUNDIBULUM_GONE and flag.name is not None
    )
