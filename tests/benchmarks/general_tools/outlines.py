"""Smooth closed outlines through noisy points, in polar coordinates about a point inside."""

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import make_smoothing_spline

Floats = NDArray[np.float64]

N_AROUND = 480
#: Bins of the rough outline that strays are told by and arc length is measured on.
_N_ROUGH = 48
#: Pieces that the points are averaged in, so that the spline has few to go through.
_PIECE_MM, _MOST_PIECES = 0.4, 360


def angles(n: int = N_AROUND) -> Floats:
    """``n`` evenly spaced angles of one turn."""
    return np.arange(n) * (2 * np.pi / n)


def directions(n: int = N_AROUND) -> Floats:
    """Cosine and sine of :func:`angles`, (2, n)."""
    return np.stack([np.cos(angles(n)), np.sin(angles(n))])


def smooth_ring(angle: Floats, radius: Floats, n: int = N_AROUND) -> Floats:
    """A smooth closed outline through noisy polar points, at ``n`` even angles.

    A cubic smoothing spline over the arc length of the rough outline, its stiffness by generalised
    cross-validation; the ring is closed by half a turn of copies on each side.
    """
    rough = _rough_outline(angle, radius)
    bins = np.round(angle * (_N_ROUGH / (2 * np.pi))).astype(int) % _N_ROUGH
    stray = np.abs(radius - _at(rough, angle))
    typical = np.median(stray)
    spread = np.abs(np.roll(rough, 1) - np.roll(rough, -1))[bins]
    keep = stray <= 6.0 * typical + 0.5 * spread + 0.02
    corner = rough[:, None] * directions(_N_ROUGH).T
    side = np.linalg.norm(np.roll(corner, -1, axis=0) - corner, axis=1)
    length = np.concatenate([[0.0], np.cumsum(side)])
    turn = np.linspace(0.0, 2 * np.pi, _N_ROUGH + 1)
    arc = np.interp(angle[keep] % (2 * np.pi), turn, length)
    arc, radius = _means(arc, radius[keep], length[-1])
    low, high = arc > 0.5 * length[-1], arc <= 0.5 * length[-1]
    wrapped = np.concatenate([arc[low] - length[-1], arc, arc[high] + length[-1]])
    spline = make_smoothing_spline(wrapped, np.concatenate([radius[low], radius, radius[high]]))
    return np.asarray(spline(np.interp(angles(n), turn, length)))


def centre_of(flat: Floats) -> Floats:
    """Centroid of the area inside an outline given by its points in a plane, (n, 2)."""
    centre = np.median(flat, axis=0)
    for _ in range(3):
        away = flat - centre
        rough = _rough_outline(np.arctan2(away[:, 1], away[:, 0]), np.hypot(*away.T))
        corner = rough[:, None] * directions(_N_ROUGH).T
        after = np.roll(corner, -1, axis=0)
        area = corner[:, 0] * after[:, 1] - corner[:, 1] * after[:, 0]
        centre = centre + ((corner + after) * area[:, None]).sum(axis=0) / (3.0 * area.sum())
    return np.asarray(centre)


def _means(arc: Floats, radius: Floats, length: float) -> tuple[Floats, Floats]:
    """Means of the points in short pieces of the outline, so that the spline has few to go through."""
    piece = np.minimum(arc / max(length / _MOST_PIECES, _PIECE_MM), 1e6).astype(int)
    count = np.bincount(piece)
    used = count > 0
    mean_arc, mean_radius = (np.bincount(piece, value)[used] / count[used] for value in (arc, radius))
    return mean_arc, mean_radius


def _rough_outline(angle: Floats, radius: Floats) -> Floats:
    """Median radius in each of the rough bins, empty ones bridged."""
    index = np.round(angle * (_N_ROUGH / (2 * np.pi))).astype(int) % _N_ROUGH
    order = np.argsort(index, kind="stable")
    parts = np.split(radius[order], np.searchsorted(index[order], np.arange(1, _N_ROUGH)))
    filled = np.array([i for i, part in enumerate(parts) if len(part)])
    middle = np.array([np.median(parts[i]) for i in filled])
    return np.interp(np.arange(_N_ROUGH), filled, middle, period=_N_ROUGH)


def _at(rough: Floats, angle: Floats) -> Floats:
    return np.interp(angle, angles(_N_ROUGH), rough, period=2 * np.pi)
