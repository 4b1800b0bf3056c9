"""Even triangles in a coarse filling: long edges are split, edges flipped, points spread."""

import numpy as np
from numpy.typing import NDArray

from gaploft.patch.loops import half_edges

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]

#: An edge is split when it is longer than this many times the edge asked for.
_TOO_LONG = 1.4
_MOST_ROUNDS, _FLIP_ROUNDS = 30, 8


def split_long(points: Floats, faces: Faces, edge_mm: float) -> tuple[Floats, Faces, NDArray[np.int64]]:
    """Split edges of a mesh that are too long at their middles; faces keep their way round.

    Returns points, those there were coming first; faces; and of each face the one that it was a part of.
    """
    ends = np.sort(half_edges(faces), axis=1)
    long = np.linalg.norm(points[ends[:, 0]] - points[ends[:, 1]], axis=1) > _TOO_LONG * edge_mm
    key = np.unique(ends[long, 0] * len(points) + ends[long, 1])
    return divided_at(points, faces, np.column_stack(np.divmod(key, len(points))))


def divided_at(
    points: Floats, faces: Faces, ends: NDArray[np.int64]
) -> tuple[Floats, Faces, NDArray[np.int64]]:
    """Split some edges, (k, 2) smaller number first, at their middles, which come behind the old points.

    Returns points, faces, and of each face the one that it was a part of.
    """
    n = len(points)
    edges = np.sort(half_edges(faces), axis=1)
    key, wanted = edges[:, 0] * n + edges[:, 1], ends[:, 0] * n + ends[:, 1]
    order = np.argsort(wanted, kind="stable")
    place = np.minimum(np.searchsorted(wanted[order], key), max(len(order) - 1, 0))
    number = np.full(len(key), -1, dtype=np.int64)
    if len(order):
        found = wanted[order][place] == key
        number[found] = n + order[place[found]]
    middle = number.reshape(3, -1).T  # of the edges 01, 12, 20
    points = np.concatenate([points, points[ends].mean(axis=1)])
    return points, *_divided(faces.astype(np.int64), middle, points)


def _divided(
    faces: NDArray[np.int64], middle: NDArray[np.int64], points: Floats
) -> tuple[Faces, NDArray[np.int64]]:
    """Faces cut by the middles of their edges, -1 where an edge stays whole, and what each was a part of."""
    cut = middle >= 0
    count = cut.sum(axis=1)
    parts = [faces[count == 0]]
    # Turn each face so that the cut edge comes first, or, with two of them, the whole edge last.
    turn = np.where(count == 1, cut.argmax(axis=1), np.where(count == 2, (~cut).argmax(axis=1) + 1, 0))
    order = (turn[:, None] + np.arange(3)) % 3
    corner = np.take_along_axis(faces, order, axis=1)
    mid = np.take_along_axis(middle, order, axis=1)
    one, two, three = ((corner[count == k], mid[count == k]) for k in (1, 2, 3))
    c, m = one
    parts += [np.stack([c[:, 0], m[:, 0], c[:, 2]], 1), np.stack([m[:, 0], c[:, 1], c[:, 2]], 1)]
    c, m = two
    parts.append(np.stack([m[:, 0], c[:, 1], m[:, 1]], 1))
    first = np.linalg.norm(points[m[:, 0]] - points[c[:, 2]], axis=1) < np.linalg.norm(
        points[c[:, 0]] - points[m[:, 1]], axis=1
    )
    a, b = np.stack([c[:, 0], m[:, 0], c[:, 2]], 1), np.stack([m[:, 0], m[:, 1], c[:, 2]], 1)
    d, e = np.stack([c[:, 0], m[:, 0], m[:, 1]], 1), np.stack([c[:, 0], m[:, 1], c[:, 2]], 1)
    parts += [np.where(first[:, None], a, d), np.where(first[:, None], b, e)]
    c, m = three
    parts += [
        np.stack([c[:, 0], m[:, 0], m[:, 2]], 1),
        np.stack([m[:, 0], c[:, 1], m[:, 1]], 1),
        np.stack([m[:, 2], m[:, 1], c[:, 2]], 1),
        m,
    ]
    was = np.concatenate([np.tile(np.flatnonzero(count == k), k + 1) for k in range(4)])
    return np.concatenate(parts).astype(np.int32), was


def flipped(points: Floats, faces: Faces) -> Faces:
    """Flip edges whose opposite angles sum to more than half a turn, until none is left or rounds run out."""
    faces = faces.copy()
    for _ in range(_FLIP_ROUNDS):
        pairs = _flippable(points, faces)
        if len(pairs) == 0:
            break
        f, g, a, b, c, d = pairs.T
        # Face f runs a, b, c and g runs b, a, d: the new edge is c, d.
        faces[f] = np.stack([a, d, c], axis=1)
        faces[g] = np.stack([d, b, c], axis=1)
    return faces


def _flippable(points: Floats, faces: Faces) -> NDArray[np.int64]:
    """Pairs of faces to be flipped at once, none of which share a face: columns f, g, a, b, c, d."""
    n, m = len(points), len(faces)
    edges = half_edges(faces)
    opposite = np.concatenate([faces[:, 2], faces[:, 0], faces[:, 1]]).astype(np.int64)
    face = np.tile(np.arange(m), 3)
    key, back = edges[:, 0] * n + edges[:, 1], edges[:, 1] * n + edges[:, 0]
    order = np.argsort(key, kind="stable")
    place = np.searchsorted(key[order], back)
    twin = order[np.minimum(place, len(order) - 1)]
    paired = (key[twin] == back) & (edges[:, 0] < edges[:, 1])
    e = np.flatnonzero(paired)
    a, b, c, d = edges[e, 0], edges[e, 1], opposite[e], opposite[twin[e]]
    angle = _angle(points, c, a, b) + _angle(points, d, a, b)
    bad = angle > np.pi + 1e-6
    e, angle, a, b, c, d = e[bad], angle[bad], a[bad], b[bad], c[bad], d[bad]
    normal = np.einsum("ij,ij->i", _normal(points, a, d, c), _normal(points, d, b, c))
    there = np.isin(np.minimum(c, d) * n + np.maximum(c, d), np.minimum(key, back))
    good = (normal > 0.0) & ~there
    e, angle = e[good], angle[good]
    f, g = face[e], face[twin[e]]
    # An edge is flipped when it is the worst of both its faces; two flips never share a face then.
    worst = np.zeros(m)
    np.maximum.at(worst, f, angle)
    np.maximum.at(worst, g, angle)
    first = (angle == worst[f]) & (angle == worst[g])
    rows = np.stack([f, g, a[good], b[good], c[good], d[good]], axis=1)[first]
    used = np.concatenate([rows[:, 0], rows[:, 1]])
    twice = np.flatnonzero(np.bincount(used, minlength=m) > 1)
    rows = rows[~(np.isin(rows[:, 0], twice) | np.isin(rows[:, 1], twice))]
    new = np.minimum(rows[:, 4], rows[:, 5]) * n + np.maximum(rows[:, 4], rows[:, 5])
    return np.asarray(rows[np.unique(new, return_index=True)[1]])


def _angle(points: Floats, at: NDArray[np.int64], a: NDArray[np.int64], b: NDArray[np.int64]) -> Floats:
    one, two = points[a] - points[at], points[b] - points[at]
    return np.arctan2(np.linalg.norm(np.cross(one, two), axis=1), np.einsum("ij,ij->i", one, two))


def _normal(points: Floats, a: NDArray[np.int64], b: NDArray[np.int64], c: NDArray[np.int64]) -> Floats:
    return np.cross(points[b] - points[a], points[c] - points[a])
