"""
One crest: widths of its bands at its stations, their ratio, and what is to be said of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.bands import ProfileBands
from crestgauge.inference.crests import STATION_AT, CrestProfiles, LobeGrid, Strip, line_points
from crestgauge.inference.evidence import Quantity
from crestgauge.inference.image_edges import ImageCheck
from crestgauge.inference.measured import CrestFlag, MeasuredCrest, Stations
from crestgauge.inference.nominal import CROP_PX_PER_MM
from crestgauge.inference.numeric import fit_polynomial, median
from crestgauge.inference.row_context import RowContext
from crestgauge.inference.uncertainty import UNEVEN_FACTOR, EdgeModel, lost_dentine_u, one_band_u, two_band_u

FloatArray = NDArray[np.float64]

_NOMINAL_ENAMEL_MM = 0.6
"""Enamel band taken for the uncertainty of a ratio of 0 where no band is cut yet. [mm] (from memory, no
source found)"""


@dataclass(frozen=True, slots=True, eq=False)
class _Widths:
    """
    Band widths at the stations of one crest without their known biases.

    Parameters
    ----------
    dentine, outer, inner : ndarray, shape (N,)
        NaN where a band was not found. [crop px]
    usable, both : ndarray of bool, shape (N,)
        Where the outer band was found; and the dentine and the inner band too.
    """

    dentine: FloatArray
    outer: FloatArray
    inner: FloatArray
    usable: NDArray[np.bool_]
    both: NDArray[np.bool_]

    @classmethod
    def of(cls, bands: ProfileBands, model: EdgeModel) -> _Widths:
        """Those of the bands that were found, with the biases of the model taken off."""
        dentine = np.where(bands.has_dentine, bands.dentine - model.dentine_bias_px, np.nan)
        outer = np.where(bands.has_dentine, bands.outer - model.enamel_bias_px, np.nan)
        inner = np.where(bands.has_dentine, bands.inner - model.enamel_bias_px, np.nan)
        usable = np.isfinite(outer) & (outer > 0.5)
        both = usable & np.isfinite(dentine) & np.isfinite(inner) & (inner > 0.5)
        dentine = np.where(np.isfinite(dentine), np.maximum(dentine, 0.0), np.nan)
        return cls(dentine, outer, inner, usable, both)

    @property
    def gone(self) -> bool:
        """The inner band is missing at most stations: the infundibulum is worn away."""
        return bool(self.usable.any() and self.both.sum() < 0.5 * self.usable.sum())

    @property
    def measured(self) -> bool:
        """There is a ratio."""
        return bool(self.both.any()) and not self.gone


def measure_crest(
    context: RowContext,
    grid: LobeGrid,
    strip: Strip | None,
    profiles: CrestProfiles | None,
    check: ImageCheck | None,
) -> MeasuredCrest:
    """One crest, with what the picture's brightness says of it."""
    flags = CrestFlag.LOBE_ASSUMED if grid.lobe.assumed else CrestFlag(0)
    if strip is None or profiles is None:
        return _unmeasured_crest(context, grid, strip, flags)
    model, scale = context.options.edge_model, context.frame.scale
    widths = _Widths.of(profiles.bands, model)
    spread = _edge_spread(profiles.bands.spread)
    sigma = model.crest_sigma_px(
        n_stations=max(int(widths.both.sum()), 1),
        spacing_px=profiles.spacing_px,
        blur_px=context.teeth.blur_px,
        crop_per_photo=scale,
        tilt_rad=context.tilt_rad,
        spread_px=spread,
        image_away_px=0.0 if check is None else check.away_px,
    )
    width_u = model.scale * np.sqrt(2.0) * sigma
    ratio: Quantity | None = None
    definitions: dict[str, float] = {}
    if widths.measured:
        ratio, definitions = _ratio(widths, sigma, model)
    flags |= _crest_flags(context, grid, strip, widths)
    # Two edges, each known to about one crop pixel by its labels and one by its brightness; blur spoils the
    # latter.
    if check is not None and abs(check.wider_px) > max(3.0, 2.0 * scale, 1.5 * context.teeth.blur_px):
        flags |= CrestFlag.IMAGE_DISAGREES
    dentine_px, outer_px, inner_px = (
        context.photo(median(w[ok]), width_u) if ok.any() else None
        for w, ok in (
            (widths.dentine, widths.both),
            (widths.outer, widths.usable),
            (widths.inner, widths.both),
        )
    )
    return MeasuredCrest(
        lobe=grid.lobe.number,
        line=context.frame.to_photo(line_points(grid, strip)),
        stations=_stations(context, profiles, widths),
        dentine_px=None if widths.gone else dentine_px,
        enamel_outer_px=outer_px,
        enamel_inner_px=None if widths.gone else inner_px,
        ratio=ratio,
        ratio_by_definition=MappingProxyType(definitions),
        infundibulum_gone=widths.gone,
        image_offset_px=None if check is None else check.wider_px / scale,
        flags=flags,
        edge_spread_px=spread / scale,
        image_away_px=None if check is None else check.away_px / scale,
    )


def _edge_spread(spread: FloatArray) -> float:
    """Root of the mean square of the edges' median spreads, from shape (N, 4); 0 where none was found. [crop
    px]"""
    medians = [median(edge[np.isfinite(edge)]) for edge in spread.T if np.isfinite(edge).any()]
    return float(np.sqrt(np.mean(np.square(medians)))) if medians else 0.0


def _ratio(widths: _Widths, sigma: float, model: EdgeModel) -> tuple[Quantity, dict[str, float]]:
    """Ratio by the declared definition with its standard uncertainty, and under the other definitions."""
    both = widths.both
    d, o, i, at = widths.dentine[both], widths.outer[both], widths.inner[both], STATION_AT[both]
    ratios = 2.0 * d / (o + i)
    value = median(ratios)
    medians = median(d), median(o), median(i)
    edge = float(two_band_u(*medians, sigma))
    # Moving the strip's ends moves all stations: the slope of the ratio along the strip tells what that does.
    slope = float(fit_polynomial(at, ratios, 1)[0]) if at.size >= 5 else 0.0
    u = float(
        np.hypot(model.scale * np.hypot(edge, model.definition_share * slope), lost_dentine_u(*medians))
    )
    definitions = {
        "widest": float(_widest(d, ratios)),
        "outer": median(d / o),
        "inner": median(d / i),
    }
    middle = np.abs(at - 0.5) <= 0.05 + 1e-9
    if middle.any():
        definitions["middle"] = float(ratios[middle].mean())
    return Quantity(value, u), definitions


def _widest(dentine: FloatArray, ratios: FloatArray) -> float:
    """Ratio where the dentine is widest: mean over the stations at or above the 95 % point of the width."""
    high = np.sort(dentine)[int(np.ceil(0.95 * (dentine.size - 1)))]
    return float(ratios[dentine >= high].mean())


def _crest_flags(context: RowContext, grid: LobeGrid, strip: Strip, widths: _Widths) -> CrestFlag:
    """What is to be said of a crest that shows dentine."""
    flags = CrestFlag(0)
    both, gone = widths.both, widths.gone
    if gone:
        flags |= CrestFlag.INFUNDIBULUM_GONE
    if strip.end - strip.begin < (grid.lobe.span[1] - grid.lobe.span[0]) / 3:
        flags |= CrestFlag.SHORT_STRIP
    if strip.covered < 0.85:
        flags |= CrestFlag.BROKEN_STRIP
    if both.sum() < both.size / 3 and not gone:
        flags |= CrestFlag.FEW_STATIONS
    if widths.measured:
        dentine, outer, inner = widths.dentine[both], widths.outer[both], widths.inner[both]
        medians = [median(w) for w in (dentine, outer, inner)]
        if min(medians) < 2.0 * context.teeth.blur_px:
            flags |= CrestFlag.NARROW_BAND
        if max(medians[1:]) > UNEVEN_FACTOR * min(medians[1:]):
            flags |= CrestFlag.UNEVEN_BANDS
        ratios = 2.0 * dentine / (outer + inner)
        low, high = np.sort(ratios)[[ratios.size // 10, -1 - ratios.size // 10]]
        if high - low > 0.5 * max(median(ratios), 0.2):
            flags |= CrestFlag.TAPERED
    return flags


def _stations(context: RowContext, profiles: CrestProfiles, widths: _Widths) -> Stations:
    edges = profiles.centre[:, None, :] + profiles.bands.edges[:, :, None] * profiles.normal[:, None, :]
    scale = context.frame.scale
    middle = 0.5 * (edges[:, 1] + edges[:, 2])
    centre = np.where(np.isfinite(middle), middle, profiles.centre)
    return Stations(
        at=STATION_AT.copy(),
        centre=context.frame.to_photo(centre),
        dentine_px=widths.dentine / scale,
        enamel_outer_px=widths.outer / scale,
        enamel_inner_px=widths.inner / scale,
        edges=context.frame.to_photo(edges.reshape(-1, 2)).reshape(edges.shape),
    )


def _unmeasured_crest(
    context: RowContext, grid: LobeGrid, strip: Strip | None, flags: CrestFlag
) -> MeasuredCrest:
    """Crest without a dentine line: ratio 0 where the crest can be seen at all."""
    line = np.empty((0, 2))
    seen = float((grid.lingual > 0.5).mean()) > 0.1
    ratio = None
    if strip is not None:
        line = context.frame.to_photo(line_points(grid, strip))
    if seen:
        flags |= CrestFlag.NO_DENTINE
        if strip is None or not strip.has_enamel:
            flags |= CrestFlag.UNWORN
        model = context.options.edge_model
        sigma = model.station_sigma_px(blur_px=context.teeth.blur_px, crop_per_photo=context.frame.scale)
        enamel = _NOMINAL_ENAMEL_MM * CROP_PX_PER_MM
        ratio = Quantity(0.0, model.scale * float(one_band_u(0.0, enamel, sigma)))
    else:
        flags |= CrestFlag.NOT_MEASURED
    return MeasuredCrest(
        lobe=grid.lobe.number,
        line=line,
        stations=None,
        dentine_px=context.photo(0.0, 1.0) if seen else None,
        enamel_outer_px=None,
        enamel_inner_px=None,
        ratio=ratio,
        ratio_by_definition=MappingProxyType(
            dict.fromkeys(("middle", "widest", "outer", "inner"), 0.0) if seen else {}
        ),
        infundibulum_gone=False,
        image_offset_px=None,
        flags=flags,
    )
