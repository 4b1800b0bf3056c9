"""A part of a surface changed by hand given back to where it was computed."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from gaploft.evidence.rim import as_facets

Floats = NDArray[np.float64]


def given_back(
    computed_mm: ArrayLike,
    current_mm: ArrayLike,
    region: ArrayLike,
    facets: ArrayLike,
    feather_mm: float,
) -> Floats:
    """Bring a region back to the computed surface, without a step around it.

    Parameters
    ----------
    computed_mm, current_mm : array_like, shape (n, 3), millimetres
        The same points as computed and as they are now.
    region : array_like, shape (n,), bool
        Points to be given back.
    facets : array_like, shape (k, 4) or (k, 3)
        Quads or triangles as vertex indices.
    feather_mm : float, millimetres, >= 0
        Around the region, up to this far along the surface, points come back by a share that fades from all
        to nothing.

    Returns
    -------
    (n, 3) float64
        Exactly computed within the region, exactly as they are now beyond the feather.

    Raises
    ------
    ValueError
        Shapes do not belong together, or the feather is negative.
    """
    computed, current = (np.asarray(a, dtype=np.float64) for a in (computed_mm, current_mm))
    inside, corners = np.asarray(region, dtype=bool), as_facets(facets)
    n = len(computed)
    if computed.shape != (n, 3) or current.shape != (n, 3) or inside.shape != (n,):
        raise ValueError(
            f"points {computed.shape} and {current.shape} and region {inside.shape} do not match"
        )
    if not feather_mm >= 0.0:
        raise ValueError(f"the feather must not be negative, it is {feather_mm} mm")
    given = current.copy()
    if feather_mm > 0.0 and inside.any():
        near, distance = _near(computed, inside, corners, feather_mm)
        t = distance / feather_mm
        share = 1.0 - t * t * (3.0 - 2.0 * t)
        given[near] += share[:, None] * (computed[near] - current[near])
    given[inside] = computed[inside]
    return given


def _near(
    points: Floats, inside: NDArray[np.bool_], facets: NDArray[np.int64], reach_mm: float
) -> tuple[NDArray[np.int64], Floats]:
    """Points outside within reach along edges and diagonals, and their distances.

    The straight line alone would reach the opposite side of a thin tube.
    """
    border = np.zeros(len(points), dtype=bool)
    border[facets[inside[facets].any(axis=1) & ~inside[facets].all(axis=1)]] = True
    seeds = np.flatnonzero(border & inside)
    if not len(seeds):
        return np.empty(0, dtype=np.int64), np.empty(0)
    straight = np.full(len(points), np.inf)
    outside = np.flatnonzero(~inside)
    straight[outside] = cKDTree(points[seeds]).query(points[outside], distance_upper_bound=reach_mm)[0]
    taken = np.concatenate([seeds, np.flatnonzero(np.isfinite(straight))])
    place = np.full(len(points), -1)
    place[taken] = np.arange(len(taken))
    ways = _ways(facets, len(points))
    ways = ways[(place[ways] >= 0).all(axis=1)]
    # An edge of two facets comes twice, and a graph that is made of sums would count it double.
    codes = np.unique(np.sort(ways, axis=1) @ [len(points), 1])
    ways = np.column_stack(np.divmod(codes, len(points)))
    length = np.linalg.norm(points[ways[:, 0]] - points[ways[:, 1]], axis=1)
    graph = coo_array((length, tuple(place[ways].T)), shape=(len(taken), len(taken))).tocsr()
    distance = dijkstra(graph, directed=False, indices=np.arange(len(seeds)), limit=reach_mm, min_only=True)[
        len(seeds) :
    ]
    reached = np.isfinite(distance)
    return taken[len(seeds) :][reached], distance[reached]


def _ways(facets: NDArray[np.int64], n_points: int) -> NDArray[np.int64]:
    """Edges of facets and the diagonals of quads, (k, 2); of triangles those of every two that share an edge.

    Along edges alone a way across a mesh of triangles would be up to 15 % longer than straight.
    """
    corners = facets.shape[1]
    edges = np.concatenate([facets[:, [k, (k + 1) % corners]] for k in range(corners)])
    if corners == 4:
        return np.concatenate([edges, facets[:, [0, 2]], facets[:, [1, 3]]])
    apex = np.concatenate([facets[:, (k + 2) % 3] for k in range(3)])
    key = np.sort(edges, axis=1) @ [n_points, 1]
    order = np.argsort(key, kind="stable")
    both = np.flatnonzero(np.diff(key[order]) == 0)
    return np.concatenate([edges, np.column_stack([apex[order[both]], apex[order[both + 1]]])])
