"""
Biases of band widths that follow the look of a photo.

Weights that were trained on with somebody's own photos draw edges otherwise there than elsewhere: labels of
other photos (old prints, another camera) teach a habit that belongs to that look. One bias for all photos
then mends the own ones at the cost of all others. So two are kept, and each photo gets the one whose photos
it looks like; where that cannot be told, a mixture of both, with their difference as an uncertainty.

Pure. The look is that of `crestgauge.inference.looks`, as far as it is one of the picture and not of the
network's confidence.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from crestgauge.inference.errors import InputError
from crestgauge.inference.looks import OF_THE_PICTURE, check_law
from crestgauge.inference.uncertainty import EdgeModel

PRIOR_PHOTOS = 4
"""So many photos' worth is the spread of the other photos in the spread of the own ones: ten photos that
happen to be equally bright do not make an eleventh a stranger. Ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LookLaw:
    """
    Independent normal laws of the looks of one kind of photos.

    Parameters
    ----------
    photos : int
        Behind the numbers.
    mean, sd : mapping of str to float
        By name of `OF_THE_PICTURE`; standard deviations above 0.

    Raises
    ------
    InputError
        If names are missing or unknown, or numbers out of range.
    """

    photos: int
    mean: Mapping[str, float]
    sd: Mapping[str, float]

    def __post_init__(self) -> None:
        check_law(self.mean, self.sd, OF_THE_PICTURE)

    def log_density(self, look: Mapping[str, float]) -> float:
        """Logarithm of the density at ``look``, over the numbers that it has."""
        return sum(
            -0.5 * ((look[name] - self.mean[name]) / self.sd[name]) ** 2 - math.log(self.sd[name])
            for name in OF_THE_PICTURE
            if name in look
        )


def own_law(looks: Sequence[Mapping[str, float]], other: LookLaw) -> LookLaw:
    """
    Law of own photos, its spreads held up by `PRIOR_PHOTOS` photos of the ``other`` law's.

    The variance is the mean of a scaled inverse chi-squared posterior in round figures (Gelman et al.,
    Bayesian Data Analysis, 3rd ed. 2013, section 2.6; from memory), times 1 + 1/n since the mean is an
    estimate too.

    Raises
    ------
    InputError
        If a number is in fewer than two of the looks.
    """
    mean, sd = {}, {}
    for name in OF_THE_PICTURE:
        values = [look[name] for look in looks if name in look]
        count = len(values)
        if count < 2:
            raise InputError(f"{count} photos show {name!r}; needs 2")
        mean[name] = sum(values) / count
        square = sum((v - mean[name]) ** 2 for v in values) + PRIOR_PHOTOS * other.sd[name] ** 2
        sd[name] = math.sqrt(square / (count - 1 + PRIOR_PHOTOS) * (1 + 1 / count))
    return LookLaw(photos=len(looks), mean=mean, sd=sd)


@dataclass(frozen=True, slots=True, kw_only=True)
class LookBias:
    """
    Two kinds of photos, and the biases of those that are not one's own.

    Parameters
    ----------
    own, elsewhere : LookLaw
    dentine_bias_px, enamel_bias_px : float
        Elsewhere; those of own photos are the edge model's. [crop px]
    """

    own: LookLaw
    elsewhere: LookLaw
    dentine_bias_px: float
    enamel_bias_px: float

    def share(self, look: Mapping[str, float]) -> float:
        """
        Probability that a photo is of the own kind, either being as likely beforehand; 0.5 without a look.
        """
        odds = self.own.log_density(look) - self.elsewhere.log_density(look)
        return 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, odds))))

    def edge_model(self, own: EdgeModel, look: Mapping[str, float]) -> EdgeModel:
        """
        ``own`` with the biases that a photo of this look gets.

        With the probability p of either kind, the bias is the mean of both, and its variance
        p (1 - p) (difference)^2 is added to what all profiles of a crest share: an edge has half the variance
        of a width.
        """
        share = self.share(look)
        values, least = {}, 0.0
        for key in ("dentine_bias_px", "enamel_bias_px"):
            here, there = getattr(own, key), getattr(self, key)
            values[key] = share * here + (1 - share) * there
            least = max(least, abs(here - there))
        common = math.hypot(own.common_px, least * math.sqrt(share * (1 - share) / 2))
        return replace(own, **values, common_px=common)

    def to_mapping(self) -> dict[str, Any]:
        """Plain table for a data file; `from_mapping` reads it back."""
        laws = {
            name: {"photos": law.photos, "mean": dict(law.mean), "sd": dict(law.sd)}
            for name, law in (("own", self.own), ("elsewhere", self.elsewhere))
        }
        return {"dentine_bias_px": self.dentine_bias_px, "enamel_bias_px": self.enamel_bias_px, **laws}

    @classmethod
    def from_mapping(cls, table: Mapping[str, Any]) -> LookBias:
        """
        From the table of a data file.

        Raises
        ------
        InputError
            If a key is missing or unknown, or a number out of range.
        """
        known = {"dentine_bias_px", "enamel_bias_px", "own", "elsewhere"}
        if set(table) != known:
            raise InputError(f"look bias: keys {', '.join(sorted(table))}; needs {', '.join(sorted(known))}")
        try:
            dentine, enamel = float(table["dentine_bias_px"]), float(table["enamel_bias_px"])
            laws = {
                name: LookLaw(
                    photos=int(table[name]["photos"]),
                    mean={key: float(value) for key, value in table[name]["mean"].items()},
                    sd={key: float(value) for key, value in table[name]["sd"].items()},
                )
                for name in ("own", "elsewhere")
            }
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise InputError(f"look bias: {error!r}; needs photos, mean and sd of both kinds") from error
        if not math.isfinite(dentine + enamel):
            raise InputError(f"look bias: {dentine}, {enamel}; needs finite numbers")
        return cls(dentine_bias_px=dentine, enamel_bias_px=enamel, **laws)
