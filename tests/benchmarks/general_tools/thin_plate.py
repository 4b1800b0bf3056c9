"""A thin-plate radial-basis unrolling (SciPy): radius over length and angle, on a linear blend."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator, RectBivariateSpline

from .broken_scan import MARGIN_MM, BrokenScan, Patch, strip_faces, trusted
from .outlines import N_AROUND, angles, centre_of, directions, smooth_ring
from .rings import collars

Floats = NDArray[np.float64]

#: The flanks used on each side: so many diameters, and at most and at least so long (mm).
_FLANK_DIAMETERS, _LONGEST_MM, _SHORTEST_MM = 2.0, 90.0, 30.0
#: Points are averaged in cells, so many in all: the system is dense.
_CELLS, _SMALLEST_CELL_MM = 1600, 1.0
#: Of 0.1, 1, 10 and 100 the last did best on development tubes with 0.02 mm of noise.
_SMOOTHING = 100.0
#: So much of a turn is repeated on each side, which closes the unrolled sheet to a tube.
_WRAPPED = 0.25
_ROW_MM, _COARSE_MM = 1.0, 2.5
#: Half the width of the slices that the linear blend runs between (mm).
_SLICE_MM = 2.0
_N_CENTRES, _FEWEST_IN_SLICE = 10, 40
#: Farther from the axis than so many flank lengths lies another tube.
_OTHER_TUBE = 0.7


def thin_plate(scan: BrokenScan) -> Patch:
    """Unroll about the line between the clean rings; a thin plate takes what a linear blend leaves."""
    return _unrolled_about(scan, 1)


def thin_plate_on_cubic(scan: BrokenScan) -> Patch:
    """The same about a cubic through the centres of many slices: more than a general tool would know.

    A bent tube's bow is then no longer left to the plate, which flattens it within a radius.
    """
    return _unrolled_about(scan, 3)


def _unrolled_about(scan: BrokenScan, degree: int) -> Patch:
    start, end = (collar.centre(MARGIN_MM) for collar in collars(scan))
    length = float(np.linalg.norm(end - start))
    frame = _frame((end - start) / length)
    points = (scan.vertices[trusted(scan)] - start) @ frame.T
    axis = _axis(points, length, degree)
    points[:, 1:] -= axis(points[:, 0])
    along, angle, radius = _unrolled(points, length)
    ends = np.array([-_SLICE_MM, length + _SLICE_MM])
    rings = [_ring_at(along, angle, radius, at) for at in ends]
    left = radius - _blend(rings, (along - ends[0]) / np.ptp(ends), angle)
    rows = np.linspace(0.0, length, round(length / _ROW_MM) + 1)
    departure = _departure(along, angle, left, float(rings[0].mean()), rows)
    share = (rows - ends[0]) / np.ptp(ends)
    grid = (1 - share[:, None]) * rings[0] + share[:, None] * rings[1] + departure
    centre = np.column_stack([rows, axis(rows)]) @ frame
    vertices = start + centre[:, None] + grid[..., None] * (directions().T @ frame[1:])
    return Patch(vertices.reshape(-1, 3), strip_faces(len(rows), N_AROUND))


def _frame(axis: Floats) -> Floats:
    """Rows: the axis and two directions across it."""
    first = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    first /= np.linalg.norm(first)
    return np.stack([axis, first, np.cross(axis, first)])


def _axis(points: Floats, length: float, degree: int) -> Callable[[Floats], Floats]:
    """The centreline across the line between the rings: a polynomial through the centres of slices."""
    radius, flank = np.hypot(points[:, 1], points[:, 2]), _flank(points)
    station, centre = [], []
    for beyond in np.linspace(_SLICE_MM, flank - _SLICE_MM, _N_CENTRES):
        for at in (-beyond, length + beyond):
            near = (np.abs(points[:, 0] - at) < _SLICE_MM) & (radius < _OTHER_TUBE * flank)
            if np.count_nonzero(near) >= _FEWEST_IN_SLICE:
                station.append(at)
                centre.append(centre_of(points[near, 1:]))
    middle, half = 0.5 * length, 0.5 * length + flank
    power = np.polynomial.polynomial.polyfit((np.array(station) - middle) / half, np.array(centre), degree)
    return lambda along: np.polynomial.polynomial.polyval((along - middle) / half, power).T


def _flank(points: Floats) -> float:
    """How much of each flank is used, mm."""
    near = np.abs(points[:, 0] + _SLICE_MM) < 3.0 * _SLICE_MM
    size = float(np.median(np.hypot(points[near, 1], points[near, 2])))
    return float(np.clip(2.0 * _FLANK_DIAMETERS * size, _SHORTEST_MM, _LONGEST_MM))


def _unrolled(points: Floats, length: float) -> tuple[Floats, Floats, Floats]:
    """Length, angle and radius of the points near the gap."""
    flank = _flank(points)
    radius, angle = np.hypot(points[:, 1], points[:, 2]), np.arctan2(points[:, 2], points[:, 1])
    keep = (points[:, 0] > -flank) & (points[:, 0] < length + flank) & (radius < _OTHER_TUBE * flank)
    return points[keep, 0], angle[keep], radius[keep]


def _ring_at(along: Floats, angle: Floats, radius: Floats, at: float) -> Floats:
    near = np.abs(along - at) < _SLICE_MM
    return smooth_ring(angle[near], radius[near])


def _blend(rings: list[Floats], share: Floats, angle: Floats) -> Floats:
    first, last = (np.interp(angle, angles(), ring, period=2 * np.pi) for ring in rings)
    return np.asarray((1 - share) * first + share * last)


def _departure(along: Floats, angle: Floats, left: Floats, size: float, rows: Floats) -> Floats:
    """The thin plate through what the blend left, on rows by ``N_AROUND`` angles."""
    flat, value = _cells(along, size * angle, left, 2 * np.pi * size)
    turn = 2 * np.pi * size
    low, high = flat[:, 1] < (_WRAPPED - 0.5) * turn, flat[:, 1] > (0.5 - _WRAPPED) * turn
    sites = np.concatenate([flat, flat[low] + (0.0, turn), flat[high] - (0.0, turn)])
    plate = RBFInterpolator(
        sites,
        np.concatenate([value, value[low], value[high]]),
        kernel="thin_plate_spline",
        smoothing=_SMOOTHING,
    )
    coarse = np.linspace(0.0, rows[-1], max(8, round(rows[-1] / _COARSE_MM)))
    across = np.linspace(-0.5 * turn, 0.5 * turn, max(24, round(turn / _COARSE_MM)) + 1)
    sheet = plate(np.stack(np.meshgrid(coarse, across, indexing="ij"), axis=-1).reshape(-1, 2))
    sheet = sheet.reshape(len(coarse), len(across))
    # what is left between the sheet's two edges is shared out evenly around
    sheet += np.linspace(0.5, -0.5, len(across)) * (sheet[:, -1:] - sheet[:, :1])
    spline = RectBivariateSpline(coarse, across, sheet)
    wrapped = (angles() + np.pi) % (2 * np.pi) - np.pi
    order = np.argsort(wrapped)
    grid = np.empty((len(rows), N_AROUND))
    grid[:, order] = spline(rows, size * wrapped[order])
    return grid


def _cells(along: Floats, arc: Floats, value: Floats, turn: float) -> tuple[Floats, Floats]:
    """Medians of the points in square cells: fewer points, less noise, no strays."""
    covered = float(np.count_nonzero(np.bincount(np.floor(along - along.min()).astype(int))))
    cell = max(_SMALLEST_CELL_MM, np.sqrt(covered * turn / _CELLS))
    column = np.floor(along / cell).astype(np.int64)
    row = np.floor(arc / cell).astype(np.int64)
    _, index = np.unique(column * 100_000 + row, return_inverse=True)
    order = np.argsort(index, kind="stable")
    parts = np.split(order, np.cumsum(np.bincount(index))[:-1])
    flat = np.array([(along[part].mean(), arc[part].mean()) for part in parts])
    return flat, np.array([np.median(value[part]) for part in parts])
