"""A surface as rings of a tube, and where scan points lie on it: found once, so that sections are slices."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from gaploft.checks import as_points, as_positive
from gaploft.target.seen import heights_above, median_spacing

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rings:
    """A surface as rings of a tube, to take sections from.

    Attributes
    ----------
    points_mm, normals : (n_u, n_v, 3) float64
    band95_mm : (n_u, n_v) float64, half width of the 95 % band
    stations_mm : (n_u,) float64, distance along the centres of the rings
    """

    points_mm: Floats
    normals: Floats
    band95_mm: Floats
    stations_mm: Floats

    @property
    def length_mm(self) -> float:
        """From the first ring to the last."""
        return float(self.stations_mm[-1])

    @property
    def radius_mm(self) -> float:
        """Mean distance of the points from the centres of their rings."""
        return float(
            np.linalg.norm(self.points_mm - self.points_mm.mean(axis=1, keepdims=True), axis=2).mean()
        )


@dataclass(frozen=True)
class PointsOnRings:
    """Scan points by where they lie on the rings, in the order of their stations.

    Attributes
    ----------
    station_mm : (m,) float64
    place : (m,) float64, around the ring, counted in its points
    height_mm : (m,) float64, positive outside the surface
    spacing_mm : median distance of the points to their nearest neighbour
    """

    station_mm: Floats
    place: Floats
    height_mm: Floats
    spacing_mm: float


def as_rings(points_mm: ArrayLike, normals: ArrayLike, band95_mm: ArrayLike, shape: tuple[int, int]) -> Rings:
    """Rings from the vertices of a target, (n_u * n_v, 3) with ``shape`` (n_u, n_v).

    Raises ValueError when the arrays do not have that shape, or there are fewer than 2 rings of 3 points.
    """
    n_u, n_v = shape
    points, unit = as_points(points_mm, name="points_mm"), as_points(normals, name="normals")
    band = np.asarray(band95_mm, dtype=np.float64)
    if min(n_u - 1, n_v - 2) < 1 or not len(points) == len(unit) == len(band) == n_u * n_v:
        raise ValueError(f"{points.shape}, {unit.shape}, {band.shape} are not {n_u} rings of {n_v} points")
    grid = points.reshape(n_u, n_v, 3)
    stations = along_centres(grid)
    return Rings(grid, unit.reshape(n_u, n_v, 3), band.reshape(n_u, n_v), stations)


def along_centres(rings_mm: Floats) -> Floats:
    """Distance along the centres of rings (n_u, n_v, 3) from the first of them, (n_u,), mm."""
    steps = np.linalg.norm(np.diff(rings_mm.mean(axis=1), axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def points_on_rings(
    rings: Rings, points_mm: ArrayLike, *, depth_mm: float, point_normals: ArrayLike | None = None
) -> PointsOnRings:
    """Where scan points lie on the rings; those further off than ``depth_mm`` or facing inwards are left out.

    Done once, so that each section afterwards is a slice.
    """
    points = as_points(points_mm, name="points_mm")
    facing = None if point_normals is None else as_points(point_normals, name="point_normals")
    n_u, n_v = rings.band95_mm.shape
    surface, unit = rings.points_mm.reshape(-1, 3), rings.normals.reshape(-1, 3)
    if len(points) == 0:
        return PointsOnRings(np.empty(0), np.empty(0), np.empty(0), 1.0)
    depth = as_positive(depth_mm, name="depth_mm")
    height, nearest = heights_above(surface, unit, points, facing, depth_mm=depth)
    on = np.flatnonzero(np.isfinite(height))
    i, j = np.divmod(nearest[on], n_v)
    before, after = np.maximum(i - 1, 0), np.minimum(i + 1, n_u - 1)
    offset = points[on] - rings.points_mm[i, j]
    along = rings.points_mm[after, j] - rings.points_mm[before, j]
    around = 0.5 * (rings.points_mm[i, (j + 1) % n_v] - rings.points_mm[i, j - 1])
    share = np.einsum("ij,ij->i", offset, along) / np.einsum("ij,ij->i", along, along)
    station = rings.stations_mm[i] + share * (rings.stations_mm[after] - rings.stations_mm[before])
    place = j + np.einsum("ij,ij->i", offset, around) / np.einsum("ij,ij->i", around, around)
    inside = np.flatnonzero((station >= 0.0) & (station <= rings.length_mm))
    order = inside[np.argsort(station[inside], kind="stable")]
    spacing = median_spacing(cKDTree(points[on], balanced_tree=False, compact_nodes=False))
    return PointsOnRings(station[order], np.mod(place[order], n_v), height[on][order], spacing)
