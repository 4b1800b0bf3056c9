"""The part of a scan that can be a surface's own: near it and facing the same way."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]

#: Cells of the grid that tells what is near, at most; and points of the surface that its cells look up.
_MOST_CELLS = 300_000
_CELL_MM = 2.0
#: Facets whose normals turn away from the surface's by more than 120 degrees are seen from their backs; what
#: is between is told by the exact test at each place.
_BACK_COS = -0.5
#: Facets that bridge more than this, with no corner near, are only looked for in meshes of fewer facets.
_FEW_FACES = 400_000


@dataclass(frozen=True)
class OuterSkin:
    """Triangles of a scan near a surface: ``corners`` (m, 3, 3), ``normals`` (m, 3), not of unit length."""

    corners: Floats
    normals: Floats


def outer_skin(
    vertices: Floats, faces: NDArray[np.int32], points: Floats, normals: Floats, *, reach_mm: float
) -> OuterSkin:
    """Take out of a scan what lies within ``reach_mm`` of a surface and does not show its back to it.

    Parameters
    ----------
    vertices, faces : the scan, (n, 3) mm and (m, 3)
    points, normals : (k, 3) on the surface, not further apart than some mm, and its outward unit normals

    Notes
    -----
    A grid about the surface says for each of its cells whether it is near and what normal the surface has
    there, so that each vertex and facet of the scan is looked up once. A facet counts when one of its corners
    is near; meshes with few facets, which may have none, are asked for the boxes of all of theirs.
    """
    grid = _grid(points, normals, reach_mm)
    cell = grid.cell_of(vertices)
    first, second, third = (cell.take(faces[:, k]) for k in range(3))
    kept = np.flatnonzero(np.maximum(np.maximum(first, second), third) >= 0)
    of_face = np.maximum(np.maximum(first[kept], second[kept]), third[kept])
    if len(faces) <= _FEW_FACES:
        bridging = grid.bridging(vertices, faces, np.maximum(np.maximum(first, second), third) < 0)
        kept = np.concatenate([kept, bridging])
        of_face = np.concatenate([of_face, np.full(len(bridging), -1, dtype=of_face.dtype)])
    corners = vertices.take(faces.take(kept, axis=0).ravel(), axis=0).reshape(-1, 3, 3)
    cross = _cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.sqrt(np.einsum("ij,ij->i", cross, cross))
    facing = np.einsum("ij,ij->i", cross, grid.normals.take(of_face, axis=0)) >= _BACK_COS * length
    facing = (facing | (of_face < 0)) & (length > 0.0)
    return OuterSkin(corners[facing], cross[facing])


@dataclass(frozen=True)
class _Grid:
    """Cells about a surface: ``number`` is -1 for a cell that is not near, else its row in ``normals``."""

    low: Floats
    size_mm: float
    number: NDArray[np.int32]
    normals: Floats

    def cell_of(self, vertices: Floats) -> NDArray[np.int32]:
        """Row in ``normals`` of the cell of each vertex, -1 for those that are not near."""
        shape = self.number.shape
        inside = np.ones(len(vertices), dtype=bool)
        for axis in range(3):
            column = vertices[:, axis]
            inside &= (column >= self.low[axis]) & (column < self.low[axis] + self.size_mm * shape[axis])
        here = np.flatnonzero(inside)
        flat = np.zeros(len(here), dtype=np.int64)
        for axis in range(3):
            step = ((vertices[here, axis] - self.low[axis]) / self.size_mm).astype(np.int64)
            flat = flat * shape[axis] + np.minimum(step, shape[axis] - 1)
        result = np.full(len(vertices), -1, dtype=np.int32)
        result[here] = self.number.ravel().take(flat)
        return result

    def bridging(
        self, vertices: Floats, faces: NDArray[np.int32], unseen: NDArray[np.bool_]
    ) -> NDArray[np.intp]:
        """Which of the faces without a near corner have a box that meets the grid's."""
        candidates = np.flatnonzero(unseen)
        corners = vertices[faces[candidates]]
        high = self.low + self.size_mm * np.array(self.number.shape)
        meets = (corners.min(axis=1) <= high).all(axis=1) & (corners.max(axis=1) >= self.low).all(axis=1)
        span = np.ptp(corners, axis=1).max(axis=1)
        # Smaller ones with no corner in a near cell lie further off than the reach.
        return candidates[meets & (span > self.size_mm)]


def _grid(points: Floats, normals: Floats, reach_mm: float) -> _Grid:
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    low, high = points.min(axis=0) - reach_mm, points.max(axis=0) + reach_mm
    span = np.maximum(high - low, 1e-6)
    size = max(_CELL_MM, float(np.cbrt(span.prod() / _MOST_CELLS)))
    low, shape = low - size, tuple(int(n) for n in np.ceil(span / size) + 2)
    middles = [low[axis] + (np.arange(shape[axis]) + 0.5) * size for axis in range(3)]
    centres = np.stack(np.meshgrid(*middles, indexing="ij"), axis=-1).reshape(-1, 3)
    # Half a cell's diagonal, and a cell more for facets that reach over from beyond.
    near_mm = reach_mm + (0.5 * np.sqrt(3.0) + 1.0) * size
    distance, nearest = tree.query(centres, distance_upper_bound=near_mm, workers=-1)
    near = np.isfinite(distance)
    number = np.where(near, np.cumsum(near) - 1, -1).astype(np.int32).reshape(shape)
    return _Grid(low, size, number, normals[nearest[near]])


def _cross(a: Floats, b: Floats) -> Floats:
    (x, y, z), (u, v, w) = a.T, b.T
    return np.stack([y * w - z * v, z * u - x * w, x * v - y * u], axis=1)
