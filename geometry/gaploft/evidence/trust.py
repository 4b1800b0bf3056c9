"""Who is trusted: how far from the damage the scan still shows the original surface."""

import numpy as np
from numpy.typing import NDArray

#: Nothing closer to the marked damage than this is trusted, mm.
SMALLEST_MARGIN_MM = 1.0
_BIN_MM = 1.0
_SECTORS = 8
#: What lies between one and this many reaches from the damage shows what a sector looks like undamaged.
CONTROL_REACHES = 3


def rim_margin(
    distance_mm: NDArray[np.float64],
    v: NDArray[np.float64],
    residual_mm: NDArray[np.float64],
    spread_mm: NDArray[np.float64],
    *,
    scale_mm: float,
    correlated_mm2: float,
    radius_mm: float,
    reach_mm: float,
) -> float:
    """Distance from the damage within which the scan departs from a surface that was fitted further out.

    Parameters
    ----------
    distance_mm, v, residual_mm : (n,) of the points near one rim, to ``CONTROL_REACHES`` reaches from it
    spread_mm : (n,) standard deviation of that surface where the points are
    scale_mm : noise of one point
    correlated_mm2 : area over which the noise of points goes together
    radius_mm : mean radius of the tube
    reach_mm : how far from the damage points were kept out of that fit

    Returns
    -------
    float
        Margin in mm; ``reach_mm`` when even the outermost ring of it departs.

    Notes
    -----
    Rings 1 mm wide in eight sectors. A sector departs when its median residual is beyond what correlated
    noise of so many independent patches and the surface's own spread can do, and beyond what the same
    sector shows further out, where nothing is damaged; or when a tenth of its points are beyond four
    standard deviations there.
    """
    n_bins = max(1, round(reach_mm / _BIN_MM))
    ring = np.floor(distance_mm / reach_mm * n_bins).astype(int)
    near = (ring >= 0) & (ring < CONTROL_REACHES * n_bins)
    # Sectors are counted from where the residuals are largest, so that they lie the same in any pose.
    start = np.angle(np.sum(np.abs(residual_mm[near]) * np.exp(1j * v[near])))
    sector = (
        np.floor(np.mod(v[near] - start, 2.0 * np.pi) * (_SECTORS / (2.0 * np.pi))).astype(int) % _SECTORS
    )
    cell, residual, spread = ring[near] * _SECTORS + sector, residual_mm[near], spread_mm[near]
    n_cells = CONTROL_REACHES * n_bins * _SECTORS
    order = np.lexsort((residual, cell))
    count = np.bincount(cell, minlength=n_cells)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    seen = count >= 5
    cells = np.zeros((3, n_cells))
    median, mean_spread, far = cells
    median[seen] = np.abs(residual[order][first[seen] + count[seen] // 2])
    mean_spread[seen] = np.bincount(cell, spread, minlength=n_cells)[seen] / count[seen]
    outlying = np.abs(residual) > 4.0 * np.hypot(scale_mm, spread)
    far[seen] = np.bincount(cell, outlying, minlength=n_cells)[seen] / count[seen]
    median, mean_spread, far = cells.reshape(3, -1, _SECTORS)
    patches = max(1.0, _BIN_MM * 2.0 * np.pi * radius_mm / _SECTORS / max(correlated_mm2, 1e-9))
    # 3.3 standard deviations of a median (1.25 of a mean's), for some hundred cells looked at.
    limit = 3.3 * np.hypot(1.25 * scale_mm / np.sqrt(patches), mean_spread[:n_bins])
    usual = np.quantile(median[n_bins:], 0.95, axis=0), np.quantile(far[n_bins:], 0.95, axis=0)
    departs = median[:n_bins] > np.maximum(limit, 1.5 * usual[0])
    departs |= far[:n_bins] > np.maximum(0.1, 1.5 * usual[1])
    rings = np.flatnonzero(departs.any(axis=1))
    if not len(rings):
        return SMALLEST_MARGIN_MM
    outermost = (rings[-1] + 1) * reach_mm / n_bins
    # A dent runs out gently: its last tenths hide in the noise, so a share is added.
    return float(min(reach_mm, 1.2 * outermost + SMALLEST_MARGIN_MM))
