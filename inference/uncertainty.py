"""
From the error of one band edge to the standard uncertainty of a width and of a ratio of widths.

Everything here is first-order propagation (GUM, JCGM 100:2008, section 5) with the edges as the independent
inputs: outer enamel edge e1, enamel|dentine e2, dentine|enamel e3, inner enamel edge e4 (distances along one
profile).

    D = e3 - e2,   T = e4 - e1,   S = E_outer + E_inner = T - D,   R = D / (S / 2) = 2 D / (T - D)

D and T share no edge, so with one edge error s they are independent and each has variance 2 s^2. Then

    dR/dD = 2 T / S^2,   dR/dT = -2 D / S^2,   (u_R / R)^2 = 2 s^2 (T^2 + D^2) / (D S)^2

which for two equal bands E is 2 s^2 (1/D^2 + 1/(D E) + 1/(2 E^2)). Against ONE band (three edges) it is
2 s^2 (1/D^2 + 1/E^2 + 1/(D E)). Both are tested by Monte Carlo and against the ``uncertainties`` package.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crestgauge.inference.errors import InputError

FloatArray = NDArray[np.float64]

STEP_SPREAD_PX = 12.0**-0.5
"""Spread of a sharp edge that linear interpolation draws as a ramp one pixel long: that of a rectangular law,
GUM 4.3.7. [crop px]"""
UNEVEN_FACTOR = 2.0
"""Enamel bands of one crest that differ by more are not both cut enamel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeModel:
    """
    How wrong one band edge is, in pixels of the levelled crop, and how that error runs along the crest.

    Parameters
    ----------
    sigma_px : float
        1-sigma error of one edge in one profile, in a sharp picture. [crop px]
    blur_gain : float
        Error added in quadrature per pixel of blur sigma. [1]
    photo_px : float
        Error added in quadrature per photo pixel, so a photo enlarged to fill the crop is less certain.
        [photo px]
    correlation_px : float
        Length along the crest over which edge errors stay alike (exponential correlation). [crop px]
    common_px : float
        Error shared by all profiles of one crest: the network draws the whole edge too far out or in. [crop
        px]
    relief_px : float
        Height of the enamel rim above the dentine that tilt turns into an edge shift (height x tan tilt).
        [crop px]
    definition_share : float
        Error of where the strip begins and ends, as a share of its length; moves the stations along a taper.
        [1]
    dentine_bias_px, enamel_bias_px : float
        Mean error (measured minus true) of a dentine width and of one enamel width; subtracted before use.
        [crop px]
    spread_gain : float
        Error shared by all profiles of one crest, per square pixel by which the mean square spread that the
        probabilities state for its edges exceeds a step's (`spread_excess`). [1/crop px]
    image_gain : float
        Error shared by all profiles of one crest, per pixel by which its enamel|dentine edges lie away from
        those that the picture's brightness shows (`crestgauge.inference.image_edges.ImageCheck`). [1]
    scale : float
        Factor on the whole standard uncertainty, from evaluation data (1 = as propagated).
    source : str
        Where the numbers come from.
    """

    sigma_px: float = 0.5
    blur_gain: float = 0.25
    photo_px: float = 0.15
    correlation_px: float = 12.0
    common_px: float = 0.35
    relief_px: float = 1.5
    definition_share: float = 0.05
    dentine_bias_px: float = 0.0
    enamel_bias_px: float = 0.0
    spread_gain: float = 0.0
    image_gain: float = 0.0
    scale: float = 1.0
    source: str = (
        "declared before any network was trained; to be replaced by fit_edge_model on evaluation data"
    )

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any]) -> EdgeModel:
        """
        Model from a table of a data file.

        Raises
        ------
        InputError
            If a key is unknown or a number is not finite, or negative where only the biases may be.
        """
        known = {f.name for f in fields(cls)}
        unknown = sorted(set(values) - known)
        if unknown:
            raise InputError(f"edge model: unknown key {unknown[0]!r}; needs only {', '.join(sorted(known))}")
        for name, value in values.items():
            if name == "source":
                continue
            low = -np.inf if name.endswith("bias_px") else 0.0
            if not isinstance(value, int | float) or not np.isfinite(value) or value < low:
                raise InputError(f"edge model: {name} = {value!r}; needs a finite number of at least {low}")
        return cls(**values)

    def to_mapping(self) -> dict[str, Any]:
        """Plain table for a data file; `from_mapping` reads it back."""
        return asdict(self)

    def station_sigma_px(self, *, blur_px: float, crop_per_photo: float) -> float:
        """1-sigma error of one edge in one profile, without the part shared by the whole crest. [crop px]"""
        return float(
            np.sqrt(
                self.sigma_px**2 + (self.blur_gain * blur_px) ** 2 + (self.photo_px * crop_per_photo) ** 2
            )
        )

    def crest_sigma_px(
        self,
        *,
        n_stations: int,
        spacing_px: float,
        blur_px: float,
        crop_per_photo: float,
        tilt_rad: float,
        spread_px: float = STEP_SPREAD_PX,
        image_away_px: float = 0.0,
    ) -> float:
        """
        1-sigma error of one edge averaged over a crest's stations. [crop px]

        Parameters
        ----------
        n_stations : int
            Stations that were used, at least 1.
        spacing_px : float
            Distance between neighbouring stations along the crest. [crop px]
        blur_px : float
            Sigma of the blur of the picture. [crop px]
        crop_per_photo : float
            Crop pixels per photo pixel.
        tilt_rad : float
            Angle between line of sight and the normal of the occlusal plane.
        spread_px : float
            Spread that the probabilities state for the crest's edges, root of the mean square. [crop px]
        image_away_px : float
            How far the crest's enamel|dentine edges lie away from those of the picture's brightness; 0 where
            it shows none. [crop px]
        """
        single = self.station_sigma_px(blur_px=blur_px, crop_per_photo=crop_per_photo)
        random = single * np.sqrt(mean_variance_factor(n_stations, spacing_px, self.correlation_px))
        shift = self.relief_px * np.tan(min(abs(tilt_rad), 1.2))
        unsure = self.spread_gain * spread_excess(spread_px)
        away = self.image_gain * image_away_px
        return float(np.sqrt(random**2 + self.common_px**2 + shift**2 + unsure**2 + away**2))


def spread_excess(spread_px: float) -> float:
    """How much the mean square of a spread exceeds that of a step; at least 0. [crop px^2]"""
    return float(max(spread_px**2 - STEP_SPREAD_PX**2, 0.0))


def mean_variance_factor(n: int, spacing_px: float, correlation_px: float) -> float:
    """
    Variance of the mean of ``n`` equally spaced errors over the variance of one.

    Errors a distance d apart have correlation exp(-d / correlation_px). 1/n where they are independent, 1
    where they are all the same.

    Raises
    ------
    InputError
        If there is no station or a length is negative.
    """
    if n < 1 or spacing_px < 0 or correlation_px < 0:
        raise InputError(
            f"mean of {n} stations, spacing {spacing_px}, correlation {correlation_px}: needs n >= 1"
        )
    if correlation_px == 0:
        return 1.0 / n
    lag = np.arange(1, n)
    rho = np.exp(-lag * spacing_px / correlation_px)
    return float((n + 2.0 * np.sum((n - lag) * rho)) / n**2)


def quotient_u(value_a: float, u_a: float, value_b: float, u_b: float, correlation: float = 0.0) -> float:
    """
    Standard uncertainty of a / b from correlated a and b (GUM 5.2.2).

    Published check: GUM example H.2, V / I (tests/test_uncertainty.py).
    """
    rel_a, rel_b = u_a / value_a, u_b / value_b
    return float(
        abs(value_a / value_b) * np.sqrt(max(rel_a**2 + rel_b**2 - 2 * correlation * rel_a * rel_b, 0.0))
    )


def one_band_u(dentine: ArrayLike, enamel: ArrayLike, edge_sigma: ArrayLike) -> Any:
    """
    Standard uncertainty of D / E for two touching bands with three independent edges of error ``edge_sigma``.

    Same shape as the inputs; all three in the same unit. D = 0 gives the uncertainty of a ratio near 0.
    """
    d, e, s = (np.asarray(v, dtype=np.float64) for v in (dentine, enamel, edge_sigma))
    return np.sqrt(2.0) * s * np.sqrt(e**2 + d**2 + d * e) / e**2


def two_band_u(
    dentine: ArrayLike,
    enamel_outer: ArrayLike,
    enamel_inner: ArrayLike,
    edge_sigma: ArrayLike,
    *,
    outline_sigma: ArrayLike | None = None,
) -> Any:
    """
    Standard uncertainty of R = D / mean(E_outer, E_inner) with four independent edges.

    Parameters
    ----------
    dentine, enamel_outer, enamel_inner : array_like
        Widths, all in one unit.
    edge_sigma : array_like
        1-sigma error of each of the two enamel|dentine edges, same unit.
    outline_sigma : array_like or None
        1-sigma error of each of the two other edges (enamel against wall and infundibulum); None =
        ``edge_sigma``.
    """
    d = np.asarray(dentine, dtype=np.float64)
    bands = np.asarray(enamel_outer, dtype=np.float64) + np.asarray(enamel_inner, dtype=np.float64)
    s_dentine = np.asarray(edge_sigma, dtype=np.float64)
    s_outline = s_dentine if outline_sigma is None else np.asarray(outline_sigma, dtype=np.float64)
    total = bands + d
    return 2.0 * np.sqrt(2.0 * (s_dentine * total) ** 2 + 2.0 * (s_outline * d) ** 2) / bands**2


def lost_dentine_u(dentine: float, enamel_outer: float, enamel_inner: float) -> float:
    """
    Standard uncertainty of R = D / mean(E_outer, E_inner) from dentine that was taken for enamel. [1]

    0 where the bands differ by up to `UNEVEN_FACTOR`. Beyond it some of the wider band may be dentine: none
    of it, up to all by which it is wider. R then lies between its value and (D + wide - narrow) / narrow.
    That is a rectangular law whose one end is the value given, so the mean square about the value is a third
    of the squared range (GUM 4.3.7 for the law).

    Parameters
    ----------
    dentine, enamel_outer, enamel_inner : float
        Widths above 0, all in one unit.
    """
    narrow, wide = sorted((enamel_outer, enamel_inner))
    if wide <= UNEVEN_FACTOR * narrow:
        return 0.0
    most = (dentine + wide - narrow) / narrow
    return float((most - 2.0 * dentine / (wide + narrow)) / np.sqrt(3.0))


def mid_level_width(width: ArrayLike, blur_sigma: float) -> FloatArray:
    """
    Width between the two crossings of the fixed mid-level, for a bar of ``width`` blurred by a Gaussian.

    NaN where the blurred bar no longer reaches the mid-level. Solved by bisection, to 1e-9 of the sigma.
    Tells how much a mid-level edge can be trusted: 0.93 of the truth at width = 2 sigma, 1.00 from 3 sigma
    on.
    """
    from math import erf

    def level(at: float, w: float) -> float:
        return 0.5 * (
            erf((at + w / 2) / np.sqrt(2) / blur_sigma) - erf((at - w / 2) / np.sqrt(2) / blur_sigma)
        )

    out = []
    for w in np.atleast_1d(np.asarray(width, dtype=np.float64)):
        if level(0.0, w) <= 0.5:
            out.append(np.nan)
            continue
        low, high = 0.0, w / 2 + 6 * blur_sigma
        while high - low > 1e-9 * blur_sigma:
            mid = (low + high) / 2
            low, high = (mid, high) if level(mid, w) > 0.5 else (low, mid)
        out.append(low + high)
    return np.asarray(out)
