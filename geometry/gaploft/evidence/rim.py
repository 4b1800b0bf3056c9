"""Rims of a rebuilt zone on its mesh: where rebuilt facets meet intact overlap, or end."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def rim_edges(quads: ArrayLike, rebuilt: ArrayLike) -> NDArray[np.int64]:
    """Find the edges where rebuilt facets meet facets of the intact overlap, or the end of the mesh.

    Parameters
    ----------
    quads : array_like, shape (k, 4)
        Facets as vertex indices.
    rebuilt : array_like, shape (n,), bool
        True for points of the rebuilt zone. A facet is rebuilt when all of its corners are.

    Returns
    -------
    (m, 2) int64, lower vertex index first, in ascending order
    """
    facets = np.asarray(quads, dtype=np.int64)
    n = int(facets.max(initial=0)) + 1
    inside: NDArray[np.bool_] = np.asarray(np.asarray(rebuilt, dtype=bool)[facets].all(axis=1))
    following = np.roll(facets, -1, axis=1)
    lower, higher = np.minimum(facets, following), np.maximum(facets, following)
    # One number for each edge and its facet, sorted as they are: rows, or an order to sort by, take many
    # times as long.
    codes = (2 * (lower * n + higher) + inside[:, None]).ravel()
    codes.sort()
    starts = np.flatnonzero(np.diff(codes >> 1, prepend=-1))
    count = np.diff(starts, append=len(codes))
    inner = np.add.reduceat(codes & 1, starts) if len(starts) else count
    on_rim = (inner > 0) & ((inner < count) | (count == 1))
    return np.column_stack(np.divmod(codes[starts[on_rim]] >> 1, n))


def facet_normals(points: Floats, quads: NDArray[np.int64]) -> Floats:
    """Normals of quads as long as their areas, (k, 3): half the cross product of the diagonals."""
    corner = points[quads]
    return np.asarray(0.5 * np.cross(corner[:, 2] - corner[:, 0], corner[:, 3] - corner[:, 1]))


def corner_areas(areas: Floats, quads: NDArray[np.int64], n_points: int) -> Floats:
    """A quarter of each facet's area to each of its corners, (n,)."""
    share = np.repeat(areas / 4.0, 4)
    return np.bincount(quads.ravel(), weights=share, minlength=n_points).astype(np.float64)
