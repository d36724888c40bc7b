"""
One photo in, one reading out: the only place where all parts meet.

    photo -> coarse network -> row -> levelled crop -> fine network -> measured row -> evidence -> key ->
    reading

Edge module. A picture that opens but cannot be aged is no error: its reading says ``retake`` and why, and
keeps what could still be measured.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.build import Measured, build_reading, round_evidence
from crestgauge.inference.card.detect import CardView
from crestgauge.inference.card.use import UsedCard, use_card
from crestgauge.inference.criteria import Criteria, load_criteria
from crestgauge.inference.edge_file import load_edge_model, load_look_bias
from crestgauge.inference.evidence import RowEvidence
from crestgauge.inference.fine_pass import FinePass
from crestgauge.inference.fit import both
from crestgauge.inference.fit_limits import Elsewhere, Fit, FitLimits
from crestgauge.inference.fit_row import check_row
from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measure import to_evidence
from crestgauge.inference.measured import MeasuredRow
from crestgauge.inference.networks import Network
from crestgauge.inference.passes import Passes, elsewhere_of, with_both_views
from crestgauge.inference.photo import LIMITS as PHOTO_LIMITS
from crestgauge.inference.photo import Photo, PhotoLimits, read_photo
from crestgauge.inference.plain import plain_values
from crestgauge.inference.reading import PhotoRef, Reading, Versions
from crestgauge.inference.row import RowSearch
from crestgauge.inference.row_context import MeasureOptions
from crestgauge.inference.rules import Proposal, propose
from crestgauge.inference.version import VERSION
from crestgauge.model.local import SHIPPED, find_set

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
        look_bias = None if self.options.measure else load_look_bias(manifest.path.parent)
        threads = self.options.threads or min(os.cpu_count() or 1, MOST_THREADS)
        coarse = Network(manifest.find("coarse", self.options.coarse), threads=threads)
        fine = Network(manifest.find("fine", self.options.fine or chosen.fine), threads=threads)
        self._passes = Passes(coarse, fine, self.options.fit_limits, self.measure, look_bias)
        self.versions = Versions(
            crestgauge=VERSION, model=f"{fine.name} {coarse.name}", criteria=self.criteria.label
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
        card: UsedCard | None = None
        if self.options.find_card:
            card, photo = use_card(photo, printed_scale=self.options.card_scale)
        found = self._passes.search(photo)
        look = self._passes.best_look(photo, found)
        first = found.fit
        if found.search.frame is None:
            first = self._passes.reason(look, found, (photo.width, photo.height))
        if look is None or (found.search.frame is None and first.retake):
            result = Result(photo=photo, reading=self._reading(photo, fit=first), search=found.search)
        else:
            result = self._measured(photo, found.search, first, look, card)
            result = replace(result, maps=look.maps if keep_maps else None)
        return result if card is None else replace(result, card=card.view, straightening=card.turn)

    def _measured(
        self, photo: Photo, search: RowSearch, first: Fit, look: FinePass, card: UsedCard | None
    ) -> Result:
        """The result of a photo that the fine pass looked at; ``first`` is what the coarse pass says."""
        limits = self.options.fit_limits
        row, scale = look.row, None
        elsewhere = elsewhere_of(search, row)
        if card is not None and row is not None:
            row = card.with_tilt(row)
            scale = card.px_per_mm(row, height_mm=self.options.teeth_height_mm)
            elsewhere = Elsewhere(px_per_mm=scale, blur_px=search.crowns.blur_px)
        second = check_row(replace(look, row=row), (photo.width, photo.height), limits, elsewhere)
        row = with_both_views(row, search) if card is None else row
        fit = both(search, second, row, limits)
        fit = replace(fit, retake=first.retake + fit.retake, cautions=first.cautions + fit.cautions)
        evidence = None if row is None else round_evidence(to_evidence(row))
        proposal = None if evidence is None else propose(evidence, self.criteria)
        measured = None
        if row is not None and evidence is not None:
            to_photo = None if card is None else card.to_photo
            measured = plain_values(row, evidence, scale, to_photo=to_photo)
        return Result(
            photo=photo,
            search=search,
            reading=self._reading(photo, fit=fit, measured=measured, proposal=proposal),
            frame=look.frame,
            crop=look.crop,
            row=row,
            evidence=evidence,
            proposal=proposal,
        )

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
