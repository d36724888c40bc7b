"""
From measured and true ratios to an `EdgeModel` whose stated intervals hold what they promise.

Each crest's ratio error is turned back into the edge error that would explain it (divided by the ratio's
sensitivity to one common edge sigma). The squares of these are fitted by non-negative least squares to the
terms of the model: a common part, single profiles, blur, enlargement of the photo, tilt, the ends of the
strip on a taper, the spread that the probabilities themselves state for the edges, and how far these lie away
from the edges of the picture's brightness. A last factor makes
the central 95 % come true: network errors have longer tails than a normal law, and a promise about 95 % is
about the tail.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError
from crestgauge.inference.measured import MeasuredCrest, MeasuredRow
from crestgauge.inference.uncertainty import (
    STEP_SPREAD_PX,
    EdgeModel,
    lost_dentine_u,
    mean_variance_factor,
    spread_excess,
    two_band_u,
)

FloatArray = NDArray[np.float64]
_MIN_SAMPLES = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeSample:
    """
    One crest of which measured and true ratio are known. Widths in crop px.

    Parameters
    ----------
    dentine_px, outer_px, inner_px : float
        Measured widths. [crop px]
    ratio, true_ratio : float
        Measured and true ratio by the declared definition. [1]
    true_dentine_px, true_enamel_px : float or None
        True widths (enamel: mean of both bands), for the biases. [crop px]
    true_u : float
        Standard uncertainty of the true ratio: 0 where it was drawn or measured, more where it comes from a
        person's labels. [1]
    slope : float
        Change of the measured ratio from one end of the strip to the other. [1]
    n_stations : int
    spacing_px : float
        [crop px]
    blur_px : float
        [crop px]
    crop_per_photo : float
    tilt_rad : float
    spread_px : float
        Spread that the probabilities state for the crest's edges. [crop px]
    image_away_px : float
        How far its enamel|dentine edges lie away from those of the picture's brightness; 0 where it shows
        none. [crop px]
    """

    dentine_px: float
    outer_px: float
    inner_px: float
    ratio: float
    true_ratio: float
    true_dentine_px: float | None = None
    true_enamel_px: float | None = None
    true_u: float = 0.0
    slope: float = 0.0
    n_stations: int = 21
    spacing_px: float = 2.5
    blur_px: float = 1.0
    crop_per_photo: float = 1.0
    tilt_rad: float = 0.0
    spread_px: float = STEP_SPREAD_PX
    image_away_px: float = 0.0

    def sensitivity(self) -> float:
        """Standard uncertainty of the ratio per crop px of edge error."""
        return float(two_band_u(self.dentine_px, self.outer_px, self.inner_px, 1.0))

    def u(self, model: EdgeModel) -> float:
        """Standard uncertainty that the model states for this crest's ratio."""
        sigma = model.crest_sigma_px(
            n_stations=self.n_stations,
            spacing_px=self.spacing_px,
            blur_px=self.blur_px,
            crop_per_photo=self.crop_per_photo,
            tilt_rad=self.tilt_rad,
            spread_px=self.spread_px,
            image_away_px=self.image_away_px,
        )
        edges = model.scale * np.hypot(self.sensitivity() * sigma, model.definition_share * self.slope)
        return float(np.hypot(edges, self.lost_u()))

    def lost_u(self) -> float:
        """Part of the ratio's uncertainty that no edge model sets: dentine taken for enamel."""
        return lost_dentine_u(self.dentine_px, self.outer_px, self.inner_px)


def edge_sample(
    row: MeasuredRow,
    crest: MeasuredCrest,
    true_ratio: float,
    *,
    true_dentine_px: float | None = None,
    true_enamel_px: float | None = None,
    true_u: float = 0.0,
) -> EdgeSample | None:
    """
    Sample of one measured crest; None where it has no ratio. True widths in photo px, as in a truth file.

    A crest without dentine is taken with a nominal enamel band of 9 crop px (0.6 mm), as its uncertainty is.
    """
    if crest.ratio is None:
        return None
    scale = row.crop_per_photo
    tilt = np.radians(row.tilt_deg.value) if row.tilt_deg is not None else 0.0
    shared = {
        "ratio": crest.ratio.value,
        "true_ratio": true_ratio,
        "true_u": true_u,
        "blur_px": (row.blur_px or 0.0) * scale,
        "crop_per_photo": scale,
        "tilt_rad": float(tilt),
    }
    if crest.stations is None:
        return EdgeSample(dentine_px=0.0, outer_px=9.0, inner_px=9.0, n_stations=1, spacing_px=0.0, **shared)
    at, ratio = crest.stations.at, crest.stations.ratio
    both = np.isfinite(ratio)
    widths = [
        float(np.median(w[both])) * scale
        for w in (crest.stations.dentine_px, crest.stations.enamel_outer_px, crest.stations.enamel_inner_px)
    ]
    length = float(np.hypot(*np.diff(crest.line, axis=0).T).sum()) * scale
    slope = float(np.polyfit(at[both], ratio[both], 1)[0]) if both.sum() >= 5 else 0.0
    return EdgeSample(
        dentine_px=widths[0],
        outer_px=widths[1],
        inner_px=widths[2],
        true_dentine_px=None if true_dentine_px is None else true_dentine_px * scale,
        true_enamel_px=None if true_enamel_px is None else true_enamel_px * scale,
        slope=slope,
        n_stations=int(both.sum()),
        spacing_px=length * 0.5 / (at.size - 1),
        spread_px=STEP_SPREAD_PX if crest.edge_spread_px is None else crest.edge_spread_px * scale,
        image_away_px=(crest.image_away_px or 0.0) * scale,
        **shared,
    )


def coverage(samples: Sequence[EdgeSample], model: EdgeModel, k: float = 1.96) -> float:
    """
    Share of the crests whose true ratio lies within ``k`` stated standard uncertainties, that of the truth
    itself included. [1]
    """
    return float(
        np.mean([abs(s.ratio - s.true_ratio) <= k * np.hypot(s.u(model), s.true_u) for s in samples])
    )


def untold_spread(samples: Sequence[EdgeSample], model: EdgeModel) -> float:
    """
    How far stated uncertainties are off crest by crest, as far as the tails of the errors show it. [ln, 1 s]

    Each error is taken as normal, its standard deviation as stated times a factor that the model does not
    know, whose logarithm is normal with this spread t. Then error over stated uncertainty has the kurtosis
    3 exp(4 t^2) (moments of the log-normal law), whatever the mean factor. A number that tells hard crests
    from easy ones can at best take all of t away: at t = 0.15 intervals that hold 95 % get 2 % narrower on
    average, at 0.3 7 % (simulated). Single failures count as tails, so this is rather too much; from 1,200
    crests of 400 photographs it is uncertain by 0.06 (bootstrap over drawn photographs).

    Parameters
    ----------
    samples : sequence of EdgeSample
        Crests without dentine, in truth or as read, and with dentine lost to enamel are left out: none of
        their errors is a matter of edges.
    model : EdgeModel

    Returns
    -------
    float
        0 where the tails are no longer than those of one normal law, or no crest is left.
    """
    lines = [s for s in samples if s.dentine_px > 0.0 and s.true_ratio > 0.0 and s.lost_u() == 0.0]
    score = np.array([(s.ratio - s.true_ratio) / np.hypot(s.u(model), s.true_u) for s in lines])
    square = float(np.mean(score**2)) if lines else 0.0
    if square == 0.0:
        return 0.0
    kurtosis = float(np.mean(score**4)) / square**2
    return float(np.sqrt(np.log(max(kurtosis / 3.0, 1.0)) / 4.0))


def fit_edge_model(
    samples: Sequence[EdgeSample],
    base: EdgeModel | None = None,
    *,
    share: float = 0.95,
    source: str = "fitted",
) -> EdgeModel:
    """
    Edge model whose intervals value +- 1.96 u hold the truth in ``share`` of the samples.

    Parameters
    ----------
    samples : sequence of EdgeSample
        At least 40 crests, measured with the widths' biases of ``base`` already taken off.
    base : EdgeModel or None
        Supplies what is not fitted: correlation length, and any cause that did not vary.
    share : float
        Wanted coverage.
    source : str
        Where the samples come from; kept in the model.

    Returns
    -------
    EdgeModel
        Biases are moved by the median width error. ``scale`` is set last; it was fitted to the ratios as
        they are, so fit again on samples measured with the new biases if these changed by more than 0.1 px.

    Raises
    ------
    InputError
        If there are fewer than 40 samples.
    """
    if len(samples) < _MIN_SAMPLES:
        raise InputError(f"edge model: {len(samples)} crests; needs {_MIN_SAMPLES}. Evaluate more photos.")
    base = base or EdgeModel()
    # Crests rightly read as 0 have no error whatever the edges do; as most of a young herd's they would hide
    # how wrong the others are. Those with dentine lost to enamel tell nothing of edges.
    lines = [s for s in samples if (s.dentine_px > 0.0 or s.true_ratio > 0.0) and s.lost_u() == 0.0]
    samples = lines if len(lines) >= _MIN_SAMPLES else samples
    error = np.array([s.ratio - s.true_ratio for s in samples])
    causes: dict[str, Any] = _causes(samples, error, base)
    shaped = replace(
        base,
        **causes,
        scale=1.0,
        source=source,
        dentine_bias_px=base.dentine_bias_px + median_width_error(samples, dentine=True),
        enamel_bias_px=base.enamel_bias_px + median_width_error(samples, dentine=False),
    )
    z = np.array([abs(e) / s.u(shaped) for e, s in zip(error, samples, strict=True)])
    return replace(shaped, scale=float(np.quantile(z, share) / 1.96))


_CAUSES: Final = (
    "common_px",
    "sigma_px",
    "blur_gain",
    "photo_px",
    "relief_px",
    "definition_share",
    "spread_gain",
    "image_gain",
)
"""Causes of edge error, as fields of `EdgeModel`, in the order of the features that they multiply."""


def _causes(samples: Sequence[EdgeSample], error: FloatArray, base: EdgeModel) -> dict[str, float]:
    """Size of every cause by the squared errors of ratios, as fields of `EdgeModel`; where a cause did not
    vary, that of ``base``."""
    factor = np.array(
        [mean_variance_factor(s.n_stations, s.spacing_px, base.correlation_px) for s in samples]
    )
    sensitivity = np.array([s.sensitivity() for s in samples])
    features = np.stack(
        [
            np.ones(len(samples)),
            factor,
            factor * np.array([s.blur_px for s in samples]) ** 2,
            factor * np.array([s.crop_per_photo for s in samples]) ** 2,
            np.tan(np.minimum(np.abs([s.tilt_rad for s in samples]), 1.2)) ** 2,
            (np.array([s.slope for s in samples]) / sensitivity) ** 2,
            np.array([spread_excess(s.spread_px) for s in samples]) ** 2,
            np.array([s.image_away_px for s in samples]) ** 2,
        ],
        axis=1,
    )
    # A cause that did not vary cannot be told from the common part; it keeps what the base model says of it.
    varies = np.std(features, axis=0) > 0.02 * np.mean(features, axis=0)
    varies[0] = True
    known = np.zeros(len(samples)) if varies[1] else base.sigma_px**2 * factor
    fitted = np.array([getattr(base, name) for name in _CAUSES])
    fitted[varies] = np.sqrt(_variance_parts(features[:, varies], (error / sensitivity) ** 2, known))
    fitted[0] = max(fitted[0], _LEAST_COMMON_PX)
    return {name: float(size) for name, size in zip(_CAUSES, fitted, strict=True)}


_LEAST_COMMON_PX: Final = 0.05
"""No fit may say that crests share less error than this. [crop px] Ours."""


def median_width_error(samples: Sequence[EdgeSample], *, dentine: bool) -> float:
    """Median of measured minus true width; 0 where no truth is given. [crop px]"""
    pairs = [
        (s.dentine_px, s.true_dentine_px) if dentine else (0.5 * (s.outer_px + s.inner_px), s.true_enamel_px)
        for s in samples
    ]
    errors = [measured - true for measured, true in pairs if true is not None]
    return float(np.median(errors)) if errors else 0.0


def _variance_parts(features: FloatArray, square: FloatArray, known: FloatArray) -> FloatArray:
    """
    Non-negative variance per feature from squared errors, weighted by their own scatter. ``known`` is the
    part of each expectation that is not fitted.

    A squared error scatters as its own expectation, so each round divides by the expectation of the last
    one. Squares over six times their expectation are cut there: single failures must not set the error of
    all the others. The known part counts in that expectation; without it a round that explains little cuts
    more, and the next explains nothing.
    """
    start = max(float(np.quantile(square, 0.68)), 0.25 * float(square.mean()), 1e-6)
    expected = np.full(len(square), start)
    solved = np.zeros(features.shape[1])
    for _ in range(8):
        target = np.minimum(square, 6.0 * expected) - known
        solved = _non_negative(features / expected[:, None], target / expected)
        expected = np.maximum(features @ solved + known, 0.05 * float(np.mean(expected)))
    return solved


def _non_negative(features: FloatArray, target: FloatArray) -> FloatArray:
    """Non-negative least squares for a handful of columns: the best of all subsets whose solution is not
    negative."""
    columns = features.shape[1]
    best, best_loss = np.zeros(columns), float(np.sum(target**2))
    for size in range(1, columns + 1):
        for chosen in combinations(range(columns), size):
            part = features[:, chosen]
            solved = np.linalg.lstsq(part, target, rcond=None)[0]
            loss = float(np.sum((target - part @ solved) ** 2))
            if (solved >= 0).all() and loss < best_loss:
                best, best_loss = np.zeros(columns), loss
                best[list(chosen)] = solved
    return best
