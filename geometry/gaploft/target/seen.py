"""How far the scan lies from a surface, seen from each of its vertices."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from gaploft.checks import as_points, as_positive

Floats = NDArray[np.float64]

#: Sideways, the scan says something about places as far off as this many of its own spacings.
_REACH_SPACINGS = 2.5
#: Of what lies within reach so many of the nearest points are averaged.
_NEAREST_POINTS, _NEAREST_VERTICES = 8, 4
#: Points that are worked on at once.
_PART = 1 << 15


def scan_distance(
    vertices_mm: ArrayLike,
    normals: ArrayLike,
    points_mm: ArrayLike,
    *,
    depth_mm: float,
    reach_mm: float | None = None,
    point_normals: ArrayLike | None = None,
) -> Floats:
    """Distance of the scan from a surface along its normals, at the surface's own vertices.

    Parameters
    ----------
    vertices_mm, normals : array_like, shape (n, 3)
        The surface and its outward unit normals.
    points_mm : array_like, shape (m, 3), millimetres
        Scan points, damaged ones among them: they show how far a break stands off.
    depth_mm : float
        Points further from the surface than this belong to something else.
    reach_mm : float, optional
        How far a point may lie sideways of a vertex. Without it, 2.5 spacings of the points.
    point_normals : array_like, shape (m, 3), optional
        Outward unit normals of the scan, zero where they are not known. Points that look the other way lie on
        the inside of the wall or on another part, and are left out.

    Returns
    -------
    (n,) float64
        Millimetres, positive where the scan lies outside the surface; NaN where no point lies within reach,
        as over a gap.

    Raises
    ------
    ValueError
        Arrays that do not belong together, or a depth or reach that is not above 0.

    Notes
    -----
    First each point gets its own height above the surface, then each vertex the mean of the heights about it,
    the nearer sideways the heavier (biweight). Averaging offsets from the vertex instead would take the
    tube's curvature for a distance: a point 1 mm to the side of a vertex lies 0.03 mm lower on a round tube
    32 mm across.
    """
    surface, unit = as_points(vertices_mm, name="vertices_mm"), as_points(normals, name="normals")
    points = as_points(points_mm, name="points_mm")
    facing = None if point_normals is None else as_points(point_normals, name="point_normals")
    if unit.shape != surface.shape or (facing is not None and facing.shape != points.shape):
        raise ValueError(
            f"{unit.shape} normals for {surface.shape} vertices, "
            f"{None if facing is None else facing.shape} for {points.shape} points"
        )
    depth = as_positive(depth_mm, name="depth_mm")
    reach = None if reach_mm is None else as_positive(reach_mm, name="reach_mm")
    if len(surface) == 0 or len(points) == 0:
        return np.full(len(surface), np.nan)
    height, _ = heights_above(surface, unit, points, facing, depth_mm=depth)
    on = np.flatnonzero(np.isfinite(height))
    if len(on) == 0:
        return np.full(len(surface), np.nan)
    return _means(surface, unit, points[on], height[on], reach)


def moved_outward(
    before: NDArray[np.floating], after: NDArray[np.floating], normals: NDArray[np.floating]
) -> NDArray[np.floating]:
    """How far points were moved along their outward normals, (n,), from arrays of shape (n, 3)."""
    return np.asarray(np.einsum("ij,ij->i", after - before, normals))


def heights_above(
    surface: Floats, unit: Floats, points: Floats, facing: Floats | None, *, depth_mm: float
) -> tuple[Floats, NDArray[np.intp]]:
    """Height of points above a surface, (m,), NaN for those that are not of it; the vertex nearest to each.

    Arguments are those of :func:`scan_distance`, as float64. The chord between two places of a smooth surface
    is square to the mean of their normals, up to third order: so each of the vertices about a point tells its
    height once the normal at its foot is known.
    """
    tree = cKDTree(surface, balanced_tree=False, compact_nodes=False)
    furthest = float(np.hypot(depth_mm, _REACH_SPACINGS * median_spacing(tree)))
    height, nearest = np.full(len(points), np.nan), np.zeros(len(points), dtype=np.intp)
    for part in _parts(len(points)):
        distance, index = tree.query(
            points[part], k=min(_NEAREST_VERTICES, len(surface)), distance_upper_bound=furthest
        )
        distance, index = distance.reshape(len(distance), -1), index.reshape(len(index), -1)
        rows = np.flatnonzero(np.isfinite(distance[:, 0]))
        # Fewer than are asked for: the nearest stands in once more.
        index = np.where(np.isfinite(distance[rows]), index[rows], index[rows, :1])
        around, offset = unit[index], points[part][rows][:, None, :] - surface[index]
        foot = _foot_normals(around, offset)
        found = 0.5 * np.einsum("ijk,ijk->ij", offset, around + foot[:, None, :]).mean(axis=1)
        right = np.abs(found) <= depth_mm
        if facing is not None:
            right &= np.einsum("ij,ij->i", facing[part][rows], foot) >= 0.0
        height[part.start + rows[right]] = found[right]
        nearest[part.start + rows] = index[:, 0]
    return height, nearest


def _foot_normals(around: Floats, offset: Floats) -> Floats:
    """Unit normals at the feet of points, (m, 3), from the normals and offsets of k vertices each, (m, k, 3).

    The weights are those that make up the foot from the vertices, as in locally linear embedding (S. T.
    Roweis and L. K. Saul, Science 290, 2000), so that a normal that turns steadily is met exactly.
    """
    sideways = offset - np.einsum("ijk,ik->ij", offset, around[:, 0])[..., None] * around[:, :1]
    gram = sideways @ sideways.transpose(0, 2, 1)
    k = gram.shape[1]
    ridge = 1e-3 * np.einsum("ijj->i", gram) + 1e-12
    weight = np.linalg.solve(gram + ridge[:, None, None] * np.eye(k), np.ones((len(gram), k, 1)))
    foot = np.einsum("ij,ijk->ik", weight[..., 0], around)
    return np.asarray(foot / np.linalg.norm(foot, axis=1, keepdims=True))


def _means(surface: Floats, unit: Floats, points: Floats, height: Floats, reach: float | None) -> Floats:
    """Mean height of the points about each vertex, (n,); NaN where there are none."""
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    if reach is None:
        reach = _REACH_SPACINGS * median_spacing(tree)
    furthest = float(np.hypot(reach, np.abs(height).max()))
    result = np.full(len(surface), np.nan)
    for part in _parts(len(surface)):
        distance, index = tree.query(
            surface[part], k=min(_NEAREST_POINTS, len(points)), distance_upper_bound=furthest
        )
        distance, index = distance.reshape(len(distance), -1), index.reshape(len(index), -1)
        found = np.isfinite(distance)
        index = np.where(found, index, 0)
        offset = points[index] - surface[part][:, None, :]
        along = np.einsum("ijk,ik->ij", offset, unit[part])
        sideways = np.maximum(np.einsum("ijk,ijk->ij", offset, offset) - along**2, 0.0)
        weight = np.where(found, np.maximum(1.0 - sideways / reach**2, 0.0) ** 2, 0.0)
        total = weight.sum(axis=1)
        seen = total > 0.0
        result[part][seen] = np.einsum("ij,ij->i", weight, height[index])[seen] / total[seen]
    return result


def median_spacing(tree: cKDTree) -> float:
    """Median distance of the points of a tree to their nearest neighbour, 1 where there is none."""
    if tree.n < 2:
        return 1.0
    some = np.asarray(tree.data)[:: max(1, tree.n // 2000)]
    return max(float(np.median(tree.query(some, k=2)[0][:, 1])), 1e-9)


def _parts(count: int) -> Iterator[slice]:
    for start in range(0, count, _PART):
        yield slice(start, min(start + _PART, count))
