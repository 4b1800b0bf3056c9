"""Noise of the scan: of one point, and of an area once its correlation is averaged in."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.fit import robust_scale

#: Side of the patches whose means show correlated noise, mm; scan noise goes together over some mm
#: (common practice, no source).
_PATCH_MM = 8.0


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
    u: NDArray[np.float64],
    v: NDArray[np.float64],
    residual_mm: NDArray[np.float64],
    weights: NDArray[np.float64],
    radius_mm: float,
) -> Noise:
    """Noise from the residuals of trusted points.

    Block means: the variance of a mean over patches much larger than the correlation length, times
    the patch area, is the noise density at long waves, whatever the shape of the correlation.
    """
    scale = robust_scale(residual_mm)
    per_turn = max(4, round(2.0 * np.pi * radius_mm / _PATCH_MM))
    column = np.floor(np.mod(v, 2.0 * np.pi) / (2.0 * np.pi) * per_turn).astype(int) % per_turn
    row = np.floor((u - u.min()) / _PATCH_MM).astype(int)
    patch = row * per_turn + column
    count = np.bincount(patch)
    weight = np.bincount(patch, weights)
    full = count >= max(4.0, 0.6 * float(np.median(count[count > 0])))
    mean = np.bincount(patch, weights * residual_mm)[full] / np.maximum(weight[full], 1e-300)
    area = _PATCH_MM * 2.0 * np.pi * radius_mm / per_turn
    per_point = float(np.median(weights))
    # The median keeps a sticker or a boss from passing for noise; 2.198 makes it a variance for Gaussian
    # means.
    return Noise(scale, max(2.198 * float(np.median(mean * mean)) * area, scale * scale * per_point))
