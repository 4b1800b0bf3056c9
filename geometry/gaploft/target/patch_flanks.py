"""Intact surface beyond a patch: what a later scan of the part is lined up on."""

import numpy as np
from numpy.typing import NDArray

from gaploft.patch.base import PatchSurface

Floats = NDArray[np.float64]

#: As of a tube's flanks: more points add nothing to an alignment.
MOST_POINTS = 20_000


def points_beyond(
    surface: PatchSurface, points: Floats, beyond_mm: Floats, trusted: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Places of the fitted surface where the scan is trusted beyond the target.

    Parameters
    ----------
    surface : the rebuilt surface
    points : (m, 3) of the scan
    beyond_mm : (m,) their distance beyond the target's end, negative on it
    trusted : (m,) bool

    Returns
    -------
    points_mm, normals : (n, 3) each, outward unit normals; evenly taken out of all, 20,000 at most. Places of
        the surface and not of the scan, since these carry its noise.
    """
    there = np.flatnonzero(trusted & (beyond_mm > 0.0))
    if len(there) > MOST_POINTS:
        there = there[np.linspace(0, len(there) - 1, MOST_POINTS).round().astype(np.intp)]
    found = surface.onto(points[there])
    return found, surface.against(found).normal
