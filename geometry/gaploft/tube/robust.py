"""Robust least squares on scan points: what does not fit is left out, and noise goes together over mm."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Tukey's constant: 95 % as good as least squares on normal noise.
TUKEY = 4.685
#: Points so close together share their noise; side of the blocks that are taken as one, mm.
BLOCK_MM = 6.0


def tukey(residual: Floats, scale: float) -> Floats:
    """Tukey's biweight, 1 at 0 and 0 from 4.685 scales on."""
    return np.asarray(np.maximum(1.0 - (residual / (TUKEY * scale)) ** 2, 0.0) ** 2)


def blocks(points: Floats) -> NDArray[np.intp]:
    """Number of the block that each point (n, 3) lies in."""
    place = np.floor((points - points.min(axis=0)) / BLOCK_MM).astype(np.int64)
    key = np.ravel_multi_index(tuple(place.T), tuple(place.max(axis=0) + 1))
    return np.asarray(np.unique(key, return_inverse=True)[1].reshape(-1))


def sandwich(columns: Floats, residual: Floats, scale: float, block: NDArray[np.intp]) -> Floats:
    """Covariance (k, k) of an estimate with Tukey's weights, blocks being independent.

    Parameters
    ----------
    columns : (n, k) what each unknown does to the residuals
    residual : (n,) what is left
    block : (n,) number of each point's block

    Notes
    -----
    Cluster sandwich: K.-Y. Liang and S. L. Zeger, Biometrika 73(1), 1986 (cited from memory).
    """
    square = np.minimum((residual / (TUKEY * scale)) ** 2, 1.0)
    bread = np.linalg.inv((columns * ((1.0 - square) * (1.0 - 5.0 * square))[:, None]).T @ columns)
    pull = columns * (residual * (1.0 - square) ** 2)[:, None]
    n_blocks, k = int(block.max()) + 1, columns.shape[1]
    summed = np.column_stack([np.bincount(block, pull[:, j], minlength=n_blocks) for j in range(k)])
    return np.asarray(bread @ (summed.T @ summed) @ bread.T * (n_blocks / max(n_blocks - k, 1)))
