"""Noise of the scan: of one point, and of an area once its correlation is averaged in."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import erf

from gaploft.surface.fit import robust_scale

#: Sides of the patches whose means show correlated noise, mm; scan noise goes together over some mm
#: (common practice, no source).
_PATCHES_MM = (4.0, 8.0)
#: Correlation lengths that are believed, mm: scan noise has 1 to 3 (common practice, no source); beyond that,
#: shape and noise can't be told apart.
_SHORTEST_MM, _LONGEST_MM = 0.05, 3.0

#: Share of the patch means that are kept, and mean of these smallest squares of unit Gaussians:
#: P(chi-square of 3 below q) / 0.9 with q the 0.9 quantile of chi-square of 1.
_KEPT, _KEPT_SHARE = 0.9, 0.6231

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Noise:
    """``scale_mm`` of one point; ``density_mm4``: the variance of a mean times the area it is taken over."""

    scale_mm: float
    density_mm4: float

    @property
    def correlated_mm2(self) -> float:
        """Area of one independent piece of noise."""
        return self.density_mm4 / max(self.scale_mm**2, 1e-18)


def scan_noise(
    u: Floats,
    v: Floats,
    residual_mm: Floats,
    weights: Floats,
    *,
    radius_mm: float,
    taken_per_mm2: float,
) -> Noise:
    """Noise from the residuals of trusted points.

    Parameters
    ----------
    taken_per_mm2 : variance of the fitted surface over the noise density: the share of the noise that the
        fit itself followed, for each mm^2 that a mean is taken over

    Notes
    -----
    Block means: the variance of a mean over patches much larger than the correlation length, times the patch
    area, is the noise density at long waves. Patches that are not much larger show a share of it only, which
    follows from how the variance grows from one patch size to the next, for a correlation that falls as
    ``exp(-d^2 / 2 l^2)``.
    """
    scale = robust_scale(residual_mm)
    per_point = scale * scale * float(np.median(weights))
    small, large = (
        _block_density(u, v, residual_mm, weights, radius_mm, side, taken_per_mm2) for side in _PATCHES_MM
    )
    if not 0.0 < small < large:
        return Noise(scale, max(large, per_point))
    length = correlation_length(small / large)
    return Noise(scale, max(large / seen_share(_PATCHES_MM[1] / length), per_point))


def seen_share(sides_in_lengths: float) -> float:
    """Variance of the mean over a square patch, times its area, over the density at long waves.

    Closed form for a correlation of ``exp(-d^2 / 2 l^2)`` and patches of so many correlation lengths.
    """
    x = sides_in_lengths
    along = erf(x / np.sqrt(2.0)) - np.sqrt(2.0 / np.pi) / x * (1.0 - np.exp(-0.5 * x * x))
    return float(along * along)


def correlation_length(ratio: float) -> float:
    """Correlation length in mm at which the small patches see this share of what the large ones do."""

    def off(length: float) -> float:
        small, large = (seen_share(side / length) for side in _PATCHES_MM)
        return small / large - ratio

    if off(_SHORTEST_MM) <= 0.0:
        return _SHORTEST_MM
    if off(_LONGEST_MM) >= 0.0:
        return _LONGEST_MM
    return float(brentq(off, _SHORTEST_MM, _LONGEST_MM))


def _block_density(
    u: Floats,
    v: Floats,
    residual_mm: Floats,
    weights: Floats,
    radius_mm: float,
    side_mm: float,
    taken_per_mm2: float,
) -> float:
    """Variance of patch means times the patch area, with what the fit took of it added, mm^4."""
    per_turn = max(4, round(2.0 * np.pi * radius_mm / side_mm))
    column = np.floor(np.mod(v, 2.0 * np.pi) / (2.0 * np.pi) * per_turn).astype(int) % per_turn
    row = np.floor((u - u.min()) / side_mm).astype(int)
    patch = row * per_turn + column
    count = np.bincount(patch)
    weight = np.bincount(patch, weights)
    full = count >= max(4.0, 0.7 * float(np.median(count[count > 0])))
    mean = np.bincount(patch, weights * residual_mm)[full] / np.maximum(weight[full], 1e-300)
    area = side_mm * 2.0 * np.pi * radius_mm / per_turn
    # Without the largest tenth, a sticker or a boss does not pass for noise.
    squares = np.sort(mean * mean)[: max(1, int(_KEPT * len(mean)))]
    variance = float(squares.mean()) / _KEPT_SHARE
    return variance * area / max(1.0 - area * taken_per_mm2, 0.3)
