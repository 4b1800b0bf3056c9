"""Which faces of a mesh hang together."""

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
    left: NDArray[np.integer] = faces
    for _ in range(_MOST_ROUNDS):
        if len(left) <= _FEW_FACES:
            break
        # Every vertex follows the lowest corner of one of its faces, and that corner's, and so on.
        lowest = np.minimum(np.minimum(left[:, 0], left[:, 1]), left[:, 2])
        parent = np.arange(n_vertices, dtype=np.int32)
        for corner in range(3):
            parent[left[:, corner]] = lowest
        parent = _ends_of(parent)
        label, left = parent.take(label), _still_apart(left, parent)
    rows, columns = np.concatenate([left[:, 0], left[:, 1]]), np.concatenate([left[:, 1], left[:, 2]])
    graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(n_vertices, n_vertices))
    piece = connected_components(graph, directed=False)[1].take(label).take(faces[:, 0])
    used = np.zeros(n_vertices, dtype=bool)
    used[piece] = True
    number = np.cumsum(used, dtype=np.int32) - np.int32(1)
    return np.asarray(number.take(piece))


def _still_apart(faces: NDArray[np.integer], parent: NDArray[np.int32]) -> NDArray[np.int32]:
    """Faces between what the parents of their corners stand for, where that is not one and the same."""
    apart = np.zeros(len(faces), dtype=bool)
    for start in range(0, len(faces), _FEW_FACES):
        part = parent.take(faces[start : start + _FEW_FACES])
        apart[start : start + _FEW_FACES] = (part[:, 0] != part[:, 1]) | (part[:, 1] != part[:, 2])
    # Gathered into its own place, since the first time most are still apart.
    kept = np.empty((int(apart.sum()), 3), dtype=np.int32)
    done = 0
    for start in range(0, len(faces), _FEW_FACES):
        part = parent.take(faces[start : start + _FEW_FACES][apart[start : start + _FEW_FACES]])
        kept[done : done + len(part)] = part
        done += len(part)
    return kept


def _ends_of(parent: NDArray[np.int32]) -> NDArray[np.int32]:
    """Where each chain of parents ends; none is longer than the logarithm of its steps to follow."""
    while True:
        further = parent.take(parent)
        if np.array_equal(further, parent):
            return further
        parent = further
