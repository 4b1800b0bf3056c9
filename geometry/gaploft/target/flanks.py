"""Intact tube beyond the target: what a later scan of the part is lined up on."""

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.trusted_fit import TubeFit

Floats = NDArray[np.float64]

#: More points than this add nothing to an alignment, and only make the file grow.
_MOST_POINTS = 20_000


def flank_points(fit: TubeFit, target_mm: tuple[float, float]) -> tuple[Floats, Floats]:
    """Points of the fitted surface where the scan is trusted beyond both ends of the target.

    New laminate laps over intact tube, and the target ends beyond that lap at the latest: outside of it the
    tube stays as it was scanned. Points of the surface are given, not of the scan, since these carry its
    noise.

    Parameters
    ----------
    fit : the fitted tube
    target_mm : its stations at which the target begins and ends

    Returns
    -------
    points_mm, normals : (n, 3) each, outward unit normals; evenly taken out of all, 20,000 at most
    """
    data = fit.chosen.problem.data
    beyond = np.flatnonzero((data.weights > 0.0) & ((data.u < target_mm[0]) | (data.u > target_mm[1])))
    if len(beyond) > _MOST_POINTS:
        beyond = beyond[np.linspace(0, len(beyond) - 1, _MOST_POINTS).round().astype(np.intp)]
    u, v = data.u[beyond], data.v[beyond]
    return fit.surface.evaluate(u, v), fit.surface.normals(u, v)
