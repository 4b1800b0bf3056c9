"""How far from the damage the scan can be trusted: where means of residuals leave the noise, it can't."""

import numpy as np
from numpy.typing import NDArray

from gaploft.patch.field import Nodes

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Kept out at first; no rim is damaged farther than the second (common practice, no source), mm.
FIRST_MM, FARTHEST_MM = 6.0, 16.0
#: The scan is never trusted nearer to a mark than this, and by this beyond what stands out, mm.
_LEAST_MM, _BEYOND_MM = 1.0, 1.0
#: A node's mean residual stands out when it is so many of its standard uncertainties.
_STANDS_OUT = 3.5
#: A surface less certain than this many times the noise of a point tells no damage from itself.
_BLIND = 0.6
#: What stands out speaks for nodes so many rounds of neighbours around.
_SPREAD_ROUNDS = 2


def margins(
    nodes: Nodes,
    owner: NDArray[np.int64],
    away_mm: Floats,
    residual_mm: Floats,
    uncertain_mm: Floats,
    noise_mm: float,
) -> Floats:
    """How far from the damage each node's surroundings are not to be trusted, (n,) mm.

    Parameters
    ----------
    owner, away_mm, residual_mm : (m,) node of each point, its way from the damage, and its height over the
        surface that was fitted to what lies beyond ``FIRST_MM``
    uncertain_mm : (n,) standard uncertainty of that surface at the nodes
    """
    n = len(nodes.points)
    limit = 6.0 * noise_mm
    count = np.bincount(owner, minlength=n)
    mean = np.bincount(owner, np.clip(residual_mm, -limit, limit), minlength=n) / np.maximum(count, 1)
    # Half of the noise of neighbouring points goes together.
    own = noise_mm * np.sqrt(1.0 / np.maximum(count, 1) + 0.15)
    out = (count > 0) & (np.abs(mean) > _STANDS_OUT * np.hypot(own, uncertain_mm))
    way = np.bincount(owner, np.where(np.isfinite(away_mm), away_mm, 1e3), minlength=n) / np.maximum(count, 1)
    out &= way < FARTHEST_MM
    near = nodes.pattern.near
    # One node alone is chance: a neighbour that stands out, too, makes it damage.
    out &= out[near[:, :6]].any(axis=1)
    # Where the surface itself is not known, nothing can be told of the scan.
    blind = (way < FIRST_MM) & (uncertain_mm > _BLIND * noise_mm)
    margin = np.where(out, way + _BEYOND_MM, 0.0)
    for _ in range(_SPREAD_ROUNDS):
        margin = np.maximum(margin, margin[near].max(axis=1))
    return np.maximum(margin, np.where(blind, FIRST_MM, _LEAST_MM))
