"""Evenly spread nodes on a fine mesh, and triangles between them."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.patch.loops import half_edges

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]

#: Rounds in which nodes move to the middles of what is nearest to them.
_ROUNDS = 6
#: First nodes are no nearer to each other than this many times the spacing asked for.
_APART = 0.78


def spread_nodes(points: Floats, faces: Faces, spacing_mm: float) -> tuple[Floats, Faces, NDArray[np.int64]]:
    """Nodes about ``spacing_mm`` apart on a mesh, the triangles between them, and each point's node.

    Notes
    -----
    Centroidal clusters of a fine mesh and their dual: S. Valette and J.-M. Chassery, "Approximated
    centroidal Voronoi diagrams for uniform polygonal mesh coarsening", Computer Graphics Forum 23(3), 2004
    (cited from memory). Points should be four times as dense as nodes or more.
    """
    area = point_areas(points, faces)
    nodes = points[apart(points, _APART * spacing_mm)]
    owner = cKDTree(nodes).query(points)[1]
    for _ in range(_ROUNDS):
        share = np.bincount(owner, area, minlength=len(nodes))
        middle = np.stack(
            [np.bincount(owner, area * points[:, k], minlength=len(nodes)) for k in range(3)], 1
        )
        nodes = middle / np.maximum(share, 1e-300)[:, None]
        nodes = nodes[share > 0.0]
        owner = cKDTree(nodes).query(points)[1]
    return nodes, _dual(owner, faces), np.asarray(owner, dtype=np.int64)


def point_areas(points: Floats, faces: Faces) -> Floats:
    """A third of the area of each face around a point, (n,)."""
    corner = points[faces]
    area = 0.5 * np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    return np.asarray(np.bincount(faces.ravel(), np.repeat(area / 3.0, 3), minlength=len(points)), np.float64)


def apart(points: Floats, distance: float) -> NDArray[np.int64]:
    """A largest-possible set of points no two of which are nearer than ``distance``.

    M. Luby, "A simple parallel algorithm for the maximal independent set problem", SIAM Journal on
    Computing 15(4), 1986, with a fixed order of the points instead of random numbers.
    """
    # An order that jumps about, the same every time: multiples of the golden section.
    rank = np.mod(np.arange(len(points)) * 0.6180339887498949, 1.0)
    pairs = cKDTree(points).query_pairs(distance, output_type="ndarray")
    state = np.zeros(len(points), dtype=np.int8)  # 1 taken, -1 left out
    while len(pairs):
        lower = np.where(rank[pairs[:, 0]] < rank[pairs[:, 1]], pairs[:, 0], pairs[:, 1])
        higher = pairs.sum(axis=1) - lower
        beaten = np.zeros(len(points), dtype=bool)
        beaten[higher] = True
        taken = (state == 0) & ~beaten
        state[taken] = 1
        hit = taken[pairs]
        state[pairs[:, 0][hit[:, 1]]] = -1
        state[pairs[:, 1][hit[:, 0]]] = -1
        pairs = pairs[(state[pairs] == 0).all(axis=1)]
    return np.flatnonzero(state >= 0)


def _dual(owner: NDArray[np.integer], faces: Faces) -> Faces:
    """One triangle for every three nodes that meet in a face, the way round that the face has."""
    met = owner[faces].astype(np.int64)
    met = met[(met[:, 0] != met[:, 1]) & (met[:, 1] != met[:, 2]) & (met[:, 2] != met[:, 0])]
    first = met.argmin(axis=1)
    met = np.take_along_axis(met, (first[:, None] + np.arange(3)) % 3, axis=1)
    met = np.unique(met, axis=0)
    return _manifold(met)


def _manifold(faces: NDArray[np.int64]) -> Faces:
    """Leave out faces that run through an edge the same way as an earlier one."""
    while True:
        edges = half_edges(faces)
        key = edges[:, 0] * (faces.max() + 1) + edges[:, 1]
        order = np.argsort(key, kind="stable")
        again = np.zeros(len(key), dtype=bool)
        again[order[1:]] = key[order[1:]] == key[order[:-1]]
        bad = again.reshape(3, -1).any(axis=0)
        if not bad.any():
            return faces.astype(np.int32)
        faces = faces[~bad]
