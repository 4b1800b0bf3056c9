"""Damage that is marked by loops drawn around it."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from gaploft.checks import as_faces, as_points
from gaploft.errors import InputError
from gaploft.patch.fence import fence
from gaploft.patch.loops import half_edges

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]
Indices = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Share of a loop's edges that have to part the scan: single ones don't, where a loop runs to and fro.
_LEAST_PARTING = 0.5


def damaged_by_outlines(points: ArrayLike, faces: ArrayLike, outlines: Sequence[ArrayLike]) -> Bools:
    """Which vertices of a scan lie within closed loops drawn on it.

    Parameters
    ----------
    points, faces : array_like, (n, 3) mm and (m, 3)
        The scan, or a part of it that is more than twice as large as the damage.
    outlines : (k, 3) each, mm
        Points along each loop, in order.

    Returns
    -------
    (n,) bool. Loops part each piece of the scan into two sides in turns, as the squares of a board: across
    each loop lies the other side. Damaged is the side with the smaller area, and all vertices under the
    loops. So a loop within another one is an island of intact scan, and two rings around a tube mark what
    lies between them where that is less than all the rest.

    Raises
    ------
    InputError
        A loop can't be followed on the scan, see :func:`gaploft.patch.fence.fence`; loops touch or cross; or
        one of them does not part the scan in two.
    """
    points = as_points(points)
    faces = as_faces(faces, len(points))
    loops = [as_points(loop, name="outlines") for loop in outlines]
    names = ["the outline"] if len(loops) == 1 else [f"outline {k + 1}" for k in range(len(loops))]
    piece = _pieces(faces, len(points))
    fences = [fence(points, faces, piece, loop, name) for loop, name in zip(loops, names, strict=True)]
    _check_apart(fences, len(points))
    part, across = _parts(faces, fences, names)
    side = _sides(part, across)
    damaged = np.zeros(len(points), dtype=bool)
    damaged[faces[_smaller(points, faces, piece, side, fences)]] = True
    for loop in fences:
        damaged[loop] = True
    return damaged


def _pieces(faces: Faces, n: int) -> Indices:
    """Number of the piece that each vertex belongs to; -1 where it is of no face."""
    edges = half_edges(faces)
    graph = coo_matrix((np.ones(len(edges), bool), (edges[:, 0], edges[:, 1])), shape=(n, n))
    piece = connected_components(graph, directed=False)[1].astype(np.int64)
    piece[~np.isin(np.arange(n), faces)] = -1
    return np.asarray(piece)


def _check_apart(fences: list[Indices], n: int) -> None:
    """Raise InputError where two loops share a vertex."""
    passed = np.zeros(n, dtype=np.int64)
    for loop in fences:
        passed[np.unique(loop)] += 1
    if (passed > 1).any():
        raise InputError(
            "two outlines touch or cross each other: draw one around both damages, or draw them apart"
        )


def _parts(faces: Faces, fences: list[Indices], names: list[str]) -> tuple[Indices, Indices]:
    """Parts of the scan that the fences leave, (m,) by face, and pairs of parts across a fence, (k, 2)."""
    n = int(faces.max()) + 1
    edges = np.sort(half_edges(faces), axis=1)
    key, face = edges[:, 0] * n + edges[:, 1], np.tile(np.arange(len(faces)), 3)
    order = np.argsort(key, kind="stable")
    key, face = key[order], face[order]
    same = np.flatnonzero(key[1:] == key[:-1])
    pair, pair_key = np.stack([face[same], face[same + 1]], axis=1), key[same]
    along = [np.sort(np.stack([loop, np.roll(loop, -1)], axis=1), axis=1) for loop in fences]
    fenced = [ends[:, 0] * n + ends[:, 1] for ends in along]
    free = pair[~np.isin(pair_key, np.concatenate(fenced))]
    part = connected_components(
        coo_matrix((np.ones(len(free), bool), (free[:, 0], free[:, 1])), shape=(len(faces),) * 2),
        directed=False,
    )[1].astype(np.int64)
    across = []
    for keys, name in zip(fenced, names, strict=True):
        beside = part[pair[np.isin(pair_key, keys)]]
        beside = beside[beside[:, 0] != beside[:, 1]]
        if len(beside) < _LEAST_PARTING * len(np.unique(keys)):
            raise InputError(
                f"{name} does not part the scan into inside and outside: draw it all around the damage"
            )
        across.append(beside)
    return part, np.concatenate(across)


def _sides(part: Indices, across: Indices) -> Bools:
    """On which of two sides each face lies, (m,), where each fence parts one side from the other.

    Each part of the scan stands twice in a graph, once for each side, and is joined to its neighbours on
    the other side; where the two are joined with each other, there are no two sides.
    """
    n = int(part.max()) + 1
    here, there = across.T
    links = np.concatenate([np.stack([here, n + there]), np.stack([n + here, there])], axis=1)
    joined = connected_components(
        coo_matrix((np.ones(links.shape[1], bool), (links[0], links[1])), shape=(2 * n, 2 * n)),
        directed=False,
    )[1]
    first, second = joined[:n], joined[n:]
    if (first == second).any():
        raise InputError(
            "the outlines part the scan, but not into an inside and an outside: draw each of them all around "
            "one damage, or two around a tube"
        )
    return np.asarray((first < second)[part])


def _smaller(points: Floats, faces: Faces, piece: Indices, side: Bools, fences: list[Indices]) -> Bools:
    """Faces on the smaller side of each piece of the scan that a fence stands on."""
    corner = points[faces]
    area = 0.5 * np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    of_face = piece[faces[:, 0]]
    n = int(piece.max()) + 1
    total = np.bincount(of_face, area, minlength=n)
    sided = np.bincount(of_face[side], area[side], minlength=n)
    fenced = np.zeros(n, dtype=bool)
    fenced[piece[np.concatenate(fences)]] = True
    return np.asarray(fenced[of_face] & (side == (sided <= 0.5 * total)[of_face]))
