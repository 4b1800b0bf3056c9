"""A scan as a cloud of points, thin enough to be searched while the pointer moves, and what a ray hits."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import KDTree

from gaploft.checks import as_points, as_vector
from gaploft.tube.near import some_of

Floats = NDArray[np.float64]

#: Points around which the spacing is measured.
_SAMPLE = 2_000
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


def thinned_cloud(points_mm: ArrayLike, normals: ArrayLike, *, most: int = 200_000) -> Cloud:
    """Thin a scan out to about ``most`` points, always the same ones.

    Parameters
    ----------
    points_mm, normals : array_like, shape (n, 3)
        Vertices of the scan and their outward unit normals, in any float type.

    Raises
    ------
    ValueError
        Shapes do not match, a coordinate is not finite, or there are fewer than 12 points.
    """
    points, directions = np.asarray(points_mm), np.asarray(normals)
    if points.shape != directions.shape or len(points) < 12:
        raise ValueError(f"12 points or more and as many normals are needed, got {len(points)}")
    # Squares, since multiples alone form clumps where the length of a row is a Fibonacci number.
    numbers = np.arange(len(points), dtype=np.int64) ** 2
    picked = some_of(numbers, most / len(points))
    kept = as_points(points[picked], name="points_mm")
    return Cloud(kept, as_points(directions[picked], name="normals"), _spacing(kept))


def _spacing(points: Floats) -> float:
    """Median over some of the points: six neighbours share a disc with the one in its middle."""
    some = points[:: max(1, len(points) // _SAMPLE)]
    tree = KDTree(points, balanced_tree=False, compact_nodes=False)
    distance = tree.query(some, k=7)[0][:, 6]
    return float(np.median(distance) * np.sqrt(np.pi / 6.0))


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
