"""Heights over a plane by radial basis functions (SciPy), where the surroundings are a height field."""

from collections.abc import Callable

import numpy as np
from scipy.interpolate import RBFInterpolator

from .broken_patch import Floats, NoAnswer, PatchScan, Sheet
from .quadrics import on_quadrics, spread

#: The surroundings reach one width of the patch beyond the margin, or less where they turn away.
_REACH_SHARES = (1.0, 0.5, 0.25, 0.125)
#: No normal may lean farther from the plane's, one in a thousand aside: single facets of a scan do.
_STEEPEST_DEG, _SHARE_STEEPER = 80.0, 1e-3
_FEWEST, _MOST = 100, 1200
_SMOOTHINGS = tuple(10.0 ** np.arange(-4, 9, 2))
_N_SECTORS = 8
_GRID_MM = 0.5
#: Degree of the polynomial under each kernel, the least that makes its system definite.
_DEGREES = {"thin_plate_spline": 1, "quintic": 2}


def over_plane(scan: PatchScan, kernel: str) -> Sheet:
    """Heights of the smoothed surroundings carried on over the hole, on a grid in the plane.

    Raises ``NoAnswer`` where the surroundings are no height field.
    """
    around, frame = _field(scan)
    points, _ = on_quadrics(around, spread(around.vertices, _MOST))
    origin = points.mean(axis=0)
    local = (points - origin) @ frame.T
    gone = (scan.sheet.vertices[scan.away_mm <= scan.margin_mm] - origin) @ frame[:2].T
    height = carried_on(local[:, :2], local[:, 2], gone.mean(axis=0), kernel)
    x, y = (np.arange(gone[:, i].min() - 1.0, gone[:, i].max() + 1.0, _GRID_MM) for i in range(2))
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    number = np.arange(len(grid)).reshape(len(x), len(y))
    a, b, c, d = (
        part.ravel() for part in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:])
    )
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    return Sheet(origin + np.column_stack([grid, height(grid)]) @ frame, faces)


def carried_on(flat: Floats, height: Floats, middle: Floats, kernel: str) -> Callable[[Floats], Floats]:
    """Interpolator of heights (n,) over places (n, 2), smoothed as serves best to bridge what is left out.

    Left out in turns are sectors about the middle: generalised cross-validation would take noise that goes
    together for shape (Y. Wang, "Smoothing spline models with correlated random errors", Journal of the
    American Statistical Association 93, 1998, cited from memory).
    """

    def laid(kept: Floats, smoothing: float) -> Callable[[Floats], Floats]:
        return RBFInterpolator(
            flat[kept], height[kept], kernel=kernel, degree=_DEGREES[kernel], smoothing=smoothing
        )

    angle = np.arctan2(*(flat - middle).T)
    sector = np.floor((angle / (2 * np.pi) + 0.5) * _N_SECTORS).astype(int) % _N_SECTORS
    missed = [
        sum(
            float(np.sum((laid(sector != k, smoothing)(flat[sector == k]) - height[sector == k]) ** 2))
            for k in np.unique(sector)
        )
        for smoothing in _SMOOTHINGS
    ]
    return laid(np.ones(len(flat), dtype=bool), _SMOOTHINGS[int(np.argmin(missed))])


def _field(scan: PatchScan) -> tuple[Sheet, Floats]:
    """Surroundings as wide as they are a height field, and the plane's frame, its normal last.

    The plane is the best fit, or where the surroundings hide behind that one, across the mean normal.
    """
    for share in _REACH_SHARES:
        around = scan.around(share * scan.width_mm)
        if len(around.vertices) < _FEWEST:
            continue
        mean = around.normals.mean(axis=0)
        flat = np.linalg.svd(around.vertices - around.vertices.mean(axis=0), full_matrices=False)[2]
        for up in (flat[2] * np.sign(flat[2] @ mean), mean / np.linalg.norm(mean)):
            if np.quantile(around.normals @ up, _SHARE_STEEPER) > np.cos(np.deg2rad(_STEEPEST_DEG)):
                first = flat[0] - (flat[0] @ up) * up
                first /= np.linalg.norm(first)
                return around, np.stack([first, np.cross(up, first), up])
    raise NoAnswer("the surroundings are no height field over a plane")
