"""Noise of points about a surface: of one, and of an area that many share."""

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.fit import robust_scale

Floats = NDArray[np.float64]

#: Side of the blocks whose means show how far noise goes together, mm.
_BLOCK_MM = 6.0
#: Share of the smallest squared means that are kept, and what they come to for unit Gaussians: see
#: gaploft.evidence.noise.
_KEPT, _KEPT_SHARE = 0.9, 0.6231
_FEWEST_BLOCKS = 12


def noise_of(points: Floats, residual_mm: Floats, areas: Floats) -> tuple[float, float]:
    """Standard deviation of one point, mm, and noise density: variance of a mean times its area, mm^4."""
    scale = max(robust_scale(residual_mm), 1e-3)
    single = scale * scale * float(np.median(areas))
    cell = np.floor((points - points.min(axis=0)) / _BLOCK_MM).astype(np.int64)
    key = np.ravel_multi_index(tuple(cell.T), tuple(cell.max(axis=0) + 1))
    block = np.unique(key, return_inverse=True)[1].reshape(-1)
    clipped = np.clip(residual_mm, -4.0 * scale, 4.0 * scale)
    area = np.bincount(block, areas)
    full = area > 0.5 * float(np.quantile(area, 0.8))
    if full.sum() < _FEWEST_BLOCKS:
        return scale, 2.0 * single
    mean = np.bincount(block, areas * clipped)[full] / area[full]
    squares = np.sort(mean * mean * area[full])[: int(_KEPT * full.sum())]
    return scale, max(single, float(squares.mean()) / _KEPT_SHARE)
