"""Rims of a rebuilt zone on its mesh: where rebuilt facets meet intact overlap, or end."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def rim_edges(facets: ArrayLike, rebuilt: ArrayLike) -> NDArray[np.int64]:
    """Find the edges where rebuilt facets meet facets of the intact overlap, or the end of the mesh.

    Parameters
    ----------
    facets : array_like, shape (k, 4) or (k, 3)
        Quads or triangles as vertex indices.
    rebuilt : array_like, shape (n,), bool
        True for points of the rebuilt zone. A facet is rebuilt when all of its corners are.

    Returns
    -------
    (m, 2) int64, lower vertex index first, in ascending order
    """
    corners = np.asarray(facets, dtype=np.int64)
    n = int(corners.max(initial=0)) + 1
    inside: NDArray[np.bool_] = np.asarray(np.asarray(rebuilt, dtype=bool)[corners].all(axis=1))
    following = np.roll(corners, -1, axis=1)
    lower, higher = np.minimum(corners, following), np.maximum(corners, following)
    # One number for each edge and its facet, sorted as they are: rows, or an order to sort by, take many
    # times as long.
    codes = (2 * (lower * n + higher) + inside[:, None]).ravel()
    codes.sort()
    starts = np.flatnonzero(np.diff(codes >> 1, prepend=-1))
    count = np.diff(starts, append=len(codes))
    inner = np.add.reduceat(codes & 1, starts) if len(starts) else count
    on_rim = (inner > 0) & ((inner < count) | (count == 1))
    return np.column_stack(np.divmod(codes[starts[on_rim]] >> 1, n))


def as_facets(facets: ArrayLike) -> NDArray[np.int64]:
    """Quads, (k, 4), or triangles, (k, 3), as they are worked with. ValueError for anything else."""
    corners = np.asarray(facets, dtype=np.int64)
    if corners.ndim != 2 or corners.shape[1] not in (3, 4):
        raise ValueError(f"facets {corners.shape} must have four corners each, or three each")
    return corners


def facet_normals(points: Floats, facets: NDArray[np.int64]) -> Floats:
    """Normals of quads or triangles as long as their areas, (k, 3).

    Half the cross product of a quad's diagonals; of a triangle, of two of its edges.
    """
    corner = points[facets]
    last = facets.shape[1] - 1
    return np.asarray(0.5 * np.cross(corner[:, 2] - corner[:, 0], corner[:, last] - corner[:, 1]))


def corner_areas(areas: Floats, facets: NDArray[np.int64], n_points: int) -> Floats:
    """An equal part of each facet's area to each of its corners, (n,)."""
    corners = facets.shape[1]
    share = np.repeat(areas / corners, corners)
    return np.bincount(facets.ravel(), weights=share, minlength=n_points).astype(np.float64)
