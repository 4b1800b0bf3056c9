"""Irregular triangles over any smooth surface that can tell foot points: a scan before its faults.

Points are scattered with a least distance; their triangles are the restricted Delaunay triangulation:
of all Delaunay tetrahedra those inside are told from those outside by the centres of their spheres, and
the faces between the two are the mesh [1]_.

References
----------
.. [1] H. Edelsbrunner and N. R. Shah, "Triangulating topological spaces", International Journal of
   Computational Geometry and Applications 7(4), 1997, pp. 365-378.
"""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import Delaunay, cKDTree

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]
Mask = NDArray[np.bool_]

#: Mean edge of the triangles against the least distance of their points, as measured.
_MEAN_EDGE = 1.5
#: How far off the surface, and how far from each other, points are set that keep the spheres small (mm).
_GUARD_MM = 1.8


class Surface(Protocol):
    """What is scanned."""

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        """Closest points (n, 3) mm and outward unit normals (n, 3) there."""
        ...

    def rough(self) -> tuple[Floats, Faces]:
        """A coarse mesh of it."""
        ...


def triangulated(
    surface: Surface, around_mm: Floats, reach_mm: float, *, edge_mm: float, rng: np.random.Generator
) -> tuple[Floats, Floats, Faces]:
    """Mesh the part of a surface within ``reach_mm`` of the points ``around_mm`` (k, 3).

    Returns vertices (n, 3) that lie on the surface, their outward normals (n, 3), and faces (m, 3),
    anticlockwise from outside, in one piece.
    """
    least_mm = edge_mm / _MEAN_EDGE
    dense = scattered_on(*surface.rough(), 5.0 / least_mm**2, rng)
    tree = cKDTree(around_mm)
    # what lies just past the border is meshed too and then cut off, for ragged edges without slivers
    dense = dense[tree.query(dense)[0] < reach_mm + 2.0]
    points, normals = surface.project(dense[thinned(dense, least_mm)])
    faces = restricted_delaunay(surface, points, normals, edge_mm=edge_mm)
    faces = faces[(tree.query(points)[0] < reach_mm)[faces].all(axis=1)]
    faces = largest_piece(faces, len(points))
    index, renumbered = np.unique(faces, return_inverse=True)
    return points[index], normals[index], renumbered.reshape(-1, 3).astype(np.int32)


def scattered_on(vertices: Floats, faces: Faces, per_mm2: float, rng: np.random.Generator) -> Floats:
    """Random points on a mesh, evenly by area, in random order."""
    corner = vertices[faces]
    first, second = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    area = 0.5 * np.linalg.norm(np.cross(first, second), axis=1)
    face = rng.choice(len(faces), size=round(area.sum() * per_mm2), p=area / area.sum())
    share = rng.random((len(face), 2))
    share = np.where(share.sum(axis=1, keepdims=True) > 1.0, 1.0 - share, share)
    return np.asarray(corner[face, 0] + share[:, :1] * first[face] + share[:, 1:] * second[face])


def thinned(points: Floats, least_mm: float) -> NDArray[np.int64]:
    """Numbers of points no two of which are nearer than ``least_mm``, so many that no other fits in.

    The first of the list goes before the later ones (dart throwing), all undisputed ones at a time.
    """
    pairs = np.sort(cKDTree(points).query_pairs(least_mm, output_type="ndarray"), axis=1)
    taken, open_mask = np.zeros(len(points), dtype=bool), np.ones(len(points), dtype=bool)
    while open_mask.any():
        disputed = np.zeros(len(points), dtype=bool)
        disputed[pairs[:, 1]] = True
        new = open_mask & ~disputed
        taken |= new
        open_mask &= ~new
        open_mask[pairs[new[pairs[:, 0]], 1]] = False
        pairs = pairs[open_mask[pairs].all(axis=1)]
    return np.flatnonzero(taken)


def restricted_delaunay(surface: Surface, points: Floats, normals: Floats, *, edge_mm: float) -> Faces:
    """Triangles of points of a surface whose empty spheres have their centres on the surface."""
    few = thinned(points, _GUARD_MM)
    guards = np.concatenate([points[few] + side * _GUARD_MM * normals[few] for side in (-1.0, 1.0)])
    tree = cKDTree(points)
    guards = guards[tree.query(guards)[0] > 0.7 * _GUARD_MM]
    delaunay = Delaunay(np.concatenate([points, guards]))
    inside = np.append(_inside(surface, points, normals, delaunay), False)  # number -1: beyond the hull
    here, corner = np.nonzero(inside[:-1, None] & ~inside[delaunay.neighbors])
    cell = delaunay.simplices[here]
    opposite = cell[np.arange(len(cell)), corner]
    others = np.array([[1, 2, 3], [0, 2, 3], [0, 1, 3], [0, 1, 2]])[corner]
    faces = np.take_along_axis(cell, others, axis=1)
    kept = (faces < len(points)).all(axis=1)
    faces, opposite = faces[kept], delaunay.points[opposite[kept]]
    a, b, c = (delaunay.points[faces[:, i]] for i in range(3))
    turned = np.sum(np.cross(b - a, c - a) * (opposite - a), axis=1) > 0.0
    faces[turned] = faces[turned][:, ::-1]
    longest = np.max([np.linalg.norm(p - q, axis=1) for p, q in ((a, b), (b, c), (c, a))], axis=0)
    return np.asarray(faces[longest < 3.0 * edge_mm], dtype=np.int32)


def _inside(surface: Surface, points: Floats, normals: Floats, delaunay: Delaunay) -> Mask:
    """Which tetrahedra with three corners or more on the surface have their sphere's centre inside it.

    No point is nearer to the centre than the corners: its side is told by a corner's normal, or where that
    is unsure by its own foot.
    """
    on_surface = delaunay.simplices < len(points)
    cells = np.flatnonzero(on_surface.sum(axis=1) >= 3)
    centres = _centres(delaunay.points[delaunay.simplices[cells]])
    corner = delaunay.simplices[cells, on_surface[cells].argmax(axis=1)]
    offset = centres - points[corner]
    height, square = np.sum(offset * normals[corner], axis=1), np.sum(offset**2, axis=1)
    side = height < 0.0
    # a surface bent to a radius of 2 mm strays by square / 4 from its tangent plane
    unsure = (np.abs(height) < 0.25 * square + 1e-6) & (square < 4.0)
    foot, normal = surface.project(centres[unsure])
    side[unsure] = np.sum((centres[unsure] - foot) * normal, axis=1) < 0.0
    inside = np.zeros(len(on_surface), dtype=bool)
    inside[cells] = side
    return inside


def _centres(corner: Floats) -> Floats:
    """Centres (n, 3) of the spheres through four corners (n, 4, 3); far away for flat ones."""
    edges = corner[:, 1:] - corner[:, :1]
    a, b, c = edges[:, 0], edges[:, 1], edges[:, 2]
    square = np.sum(edges**2, axis=2)
    bc, ca, ab = np.cross(b, c), np.cross(c, a), np.cross(a, b)
    det = np.sum(a * bc, axis=1, keepdims=True)
    det = np.where(np.abs(det) < 1e-12, 1e-12, det)
    offset = (square[:, :1] * bc + square[:, 1:2] * ca + square[:, 2:] * ab) / (2.0 * det)
    return np.asarray(corner[:, 0] + offset)


def edges_of(faces: Faces) -> NDArray[np.int64]:
    """Each edge of each face, its lower number first (3 m, 2)."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    return np.sort(edges.astype(np.int64), axis=1)


def largest_piece(faces: Faces, n_points: int) -> Faces:
    """The faces of the largest piece that hangs together."""
    edges = edges_of(faces)
    links = coo_array((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(n_points, n_points))
    _, piece = connected_components(links, directed=False)
    size = np.bincount(piece[faces[:, 0]])
    return faces[piece[faces[:, 0]] == size.argmax()]


def ways(points: Floats, faces: Faces) -> csr_array:
    """Lengths of ways on a mesh, between neighbours and neighbours of neighbours, (n, n)."""
    edges = np.unique(edges_of(faces), axis=0)
    n = len(points)
    near = coo_array((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(n, n)).tocsr()
    near = near + near.T
    further = (near @ near + near).tocoo()
    apart = further.row != further.col
    row, column = further.row[apart], further.col[apart]
    length = np.linalg.norm(points[row] - points[column], axis=1)
    return coo_array((length, (row, column)), shape=(n, n)).tocsr()


def away_from(lengths: csr_array, sources: NDArray[np.int64]) -> Floats:
    """Length of the shortest way from any of the sources to each vertex, mm."""
    return np.asarray(dijkstra(lengths, indices=sources, min_only=True))
