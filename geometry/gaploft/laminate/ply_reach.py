"""How far each ply reaches on its bed, and how deep it lies."""

from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.job import BedSettings
from gaploft.laminate.model import Bed
from gaploft.target.readings import Over

Floats = NDArray[np.float64]

#: Neighbours among the bed's vertices that a wall is drawn from.
_NEAR = 6
_ROUNDING_MM = 1e-9


def past_edge(bed: Bed, reach: Over, u: Floats, v: Floats) -> Floats:
    """Distance in mm from the edge of a ply that reaches so far, negative on it."""
    return np.asarray(bed.hole.beyond(u, v) - reach(u, v))


def wall_of(bed: Bed, thickness_mm: Floats) -> Over:
    """Thickness of the laminate as the bed has it, a weighted mean of what it has nearby.

    Parameters
    ----------
    thickness_mm : (n,) of the plies, by which the terraces of a bed in steps are told from its foot
    """
    depth = bed.depth_mm - bed.coats(*bed.uv.T)
    if bed.settings.ratio is not None:
        thickness, at = depth + bed.beyond_mm / bed.settings.ratio, np.arange(len(depth))
    else:
        # Only the foot of the upright wall at the hole's edge is as deep as the laminate is thick: the bed is
        # refused where its deepest terrace is not above that.
        at = np.flatnonzero(depth > float(thickness_mm[1:].sum()) + _ROUNDING_MM)
        thickness = depth[at]
    chart = bed.hole.chart
    tree = cKDTree(chart.three_turns(chart.unrolled(*bed.uv[at].T)))
    thrice = np.tile(thickness, 3)

    def over(u: Floats, v: Floats) -> Floats:
        u, v = np.broadcast_arrays(np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64))
        away, near = tree.query(chart.unrolled(u.ravel(), v.ravel()), k=_NEAR)
        weight = 1.0 / (away**2 + 1e-6)
        found = (weight * thrice[near]).sum(axis=1) / weight.sum(axis=1)
        return np.asarray(found).reshape(u.shape)

    return over


def reaches_of(settings: BedSettings, thickness: Floats, wall: Over) -> list[Over]:
    """How far each ply reaches beyond the hole's edge, as functions of (u, v), mm."""
    n, lap = len(thickness), settings.lap_mm
    if settings.step_mm is not None:
        ends = settings.step_mm * np.arange(n) + np.where(np.arange(n) == n - 1, lap, 0.0)
        return [partial(_even, float(end)) for end in ends]
    ratio = settings.ratio
    assert ratio is not None
    tops = ratio * np.cumsum(thickness)

    def within(top: float, u: Floats, v: Floats) -> Floats:
        return np.asarray(np.minimum(top, ratio * wall(u, v)))

    def outermost(u: Floats, v: Floats) -> Floats:
        return np.asarray(ratio * wall(u, v) + lap)

    return [*(partial(within, float(top)) for top in tops[:-1]), outermost]


def middle_of(settings: BedSettings, coats: Over, wall: Over, thickness: Floats, k: int) -> Over:
    """Depth of the middle of ply ``k`` below the outer surface: by steps they are counted from the bare
    laminate inwards, by ratio from the inner surface outwards, as the bed is."""
    if settings.step_mm is not None:
        above = float(thickness[k + 1 :].sum() + 0.5 * thickness[k])
        return lambda u, v: np.asarray(coats(u, v) + above)
    beneath = float(thickness[:k].sum() + 0.5 * thickness[k])
    return lambda u, v: np.asarray(coats(u, v) + wall(u, v) - beneath)


def _even(value: float, u: Floats, v: Floats) -> Floats:
    return np.full(np.broadcast_shapes(np.shape(u), np.shape(v)), value)
