"""Noise of a scan as it shows in heights over a smooth surface: how much, and how far it goes together."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]

#: Distances at which heights are compared, mm: scan noise goes together over some mm (common practice, no
#: source), and what changes over more than that is shape.
_LAGS_MM = np.array([0.3, 0.6, 0.9, 1.2, 1.6, 2.0, 2.5, 3.0, 3.6, 4.2])
_LENGTHS_MM = np.arange(0.6, 3.05, 0.1)
#: Places that are compared with all about them, and how many these are at most.
_PLACES, _ABOUT = 2000, 400
#: Within so much of the target a part is taken to be meant to be at it.
_QUIET_MM = 0.1
#: Where it is not, a quadratic surface over this radius is taken off about so many places.
_LEVEL_MM, _LEVELLED_PLACES = 4.2, 1000
#: Quartile of the standard normal distribution: half of all differences are smaller than this many sigma.
_QUARTILE = 0.6744897501960817
#: More than this is no scan noise but a surface that is rough itself (common practice, no source). Then only
#: what differs from point to point is noise, and of the rest this much, going together over 2 mm, may be.
_MOST_MM, _ASSUMED_MM, _ASSUMED_LENGTH_MM = 0.06, 0.02, 2.0
#: Linear interpolation between vertices makes their noise go together over this share of an edge.
_EDGE_SHARE = 0.45


@dataclass(frozen=True)
class Noise:
    """Two kinds at once: ``white_mm`` from vertex to vertex, ``smooth_mm`` together over ``length_mm``.

    ``white_length_mm`` is how far the facets of the scan carry the first kind.
    """

    white_mm: float
    smooth_mm: float
    length_mm: float
    white_length_mm: float

    @property
    def scale_mm(self) -> float:
        """Standard deviation at one point."""
        return float(np.hypot(self.white_mm, self.smooth_mm))

    @property
    def white_density_mm4(self) -> float:
        """Variance that the first kind leaves in a mean, times the area of that mean."""
        return float(2.0 * np.pi * (self.white_mm * self.white_length_mm) ** 2)

    def smooth_covariance(self, squared_mm2: Floats) -> Floats:
        """Covariance of the second kind between places so far apart, squared, mm^2."""
        return np.asarray(self.smooth_mm**2 * np.exp(-0.5 / self.length_mm**2 * squared_mm2))


def noise_of(points: Floats, normals: Floats, height_mm: Floats, *, edge_mm: float) -> Noise:
    """Noise of heights at points of a smooth surface.

    Parameters
    ----------
    points, normals, height_mm : (n, 3), (n, 3) and (n,), finite
    edge_mm : usual length of the scan's edges

    Notes
    -----
    A variogram from medians of absolute differences, which neither bumps nor low spots on less than half of
    the surface disturb (after N. Cressie and D. M. Hawkins, "Robust estimation of the variogram",
    Mathematical Geology 12, 1980; cited from memory), to which the two kinds are fitted with weights of its
    own size. Where most of the part is not at the target, differences are taken from what a quadratic surface
    about each place leaves, and the same is done to the two kinds.
    """
    white_length = max(_EDGE_SHARE * edge_mm, 0.05)
    quiet = np.abs(height_mm) <= _QUIET_MM
    if quiet.mean() > 0.5:
        lag, half_square = _variogram(points[quiet], height_mm[quiet])
        grown = _plain_growth
    else:
        lag, half_square = _levelled_variogram(points, normals, height_mm)
        grown = levelled_growth
    if len(lag) < 3 or half_square.max() <= 0.0:
        return Noise(0.0, 0.0, _ASSUMED_LENGTH_MM, white_length)
    best = (np.inf, 0.0, 0.0, _ASSUMED_LENGTH_MM)
    scale = 1.0 / np.maximum(half_square, 1e-3 * half_square.max())
    of_white = grown(lag, white_length)
    for length in _LENGTHS_MM:
        both = np.column_stack([of_white, grown(lag, length)])
        (white, smooth), miss = nnls(both * scale[:, None], half_square * scale)
        if miss < best[0] - 1e-12:
            best = (miss, white, smooth, float(length))
    _, white, smooth, length = best
    if white + smooth <= _MOST_MM**2:
        return Noise(float(np.sqrt(white)), float(np.sqrt(smooth)), length, white_length)
    white = min(white, float(half_square[0]), _MOST_MM**2)
    return Noise(float(np.sqrt(white)), _ASSUMED_MM, _ASSUMED_LENGTH_MM, white_length)


def _plain_growth(lag_mm: Floats, length_mm: float) -> Floats:
    """Half the variance of a difference of heights so far apart, for noise of variance 1."""
    return np.asarray(1.0 - np.exp(-0.5 * (lag_mm / length_mm) ** 2))


def levelled_growth(lag_mm: Floats, length_mm: float) -> Floats:
    """The same for what a quadratic surface about the one place leaves, from a lattice of points."""
    step = np.arange(-_LEVEL_MM, _LEVEL_MM + 0.01, _LEVEL_MM / 8.0)
    plane = np.stack(np.meshgrid(step, step), axis=-1).reshape(-1, 2)
    plane = plane[np.hypot(*plane.T) <= _LEVEL_MM]
    base = np.linalg.qr(_quadratic(plane))[0]
    left = np.eye(len(plane)) - base @ base.T
    squared = ((plane[:, None] - plane[None]) ** 2).sum(axis=-1)
    covariance = left @ np.exp(-0.5 * squared / length_mm**2) @ left
    middle = int(np.argmin(np.hypot(*plane.T)))
    variance = np.diag(covariance)
    half = 0.5 * (variance[middle] + variance) - covariance[middle]
    away = np.hypot(*plane.T)
    order = np.argsort(away, kind="stable")
    # Directions at one distance differ a little: a running mean takes their middle.
    smooth = np.convolve(half[order], np.ones(8) / 8.0, mode="valid")
    return np.interp(lag_mm, np.convolve(away[order], np.ones(8) / 8.0, mode="valid"), smooth)


def _quadratic(plane: Floats) -> Floats:
    x, y = plane[..., 0], plane[..., 1]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def _levelled_variogram(points: Floats, normals: Floats, height: Floats) -> tuple[Floats, Floats]:
    """Like :func:`_variogram`, of what is left of heights about each place without a quadratic surface."""
    some = np.arange(0, len(points), max(1, len(points) // _LEVELLED_PLACES))
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    distance, row = tree.query(points[some], k=min(_ABOUT, len(points)), distance_upper_bound=_LEVEL_MM)
    there = np.isfinite(distance)
    full = there.sum(axis=1) >= 0.85 * np.median(there.sum(axis=1))
    some, distance, row, there = some[full], distance[full], row[full], there[full]
    if len(some) == 0 or there.shape[1] < 30:
        return np.empty(0), np.empty(0)
    row = np.where(there, row, 0)
    normal = normals[some]
    side = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal), axis=1)])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    off = points[row] - points[some][:, None, :]
    plane = np.stack([off @ side[:, :, None], off @ np.cross(normal, side)[:, :, None]], axis=-1)[:, :, 0, :]
    terms = np.where(there[..., None], _quadratic(plane / _LEVEL_MM), 0.0)
    value = np.where(there, height[row], 0.0)
    gram = terms.transpose(0, 2, 1) @ terms + 1e-9 * np.eye(6)
    fitted = np.linalg.solve(gram, terms.transpose(0, 2, 1) @ value[..., None])
    left = value - (terms @ fitted)[..., 0]
    nearest = np.argmin(np.where(there, distance, np.inf), axis=1)
    change = np.abs(left - np.take_along_axis(left, nearest[:, None], axis=1))
    return _classes(distance[there], change[there])


def _variogram(points: Floats, height: Floats) -> tuple[Floats, Floats]:
    """Mean distances, and half the variance of differences there, by the classes that have enough pairs."""
    if len(points) < 50:
        return np.empty(0), np.empty(0)
    some = np.arange(0, len(points), max(1, len(points) // _PLACES))
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    distance, row = tree.query(
        points[some], k=min(_ABOUT, len(points)), distance_upper_bound=_LAGS_MM[-1], workers=-1
    )
    first, column = np.nonzero(np.isfinite(distance))
    change = np.abs(height[row[first, column]] - height[some[first]])
    return _classes(distance[first, column], change)


def _classes(apart: Floats, change: Floats) -> tuple[Floats, Floats]:
    """Classes of distance: their means, and half the variance of changes from their medians."""
    group = np.where(apart > 0.0, np.searchsorted(_LAGS_MM, apart), -1)
    lags, values = [], []
    for k in range(len(_LAGS_MM)):
        mine = group == k
        if mine.sum() >= 100:
            lags.append(float(apart[mine].mean()))
            values.append(0.5 * float(np.median(change[mine]) / _QUARTILE) ** 2)
    return np.array(lags), np.array(values)
