"""Nearest points on an ellipse in its own axes, all points at once."""

import numpy as np
from numpy.typing import NDArray

_FLOOR = 1e-12  # keeps a point on an axis off the pole of the equation; relative to the half axis
_SMALL_STEP = 1e-9  # relative; Newton squares it, so the root is then good to rounding
_MAX_STEPS = 50


def ellipse_foot(
    points: NDArray[np.float64], half_axes: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the nearest points on an ellipse centred at the origin, axes along x and y.

    Parameters
    ----------
    points : (n, 2), any unit
    half_axes : (2,), the same unit, positive, in any order

    Returns
    -------
    foot : (n, 2)
        Nearest point of the ellipse. On the evolute's cusps and between them on the long axis
        two are equally near; the one with the coordinates' own sign (zero counts as positive) is returned.
    distance : (n,)
        Signed distance, positive outside.

    Notes
    -----
    In the first quadrant the foot of ``(x, y)`` is ``(a² x/(s + a² - b²), b² y/s)`` with ``s`` the root
    of ``(a x/(s + a² - b²))² + (b y/s)² = 1`` [1]_. The left side falls and is convex for ``s > 0``, so
    Newton started left of the root climbs to it and never leaves. ``s`` instead of the reference's
    ``t = s - b²`` saves the digits that points near the long axis would lose. Where the start is, one
    term is 1 and the other at most 1, so the root lies within a factor of sqrt(2): a handful of steps do.

    References
    ----------
    .. [1] D. Eberly, "Distance from a point to an ellipse, an ellipsoid, or a hyperellipsoid",
       Geometric Tools, 2013 (cited from memory).
    """
    order = np.argsort(-half_axes, kind="stable")
    long, short = half_axes[order]
    x = np.abs(points[:, order[0]])
    y = np.maximum(np.abs(points[:, order[1]]), _FLOOR * short)
    focal = (long - short) * (long + short)

    root = np.maximum(short * y, long * x - focal)
    for _ in range(_MAX_STEPS):
        term_x, term_y = long * x / (root + focal), short * y / root
        slope = -2.0 * (term_x**2 / (root + focal) + term_y**2 / root)
        step = (term_x**2 + term_y**2 - 1.0) / -slope
        root = root + step
        if np.all(np.abs(step) <= _SMALL_STEP * root):
            break

    # dividing by the length puts the foot on the ellipse to the last digit
    cos, sin = long * x / (root + focal), short * y / root
    length = np.hypot(cos, sin)
    foot = np.empty_like(points)
    foot[:, order[0]] = np.copysign(long * cos / length, points[:, order[0]])
    foot[:, order[1]] = np.copysign(short * sin / length, points[:, order[1]])
    outside = (points[:, order[0]] / long) ** 2 + (points[:, order[1]] / short) ** 2 > 1.0
    distance = np.linalg.norm(points - foot, axis=1)
    return foot, np.where(outside, distance, -distance)
