"""Which faces of a mesh hang together."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

#: Faces that a graph is made of right away: one of millions takes several times their memory.
_FEW_FACES = 500_000
#: Contracting takes some 15 rounds for millions of faces; an odd order of vertices could make it crawl.
_MOST_ROUNDS = 40


def face_pieces(faces: NDArray[np.integer], n_vertices: int) -> NDArray[np.int32]:
    """Number the connected pieces of a mesh, one number a face; pieces hang together by vertices."""
    label = np.arange(n_vertices, dtype=np.int32)
    apart = np.arange(len(faces), dtype=np.int32)
    for _ in range(_MOST_ROUNDS):
        if len(apart) <= _FEW_FACES:
            break
        # Every vertex follows the lowest corner of one of its faces, and that corner's, and so on.
        parent = np.arange(n_vertices, dtype=np.int32)
        for part in _parts(apart):
            corners = label.take(faces.take(part, axis=0))
            lowest = np.minimum(np.minimum(corners[:, 0], corners[:, 1]), corners[:, 2])
            for corner in range(3):
                parent[corners[:, corner]] = lowest
        label = _ends_of(parent).take(label)
        apart = np.concatenate([_still_apart(faces, part, label) for part in _parts(apart)])
    left = label.take(faces.take(apart, axis=0))
    rows, columns = np.concatenate([left[:, 0], left[:, 1]]), np.concatenate([left[:, 1], left[:, 2]])
    graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(n_vertices, n_vertices))
    piece = connected_components(graph, directed=False)[1].take(label).take(faces[:, 0])
    used = np.zeros(n_vertices, dtype=bool)
    used[piece] = True
    number = np.cumsum(used, dtype=np.int32) - np.int32(1)
    return np.asarray(number.take(piece))


def _parts(numbers: NDArray[np.int32]) -> Iterator[NDArray[np.int32]]:
    """Faces to be worked on at once."""
    for start in range(0, len(numbers), _FEW_FACES):
        yield numbers[start : start + _FEW_FACES]


def _still_apart(
    faces: NDArray[np.integer], part: NDArray[np.int32], label: NDArray[np.int32]
) -> NDArray[np.int32]:
    """Those of some faces whose corners are not labelled alike."""
    corners = label.take(faces.take(part, axis=0))
    return part[(corners[:, 0] != corners[:, 1]) | (corners[:, 1] != corners[:, 2])]


def _ends_of(parent: NDArray[np.int32]) -> NDArray[np.int32]:
    """Where each chain of parents ends; none is longer than the logarithm of its steps to follow."""
    while True:
        further = parent.take(parent)
        if np.array_equal(further, parent):
            return further
        parent = further
