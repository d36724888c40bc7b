"""
One photo in, one reading out: the only place where all parts meet.

    photo -> coarse network -> row -> levelled crop -> fine network -> measured row -> evidence -> key ->
    reading

Edge module. A picture that opens but cannot be aged is no error: its reading says ``retake`` and why, and
keeps what could still be measured.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.build import CrestWidths, Measured, build_reading, round_evidence
from crestgauge.inference.criteria import Criteria, load_criteria
from crestgauge.inference.evidence import RowEvidence
from crestgauge.inference.fit import Fit, FitLimits, check_row, check_search
from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measure import MeasureOptions, measure_row, to_evidence
from crestgauge.inference.measured import CrestFlag, MeasuredRow
from crestgauge.inference.networks import Network, coarse_view, warp_crop
from crestgauge.inference.photo import LIMITS as PHOTO_LIMITS
from crestgauge.inference.photo import Photo, PhotoLimits, read_photo
from crestgauge.inference.reading import PhotoRef, Reading, Side, Versions
from crestgauge.inference.row import RowSearch, find_row
from crestgauge.inference.rules import Proposal, propose
from crestgauge.inference.version import VERSION
from crestgauge.model.weights import load_manifest

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
    criteria, manifest : Path or None
        Another key, other weights; None takes what is shipped.
    coarse, fine : str or None
        Names of weights in the manifest; None takes its defaults.
    photo_limits, fit_limits, measure
        Limits and options of the parts.
    """

    threads: int | None = None
    criteria: Path | None = None
    manifest: Path | None = None
    coarse: str | None = None
    fine: str | None = None
    photo_limits: PhotoLimits = PHOTO_LIMITS
    fit_limits: FitLimits = field(default_factory=FitLimits)
    measure: MeasureOptions = field(default_factory=MeasureOptions)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Result:
    """
    A reading with what a drawing or an evaluation needs beside it.

    Parameters
    ----------
    photo : Photo
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
        manifest = load_manifest(self.options.manifest)
        threads = self.options.threads or min(os.cpu_count() or 1, MOST_THREADS)
        self._coarse = Network(manifest.find("coarse", self.options.coarse), threads=threads)
        self._fine = Network(manifest.find("fine", self.options.fine), threads=threads)
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
        size = (photo.width, photo.height)
        limits = self.options.fit_limits
        view = coarse_view(photo.pixels)
        coarse_maps = self._coarse.run(view.pixels)
        search = find_row(coarse_maps, size, limits.row)
        first = check_search(search, coarse_maps, limits)
        if search.frame is None:
            return Result(photo=photo, reading=self._reading(photo, fit=first), search=search)
        crop = warp_crop(photo.pixels, search.frame, view.edge_colour)
        maps = self._fine.run(crop)
        row = measure_row(maps, search.frame, crop, self.options.measure, photo_size=size)
        second = check_row(row, maps, crop, search.frame, size, limits)
        fit = Fit(retake=first.retake + second.retake, cautions=first.cautions + second.cautions)
        evidence = None if row is None else round_evidence(to_evidence(row))
        proposal = None if evidence is None else propose(evidence, self.criteria)
        measured = None if row is None or evidence is None else plain_values(row, evidence)
        return Result(
            photo=photo,
            reading=self._reading(photo, fit=fit, measured=measured, proposal=proposal),
            search=search,
            frame=search.frame,
            crop=crop,
            row=row,
            evidence=evidence,
            proposal=proposal,
            maps=maps if keep_maps else None,
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


def plain_values(row: MeasuredRow, evidence: RowEvidence, px_per_mm: float | None = None) -> Measured:
    """
    What a reading keeps of a measured row, in plain values.

    Parameters
    ----------
    row : MeasuredRow
    evidence : RowEvidence
        Made from that row.
    px_per_mm : float or None
        Scale from a card or ruler in the photo; None without one.
    """
    widths = {
        (tooth.position, crest.lobe): CrestWidths(
            dentine_px=crest.dentine_px,
            enamel_outer_px=crest.enamel_outer_px,
            enamel_inner_px=crest.enamel_inner_px,
            line=[(float(x), float(y)) for x, y in crest.line],
            flags=flag_names(crest.flags),
        )
        for tooth in row.teeth
        for crest in tooth.crests
    }
    side: Side | None = "left" if row.side == "left" else "right" if row.side == "right" else None
    return Measured(
        evidence=evidence,
        boxes={tooth.position: tooth.box for tooth in row.teeth if tooth.box is not None},
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
