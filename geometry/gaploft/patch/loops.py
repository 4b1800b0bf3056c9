"""Closed loops of a triangle mesh's open edges, in order."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components, depth_first_order

Faces = NDArray[np.int32]
Indices = NDArray[np.int64]


def half_edges(faces: NDArray[np.integer]) -> Indices:
    """Directed edges of all faces, (3 m, 2)."""
    return np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).astype(np.int64)


def open_edges(faces: NDArray[np.integer], n_vertices: int) -> Indices:
    """Edges that only one face has, as it runs through them, (k, 2)."""
    edges = half_edges(faces)
    key = edges[:, 0] * n_vertices + edges[:, 1]
    back = edges[:, 1] * n_vertices + edges[:, 0]
    return np.asarray(edges[~np.isin(key, back)])


def pinched(faces: NDArray[np.integer], n_vertices: int) -> Indices:
    """Vertices at which the border of a mesh touches itself."""
    edges = open_edges(faces, n_vertices)
    return np.flatnonzero(np.bincount(edges[:, 0], minlength=n_vertices) > 1)


def border_loops(faces: NDArray[np.integer], n_vertices: int) -> list[Indices]:
    """The border's loops, each the numbers of its vertices in order, its faces on the left.

    Raises
    ------
    ValueError
        The border touches itself: see :func:`pinched`.
    """
    edges = open_edges(faces, n_vertices)
    if len(edges) == 0:
        return []
    used, number = np.unique(edges, return_inverse=True)
    number = number.reshape(-1, 2)
    if (np.bincount(number[:, 0]) != 1).any() or (np.bincount(number[:, 1]) != 1).any():
        raise ValueError("the border touches itself")
    n = len(used)
    graph = coo_matrix((np.ones(n), (number[:, 0], number[:, 1])), shape=(n, n)).tocsr()
    piece = connected_components(graph, directed=False)[1]
    first = np.unique(piece, return_index=True)[1]
    return [used[depth_first_order(graph, start, return_predecessors=False)] for start in first]
