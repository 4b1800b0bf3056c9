"""How tightly a facetted surface bends, and how deep layers can go below it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.evidence.rim import corner_areas, facet_normals

Floats = NDArray[np.float64]
Triangles = NDArray[np.int32]

_PASSES = 12
#: A place this far within a ball stops it; what is nearer than this to its own place, mm, is its own bend,
#: which has been counted.
_SHRUNK, _ITSELF_MM = 1.0 - 1e-3, 0.5
#: Facing each other rather than lying beside each other.
_FACING = -0.5


@dataclass(frozen=True)
class PatchRoom:
    """The ball that fits under each of n places, as :class:`gaploft.target.fold.Room`.

    ``facing`` (n,) tells where another side of the part stops it, and not the surface's own bend.
    """

    radius_mm: Floats
    facing: NDArray[np.bool_]

    def told(self, place: int) -> str:
        """What is tight at one place, for a sentence."""
        radius = float(self.radius_mm[place])
        if self.facing[place]:
            return f"the part is only {2.0 * radius:.2f} mm thick"
        return f"the surface bends with a radius of {radius:.2f} mm"


def bends(points: Floats, normals: Floats, faces: Triangles) -> tuple[Floats, Floats]:
    """Least and largest normal curvature at the vertices, 1/mm, positive where the surface bulges, (n,) each.

    For each triangle, from how the normals differ along its edges, by least squares (S. Rusinkiewicz,
    "Estimating curvatures and their derivatives on triangle meshes", 2004; cited from memory); at a vertex
    the mean over its triangles by area.
    """
    corners = np.asarray(faces, dtype=np.int64)
    across = facet_normals(points, corners)
    area = np.maximum(np.linalg.norm(across, axis=1), 1e-30)
    edge = np.stack([points[corners[:, (k + 1) % 3]] - points[corners[:, k]] for k in range(3)], axis=1)
    turn = np.stack([normals[corners[:, (k + 1) % 3]] - normals[corners[:, k]] for k in range(3)], axis=1)
    size = np.linalg.norm(edge, axis=2).max(axis=1)
    first = edge[:, 0] / np.maximum(np.linalg.norm(edge[:, 0], axis=1, keepdims=True), 1e-30)
    second = np.cross(across / area[:, None], first)
    x, y = (np.einsum("mkj,mj->mk", edge, way) / size[:, None] for way in (first, second))
    p, q = (np.einsum("mkj,mj->mk", turn, way) / size[:, None] for way in (first, second))
    xx, xy, yy = (x * x).sum(axis=1), (x * y).sum(axis=1), (y * y).sum(axis=1)
    none = np.zeros_like(xx)
    matrix = np.stack([xx, xy, none, xy, xx + yy, xy, none, xy, yy], axis=1).reshape(-1, 3, 3)
    matrix += 1e-9 * np.eye(3)
    right = np.stack([(x * p).sum(axis=1), (y * p + x * q).sum(axis=1), (y * q).sum(axis=1)], axis=1)
    a, b, c = np.linalg.solve(matrix, right[..., None])[..., 0].T
    mean, spread = (a + c) / 2.0, np.hypot((a - c) / 2.0, b)
    total = np.maximum(corner_areas(area, corners, len(points)), 1e-30)
    low, high = (
        corner_areas(area * value, corners, len(points)) / total for value in (mean - spread, mean + spread)
    )
    return low, high


def room_under(
    points: Floats,
    normals: Floats,
    faces: Triangles,
    *,
    around: tuple[Floats, Floats],
    most_mm: float,
) -> PatchRoom:
    """Largest ball that touches a surface from inside at each vertex and meets no other part of it.

    Parameters
    ----------
    points, normals, faces : the facetted surface
    around : places (k, 3) of the whole surface, and normals there, which balls must not meet
    most_mm : > 0, no ball is made larger

    Notes
    -----
    As :func:`gaploft.target.fold.room_below`, whose sources it shares, with the bend measured on the facets.
    """
    bend = bends(points, normals, faces)[1]
    radius = np.where(bend * most_mm > 1.0, 1.0 / np.maximum(bend, 1e-30), most_mm)
    facing = np.zeros(len(points), dtype=bool)
    tree = cKDTree(around[0])
    active = np.arange(len(points))
    for _ in range(_PASSES):
        centres = points[active] - radius[active, None] * normals[active]
        away, nearest = tree.query(centres)
        met = away < _SHRUNK * radius[active]
        active, nearest = active[met], nearest[met]
        if len(active) == 0:
            break
        gap = points[active] - around[0][nearest]
        inward, squared = (gap * normals[active]).sum(axis=1), (gap**2).sum(axis=1)
        other = (inward > 0.0) & (squared > _ITSELF_MM**2)
        smaller = np.where(other, squared / (2.0 * np.where(other, inward, 1.0)), np.inf)
        shrunk = smaller < radius[active]
        active, nearest = active[shrunk], nearest[shrunk]
        radius[active] = smaller[shrunk]
        facing[active] = (normals[active] * around[1][nearest]).sum(axis=1) < _FACING
    return PatchRoom(radius, facing)
