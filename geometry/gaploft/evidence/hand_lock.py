"""A lock on the rim for work by hand: what may be moved, and how freely."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from gaploft.evidence.rim import as_facets, rim_edges

#: Of the way from a rim to the middle of the zone, the lock takes at most this share.
MOST_OF_HALF_WIDTH = 0.6


def lock_weights(
    vertices_mm: ArrayLike, zone: ArrayLike, facets: ArrayLike, falloff_mm: float
) -> NDArray[np.float64]:
    """Say how firmly each point of a rebuilt surface is held while it is worked on by hand.

    Parameters
    ----------
    vertices_mm : array_like, shape (n, 3), millimetres
        Points of the surface as computed.
    zone : array_like, shape (n,)
        0 intact overlap, 1 rebuilt.
    facets : array_like, shape (k, 4) or (k, 3)
        Quads or triangles as vertex indices.
    falloff_mm : float, millimetres, > 0
        Distance from the rim at which points are free. In a zone that is too short for it, it is
        shortened to ``MOST_OF_HALF_WIDTH`` of the way from the rim to the middle.

    Returns
    -------
    (n,) float64, 0 to 1
        1 on the intact overlap and on the rim, 0 where a hand is free. A move is to be scaled by
        ``1 - weight``.

    Raises
    ------
    ValueError
        Shapes do not belong together, or ``falloff_mm`` is not positive.

    Notes
    -----
    Between, the weight is ``1 - t**3 (10 - 15 t + 6 t**2)``, where ``t`` is the distance from the nearest
    point of the rim over the falloff: the polynomial with no slope and no curvature at both ends. A push
    of ``p`` then tilts the first facets of depth ``h`` by about ``10 p h**2 / falloff**3``: with 8 mm and
    facets of 1 mm, half a millimetre tilts them by less than half a degree.
    """
    points, corners = np.asarray(vertices_mm, dtype=np.float64), as_facets(facets)
    rebuilt = np.asarray(zone) == 1
    n = len(points)
    if points.shape != (n, 3) or rebuilt.shape != (n,):
        raise ValueError(f"points {points.shape} and zone {rebuilt.shape} do not match")
    if not falloff_mm > 0.0:
        raise ValueError(f"the falloff must be positive, it is {falloff_mm} mm")
    rim = np.unique(rim_edges(corners, rebuilt))
    # A point is free only when all of its facets are rebuilt ones: along a ragged rim some points are not.
    free = rebuilt.copy()
    free[corners[~rebuilt[corners].all(axis=1)]] = False
    free[rim] = False
    weights = np.ones(n)
    if not free.any():
        return weights
    # Points beyond the bound come back as infinite, and show that the falloff need not be shortened.
    bound = falloff_mm / MOST_OF_HALF_WIDTH
    # Many points ask a small tree: with large leaves they are answered in a third of the time.
    tree = cKDTree(points[rim], leafsize=64)
    distance = np.asarray(tree.query(points[free], distance_upper_bound=bound)[0])
    t = np.minimum(distance / min(falloff_mm, MOST_OF_HALF_WIDTH * float(distance.max())), 1.0)
    weights[free] = 1.0 - t**3 * (10.0 - t * (15.0 - 6.0 * t))
    return weights
