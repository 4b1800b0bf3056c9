"""Points spread evenly over the original surface of a lofted tube's gap."""

import numpy as np
from scipy.spatial import cKDTree

import measuring  # noqa: F401  # isort: skip - puts the tests' folders on the path

from error_measure import TruthPoints
from lofted import BrokenTube

_N_POINTS = 6000
#: Golden ratio: successive rings are turned by it, so that no line along the tube is preferred.
_TURN = 0.5 * (np.sqrt(5.0) - 1.0)
_REACH = 0.75


def truth_points(case: BrokenTube) -> TruthPoints:
    """Points between the marked ends of the gap, or over the damaged side alone, posed as the scan is."""
    tube, (low, high) = case.tube, case.gap_mm
    fine = np.linspace(0.0, 1.0, 2001)
    spacing = np.sqrt((high - low) * tube.perimeter_mm / _N_POINTS)
    n_rings = max(8, round((high - low) / spacing))
    along: list[np.ndarray] = []
    around: list[np.ndarray] = []
    for k, at in enumerate(low + (np.arange(n_rings) + 0.5) * (high - low) / n_rings):
        outline, _ = tube.evaluate(np.full(len(fine), at), fine)
        length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(outline, axis=0), axis=1))])
        n = max(12, round(length[-1] / spacing))
        share = np.interp((np.arange(n) + (k * _TURN) % 1.0) / n * length[-1], length, fine)
        share = share[_damaged(share, case.damaged_turn)]
        along.append(np.full(len(share), at))
        around.append(share)
    points, normals = tube.evaluate(np.concatenate(along), np.concatenate(around))
    _, nearest = cKDTree(tube.centreline_mm).query(points)
    reach = _REACH * np.linalg.norm(points - tube.centreline_mm[nearest], axis=1)
    return TruthPoints(case.turn.apply(points) + case.shift, case.turn.apply(normals), reach)


def _damaged(share: np.ndarray, turn: tuple[float, float] | None) -> np.ndarray:
    """Which shares of a turn lie in the damaged part: all without one."""
    if turn is None:
        return np.ones(len(share), dtype=bool)
    middle, width = turn
    return np.asarray(np.abs((share - middle + 0.5) % 1.0 - 0.5) < 0.5 * width)
