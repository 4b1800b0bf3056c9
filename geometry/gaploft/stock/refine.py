"""A target cut so finely that its samples show every low spot, on the smooth surface, not on its facets."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]

#: Facets that meet more sharply than this are an edge of the part and not cuts of something round.
_SHARP_COS = np.cos(np.radians(30.0))
_MOST_FACES = 1_500_000


@dataclass(frozen=True)
class Skin:
    """A surface as triangles: points and outward unit normals (n, 3), faces (m, 3).

    ``parents`` (n, 2) are the two ends of the edge that each point is the middle of, in the order in which
    points were made; a vertex of the coarse surface is its own.
    """

    points: Floats
    normals: Floats
    faces: Faces
    parents: NDArray[np.int32]

    def carried(self, values: Floats) -> Floats:
        """Values at the coarse vertices, (n_coarse,), interpolated to all points, (n,)."""
        result = np.empty(len(self.points))
        n_known = len(values)
        result[:n_known] = values
        while n_known < len(result):
            # Points of one round come from points of the rounds before.
            ready = self.parents[n_known:].max(axis=1) < n_known
            stop = n_known + (int(np.argmin(ready)) if not ready.all() else len(ready))
            ends = self.parents[n_known:stop]
            result[n_known:stop] = 0.5 * (result[ends[:, 0]] + result[ends[:, 1]])
            n_known = stop
        return result


def refined(points: Floats, normals: Floats, faces: Faces, *, longest_mm: float) -> Skin:
    """Split edges in their middle until none is longer than ``longest_mm``.

    Parameters
    ----------
    points, normals : (n, 3), mm, and outward unit normals
    faces : (m, 3)
    longest_mm : as far as 1.5 million triangles allow

    Returns
    -------
    Skin
        Its first n points are those that came in.

    Notes
    -----
    The middle of an edge is lifted onto the arc that both normals ask for (the quadratic edge of T. Nagata,
    "Simple local interpolation of surfaces using normal vectors", Computer Aided Geometric Design 22, 2005;
    cited from memory), so that on a round wall samples don't fall inside it by the chord error. Edges where
    the normals differ by more than 30 degrees stay straight.
    """
    parents = [np.repeat(np.arange(len(points), dtype=np.int32)[:, None], 2, axis=1)]
    while True:
        edges, number = _edges(faces)
        span = points[edges[:, 1]] - points[edges[:, 0]]
        long = np.einsum("ij,ij->i", span, span) > longest_mm**2
        if not long.any() or len(faces) + 2 * int(long.sum()) > _MOST_FACES:
            break
        ends = edges[long]
        middle, normal = _middles(points[ends], normals[ends])
        of_edge = np.full(len(edges), -1, dtype=np.int32)
        of_edge[long] = len(points) + np.arange(len(ends), dtype=np.int32)
        faces = _split(faces, of_edge[number])
        points, normals = np.concatenate([points, middle]), np.concatenate([normals, normal])
        parents.append(ends.astype(np.int32))
    return Skin(points, normals, faces.astype(np.int32), np.concatenate(parents))


def _edges(faces: Faces) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Edges once each, (e, 2), and the numbers of the edges 01, 12 and 20 of each face, (m, 3)."""
    ends = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].astype(np.int64), axis=2).reshape(-1, 2)
    base = int(ends.max()) + 1
    keys, number = np.unique(ends[:, 0] * base + ends[:, 1], return_inverse=True)
    return np.column_stack(np.divmod(keys, base)), number.reshape(-1, 3)


def _middles(ends: Floats, normals: Floats) -> tuple[Floats, Floats]:
    """Middles of edges on the smooth surface and their normals; ``ends`` and ``normals`` are (e, 2, 3)."""
    summed = normals.sum(axis=1)
    length = np.linalg.norm(summed, axis=1)
    sharp = np.einsum("ij,ij->i", normals[:, 0], normals[:, 1]) < _SHARP_COS
    normal = np.where(length[:, None] > 1e-9, summed / np.maximum(length, 1e-9)[:, None], normals[:, 0])
    span = ends[:, 1] - ends[:, 0]
    turn = np.einsum("ij,ij->i", normals[:, 1] - normals[:, 0], span)
    # |n0 + n1| / 2 is the cosine of half the angle between them.
    lift = np.where(sharp, 0.0, turn / (8.0 * np.maximum(0.5 * length, 0.5)))
    return 0.5 * ends.sum(axis=1) + lift[:, None] * normal, normal


def _split(faces: Faces, middle: NDArray[np.int32]) -> Faces:
    """Cut each face at the middles of its edges 01, 12, 20, (m, 3); -1 for an edge that is not cut."""
    cut = middle >= 0
    count = cut.sum(axis=1)
    # Turned so that the first edge is the one cut (of one), or the last the one that is not (of two).
    start = np.where(count == 1, np.argmax(cut, axis=1), (np.argmin(cut, axis=1) + 1) % 3)
    turn = (start[:, None] + np.arange(3)) % 3
    corner, mid = np.take_along_axis(faces, turn, axis=1), np.take_along_axis(middle, turn, axis=1)
    (a, b, c), (ab, bc, ca) = corner.T, mid.T
    one, two, three = count == 1, count == 2, count == 3
    parts = [
        faces[count == 0],
        *(_faces(one, *way) for way in ((a, ab, c), (ab, b, c))),
        *(_faces(two, *way) for way in ((ab, b, bc), (a, ab, bc), (a, bc, c))),
        *(_faces(three, *way) for way in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))),
    ]
    return np.concatenate(parts)


def _faces(which: NDArray[np.bool_], a: Faces, b: Faces, c: Faces) -> Faces:
    return np.column_stack([a[which], b[which], c[which]])
