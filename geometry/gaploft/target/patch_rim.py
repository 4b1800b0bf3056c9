"""The rim of a patch's rebuilt zone as a smooth line, for layers that run out evenly beyond it."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.patch.loops import half_edges
from gaploft.target.split import split_along

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Triangles = NDArray[np.int32]

#: Steps inward and outward that even a line out without shrinking it, and how often its pieces are halved.
_SHARES, _HALVED = (0.5, -0.53) * 8, 3


class RimLine:
    """The line between what is rebuilt and what is intact, from the nodes' distance from the rim.

    G. Taubin, "A signal processing approach to fair surface design", 1995 (cited from memory), for a line.
    """

    def __init__(self, points: Floats, faces: Triangles, from_rim_mm: Floats) -> None:
        split = split_along(np.zeros((len(points), 2)), faces, from_rim_mm, 0.0)
        places, n = split.carried(points), len(split.uv)
        inner, outer = half_edges(split.triangles[~split.side]), half_edges(split.triangles[split.side])
        edges = inner[np.isin(inner @ [n, 1], outer @ [1, n])]
        used, number = np.unique(edges, return_inverse=True)
        self._places = _smooth(places[used], number.reshape(-1, 2).astype(np.int64))
        self._tree = cKDTree(self._places) if len(used) else None

    def away(self, points: Floats) -> Floats:
        """Straight distance from the line, (n,) mm; infinite where there is no rim."""
        if self._tree is None:
            return np.full(len(points), np.inf)
        return np.asarray(self._tree.query(points)[0])


def _smooth(places: Floats, edges: Indices) -> Floats:
    """A line of edges evened out, and places close together along it."""
    for _ in range(_HALVED):
        middle = places[edges].mean(axis=1)
        new = len(places) + np.arange(len(edges))
        places = np.concatenate([places, middle])
        edges = np.concatenate([np.column_stack([edges[:, 0], new]), np.column_stack([new, edges[:, 1]])])
        places = _evened(places, edges)
    return places


def _evened(places: Floats, edges: Indices) -> Floats:
    n = len(places)
    both = np.concatenate([edges, edges[:, ::-1]])
    count = np.bincount(both[:, 0], minlength=n)
    # An end of the line, where the patch itself ends, stays.
    moves = (count > 1)[:, None]
    for share in _SHARES:
        around = np.stack(
            [np.bincount(both[:, 0], places[both[:, 1], k], minlength=n) for k in range(3)], axis=1
        )
        mean = around / np.maximum(count, 1)[:, None]
        places = places + np.where(moves, share * (mean - places), 0.0)
    return places
