"""Triangles across a hole with one loop or several, before anything is made fair."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

#: A triangle with all corners on one of several loops counts as so many of its area: caps over both ends of
#: a ring around a tube are smaller than the strip between them as soon as that is a radius wide.
_ONE_LOOP = 8.0


def joined_loops(points: Floats, loops: list[Indices]) -> Indices:
    """One loop of several, joined where they come nearest to each other; each join is run through twice.

    Parameters
    ----------
    points : (n, 3)
    loops : vertex numbers of each loop, in order
    """
    whole, rest = loops[0], list(loops[1:])
    while rest:
        tree = cKDTree(points[whole])
        found = [tree.query(points[loop]) for loop in rest]
        nearest = int(np.argmin([away.min() for away, _ in found]))
        away, at = found[nearest]
        there = int(np.argmin(away))
        here = int(at[there])
        loop = rest.pop(nearest)
        turned = np.roll(loop, -there)
        whole = np.concatenate([whole[: here + 1], turned, turned[:1], whole[here:]])
    return whole


def least_area(points: Floats, of_loop: Indices | None = None) -> NDArray[np.int32]:
    """Triangles of least total area over one closed loop, (m - 2, 3) numbers of its points.

    Parameters
    ----------
    points : (m, 3), in order around the loop, m >= 3
    of_loop : (m,) where the loop is joined from several, the number of the one that each point is from;
        triangles are then to lie between different ones

    Notes
    -----
    Dynamic programming over all triangulations, as used for holes by G. Barequet and M. Sharir, "Filling gaps
    in the boundary of a polyhedron", Computer Aided Geometric Design 12(2), 1995, pp. 207-229. Takes
    m^3 / 6 areas, whole rows at once.
    """
    m = len(points)
    cost = np.zeros((m, m))
    via = np.zeros((m, m), dtype=np.int32)
    for span in range(2, m):
        start = np.arange(m - span)
        stop = start + span
        middle = start[:, None] + np.arange(1, span)[None, :]
        one, two = points[middle] - points[start][:, None], (points[stop] - points[start])[:, None]
        area = 0.5 * np.linalg.norm(np.cross(one, two), axis=-1)
        if of_loop is not None:
            alone = (of_loop[start] == of_loop[stop])[:, None] & (of_loop[middle] == of_loop[start][:, None])
            area = np.where(alone, _ONE_LOOP * area, area)
            # Where a join ends, one point stands in the loop twice: a triangle with both is none.
            area[(points[start] == points[stop]).all(axis=1)] = np.inf
        total = cost[start[:, None], middle] + cost[middle, stop[:, None]] + area
        best = total.argmin(axis=1)
        cost[start, stop] = total[np.arange(len(start)), best]
        via[start, stop] = middle[np.arange(len(start)), best]
    return _triangles(via)


def _triangles(via: NDArray[np.int32]) -> NDArray[np.int32]:
    """Follow the best split of every span down to single edges, all spans of a level at once."""
    spans = np.array([[0, len(via) - 1]])
    found = []
    while len(spans):
        start, stop = spans.T
        middle = via[start, stop]
        found.append(np.stack([start, middle, stop], axis=1))
        spans = np.concatenate([np.stack([start, middle], axis=1), np.stack([middle, stop], axis=1)])
        spans = spans[spans[:, 1] - spans[:, 0] > 1]
    return np.concatenate(found).astype(np.int32)
