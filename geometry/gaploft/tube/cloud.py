"""A scan as a cloud of points, thin enough to be searched while the pointer moves, and what a ray hits."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import KDTree

from gaploft.checks import as_points, as_vector
from gaploft.errors import InputError
from gaploft.scan.normals import face_crosses
from gaploft.tube.near import some_of

Floats = NDArray[np.float64]

#: Points around which the spacing is measured, and points that tell inside from outside.
_SAMPLE, _SPARSE = 2_000, 10_000
#: A ray hits what lies within so many spacings of it: in a thinned scan, points hardly leave larger gaps.
_REACH = 1.7
#: Surfaces that a ray only grazes, sine of some 6 degrees, are hit where the point is.
_GRAZING = 0.1


@dataclass(frozen=True)
class Cloud:
    """Points of a scan in millimetres with outward unit normals, (n, 3) each.

    ``spacing_mm`` is the side of the square that each point has to itself.
    """

    points_mm: Floats
    normals: Floats
    spacing_mm: float


def mesh_cloud(
    vertices: ArrayLike, faces: ArrayLike, *, mm_per_unit: float = 1.0, most: int = 150_000
) -> Cloud:
    """Thin a mesh out to about ``most`` of its points, always the same ones.

    This is for pointing at a scan right away: nothing of it is mended.

    Parameters
    ----------
    vertices : array_like, shape (n, 3), in units of ``mm_per_unit``; what is not finite is left out
    faces : array_like of int, shape (m, 3)

    Raises
    ------
    InputError
        Fewer than 12 points belong to a face of any area.
    """
    corners, triangles = np.asarray(vertices), np.asarray(faces)
    # Squares, since multiples alone form clumps where the length of a row is a Fibonacci number.
    numbers = np.arange(len(corners), dtype=np.int64) ** 2
    picked = some_of(numbers, most / max(len(corners), 1))
    picked &= np.isfinite(corners).all(axis=1)
    if len(triangles):
        near = picked.take(triangles[:, 0]) | picked.take(triangles[:, 1]) | picked.take(triangles[:, 2])
        triangles = triangles.compress(near, axis=0)
    points = corners.compress(picked, axis=0).astype(np.float64) * mm_per_unit
    normals = _normals_of(corners, triangles, picked)
    usable = np.linalg.norm(normals, axis=1) > 0.5
    if usable.sum() < 12:
        raise InputError("the scan has no faces to point at: a scan must be a triangle mesh")
    return cloud_of(points.compress(usable, axis=0), normals.compress(usable, axis=0))


def _normals_of(corners: NDArray[Any], faces: NDArray[Any], picked: NDArray[np.bool_]) -> Floats:
    """Area weighted unit normals at the picked vertices; 0 where there is none."""
    number = np.cumsum(picked) - 1
    n = int(picked.sum())
    with np.errstate(invalid="ignore"):  # a face may touch a corner that is not finite
        crosses = face_crosses(corners, faces)
    crosses[~np.isfinite(crosses).all(axis=1)] = 0.0
    summed = np.zeros((n, 3))
    for corner in range(3):
        at = faces[:, corner]
        ours = picked.take(at)
        place, part = number.take(at.compress(ours)), crosses.compress(ours, axis=0)
        summed += np.column_stack([np.bincount(place, weights=axis, minlength=n) for axis in part.T])
    length = np.linalg.norm(summed, axis=1, keepdims=True)
    return np.asarray(summed / np.where(length > 0.0, length, 1.0))


def cloud_of(points_mm: ArrayLike, normals: ArrayLike) -> Cloud:
    """Make a cloud of points with unit normals, (n, 3) each, that agree on which side is out.

    Raises
    ------
    ValueError
        Shapes do not match, a coordinate is not finite, or there are fewer than 12 points.

    Notes
    -----
    Around a point of a convex surface, its neighbours lie below the tangent plane. Where most of them lie
    above, the normals point inwards and are turned.
    """
    points, directions = as_points(points_mm, name="points_mm"), as_points(normals, name="normals")
    if points.shape != directions.shape or len(points) < 12:
        raise ValueError(f"12 points or more and as many normals are needed, got {len(points)}")
    return Cloud(points, directions if _outwards(points, directions) else -directions, _spacing(points))


def _every(points: Floats, count: int) -> Floats:
    return points[:: max(1, len(points) // count)]


def _spacing(points: Floats) -> float:
    """Median over some of the points: six neighbours share a disc with the one in its middle."""
    tree = KDTree(points, balanced_tree=False, compact_nodes=False)
    distance = tree.query(_every(points, _SAMPLE), k=7)[0][:, 6]
    return float(np.median(distance) * np.sqrt(np.pi / 6.0))


def _outwards(points: Floats, normals: Floats) -> bool:
    """Whether most normals point outwards, from so few points that curvature shows above the noise."""
    some, directions = _every(points, _SPARSE), _every(normals, _SPARSE)
    neighbour = KDTree(some).query(some, k=7)[1]
    below = np.einsum("ikj,ij->i", some[neighbour] - some[:, None], directions)
    return bool(np.median(below) <= 0.0)


def pointed_at(cloud: Cloud, origin_mm: ArrayLike, direction: ArrayLike) -> Floats | None:
    """Find the place of the first surface along a ray, (3,); None when the ray passes everything.

    Parameters
    ----------
    origin_mm : array_like, shape (3,)
    direction : array_like, shape (3,), of any length above zero
    """
    origin = as_vector(origin_mm, name="origin_mm")
    ray = as_vector(direction, name="direction")
    ray = ray / np.linalg.norm(ray)
    reach = _REACH * cloud.spacing_mm
    offset = cloud.points_mm - origin
    along = offset @ ray
    aside = np.einsum("ij,ij->i", offset, offset) - along**2
    close = np.flatnonzero((aside < reach**2) & (along > 0.0))
    close = close[cloud.normals[close] @ ray < 0.0]
    if len(close) == 0:
        return None
    first = close[along[close] < along[close].min() + 2.0 * reach]
    hit = first[np.argmin(aside[first])]
    slope = float(cloud.normals[hit] @ ray)
    shift = float(cloud.normals[hit] @ (offset[hit] - along[hit] * ray)) / slope if slope < -_GRAZING else 0.0
    # The ray's own place on the surface, so that a ring follows the pointer and not the points.
    return np.asarray(origin + (along[hit] + np.clip(shift, -reach, reach)) * ray)
