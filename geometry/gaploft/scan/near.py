"""The points of a scan around a surface, without mending or taking in the rest of the scan."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_points
from gaploft.scan.normals import vertex_normals

Floats = NDArray[np.float64]


def points_near(
    vertices: NDArray[np.floating],
    faces: NDArray[np.integer],
    surface_mm: ArrayLike,
    *,
    room_mm: float,
    mm_per_unit: float = 1.0,
) -> tuple[Floats, Floats]:
    """Scan points in the box around a surface, and their normals, each (m, 3): all that the surface needs.

    Parameters
    ----------
    vertices, faces : the scan, (n, 3) in units of ``mm_per_unit``, and its triangles, (k, 3)
    surface_mm : array_like, (j, 3), in mm
    room_mm : how far beyond the surface the box reaches

    Returns
    -------
    points in mm, and unit normals, zero for points without a face
    """
    surface = as_points(surface_mm, name="surface_mm")
    low, high = ((surface.min(axis=0) - room_mm) / mm_per_unit, (surface.max(axis=0) + room_mm) / mm_per_unit)
    inside = np.ones(len(vertices), dtype=bool)
    for axis in range(3):
        inside &= (vertices[:, axis] > low[axis]) & (vertices[:, axis] < high[axis])
    near = np.flatnonzero(inside)
    number = np.full(len(vertices), -1, dtype=np.int32)
    number[near] = np.arange(len(near), dtype=np.int32)
    whole = inside[faces[:, 0]] & inside[faces[:, 1]] & inside[faces[:, 2]]
    kept = number[faces[whole]]
    points = vertices[near].astype(np.float64) * mm_per_unit
    normals = vertex_normals(points, kept)
    normals[np.bincount(kept.ravel(), minlength=len(points)) == 0] = 0.0
    return points, normals
